//! The live messages: a subscription, served over a WebSocket or as Server-Sent Events.

use axum::{
    Extension,
    extract::{
        State,
        ws::{WebSocketUpgrade, rejection::WebSocketUpgradeRejection},
    },
    http::HeaderMap,
    response::Response,
};

use super::{App, answer::list};
use crate::{
    http::{rights::Way, seats::Seat},
    stream::{
        filter::SubscriptionFilter,
        sse::{self, Cut},
        subscription::Subscription,
        websocket::{self, serve_reader},
    },
    v1::Problem,
};

/// Readers of the live messages over the socket, beyond those of loopback.
pub(super) const MAX_SOCKET_READERS: usize = 32;

/// WebSocket: a snapshot, then changes.
///
/// Every message is one JSON text: a position, anchor, link, zone, event or range body, told apart by `type`. A reader
/// who is too slow gets the newest of each and, before it, `{"type":"missed","count":n}`. Anchors are sent
/// when their state changes. Events are never left out for a slow reader, nor chosen by `tag` or `zone`: their numbers
/// have no gap. When those that a reader is to get next are gone, `{"type":"no_longer_kept","from":n,"to":m}` says so;
/// when `after` is ahead of the newest number, `{"type":"numbers_anew","after":n,"newest":m}` comes, and then all there
/// are. A ping comes every 5 s; who answers nothing for 10 s is closed with 1008; a
/// message from the client above 4096 bytes with 1009; a daemon that stops closes with 1001.
///
/// A reader who is behind notices. Positions and zones carry `valid_for_s`, to be counted from their arrival, and
/// `sender_s`, the daemon's steady time. A text `{"ping":"…"}` of at most 128 characters is answered with
/// `{"type":"pong","ping":"…","sender_s":…}` after everything that waited for the reader before it, but for what
/// `max_rate_hz` holds back. At most 8 pings wait; others get no answer and are counted in `/v1/status`. What is no ping
/// is told once; other texts mean nothing.
#[utoipa::path(get, path = "/v1/live",
    params(
        ("topics" = Option<String>, Query,
            description = "One or more of position, position_delayed, range, anchor, link, zone, event, with commas; \
                           without: all but range"),
        ("tag" = Option<u32>, Query, description = "Positions, ranges and zones of this tag only"),
        ("zone" = Option<String>, Query, description = "Messages of the zone of this name only"),
        ("max_rate_hz" = Option<f64>, Query,
            description = "At most so many positions, ranges, and messages of a zone, of each tag a second: the \
                           newest; 0.01 to 1000. A zone's change of state is never held back"),
        ("after" = Option<u64>, Query,
            description = "The events after this number come first, and then on without gap or double; without: \
                           events from now on"),
        ("nonce" = Option<String>, Query,
            description = "1 to 128 of a to z, A to Z, 0 to 9, '.', '_', '~', '-': comes back as the first message, \
                           `{\"type\":\"nonce\",\"nonce\":\"…\",\"sender_s\":…}`"),
    ),
    responses((status = SWITCHING_PROTOCOLS, description = "The WebSocket (RFC 6455)")))]
pub(super) async fn live(
    State(app): State<App>,
    filter: SubscriptionFilter,
    seat: Option<Extension<Seat>>,
    way: Option<Extension<Way>>,
    upgrade: Result<WebSocketUpgrade, WebSocketUpgradeRejection>,
) -> Result<Response, Problem> {
    let upgrade = upgrade.map_err(|_| Problem::websocket_wanted())?;
    let reader = subscribe(&app, way, filter)?;
    let open = app.tracker.token(); // the shutdown waits for it
    let busy = seat.map(|Extension(seat)| seat.busy());
    Ok(upgrade
        .read_buffer_size(4096)
        .write_buffer_size(0)
        .max_message_size(websocket::MAX_MESSAGE_BYTES)
        .max_frame_size(websocket::MAX_MESSAGE_BYTES)
        .on_upgrade(async move |socket| {
            serve_reader(socket, reader, app.settings, app.shutdown).await;
            drop((open, busy));
        }))
}

/// The messages of `/v1/live` as Server-Sent Events.
///
/// As the WHATWG HTML Living Standard has them (section "Server-sent events"), for `EventSource` and for anything that
/// reads lines. `data:` is one message; events have their number as `id:`. The header `Last-Event-ID` is the same as
/// `after` and wins over it. A comment line comes every 5 s when nothing else does; who takes nothing for 10 s is cut
/// off.
#[utoipa::path(get, path = "/v1/live.sse",
    params(
        ("topics" = Option<String>, Query, description = "As of /v1/live"),
        ("tag" = Option<u32>, Query, description = "As of /v1/live"),
        ("zone" = Option<String>, Query, description = "As of /v1/live"),
        ("max_rate_hz" = Option<f64>, Query, description = "As of /v1/live"),
        ("after" = Option<u64>, Query, description = "As of /v1/live"),
        ("nonce" = Option<String>, Query, description = "As of /v1/live"),
        ("Last-Event-ID" = Option<u64>, Header, description = "The number of the last event that is known already"),
    ),
    responses((status = OK, body = String, content_type = "text/event-stream")))]
pub(super) async fn live_sse(
    State(app): State<App>,
    cut: Option<Extension<Cut>>,
    way: Option<Extension<Way>>,
    headers: HeaderMap,
    filter: SubscriptionFilter,
) -> Result<Response, Problem> {
    let mut filter = filter;
    if let Some(last) = sse::last_event_id(&headers)? {
        filter.after = Some(last);
    }
    let reader = subscribe(&app, way, filter)?;
    let cut = cut.map(|Extension(cut)| cut);
    Ok(sse::response(reader, app.settings.clone(), app.shutdown.clone(), cut))
}

/// A place among the readers, or why there is none.
pub(super) fn subscribe(
    app: &App,
    way: Option<Extension<Way>>,
    filter: SubscriptionFilter,
) -> Result<Subscription, Problem> {
    let site = app.hub.site();
    if let Some(name) = filter.zone_name.as_ref().filter(|name| !site.zones.iter().any(|z| z.name == **name))
    {
        return Err(Problem::unknown_zone(name, &list(site.zones.iter().map(|z| &z.name))));
    }
    // Whoever may use the socket finds a place there, however many others read over loopback.
    let own = if way.is_some_and(|Extension(way)| way == Way::Socket) { MAX_SOCKET_READERS } else { 0 };
    let limit = app.settings.max_readers + own;
    let reader = app.hub.subscribe(filter, &*app.settings.now, app.settings.backlog, limit);
    reader.ok_or_else(|| Problem::too_many_readers(limit))
}
