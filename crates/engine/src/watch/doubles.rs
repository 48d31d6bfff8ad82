//! Two boards with one id: the ranges of one anchor jump between two levels that each go on smoothly.
//!
//! **Model.** Two boards stand at two places and chance decides which one answers. The ranges are laid on two
//! tracks, each with a level and a pace (α-β filter); a range belongs to the track whose prediction it meets within
//! [`REACH_M`] and what the tag may have changed meanwhile. A late range is no track: its delay is another one each
//! time, so coming back to it misses the old level. People and shelves keep a delay for a second or two and shift
//! both levels at once; those ranges are strays. So a *run* is sought: at least [`A_SIDE`] ranges on either side
//! within [`WITHIN`], about as many changes of side as chance gives (someone in the way changes it once in a second or
//! two), tracks at least [`APART_M`] apart, and at most one range in ten a
//! stray; a run with more strays begins anew.
//!
//! **Latched.** Once found, the finding stays until [`WELL_AFTER`] of ranges in which the rarer side was not heard.
//!
//! The ranges are used as they come, so that one anchor without a position can be told as well; tags are kept apart.

use hereabout_core::{Micros, Timestamp};

/// How far a range lies from the prediction of its track at most, metres, and more per second since its last one.
const REACH_M: f64 = 0.25;
const REACH_MPS: f64 = 0.35;
const REACH_MOST_M: f64 = 0.55;
/// Smallest distance between the two levels, metres.
const APART_M: f64 = 0.5;
/// Ranges that either side needs, and changes of side.
const A_SIDE: u32 = 14;
const CHANGES: u32 = 14;
/// Least changes of side, as a share of what chance would give two boards with these shares of the ranges.
const BY_CHANCE: f64 = 0.6;
/// Largest mean distance from the prediction on coming back to a side, metres: a delay comes back as another one.
const BACK_M: f64 = 0.18;
/// Largest share of strays in a run.
const STRAYS: f64 = 0.10;
/// A run longer than this is begun anew.
const WITHIN: Micros = Micros::from_millis(20_000);
/// A track that was not heard for this long is given up. Seconds.
const STALE_S: f64 = 3.0;
/// Without the rarer side for this long (while heard) the anchor is well again.
const WELL_AFTER: Micros = Micros::from_millis(300_000);
/// Gains of the α-β filter for level and pace: common practice for noise above the tag's acceleration.
const ALPHA: f64 = 0.35;
const BETA: f64 = 0.06;
/// The tag's pace along a range is never taken as more than this, metres per second.
const PACE_MPS: f64 = 2.0;

#[derive(Clone, Copy, Debug)]
struct Track {
    level_m: f64,
    pace_mps: f64,
    at: Timestamp,
}

impl Track {
    fn age_s(&self, at: Timestamp) -> f64 {
        at.since(self.at).secs_f64().clamp(0.0, 60.0)
    }

    fn predicted_m(&self, at: Timestamp) -> f64 {
        self.level_m + self.pace_mps * self.age_s(at).min(1.0)
    }

    fn fits(&self, at: Timestamp, range_m: f64) -> bool {
        let reach = (REACH_M + REACH_MPS * self.age_s(at)).min(REACH_MOST_M);
        (range_m - self.predicted_m(at)).abs() <= reach
    }

    fn follow(&mut self, at: Timestamp, range_m: f64) {
        let dt = self.age_s(at).max(0.02);
        let off = range_m - self.predicted_m(at);
        self.level_m = self.predicted_m(at) + ALPHA * off;
        self.pace_mps = (self.pace_mps + BETA * off / dt).clamp(-PACE_MPS, PACE_MPS);
        self.at = at;
    }
}

/// What was found: the levels' distance, metres, and the rarer one's share.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Found {
    pub(crate) apart_m: f64,
    pub(crate) share: f64,
}

/// The ranges of one anchor to one tag.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Doubles {
    tracks: [Option<Track>; 2],
    on: usize,
    began: Option<Timestamp>,
    sides: [u32; 2],
    changes: u32,
    /// Sum of the distances from the prediction at changes to either side, and their number.
    back_m: [f64; 2],
    backs: [u32; 2],
    strays: u32,
    apart_sum_m: f64,
    found: Option<Found>,
    /// When both sides were last heard in turn.
    last_change: Option<Timestamp>,
}

impl Doubles {
    /// Takes in one range; metres.
    pub(crate) fn hear(&mut self, at: Timestamp, range_m: f64) {
        for track in &mut self.tracks {
            if track.is_some_and(|t| t.age_s(at) > STALE_S) {
                *track = None;
            }
        }
        match self.side_of(at, range_m) {
            Some(side) => self.take(at, side, range_m),
            None => self.stray(at, range_m),
        }
        if self.found.is_some() {
            self.forget_if_well(at);
        }
    }

    /// What was found, while it lasts.
    pub(crate) fn found(&self) -> Option<Found> {
        self.found
    }

    /// The track that the range belongs to: of two that fit the nearer one.
    fn side_of(&self, at: Timestamp, range_m: f64) -> Option<usize> {
        let off = |i: usize| {
            let track = self.tracks[i].as_ref().filter(|t| t.fits(at, range_m))?;
            Some((range_m - track.predicted_m(at)).abs())
        };
        match (off(0), off(1)) {
            (Some(a), Some(b)) => Some(usize::from(b < a)),
            (Some(_), None) => Some(0),
            (None, Some(_)) => Some(1),
            (None, None) => None,
        }
    }

    fn take(&mut self, at: Timestamp, side: usize, range_m: f64) {
        let off_m = self.tracks[side].map_or(0.0, |t| (range_m - t.predicted_m(at)).abs());
        if let Some(track) = &mut self.tracks[side] {
            track.follow(at, range_m);
        }
        let (Some(a), Some(b)) = (self.tracks[0], self.tracks[1]) else {
            self.on = side;
            return;
        };
        let apart_m = (a.predicted_m(at) - b.predicted_m(at)).abs();
        if apart_m < APART_M {
            // Two tracks that meet are one: the newer one goes on.
            self.tracks[1 - side] = None;
            self.begin(at);
            self.on = side;
            return;
        }
        self.sides[side] += 1;
        self.apart_sum_m += apart_m;
        if side != self.on {
            self.changes += 1;
            self.back_m[side] += off_m;
            self.backs[side] += 1;
            self.on = side;
            if self.found.is_some() {
                self.last_change = Some(at);
            }
        }
        self.judge(at);
    }

    fn judge(&mut self, at: Timestamp) {
        if self.began.is_none_or(|began| at.since(began) > WITHIN) {
            self.begin(at);
        }
        let rarer = self.sides[0].min(self.sides[1]);
        let all = f64::from(self.sides[0] + self.sides[1]);
        let share = f64::from(rarer) / all;
        let by_chance = 2.0 * share * (1.0 - share) * all;
        let in_turn = self.changes >= CHANGES && f64::from(self.changes) >= BY_CHANCE * by_chance;
        let smooth = (0..2).all(|i| self.back_m[i] <= BACK_M * f64::from(self.backs[i]));
        if rarer >= A_SIDE && in_turn && smooth {
            self.found = Some(Found { apart_m: self.apart_sum_m / all, share });
            self.last_change = Some(at);
            self.begin(at);
        }
    }

    /// A range that is on no track: the start of one, if there is room, or a mark against the run.
    fn stray(&mut self, at: Timestamp, range_m: f64) {
        let fresh = Track { level_m: range_m, pace_mps: 0.0, at };
        if let Some(free) = self.tracks.iter_mut().find(|t| t.is_none()) {
            *free = Some(fresh);
            self.begin(at);
            return;
        }
        self.strays += 1;
        let taken = self.sides[0] + self.sides[1];
        if f64::from(self.strays) > 1.0 + STRAYS * f64::from(taken) {
            // Too many: whichever side was heard less recently gives way.
            let older = usize::from(self.tracks[1].map(|t| t.at) < self.tracks[0].map(|t| t.at));
            self.tracks[older] = Some(fresh);
            self.begin(at);
        }
    }

    fn begin(&mut self, at: Timestamp) {
        self.began = Some(at);
        self.sides = [0; 2];
        self.changes = 0;
        self.back_m = [0.0; 2];
        self.backs = [0; 2];
        self.strays = 0;
        self.apart_sum_m = 0.0;
    }

    fn forget_if_well(&mut self, at: Timestamp) {
        if self.last_change.is_none_or(|last| at.since(last) > WELL_AFTER) {
            self.found = None;
        }
    }
}

#[cfg(test)]
#[path = "doubles_tests.rs"]
mod tests;
