//! The only clock reader of the program.
//!
//! A stamp is a monotonic reading plus one wall-clock offset that is taken when the clock is
//! started. So a step of the wall clock (a time server, a person) can't move stamps during a
//! session; the price is that stamps drift away from a wall clock that is being disciplined, by
//! some seconds a day at worst, and lag behind it by the time that a machine slept.

use std::time::{Instant, SystemTime, UNIX_EPOCH};

use hereabout_core::Timestamp;

/// Monotonic clock with the wall time of its start. Copies tell the same time.
#[derive(Clone, Debug)]
pub struct Clock {
    started: Instant,
    started_at: Timestamp,
}

impl Clock {
    /// Reads the wall clock once, for the whole session.
    pub fn start() -> Clock {
        // A machine without a battery clock may think it is before 1970: that is still a time.
        let wall_us = match SystemTime::now().duration_since(UNIX_EPOCH) {
            Ok(after) => i64::try_from(after.as_micros()).unwrap_or(i64::MAX),
            Err(before) => i64::try_from(before.duration().as_micros()).map_or(i64::MIN, std::ops::Neg::neg),
        };
        Clock { started: Instant::now(), started_at: Timestamp::from_micros(wall_us) }
    }

    /// The present instant; never earlier than one told before.
    pub fn now(&self) -> Timestamp {
        let since = i64::try_from(self.started.elapsed().as_micros()).unwrap_or(i64::MAX);
        self.started_at.plus(hereabout_core::Micros::from_micros(since))
    }

    /// The instant of the start.
    pub fn started_at(&self) -> Timestamp {
        self.started_at
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn copies_agree_and_time_goes_forward() {
        let clock = Clock::start();
        let copy = clock.clone();
        let mut last = clock.started_at();
        for i in 0..10_000 {
            let now = if i % 2 == 0 { clock.now() } else { copy.now() };
            assert!(now >= last);
            last = now;
        }
        // Wall time: after this program was written, and in microseconds rather than anything else.
        let span = 1_700_000_000.0..4_000_000_000.0;
        assert!(span.contains(&last.unix_secs_f64()), "{last}");
    }
}
