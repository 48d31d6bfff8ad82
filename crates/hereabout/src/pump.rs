//! The one loop of the daemon: what `ingest` heard goes through decoder and engine, and what comes of
//! it goes to the hub (HTTP, WebSocket) and to the log.
//!
//! Time comes only through the channel: `ingest` stamps bytes and ticks in one task, in order. So the
//! engine sees here exactly what a replay of the log will see.
//!
//! A new calibration ([`Change`]) is put in between two messages of the channel: the engine is brought up to the
//! newest stamp and speaks its last, the log's session ends there, and a fresh engine goes on with a session
//! of its own, which stores the calibration that it runs with. So every session replays by itself to what was
//! published. The decoder stays, with the half of a frame that it may hold, and what comes meanwhile
//! waits in the channel: no frame is lost. The tracks start afresh, which takes some frames.
//!
//! What happens becomes events here. With a log they go to its writer, which numbers them as it makes them safe and tells
//! the hub then ([`event_sink`]); without one the hub counts them. Positions, zones and anchors don't wait for that.

use hereabout_api::v1::{EventDraft, LostWhat, NumbersKeptIn};
use hereabout_api::{DecoderCounts, Hub, LinkState as ApiLink, LinkStatus as ApiLinkStatus, LogStatus};
use hereabout_core::{Micros, Timestamp};
use hereabout_engine::{Engine, Input, Output};
use hereabout_ingest::{Feed, LinkState, LinkStatus};
use hereabout_store::{
    EventSink, Record, SessionStart, SessionWriter, Store, StoreError, WriterOptions, WriterStats,
};
use hereabout_wire::Decoder;
use tokio::sync::mpsc::Receiver;
use tokio::sync::oneshot;

use crate::losses::Losses;
use crate::site_file::SiteFile;

/// Counters go to the hub this often.
const TELL_COUNTS_EVERY: Micros = Micros::from_millis(500);

/// Decoder, engine and where their output goes.
pub struct Pump {
    decoder: Decoder,
    engine: Engine,
    hub: Hub,
    log: Option<(SessionWriter, String)>,
    /// Rows of the sessions before this one: written, dropped.
    rows_before: (u64, u64),
    /// The source as people wrote it, for further sessions.
    source: String,
    bytes: u64,
    out_of_order: u64,
    too_many_tags: u64,
    losses: Losses,
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
    ) -> Pump {
        Pump {
            decoder,
            engine,
            hub,
            log,
            rows_before: (0, 0),
            source,
            bytes: 0,
            out_of_order: 0,
            too_many_tags: 0,
            losses: Losses::default(),
            started_at,
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
            }
        }
        self.tell_counts();
        let at = self.newest.unwrap_or(self.started_at);
        self.tell_losses(at, true);
        self.event(&EventDraft::stop(at));
        Drained { log: self.log.map(|(writer, _)| writer), newest: self.newest }
    }

    async fn change(&mut self, change: Change) {
        let Change { site, what, done } = change;
        let Some(frame) = site.frame.clone() else { return };
        let at = self.newest.unwrap_or(self.started_at);
        // Deadlines up to now belong to the engine of before, as they will in a replay.
        self.engine.handle(Input::Tick(at));
        self.publish();
        self.change_session(&site, at).await;
        self.event(&match what {
            Changed::Configuration(how) => EventDraft::configuration(at, how),
            Changed::Calibration(how) => EventDraft::calibration(at, how),
        });
        self.engine = Engine::new(site.site.clone(), Some(frame));
        self.hub.set_site((&site.site).into());
        // Nobody may be waiting any more.
        let _ = done.send(());
    }

    /// Ends the session at `at` and begins another one in the same file. A log that can't go on is told in the
    /// status; positions go on without it.
    async fn change_session(&mut self, site: &SiteFile, at: Timestamp) {
        let Some((writer, path)) = self.log.take() else { return };
        let start = SessionStart {
            started_at: at,
            site_text: site.text.clone(),
            calibration_text: site.calibration_text.clone(),
            frame_layout: site.frame_text.clone().unwrap_or_default(),
            source: self.source.clone(),
            program_version: env!("CARGO_PKG_VERSION").to_owned(),
        };
        match begin_again(writer, path.clone(), at, start, event_sink(self.hub.clone())).await {
            Ok((stats, writer)) => {
                let (written, dropped) = rows(&stats);
                self.rows_before = (self.rows_before.0 + written, self.rows_before.1 + dropped);
                self.log = Some((writer, path));
            }
            Err(e) => {
                eprintln!("the log ends here: {e}");
                if let StoreError::Unwritten { frames, fixes, events, .. } = &e {
                    self.rows_before.1 += frames + fixes + events;
                }
                let problem = Some(format!(
                    "nothing more is logged, and events are counted in memory from here on: {e} Restart the daemon \
                     when that is mended."
                ));
                let (rows_written, rows_dropped) = self.rows_before;
                self.hub.set_log(LogStatus { path, problem, rows_written, rows_dropped });
                self.hub.set_numbers_kept_in(NumbersKeptIn::Memory);
            }
        }
    }

    fn take(&mut self, item: Feed) {
        let at = item.at();
        self.newest = Some(at);
        // Nothing comes after the end that could tell the last counts.
        let ended = matches!(item, Feed::End(_));
        match item {
            Feed::Bytes(chunk) => self.take_bytes(chunk.received_at, &chunk.bytes),
            Feed::Tick(at) | Feed::End(at) => {
                self.engine.handle(Input::Tick(at));
                self.publish();
            }
            Feed::Link(link) => {
                self.engine.handle(Input::Tick(at));
                self.publish();
                self.take_link(&link);
            }
        }
        if ended || self.told_at.is_none_or(|told| at.since(told) >= TELL_COUNTS_EVERY) {
            self.told_at = Some(at);
            self.tell_counts();
            self.tell_losses(at, false);
        }
    }

    fn take_bytes(&mut self, at: Timestamp, bytes: &[u8]) {
        self.bytes += bytes.len() as u64;
        let mut rest = bytes;
        while !rest.is_empty() {
            let taken = self.decoder.push(at, rest);
            rest = &rest[taken..];
            while let Some(frame) = self.decoder.next_frame() {
                self.engine.handle(Input::Frame(&frame));
                self.publish();
            }
        }
    }

    fn take_link(&mut self, link: &LinkState) {
        let (state, reason) = match &link.status {
            LinkStatus::Connected => (ApiLink::Connected, None),
            LinkStatus::Waiting { reason } => {
                (ApiLink::Waiting, Some(format!("{reason}: {}", reason.advice())))
            }
        };
        let event = EventDraft::link(link.at, reason.as_deref());
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
        if let (Some((log, _)), Some(record)) = (&self.log, Record::from_output(output)) {
            log.push(record);
        }
        if let Some(event) = EventDraft::from_output(output, self.engine.site()) {
            self.event(&event);
        }
    }

    fn event(&self, event: &EventDraft) {
        match &self.log {
            Some((log, _)) => log.push(Record::event(event.at, event.kind.name(), &event.detail)),
            None => self.hub.count_event(event),
        }
    }

    /// Events about what was lost, as far as they are due; at the `last` of all.
    fn tell_losses(&mut self, at: Timestamp, last: bool) {
        let stats = self.log.as_ref().map(|(log, _)| log.stats());
        // While the log fails its events wait anyhow, and more may be lost.
        let log_is_well = stats.as_ref().is_none_or(|s| s.last_error.is_none());
        let rows = self.rows_before.1 + stats.map_or(0, |s| s.dropped());
        let totals = [
            (LostWhat::LogRows, if log_is_well || last { rows } else { 0 }),
            (LostWhat::OutOfOrder, self.out_of_order),
            (LostWhat::TooManyTags, self.too_many_tags),
            (LostWhat::DamagedFrames, self.decoder.counts().bad_checksum),
        ];
        for (what, total) in totals {
            if let Some(event) = self.losses.tell(at, what, total, last) {
                self.event(&event);
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
        if let Some((log, path)) = &self.log {
            self.hub.set_log(log_status(log, path, self.rows_before));
        }
    }
}

/// Ends one session and begins the next one. On a thread of its own, because what opens a file cannot be moved
/// between threads while it waits.
async fn begin_again(
    writer: SessionWriter,
    path: String,
    at: Timestamp,
    start: SessionStart,
    sink: EventSink,
) -> Result<(WriterStats, SessionWriter), StoreError> {
    let runtime = tokio::runtime::Handle::current();
    let stopped = StoreError::WriterStopped { path: path.clone().into() };
    let work = move || {
        runtime.block_on(async move {
            let stats = writer.finish(at).await?;
            let store = Store::open(path).await?;
            Ok((stats, store.begin_session_with(start, WriterOptions::default(), Some(sink)).await?))
        })
    };
    tokio::task::spawn_blocking(work).await.unwrap_or(Err(stopped))
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
