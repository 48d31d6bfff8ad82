//! The key of whoever may change the daemon over loopback: a file beside the log that its owner alone can read.
//!
//! Made at the first start from 256 random bits of the system, used again at every later one. A file that others could have
//! read or written, or put there, proves nothing, so it is not used. The key itself is kept nowhere else: not in an
//! argument, not in the environment, not in a message.

use std::fs::File;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use hereabout_api::Key;
use hereabout_words::io::error_words;
use rustix::fs::{FileType, Mode, OFlags, fstat};
use rustix::io::Errno;
use rustix::rand::{GetRandomFlags, getrandom};

use crate::access::open_files::advice;

/// Random bytes of a key.
const KEY_BYTES: usize = 32;
/// More than any key file holds, bytes.
const MAX_KEY_BYTES: u64 = 256;

/// Why there is no key in use.
#[derive(Debug, thiserror::Error)]
pub enum KeyError {
    /// It could not be made.
    #[error("the key file {} can't be made ({}): {}", path.display(), error_words(source), advice(source))]
    NotMade {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// It is there and can't be read.
    #[error("the key file {} can't be read ({}): {REMAKE}", path.display(), error_words(source))]
    NotRead {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// It is something that could not be trusted, in words.
    #[error("the key file {} {what}, so it is not used: {REMAKE}", path.display())]
    NotTrusted {
        /// The file.
        path: PathBuf,
        /// What it is.
        what: &'static str,
    },
}

const REMAKE: &str = "remove it and restart, then a new one is made";

/// The key in the file at `path`, which is made when it is not there.
///
/// # Errors
/// [`KeyError`], with what to do. What is at `path` is left as it is.
pub fn key(path: &Path) -> Result<Key, KeyError> {
    match make(path) {
        Ok(key) => Ok(key),
        Err(e) if e.kind() == io::ErrorKind::AlreadyExists => read(path),
        Err(source) => Err(KeyError::NotMade { path: path.to_owned(), source }),
    }
}

fn make(path: &Path) -> io::Result<Key> {
    let flags = OFlags::WRONLY | OFlags::CREATE | OFlags::EXCL | OFlags::NOFOLLOW | OFlags::CLOEXEC;
    let mut file = File::from(rustix::fs::open(path, flags, Mode::RUSR | Mode::WUSR)?);
    let written = random_text().and_then(|text| {
        file.write_all(format!("{text}\n").as_bytes())?;
        file.sync_all()?;
        Ok(Key::new(&text))
    });
    if written.is_err() {
        // A full disk must not leave half a key behind.
        let _ = std::fs::remove_file(path);
    }
    written
}

fn random_text() -> io::Result<String> {
    let mut bytes = [0; KEY_BYTES];
    let mut filled = 0;
    while filled < KEY_BYTES {
        match getrandom(&mut bytes[filled..], GetRandomFlags::empty()) {
            Ok(n) => filled += n,
            Err(Errno::INTR) => {}
            Err(e) => return Err(e.into()),
        }
    }
    Ok(URL_SAFE_NO_PAD.encode(bytes))
}

fn read(path: &Path) -> Result<Key, KeyError> {
    let not_trusted = |what| KeyError::NotTrusted { path: path.to_owned(), what };
    let not_read = |source| KeyError::NotRead { path: path.to_owned(), source };
    // Not waiting, because a named pipe would wait for ever.
    let flags = OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::NOCTTY | OFlags::CLOEXEC;
    let file = match rustix::fs::open(path, flags, Mode::empty()) {
        Ok(file) => File::from(file),
        Err(Errno::LOOP) => return Err(not_trusted("is a symbolic link")),
        Err(Errno::NXIO) => return Err(not_trusted("is no plain file")),
        Err(e) => return Err(not_read(e.into())),
    };
    let facts = fstat(&file).map_err(|e| not_read(e.into()))?;
    if FileType::from_raw_mode(facts.st_mode) != FileType::RegularFile {
        return Err(not_trusted("is no plain file"));
    }
    if facts.st_uid != rustix::process::geteuid().as_raw() {
        return Err(not_trusted("belongs to another user"));
    }
    if Mode::from_raw_mode(facts.st_mode).intersects(Mode::RWXG | Mode::RWXO) {
        return Err(not_trusted("is one that others than its owner may read or write"));
    }
    let mut text = String::new();
    match file.take(MAX_KEY_BYTES).read_to_string(&mut text) {
        Ok(_) => {}
        Err(e) if e.kind() == io::ErrorKind::InvalidData => return Err(not_trusted("holds no key")),
        Err(e) => return Err(not_read(e)),
    }
    let text = text.trim();
    let is_key = URL_SAFE_NO_PAD.decode(text).is_ok_and(|bytes| bytes.len() == KEY_BYTES);
    if is_key { Ok(Key::new(text)) } else { Err(not_trusted("holds no key")) }
}
