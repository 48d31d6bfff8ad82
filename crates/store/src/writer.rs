//! The one task that writes a session.
//!
//! Records go into a transaction as they come (in chunks, when there are many) and are committed together once a
//! second. Until the commit the task keeps them in memory: when anything fails, the transaction is rolled back,
//! the records go back to the head of the queue and are tried again at the next second. So a full disk costs
//! nothing as long as the queue holds, and the counters of the session always agree with its rows.
//!
//! Events are not kept waiting: one that is pushed is committed at once, with what waits before it. Its number is given
//! in that transaction, and whoever follows the events ([`EventSink`]) is told after the commit. So a number that
//! anybody has seen is in the file, and one that a failed commit took back was seen by nobody.
//!
//! Two kinds of failure are told apart. The disk's (full, locked, gone) is waited out. A record that the schema
//! refuses would fail for ever and hold up all others: the batch is then written record by record, each in its own
//! savepoint, and the refused ones are counted as dropped.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use hereabout_core::Timestamp;
use sqlx::{Connection, SqliteConnection};
use tokio::task::JoinHandle;
use tokio::time::{Instant, MissedTickBehavior};

use crate::error::{from_sqlx, sqlite_code};
use crate::insert::{Cursor, Inserter};
use crate::queue::{Committed, Ending, Queue};
use crate::reader::StoredEvent;
use crate::record::{Record, Row};
use crate::store::{LogFile, Store, WriterOptions};
use crate::{StoreError, WriterStats};

/// Most records of one round of inserts.
const CHUNK: usize = 1024;
/// How often the end of a session is tried before what is left is given up, and the pause between.
const LAST_TRIES: u32 = 3;
const LAST_PAUSE: Duration = Duration::from_millis(200);

/// Who is told of events that are safely in the file.
pub type EventSink = Box<dyn FnMut(StoredEvent) + Send>;

/// The pushing side of a session that is being written.
///
/// Dropping it without [`SessionWriter::finish`] writes what is queued, if the runtime lives long enough, and leaves
/// the session without an end.
#[derive(Debug)]
pub struct SessionWriter {
    id: i64,
    queue: Arc<Queue>,
    task: Option<JoinHandle<Result<WriterStats, StoreError>>>,
    path: PathBuf,
}

/// Takes the figures of a [`SessionWriter`] from somewhere else.
#[derive(Clone, Debug)]
pub struct StatsHandle(Arc<Queue>);

impl StatsHandle {
    /// The figures of this instant.
    pub fn stats(&self) -> WriterStats {
        self.0.stats()
    }
}

impl SessionWriter {
    pub(crate) fn start(
        store: Store,
        id: i64,
        options: WriterOptions,
        sink: Option<EventSink>,
    ) -> SessionWriter {
        Writer { sink, ..Writer::new(store, id, options) }.spawn(options.commit_every)
    }

    /// The session's id in the log.
    pub fn session(&self) -> i64 {
        self.id
    }

    /// Hands a record over. Never waits; a full queue drops its oldest record and counts it.
    pub fn push(&self, record: Record) {
        self.queue.push(record);
    }

    /// Hands a record over, waiting for room while the queue is full: for replays, which may not lose anything.
    ///
    /// While the disk fails this waits for as long as it fails; [`SessionWriter::stats`] says why.
    pub async fn push_wait(&self, record: Record) {
        self.queue.push_wait(record).await;
    }

    /// The figures of this instant.
    pub fn stats(&self) -> WriterStats {
        self.queue.stats()
    }

    /// A handle for the figures, for whoever serves them.
    pub fn stats_handle(&self) -> StatsHandle {
        StatsHandle(Arc::clone(&self.queue))
    }

    /// Writes everything that is queued and the end of the session, empties the write-ahead log and closes the file.
    ///
    /// On a failing disk it gives up after three tries with [`StoreError::Unwritten`]; what was committed stays.
    pub async fn finish(mut self, ended_at: Timestamp) -> Result<WriterStats, StoreError> {
        self.queue.close(Ending::Finished(ended_at));
        let stopped = || StoreError::WriterStopped { path: self.path.clone() };
        match self.task.take() {
            Some(task) => task.await.unwrap_or_else(|_| Err(stopped())),
            None => Err(stopped()),
        }
    }
}

impl Drop for SessionWriter {
    fn drop(&mut self) {
        self.queue.close(Ending::Abandoned);
    }
}

/// The writing side.
struct Writer {
    db: SqliteConnection,
    file: LogFile,
    queue: Arc<Queue>,
    inserter: Inserter,
    session: i64,
    chunk: usize,
    limit: usize,
    /// Records that are in the open transaction: kept until it is committed.
    in_transaction: Vec<Record>,
    /// The numbering as committed.
    kept: Cursor,
    /// The numbering inside the open transaction.
    cursor: Cursor,
    open: bool,
    /// The last write failed: nothing is tried before the next second.
    ailing: bool,
    /// A record was refused: the next batch is written record by record.
    one_by_one: bool,
    sink: Option<EventSink>,
    /// Tests let a chosen write fail with this.
    #[cfg(test)]
    before_write: Option<Box<dyn FnMut() -> Result<(), sqlx::Error> + Send>>,
}

impl Writer {
    fn new(store: Store, session: i64, options: WriterOptions) -> Writer {
        let capacity = options.capacity.max(4);
        let chunk = CHUNK.min(capacity / 4);
        Writer {
            db: store.db,
            file: store.file,
            queue: Arc::new(Queue::new(capacity, chunk)),
            inserter: Inserter::new(session),
            session,
            chunk,
            // Whole chunks, and at most half of the queue: the rest stays open to pushes meanwhile.
            limit: (capacity / 2 / chunk) * chunk,
            in_transaction: Vec::new(),
            kept: Cursor { event_seq: store.newest_event, ..Cursor::default() },
            cursor: Cursor::default(),
            open: false,
            ailing: false,
            one_by_one: false,
            sink: None,
            #[cfg(test)]
            before_write: None,
        }
    }

    fn spawn(self, commit_every: Duration) -> SessionWriter {
        let (id, queue, path) = (self.session, Arc::clone(&self.queue), self.file.path.clone());
        SessionWriter { id, queue, path, task: Some(tokio::spawn(self.run(commit_every))) }
    }

    async fn run(mut self, commit_every: Duration) -> Result<WriterStats, StoreError> {
        let mut second = tokio::time::interval_at(Instant::now() + commit_every, commit_every);
        // A late commit moves the following ones: never two within one period.
        second.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let ending = loop {
            tokio::select! {
                _ = second.tick() => self.round(true).await,
                () = self.queue.work() => {
                    if let Some(ending) = self.queue.ending() {
                        break ending;
                    }
                    let prompt = self.queue.take_prompt();
                    if !self.ailing {
                        self.round(prompt).await;
                    }
                }
            }
        };
        self.end(ending).await
    }

    /// Writes what waits; with `commit` also the last few, and makes it all safe.
    async fn round(&mut self, commit: bool) {
        let done = self.try_round(commit, None).await;
        self.settle(done).await;
        if self.one_by_one {
            // The other records need not wait for the next second because one was refused.
            let done = self.try_round(true, None).await;
            self.settle(done).await;
            self.one_by_one = false;
        }
    }

    async fn try_round(&mut self, commit: bool, ended_at: Option<Timestamp>) -> Result<(), Trouble> {
        let least = if commit { 1 } else { self.chunk };
        loop {
            let most = self.chunk.min(self.limit - self.in_transaction.len());
            let taken = self.queue.take(least, most);
            if taken.is_empty() {
                break;
            }
            let first = self.in_transaction.len();
            self.in_transaction.extend(taken);
            self.begin().await?;
            self.insert_from(first).await?;
            if self.in_transaction.len() >= self.limit {
                self.commit(None).await?;
            }
        }
        if ended_at.is_some() {
            self.begin().await?;
        }
        if commit && self.open { self.commit(ended_at).await } else { Ok(()) }
    }

    async fn begin(&mut self) -> Result<(), Trouble> {
        if self.open {
            return Ok(());
        }
        if !self.file.is_in_place() {
            return Err(Trouble::Gone);
        }
        self.statement("BEGIN IMMEDIATE").await?;
        self.open = true;
        self.cursor = self.kept;
        Ok(())
    }

    /// Inserts the records of the transaction from index `first` on.
    async fn insert_from(&mut self, first: usize) -> Result<(), Trouble> {
        if self.one_by_one {
            return self.insert_one_by_one(first).await;
        }
        self.gate()?;
        let rows = &self.in_transaction[first..];
        Ok(self.inserter.insert(&mut self.db, rows, &mut self.cursor).await?)
    }

    async fn insert_one_by_one(&mut self, first: usize) -> Result<(), Trouble> {
        let records = self.in_transaction.split_off(first);
        for (i, record) in records.iter().enumerate() {
            match self.insert_alone(record).await {
                Ok(()) => self.in_transaction.push(record.clone()),
                Err(Trouble::Refused(why)) => {
                    tracing::warn!(at = %record.at(), why, "a record that the log's schema refuses was left out");
                    self.queue.refuse(record);
                }
                Err(trouble) => {
                    self.in_transaction.extend_from_slice(&records[i..]);
                    return Err(trouble);
                }
            }
        }
        Ok(())
    }

    /// One record in a savepoint of its own, so that a refused frame leaves none of its rows behind.
    async fn insert_alone(&mut self, record: &Record) -> Result<(), Trouble> {
        self.statement("SAVEPOINT one").await?;
        let mut cursor = self.cursor;
        let done = self.inserter.insert(&mut self.db, std::slice::from_ref(record), &mut cursor).await;
        if let Err(e) = done {
            self.statement("ROLLBACK TO one").await?;
            self.statement("RELEASE one").await?;
            return Err(e.into());
        }
        self.statement("RELEASE one").await?;
        self.cursor = cursor;
        Ok(())
    }

    async fn commit(&mut self, ended_at: Option<Timestamp>) -> Result<(), Trouble> {
        self.gate()?;
        let dropped = self.queue.stats();
        sqlx::query(
            "UPDATE session SET frames = ?, fixes = ?, events = ?, last_at_us = ?, dropped_frames = ?, \
             dropped_fixes = ?, dropped_events = ?, ended_at_us = ? WHERE id = ?",
        )
        .bind(signed(self.cursor.frames))
        .bind(signed(self.cursor.fixes))
        .bind(signed(self.cursor.events))
        .bind(self.cursor.last_at_us)
        .bind(signed(dropped.dropped_frames))
        .bind(signed(dropped.dropped_fixes))
        .bind(signed(dropped.dropped_events))
        .bind(ended_at.map(Timestamp::micros))
        .bind(self.session)
        .execute(&mut self.db)
        .await?;
        self.statement("COMMIT").await?;
        self.open = false;
        let records = std::mem::take(&mut self.in_transaction);
        let before = std::mem::replace(&mut self.kept, self.cursor);
        self.queue.committed(Committed {
            frames: self.kept.frames,
            fixes: self.kept.fixes,
            events: self.kept.events,
            last_at: self.kept.last_at_us.map(Timestamp::from_micros),
        });
        self.tell(before.event_seq, records);
        Ok(())
    }

    /// Tells of the committed events; the first one has the number after `seq`.
    fn tell(&mut self, seq: u64, records: Vec<Record>) {
        let Some(sink) = &mut self.sink else { return };
        let events = records.into_iter().filter_map(|r| if let Row::Event(e) = r.0 { Some(e) } else { None });
        for (seq, event) in (seq + 1..).zip(events) {
            sink(StoredEvent { seq, at: event.at, kind: event.kind, detail: event.detail });
        }
    }

    async fn statement(&mut self, sql: &'static str) -> Result<(), Trouble> {
        self.gate()?;
        sqlx::query(sql).execute(&mut self.db).await?;
        Ok(())
    }

    /// Every write passes here, so that a test can let each of them fail in turn.
    #[cfg(test)]
    fn gate(&mut self) -> Result<(), Trouble> {
        self.before_write.as_mut().map_or(Ok(()), |f| f().map_err(Trouble::from))
    }

    #[cfg(not(test))]
    fn gate(&mut self) -> Result<(), Trouble> {
        Ok(())
    }

    /// Draws the consequences of a round. One line in the program's log per change of state.
    async fn settle(&mut self, done: Result<(), Trouble>) -> Option<StoreError> {
        let trouble = match done {
            Ok(()) => {
                if self.ailing {
                    tracing::warn!(path = %self.file.path.display(), "the log can be written again");
                }
                self.ailing = false;
                return None;
            }
            Err(trouble) => trouble,
        };
        // Already rolled back by SQLite itself after some errors; then this one fails, and that is well.
        let _ = sqlx::query("ROLLBACK").execute(&mut self.db).await;
        self.open = false;
        self.one_by_one = matches!(trouble, Trouble::Refused(_));
        let error = trouble.told(&self.file);
        let back = std::mem::take(&mut self.in_transaction);
        self.queue.give_back(back, error.to_string());
        if !self.one_by_one && !self.ailing {
            self.ailing = true;
            tracing::warn!(%error, "the log cannot be written; it is tried again every second");
        }
        Some(error)
    }

    /// The end of the session: everything out, the stamp in, the file closed.
    async fn end(mut self, ending: Ending) -> Result<WriterStats, StoreError> {
        let ended_at = match ending {
            Ending::Finished(at) => Some(at),
            Ending::Abandoned => None,
        };
        let mut failure = None;
        for left in (0..LAST_TRIES).rev() {
            let done = self.try_round(true, ended_at).await;
            failure = self.settle(done).await;
            if failure.is_none() {
                break;
            }
            if left > 0 && !self.one_by_one {
                tokio::time::sleep(LAST_PAUSE).await;
            }
        }
        let [frames, fixes, events] = self.queue.give_up();
        let stats = self.queue.stats();
        // Both are courtesies: a file that is not folded together opens as well.
        let _ = sqlx::query("PRAGMA wal_checkpoint(TRUNCATE)").execute(&mut self.db).await;
        let _ = self.db.close().await;
        match failure {
            None => Ok(stats),
            Some(cause) => Err(StoreError::Unwritten { frames, fixes, events, cause: Box::new(cause) }),
        }
    }
}

/// Counters beyond SQLite's integers are not reached in the life of a kit.
fn signed(count: u64) -> i64 {
    i64::try_from(count).unwrap_or(i64::MAX)
}

/// Why a round failed.
#[derive(Debug)]
enum Trouble {
    /// The file is no longer where it was.
    Gone,
    /// The schema does not allow this record.
    Refused(String),
    /// The disk, a lock, anything that may pass.
    Sql(sqlx::Error),
}

impl From<sqlx::Error> for Trouble {
    fn from(e: sqlx::Error) -> Trouble {
        // SQLITE_CONSTRAINT_CHECK, _NOTNULL, _PRIMARYKEY, _UNIQUE, _DATATYPE and SQLITE_MISMATCH are about the
        // record's own values (codes: https://www.sqlite.org/rescode.html).
        match sqlite_code(&e) {
            Some(275 | 1299 | 1555 | 2067 | 3091 | 20) => Trouble::Refused(e.to_string()),
            _ => Trouble::Sql(e),
        }
    }
}

impl Trouble {
    fn told(self, file: &LogFile) -> StoreError {
        match self {
            Trouble::Gone => StoreError::Gone { path: file.path.clone() },
            Trouble::Refused(detail) => StoreError::Damaged { path: file.path.clone(), detail },
            Trouble::Sql(e) => from_sqlx(&file.path, &e),
        }
    }
}

#[cfg(test)]
#[path = "writer_tests.rs"]
mod tests;
