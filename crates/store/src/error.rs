//! What the system, SQLite and the migrator report, as facts about a log. Their own texts go to the debug log alone.

use std::io;
use std::path::{Path, PathBuf};

use hereabout_core::{FileFault, IoFault, LogDamage, LogFault, SqliteFault};
use sqlx::migrate::MigrateError;

use crate::files::folder_of;

/// The file that a fault calls damaged, or no database at all.
pub(crate) fn damaged_file(fault: &LogFault) -> Option<PathBuf> {
    match fault {
        LogFault::Damaged { path, .. } | LogFault::NotADatabase { path } => Some(path.clone()),
        _ => None,
    }
}

/// What a fault of its files means for the log at `path`.
pub(crate) fn from_fault(path: &Path, fault: FileFault) -> LogFault {
    match fault {
        FileFault::Io { fault, .. } => from_io(path, fault),
        fault => LogFault::Untrusted { path: path.to_path_buf(), fault },
    }
}

/// What the operating system said about `path`.
pub(crate) fn from_io(path: &Path, fault: IoFault) -> LogFault {
    let path = path.to_path_buf();
    let folder = folder_of(&path);
    match fault.kind {
        io::ErrorKind::NotFound | io::ErrorKind::NotADirectory => LogFault::NoFolder { path, folder },
        io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => {
            LogFault::Forbidden { path, folder }
        }
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => LogFault::DiskFull { path },
        _ => LogFault::Io { path, fault },
    }
}

/// SQLite's extended result code (<https://www.sqlite.org/rescode.html>), when the error has one.
pub(crate) fn sqlite_code(error: &sqlx::Error) -> Option<i32> {
    error.as_database_error()?.code()?.parse().ok()
}

/// What SQLite said about `path`. The low byte of an extended code is the primary one (same page).
pub(crate) fn from_sqlx(path: &Path, error: &sqlx::Error) -> LogFault {
    tracing::debug!(path = %path.display(), %error, "SQLite failed");
    if let sqlx::Error::Io(e) = error {
        return from_io(path, e.into());
    }
    let fault = SqliteFault { code: sqlite_code(error) };
    let path = path.to_path_buf();
    let folder = folder_of(&path);
    match fault.primary() {
        Some(3 | 8 | 23) => LogFault::Forbidden { path, folder }, // PERM, READONLY, AUTH
        Some(5 | 6) => LogFault::Busy { path },                   // BUSY, LOCKED
        Some(11) => LogFault::Damaged { path, damage: LogDamage::Malformed }, // CORRUPT
        Some(13) => LogFault::DiskFull { path },                  // FULL
        Some(14) => LogFault::Forbidden { path, folder }, // CANTOPEN: the file's existence was checked before
        Some(26) => LogFault::NotADatabase { path },      // NOTADB
        _ => LogFault::Database { path, fault },
    }
}

/// What the migrator said about `path`; `known` is this program's newest schema step.
pub(crate) fn from_migrate(path: &Path, error: &MigrateError, known: i64) -> LogFault {
    match error {
        MigrateError::Execute(e) | MigrateError::ExecuteMigration(e, _) => from_sqlx(path, e),
        MigrateError::VersionMissing(found) => {
            LogFault::NewerSchema { path: path.to_path_buf(), found: *found, known }
        }
        other => {
            tracing::debug!(path = %path.display(), error = %other, "the schema can't be brought up to date");
            LogFault::Damaged { path: path.to_path_buf(), damage: LogDamage::Schema }
        }
    }
}

#[cfg(test)]
mod tests;
