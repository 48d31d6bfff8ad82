//! A capture as a source: its reads, with the waits between them.

use std::io;
use std::path::Path;
use std::time::Duration;

use hereabout_core::Timestamp;

use crate::{CaptureError, CaptureReader, FeedStep, LinkReason, Pace};

/// The reads of a capture in order.
pub(crate) struct FileSteps {
    reader: CaptureReader,
    /// Recorded seconds per played second; `None` plays without waits.
    speed: Option<f64>,
    last: Option<Timestamp>,
}

impl FileSteps {
    pub(crate) fn open(path: &Path, pace: Pace) -> Result<FileSteps, LinkReason> {
        let reader = CaptureReader::open(path).map_err(|e| reason(path, &e))?;
        let speed = match pace {
            Pace::Max => None,
            Pace::Timed(speed) if reader.has_times() => Some(speed),
            Pace::Auto => reader.has_times().then_some(1.0),
            Pace::Timed(_) => {
                let times = CaptureReader::times_path(path);
                let detail = format!("pace needs its times, and there is no {}", times.display());
                return Err(LinkReason::FileUnreadable { path: path.into(), detail });
            }
        };
        Ok(FileSteps { reader, speed, last: None })
    }

    /// `None` at the end.
    pub(crate) fn next_step(&mut self) -> Result<Option<FeedStep>, LinkReason> {
        let step = self.reader.next_step().map_err(|e| reason(self.reader.path(), &e))?;
        Ok(step.map(|step| {
            let wait = self.wait_until(step.at);
            self.last = step.at.or(self.last);
            FeedStep { wait, bytes: step.bytes }
        }))
    }

    fn wait_until(&self, at: Option<Timestamp>) -> Duration {
        match (self.speed, self.last, at) {
            (Some(speed), Some(last), Some(at)) => {
                Duration::try_from_secs_f64(at.since(last).secs_f64() / speed).unwrap_or_default()
            }
            _ => Duration::ZERO,
        }
    }
}

fn reason(path: &Path, error: &CaptureError) -> LinkReason {
    if let CaptureError::Io { path: found, source } = error {
        if let Some(reason) = LinkReason::too_many_files(&found.display(), source) {
            return reason;
        }
        if found == path && source.kind() == io::ErrorKind::NotFound {
            return LinkReason::FileMissing { path: path.into() };
        }
    }
    LinkReason::FileUnreadable { path: path.into(), detail: error.to_string() }
}
