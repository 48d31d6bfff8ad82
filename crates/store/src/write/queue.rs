//! The bounded queue between the engine and the writer's task, and the figures about it.
//!
//! A push takes a short lock and never waits for the disk. Records that the writer has taken but not committed
//! still count against the capacity, because the writer keeps them until they are safe: memory is bounded by
//! `capacity` records whatever the disk does. When it is full, the oldest record that is still waiting goes; events,
//! which are few and are acted on, go only when nothing else is left.

use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use hereabout_core::{LogFault, LogNote, LogProblem, Timestamp};
use tokio::sync::Notify;

use crate::write::record::{Record, Row};

/// Figures about a log, over all sessions of one writer. Cheap to take; a snapshot of one instant.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct WriterStats {
    /// Frames that are committed.
    pub written_frames: u64,
    /// Position reports that are committed.
    pub written_fixes: u64,
    /// Events that are committed.
    pub written_events: u64,
    /// Records that wait, or are in a transaction that is not committed yet.
    pub queued: usize,
    /// Frames lost: pushed out of a full queue, refused by the schema, or unwritten at the end.
    pub dropped_frames: u64,
    /// Position reports lost, likewise.
    pub dropped_fixes: u64,
    /// Events lost, likewise.
    pub dropped_events: u64,
    /// Transactions of records that were committed.
    pub commits: u64,
    /// Stamp of the newest record that is committed (data time, the writer reads no clock).
    pub last_commit_at: Option<Timestamp>,
    /// What is wrong just now; `None` when the last write succeeded.
    pub last_error: Option<LogProblem>,
    /// The file that is written; `None` until one could be opened.
    pub path: Option<PathBuf>,
    /// Why that is another file than the one that was asked for, or where rows of it are.
    pub note: Option<LogNote>,
    /// Size of the write-ahead log when it is far larger than it should be, bytes: another program reads the log and does
    /// not let go.
    pub overgrown_wal: Option<u64>,
}

impl WriterStats {
    /// All records lost so far.
    pub fn dropped(&self) -> u64 {
        self.dropped_frames + self.dropped_fixes + self.dropped_events
    }

    pub(crate) fn count_dropped(&mut self, record: &Record) {
        match kind_of(record) {
            Some(0) => self.dropped_frames += 1,
            Some(1) => self.dropped_fixes += 1,
            Some(_) => self.dropped_events += 1,
            // The event about it is counted.
            None => {}
        }
    }
}

/// Frame, fix or event: 0, 1, 2.
fn kind_of(record: &Record) -> Option<usize> {
    match record.0 {
        Row::Frame(_) => Some(0),
        Row::Fix(_) => Some(1),
        Row::Event(_) => Some(2),
        Row::Clock(..) | Row::Session(_) => None,
    }
}

/// A disk that takes longer than this is reported.
const SLOW: Duration = Duration::from_secs(5);
/// Sessions that wait to begin; beyond that the oldest of them goes, with its records.
const MAX_SESSIONS: usize = 32;

/// What a commit made safe.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Committed {
    pub(crate) frames: u64,
    pub(crate) fixes: u64,
    pub(crate) events: u64,
    pub(crate) last_at: Option<Timestamp>,
}

/// How the session is to end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Ending {
    /// `finish` was called with this stamp.
    Finished(Timestamp),
    /// The writer's handle was dropped: write what there is, and leave the end open.
    Abandoned,
}

#[derive(Debug, Default)]
struct State {
    waiting: VecDeque<Record>,
    in_flight: usize,
    /// Frames, fixes and events among them.
    in_flight_rows: [u64; 3],
    /// Sessions that begin among them.
    in_flight_sessions: usize,
    /// What was dropped of each session: the one that is committed, then those that have not begun yet.
    dropped: VecDeque<[u64; 3]>,
    /// An event waits that wants to be safe now.
    prompt: bool,
    dropping: bool,
    ending: Option<Ending>,
    /// Since when the writer waits for the disk.
    busy_since: Option<Instant>,
    stats: WriterStats,
}

impl State {
    /// Makes room for one. The writer takes at most half of the capacity, so there is one to push out.
    fn drop_oldest(&mut self) {
        let oldest = |of: fn(&Record) -> bool| self.waiting.iter().position(of);
        let victim = oldest(Record::is_one_of_many).or_else(|| oldest(Record::is_event)).unwrap_or(0);
        let sessions = self.waiting.iter().take(victim).filter(|r| r.is_session()).count();
        if let Some(dropped) = self.waiting.remove(victim) {
            let session = self.in_flight_sessions + sessions;
            self.count_dropped(&dropped, session);
        }
    }

    /// Counts a record that is lost, of the session that is so many after the committed one.
    fn count_dropped(&mut self, record: &Record, session: usize) {
        self.stats.count_dropped(record);
        if let (Some(kind), Some(of_session)) = (kind_of(record), self.dropped.get_mut(session)) {
            of_session[kind] += 1;
        }
    }

    /// Drops the first session that waits, up to the next one.
    fn drop_oldest_session(&mut self) {
        let mut sessions = self.waiting.iter().enumerate().filter(|(_, r)| r.is_session()).map(|(i, _)| i);
        let (Some(first), Some(next)) = (sessions.next(), sessions.next()) else { return };
        let dropped: Vec<Record> = self.waiting.drain(first..next).collect();
        dropped.iter().for_each(|r| self.stats.count_dropped(r));
        self.dropped.remove(self.in_flight_sessions + 1);
    }
}

/// Shared by the pushing side and the writer's task.
#[derive(Debug)]
pub(crate) struct Queue {
    state: Mutex<State>,
    capacity: usize,
    /// With this many records waiting it pays to write some before the second is over.
    chunk: usize,
    work: Notify,
    room: Notify,
}

impl Queue {
    pub(crate) fn new(capacity: usize, chunk: usize) -> Queue {
        let state = State { dropped: VecDeque::from([[0; 3]]), ..State::default() };
        Queue { state: Mutex::new(state), capacity, chunk, work: Notify::new(), room: Notify::new() }
    }

    /// Adds a record; pushes the oldest waiting one out when there is no room. An event is to be committed at once.
    pub(crate) fn push(&self, record: Record) {
        let mut s = self.lock();
        s.prompt |= record.is_event();
        if record.is_session() && s.waiting.iter().filter(|r| r.is_session()).count() >= MAX_SESSIONS {
            s.drop_oldest_session();
        }
        if record.is_session() {
            s.dropped.push_back([0; 3]);
        }
        if s.waiting.len() + s.in_flight >= self.capacity {
            s.drop_oldest();
            if !s.dropping {
                s.dropping = true;
                tracing::warn!(
                    capacity = self.capacity,
                    "the log's queue is full: its oldest records are being dropped"
                );
            }
        }
        s.waiting.push_back(record);
        self.announce(s);
    }

    /// Adds a record as soon as there is room for it.
    pub(crate) async fn push_wait(&self, record: Record) {
        loop {
            // Registered before the look at the queue, so that no wake-up falls in between.
            let room = self.room.notified();
            {
                let mut s = self.lock();
                if s.waiting.len() + s.in_flight < self.capacity {
                    s.waiting.push_back(record);
                    return self.announce(s);
                }
            }
            room.await;
        }
    }

    fn announce(&self, s: MutexGuard<'_, State>) {
        let enough = s.prompt || s.waiting.len() == self.chunk;
        drop(s);
        if enough {
            self.work.notify_one();
        }
    }

    /// Ends once there may be a chunk of work, or the session is to end.
    pub(crate) async fn work(&self) {
        self.work.notified().await;
    }

    /// Whether something wants to be committed now; asked once.
    pub(crate) fn take_prompt(&self) -> bool {
        std::mem::take(&mut self.lock().prompt)
    }

    pub(crate) fn close(&self, ending: Ending) {
        self.lock().ending.get_or_insert(ending);
        self.work.notify_one();
    }

    pub(crate) fn ending(&self) -> Option<Ending> {
        self.lock().ending
    }

    /// Moves up to `most` records into the hands of the writer; none when fewer than `least` wait.
    pub(crate) fn take(&self, least: usize, most: usize) -> Vec<Record> {
        let mut s = self.lock();
        let n = s.waiting.len().min(most);
        if n < least {
            return Vec::new();
        }
        s.in_flight += n;
        let taken: Vec<Record> = s.waiting.drain(..n).collect();
        s.in_flight_sessions += taken.iter().filter(|r| r.is_session()).count();
        for record in &taken {
            if let Some(kind) = kind_of(record) {
                s.in_flight_rows[kind] += 1;
            }
        }
        taken
    }

    /// The transaction that held all records in flight is safe.
    pub(crate) fn committed(&self, now: Committed) {
        let mut s = self.lock();
        (s.in_flight, s.in_flight_rows) = (0, [0; 3]);
        let begun = std::mem::take(&mut s.in_flight_sessions);
        s.dropped.drain(..begun);
        s.dropping = false;
        s.stats.written_frames = now.frames;
        s.stats.written_fixes = now.fixes;
        s.stats.written_events = now.events;
        s.stats.last_commit_at = now.last_at;
        s.stats.commits += 1;
        drop(s);
        self.room.notify_waiters();
    }

    /// The last round did what it should.
    pub(crate) fn is_well(&self) {
        self.lock().stats.last_error = None;
    }

    /// The file that is written from now on.
    pub(crate) fn set_path(&self, path: PathBuf) {
        self.lock().stats.path = Some(path);
    }

    /// Why it is another one than it should be.
    pub(crate) fn set_note(&self, note: Option<LogNote>) {
        self.lock().stats.note = note;
    }

    /// See [`WriterStats::overgrown_wal`].
    pub(crate) fn set_overgrown_wal(&self, bytes: Option<u64>) {
        self.lock().stats.overgrown_wal = bytes;
    }

    /// The writer begins to wait for the disk, or is done.
    pub(crate) fn set_busy(&self, busy: bool) {
        self.lock().busy_since = busy.then(Instant::now);
    }

    /// Frames, fixes and events that were dropped so far of the session that is so many after the committed one.
    pub(crate) fn dropped(&self, session: usize) -> [u64; 3] {
        self.lock().dropped.get(session).copied().unwrap_or_default()
    }

    /// The transaction failed: its records wait again, before the others.
    pub(crate) fn give_back(&self, records: Vec<Record>, fault: LogFault) {
        let mut s = self.lock();
        (s.in_flight, s.in_flight_rows, s.in_flight_sessions) = (0, [0; 3], 0);
        s.stats.last_error = Some(LogProblem::Failed(fault));
        for record in records.into_iter().rev() {
            s.waiting.push_front(record);
        }
    }

    /// One record of those in flight cannot be written, ever. It is of the session that is so many after the committed one.
    pub(crate) fn refuse(&self, record: &Record, session: usize) {
        let mut s = self.lock();
        if record.is_session() {
            // What follows is of the session before.
            s.in_flight_sessions = s.in_flight_sessions.saturating_sub(1);
            s.dropped.remove(session + 1);
        }
        s.in_flight = s.in_flight.saturating_sub(1);
        if let Some(kind) = kind_of(record) {
            s.in_flight_rows[kind] = s.in_flight_rows[kind].saturating_sub(1);
        }
        s.count_dropped(record, session);
    }

    /// Gives up on everything that waits or is not committed. Returns frames, fixes and events lost by that.
    pub(crate) fn give_up(&self) -> [u64; 3] {
        let mut s = self.lock();
        let before = [s.stats.dropped_frames, s.stats.dropped_fixes, s.stats.dropped_events];
        while let Some(record) = s.waiting.pop_front() {
            s.stats.count_dropped(&record);
        }
        let [frames, fixes, events] = std::mem::take(&mut s.in_flight_rows);
        s.stats.dropped_frames += frames;
        s.stats.dropped_fixes += fixes;
        s.stats.dropped_events += events;
        s.in_flight = 0;
        [
            s.stats.dropped_frames - before[0],
            s.stats.dropped_fixes - before[1],
            s.stats.dropped_events - before[2],
        ]
    }

    pub(crate) fn stats(&self) -> WriterStats {
        let s = self.lock();
        let slow = s.busy_since.map(|since| since.elapsed()).filter(|busy| *busy >= SLOW);
        let slow = slow.map(|busy| LogProblem::Slow { waited_s: busy.as_secs() });
        let last_error = s.stats.last_error.clone().or(slow);
        WriterStats { queued: s.waiting.len() + s.in_flight, last_error, ..s.stats.clone() }
    }

    /// Nothing that holds this lock can leave the state half changed, so a poisoned one is as good.
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests;
