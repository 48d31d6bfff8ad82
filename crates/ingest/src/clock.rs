//! The only clock reader of the program.
//!
//! A stamp is a monotonic reading plus one wall-clock offset that is taken when the clock is
//! started: the session's time scale. So a step of the wall clock (a time server, a person) can't move stamps during a
//! session. How that scale maps to UTC is watched beside it: [`Clock::utc_minus_session`] is what the wall clock says now.

#[cfg(test)]
use std::sync::{
    Arc,
    atomic::{AtomicI64, Ordering},
};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use hereabout_core::{Micros, Timestamp};

/// Between two readings of the steady clock around one of the wall clock: else this process was stopped in between.
const AT_ONCE: Duration = Duration::from_millis(2);

/// Monotonic clock with the wall time of its start. Copies tell the same time.
#[derive(Clone, Debug)]
pub struct Clock {
    started: Instant,
    started_at: Timestamp,
    wall: Wall,
}

/// Where the wall time comes from.
#[derive(Clone, Debug)]
enum Wall {
    System,
    /// Microseconds since 1970, for tests.
    #[cfg(test)]
    Made(Arc<AtomicI64>),
}

impl Wall {
    fn now_us(&self) -> i64 {
        match self {
            // A machine without a battery clock may think it is before 1970: that is still a time.
            Wall::System => match SystemTime::now().duration_since(UNIX_EPOCH) {
                Ok(after) => i64::try_from(after.as_micros()).unwrap_or(i64::MAX),
                Err(before) => {
                    i64::try_from(before.duration().as_micros()).map_or(i64::MIN, std::ops::Neg::neg)
                }
            },
            #[cfg(test)]
            Wall::Made(us) => us.load(Ordering::SeqCst),
        }
    }
}

impl Clock {
    /// Reads the wall clock once, for the whole session.
    pub fn start() -> Clock {
        Clock::with(Wall::System)
    }

    fn with(wall: Wall) -> Clock {
        let started_at = Timestamp::from_micros(wall.now_us());
        Clock { started: Instant::now(), started_at, wall }
    }

    /// The present instant on the session's time scale; never earlier than one given before.
    pub fn now(&self) -> Timestamp {
        self.at(Instant::now())
    }

    fn at(&self, instant: Instant) -> Timestamp {
        let since = instant.saturating_duration_since(self.started).as_micros();
        self.started_at.plus(Micros::from_micros(i64::try_from(since).unwrap_or(i64::MAX)))
    }

    /// The instant of the start.
    pub fn started_at(&self) -> Timestamp {
        self.started_at
    }

    /// Steady time since the start.
    pub fn since_start(&self) -> Duration {
        self.started.elapsed()
    }

    /// What the wall clock says now, minus the session's time; `None` when the two could not be read at one instant.
    pub fn utc_minus_session(&self) -> Option<Micros> {
        let before = Instant::now();
        let wall = Timestamp::from_micros(self.wall.now_us());
        let after = Instant::now();
        (after - before <= AT_ONCE).then(|| wall.since(self.at(before)))
    }

    /// A clock with a wall clock that a test sets.
    #[cfg(test)]
    pub(crate) fn with_made_wall(us: Arc<AtomicI64>) -> Clock {
        Clock::with(Wall::Made(us))
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

    #[test]
    fn a_wall_clock_that_is_set_moves_utc_and_not_the_session() {
        let wall = Arc::new(AtomicI64::new(1_000_000));
        let clock = Clock::with_made_wall(wall.clone());
        let before = clock.now();
        wall.store(1_700_000_000_000_000, Ordering::SeqCst);
        let by = (0..1000).find_map(|_| clock.utc_minus_session()).expect("read at one instant");
        assert!(clock.now().since(before) < Micros::from_millis(60_000), "the session goes on as it was");
        let off = clock.clone().now().plus(by).since(Timestamp::from_micros(1_700_000_000_000_000));
        assert!(off.micros().abs() < 60_000_000, "copies see the same: {off:?}");
    }
}
