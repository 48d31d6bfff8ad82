//! A capture as a source: its reads, with the waits between them.

use std::io;
use std::path::Path;
use std::time::Duration;

use hereabout_core::{CaptureFault, LinkReason, Timestamp};

use crate::link::open_files::too_many_files;
use crate::{CaptureReader, FeedStep, Pace};

/// The reads of a capture in order.
pub(crate) struct FileSteps {
    reader: CaptureReader,
    /// Recorded seconds per played second; `None` plays without waits.
    speed: Option<f64>,
    last: Option<Timestamp>,
}

impl FileSteps {
    pub(crate) fn open(path: &Path, pace: Pace) -> Result<FileSteps, LinkReason> {
        let reader = CaptureReader::open(path).map_err(|e| reason(path, e))?;
        let speed = match pace {
            Pace::Max => None,
            Pace::Timed(speed) if reader.has_times() => Some(speed),
            Pace::Auto => reader.has_times().then_some(1.0),
            Pace::Timed(_) => {
                let fault = CaptureFault::NoTimes { path: CaptureReader::times_path(path) };
                return Err(LinkReason::FileUnreadable { path: path.into(), fault });
            }
        };
        Ok(FileSteps { reader, speed, last: None })
    }

    /// `None` at the end.
    pub(crate) fn next_step(&mut self) -> Result<Option<FeedStep>, LinkReason> {
        let step = self.reader.next_step().map_err(|e| reason(self.reader.path(), e))?;
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

fn reason(path: &Path, fault: CaptureFault) -> LinkReason {
    if let CaptureFault::Io { path: found, fault } = &fault {
        if let Some(reason) = too_many_files(&found.display(), *fault) {
            return reason;
        }
        if found == path && fault.kind == io::ErrorKind::NotFound {
            return LinkReason::FileMissing { path: path.into() };
        }
    }
    LinkReason::FileUnreadable { path: path.into(), fault }
}
