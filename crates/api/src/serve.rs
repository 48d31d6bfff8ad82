//! The server: binding, accepting, and stopping in time.
//!
//! An accept loop of our own, because what a server on a machine beside a gate needs is not in the
//! ready-made one: a header that trickles in is cut off, connections are bounded so that the kit's link and the log
//! always find an open file, and on shutdown idle connections close, WebSockets say why, and what does not end by itself
//! is dropped. The same routes are served over loopback and over a Unix socket; what differs is who may change.

use std::{io, net::SocketAddr, pin::pin, sync::Arc, time::Duration};

use axum::{Extension, Router};
use hyper::server::conn::http1;
use hyper_util::{
    rt::{TokioIo, TokioTimer},
    service::TowerToHyperService,
};
use rustix::io::Errno;
use tokio::{
    io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt},
    net::{TcpListener, TcpSocket, TcpStream, UnixListener, UnixStream},
    sync::Semaphore,
    time::timeout,
};
use tokio_util::{sync::CancellationToken, task::TaskTracker};

use crate::{
    http::rights::Way,
    http::seats::{Seat, Seats},
    http::settings::ApiSettings,
    routes::{App, router},
    stream::hub::Hub,
    stream::sse::Cut,
    v1::{Problem, json},
};

/// Send buffer of every connection, bytes. The kernel's own choice grows to megabytes, and would hide
/// from the daemon for minutes that a reader has stalled. Accepted sockets inherit it.
const SEND_BUFFER: u32 = 16 * 1024;
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

/// Why the service can't start.
#[derive(Debug, thiserror::Error)]
pub enum ApiError {
    /// An address that other machines can reach.
    #[error(
        "{addr} can be reached from other machines, and this version has no tokens and no TLS to keep them out: \
         set [api] listen to a loopback address such as 127.0.0.1:{port}", port = addr.port()
    )]
    NotLoopback {
        /// The refused address.
        addr: SocketAddr,
    },
    /// Somebody listens there already.
    #[error(
        "{addr} is taken by another program, perhaps another hereabout: stop that one, or set [api] listen to \
         another port"
    )]
    PortTaken {
        /// The taken address.
        addr: SocketAddr,
    },
    /// Anything else that the system refuses.
    #[error(
        "cannot listen on {addr}: {}; set [api] listen to an address and port that this user may use",
        refusal(source)
    )]
    Listen {
        /// The address.
        addr: SocketAddr,
        /// What the system said.
        source: io::Error,
    },
}

/// Listens on `addr`, which must be a loopback address; port 0 takes any free one.
///
/// # Errors
/// [`ApiError::NotLoopback`], [`ApiError::PortTaken`], or whatever else the system says.
pub async fn bind(addr: SocketAddr) -> Result<TcpListener, ApiError> {
    check_loopback(addr)?;
    listen(addr).map_err(|source| match source.kind() {
        io::ErrorKind::AddrInUse => ApiError::PortTaken { addr },
        _ => ApiError::Listen { addr, source },
    })
}

/// Refuses an address that other machines can reach, without touching it.
///
/// # Errors
/// [`ApiError::NotLoopback`].
pub fn check_loopback(addr: SocketAddr) -> Result<(), ApiError> {
    if addr.ip().to_canonical().is_loopback() { Ok(()) } else { Err(ApiError::NotLoopback { addr }) }
}

/// Why the system refuses to listen or to accept, without its own words.
fn refusal(error: &io::Error) -> String {
    match (error.kind(), Errno::from_io_error(error)) {
        (_, Some(Errno::MFILE | Errno::NFILE)) => "too many files are open".to_owned(),
        (_, Some(Errno::AFNOSUPPORT)) => {
            "this computer has no addresses of that kind (IPv6 may be off)".to_owned()
        }
        (io::ErrorKind::PermissionDenied, _) => {
            "this user may not listen there (ports below 1024 are for the administrator)".to_owned()
        }
        (io::ErrorKind::AddrNotAvailable, _) => "this computer has no such address".to_owned(),
        (io::ErrorKind::AddrInUse, _) => "another program listens there".to_owned(),
        (io::ErrorKind::OutOfMemory, _) => "the system has no memory left".to_owned(),
        (_, Some(errno)) => format!("the system refuses it, with its number {}", errno.raw_os_error()),
        _ => "the system refuses it and does not say why".to_owned(),
    }
}

fn listen(addr: SocketAddr) -> io::Result<TcpListener> {
    let socket = if addr.is_ipv4() { TcpSocket::new_v4()? } else { TcpSocket::new_v6()? };
    // A restart must not wait for connections of the run before; elsewhere this flag lets two listen.
    #[cfg(unix)]
    socket.set_reuseaddr(true)?;
    socket.set_send_buffer_size(SEND_BUFFER)?;
    socket.bind(addr)?;
    socket.listen(1024)
}

/// Where the service is asked.
#[derive(Debug)]
pub struct Listeners {
    /// From [`bind`]: it sets what accepted sockets inherit.
    pub loopback: TcpListener,
    /// Who connects here may change, without a key.
    pub socket: Option<UnixListener>,
}

impl From<TcpListener> for Listeners {
    fn from(loopback: TcpListener) -> Listeners {
        Listeners { loopback, socket: None }
    }
}

/// Serves until `shutdown`, then closes all connections and returns.
///
/// # Errors
/// [`ApiError::NotLoopback`] when the listener was bound elsewhere. A failed accept is told in the
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

/// A listener of either kind.
trait Accepts {
    type Stream: AsyncRead + AsyncWrite + Unpin + Send + 'static;
    /// What who comes over it may do.
    const WAY: Way;
    /// The next connection, ready to be served.
    fn next(&self) -> impl Future<Output = io::Result<Self::Stream>> + Send;
}

impl Accepts for TcpListener {
    type Stream = TcpStream;
    const WAY: Way = Way::Loopback;

    async fn next(&self) -> io::Result<TcpStream> {
        let (stream, _) = self.accept().await?;
        // Positions are small and urgent; a socket that cannot be told so still works.
        let _ = stream.set_nodelay(true);
        Ok(stream)
    }
}

impl Accepts for UnixListener {
    type Stream = UnixStream;
    const WAY: Way = Way::Socket;

    async fn next(&self) -> io::Result<UnixStream> {
        let (stream, _) = self.accept().await?;
        // Not inherited here; without it a reader who stalls is noticed later.
        let _ = rustix::net::sockopt::set_socket_send_buffer_size(&stream, SEND_BUFFER as usize);
        Ok(stream)
    }
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
