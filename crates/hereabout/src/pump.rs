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

use hereabout_api::{DecoderCounts, Hub, LinkState as ApiLink, LinkStatus as ApiLinkStatus, LogStatus};
use hereabout_core::{Micros, Timestamp};
use hereabout_engine::{AnchorState, Engine, Input, Output};
use hereabout_ingest::{Feed, LinkState, LinkStatus};
use hereabout_store::{Record, SessionStart, SessionWriter, Store, StoreError, WriterStats};
use hereabout_wire::Decoder;
use tokio::sync::mpsc::Receiver;
use tokio::sync::oneshot;

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
    newest: Option<Timestamp>,
    told_at: Option<Timestamp>,
}

/// A site that takes over while the daemon runs.
pub struct Change {
    /// The site with its calibration; its `[frame]` is there.
    pub site: Box<SiteFile>,
    /// What the log says about the change.
    pub detail: String,
    /// Told when it is in force.
    pub done: oneshot::Sender<()>,
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
    /// further sessions in it.
    pub fn new(
        decoder: Decoder,
        engine: Engine,
        hub: Hub,
        log: Option<(SessionWriter, String)>,
        source: String,
    ) -> Pump {
        Pump { decoder, engine, hub, log, rows_before: (0, 0), source, bytes: 0, newest: None, told_at: None }
    }

    /// Takes everything from the channel until it closes, and changes in between.
    pub async fn run(mut self, mut feed: Receiver<Feed>, mut changes: Receiver<Change>) -> Drained {
        let mut more_changes = true;
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
        Drained { log: self.log.map(|(writer, _)| writer), newest: self.newest }
    }

    async fn change(&mut self, change: Change) {
        let Change { site, detail, done } = change;
        let Some(frame) = site.frame.clone() else { return };
        let at = self.newest.unwrap_or_default();
        // Deadlines up to now belong to the engine of before, as they will in a replay.
        self.engine.handle(Input::Tick(at));
        self.publish();
        self.change_session(&site, at).await;
        self.log_event(at, "calibration", &detail);
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
        match begin_again(writer, path.clone(), at, start).await {
            Ok((stats, writer)) => {
                let (written, dropped) = rows(&stats);
                self.rows_before = (self.rows_before.0 + written, self.rows_before.1 + dropped);
                self.log = Some((writer, path));
            }
            Err(e) => {
                eprintln!("the log ends here: {e}");
                let problem = Some(format!("nothing more is logged: {e}"));
                self.hub.set_log(LogStatus { path, problem, ..LogStatus::default() });
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
        let status = match &link.status {
            LinkStatus::Connected => {
                ApiLinkStatus { state: ApiLink::Connected, reason: None, since: link.at }
            }
            LinkStatus::Waiting { reason } => {
                let words = format!("{reason}: {}", reason.advice());
                ApiLinkStatus { state: ApiLink::Waiting, reason: Some(words), since: link.at }
            }
        };
        let detail = match &link.status {
            LinkStatus::Connected => "connected".to_owned(),
            LinkStatus::Waiting { reason } => format!("waiting: {reason}"),
        };
        self.log_event(link.at, "link", &detail);
        self.hub.set_link(status);
    }

    /// Hands on everything that the engine has to say.
    fn publish(&mut self) {
        while let Some(output) = self.engine.poll_output() {
            if let Output::AnchorChanged(change) = &output {
                let detail = format!("anchor {} {}", change.anchor, state_word(change.now));
                self.log_event(change.at, "anchor", &detail);
            }
            if let Output::Position(report) = &output
                && report.restarted
            {
                let detail = format!("tag {}: the track was given up for another place", report.tag);
                self.log_event(report.at, "restart", &detail);
            }
            self.hub.publish(&output);
            if let (Some((log, _)), Some(record)) = (&self.log, Record::from_output(&output)) {
                log.push(record);
            }
        }
    }

    fn log_event(&self, at: Timestamp, kind: &str, detail: &str) {
        if let Some((log, _)) = &self.log {
            log.push(Record::event(at, kind, detail));
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
) -> Result<(WriterStats, SessionWriter), StoreError> {
    let runtime = tokio::runtime::Handle::current();
    let stopped = StoreError::WriterStopped { path: path.clone().into() };
    let work = move || {
        runtime.block_on(async move {
            let stats = writer.finish(at).await?;
            Ok((stats, Store::open(path).await?.begin_session(start).await?))
        })
    };
    tokio::task::spawn_blocking(work).await.unwrap_or(Err(stopped))
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

fn state_word(state: AnchorState) -> &'static str {
    match state {
        AnchorState::NeverHeard => "never heard",
        AnchorState::Heard => "heard",
        AnchorState::Silent => "silent",
    }
}
