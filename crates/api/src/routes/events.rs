//! Events for who asks now and then.

use axum::{extract::State, response::Response};

use super::{App, answer::json_text, query::EventsQuery};
use hereabout_words::time::rfc3339;

use crate::v1::{EventsBody, EventsKeptIn, SpanBody, json};

/// What happened, by number.
///
/// Events are told when they happen, and no number ever means two of them, over kills and with another log, too. Numbers
/// grow by one while the daemon runs, and by more over a start, whose event says how the run before ended. Without `after`
/// the newest events are given, with it those that follow. Some thousand are kept here; `no_longer_kept` says which
/// of those asked for are not. Who asks for what comes after a number that was never given (the clock was set back) gets
/// all there are, and `numbers_anew`.
#[utoipa::path(get, path = "/v1/events",
    params(
        ("after" = Option<u64>, Query, description = "The number of the last event that is known already; 0 for all"),
        ("limit" = Option<usize>, Query, description = "At most so many events, 1 to 1000; without: 100"),
    ),
    responses((status = OK, body = EventsBody)))]
pub(super) async fn events(State(app): State<App>, query: EventsQuery) -> Response {
    let (page, kept_in) = app.hub.events_page(query.after, query.limit);
    let texts: Vec<&str> = page.events.iter().map(|e| &*e.text).collect();
    let since = (kept_in == EventsKeptIn::Memory).then(|| rfc3339(app.hub.info().started_at));
    let mut text = format!(
        "{{\"events\":[{}],\"next_after\":{},\"oldest\":{},\"newest\":{},\"kept_in\":{},\"kept_since\":{}",
        texts.join(","),
        page.next_after,
        json(&page.oldest),
        json(&page.newest),
        json(&kept_in),
        json(&since)
    );
    if let Some((from, to)) = page.no_longer_kept {
        text += &format!(",\"no_longer_kept\":{}", json(&SpanBody { from, to }));
    }
    if page.anew.is_some() {
        text += &format!(",\"numbers_anew\":{}", json(&page.newest.unwrap_or(0)));
    }
    json_text(text + "}")
}
