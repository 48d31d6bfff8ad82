//! What was lost, reported as events in coarse steps: a line that loses a frame every second is one event a minute, not
//! sixty. What has not been reported by then is reported at the end.

use hereabout_api::v1::{EventDraft, LostWhat};
use hereabout_core::{Micros, Timestamp};

/// Between two events about one kind of loss.
const EVERY: Micros = Micros::from_millis(60_000);
/// Damaged frames below this number are noise of the line; `/v1/status` counts them all.
const DAMAGE_WORTH_TELLING: u64 = 10;

/// How many of each kind have been reported.
#[derive(Debug, Default)]
pub struct Losses {
    reported: [Reported; 6],
}

/// One kind.
#[derive(Clone, Copy, Debug, Default)]
struct Reported {
    total: u64,
    at: Option<Timestamp>,
}

impl Losses {
    /// The event about `what` when one is due at `at`, `total` being lost since the start; with `last` whatever has not
    /// been reported.
    pub fn report(&mut self, at: Timestamp, what: LostWhat, total: u64, last: bool) -> Option<EventDraft> {
        let (index, least) = match what {
            LostWhat::LogFrames => (0, 1),
            LostWhat::LogPositions => (1, 1),
            LostWhat::LogEvents => (2, 1),
            LostWhat::OutOfOrder => (3, 1),
            LostWhat::TooManyTags => (4, 1),
            LostWhat::DamagedFrames => (5, DAMAGE_WORTH_TELLING),
        };
        let reported = &mut self.reported[index];
        let count = total.saturating_sub(reported.total);
        let least = if last { 1 } else { least };
        if count < least || (!last && reported.at.is_some_and(|before| at.since(before) < EVERY)) {
            return None;
        }
        *reported = Reported { total, at: Some(at) };
        Some(EventDraft::data_lost(at, what, count, total))
    }
}

#[cfg(test)]
mod tests;
