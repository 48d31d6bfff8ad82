//! Recordings as a stream of steps: a log (`.db`), captured bytes (`.bin`) or a range table (`.csv`).
//!
//! `replay` feeds them to the engine; `calibrate` and `verify` take the ranges at known places out of them.

pub mod range_table;

use std::path::Path;
use std::sync::Once;
use std::time::Duration;

use hereabout_core::{Epoch, Frame, LogFault, Micros, Site, Timestamp};
use hereabout_engine::StartState;
use hereabout_ingest::{CaptureReader, CaptureStep};
use hereabout_store::{EpochCursor, LogReader, SessionInfo, SessionPick, between_pages};
use hereabout_wire::Decoder;
use hereabout_words::link::capture_words;
use rustix::process::{Signal, getpid, kill_process};
use tokio::signal::unix::{SignalKind, signal};

use crate::exit::{self, Failure};
use crate::recording::range_table::{BadRow, RangeTable};
use crate::site_file::SiteFile;

/// What a recording is, by the end of its name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A log of the daemon.
    Log,
    /// Captured bytes.
    Capture,
    /// A range table.
    Table,
}

impl Kind {
    /// The kind of an existing file.
    ///
    /// # Errors
    /// A file that is not there, or whose name ends otherwise.
    pub fn of(path: &Path) -> Result<Kind, Failure> {
        if !path.exists() {
            return Err(Failure::new(exit::NO_INPUT, format!("{}: there is no such file", path.display())));
        }
        match path.extension().and_then(|e| e.to_str()).unwrap_or("") {
            "db" => Ok(Kind::Log),
            "bin" => Ok(Kind::Capture),
            "csv" => Ok(Kind::Table),
            _ => {
                let what = "is neither a log (.db), a capture (.bin) nor a range table (.csv)";
                Err(Failure::new(exit::USAGE, format!("{}: {what}", path.display())))
            }
        }
    }
}

/// One thing that the recording says.
pub enum Step {
    /// A frame of a capture.
    Frame(Frame),
    /// The ranges of a log or a table.
    Epoch(Epoch),
    /// The session went on until here.
    End(Timestamp),
    /// The session went on until here, and handed on to the next one.
    HandOn(Timestamp),
}

impl Step {
    /// Its stamp.
    pub fn at(&self) -> Timestamp {
        match self {
            Step::Frame(frame) => frame.received_at,
            Step::Epoch(epoch) => epoch.at,
            Step::End(at) | Step::HandOn(at) => *at,
        }
    }
}

/// Where steps come from.
pub enum Recording {
    /// A session of a log.
    Log(Box<Logged>),
    /// Captured bytes.
    Capture(Box<Capture>),
    /// A range table.
    Table(Box<RangeTable>),
}

impl Recording {
    /// Opens any kind for a site.
    ///
    /// # Errors
    /// A file that is not there or can't be used, a capture whose site has no frame layout or whose stamps are
    /// unknown.
    pub async fn open(
        path: &Path,
        site: &SiteFile,
        session: Option<i64>,
        frame_period: Option<Duration>,
    ) -> Result<Recording, Failure> {
        match Kind::of(path)? {
            Kind::Log => {
                let (session, log) = Recording::log(path, session).await?;
                Ok(log.in_units_of(site, &session))
            }
            Kind::Capture => Recording::capture(path, site, frame_period),
            Kind::Table => Ok(Recording::Table(Box::new(RangeTable::open(path)?))),
        }
    }

    /// A session of a log; the latest unless one is picked.
    ///
    /// # Errors
    /// A file that is no log, or a session that is not in it.
    pub async fn log(path: &Path, session: Option<i64>) -> Result<(SessionInfo, Recording), Failure> {
        stop_between_pages();
        let reader = LogReader::open(path).await.map_err(log_failure)?;
        let pick = session.map_or(SessionPick::Latest, SessionPick::Id);
        let session = reader.session(pick).await.map_err(log_failure)?;
        let epochs = reader.epochs(session.id).await.map_err(log_failure)?;
        // A session that was cut off has no end, but what it wrote last shows how far time had come.
        let ended_at = session.ended_at.or(session.last_at);
        let next = reader.start_state(session.id + 1).await.map_err(log_failure)?;
        let handed_on = next.is_some_and(|next| ended_at == Some(next.at));
        let start = reader.start_state(session.id).await.map_err(log_failure)?;
        let clock = reader.clock(session.id).await.map_err(log_failure)?;
        let batch = Vec::new().into_iter();
        let logged = Logged { epochs, batch, ended_at, handed_on, start, clock, factor: 1.0 };
        Ok((session, Recording::Log(Box::new(logged))))
    }

    /// A log's ranges as this site's unit makes them of the same words: a log keeps metres, which are wrong by a factor when the
    /// unit of then was. Said on standard error. Everything else, and where one of the units is not known, stays as it is.
    #[must_use]
    pub fn in_units_of(mut self, site: &SiteFile, session: &SessionInfo) -> Recording {
        let then = SiteFile::from_text(&site.path, &session.site_text, None).ok();
        let then = then.and_then(|s| Some(s.frame?.unit));
        let now = site.frame.as_ref().map(|f| f.unit);
        if let (Recording::Log(logged), Some(then), Some(now)) = (&mut self, then, now)
            && then != now
        {
            eprintln!("the log was recorded with unit = \"{then}\"; its ranges are read as \"{now}\" here");
            logged.factor = then.per_metre() / now.per_metre();
            let inherited = logged.start.iter_mut().flat_map(|start| &mut start.epochs);
            inherited.for_each(|epoch| rescale(epoch, logged.factor));
        }
        self
    }

    /// What the session began with, and how its time scale maps to UTC; nothing and as it is for all but logs.
    pub fn beginning(&mut self) -> (Option<StartState>, Vec<(Timestamp, Micros)>) {
        match self {
            Recording::Log(logged) => (logged.start.take(), std::mem::take(&mut logged.clock)),
            Recording::Capture(_) | Recording::Table(_) => (None, Vec::new()),
        }
    }

    /// Captured bytes; `frame_period` makes the stamps where no times file does.
    ///
    /// # Errors
    /// A site without a frame layout, a file that can't be read, no stamps.
    pub fn capture(
        path: &Path,
        site: &SiteFile,
        frame_period: Option<Duration>,
    ) -> Result<Recording, Failure> {
        let Some(frame) = &site.frame else {
            let what = "the site file has no [frame], so captured bytes can't be read";
            return Err(Failure::new(exit::CONFIG, format!("{}: {what}", site.path.display())));
        };
        let reader =
            CaptureReader::open(path).map_err(|e| Failure::new(exit::NO_INPUT, capture_words(&e)))?;
        if !reader.has_times() && frame_period.is_none() {
            let times = CaptureReader::times_path(path);
            let what = format!("{} is not there, so nobody knows when the bytes came", times.display());
            let todo = "give the time between frames: --frame-period 100ms";
            return Err(Failure::new(exit::USAGE, format!("{}: {what}\n  {todo}", path.display())));
        }
        let decoder = Decoder::new(frame.layout.clone());
        let frame_period = frame_period.map(|p| Micros::from_secs_f64(p.as_secs_f64()));
        let (rest, at) = (Vec::new(), Timestamp::default());
        let capture = Capture { reader, decoder, rest, at, frame_period, frames: 0, end: CaptureEnd::NotYet };
        Ok(Recording::Capture(Box::new(capture)))
    }

    /// The site as it is for this recording: the ranges of a table are in metres, whatever unit the kit has.
    pub fn site(&self, site: &SiteFile) -> Site {
        match self {
            Recording::Table(_) => site.site.clone().with_range_unit(None),
            Recording::Log(_) | Recording::Capture(_) => site.site.clone(),
        }
    }

    /// The next step; `None` at the end.
    ///
    /// # Errors
    /// A file that can't be read on.
    pub async fn next(&mut self) -> Result<Option<Step>, Failure> {
        match self {
            Recording::Log(logged) => logged.next().await,
            Recording::Capture(capture) => capture.next(),
            Recording::Table(table) => Ok(table.next_epoch()?.map(Step::Epoch)),
        }
    }

    /// Rows of a table that were left out so far.
    pub fn bad_rows(&self) -> u64 {
        if let Recording::Table(table) = self { table.bad_rows() } else { 0 }
    }

    /// Tells the rows that were left out since the last call; `name` is the file's.
    pub fn report_bad_rows(&mut self, name: &str) {
        if let Recording::Table(table) = self {
            while let Some(BadRow { line, what }) = table.take_bad_row() {
                eprintln!("{name}:{line}: {what}; the row is left out");
            }
        }
    }
}

/// A session of a log that is being read.
pub struct Logged {
    epochs: EpochCursor,
    /// The batch being worked off.
    batch: std::vec::IntoIter<Epoch>,
    /// Taken when the end was reported.
    ended_at: Option<Timestamp>,
    /// Another session went on from here.
    handed_on: bool,
    start: Option<StartState>,
    clock: Vec<(Timestamp, Micros)>,
    /// Metres by the site at hand per metre of the log.
    factor: f64,
}

impl Logged {
    async fn next(&mut self) -> Result<Option<Step>, Failure> {
        if self.batch.len() == 0 {
            self.batch = self.epochs.next_batch().await.map_err(log_failure)?.into_iter();
        }
        // An empty batch is the end of the frames; the session went on until its own end.
        let end = if self.handed_on { Step::HandOn } else { Step::End };
        let epoch = self.batch.next().map(|mut epoch| {
            rescale(&mut epoch, self.factor);
            Step::Epoch(epoch)
        });
        Ok(epoch.or_else(|| self.ended_at.take().map(end)))
    }
}

/// Takes the ranges of an epoch in another unit. A factor of one changes no bit.
fn rescale(epoch: &mut Epoch, factor: f64) {
    if factor != 1.0 {
        epoch.readings.iter_mut().filter_map(|r| r.raw_range_m.as_mut()).for_each(|r| *r *= factor);
    }
}

/// A capture that is being read.
pub struct Capture {
    reader: CaptureReader,
    decoder: Decoder,
    /// Bytes that the decoder has not taken yet.
    rest: Vec<u8>,
    at: Timestamp,
    /// Stamps for a capture without times: one period a frame.
    frame_period: Option<Micros>,
    frames: i64,
    end: CaptureEnd,
}

/// How far the end of a capture has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum CaptureEnd {
    NotYet,
    /// There are no more bytes.
    OfBytes,
    /// There are no more frames.
    OfFrames,
    /// The end was reported.
    Told,
}

impl Capture {
    fn next(&mut self) -> Result<Option<Step>, Failure> {
        loop {
            if let Some(mut frame) = self.decoder.next_frame() {
                if let Some(period) = self.frame_period {
                    frame.received_at = Timestamp::from_micros(self.frames.saturating_mul(period.micros()));
                }
                self.frames += 1;
                return Ok(Some(Step::Frame(frame)));
            }
            if !self.rest.is_empty() {
                let taken = self.decoder.push(self.at, &self.rest);
                self.rest.drain(..taken);
                continue;
            }
            match self.end {
                CaptureEnd::NotYet => {}
                // A last line need not have an end.
                CaptureEnd::OfBytes => {
                    self.decoder.finish();
                    self.end = CaptureEnd::OfFrames;
                    continue;
                }
                CaptureEnd::OfFrames => {
                    self.end = CaptureEnd::Told;
                    let end = self.frame_period.map_or(self.at, |p| {
                        Timestamp::from_micros(self.frames.saturating_sub(1).saturating_mul(p.micros()))
                    });
                    return Ok(Some(Step::End(end)));
                }
                CaptureEnd::Told => return Ok(None),
            }
            match self.reader.next_step().map_err(|e| Failure::new(exit::DATA, capture_words(&e)))? {
                Some(CaptureStep { at, bytes }) => {
                    self.at = at.unwrap_or(self.at);
                    self.rest = bytes;
                }
                None => self.end = CaptureEnd::OfBytes,
            }
        }
    }
}

/// From now on Ctrl-Z stops the program between two pages of a log: stopped within one, it would keep a read transaction
/// for as long as it stands still, and the log of a running daemon would grow.
fn stop_between_pages() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        // Without the signal the program stops at once, as any other.
        let Ok(mut pressed) = signal(SignalKind::from_raw(Signal::TSTP.as_raw())) else { return };
        tokio::spawn(async move {
            while pressed.recv().await.is_some() {
                let _quiet = between_pages().await;
                let _ = kill_process(getpid(), Signal::STOP);
            }
        });
    });
}

/// A log that can't be read.
#[expect(clippy::needless_pass_by_value, reason = "it ends in `map_err`")]
pub fn log_failure(fault: LogFault) -> Failure {
    Failure::new(exit::DATA, hereabout_words::log::fault(&fault).line())
}
