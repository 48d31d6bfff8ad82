//! What was lost, told as events in coarse steps: a line that loses a frame every second is one event a minute, not
//! sixty. What has not been told by then is told at the end.

use hereabout_api::v1::{EventDraft, LostWhat};
use hereabout_core::{Micros, Timestamp};

/// Between two events about one kind of loss.
const EVERY: Micros = Micros::from_millis(60_000);
/// Damaged frames below this number are noise of the line; `/v1/status` counts them all.
const DAMAGE_WORTH_TELLING: u64 = 10;

/// How many of each kind have been told.
#[derive(Debug, Default)]
pub struct Losses {
    told: [Told; 6],
}

/// One kind.
#[derive(Clone, Copy, Debug, Default)]
struct Told {
    total: u64,
    at: Option<Timestamp>,
}

impl Losses {
    /// The event about `what` when one is due at `at`, `total` being lost since the start; with `last` whatever has not
    /// been told.
    pub fn tell(&mut self, at: Timestamp, what: LostWhat, total: u64, last: bool) -> Option<EventDraft> {
        let (index, least) = match what {
            LostWhat::LogFrames => (0, 1),
            LostWhat::LogPositions => (1, 1),
            LostWhat::LogEvents => (2, 1),
            LostWhat::OutOfOrder => (3, 1),
            LostWhat::TooManyTags => (4, 1),
            LostWhat::DamagedFrames => (5, DAMAGE_WORTH_TELLING),
        };
        let told = &mut self.told[index];
        let count = total.saturating_sub(told.total);
        let least = if last { 1 } else { least };
        if count < least || (!last && told.at.is_some_and(|before| at.since(before) < EVERY)) {
            return None;
        }
        *told = Told { total, at: Some(at) };
        Some(EventDraft::data_lost(at, what, count, total))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn losses_are_told_at_once_then_once_a_minute_and_the_rest_at_the_end() {
        let mut losses = Losses::default();
        let at = |s: i64| Timestamp::from_micros(s * 1_000_000);
        let mut told = Vec::new();
        for s in 0..200_i64 {
            let total = 1 + s.unsigned_abs();
            told.extend(losses.tell(at(s), LostWhat::OutOfOrder, total, false));
        }
        told.extend(losses.tell(at(200), LostWhat::OutOfOrder, 200, true));
        assert!(losses.tell(at(200), LostWhat::OutOfOrder, 200, true).is_none(), "all is told");
        assert_eq!(told.iter().map(|e| e.at).collect::<Vec<_>>(), [0, 60, 120, 180, 200].map(at));
        let counts = told.iter().map(|e| serde_json::from_str::<serde_json::Value>(&e.to_json()).unwrap());
        assert_eq!(counts.map(|e| e["count"].as_u64().unwrap()).sum::<u64>(), 200);
    }

    #[test]
    fn single_damaged_frames_wait_for_others_or_the_end() {
        let mut losses = Losses::default();
        let at = Timestamp::from_micros(5);
        assert!(losses.tell(at, LostWhat::DamagedFrames, 9, false).is_none());
        assert!(losses.tell(at, LostWhat::DamagedFrames, 10, false).is_some());
        assert!(losses.tell(at, LostWhat::DamagedFrames, 11, true).is_some());
    }
}
