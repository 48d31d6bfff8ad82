//! Listening: on loopback alone, and over a Unix socket; why it may fail, in words.

use std::{io, net::SocketAddr};

use hereabout_words::listen as words;
use tokio::{
    io::{AsyncRead, AsyncWrite},
    net::{TcpListener, TcpSocket, TcpStream, UnixListener, UnixStream},
};

use crate::http::rights::Way;

/// Send buffer of every connection, bytes. The kernel's own choice grows to megabytes, and would hide
/// from the daemon for minutes that a reader has stalled. Accepted sockets inherit it.
const SEND_BUFFER: u32 = 16 * 1024;

/// Why the service can't start.
#[derive(Debug, thiserror::Error)]
pub enum ApiError {
    /// An address that other machines can reach.
    #[error("{}", words::not_loopback(*addr).line())]
    NotLoopback {
        /// The address of `[api] listen`.
        addr: SocketAddr,
    },
    /// Somebody listens there already.
    #[error("{}", words::port_taken(*addr).line())]
    PortTaken {
        /// The address of `[api] listen`.
        addr: SocketAddr,
    },
    /// Anything else that the system refuses.
    #[error("{}", words::refused(*addr, source.into()).line())]
    Listen {
        /// The address of `[api] listen`.
        addr: SocketAddr,
        /// The system's error; its words stay out of the message.
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
pub(super) fn refusal(error: &io::Error) -> String {
    words::reason(error.into())
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

/// A listener of either kind.
pub(super) trait Accepts {
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
