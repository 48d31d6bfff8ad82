//! When SIGHUP is followed: at once after a quiet time, else a few seconds after the time before. Many signals in between
//! are one, and the last one always counts: what it finds in the files is taken over.

use std::time::Duration;

use tokio::time::Instant;

/// From one reading of the files to the next, at least. A reload begins zones anew, which takes them up to a second: a loop of
/// signals must leave most of the time to answers.
const EVERY: Duration = Duration::from_secs(5);

/// Signals that came, and when the files were read.
#[derive(Debug, Default)]
pub(crate) struct ReloadPace {
    asked: bool,
    read_at: Option<Instant>,
}

impl ReloadPace {
    /// A signal came.
    pub(crate) fn ask(&mut self) {
        self.asked = true;
    }

    /// Comes back when the files are to be read for the signals that came; never without one.
    pub(crate) async fn due(&self) {
        match (self.asked, self.read_at) {
            (false, _) => std::future::pending().await,
            (true, None) => {}
            (true, Some(at)) => tokio::time::sleep_until(at + EVERY).await,
        }
    }

    /// The files are being read now, so a signal from now on is a new one.
    pub(crate) fn begin(&mut self) {
        *self = ReloadPace { asked: false, read_at: Some(Instant::now()) };
    }
}
