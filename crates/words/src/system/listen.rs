//! Why the service can't listen or accept: at which address, and what to set instead.

use std::io::ErrorKind;
use std::net::SocketAddr;

use hereabout_core::IoFault;

use crate::said::{Said, Topic};

/// Numbers of the system on Linux (`man 3 errno`): too many open files, in all and in this program.
const TOO_MANY_FILES: [i32; 2] = [23, 24];
/// No addresses of this kind.
const NO_SUCH_FAMILY: i32 = 97;

fn row(code: &'static str, words: String, advice: String) -> Said {
    Said::new(Topic::Listen, code, words, advice)
}

/// An address that other machines can reach.
pub fn not_loopback(addr: SocketAddr) -> Said {
    row(
        "not_loopback",
        format!(
            "{addr} can be reached from other machines, and this version has no tokens and no TLS to keep them out"
        ),
        format!("set [api] listen to a loopback address such as 127.0.0.1:{}", addr.port()),
    )
}

/// Somebody listens there already.
pub fn port_taken(addr: SocketAddr) -> Said {
    row(
        "port_taken",
        format!("{addr} is taken by another program, perhaps another hereabout"),
        "stop that one, or set [api] listen to another port".to_owned(),
    )
}

/// The system refuses to listen there.
pub fn refused(addr: SocketAddr, fault: IoFault) -> Said {
    row(
        "refused",
        format!("cannot listen on {addr}: {}", reason(fault)),
        "set [api] listen to an address and port that this user may use".to_owned(),
    )
    .joined_by("; ")
}

/// Why the system refuses to listen or to accept, as the end of a sentence.
pub fn reason(fault: IoFault) -> String {
    match (fault.kind, fault.errno) {
        (_, Some(errno)) if TOO_MANY_FILES.contains(&errno) => "too many files are open".to_owned(),
        (_, Some(NO_SUCH_FAMILY)) => {
            "this computer has no addresses of that kind (IPv6 may be off)".to_owned()
        }
        (ErrorKind::PermissionDenied, _) => {
            "this user may not listen there (ports below 1024 are for the administrator)".to_owned()
        }
        (ErrorKind::AddrNotAvailable, _) => "this computer has no such address".to_owned(),
        (ErrorKind::AddrInUse, _) => "another program listens there".to_owned(),
        (ErrorKind::OutOfMemory, _) => "the system has no memory left".to_owned(),
        (_, Some(errno)) => format!("the system refuses it, with its number {errno}"),
        _ => "the system refuses it and does not say why".to_owned(),
    }
}

#[cfg(test)]
mod tests;
