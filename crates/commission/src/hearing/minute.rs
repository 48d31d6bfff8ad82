//! The last minute of one anchor's ranges, a mean for each second.

use std::collections::VecDeque;

use hereabout_core::Timestamp;

/// Seconds that are kept.
pub const MINUTE_S: usize = 60;

#[derive(Clone, Copy, Debug)]
struct Second {
    /// Seconds since 1970.
    number: i64,
    sum_m: f64,
    ranges: u32,
}

/// Sums of the seconds that had a range, oldest first; at most [`MINUTE_S`].
#[derive(Clone, Debug, Default)]
pub(super) struct Minute(VecDeque<Second>);

impl Minute {
    /// Takes in one range. An older stamp than the newest goes into the newest second.
    pub(super) fn add(&mut self, at: Timestamp, range_m: f64) {
        let number = second_of(at);
        match self.0.back_mut() {
            Some(last) if last.number >= number => {
                last.sum_m += range_m;
                last.ranges += 1;
            }
            _ => {
                if self.0.len() == MINUTE_S {
                    self.0.pop_front();
                }
                self.0.push_back(Second { number, sum_m: range_m, ranges: 1 });
            }
        }
    }

    /// The mean of each of the last sixty seconds, oldest first, the running one last; metres.
    pub(super) fn means(&self, at: Timestamp) -> [Option<f64>; MINUTE_S] {
        let mut means = [None; MINUTE_S];
        let newest = second_of(at);
        for second in &self.0 {
            let age = usize::try_from(newest.saturating_sub(second.number)).unwrap_or(0);
            if let Some(place) = MINUTE_S.checked_sub(age + 1) {
                means[place] = Some(second.sum_m / f64::from(second.ranges));
            }
        }
        means
    }
}

fn second_of(at: Timestamp) -> i64 {
    at.micros().div_euclid(1_000_000)
}
