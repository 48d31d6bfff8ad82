//! What can go wrong with a log, in facts, with words for people: what happened, to which file, what to do.

use std::io;
use std::path::{Path, PathBuf};

use sqlx::migrate::MigrateError;

use crate::files::{FileFault, folder_of};

/// Why a log could not be opened, written or read.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The folder of the file does not exist, or is not a folder.
    #[error(
        "cannot keep a log in {path}: there is no folder {folder}. Create it, or choose another [log] path."
    )]
    NoFolder {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
        /// Its folder.
        folder: PathBuf,
    },
    /// The file or its folder may not be written (or, when reading, not read).
    #[error(
        "cannot open the log {path}: permission denied or a read-only file system. SQLite also writes beside the \
         file, so the folder {folder} must be writable too. Change the rights, or choose another [log] path."
    )]
    Forbidden {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
        /// Its folder.
        folder: PathBuf,
    },
    /// A log to read does not exist.
    #[error("there is no log {path}. Check the name; a daemon creates the file when it starts.")]
    NoSuchFile {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
    },
    /// The file holds something else than a SQLite database.
    #[error(
        "{path} is not a SQLite database, so not a log. It was left as it is; choose another [log] path."
    )]
    NotADatabase {
        /// Path of the file, as it was come to.
        path: PathBuf,
    },
    /// The file is a SQLite database of some other program.
    #[error(
        "{path} is a SQLite database, but not a log of hereabout. It was left as it is; choose another [log] path."
    )]
    OtherDatabase {
        /// Path of the file, as it was come to.
        path: PathBuf,
    },
    /// A newer program wrote the file.
    #[error(
        "the log {path} has schema version {found}, this program knows versions up to {known}: a newer hereabout \
         wrote it. Update the program, or choose another [log] path."
    )]
    NewerSchema {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
        /// Newest schema step in the file.
        found: i64,
        /// Newest schema step of this program.
        known: i64,
    },
    /// An older program wrote the file, and it is open for reading only.
    #[error(
        "the log {path} has schema version {found}, this program reads version {known}. Start the daemon on it once \
         (or on a copy): it brings the file up to date."
    )]
    OlderSchema {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
        /// Newest schema step in the file.
        found: i64,
        /// Newest schema step of this program.
        known: i64,
    },
    /// Another process writes the file, or holds its lock for whatever reason.
    #[error("the log {path} is locked by another program, as a rule a hereabout that writes it: {}", holder_words(*.process))]
    InUse {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
        /// The other one's process id, when it was seen to hold the lock.
        process: Option<u32>,
    },
    /// The file, or what must stand beside it, is not to be trusted or not of the right kind.
    #[error("the log {path} is not opened: {fault}.")]
    Untrusted {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
        /// What is wrong with which file.
        fault: FileFault,
    },
    /// No room for the file to grow.
    #[error("the disk with the log {path} is full. Make room, or choose a [log] path on another disk.")]
    DiskFull {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
    },
    /// Some other program holds a lock on the file.
    #[error("the log {path} is locked by another program (a SQLite shell in a transaction?). Close it.")]
    Busy {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
    },
    /// The file went from under the writer.
    #[error("the log {path} was moved or deleted while it was being written.")]
    Gone {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
    },
    /// The disk does not answer.
    #[error("the disk with the log {path} has not answered for {waited_s} s. Check the disk or the mount.")]
    NoAnswer {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
        /// How long it was waited for, seconds.
        waited_s: u64,
    },
    /// Content that this schema does not allow, or a file that SQLite calls malformed.
    #[error(
        "the log {path} is damaged: {detail}. Keep a copy; `sqlite3 {path} .recover` may save what is left."
    )]
    Damaged {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
        /// What was found.
        detail: String,
    },
    /// The session that was asked for is not in the file.
    #[error("the log {path} has no session {id}. It holds: {have}.")]
    NoSuchSession {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
        /// What was asked for.
        id: i64,
        /// The sessions that there are, in words.
        have: String,
    },
    /// The file holds no session at all.
    #[error("the log {path} holds no session yet. Run the daemon on it first.")]
    Empty {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
    },
    /// A session ended with records that could not be written.
    #[error(
        "the session ended, but the last {frames} frames, {fixes} fixes and {events} events could not be written: \
         {cause}"
    )]
    Unwritten {
        /// Frames that were lost at the end.
        frames: u64,
        /// Fixes that were lost at the end.
        fixes: u64,
        /// Events that were lost at the end.
        events: u64,
        /// What stood in the way.
        cause: Box<StoreError>,
    },
    /// The writer's task was cut off before it was done.
    #[error(
        "the log's writer was stopped before it was done with {path}. At most the last second is missing."
    )]
    WriterStopped {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
    },
    /// Anything else that the operating system reports.
    #[error("cannot open the log {path}: {source}. Check the path and the disk.")]
    Io {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
        /// The system's word.
        source: io::Error,
    },
    /// Anything else that SQLite reports.
    #[error("SQLite failed on the log {path}: {detail}. Check the disk and the file.")]
    Database {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
        /// SQLite's word.
        detail: String,
    },
}

impl StoreError {
    /// The file that this says is damaged, or no database at all.
    pub(crate) fn damaged_file(&self) -> Option<PathBuf> {
        match self {
            StoreError::Damaged { path, .. } | StoreError::NotADatabase { path } => Some(path.clone()),
            _ => None,
        }
    }

    /// What a fault of its files means for the log at `path`.
    pub(crate) fn from_fault(path: &Path, fault: FileFault) -> StoreError {
        match fault {
            FileFault::Io { source, .. } => from_io(path, source),
            fault => StoreError::Untrusted { path: path.to_path_buf(), fault },
        }
    }
}

fn holder_words(process: Option<u32>) -> String {
    match process {
        Some(p) => format!("process {p}. Stop that one, or give this one its own [log] path."),
        None => {
            "which process is not known. Find and stop it, or give this one its own [log] path.".to_owned()
        }
    }
}

/// What the operating system said about `path`.
pub(crate) fn from_io(path: &Path, source: io::Error) -> StoreError {
    let path = path.to_path_buf();
    let folder = folder_of(&path);
    match source.kind() {
        io::ErrorKind::NotFound | io::ErrorKind::NotADirectory => StoreError::NoFolder { path, folder },
        io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => {
            StoreError::Forbidden { path, folder }
        }
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => StoreError::DiskFull { path },
        _ => StoreError::Io { path, source },
    }
}

/// SQLite's extended result code (<https://www.sqlite.org/rescode.html>), when the error has one.
pub(crate) fn sqlite_code(error: &sqlx::Error) -> Option<i32> {
    error.as_database_error()?.code()?.parse().ok()
}

/// What SQLite said about `path`. The low byte of an extended code is the primary one (same page).
pub(crate) fn from_sqlx(path: &Path, error: &sqlx::Error) -> StoreError {
    if let sqlx::Error::Io(e) = error {
        return from_io(path, e.kind().into());
    }
    let detail = error.as_database_error().map_or_else(|| error.to_string(), |e| e.message().to_string());
    let path = path.to_path_buf();
    let folder = folder_of(&path);
    match sqlite_code(error).map(|c| c & 0xff) {
        Some(3 | 8 | 23) => StoreError::Forbidden { path, folder }, // PERM, READONLY, AUTH
        Some(5 | 6) => StoreError::Busy { path },                   // BUSY, LOCKED
        Some(11) => StoreError::Damaged { path, detail },           // CORRUPT
        Some(13) => StoreError::DiskFull { path },                  // FULL
        Some(14) => StoreError::Forbidden { path, folder }, // CANTOPEN: the file's existence was checked before
        Some(26) => StoreError::NotADatabase { path },      // NOTADB
        _ => StoreError::Database { path, detail },
    }
}

/// What the migrator said about `path`; `known` is this program's newest schema step.
pub(crate) fn from_migrate(path: &Path, error: &MigrateError, known: i64) -> StoreError {
    match error {
        MigrateError::Execute(e) | MigrateError::ExecuteMigration(e, _) => from_sqlx(path, e),
        MigrateError::VersionMissing(found) => {
            StoreError::NewerSchema { path: path.to_path_buf(), found: *found, known }
        }
        other => StoreError::Damaged { path: path.to_path_buf(), detail: other.to_string() },
    }
}

#[cfg(test)]
mod tests;
