//! Opening the file: the lock, the schema, the settings.
//!
//! Two daemons must not write one file. SQLite would let them take turns, and two sessions would mix. The
//! writer therefore holds an advisory lock of the operating system on a small file beside the log
//! (`larkfield.db.lock`, with the process id inside for people; see `lock.rs`). The kernel lets go of it when the
//! process ends, however it ends, so nothing is left to clean up; the file stays, because removing it would race.
//!
//! A log says who was where and when. It is made with mode 0640 at most, and SQLite gives what it makes beside it
//! the log's own mode; a wider one is tightened (see [`crate::files`]).
//!
//! Write-ahead logging with `synchronous=NORMAL` keeps the file whole when the process or the power goes
//! (<https://www.sqlite.org/pragma.html#pragma_synchronous>); readers do not stop the writer.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use hereabout_core::LogFault;
use hereabout_engine::StartState;
use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{ConnectOptions, Connection, SqliteConnection};

use crate::error::{from_fault, from_migrate, from_sqlx};
use crate::file::lock::{lock_for_writing, lock_path};
use crate::files::{self, FILE_MODE, beside, refused};
use crate::read::events::{EventCells, StoredEvent};
use crate::schema::{MIGRATIONS, newest_schema, refuse_other_databases};

/// The newest number in the file, or up to where they are reserved.
const TAKEN_NUMBERS: &str = "SELECT max((SELECT coalesce(max(seq), 0) FROM event), (SELECT coalesce(max(reserved_until), 0) FROM event_reserve))";
/// A log that is open for writing.
#[derive(Debug)]
pub struct Store {
    pub(crate) db: SqliteConnection,
    pub(crate) file: LogFile,
    /// No number up to this one is given to an event again.
    pub(crate) taken_numbers: u64,
    /// The write-ahead log of a file that was moved away, under its new name.
    pub(crate) left: Option<PathBuf>,
    /// What the next session inherits.
    pub(crate) inherited: Option<StartState>,
}

/// The file behind a log, and the right to write it.
#[derive(Debug)]
pub(crate) struct LogFile {
    pub(crate) path: PathBuf,
    identity: Option<Identity>,
    lock_identity: Option<Identity>,
    _lock: File,
}

impl Store {
    /// Creates or opens the log, takes the writer's lock and brings the schema up to date.
    ///
    /// Errors say what happened, to which file, and what to do: see [`LogFault`]. A file that is not a log is
    /// left as it is.
    pub async fn open(path: impl AsRef<Path>) -> Result<Store, LogFault> {
        Store::open_tuned(path.as_ref(), |options| options).await
    }

    pub(crate) async fn open_tuned(
        path: &Path,
        tune: impl FnOnce(SqliteConnectOptions) -> SqliteConnectOptions,
    ) -> Result<Store, LogFault> {
        let path = settle(path)?;
        let lock = lock_for_writing(&path)?;
        let left = rename_orphaned_wal(&path)?;
        make_if_missing(&path)?;
        let options = SqliteConnectOptions::new()
            .filename(&path)
            .busy_timeout(Duration::from_millis(500))
            // See the migration: kept by construction.
            .foreign_keys(false)
            .disable_statement_logging();
        let mut db = tune(options).connect().await.map_err(|e| from_sqlx(&path, &e))?;
        refuse_other_databases(&path, &mut db).await?;
        tighten(&path);
        // Only now that the file is known to be ours (or new) may it be changed.
        sqlx::raw_sql("PRAGMA journal_mode = WAL; PRAGMA synchronous = NORMAL")
            .execute(&mut db)
            .await
            .map_err(|e| from_sqlx(&path, &e))?;
        MIGRATIONS.run(&mut db).await.map_err(|e| from_migrate(&path, &e, newest_schema()))?;
        let taken: i64 =
            sqlx::query_scalar(TAKEN_NUMBERS).fetch_one(&mut db).await.map_err(|e| from_sqlx(&path, &e))?;
        let (identity, lock_identity) = (identity_of(&path), identity_of(&lock_path(&path)));
        let file = LogFile { path, identity, lock_identity, _lock: lock };
        Ok(Store { db, file, taken_numbers: taken.unsigned_abs(), left, inherited: None })
    }

    /// Where the log is, with symbolic links resolved.
    pub fn path(&self) -> &Path {
        &self.file.path
    }

    /// The newest events of the file, `limit` at most, oldest first, whatever their session.
    pub async fn newest_events(&mut self, limit: u32) -> Result<Vec<StoredEvent>, LogFault> {
        let mut rows: Vec<EventCells> =
            sqlx::query_as("SELECT seq, at_us, kind, detail FROM event ORDER BY seq DESC LIMIT ?")
                .bind(limit)
                .fetch_all(&mut self.db)
                .await
                .map_err(|e| from_sqlx(&self.file.path, &e))?;
        rows.reverse();
        Ok(rows.into_iter().map(StoredEvent::from).collect())
    }

    /// The first number that this file leaves to the events to come.
    pub fn first_event_number(&self) -> u64 {
        self.taken_numbers + 1
    }

    /// How the newest session of the file ended; `None` without one.
    pub async fn last_end(&mut self) -> Result<Option<LastEnd>, LogFault> {
        let row: Option<(Option<i64>, i64)> =
            sqlx::query_as("SELECT ended_at_us, dropped_events FROM session ORDER BY id DESC LIMIT 1")
                .fetch_optional(&mut self.db)
                .await
                .map_err(|e| from_sqlx(&self.file.path, &e))?;
        Ok(row.map(|(ended, dropped)| LastEnd {
            cut_off: ended.is_none(),
            dropped_events: dropped.unsigned_abs(),
        }))
    }

    /// The next session begins with this: it stands in its first rows, so that the session replays by itself.
    pub fn inherit(&mut self, state: StartState) {
        self.inherited = Some(state);
    }

    /// Closes the file without a session.
    pub async fn close(self) {
        // A log that was only opened has nothing to lose by a failed close.
        let _ = self.db.close().await;
    }
}

/// How a session ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LastEnd {
    /// It has no end: the program was killed, or could not write it.
    pub cut_off: bool,
    /// Events that it could not write.
    pub dropped_events: u64,
}

impl LogFile {
    /// Whether the path still leads to the file that is being written. SQLite itself would go on writing into a
    /// deleted file without a word.
    pub(crate) fn is_in_place(&self) -> bool {
        self.probe().look().in_place
    }

    /// What to look at from somewhere else.
    pub(crate) fn probe(&self) -> FileProbe {
        FileProbe { path: self.path.clone(), identity: self.identity, lock: self.lock_identity }
    }
}

/// What there was to see.
#[derive(Clone, Copy, Debug)]
pub(crate) struct FileState {
    /// The path still leads to the file, and the lock to the lock.
    pub(crate) in_place: bool,
    /// Size of the write-ahead log, bytes.
    pub(crate) wal_bytes: u64,
}

/// Where a log and its lock are, and which files they were when it was opened.
#[derive(Clone, Debug)]
pub(crate) struct FileProbe {
    path: PathBuf,
    identity: Option<Identity>,
    lock: Option<Identity>,
}

impl FileProbe {
    /// Looks once. Waits for the disk.
    pub(crate) fn look(&self) -> FileState {
        let is = |path: &Path, was: Option<Identity>| was.is_none() || identity_of(path) == was;
        // Without its lock another program may write the log as well.
        let in_place = is(&self.path, self.identity) && is(&lock_path(&self.path), self.lock);
        // SQLite folds it into the file at about 4 MB (<https://www.sqlite.org/pragma.html#pragma_wal_autocheckpoint>),
        // unless a reader keeps it from that.
        let wal_bytes = fs::metadata(beside(&self.path, "-wal")).map_or(0, |m| m.len());
        FileState { in_place, wal_bytes }
    }
}

/// What SQLite and this program make beside a log, by the end of the name.
const BESIDE: [&str; 3] = ["-wal", "-shm", "-journal"];

/// The log and everything that SQLite makes beside it.
fn log_and_beside(path: &Path) -> impl Iterator<Item = PathBuf> + use<> {
    let log = path.to_owned();
    ["", BESIDE[0], BESIDE[1], BESIDE[2]].into_iter().map(move |end| beside(&log, end))
}

/// The path with the folder's links resolved, so that two ways to one file lead to one lock. Nothing that is there may
/// be a link, somebody else's, or no plain file.
fn settle(path: &Path) -> Result<PathBuf, LogFault> {
    let failed = |fault| from_fault(path, fault);
    let settled = files::settle(path, files::only_own_links).map_err(failed)?;
    for file in log_and_beside(&settled) {
        if let Some(meta) = files::look(&file).map_err(failed)? {
            files::must_be_own(&file, &meta).map_err(failed)?;
        }
    }
    Ok(settled)
}

/// A write-ahead log without its file belongs to one that was moved while another program was reading it, and has its last
/// rows. SQLite would delete it with the first word of a new file of that name; here it gets a name of its own, which is
/// reported.
fn rename_orphaned_wal(path: &Path) -> Result<Option<PathBuf>, LogFault> {
    let failed = |e: io::Error| from_fault(path, refused(path, &e));
    let bytes = |path: &Path| fs::symlink_metadata(path).map_or(0, |m| m.len());
    let wal = beside(path, "-wal");
    if bytes(path) > 0 || bytes(&wal) == 0 {
        return Ok(None);
    }
    let free = |n: &u32| !beside(path, &format!("-wal.left-{n}")).exists();
    let name = beside(path, &format!("-wal.left-{}", (1..).find(free).unwrap_or(0)));
    fs::rename(&wal, &name).map_err(failed)?;
    // The index of the other file; whoever has it open keeps it.
    let _ = fs::remove_file(beside(path, "-shm"));
    Ok(Some(name))
}

/// Makes an empty file where there is no log yet: SQLite would make one that everybody may read.
fn make_if_missing(path: &Path) -> Result<(), LogFault> {
    match files::create_new(path, FILE_MODE) {
        Ok(_) => Ok(()),
        Err(e) if e.kind() == io::ErrorKind::AlreadyExists => Ok(()),
        Err(e) => Err(from_fault(path, refused(path, &e))),
    }
}

/// Takes the rights of other users away from a log that has been there. It is reported once, because then they are gone.
fn tighten(path: &Path) {
    let mut was = None;
    for file in log_and_beside(path).filter(|f| f.exists()) {
        match files::tighten(&file, FILE_MODE) {
            Ok(rights) => was = was.or(rights),
            Err(fault) => tracing::warn!(
                ?fault,
                "{} is open to more than its owner and group, and that can't be changed. What it holds says who \
                 was where: keep the log on a file system with owners and rights, as a file of the user that runs this",
                file.display()
            ),
        }
    }
    if let Some(mode) = was {
        tracing::warn!(
            "the log {} was open to more than its owner and group (mode {mode:04o}); now it is not (at most 0640). \
             Who opened it before may have read it",
            path.display()
        );
    }
}

/// Device and number of a file.
type Identity = (u64, u64);

#[cfg(unix)]
fn identity_of(path: &Path) -> Option<Identity> {
    use std::os::unix::fs::MetadataExt;
    fs::metadata(path).ok().map(|m| (m.dev(), m.ino()))
}

/// Elsewhere an open file cannot be removed.
#[cfg(not(unix))]
fn identity_of(_: &Path) -> Option<Identity> {
    None
}
