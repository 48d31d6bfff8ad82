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
//! A new calibration ([`SiteUpdate`]) is put in between two messages of the channel: the engine is brought up to the
//! newest stamp and speaks its last, the log's session ends there, and an engine of the new configuration goes on from what
//! the one before hands on, with a session of its own, in whose first rows all that stands. So every session replays by
//! itself to what was published. Decoder and stream (pace, clock, frames of before) stay, and what comes meanwhile
//! waits in the channel: no frame is lost.
//!
//! What happens becomes events here. They get their number and are reported at once, whatever the log does; it has them as soon
//! as it can. Nothing here waits for the disk.

use hereabout_api::v1::{EventDraft, LostWhat, RunBefore};
use hereabout_api::{ClockStatus, Connectivity, Hub, LinkView, LogStatus};
use hereabout_core::{AnchorId, LinkCounts, LogProblem, Micros, Timestamp};
use hereabout_engine::{Engine, Input, KitWatch, Output, StartState};
use hereabout_ingest::{Chunk, ClockChange, Feed, LinkState, LinkStatus};
use hereabout_store::{EventNumbers, Record, SessionStart, SessionWriter, WriterStats};
use hereabout_wire::{Arrival, Decoder};
use hereabout_words::link::{advice, words};
use hereabout_words::{Said, log};
use tokio::sync::mpsc::Receiver;
use tokio::sync::{oneshot, watch};

use crate::daemon::adapter::Adapter;
use crate::daemon::losses::Losses;
use crate::site_file::SiteFile;
use crate::source::link_log::log_link;

/// Counters go to the hub this often.
const REPORT_COUNTS_EVERY: Micros = Micros::from_millis(500);

/// Decoder, engine and where their output goes.
pub struct Pipeline {
    decoder: Decoder,
    engine: Engine,
    hub: Hub,
    events: Events,
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
    reported_at: Option<Timestamp>,
    /// Number of the last event.
    last_event: Option<u64>,
}

/// A site that takes over while the daemon runs.
pub struct SiteUpdate {
    /// The site with its calibration; its `[frame]` is there.
    pub site: Box<SiteFile>,
    /// What the event about the change says.
    pub what: UpdateKind,
    /// Answered when it is in force.
    pub done: oneshot::Sender<()>,
}

/// What an update is about, and how it came, as a part of a sentence.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum UpdateKind {
    /// The site file.
    Configuration(&'static str),
    /// Offsets alone.
    Calibration(&'static str),
    /// Nothing but what is held against this anchor, which was mended.
    Mended(AnchorId),
}

/// Where events get their numbers, and where they are kept.
pub struct Events {
    /// Gives each number once.
    pub numbers: EventNumbers,
    /// The log, if one is kept.
    pub log: Option<SessionWriter>,
    /// Its file as people know it.
    pub log_path: String,
    /// What is known of the run before, for the event of the start.
    pub before: RunBefore,
}

/// What is left when the channel has closed.
pub struct Drained {
    /// The log's writer, to be finished.
    pub log: Option<SessionWriter>,
    /// Stamp of the last thing that was heard, the end of the session.
    pub newest: Option<Timestamp>,
}

impl Pipeline {
    /// A pipeline that has moved nothing yet. `source` is for further sessions in the log. The daemon's start is an event.
    pub fn new(
        decoder: Decoder,
        engine: Engine,
        hub: Hub,
        events: Events,
        source: String,
        started_at: Timestamp,
        synchronised: watch::Receiver<Option<bool>>,
    ) -> Pipeline {
        Pipeline {
            decoder,
            engine,
            hub,
            events,
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
            reported_at: None,
            last_event: None,
        }
    }

    /// Takes everything from the channel until it closes, and updates of the site in between.
    pub async fn run(mut self, mut feed: Receiver<Feed>, mut updates: Receiver<SiteUpdate>) -> Drained {
        let mut more_updates = true;
        let version = env!("CARGO_PKG_VERSION");
        let start =
            EventDraft::start(self.started_at, version, self.engine.site().name(), self.events.before);
        self.event(&start);
        loop {
            tokio::select! {
                item = feed.recv() => match item {
                    Some(item) => self.take(item),
                    None => break,
                },
                update = updates.recv(), if more_updates => match update {
                    Some(update) => self.update(update),
                    None => more_updates = false,
                },
            }
        }
        self.report_counts();
        let at = self.newest.unwrap_or(self.started_at);
        self.report_losses(at, true);
        self.event(&EventDraft::stop(self.utc(at)));
        Drained { log: self.events.log, newest: self.newest }
    }

    fn update(&mut self, update: SiteUpdate) {
        let SiteUpdate { site, what, done } = update;
        let Some(frame) = site.frame.clone() else { return };
        // Deadlines up to now belong to the engine of before, as they will in a replay.
        let mut start = self.engine.hand_on(self.newest.unwrap_or(self.started_at));
        if let UpdateKind::Mended(anchor) = what {
            start = start.mended(anchor);
        }
        self.publish();
        self.begin_next_session(&site, &start);
        self.event(&match what {
            UpdateKind::Configuration(how) => EventDraft::configuration(self.utc(start.at), how),
            UpdateKind::Calibration(how) => EventDraft::calibration(self.utc(start.at), how),
            UpdateKind::Mended(anchor) => EventDraft::mended(self.utc(start.at), anchor, self.engine.site()),
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

    /// The log's session ends, and the next one begins with what it inherits.
    fn begin_next_session(&self, site: &SiteFile, inherited: &StartState) {
        let Some(log) = &self.events.log else { return };
        let start = SessionStart {
            started_at: inherited.at,
            site_text: site.text.clone(),
            calibration_text: site.calibration_text.clone(),
            frame_layout: site.frame_text.clone().unwrap_or_default(),
            source: self.source.clone(),
            program_version: env!("CARGO_PKG_VERSION").to_owned(),
            other_sites: site.other_sites.clone(),
        };
        log.begin_next(start, inherited.clone());
    }

    /// Hands a record to the log, if there is one.
    fn log(&self, record: Record) {
        if let Some(log) = &self.events.log {
            log.push(record);
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
        if ended || self.reported_at.is_none_or(|reported| at.since(reported) >= REPORT_COUNTS_EVERY) {
            self.reported_at = Some(at);
            self.report_counts();
            self.hub.alive(at);
            self.report_clock();
            self.watch_link(at);
            self.report_losses(at, false);
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
        self.report_clock();
        let at = self.utc(change.at);
        self.event(&EventDraft::clock(at, by, change.utc_minus_session, self.synchronised()));
    }

    /// Where an instant of the session's time scale lies in UTC.
    fn utc(&self, at: Timestamp) -> Timestamp {
        at.plus(self.utc_minus_session)
    }

    /// The log keeps how its stamps map to UTC.
    fn log_clock(&self, at: Timestamp) {
        if self.utc_minus_session != Micros::ZERO {
            self.log(Record::clock(at, self.utc_minus_session));
        }
    }

    fn synchronised(&self) -> Option<bool> {
        *self.synchronised.borrow()
    }

    fn report_clock(&self) {
        self.hub.set_clock(ClockStatus {
            utc_minus_session: self.utc_minus_session,
            changed_at: self.changed_at.unwrap_or(self.started_at),
            synchronised: self.synchronised(),
        });
    }

    fn take_link(&mut self, link: &LinkState) {
        log_link(&link.status);
        self.adapter.link(&link.status);
        let (state, reason) = match &link.status {
            LinkStatus::Connected { .. } => (Connectivity::Connected, None),
            LinkStatus::Waiting { reason } => {
                (Connectivity::Waiting, Some(format!("{}: {}", words(reason), advice(reason))))
            }
        };
        self.link_is_up = state == Connectivity::Connected;
        let event = EventDraft::link(self.utc(link.at), reason.as_deref());
        if self.hub.set_link(LinkView { state, reason, since: link.at }) {
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

    /// An event, with its instant in UTC: reported now, and safe as soon as the log has it.
    fn event(&mut self, event: &EventDraft) {
        let (seq, kind) = (self.events.numbers.give(), event.kind.name());
        if let Some(last) = self.last_event.replace(seq).filter(|last| seq > last + 1) {
            // A log was opened late, whose numbers were ahead: who has one of those misses what was reported since the start.
            self.hub.begin_event_numbers(last, seq);
        }
        self.hub.publish_event(seq, event.at, kind, &event.detail);
        self.log(Record::event(seq, event.at, kind, &event.detail));
    }

    fn watch_link(&mut self, at: Timestamp) {
        for change in self.kit.feed(at, self.link_is_up, self.link_counts()) {
            self.publish_output(&Output::KitChanged(change));
        }
        self.hub.set_link_findings(self.kit.findings());
    }

    /// Events about what was lost, as far as they are due; at the `last` of all.
    fn report_losses(&mut self, at: Timestamp, last: bool) {
        let log = self.events.log.as_ref().map(SessionWriter::stats).unwrap_or_default();
        let totals = [
            (LostWhat::LogFrames, log.dropped_frames),
            (LostWhat::LogPositions, log.dropped_fixes),
            (LostWhat::LogEvents, log.dropped_events),
            (LostWhat::OutOfOrder, self.out_of_order),
            (LostWhat::TooManyTags, self.too_many_tags),
            (LostWhat::DamagedFrames, self.decoder.counts().bad_checksum),
        ];
        for (what, total) in totals {
            if let Some(event) = self.losses.report(at, what, total, last) {
                self.event(&EventDraft { at: self.utc(event.at), ..event });
            }
        }
    }

    fn link_counts(&self) -> LinkCounts {
        let counts = self.decoder.counts();
        LinkCounts {
            bytes: self.bytes,
            frames: counts.frames_good,
            bad_checksum: counts.bad_checksum,
            skipped_bytes: counts.skipped_bytes,
        }
    }

    fn report_counts(&self) {
        self.hub.set_decoder_counts(self.link_counts());
        if let Some(log) = &self.events.log {
            self.hub.set_log(log_status(&log.stats(), &self.events.log_path));
        }
    }
}

/// How the log fares, for the hub. `path` is the file as people know it.
pub fn log_status(stats: &WriterStats, path: &str) -> LogStatus {
    // Another file is being written when the one that was asked for is damaged.
    let other = stats.path.as_ref().filter(|_| stats.note.is_some());
    LogStatus {
        path: other.map_or_else(|| path.to_owned(), |p| p.display().to_string()),
        rows_written: stats.written_frames + stats.written_fixes + stats.written_events,
        frames_dropped: stats.dropped_frames,
        positions_dropped: stats.dropped_fixes,
        events_dropped: stats.dropped_events,
        rows_waiting: stats.queued as u64,
        problem: log_problem(stats).map(|said| said.line()),
    }
}

/// The worst of what is wrong with the log.
fn log_problem(stats: &WriterStats) -> Option<Said> {
    let overgrown = || stats.overgrown_wal.map(|wal_bytes| LogProblem::Overgrown { wal_bytes });
    let failed = stats.last_error.as_ref().map(log::problem);
    failed.or_else(|| stats.note.as_ref().map(log::note)).or_else(|| Some(log::problem(&overgrown()?)))
}
