//! TCP and UDP: connecting, listening, and what failures mean.

use std::io;
use std::net::SocketAddr;
use std::time::Duration;

use hereabout_core::{IoFault, LinkReason};
use rustix::net::sockopt;
use tokio::net::{TcpStream, UdpSocket};

use crate::link::gauge::Gauge;
use crate::link::line::{Line, Opened};
use crate::link::open_files::{no_file_left, too_many_files};

/// Longer than any answer on a local network takes; with the longest pause it still makes a try
/// every two and a half seconds to a host that swallows packets.
const CONNECT_WAIT: Duration = Duration::from_secs(2);

/// A server of the kit's bytes, as configured.
pub(crate) struct TcpServer {
    /// `host:port`.
    pub(crate) addr: String,
}

impl Line for TcpServer {
    type Stream = TcpStream;

    async fn open(&self) -> Result<Opened<TcpStream>, LinkReason> {
        let stream = connect(&self.addr).await?;
        let gauge = Gauge::of(&stream);
        Ok(Opened { stream, gauge, latency_ms: None })
    }

    fn lost(&self, error: Option<io::Error>) -> LinkReason {
        let addr = self.addr.clone();
        match error {
            None => LinkReason::TcpClosed { addr },
            Some(e) => LinkReason::TcpBroken { addr, fault: IoFault::from(&e) },
        }
    }
}

/// Connects, and has the kernel ask a silent peer whether it is still there: a bridge that loses
/// its power says nothing, and would else be listened to for ever.
async fn connect(addr: &str) -> Result<TcpStream, LinkReason> {
    let attempt = tokio::time::timeout(CONNECT_WAIT, TcpStream::connect(addr)).await;
    let stream = match attempt {
        Ok(Ok(stream)) => stream,
        Ok(Err(e)) => return Err(not_connected(addr, &e)),
        Err(_) => {
            return Err(LinkReason::TcpNoAnswer { addr: addr.into(), waited_s: CONNECT_WAIT.as_secs() });
        }
    };
    if let Err(e) = keep_alive(&stream) {
        tracing::warn!("no keep-alive on {addr}: a dead peer will not be noticed ({e})");
    }
    Ok(stream)
}

/// First question after 2 s of silence, then every second, given up after the third.
fn keep_alive(stream: &TcpStream) -> io::Result<()> {
    sockopt::set_socket_keepalive(stream, true)?;
    sockopt::set_tcp_keepidle(stream, Duration::from_secs(2))?;
    sockopt::set_tcp_keepintvl(stream, Duration::from_secs(1))?;
    sockopt::set_tcp_keepcnt(stream, 3)?;
    Ok(())
}

fn not_connected(addr: &str, error: &io::Error) -> LinkReason {
    if let Some(reason) = too_many_files(&addr, error.into()) {
        return reason;
    }
    match error.kind() {
        io::ErrorKind::ConnectionRefused => LinkReason::TcpRefused { addr: addr.into() },
        io::ErrorKind::TimedOut => {
            LinkReason::TcpNoAnswer { addr: addr.into(), waited_s: CONNECT_WAIT.as_secs() }
        }
        // Looking a name up opens files of its own.
        _ => no_file_left(&addr)
            .unwrap_or_else(|| LinkReason::TcpUnreachable { addr: addr.into(), fault: error.into() }),
    }
}

/// Takes the address to listen on.
pub(crate) async fn bind(addr: SocketAddr) -> Result<UdpSocket, LinkReason> {
    UdpSocket::bind(addr).await.map_err(|e| udp_failed(addr, &e))
}

/// Why datagrams can't be received.
pub(crate) fn udp_failed(addr: SocketAddr, error: &io::Error) -> LinkReason {
    too_many_files(&addr, error.into())
        .unwrap_or_else(|| LinkReason::UdpBind { addr: addr.to_string(), fault: error.into() })
}
