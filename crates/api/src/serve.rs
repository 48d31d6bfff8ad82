//! The server: binding, accepting, and stopping in time.
//!
//! An accept loop of our own, because what a server on a machine beside a gate needs is not in the
//! ready-made one: a header that trickles in is cut off, connections are bounded so that the kit's link and the log
//! always find an open file, and on shutdown idle connections close, WebSockets say why, and what does not end by itself
//! is dropped. The same routes are served over loopback and over a Unix socket; what differs is who may change.

mod listen;

use std::{net::SocketAddr, pin::pin, sync::Arc, time::Duration};

use axum::{Extension, Router};
use hyper::server::conn::http1;
use hyper_util::{
    rt::{TokioIo, TokioTimer},
    service::TowerToHyperService,
};
use rustix::io::Errno;
use tokio::{
    io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt},
    sync::Semaphore,
    time::timeout,
};
use tokio_util::{sync::CancellationToken, task::TaskTracker};

use self::listen::{Accepts, refusal};
pub use self::listen::{ApiError, Listeners, bind, check_loopback};
use crate::{
    http::rights::Way,
    http::seats::{Seat, Seats},
    http::settings::ApiSettings,
    routes::{App, router},
    stream::hub::Hub,
    stream::sse::Cut,
    v1::{Problem, json},
};

/// Read buffer of a connection: a header of 64 KiB still fits, so that its refusal can be in words.
const READ_BUFFER: usize = 96 * 1024;
/// Pause after a failed accept (too many open files, as a rule); doubled up to [`MAX_ACCEPT_PAUSE`].
const ACCEPT_PAUSE: Duration = Duration::from_millis(50);
const MAX_ACCEPT_PAUSE: Duration = Duration::from_secs(1);
/// Seats of the Unix socket: a part of all, so that who may change gets through when loopback is crowded.
const SOCKET_SHARE: usize = 4;
const MAX_SOCKET_SEATS: usize = 16;
/// How long somebody who is turned away may still send, so that the answer is not lost over it,
const TURNING_AWAY_TIME: Duration = Duration::from_millis(300);
/// and how many may do so at a time.
const MAX_TURNING_AWAY: usize = 4;

/// Serves until `shutdown`, then closes all connections and returns.
///
/// # Errors
/// [`ApiError::NotLoopback`] when the listener was bound elsewhere. A failed accept is reported in the
/// log and tried again: one connection too many must not end the service.
pub async fn serve(
    listeners: impl Into<Listeners>,
    hub: Hub,
    settings: ApiSettings,
    shutdown: CancellationToken,
) -> Result<(), ApiError> {
    let Listeners { loopback, socket } = listeners.into();
    let addr = loopback.local_addr().map_err(|source| {
        let addr = SocketAddr::from(([127, 0, 0, 1], 0));
        ApiError::Listen { addr, source }
    })?;
    check_loopback(addr)?;
    let settings = settings.settled();
    let tracker = TaskTracker::new();
    let shutdown_time = settings.shutdown_time;
    let of_socket =
        if socket.is_some() { (settings.max_connections / SOCKET_SHARE).min(MAX_SOCKET_SEATS) } else { 0 };
    let of_loopback = Seats::new(settings.max_connections - of_socket);
    let server = Server {
        turning_away: Arc::new(Semaphore::new(MAX_TURNING_AWAY)),
        header_time: settings.header_time,
        router: router(App {
            hub,
            settings: Arc::new(settings),
            shutdown: shutdown.clone(),
            tracker: tracker.clone(),
        }),
        tracker: tracker.clone(),
        shutdown,
        drop_all: CancellationToken::new(),
    };
    let over_socket = async {
        if let Some(socket) = socket {
            server.serve_from(socket, Seats::new(of_socket)).await;
        }
    };
    tokio::join!(server.serve_from(loopback, of_loopback), over_socket);
    tracker.close();
    if timeout(shutdown_time, tracker.wait()).await.is_err() {
        tracing::debug!(left = tracker.len(), "dropping connections that did not end");
        server.drop_all.cancel();
        let _ = timeout(ACCEPT_PAUSE, tracker.wait()).await;
    }
    Ok(())
}

#[derive(Clone)]
struct Server {
    router: Router,
    turning_away: Arc<Semaphore>,
    header_time: Duration,
    tracker: TaskTracker,
    shutdown: CancellationToken,
    drop_all: CancellationToken,
}

impl Server {
    /// Serves whoever comes over `listener`, until the shutdown.
    async fn serve_from<L: Accepts>(&self, listener: L, seats: Seats) {
        let next = async || {
            let stream = accept(&listener, &seats).await;
            let seat = seats.take().await;
            (stream, seat)
        };
        loop {
            let (stream, seat) = tokio::select! {
                () = self.shutdown.cancelled() => return,
                next = next() => next,
            };
            match seat {
                Some(seat) => drop(self.tracker.spawn(self.clone().connection(stream, L::WAY, seat))),
                None => self.turn_away(stream).await,
            }
        }
    }

    async fn connection(
        self,
        stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
        way: Way,
        seat: Seat,
    ) {
        let cut = Cut(CancellationToken::new());
        let router =
            self.router.layer(Extension(cut.clone())).layer(Extension(way)).layer(Extension(seat.clone()));
        let connection = http1::Builder::new()
            .timer(TokioTimer::new())
            .header_read_timeout(self.header_time)
            .max_buf_size(READ_BUFFER)
            .serve_connection(TokioIo::new(stream), TowerToHyperService::new(router))
            .with_upgrades();
        let mut connection = pin!(connection);
        let ended = tokio::select! {
            ended = connection.as_mut() => Some(ended),
            () = self.shutdown.cancelled() => None,
            () = cut.0.cancelled() => return,
            () = seat.sent_away() => return,
        };
        if ended.is_none() {
            connection.as_mut().graceful_shutdown();
            tokio::select! {
                _ = connection => {}
                () = self.drop_all.cancelled() => {}
            }
        }
    }

    /// Says that there is no room, and hangs up. What the client sends meanwhile is read by a few of those: an answer
    /// can get lost when its connection is closed on bytes that nobody read.
    async fn turn_away(&self, mut stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static) {
        // Fits any send buffer, so it goes at once or never.
        let said = async {
            stream.write_all(no_room().as_bytes()).await?;
            stream.shutdown().await
        };
        let Ok(Ok(())) = timeout(ACCEPT_PAUSE, said).await else { return };
        let Ok(turning) = self.turning_away.clone().try_acquire_owned() else { return };
        self.tracker.spawn(async move {
            let mut rest = tokio::io::sink();
            let mut stream = stream.take(MAX_UNREAD_BYTES);
            let _ = timeout(TURNING_AWAY_TIME, tokio::io::copy(&mut stream, &mut rest)).await;
            drop(turning);
        });
    }
}

/// What is read of somebody who is turned away, bytes at most.
const MAX_UNREAD_BYTES: u64 = 64 * 1024;

/// The next connection, however often it fails. Files that others hold come back slowly, so it is not asked for without
/// a pause; one of our own may help.
async fn accept<L: Accepts>(listener: &L, seats: &Seats) -> L::Stream {
    let mut pause = ACCEPT_PAUSE;
    loop {
        let error = match listener.next().await {
            Ok(stream) => return stream,
            Err(error) => error,
        };
        if pause == ACCEPT_PAUSE {
            tracing::warn!(reason = refusal(&error), "cannot accept a connection; trying again");
        }
        if matches!(Errno::from_io_error(&error), Some(Errno::MFILE | Errno::NFILE)) {
            seats.send_one_away();
        }
        tokio::time::sleep(pause).await;
        pause = (pause * 2).min(MAX_ACCEPT_PAUSE);
    }
}

/// The whole answer to somebody for whom there is no room.
fn no_room() -> String {
    let body = json(&Problem::too_many_connections());
    format!(
        "HTTP/1.1 503 Service Unavailable\r\ncontent-type: application/problem+json\r\ncontent-length: {}\r\n\
         retry-after: 2\r\ncache-control: no-store\r\nconnection: close\r\n\r\n{body}",
        body.len()
    )
}

#[cfg(test)]
mod tests;
