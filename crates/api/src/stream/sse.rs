//! `/v1/live.sse`: the messages of `/v1/live` as Server-Sent Events.
//!
//! The format is that of the WHATWG HTML Living Standard, section 9.2 "Server-sent events"
//! (<https://html.spec.whatwg.org/multipage/server-sent-events.html>). Messages have no `event:` field, so that a
//! page gets them all with `onmessage`; what a message is about is its own `type`. `retry:` comes first. A comment line
//! keeps the connection alive where nothing else is said. Events, and they alone, have an `id:`, their number; a reader
//! that comes back says the last one it has in the header `Last-Event-ID`, which is the same as `after=` and wins over
//! it, because the query is that of the first time.
//!
//! The body is made as the connection takes it: a reader who does not read lets its mailbox fill, as over
//! WebSocket, and costs nobody else anything. There are no pings in this format, so one who takes nothing for too long
//! is cut off: a watcher sees when the last piece was made and not taken, and drops the connection ([`Cut`]).

use std::{
    convert::Infallible,
    sync::{Arc, Mutex, PoisonError},
    time::{Duration, Instant},
};

use axum::{
    body::{Body, Bytes},
    http::{HeaderMap, HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
};
use futures_util::stream;
use tokio::time::{sleep, sleep_until};
use tokio_util::{sync::CancellationToken, task::AbortOnDropHandle};

use crate::{
    http::settings::ApiSettings,
    stream::message::NextMessage,
    stream::subscription::Subscription,
    v1::{MissedBody, Problem, Sending},
};

/// The number in the header `Last-Event-ID`; `None` without the header.
pub(crate) fn last_event_id(headers: &HeaderMap) -> Result<Option<u64>, Problem> {
    let mut values = headers.get_all("last-event-id").iter();
    let Some(value) = values.next() else { return Ok(None) };
    let number = value.to_str().ok().and_then(|text| text.parse().ok());
    match number.filter(|_| values.next().is_none()) {
        Some(number) => Ok(Some(number)),
        None => Err(Problem::bad_request(
            "The header Last-Event-ID is not the number of one event: give that of the last `id:` you have, or leave \
             it out."
                .to_owned(),
        )),
    }
}

/// How long an `EventSource` waits before it connects again, milliseconds.
const RETRY_MS: u32 = 1000;
/// A line that means nothing.
const COMMENT: &str = ":\n\n";

/// The endless answer to one reader.
pub(crate) fn response(
    subscription: Subscription,
    settings: Arc<ApiSettings>,
    shutdown: CancellationToken,
    cut: Option<Cut>,
) -> Response {
    let mut first = format!("retry: {RETRY_MS}\n\n");
    if let Some(after) = subscription.resume_after() {
        // An id without data is no message, but is remembered: a reader who loses the connection before its first event
        // resumes from here.
        first += &format!("id: {after}\n\n");
    }
    let stalled_since = Arc::new(Mutex::new(None));
    let watching = cut.map(|cut| {
        let watcher = watch(cut, stalled_since.clone(), settings.unheard_after);
        AbortOnDropHandle::new(tokio::spawn(watcher))
    });
    let state =
        Writing { subscription, settings, shutdown, first: Some(first), stalled_since, _watching: watching };
    let body = stream::unfold(state, |mut state| async {
        state.set_stalled_since(None);
        let text = state.next().await?;
        state.set_stalled_since(Some(Instant::now()));
        Some((Ok::<Bytes, Infallible>(text.into()), state))
    });
    let kind = [(header::CONTENT_TYPE, HeaderValue::from_static("text/event-stream"))];
    (StatusCode::OK, kind, Body::from_stream(body)).into_response()
}

/// Drops the connection that a request came over.
#[derive(Clone, Debug)]
pub(crate) struct Cut(pub(crate) CancellationToken);

/// Since when a piece waits to be taken; `None` while the connection asks for the next one.
type StalledSince = Arc<Mutex<Option<Instant>>>;

/// Cuts the connection when a piece was not taken for `limit`.
async fn watch(cut: Cut, stalled_since: StalledSince, limit: Duration) {
    loop {
        sleep(limit / 4).await;
        let since = *stalled_since.lock().unwrap_or_else(PoisonError::into_inner);
        if since.is_some_and(|since| since.elapsed() >= limit) {
            tracing::debug!("a reader of events takes nothing: its connection is dropped");
            cut.0.cancel();
            return;
        }
    }
}

/// One reader's side.
struct Writing {
    subscription: Subscription,
    settings: Arc<ApiSettings>,
    shutdown: CancellationToken,
    first: Option<String>,
    stalled_since: StalledSince,
    _watching: Option<AbortOnDropHandle<()>>,
}

impl Writing {
    fn set_stalled_since(&self, since: Option<Instant>) {
        *self.stalled_since.lock().unwrap_or_else(PoisonError::into_inner) = since;
    }

    /// What to send next; `None` when the daemon stops and nothing waits any more.
    async fn next(&mut self) -> Option<String> {
        if let Some(first) = self.first.take() {
            return Some(first);
        }
        let comment_at = Instant::now() + self.settings.ping_every;
        loop {
            let (next, sending) = self.subscription.next_message(&|| self.settings.sending());
            let wait_until = match next {
                NextMessage::NotBefore(at) => at.min(comment_at),
                NextMessage::Nothing => comment_at,
                next => return text(next, sending),
            };
            if self.shutdown.is_cancelled() {
                return None;
            }
            tokio::select! {
                () = self.subscription.news() => {}
                () = sleep_until(wait_until.into()) => if wait_until == comment_at {
                    return Some(COMMENT.to_owned());
                },
                () = self.shutdown.cancelled() => {} // once more, for the last events
            }
        }
    }
}

/// What was taken, as it stands in the stream; events have their number as the id.
fn text(next: NextMessage, sending: Sending) -> Option<String> {
    let missed = next.missed();
    let before = match &next {
        NextMessage::Event(event) => format!("id: {}\n", event.seq),
        _ if missed > 0 => data(&MissedBody::text(missed)),
        _ => String::new(),
    };
    next.text(sending).map(|text| before + &data(&text))
}

/// One message. Its text is JSON on one line, so it needs no cutting.
fn data(text: &str) -> String {
    format!("data: {text}\n\n")
}
