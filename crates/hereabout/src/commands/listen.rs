//! `listen`: what the kit says, frame by frame, without computing a position.
//!
//! For people: one aligned line a frame with a column for each anchor, and once in five seconds a line
//! of rates and shares. For programs: JSON Lines. `--raw` shows the bytes of every good frame and of
//! every rejected piece with the reason under it.

use std::io::{self, Write};
use std::time::Duration;

use hereabout_core::{Frame, Micros, Site, Timestamp};
use hereabout_engine::{Engine, Input, epoch_from_frame};
use hereabout_ingest::{Clock, Feed, LinkStatus};
use hereabout_wire::{Decoder, FrameSpec, Item};
use serde_json::json;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

use crate::cli::ListenArgs;
use crate::commands::{open_source, runtime};
use crate::exit::{self, Failure};
use crate::site_file::SiteFile;

/// A line of rates comes this often.
const RATES_EVERY: Micros = Micros::from_millis(5_000);

/// Listens until Ctrl-C, the given limits, or the end of the source.
///
/// # Errors
/// A site without source or frame layout; an output that can't be written.
pub fn listen(args: &ListenArgs) -> Result<u8, Failure> {
    let site = SiteFile::load(&args.site)?;
    for warning in &site.warnings {
        eprintln!("{warning}");
    }
    let Some(frame) = site.frame.clone() else {
        let what =
            format!("{}: the site file has no [frame], so the bytes can't be read", site.path.display());
        return Err(Failure::new(exit::CONFIG, what));
    };
    runtime()?.block_on(async {
        let (source, text) = open_source(&site, args.source.as_deref())?;
        eprintln!("listening to {text}; Ctrl-C stops");
        let stop = CancellationToken::new();
        let (tx, rx) = mpsc::channel(256);
        let input = tokio::spawn(hereabout_ingest::run(source, Clock::start(), tx, stop.clone()));
        let limit = args.seconds.filter(|s| *s >= 0.0).and_then(|s| Duration::try_from_secs_f64(s).ok());
        let mut show = Show::new(args, &site.site, frame);
        let outcome = tokio::select! {
            done = show.run(rx) => done,
            () = until(limit) => Ok(()),
            _ = tokio::signal::ctrl_c() => Ok(()),
        };
        stop.cancel();
        let _ = input.await;
        outcome.and_then(|()| show.summary())?;
        Ok(if show.frames > 0 { 0 } else { exit::DATA })
    })
}

async fn until(limit: Option<Duration>) {
    match limit {
        Some(limit) => tokio::time::sleep(limit).await,
        None => std::future::pending().await,
    }
}

struct Show<'a> {
    args: &'a ListenArgs,
    site: &'a Site,
    frame: FrameSpec,
    decoder: Decoder,
    /// Only for its anchor table: rates and shares.
    engine: Engine,
    frames: u64,
    first: Option<Timestamp>,
    rates_due: Option<Timestamp>,
}

impl<'a> Show<'a> {
    fn new(args: &'a ListenArgs, site: &'a Site, frame: FrameSpec) -> Show<'a> {
        let decoder = Decoder::new(frame.layout.clone());
        let engine = Engine::new(site.clone(), Some(frame.clone()));
        Show { args, site, frame, decoder, engine, frames: 0, first: None, rates_due: None }
    }

    async fn run(&mut self, mut feed: mpsc::Receiver<Feed>) -> Result<(), Failure> {
        while let Some(item) = feed.recv().await {
            match item {
                Feed::Bytes(chunk) => self.bytes(chunk.received_at, &chunk.bytes).map_err(write_failed)?,
                Feed::Tick(at) => self.engine.handle(Input::Tick(at)),
                Feed::Link(link) => match link.status {
                    LinkStatus::Connected => eprintln!("connected"),
                    LinkStatus::Waiting { reason } => eprintln!("waiting: {reason}\n  {}", reason.advice()),
                },
                Feed::End(_) => return Ok(()),
            }
            if self.args.frames.is_some_and(|n| self.frames >= n) {
                return Ok(());
            }
        }
        Ok(())
    }

    fn bytes(&mut self, at: Timestamp, bytes: &[u8]) -> io::Result<()> {
        let mut rest = bytes;
        let mut out = io::stdout().lock();
        while !rest.is_empty() {
            let taken = self.decoder.push(at, rest);
            rest = &rest[taken..];
            while let Some(item) = self.decoder.next_item() {
                match item {
                    Item::Frame { frame, bytes } => {
                        if self.args.raw {
                            writeln!(out, "good  {}", hex(bytes))?;
                        }
                        self.one(&frame, &mut out)?;
                    }
                    Item::Rejected { reason, bytes } if self.args.raw => {
                        writeln!(out, "bad   {}\n      {reason}", hex(bytes))?;
                    }
                    Item::Rejected { .. } => {}
                }
                if self.args.frames.is_some_and(|n| self.frames >= n) {
                    return out.flush();
                }
            }
        }
        out.flush()
    }

    fn one(&mut self, frame: &Frame, out: &mut impl Write) -> io::Result<()> {
        self.frames += 1;
        self.engine.handle(Input::Frame(frame));
        while self.engine.poll_output().is_some() {}
        let first = *self.first.get_or_insert(frame.received_at);
        let epoch = epoch_from_frame(frame, &self.frame, self.site);
        if self.args.json {
            let ranges: serde_json::Map<String, serde_json::Value> =
                epoch.readings.iter().map(|r| (r.anchor.to_string(), json!(r.raw_range_m))).collect();
            let time_s = frame.received_at.unix_secs_f64();
            let row = json!({
                "type": "frame", "time_s": time_s, "tag": epoch.tag.0, "seq": epoch.frame_seq,
                "millis": frame.millis, "range_m": ranges,
            });
            return writeln!(out, "{row}");
        }
        if self.args.raw {
            return Ok(());
        }
        if self.rates_due.is_none() {
            self.header(out)?;
            self.rates_due = Some(first.plus(RATES_EVERY));
        }
        let seconds = frame.received_at.since(first).secs_f64();
        write!(out, "{seconds:>8.2}  {:>4}", epoch.tag)?;
        for reading in &epoch.readings {
            match reading.raw_range_m {
                Some(r) => write!(out, " {r:>8.3}")?,
                None => write!(out, " {:>8}", "-")?,
            }
        }
        writeln!(out)?;
        if self.rates_due.is_some_and(|due| frame.received_at >= due) {
            self.rates_due = Some(frame.received_at.plus(RATES_EVERY));
            self.rates(out)?;
        }
        Ok(())
    }

    fn header(&self, out: &mut impl Write) -> io::Result<()> {
        write!(out, "{:>8}  {:>4}", "s", "tag")?;
        for slot in 0..hereabout_core::MAX_ANCHORS {
            if let Some(i) = self.site.anchor_of_slot(slot) {
                write!(out, " {:>8}", format!("#{}", self.site.anchors()[i].id))?;
            }
        }
        writeln!(out)
    }

    fn rates(&self, out: &mut impl Write) -> io::Result<()> {
        let Some(table) = self.engine.anchor_table() else { return Ok(()) };
        write!(out, "{:>14}", "per second")?;
        for slot in 0..hereabout_core::MAX_ANCHORS {
            if let Some(i) = self.site.anchor_of_slot(slot) {
                write!(out, " {:>8.1}", table.rows[i].rate_hz)?;
            }
        }
        writeln!(out)
    }

    fn summary(&self) -> Result<(), Failure> {
        let counts = self.decoder.counts();
        eprintln!(
            "{} good frames, {} with a wrong checksum, {} bytes that belonged to no frame",
            counts.frames_good, counts.bad_checksum, counts.skipped_bytes
        );
        Ok(())
    }
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect::<Vec<_>>().join(" ")
}

#[expect(clippy::needless_pass_by_value, reason = "the shape that map_err wants")]
fn write_failed(e: io::Error) -> Failure {
    Failure::new(exit::IO, format!("can't write: {e}"))
}
