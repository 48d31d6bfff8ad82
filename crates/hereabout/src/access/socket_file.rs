//! The daemon's Unix socket: whom its file's rights let in, owner and group, may change the daemon without a key.
//!
//! The file is there with its final rights or not at all. What stands in its way is left alone, but for the socket of a daemon that
//! is dead: one that refuses a connection. Between looking and taking, two daemons could take each other's; so
//! replacing is done under a lock on the folder.

use std::fs::{self, File};
use std::io;
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use hereabout_words::io::error_words;
use rustix::fs::{FlockOperation, Mode, flock};
use serde::Deserialize;

use crate::access::open_files::advice;

/// Longest path of a socket, bytes: `sun_path` has 108 with its end, unix(7).
const MAX_PATH_BYTES: usize = 107;
/// What a new socket file does not let others do: 0777 less this is 0660.
const NOT_FOR_OTHERS: u32 = 0o117;
/// Longest wait for another daemon that replaces a socket in the folder: tries, and the pause between them.
const LOCK_TRIES: u32 = 20;
const LOCK_PAUSE: Duration = Duration::from_millis(50);

/// `[api] socket`.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(untagged, expecting = "expected a file name in quotes, or false")]
pub enum SocketChoice {
    /// At this path, from the site file's folder on.
    At(PathBuf),
    /// `false`: none. `true`: beside the log.
    Switched(bool),
    /// Not said: beside the log.
    #[default]
    #[serde(skip)]
    Usual,
}

impl SocketChoice {
    /// The path of the socket, when there is to be one. `usual` is beside the log.
    pub fn path(&self, folder: &Path, usual: PathBuf) -> Option<PathBuf> {
        match self {
            SocketChoice::At(path) => Some(folder.join(path)),
            SocketChoice::Switched(false) => None,
            SocketChoice::Switched(true) | SocketChoice::Usual => Some(usual),
        }
    }
}

/// The file beside `log` (or the site file) with another ending: `larkfield.db` has `larkfield.socket`.
pub fn beside(log: &Path, ending: &str) -> PathBuf {
    let path = log.with_extension(ending);
    // A log of that very name keeps it.
    if path == log { path.with_added_extension(ending) } else { path }
}

/// Why there is no socket.
#[derive(Debug, thiserror::Error)]
pub enum SocketError {
    /// The system has no room for its name.
    #[error(
        "the socket's path {} has {length} bytes, longer than the {MAX_PATH_BYTES} bytes that the system takes: give a shorter one in \
         [api] socket", path.display()
    )]
    TooLong {
        /// The path.
        path: PathBuf,
        /// Bytes.
        length: usize,
    },
    /// Something is there that is not ours to take away, in words.
    #[error("{} {what}: remove it, or give another path in [api] socket", path.display())]
    InTheWay {
        /// The path.
        path: PathBuf,
        /// What is there.
        what: &'static str,
    },
    /// The socket of a program that runs.
    #[error(
        "another program answers at the socket {}, perhaps another hereabout: stop that one, or give another path in \
         [api] socket", path.display()
    )]
    Alive {
        /// The path.
        path: PathBuf,
    },
    /// Anything else that the system refuses.
    #[error("the socket {} can't be made ({}): {}, or give another path in [api] socket", path.display(), error_words(source), advice(source))]
    NotMade {
        /// The path.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}

/// A listening socket and its file, which is removed with it.
#[derive(Debug)]
pub struct SocketFile {
    path: PathBuf,
    /// What is at the path later may be another daemon's.
    identity: Option<Identity>,
}

impl SocketFile {
    /// Listens at `path`. Sets the process's umask for a moment: to be called before other tasks make files.
    ///
    /// # Errors
    /// [`SocketError`], with what to do. Only the socket of a dead daemon is taken away.
    pub fn listen(path: &Path) -> Result<(SocketFile, tokio::net::UnixListener), SocketError> {
        let length = path.as_os_str().len();
        if length > MAX_PATH_BYTES {
            return Err(SocketError::TooLong { path: path.to_owned(), length });
        }
        let not_made = |source| SocketError::NotMade { path: path.to_owned(), source };
        let listener = match bind(path) {
            Err(e) if e.kind() == io::ErrorKind::AddrInUse => replace_dead(path)?,
            bound => bound.map_err(not_made)?,
        };
        let file = SocketFile { path: path.to_owned(), identity: identity_of(path) };
        listener.set_nonblocking(true).map_err(not_made)?;
        let listener = tokio::net::UnixListener::from_std(listener).map_err(not_made)?;
        Ok((file, listener))
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }
}

impl Drop for SocketFile {
    fn drop(&mut self) {
        if self.identity.is_some() && identity_of(&self.path) == self.identity {
            // Left behind, it is one of a dead daemon, which the next one replaces.
            let _ = fs::remove_file(&self.path);
        }
    }
}

/// Device and inode, and when it was made (seconds, nanoseconds): an inode that is free again is soon used again.
type Identity = (u64, u64, i64, i64);

fn identity_of(path: &Path) -> Option<Identity> {
    fs::symlink_metadata(path).ok().map(|f| (f.dev(), f.ino(), f.mtime(), f.mtime_nsec()))
}

/// The file appears with its rights. Nothing is followed: bind(2) makes a new name or fails.
fn bind(path: &Path) -> io::Result<UnixListener> {
    // The umask is the process's: two at once would each put back what the other one set.
    static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());
    let _alone = ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner);
    let before = rustix::process::umask(Mode::from_raw_mode(NOT_FOR_OTHERS));
    let bound = UnixListener::bind(path);
    rustix::process::umask(before);
    bound
}

fn replace_dead(path: &Path) -> Result<UnixListener, SocketError> {
    let not_made = |source| SocketError::NotMade { path: path.to_owned(), source };
    let _locked = lock_folder(path).map_err(not_made)?;
    let in_the_way = |what| SocketError::InTheWay { path: path.to_owned(), what };
    match fs::symlink_metadata(path) {
        Ok(facts) if facts.file_type().is_symlink() => return Err(in_the_way("is a symbolic link")),
        Ok(facts) if !facts.file_type().is_socket() => return Err(in_the_way("is there and is no socket")),
        Ok(_) => {}
        Err(e) if e.kind() == io::ErrorKind::NotFound => return bind(path).map_err(not_made),
        Err(e) => return Err(not_made(e)),
    }
    match connect(path) {
        Err(e) if e.kind() == io::ErrorKind::ConnectionRefused => {}
        Err(e) if e.kind() == io::ErrorKind::NotFound => {}
        // Also one whose queue is full, or that this user may not ask.
        Ok(()) | Err(_) => return Err(SocketError::Alive { path: path.to_owned() }),
    }
    match fs::remove_file(path) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => Err(not_made(e)),
        _ => bind(path).map_err(not_made),
    }
}

/// Whether somebody listens. Does not wait: a daemon that hangs with a full queue is alive, too.
fn connect(path: &Path) -> io::Result<()> {
    use rustix::net::{AddressFamily, SocketAddrUnix, SocketFlags, SocketType, connect, socket_with};
    let flags = SocketFlags::NONBLOCK | SocketFlags::CLOEXEC;
    let socket = socket_with(AddressFamily::UNIX, SocketType::STREAM, flags, None)?;
    let stream = UnixStream::from(socket);
    Ok(connect(&stream, &SocketAddrUnix::new(path)?)?)
}

/// Keeps other daemons from replacing sockets in the folder.
fn lock_folder(path: &Path) -> io::Result<File> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let folder = File::open(folder)?;
    for _ in 1..LOCK_TRIES {
        if flock(&folder, FlockOperation::NonBlockingLockExclusive).is_ok() {
            return Ok(folder);
        }
        std::thread::sleep(LOCK_PAUSE);
    }
    flock(&folder, FlockOperation::NonBlockingLockExclusive)?;
    Ok(folder)
}

#[cfg(test)]
mod tests;
