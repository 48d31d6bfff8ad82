//! The server: binding, accepting, and stopping in time.
//!
//! An accept loop of our own, because what a server on a machine beside a gate needs is not in the
//! ready-made one: a header that trickles in is cut off, connections are bounded, and on shutdown
//! idle connections close, WebSockets say why, and what does not end by itself is dropped.

use std::{
    io,
    net::SocketAddr,
    pin::pin,
    sync::Arc,
    time::{Duration, Instant},
};

use axum::{Extension, Router};
use hereabout_core::{AnchorId, Correction, Timestamp};
use hyper::server::conn::http1;
use hyper_util::{
    rt::{TokioIo, TokioTimer},
    service::TowerToHyperService,
};
use tokio::{
    net::{TcpListener, TcpSocket, TcpStream},
    sync::{OwnedSemaphorePermit, Semaphore, mpsc, oneshot},
    time::timeout,
};
use tokio_util::{sync::CancellationToken, task::TaskTracker};

use crate::{
    hub::Hub,
    routes::{App, router},
    sse::Cut,
    v1::Sending,
};

/// Send buffer of every connection, bytes. The kernel's own choice grows to megabytes, and would hide
/// from the daemon for minutes that a reader has stalled. Accepted sockets inherit it.
const SEND_BUFFER: u32 = 16 * 1024;
/// Read buffer of a connection: a header of 64 KiB still fits, so that its refusal can be in words.
const READ_BUFFER: usize = 96 * 1024;
/// Pause after a failed accept (too many open files, as a rule).
const ACCEPT_PAUSE: Duration = Duration::from_millis(50);

/// How the server behaves. [`ApiSettings::new`] has the values that are meant to be used.
#[derive(Clone)]
pub struct ApiSettings {
    /// The clock of the stamps, in UTC: for the age of messages and what has run out. Called while the hub is locked,
    /// so it must not ask the hub for anything but [`Hub::utc`].
    pub now: Arc<dyn Fn() -> Timestamp + Send + Sync>,
    /// A steady time since the daemon's start, which no setting of a clock moves: readers count by it.
    pub since_start: Arc<dyn Fn() -> Duration + Send + Sync>,
    /// A WebSocket is pinged this often; a stream of events gets a comment line after so long a silence.
    pub ping_every: Duration,
    /// A WebSocket that nothing was heard from for so long is closed, and so is a stream of events that took nothing.
    pub unheard_after: Duration,
    /// Longest time for a close frame to be taken and answered.
    pub close_time: Duration,
    /// Longest time from connecting, or from the answer before, to a whole request header.
    pub header_time: Duration,
    /// How long the link may wait, frames may fail to come, or none be good for the present, before `/readyz` says so.
    pub link_grace: Duration,
    /// Connections served at a time; others wait to be accepted.
    pub max_connections: usize,
    /// Readers of the live messages at a time; others get a 503.
    pub max_readers: usize,
    /// Messages that wait for a reader before it counts as slow and only the newest are kept.
    pub backlog: usize,
    /// What has not ended so long after the shutdown began is dropped.
    pub shutdown_time: Duration,
    /// Who works on the running site; without one every such request gets a 503.
    pub operator: Option<mpsc::Sender<Operation>>,
}

/// Work on the running site that somebody asked for over HTTP. It was checked against the site.
#[derive(Debug)]
pub struct Operation {
    /// New corrections, by anchor.
    pub corrections: Vec<(AnchorId, Correction)>,
    /// Takes the outcome: in force, or in words why not.
    pub answer: oneshot::Sender<Result<(), String>>,
}

impl ApiSettings {
    /// The usual settings with this clock. The steady time begins now.
    pub fn new(now: Arc<dyn Fn() -> Timestamp + Send + Sync>) -> ApiSettings {
        let start = Instant::now();
        ApiSettings {
            now,
            since_start: Arc::new(move || start.elapsed()),
            ping_every: Duration::from_secs(5),
            unheard_after: Duration::from_secs(10),
            close_time: Duration::from_millis(500),
            header_time: Duration::from_secs(5),
            link_grace: Duration::from_secs(5),
            max_connections: 512,
            max_readers: 256,
            backlog: 64,
            shutdown_time: Duration::from_secs(1),
            operator: None,
        }
    }

    /// The present, for what leaves now.
    pub(crate) fn sending(&self) -> Sending {
        Sending { now: (self.now)(), since_start: (self.since_start)() }
    }
}

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
        "cannot listen on {addr}: {source}; set [api] listen to an address and port that this user may use"
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

fn listen(addr: SocketAddr) -> io::Result<TcpListener> {
    let socket = if addr.is_ipv4() { TcpSocket::new_v4()? } else { TcpSocket::new_v6()? };
    // A restart must not wait for connections of the run before; elsewhere this flag lets two listen.
    #[cfg(unix)]
    socket.set_reuseaddr(true)?;
    socket.set_send_buffer_size(SEND_BUFFER)?;
    socket.bind(addr)?;
    socket.listen(1024)
}

/// Serves until `shutdown`, then closes all connections and returns.
///
/// Take the listener from [`bind`]: it sets what accepted sockets inherit.
///
/// # Errors
/// [`ApiError::NotLoopback`] when the listener was bound elsewhere. A failed accept is told in the
/// log and tried again: one connection too many must not end the service.
pub async fn serve(
    listener: TcpListener,
    hub: Hub,
    settings: ApiSettings,
    shutdown: CancellationToken,
) -> Result<(), ApiError> {
    let addr = listener.local_addr().map_err(|source| {
        let addr = SocketAddr::from(([127, 0, 0, 1], 0));
        ApiError::Listen { addr, source }
    })?;
    check_loopback(addr)?;
    let tracker = TaskTracker::new();
    let shutdown_time = settings.shutdown_time;
    let server = Server {
        slots: Arc::new(Semaphore::new(settings.max_connections)),
        header_time: settings.header_time,
        router: router(App {
            hub,
            settings: Arc::new(settings),
            shutdown: shutdown.clone(),
            tracker: tracker.clone(),
        }),
        shutdown,
        drop_all: CancellationToken::new(),
    };
    while let Some((stream, slot)) = server.accept(&listener).await {
        tracker.spawn(server.clone().connection(stream, slot));
    }
    drop(listener);
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
    slots: Arc<Semaphore>,
    header_time: Duration,
    shutdown: CancellationToken,
    drop_all: CancellationToken,
}

impl Server {
    /// The next connection; `None` at shutdown.
    async fn accept(&self, listener: &TcpListener) -> Option<(TcpStream, OwnedSemaphorePermit)> {
        let next = async {
            let slot = self.slots.clone().acquire_owned().await.ok()?;
            loop {
                match listener.accept().await {
                    Ok((stream, _)) => return Some((stream, slot)),
                    Err(error) => {
                        tracing::warn!(%error, "cannot accept a connection; trying again");
                        tokio::time::sleep(ACCEPT_PAUSE).await;
                    }
                }
            }
        };
        tokio::select! {
            () = self.shutdown.cancelled() => None,
            accepted = next => accepted,
        }
    }

    async fn connection(self, stream: TcpStream, slot: OwnedSemaphorePermit) {
        // Positions are small and urgent; a socket that cannot be told so still works.
        let _ = stream.set_nodelay(true);
        let cut = Cut(CancellationToken::new());
        let router = self.router.layer(Extension(cut.clone()));
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
        };
        if ended.is_none() {
            connection.as_mut().graceful_shutdown();
            tokio::select! {
                _ = connection => {}
                () = self.drop_all.cancelled() => {}
            }
        }
        drop(slot);
    }
}
