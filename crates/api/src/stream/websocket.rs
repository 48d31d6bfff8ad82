//! `/v1/live`: a snapshot, then changes, over a WebSocket.
//!
//! Two halves run side by side: one reads, to notice that the client is there and to take its pings, and one writes
//! what its mailbox holds and a ping now and then. A client that answers no ping is cut off; a
//! client that reads slowly keeps only itself waiting. Whatever ends the connection is said in the
//! close frame.
//!
//! There are pings of two kinds. Ours are frames of the WebSocket, which the client's library answers by itself. The
//! client's are texts, `{"ping":"…"}`, and their pongs come in order with the messages, so that it learns how old what it
//! reads is. Other messages from the client mean nothing and are passed over.

use std::{pin::pin, sync::Arc, time::Instant};

use axum::{
    Error,
    body::Bytes,
    extract::ws::{CloseFrame, Message as Frame, WebSocket, close_code},
};
use futures_util::{
    SinkExt, Stream, StreamExt,
    stream::{SplitSink, SplitStream},
};
use tokio::time::{sleep_until, timeout};
use tokio_tungstenite::tungstenite;
use tokio_util::sync::CancellationToken;

use crate::{
    http::settings::ApiSettings,
    stream::message::NextMessage,
    stream::subscription::Subscription,
    v1::{MissedBody, Sending},
};

/// Largest message that a client may send, bytes.
pub(crate) const MAX_MESSAGE_BYTES: usize = 4 * 1024;

/// Why a connection ends.
#[derive(Clone, Copy, Debug, PartialEq)]
enum End {
    /// The client closed, or its connection broke.
    Gone,
    /// Nothing was heard from the client, not even a pong.
    Unheard,
    /// It sent a message above [`MAX_MESSAGE_BYTES`].
    TooLarge,
    /// It sent what is no WebSocket frame.
    Malformed,
    /// The daemon stops.
    Stopping,
}

impl End {
    /// What the close frame says; `None` when nobody is there to read it.
    fn frame(self) -> Option<CloseFrame> {
        let (code, reason) = match self {
            End::Gone => return None,
            End::Unheard => (close_code::POLICY, "no answer to pings"),
            End::TooLarge => (close_code::SIZE, "message above 4096 bytes; none is needed"),
            End::Malformed => (close_code::PROTOCOL, "not a WebSocket frame"),
            End::Stopping => (close_code::AWAY, "the daemon is stopping"),
        };
        Some(CloseFrame { code, reason: reason.into() })
    }
}

/// Serves one reader until one side ends it.
pub(crate) async fn serve_reader(
    socket: WebSocket,
    subscription: Subscription,
    settings: Arc<ApiSettings>,
    shutdown: CancellationToken,
) {
    let (mut sink, mut stream) = socket.split();
    let end = {
        let reading = pin!(read(&mut stream, &subscription, &settings));
        let writing = pin!(write(&mut sink, &subscription, &settings));
        tokio::select! {
            end = reading => end,
            () = writing => End::Gone,
            () = shutdown.cancelled() => End::Stopping,
        }
    };
    tracing::debug!(?end, "live reader ends");
    if end == End::Stopping {
        // The last events, that of the stop among them.
        let _ = timeout(settings.close_time, write_rest(&mut sink, &subscription, &settings)).await;
    }
    drop(subscription);
    let _ = timeout(settings.close_time, say_goodbye(&mut sink, &mut stream, end)).await;
}

/// Writes what waits, until nothing does.
async fn write_rest(
    sink: &mut SplitSink<WebSocket, Frame>,
    subscription: &Subscription,
    settings: &ApiSettings,
) -> Result<(), Error> {
    loop {
        match subscription.next_message(&|| settings.sending()) {
            (NextMessage::NotBefore(_) | NextMessage::Nothing, _) => return Ok(()),
            (next, sending) => send(sink, next, sending).await?,
        }
    }
}

/// Sends the close frame and waits for the client's, so that it is read before the socket goes.
async fn say_goodbye(sink: &mut SplitSink<WebSocket, Frame>, stream: &mut SplitStream<WebSocket>, end: End) {
    if let Some(frame) = end.frame()
        && sink.send(Frame::Close(Some(frame))).await.is_err()
    {
        return;
    }
    let _ = sink.flush().await;
    while let Some(Ok(_)) = stream.next().await {}
}

/// Reads until there is a reason to end.
async fn read(
    stream: &mut (impl Stream<Item = Result<Frame, Error>> + Unpin),
    subscription: &Subscription,
    settings: &ApiSettings,
) -> End {
    loop {
        match timeout(settings.unheard_after, stream.next()).await {
            Err(_) => return End::Unheard,
            Ok(None | Some(Ok(Frame::Close(_)))) => return End::Gone,
            Ok(Some(Err(error))) => return end_of(error),
            Ok(Some(Ok(Frame::Text(text)))) => subscription.heard(&text),
            Ok(Some(Ok(_))) => {} // any frame shows that the client is there
        }
    }
}

fn end_of(error: Error) -> End {
    match error.into_inner().downcast_ref::<tungstenite::Error>() {
        Some(tungstenite::Error::Capacity(_)) => End::TooLarge,
        Some(tungstenite::Error::Protocol(
            tungstenite::error::ProtocolError::ResetWithoutClosingHandshake,
        )) => End::Gone,
        Some(tungstenite::Error::Protocol(_) | tungstenite::Error::Utf8(_)) => End::Malformed,
        _ => End::Gone,
    }
}

/// Writes what waits, and pings, until the connection breaks.
async fn write(sink: &mut SplitSink<WebSocket, Frame>, subscription: &Subscription, settings: &ApiSettings) {
    let mut next_ping = Instant::now() + settings.ping_every;
    loop {
        let sent = if Instant::now() >= next_ping {
            next_ping = Instant::now() + settings.ping_every;
            sink.send(Frame::Ping(Bytes::new())).await
        } else {
            match subscription.next_message(&|| settings.sending()) {
                (NextMessage::NotBefore(at), _) => wait(subscription, at.min(next_ping)).await,
                (NextMessage::Nothing, _) => wait(subscription, next_ping).await,
                (next, sending) => send(sink, next, sending).await,
            }
        };
        if sent.is_err() {
            return;
        }
    }
}

async fn send(
    sink: &mut SplitSink<WebSocket, Frame>,
    next: NextMessage,
    sending: Sending,
) -> Result<(), Error> {
    let missed = next.missed();
    if missed > 0 {
        sink.feed(Frame::Text(MissedBody::text(missed).into())).await?;
    }
    match next.text(sending) {
        Some(text) => sink.send(Frame::Text(text.into())).await,
        None => Ok(()),
    }
}

/// Until there is news or `at` has come.
async fn wait(subscription: &Subscription, at: Instant) -> Result<(), Error> {
    tokio::select! {
        () = subscription.news() => {}
        () = sleep_until(at.into()) => {}
    }
    Ok(())
}
