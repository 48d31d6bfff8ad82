//! How many files the daemon may have open, and how many of those its clients may use.
//!
//! A connection is an open file. So are the kit's port, the log, the site file that is read again, a calibration that
//! is written, the pipe of a helper program. Those come first: what clients may hold is what is left.

use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};

/// Files that are kept for everything but clients. A daemon with a log, its link over TCP and a socket was seen to have 19
/// open, and 21 while it read its files again and wrote calibrations. The rest is for what was not seen then: a serial
/// port's second handle, names that are looked up, the search for a port's holder, a helper's pipes, who is turned away.
const RESERVE: u64 = 40;
/// Connections that there are at least, however low the limit is,
const MIN_CONNECTIONS: u64 = 4;
/// and at most.
const MAX_CONNECTIONS: u64 = 512;

/// Raises this process's own limit as far as it may by itself.
pub fn raise_limit() {
    let Rlimit { current, maximum } = getrlimit(Resource::Nofile);
    if current != maximum {
        // Where it is refused the old limit goes on, and fewer clients are served.
        let _ = setrlimit(Resource::Nofile, Rlimit { current: maximum, maximum });
    }
}

/// How many connections clients may have, all kinds together.
pub fn connections() -> usize {
    connections_within(getrlimit(Resource::Nofile).current)
}

/// What needs a person about the limit, in words.
pub fn too_few() -> Option<String> {
    let limit = getrlimit(Resource::Nofile).current?;
    (limit < RESERVE + MIN_CONNECTIONS).then(|| {
        format!(
            "this program may have only {limit} files open, so the kit's link and the log may have to wait for one: raise the \
             limit to {} or more (`ulimit -n`, LimitNOFILE= of a systemd unit)",
            RESERVE + MIN_CONNECTIONS
        )
    })
}

/// What to do where a file could not be made, by what the system said.
pub fn advice(error: &std::io::Error) -> &'static str {
    match (error.kind(), rustix::io::Errno::from_io_error(error)) {
        (_, Some(rustix::io::Errno::MFILE | rustix::io::Errno::NFILE)) => {
            "raise the limit of open files (`ulimit -n`, LimitNOFILE= of a systemd unit) and restart"
        }
        (std::io::ErrorKind::StorageFull, _) => "make room on the disk and restart",
        (std::io::ErrorKind::NotFound, _) => "make its folder and restart",
        _ => "give this user the right to write there and restart",
    }
}

fn connections_within(limit: Option<u64>) -> usize {
    let spare = limit.map_or(MAX_CONNECTIONS, |limit| limit.saturating_sub(RESERVE));
    spare.clamp(MIN_CONNECTIONS, MAX_CONNECTIONS) as usize
}

#[cfg(test)]
mod tests;
