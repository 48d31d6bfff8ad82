//! `/v1/live.sse`: the messages of `/v1/live` as Server-Sent Events.
//!
//! The format is that of the WHATWG HTML Living Standard, section 9.2 "Server-sent events"
//! (<https://html.spec.whatwg.org/multipage/server-sent-events.html>). Messages have no `event:` field, so that a
//! page gets them all with `onmessage`; what a message is about is its own `type`. `retry:` comes first. A comment line
//! keeps the connection alive where nothing else is said.
//!
//! The body is made as the connection takes it: a reader who does not read lets its mailbox fill, as over
//! WebSocket, and costs nobody else anything.

use std::{convert::Infallible, sync::Arc, time::Instant};

use axum::{
    body::{Body, Bytes},
    http::{HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
};
use futures_util::stream;
use tokio::time::sleep_until;
use tokio_util::sync::CancellationToken;

use crate::{
    hub::Subscription,
    mailbox::Taken,
    serve::ApiSettings,
    v1::{MissedBody, with_age},
};

/// How long an `EventSource` waits before it connects again, milliseconds.
const RETRY_MS: u32 = 1000;
/// A line that means nothing.
const COMMENT: &str = ":\n\n";

/// The endless answer to one reader.
pub(crate) fn response(
    subscription: Subscription,
    settings: Arc<ApiSettings>,
    shutdown: CancellationToken,
) -> Response {
    let first = format!("retry: {RETRY_MS}\n\n");
    let state = Writing { subscription, settings, shutdown, first: Some(first) };
    let body = stream::unfold(state, |mut state| async {
        let text = state.next().await?;
        Some((Ok::<Bytes, Infallible>(text.into()), state))
    });
    let kind = [(header::CONTENT_TYPE, HeaderValue::from_static("text/event-stream"))];
    (StatusCode::OK, kind, Body::from_stream(body)).into_response()
}

/// One reader's side.
struct Writing {
    subscription: Subscription,
    settings: Arc<ApiSettings>,
    shutdown: CancellationToken,
    first: Option<String>,
}

impl Writing {
    /// What to send next; `None` when the daemon stops.
    async fn next(&mut self) -> Option<String> {
        if let Some(first) = self.first.take() {
            return Some(first);
        }
        let comment_at = Instant::now() + self.settings.ping_every;
        loop {
            let wait_until = match self.subscription.take() {
                Taken::Message(message, missed) => {
                    let text = match message.aged_from {
                        Some(at) => with_age(&message.text, (self.settings.now)().since(at)),
                        None => message.text.to_string(),
                    };
                    let missed = if missed > 0 { data(&MissedBody::text(missed)) } else { String::new() };
                    return Some(missed + &data(&text));
                }
                Taken::NotBefore(at) => at.min(comment_at),
                Taken::Nothing => comment_at,
            };
            tokio::select! {
                () = self.subscription.news() => {}
                () = sleep_until(wait_until.into()) => if wait_until == comment_at {
                    return Some(COMMENT.to_owned());
                },
                () = self.shutdown.cancelled() => return None,
            }
        }
    }
}

/// One message. Its text is JSON on one line, so it needs no cutting.
fn data(text: &str) -> String {
    format!("data: {text}\n\n")
}
