//! The one task that writes sessions.
//!
//! Records go into a transaction as they come (in chunks, when there are many) and are committed together once a
//! second. Until the commit the task keeps them in memory: when anything fails, the transaction is rolled back,
//! the records go back to the head of the queue and are tried again at the next second. So a full disk costs
//! nothing as long as the queue holds, and the counters of the session always agree with its rows.
//!
//! Events are not kept waiting: one that is pushed is committed at once, with what waits before it. They have their
//! numbers already ([`EventNumbers`]); the task reserves further ones in the file while there are enough.
//!
//! The end of a session and the beginning of the next are a record of the queue as well. So neither waits for the
//! disk, and what was pushed before it is written before it, however long that takes.
//!
//! Failures are not all alike. The disk's (full, locked) are waited out. A record that the schema refuses would fail for
//! ever and hold up all others: the batch is then written record by record, each in its own savepoint, and the
//! refused ones are counted as dropped. A file that is gone or damaged is given up by a daemon's writer
//! ([`SessionWriter::keep`]): it goes on in a new one ([`Reopener`]), with a session of its own that begins with what was not
//! committed. Any other writer waits for its file to come back.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use hereabout_core::{LogDamage, LogFault, LogNote, LogProblem, SqliteFault, Timestamp};
use hereabout_engine::StartState;
use sqlx::{Connection, SqliteConnection};
use tokio::task::JoinHandle;
use tokio::time::{Instant, MissedTickBehavior};

use crate::error::{damaged_file, from_sqlx, sqlite_code};
use crate::file::reopen::{DiskTask, Found, Reopener, note_of};
use crate::file::store::{FileState, LogFile, Store};
use crate::write::insert::{Inserter, SessionProgress};
use crate::write::numbers::EventNumbers;
use crate::write::queue::WriterStats;
use crate::write::queue::{Committed, Ending, Queue};
use crate::write::record::{Record, Row, SessionBegin};
use crate::write::session::{Keeping, SessionStart, WriterOptions, insert_session, reserve_numbers};

/// Most records of one round of inserts.
const CHUNK: usize = 1024;
/// A write-ahead log of this size is not folded into the file any more, bytes.
const OVERGROWN_WAL: u64 = 32 * 1024 * 1024;
/// How often the end of a session is tried before what is left is given up, and the pause between.
const LAST_TRIES: u32 = 3;
const LAST_PAUSE: Duration = Duration::from_millis(200);
/// When the end is given up although the disk has not even failed.
const LAST_PATIENCE: Duration = Duration::from_secs(15);

/// The pushing side of sessions that are being written.
///
/// Dropping it without [`SessionWriter::finish`] writes what is queued, if the runtime lives long enough, and leaves
/// the session without an end.
#[derive(Debug)]
pub struct SessionWriter {
    id: Option<i64>,
    queue: Arc<Queue>,
    task: Option<JoinHandle<Result<WriterStats, LogFault>>>,
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
        session: (i64, SessionStart),
        options: WriterOptions,
        keeping: Option<Keeping>,
    ) -> SessionWriter {
        let path = store.file.path.clone();
        let mut writer = Writer::new(options, keeping);
        writer.run_in(Open { db: store.db, file: store.file });
        let id = session.0;
        writer.kept = WriteState::of_session(id, Arc::new(session.1));
        writer.now = writer.kept.clone();
        writer.spawn(options.commit_every, Some(id), path)
    }

    /// A daemon's writer for a log that can't be opened just now, because of `problem`. It takes records from the start on
    /// and writes them as soon as it can.
    pub fn keep(
        path: PathBuf,
        start: SessionStart,
        options: WriterOptions,
        numbers: EventNumbers,
        problem: &LogFault,
    ) -> SessionWriter {
        let writer = Writer::new(options, Some(Keeping { path: path.clone(), numbers }));
        writer.queue.give_back(Vec::new(), problem.clone());
        writer.queue.push(Record::session(SessionBegin::new(start, None)));
        writer.spawn(options.commit_every, None, path)
    }

    /// The id in the log of the session that was begun first; `None` when the log could not be opened then.
    pub fn session(&self) -> Option<i64> {
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

    /// Ends the session at the start of the next one, and begins that. What it inherits stands in its first rows. Never
    /// waits.
    pub fn begin_next(&self, start: SessionStart, mut inherited: StartState) {
        let epochs = std::mem::take(&mut inherited.epochs);
        self.queue.push(Record::session(SessionBegin::new(start, Some(inherited))));
        epochs.iter().for_each(|epoch| self.queue.push(Record::inherited(epoch)));
    }

    /// The figures of this instant.
    pub fn stats(&self) -> WriterStats {
        let mut stats = self.queue.stats();
        if self.task.as_ref().is_some_and(JoinHandle::is_finished) {
            stats.last_error = Some(LogProblem::WriterBroke);
        }
        stats
    }

    pub(crate) fn set_note(&self, note: Option<LogNote>) {
        self.queue.set_note(note);
    }

    /// A handle for the figures, for whoever serves them.
    pub fn stats_handle(&self) -> StatsHandle {
        StatsHandle(Arc::clone(&self.queue))
    }

    /// Writes everything that is queued and the end of the session, empties the write-ahead log and closes the file.
    ///
    /// On a failing disk it gives up after three tries, on one that does not answer after 15 s, with
    /// [`LogFault::Unwritten`]; what was committed stays.
    pub async fn finish(mut self, ended_at: Timestamp) -> Result<WriterStats, LogFault> {
        self.queue.close(Ending::Finished(ended_at));
        let stopped = || LogFault::WriterStopped { path: self.path.clone() };
        let Some(mut task) = self.task.take() else { return Err(stopped()) };
        match tokio::time::timeout(LAST_PATIENCE, &mut task).await {
            Ok(done) => done.unwrap_or_else(|_| Err(unwritten(&self.queue, stopped()))),
            Err(_) => {
                task.abort();
                let cause = LogFault::NoAnswer { path: self.path.clone(), waited_s: LAST_PATIENCE.as_secs() };
                Err(unwritten(&self.queue, cause))
            }
        }
    }
}

impl Drop for SessionWriter {
    fn drop(&mut self) {
        self.queue.close(Ending::Abandoned);
    }
}

/// Gives up on what waits, because of `cause`.
fn unwritten(queue: &Queue, cause: LogFault) -> LogFault {
    let [frames, fixes, events] = queue.give_up();
    LogFault::Unwritten { frames, fixes, events, cause: Box::new(cause) }
}

/// A file that is open.
struct Open {
    db: SqliteConnection,
    file: LogFile,
}

/// Which session is written, and how far: as it is committed, or as it will be.
#[derive(Clone, Debug, Default)]
struct WriteState {
    session: Option<i64>,
    /// How that session began, for another file to go on with.
    start: Option<Arc<SessionStart>>,
    progress: SessionProgress,
    /// Rows of the sessions before: frames, fixes, events.
    before: [u64; 3],
    /// Sessions that began in the open transaction.
    turned: usize,
    /// Records of the session that were dropped, as its counters in a file before this one have it.
    dropped_elsewhere: [u64; 3],
    /// The same when its counters were written last, in all files.
    dropped_noted: [u64; 3],
}

impl WriteState {
    fn of_session(id: i64, start: Arc<SessionStart>) -> WriteState {
        WriteState { session: Some(id), start: Some(start), ..WriteState::default() }
    }

    /// Rows of all sessions.
    fn rows(&self) -> [u64; 3] {
        let own = [self.progress.frames, self.progress.fixes, self.progress.events];
        [0, 1, 2].map(|i| self.before[i] + own[i])
    }

    /// The session of this id comes next.
    fn turn_to(&mut self, id: i64, start: Arc<SessionStart>) {
        let mut next =
            WriteState { before: self.rows(), turned: self.turned, ..WriteState::of_session(id, start) };
        next.progress.utc_minus_session = self.progress.utc_minus_session;
        *self = next;
    }
}

/// The task that writes: what is open, what is committed, what is in the open transaction.
struct Writer {
    open: Option<Open>,
    /// Where a daemon's log is opened again.
    reopener: Option<Reopener>,
    /// A look at the file's place.
    probing: DiskTask<FileState>,
    numbers: Option<EventNumbers>,
    queue: Arc<Queue>,
    inserter: Inserter,
    chunk: usize,
    limit: usize,
    /// Records that are in the open transaction: kept until it is committed.
    in_transaction: Vec<Record>,
    /// As committed.
    kept: WriteState,
    /// Inside the open transaction.
    now: WriteState,
    begun: bool,
    /// The last write failed: nothing is tried before the next second.
    ailing: bool,
    /// A record was refused: the next batch is written record by record.
    one_by_one: bool,
    /// Tests let a chosen write fail with this.
    #[cfg(test)]
    before_write: Option<Box<dyn FnMut() -> Result<(), sqlx::Error> + Send>>,
}

impl Writer {
    fn new(options: WriterOptions, keeping: Option<Keeping>) -> Writer {
        let capacity = options.capacity.max(4);
        let chunk = CHUNK.min(capacity / 4);
        let (reopener, numbers) = keeping.map(|k| (Reopener::new(k.path, false), k.numbers)).unzip();
        Writer {
            open: None,
            reopener,
            probing: DiskTask::default(),
            numbers,
            queue: Arc::new(Queue::new(capacity, chunk)),
            inserter: Inserter::new(),
            chunk,
            // Whole chunks, and at most half of the queue: the rest stays open to pushes meanwhile.
            limit: (capacity / 2 / chunk) * chunk,
            in_transaction: Vec::new(),
            kept: WriteState::default(),
            now: WriteState::default(),
            begun: false,
            ailing: false,
            one_by_one: false,
            #[cfg(test)]
            before_write: None,
        }
    }

    /// Writes into this file from now on.
    fn run_in(&mut self, open: Open) {
        if let Some(reopener) = &mut self.reopener {
            reopener.was_open = true;
        }
        self.queue.set_path(open.file.path.clone());
        self.open = Some(open);
    }

    fn spawn(self, commit_every: Duration, id: Option<i64>, path: PathBuf) -> SessionWriter {
        let queue = Arc::clone(&self.queue);
        SessionWriter { id, queue, path, task: Some(tokio::spawn(self.run(commit_every))) }
    }

    async fn run(mut self, commit_every: Duration) -> Result<WriterStats, LogFault> {
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
        self.queue.set_busy(true);
        let done = self.try_round(commit, None).await;
        self.settle(done).await;
        if self.one_by_one || self.has_given_up_its_file() {
            // The other records need not wait for the next second because one was refused, or for another file.
            let done = self.try_round(true, None).await;
            self.settle(done).await;
            self.one_by_one = false;
        }
        self.queue.set_busy(false);
    }

    /// A file that was open was given up, and another one was not tried yet.
    fn has_given_up_its_file(&self) -> bool {
        self.open.is_none() && !self.ailing
    }

    async fn try_round(&mut self, commit: bool, ended_at: Option<Timestamp>) -> Result<(), Trouble> {
        self.find_file().await?;
        self.keep_numbers_reserved().await?;
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
        if commit && self.begun { self.commit(ended_at).await } else { Ok(()) }
    }

    /// Sees that a file is open, a daemon's in its place.
    async fn find_file(&mut self) -> Result<(), Trouble> {
        match (&self.open, &mut self.reopener) {
            (Some(open), Some(_)) => {
                let probe = open.file.probe();
                let seen = self.probing.run(&open.file.path, move || probe.look()).await;
                let seen = seen.map_err(Trouble::Open)?;
                if !seen.in_place {
                    return Err(Trouble::Gone);
                }
                self.queue.set_overgrown_wal((seen.wal_bytes >= OVERGROWN_WAL).then_some(seen.wal_bytes));
                Ok(())
            }
            (Some(_), None) => Ok(()),
            (None, None) => Err(Trouble::Gone),
            (None, Some(reopener)) => {
                let found = reopener.open().await.map_err(Trouble::Open)?;
                self.go_on_in(found).await
            }
        }
    }

    /// Goes on in a file that was just opened. A session that was being written goes on as one of that file.
    async fn go_on_in(&mut self, found: Found) -> Result<(), Trouble> {
        let Found { store: Store { db, file, taken_numbers, left, .. }, instead_of } = found;
        let mut open = Open { db, file };
        if let Some(numbers) = &self.numbers {
            numbers.go_beyond(taken_numbers);
        }
        let mut kept = self.kept.clone();
        if let Some(start) = kept.start.clone() {
            let at = kept.progress.last_data_us.map_or(start.started_at, Timestamp::from_micros);
            let start = Arc::new(SessionStart { started_at: at.max(start.started_at), ..(*start).clone() });
            let id = match insert_session(&mut open.db, &start, None).await {
                Ok(id) => id,
                Err(e) => return Err(Trouble::Open(from_sqlx(&open.file.path, &e))),
            };
            let at = start.started_at;
            let dropped = kept.dropped_noted;
            kept.turn_to(id, start);
            (kept.dropped_elsewhere, kept.dropped_noted) = (dropped, dropped);
            if let Some(utc_minus_session) = kept.progress.utc_minus_session {
                let clock = [Record::clock(at, utc_minus_session)];
                let done = self.inserter.insert(&mut open.db, id, &clock, &mut kept.progress).await;
                done.map_err(|e| Trouble::Open(from_sqlx(&open.file.path, &e)))?;
            }
        }
        self.kept = kept;
        let note = note_of(instead_of, left, &open.file.path);
        tracing::warn!(path = %open.file.path.display(), ?note, "the log goes on in a file that was just opened");
        self.queue.set_note(note);
        self.run_in(open);
        Ok(())
    }

    /// Sets numbers for further events aside, when it is time.
    async fn keep_numbers_reserved(&mut self) -> Result<(), Trouble> {
        let Some(until) = self.numbers.as_ref().and_then(EventNumbers::to_reserve) else { return Ok(()) };
        // Its own commit: not inside of one that is open.
        if self.begun {
            return Ok(());
        }
        self.gate()?;
        let Some(open) = &mut self.open else { return Err(Trouble::Gone) };
        reserve_numbers(&mut open.db, until).await?;
        self.numbers.iter().for_each(|n| n.reserved(until));
        Ok(())
    }

    async fn begin(&mut self) -> Result<(), Trouble> {
        if self.begun {
            return Ok(());
        }
        // A daemon's file was looked at before, by somebody who may wait for a dead mount.
        if self.reopener.is_none() && !self.open.as_ref().is_some_and(|o| o.file.is_in_place()) {
            return Err(Trouble::Gone);
        }
        self.statement("BEGIN IMMEDIATE").await?;
        self.begun = true;
        self.now = self.kept.clone();
        Ok(())
    }

    /// Inserts the records of the transaction from index `first` on.
    async fn insert_from(&mut self, first: usize) -> Result<(), Trouble> {
        if self.one_by_one {
            return self.insert_one_by_one(first).await;
        }
        let records = std::mem::take(&mut self.in_transaction);
        let done = self.insert_by_session(&records[first..]).await;
        self.in_transaction = records;
        done
    }

    async fn insert_by_session(&mut self, mut records: &[Record]) -> Result<(), Trouble> {
        while !records.is_empty() {
            let n = records.iter().position(Record::is_session).unwrap_or(records.len());
            let (now, later) = records.split_at(n.max(1));
            self.insert(now).await?;
            records = later;
        }
        Ok(())
    }

    /// Inserts records of one session, or turns to the session that the only one of them is.
    async fn insert(&mut self, records: &[Record]) -> Result<(), Trouble> {
        self.gate()?;
        if let [Record(Row::Session(begin))] = records {
            return self.turn_to(begin).await;
        }
        let Some(open) = &mut self.open else { return Err(Trouble::Gone) };
        // The first record of all is a session.
        let Some(session) = self.now.session else {
            return Err(Trouble::Refused(LogDamage::NoSessionYet));
        };
        Ok(self.inserter.insert(&mut open.db, session, records, &mut self.now.progress).await?)
    }

    /// Ends the session in the open transaction, and begins the next one.
    async fn turn_to(&mut self, begin: &SessionBegin) -> Result<(), Trouble> {
        self.note_session(Some(begin.start.started_at)).await?;
        let Some(open) = &mut self.open else { return Err(Trouble::Gone) };
        let id = insert_session(&mut open.db, &begin.start, begin.inherited.as_ref()).await?;
        self.now.turn_to(id, Arc::new(begin.start.clone()));
        self.now.turned += 1;
        Ok(())
    }

    async fn insert_one_by_one(&mut self, first: usize) -> Result<(), Trouble> {
        let records = self.in_transaction.split_off(first);
        for (i, record) in records.iter().enumerate() {
            match self.insert_alone(record).await {
                Ok(()) => self.in_transaction.push(record.clone()),
                Err(Trouble::Refused(why)) => {
                    tracing::warn!(at = %record.at(), ?why, "a record that the log's schema refuses was left out");
                    self.queue.refuse(record, self.now.turned);
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
        let before = self.now.clone();
        if let Err(trouble) = self.insert(std::slice::from_ref(record)).await {
            self.now = before;
            self.statement("ROLLBACK TO one").await?;
            self.statement("RELEASE one").await?;
            return Err(trouble);
        }
        self.statement("RELEASE one").await
    }

    async fn commit(&mut self, ended_at: Option<Timestamp>) -> Result<(), Trouble> {
        self.gate()?;
        self.note_session(ended_at).await?;
        self.statement("COMMIT").await?;
        self.begun = false;
        self.in_transaction.clear();
        self.now.turned = 0;
        self.kept = self.now.clone();
        let [frames, fixes, events] = self.kept.rows();
        let last_at = self.kept.progress.last_at_us.map(Timestamp::from_micros);
        self.queue.committed(Committed { frames, fixes, events, last_at });
        Ok(())
    }

    /// Writes the counters of the session, and its end.
    async fn note_session(&mut self, ended_at: Option<Timestamp>) -> Result<(), Trouble> {
        let (Some(open), Some(session)) = (&mut self.open, self.now.session) else { return Ok(()) };
        let all = self.queue.dropped(self.now.turned);
        self.now.dropped_noted = all;
        let dropped = [0, 1, 2].map(|i| signed(all[i].saturating_sub(self.now.dropped_elsewhere[i])));
        let progress = &self.now.progress;
        sqlx::query(
            "UPDATE session SET frames = ?, fixes = ?, events = ?, last_at_us = ?, dropped_frames = ?, \
             dropped_fixes = ?, dropped_events = ?, ended_at_us = ? WHERE id = ?",
        )
        .bind(signed(progress.frames))
        .bind(signed(progress.fixes))
        .bind(signed(progress.events))
        .bind(progress.last_at_us)
        .bind(dropped[0])
        .bind(dropped[1])
        .bind(dropped[2])
        .bind(ended_at.map(Timestamp::micros))
        .bind(session)
        .execute(&mut open.db)
        .await?;
        Ok(())
    }

    async fn statement(&mut self, sql: &'static str) -> Result<(), Trouble> {
        self.gate()?;
        let Some(open) = &mut self.open else { return Err(Trouble::Gone) };
        sqlx::query(sql).execute(&mut open.db).await?;
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
    async fn settle(&mut self, done: Result<(), Trouble>) -> Option<LogFault> {
        let trouble = match done {
            Ok(()) => {
                if self.ailing {
                    tracing::warn!(path = %self.path().display(), "the log can be written again");
                }
                self.ailing = false;
                self.queue.is_well();
                return None;
            }
            Err(trouble) => trouble,
        };
        if let Some(open) = &mut self.open {
            // Already rolled back by SQLite itself after some errors; then this one fails, and that is well.
            let _ = sqlx::query("ROLLBACK").execute(&mut open.db).await;
        }
        self.begun = false;
        self.one_by_one = matches!(trouble, Trouble::Refused(_));
        let lasting = trouble.is_of_the_file();
        let damaged = trouble.is_damage();
        let error = trouble.error(self.path());
        if let (Some(reopener), true) = (&mut self.reopener, damaged) {
            let open = self.open.as_ref().map(|o| o.file.path.clone());
            reopener.pass_over(&open.or_else(|| damaged_file(&error)).unwrap_or_default());
        }
        let back = std::mem::take(&mut self.in_transaction);
        self.queue.give_back(back, error.clone());
        if lasting && self.reopener.is_some() && self.open.is_some() {
            self.give_up_file(&error).await;
        } else if !self.one_by_one && !self.ailing {
            self.ailing = true;
            tracing::warn!(?error, "the log cannot be written; it is tried again every second");
        }
        Some(error)
    }

    /// Lets go of a file that is gone or damaged.
    async fn give_up_file(&mut self, error: &LogFault) {
        tracing::warn!(?error, "the log goes on in another file");
        let Some(Open { mut db, file }) = self.open.take() else { return };
        // A file that was only moved keeps what is still in its write-ahead log. This must be over before another one takes
        // its name: the write-ahead log goes by that.
        let _ = sqlx::query("PRAGMA wal_checkpoint(TRUNCATE)").execute(&mut db).await;
        let _ = db.close().await;
        drop(file);
    }

    fn path(&self) -> PathBuf {
        let reopener = || self.reopener.as_ref().map(|h| h.path().to_owned());
        self.open.as_ref().map(|o| o.file.path.clone()).or_else(reopener).unwrap_or_default()
    }

    /// The end of the session: everything out, the stamp in, the file closed.
    async fn end(mut self, ending: Ending) -> Result<WriterStats, LogFault> {
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
            if left > 0 && !self.one_by_one && !self.has_given_up_its_file() {
                tokio::time::sleep(LAST_PAUSE).await;
            }
        }
        if let Some(Open { mut db, .. }) = self.open.take() {
            // Both are courtesies: a file that is not folded together opens as well.
            let _ = sqlx::query("PRAGMA wal_checkpoint(TRUNCATE)").execute(&mut db).await;
            let _ = db.close().await;
        }
        match failure {
            None => Ok(self.queue.stats()),
            Some(cause) => Err(unwritten(&self.queue, cause)),
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
    /// No file could be opened.
    Open(LogFault),
    /// The schema does not allow this record.
    Refused(LogDamage),
    /// The disk, a lock, anything that may pass.
    Sql(sqlx::Error),
}

impl From<sqlx::Error> for Trouble {
    fn from(e: sqlx::Error) -> Trouble {
        // SQLITE_CONSTRAINT_CHECK, _NOTNULL, _PRIMARYKEY, _UNIQUE, _DATATYPE and SQLITE_MISMATCH are about the
        // record's own values (codes: https://www.sqlite.org/rescode.html).
        match sqlite_code(&e) {
            Some(275 | 1299 | 1555 | 2067 | 3091 | 20) => {
                tracing::debug!(error = %e, "the schema refuses a record");
                Trouble::Refused(LogDamage::Refused(SqliteFault { code: sqlite_code(&e) }))
            }
            _ => Trouble::Sql(e),
        }
    }
}

impl Trouble {
    /// Whether this file will not be well again by waiting: it is gone, or SQLITE_CORRUPT or SQLITE_NOTADB.
    fn is_of_the_file(&self) -> bool {
        match self {
            Trouble::Gone => true,
            Trouble::Sql(e) => sqlite_code(e).is_some_and(|c| matches!(c & 0xff, 11 | 26)),
            Trouble::Open(_) | Trouble::Refused(_) => false,
        }
    }

    /// Whether another file must take its place.
    fn is_damage(&self) -> bool {
        match self {
            Trouble::Gone | Trouble::Refused(_) => false,
            Trouble::Open(e) => damaged_file(e).is_some(),
            Trouble::Sql(_) => self.is_of_the_file(),
        }
    }

    fn error(self, path: PathBuf) -> LogFault {
        match self {
            Trouble::Gone => LogFault::Gone { path },
            Trouble::Open(e) => e,
            Trouble::Refused(damage) => LogFault::Damaged { path, damage },
            Trouble::Sql(e) => from_sqlx(&path, &e),
        }
    }
}

#[cfg(test)]
mod tests;
