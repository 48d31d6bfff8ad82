//! The one loop of the daemon: what `ingest` heard goes through decoder and engine, and what comes of
//! it goes to the hub (HTTP, WebSocket) and to the log.
//!
//! Time comes only through the channel: `ingest` stamps bytes and ticks in one task, in order. So the
//! engine sees here exactly what a replay of the log will see.
//!
//! **One owner of time.** Every message of the channel moves the engine's time before anything else, bytes without a
//! frame too, so that no deadline starves. The engine's time is a steady scale; a change of the wall clock is a message as well, and
//! maps that scale to UTC for what is published from then on (a row in the log, an event).
//!
//! A link that falls away or comes back ends the half of a frame that the decoder holds.
//!
//! A new calibration ([`Change`]) is put in between two messages of the channel: the engine is brought up to the
//! newest stamp and speaks its last, the log's session ends there, and an engine of the new configuration goes on from what
//! the one before hands on, with a session of its own, in whose first rows all that stands. So every session replays by
//! itself to what was published. Decoder and stream (pace, clock, frames of before) stay, and what comes meanwhile
//! waits in the channel: no frame is lost.
//!
//! What happens becomes events here. With a log they go to its writer, which numbers them as it makes them safe and tells
//! the hub then ([`event_sink`]); without one the hub counts them. Positions, zones and anchors don't wait for that.
//!
//! A log that can't begin the next session is tried again every few seconds. Until then events wait here without a
//! number, in a bounded queue, and ranges and positions are counted as lost.

use std::collections::VecDeque;
use std::path::Path;
use std::time::Duration;

use hereabout_api::v1::{EventDraft, LostWhat};
use hereabout_api::{
    ClockStatus, DecoderCounts, Hub, LinkState as ApiLink, LinkStatus as ApiLinkStatus, LogStatus,
};
use hereabout_core::{Micros, Timestamp};
use hereabout_engine::{Engine, Input, KitWatch, LinkCounts, Output, StartState};
use hereabout_ingest::{Chunk, ClockChange, Feed, LinkState, LinkStatus};
use hereabout_store::{
    EventSink, Record, SessionStart, SessionWriter, Store, StoreError, WriterOptions, WriterStats,
};
use hereabout_wire::{Arrival, Decoder};
use tokio::sync::mpsc::Receiver;
use tokio::sync::{oneshot, watch};

use crate::adapter::Adapter;
use crate::losses::Losses;
use crate::site_file::SiteFile;

/// Counters go to the hub this often.
const TELL_COUNTS_EVERY: Micros = Micros::from_millis(500);

/// A log that could not go on is tried again this often.
const TRY_LOG_EVERY: Duration = Duration::from_secs(2);
/// Events that wait for such a log.
const MOST_WAITING: usize = 4096;

/// Where the log stands.
enum Log {
    /// None is kept.
    None,
    /// It is written; with the file as people know it.
    Open(SessionWriter, String),
    /// It could not go on.
    Broken(Broken),
}

/// A log that is being tried again.
struct Broken {
    path: String,
    problem: String,
    waiting: VecDeque<Record>,
    coming: oneshot::Receiver<SessionWriter>,
}

/// Decoder, engine and where their output goes.
pub struct Pump {
    decoder: Decoder,
    engine: Engine,
    hub: Hub,
    log: Log,
    /// Rows of the sessions before this one: written, dropped.
    rows_before: (u64, u64),
    /// The source as people wrote it, for further sessions.
    source: String,
    bytes: u64,
    out_of_order: u64,
    too_many_tags: u64,
    losses: Losses,
    adapter: Adapter,
    /// Sees what the engine can't: that no byte comes, that frames arrive damaged. A replay has no bytes to see it from.
    kit: KitWatch,
    link_is_up: bool,
    utc_minus_session: Micros,
    /// When the wall clock was last changed, UTC.
    changed_at: Option<Timestamp>,
    /// Whether the system says that its clock is synchronised; `None` when it does not say.
    synchronised: watch::Receiver<Option<bool>>,
    started_at: Timestamp,
    newest: Option<Timestamp>,
    told_at: Option<Timestamp>,
}

/// A site that takes over while the daemon runs.
pub struct Change {
    /// The site with its calibration; its `[frame]` is there.
    pub site: Box<SiteFile>,
    /// What the event about the change says.
    pub what: Changed,
    /// Told when it is in force.
    pub done: oneshot::Sender<()>,
}

/// What a change is about, and how it came, as a part of a sentence.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Changed {
    /// The site file.
    Configuration(&'static str),
    /// Offsets alone.
    Calibration(&'static str),
}

/// What is left when the channel has closed.
pub struct Drained {
    /// The log's writer, to be finished.
    pub log: Option<SessionWriter>,
    /// Stamp of the last thing that was heard, the end of the session.
    pub newest: Option<Timestamp>,
}

impl Pump {
    /// A pump that has moved nothing yet. `log` comes with the file's name as people know it, `source` is for
    /// further sessions in it. The daemon's start is an event.
    pub fn new(
        decoder: Decoder,
        engine: Engine,
        hub: Hub,
        log: Option<(SessionWriter, String)>,
        source: String,
        started_at: Timestamp,
        synchronised: watch::Receiver<Option<bool>>,
    ) -> Pump {
        Pump {
            decoder,
            engine,
            hub,
            log: log.map_or(Log::None, |(writer, path)| Log::Open(writer, path)),
            rows_before: (0, 0),
            source,
            bytes: 0,
            out_of_order: 0,
            too_many_tags: 0,
            losses: Losses::default(),
            adapter: Adapter::default(),
            kit: KitWatch::new(),
            link_is_up: false,
            started_at,
            utc_minus_session: Micros::ZERO,
            changed_at: None,
            synchronised,
            newest: None,
            told_at: None,
        }
    }

    /// Takes everything from the channel until it closes, and changes in between.
    pub async fn run(mut self, mut feed: Receiver<Feed>, mut changes: Receiver<Change>) -> Drained {
        let mut more_changes = true;
        let version = env!("CARGO_PKG_VERSION");
        self.event(&EventDraft::start(self.started_at, version, self.engine.site().name()));
        loop {
            tokio::select! {
                item = feed.recv() => match item {
                    Some(item) => self.take(item),
                    None => break,
                },
                change = changes.recv(), if more_changes => match change {
                    Some(change) => self.change(change).await,
                    None => more_changes = false,
                },
                writer = mended(&mut self.log) => self.go_on_with(writer),
            }
        }
        self.tell_counts();
        let at = self.newest.unwrap_or(self.started_at);
        self.tell_losses(at, true);
        self.event(&EventDraft::stop(self.utc(at)));
        let log = match self.log {
            Log::Open(writer, _) => Some(writer),
            Log::None => None,
            Log::Broken(broken) => {
                eprintln!(
                    "{} events of the last session were not logged: {}",
                    broken.waiting.len(),
                    broken.problem
                );
                None
            }
        };
        Drained { log, newest: self.newest }
    }

    async fn change(&mut self, change: Change) {
        let Change { site, what, done } = change;
        let Some(frame) = site.frame.clone() else { return };
        // Deadlines up to now belong to the engine of before, as they will in a replay.
        let start = self.engine.hand_on(self.newest.unwrap_or(self.started_at));
        self.publish();
        self.change_session(&site, &start).await;
        self.event(&match what {
            Changed::Configuration(how) => EventDraft::configuration(self.utc(start.at), how),
            Changed::Calibration(how) => EventDraft::calibration(self.utc(start.at), how),
        });
        self.log_clock(start.at);
        let next = Engine::begin(site.site.clone(), Some(frame), &start);
        let mut before = std::mem::replace(&mut self.engine, next);
        self.engine.take_over_stream(&mut before);
        self.hub.set_site((&site.site).into());
        self.publish();
        // Nobody may be waiting any more.
        let _ = done.send(());
    }

    /// Ends the session at `at` and begins another one in the same file. A log that can't go on is told in the
    /// status and tried again; positions go on without it.
    async fn change_session(&mut self, site: &SiteFile, inherited: &StartState) {
        let at = inherited.at;
        let start = SessionStart {
            started_at: at,
            site_text: site.text.clone(),
            calibration_text: site.calibration_text.clone(),
            frame_layout: site.frame_text.clone().unwrap_or_default(),
            source: self.source.clone(),
            program_version: env!("CARGO_PKG_VERSION").to_owned(),
        };
        match std::mem::replace(&mut self.log, Log::None) {
            Log::None => {}
            Log::Open(writer, path) => {
                let hub = self.hub.clone();
                let next = Next { start: start.clone(), inherited: Some(inherited.clone()) };
                match begin_again(writer, path.clone(), at, next, hub).await {
                    Ok((stats, writer)) => {
                        let (written, dropped) = rows(&stats);
                        self.rows_before = (self.rows_before.0 + written, self.rows_before.1 + dropped);
                        self.log = Log::Open(writer, path);
                    }
                    Err(e) => self.break_log(path, start, VecDeque::new(), &e),
                }
            }
            // The trials go on for the session that is now.
            Log::Broken(Broken { path, problem, waiting, .. }) => {
                let coming = try_again(path.clone(), start, self.hub.clone());
                self.log = Log::Broken(Broken { path, problem, waiting, coming });
            }
        }
    }

    fn break_log(&mut self, path: String, start: SessionStart, waiting: VecDeque<Record>, e: &StoreError) {
        eprintln!("the log can't go on, and is tried again: {e}");
        if let StoreError::Unwritten { frames, fixes, events, .. } = e {
            self.rows_before.1 += frames + fixes + events;
        }
        let problem = format!("nothing is logged just now, and events wait for it: {e}");
        let coming = try_again(path.clone(), start, self.hub.clone());
        self.log = Log::Broken(Broken { path, problem, waiting, coming });
    }

    /// The log can be written again: what waited comes first.
    fn go_on_with(&mut self, writer: SessionWriter) {
        if let Log::Broken(broken) = std::mem::replace(&mut self.log, Log::None) {
            eprintln!("the log goes on");
            broken.waiting.into_iter().for_each(|record| writer.push(record));
            self.log = Log::Open(writer, broken.path);
            self.log_clock(self.newest.unwrap_or(self.started_at));
        }
    }

    /// Hands a record to the log, if there is one.
    fn log(&mut self, record: Record) {
        match &mut self.log {
            Log::None => {}
            Log::Open(writer, _) => writer.push(record),
            Log::Broken(broken) if record.is_event() => {
                if broken.waiting.len() >= MOST_WAITING {
                    broken.waiting.pop_front();
                    self.rows_before.1 += 1;
                }
                broken.waiting.push_back(record);
            }
            Log::Broken(_) => self.rows_before.1 += 1,
        }
    }

    fn take(&mut self, item: Feed) {
        let at = item.at();
        self.newest = Some(at);
        // Whatever comes, time has come so far: bytes without a frame, too, keep no deadline waiting.
        self.engine.handle(Input::Tick(at));
        self.publish();
        // Nothing comes after the end that could tell the last counts.
        let ended = matches!(item, Feed::End(_));
        match item {
            Feed::Bytes(chunk) => self.take_bytes(&chunk),
            Feed::Tick(_) => {}
            // The last line of a file need not have an end.
            Feed::End(_) => {
                self.decoder.finish();
                self.take_frames();
            }
            Feed::Link(link) => {
                // Half a frame ends with the link: the other half would be another frame's.
                self.decoder.cut();
                self.engine.handle(Input::LinkChanged(at));
                self.take_link(&link);
            }
            Feed::Clock(change) => self.take_clock(&change),
        }
        if ended || self.told_at.is_none_or(|told| at.since(told) >= TELL_COUNTS_EVERY) {
            self.told_at = Some(at);
            self.tell_counts();
            self.hub.alive(at);
            self.tell_clock();
            self.watch_link(at);
            self.tell_losses(at, false);
            self.hub.set_adapter_note(self.adapter.look(at, self.decoder.counts().frames_good));
        }
    }

    fn take_bytes(&mut self, chunk: &Chunk) {
        self.bytes += chunk.bytes.len() as u64;
        let arrival = Arrival { at: chunk.received_at, empty_at: chunk.empty_at };
        let mut rest = &chunk.bytes[..];
        while !rest.is_empty() {
            let taken = self.decoder.push_arrived(arrival, rest);
            rest = &rest[taken..];
            self.take_frames();
        }
    }

    fn take_frames(&mut self) {
        while let Some(frame) = self.decoder.next_frame() {
            self.engine.handle(Input::Frame(&frame));
            self.publish();
        }
    }

    /// The wall clock was changed. The engine's time is a steady one and knows nothing of it; what is published, and
    /// the stamps of events, map to UTC from here on.
    fn take_clock(&mut self, change: &ClockChange) {
        let by = change.utc_minus_session.micros().saturating_sub(self.utc_minus_session.micros());
        let by = Micros::from_micros(by);
        if by == Micros::ZERO {
            return;
        }
        self.utc_minus_session = change.utc_minus_session;
        self.log_clock(change.at);
        self.changed_at = Some(self.utc(change.at));
        self.tell_clock();
        let at = self.utc(change.at);
        self.event(&EventDraft::clock(at, by, change.utc_minus_session, self.synchronised()));
    }

    /// Where an instant of the session's time scale lies in UTC.
    fn utc(&self, at: Timestamp) -> Timestamp {
        at.plus(self.utc_minus_session)
    }

    /// The log keeps how its stamps map to UTC.
    fn log_clock(&mut self, at: Timestamp) {
        if self.utc_minus_session != Micros::ZERO {
            self.log(Record::clock(at, self.utc_minus_session));
        }
    }

    fn synchronised(&self) -> Option<bool> {
        *self.synchronised.borrow()
    }

    fn tell_clock(&self) {
        self.hub.set_clock(ClockStatus {
            utc_minus_session: self.utc_minus_session,
            changed_at: self.changed_at.unwrap_or(self.started_at),
            synchronised: self.synchronised(),
        });
    }

    fn take_link(&mut self, link: &LinkState) {
        self.adapter.link(&link.status);
        let (state, reason) = match &link.status {
            LinkStatus::Connected { .. } => (ApiLink::Connected, None),
            LinkStatus::Waiting { reason } => {
                (ApiLink::Waiting, Some(format!("{reason}: {}", reason.advice())))
            }
        };
        self.link_is_up = state == ApiLink::Connected;
        let event = EventDraft::link(self.utc(link.at), reason.as_deref());
        if self.hub.set_link(ApiLinkStatus { state, reason, since: link.at }) {
            self.event(&event);
        }
    }

    /// Hands on everything that the engine has to say.
    fn publish(&mut self) {
        while let Some(output) = self.engine.poll_output() {
            self.publish_output(&output);
        }
    }

    /// Hands on one thing that was said, by the engine or by whoever watches the kit as a whole.
    fn publish_output(&mut self, output: &Output) {
        match output {
            Output::OutOfOrder { .. } => self.out_of_order += 1,
            Output::TooManyTags { .. } => self.too_many_tags += 1,
            _ => {}
        }
        self.hub.publish(output);
        if let Some(record) = Record::from_output(output) {
            self.log(record);
        }
        let event = EventDraft::from_output(&output.shifted(self.utc_minus_session), self.engine.site());
        if let Some(event) = event {
            self.event(&event);
        }
    }

    /// An event, with its instant in UTC.
    fn event(&mut self, event: &EventDraft) {
        match self.log {
            Log::None => self.hub.count_event(event),
            _ => self.log(Record::event(event.at, event.kind.name(), &event.detail)),
        }
    }

    fn watch_link(&mut self, at: Timestamp) {
        let counts = self.decoder.counts();
        let counts = LinkCounts {
            bytes: self.bytes,
            frames: counts.frames_good,
            bad_checksum: counts.bad_checksum,
            skipped_bytes: counts.skipped_bytes,
        };
        for change in self.kit.feed(at, self.link_is_up, counts) {
            self.publish_output(&Output::KitChanged(change));
        }
        self.hub.set_link_findings(self.kit.findings());
    }

    /// Events about what was lost, as far as they are due; at the `last` of all.
    fn tell_losses(&mut self, at: Timestamp, last: bool) {
        // While the log fails its events wait anyhow, and more may be lost.
        let (log_is_well, dropped) = match &self.log {
            Log::Open(writer, _) => {
                let stats = writer.stats();
                (stats.last_error.is_none(), stats.dropped())
            }
            Log::None => (true, 0),
            Log::Broken(_) => (false, 0),
        };
        let rows = self.rows_before.1 + dropped;
        let totals = [
            (LostWhat::LogRows, if log_is_well || last { rows } else { 0 }),
            (LostWhat::OutOfOrder, self.out_of_order),
            (LostWhat::TooManyTags, self.too_many_tags),
            (LostWhat::DamagedFrames, self.decoder.counts().bad_checksum),
        ];
        for (what, total) in totals {
            if let Some(event) = self.losses.tell(at, what, total, last) {
                self.event(&EventDraft { at: self.utc(event.at), ..event });
            }
        }
    }

    fn tell_counts(&self) {
        let counts = self.decoder.counts();
        self.hub.set_decoder_counts(DecoderCounts {
            bytes: self.bytes,
            frames: counts.frames_good,
            bad_checksum: counts.bad_checksum,
            skipped_bytes: counts.skipped_bytes,
        });
        match &self.log {
            Log::None => {}
            Log::Open(writer, path) => self.hub.set_log(log_status(writer, path, self.rows_before)),
            Log::Broken(Broken { path, problem, .. }) => self.hub.set_log(LogStatus {
                path: path.clone(),
                rows_written: self.rows_before.0,
                rows_dropped: self.rows_before.1,
                problem: Some(problem.clone()),
            }),
        }
    }
}

/// The writer of a broken log that can be written again; never of another one.
async fn mended(log: &mut Log) -> SessionWriter {
    if let Log::Broken(broken) = log
        && let Ok(writer) = (&mut broken.coming).await
    {
        return writer;
    }
    std::future::pending().await
}

/// A session that is to begin.
struct Next {
    start: SessionStart,
    inherited: Option<StartState>,
}

/// Ends one session and begins the next one. On a thread of its own, because what opens a file cannot be moved
/// between threads while it waits.
async fn begin_again(
    writer: SessionWriter,
    path: String,
    at: Timestamp,
    next: Next,
    hub: Hub,
) -> Result<(WriterStats, SessionWriter), StoreError> {
    let runtime = tokio::runtime::Handle::current();
    let stopped = StoreError::WriterStopped { path: path.clone().into() };
    let work = move || {
        runtime.block_on(async move {
            let stats = writer.finish(at).await?;
            Ok((stats, begin(&path, next, hub).await?))
        })
    };
    tokio::task::spawn_blocking(work).await.unwrap_or(Err(stopped))
}

/// Opens the log and begins a session whose events go on after those that the hub has.
async fn begin(path: &str, next: Next, hub: Hub) -> Result<SessionWriter, StoreError> {
    let mut store = Store::open(path).await?;
    store.number_events_after(hub.newest_event());
    if let Some(inherited) = next.inherited {
        store.inherit(inherited);
    }
    store.begin_session_with(next.start, WriterOptions::default(), Some(event_sink(hub))).await
}

/// Tries to begin a session until it succeeds or nobody wants it any more. A log that was moved away is waited for:
/// another file in its place would begin with other numbers.
fn try_again(path: String, start: SessionStart, hub: Hub) -> oneshot::Receiver<SessionWriter> {
    let (mut done, coming) = oneshot::channel();
    let runtime = tokio::runtime::Handle::current();
    tokio::spawn(async move {
        while !done.is_closed() {
            tokio::select! {
                () = tokio::time::sleep(TRY_LOG_EVERY) => {}
                () = done.closed() => return,
            }
            if !Path::new(&path).is_file() {
                continue;
            }
            let (runtime, path, start, hub) = (runtime.clone(), path.clone(), start.clone(), hub.clone());
            // What came meanwhile is not in the file: a session that begins late inherits nothing.
            let next = Next { start, inherited: None };
            let work = move || runtime.block_on(async move { begin(&path, next, hub).await });
            if let Ok(Ok(writer)) = tokio::task::spawn_blocking(work).await {
                // Nobody may want it any more; then it ends as a session that was cut off.
                let _ = done.send(writer);
                return;
            }
        }
    });
    coming
}

/// Takes events to the hub as soon as the log has them safe.
pub fn event_sink(hub: Hub) -> EventSink {
    Box::new(move |event| hub.publish_event(event.seq, event.at, &event.kind, &event.detail))
}

/// Rows of a session: written, dropped.
fn rows(stats: &WriterStats) -> (u64, u64) {
    (
        stats.written_frames + stats.written_fixes + stats.written_events,
        stats.dropped_frames + stats.dropped_fixes + stats.dropped_events,
    )
}

fn log_status(log: &SessionWriter, path: &str, before: (u64, u64)) -> LogStatus {
    let stats = log.stats();
    let (written, dropped) = rows(&stats);
    LogStatus {
        path: path.to_owned(),
        rows_written: before.0 + written,
        rows_dropped: before.1 + dropped,
        problem: stats.last_error,
    }
}
