//! The one loop of the daemon: what `ingest` heard goes through decoder and engine, and what comes of
//! it goes to the hub (HTTP, WebSocket) and to the log.
//!
//! Time comes only through the channel: `ingest` stamps bytes and ticks in one task, in order. So the
//! engine sees here exactly what a replay of the log will see.

use hereabout_api::{DecoderCounts, Hub, LinkState as ApiLink, LinkStatus as ApiLinkStatus, LogStatus};
use hereabout_core::{Micros, Timestamp};
use hereabout_engine::{AnchorState, Engine, Input, Output};
use hereabout_ingest::{Feed, LinkState, LinkStatus};
use hereabout_store::{Record, SessionWriter};
use hereabout_wire::Decoder;
use tokio::sync::mpsc::Receiver;

/// Counters go to the hub this often.
const TELL_COUNTS_EVERY: Micros = Micros::from_millis(500);

/// Decoder, engine and where their output goes.
pub struct Pump {
    decoder: Decoder,
    engine: Engine,
    hub: Hub,
    log: Option<(SessionWriter, String)>,
    bytes: u64,
    newest: Option<Timestamp>,
    told_at: Option<Timestamp>,
}

/// What is left when the channel has closed.
pub struct Drained {
    /// The log's writer, to be finished.
    pub log: Option<SessionWriter>,
    /// Stamp of the last thing that was heard, the end of the session.
    pub newest: Option<Timestamp>,
}

impl Pump {
    /// A pump that has moved nothing yet. `log` comes with the file's name as people know it.
    pub fn new(decoder: Decoder, engine: Engine, hub: Hub, log: Option<(SessionWriter, String)>) -> Pump {
        Pump { decoder, engine, hub, log, bytes: 0, newest: None, told_at: None }
    }

    /// Takes everything from the channel until it closes.
    pub async fn run(mut self, mut feed: Receiver<Feed>) -> Drained {
        while let Some(item) = feed.recv().await {
            self.take(item);
        }
        self.tell_counts();
        Drained { log: self.log.map(|(writer, _)| writer), newest: self.newest }
    }

    fn take(&mut self, item: Feed) {
        let at = item.at();
        self.newest = Some(at);
        match item {
            Feed::Bytes(chunk) => self.take_bytes(chunk.received_at, &chunk.bytes),
            Feed::Tick(at) => {
                self.engine.handle(Input::Tick(at));
                self.publish();
            }
            Feed::End(at) => {
                self.engine.handle(Input::Tick(at));
                self.publish();
                self.tell_counts();
            }
            Feed::Link(link) => {
                self.engine.handle(Input::Tick(at));
                self.publish();
                self.take_link(&link);
            }
        }
        if self.told_at.is_none_or(|told| at.since(told) >= TELL_COUNTS_EVERY) {
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
            self.hub.set_log(log_status(log, path));
        }
    }
}

fn log_status(log: &SessionWriter, path: &str) -> LogStatus {
    let stats = log.stats();
    LogStatus {
        path: path.to_owned(),
        rows_written: stats.written_frames + stats.written_fixes + stats.written_events,
        rows_dropped: stats.dropped_frames + stats.dropped_fixes + stats.dropped_events,
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
