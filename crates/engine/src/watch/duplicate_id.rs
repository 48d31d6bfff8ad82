//! Two boards with one id: the ranges of one anchor jump between two levels that each go on smoothly.
//!
//! **Model.** Two boards stand at two places and chance decides which one answers. The ranges are laid on two
//! tracks, each with a level and a pace (an α-β filter whose gains follow from the time since the track's last range, the
//! noise of a range and what a tag accelerates: it forgets in 0.4 s at ten ranges a second and in 0.7 s at one). A
//! range belongs to the track whose prediction it meets within [`REACH_SIGMAS`]; a track that is new or was not heard
//! for a while reaches further, for a tag that goes at up to [`PACE_MPS`].
//! A late range is no track: its delay is another one each
//! time, so coming back to it misses the old level. People and shelves keep a delay for a second or two and shift
//! both levels at once; those ranges are strays. So a *run* is sought: at least [`A_SIDE`] ranges on either side
//! within [`WITHIN_S`], about as many changes of side as chance gives (someone in the way changes it once in a second or
//! two), tracks at least [`APART_M`] apart, and at most one range in ten a
//! stray; a run with more strays begins anew.
//!
//! **At any pace.** Ranges are counted, because they are the evidence, and the times that they need grow with the
//! anchor's learned interval. Two boards that share the ranges take seconds at ten a second; at one a second they take
//! half a minute at the least and mostly a minute or two, and only while the tag stands or goes slowly: between two ranges of
//! one board a faster tag goes further than the boards stand apart.
//!
//! **Latched.** Once found, the finding stays until [`WELL_AFTER`] of ranges in which the rarer side was not heard.
//!
//! The ranges are used as they come, so that one anchor without a position can be told as well; tags are kept apart.

use hereabout_core::{Micros, Timestamp};

/// Standard deviation of a range about its track, metres: noise, and what belongs to the place.
const RANGE_SIGMA_M: f64 = 0.15;
/// How much the pace of a track changes in a second, metres per second (one standard deviation).
const CHANGE_MPS: f64 = 0.5;
/// No tag goes faster along a range, metres per second: two standard deviations of a pace that nothing is known about.
const PACE_MPS: f64 = 5.0;
/// How far a range lies from the prediction of its track at most: standard deviations of the prediction, but …
const REACH_SIGMAS: f64 = 3.0;
/// … so many metres at least, and at most the larger of so many metres and a share of the way to the other track.
const REACH_M: f64 = 0.25;
const MAX_REACH_M: f64 = 0.55;
const MAX_REACH_SHARE: f64 = 0.4;
/// Where the other track would be while there is none, metres.
const OTHER_M: f64 = 2.0;
/// Smallest distance between the two levels, metres.
const APART_M: f64 = 0.5;
/// Ranges that either side needs, and changes of side.
const A_SIDE: u32 = 14;
const CHANGES: u32 = 14;
/// Least changes of side, as a share of what chance would give two boards with these shares of the ranges.
const BY_CHANCE: f64 = 0.6;
/// Largest mean distance from the prediction on coming back to a side, metres or as a share of the mean distance between
/// the tracks: a delay comes back as another one.
const BACK_M: f64 = 0.18;
const BACK: f64 = 0.18;
/// Largest share of strays in a run.
const STRAYS: f64 = 0.10;
/// A run longer than this is begun anew, or than so many intervals where that is longer.
const WITHIN_S: f64 = 20.0;
const WITHIN_INTERVALS: f64 = 64.0;
/// A track that was not heard for this long is given up, or for so many intervals where that is longer. Seconds.
const STALE_S: f64 = 3.0;
const STALE_INTERVALS: f64 = 8.0;
/// The anchor's interval is a mean that forgets with this gain; a longer one is a pause. Seconds.
const INTERVAL_GAIN: f64 = 0.1;
const PAUSE_S: f64 = 10.0;
/// Without the rarer side for this long (while heard) the anchor is well again.
const WELL_AFTER: Micros = Micros::from_millis(300_000);

/// A level that goes on at a pace, with how well both are known.
#[derive(Clone, Copy, Debug)]
struct Track {
    level_m: f64,
    pace_mps: f64,
    /// Variances of level and pace, and their covariance: m², m²/s², m²/s.
    level_var: f64,
    pace_var: f64,
    both_var: f64,
    at: Timestamp,
}

impl Track {
    fn new(at: Timestamp, range_m: f64) -> Track {
        let level_var = RANGE_SIGMA_M * RANGE_SIGMA_M;
        let pace_var = 0.25 * PACE_MPS * PACE_MPS;
        Track { level_m: range_m, pace_mps: 0.0, level_var, pace_var, both_var: 0.0, at }
    }

    fn age_s(&self, at: Timestamp) -> f64 {
        at.since(self.at).secs_f64().clamp(0.0, 60.0)
    }

    fn predicted_m(&self, at: Timestamp) -> f64 {
        self.level_m + self.pace_mps * self.age_s(at)
    }

    /// The track at a later instant: its pace changes at random (white acceleration).
    fn ahead(&self, at: Timestamp) -> Track {
        let (dt, q) = (self.age_s(at), CHANGE_MPS * CHANGE_MPS);
        Track {
            level_m: self.predicted_m(at),
            level_var: self.level_var + dt * (2.0 * self.both_var + dt * (self.pace_var + dt * q / 3.0)),
            both_var: self.both_var + dt * (self.pace_var + dt * q / 2.0),
            pace_var: self.pace_var + dt * q,
            at,
            ..*self
        }
    }

    /// How far off a range is from what the track predicts, if it may belong to it; the other track is `apart_m` away.
    fn off_m(&self, at: Timestamp, range_m: f64, apart_m: f64) -> Option<f64> {
        let ahead = self.ahead(at);
        let sigma_m = (ahead.level_var + RANGE_SIGMA_M * RANGE_SIGMA_M).sqrt();
        let most_m = MAX_REACH_M.max(MAX_REACH_SHARE * apart_m);
        let off_m = (range_m - ahead.level_m).abs();
        (off_m <= (REACH_SIGMAS * sigma_m).max(REACH_M).min(most_m)).then_some(off_m)
    }

    fn follow(&mut self, at: Timestamp, range_m: f64) {
        let ahead = self.ahead(at);
        let variance = ahead.level_var + RANGE_SIGMA_M * RANGE_SIGMA_M;
        let (alpha, pace_gain) = (ahead.level_var / variance, ahead.both_var / variance);
        let off_m = range_m - ahead.level_m;
        *self = Track {
            level_m: ahead.level_m + alpha * off_m,
            pace_mps: (ahead.pace_mps + pace_gain * off_m).clamp(-PACE_MPS, PACE_MPS),
            level_var: (1.0 - alpha) * ahead.level_var,
            pace_var: ahead.pace_var - pace_gain * ahead.both_var,
            both_var: (1.0 - alpha) * ahead.both_var,
            at,
        };
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
pub(crate) struct DuplicateId {
    /// The last range, and the mean time between two; 0 before the second. Seconds.
    heard: Option<Timestamp>,
    interval_s: f64,
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

impl DuplicateId {
    /// Takes in one range; metres.
    pub(crate) fn hear(&mut self, at: Timestamp, range_m: f64) {
        self.learn_interval(at);
        let stale_s = STALE_S.max(STALE_INTERVALS * self.interval_s);
        for track in &mut self.tracks {
            if track.is_some_and(|t| t.age_s(at) > stale_s) {
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

    fn learn_interval(&mut self, at: Timestamp) {
        if let Some(heard) = self.heard.replace(at) {
            let interval_s = at.since(heard).secs_f64().clamp(0.0, PAUSE_S);
            let gain = if self.interval_s > 0.0 { INTERVAL_GAIN } else { 1.0 };
            self.interval_s += gain * (interval_s - self.interval_s);
        }
    }

    /// What was found, while it lasts.
    pub(crate) fn found(&self) -> Option<Found> {
        self.found
    }

    /// The track that the range belongs to: of two that fit the nearer one.
    fn side_of(&self, at: Timestamp, range_m: f64) -> Option<usize> {
        let off = |i: usize| {
            let track = self.tracks[i].as_ref()?;
            let other = self.tracks[1 - i].as_ref();
            let apart_m = other.map_or(OTHER_M, |o| (o.predicted_m(at) - track.predicted_m(at)).abs());
            track.off_m(at, range_m, apart_m)
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
        let within_s = WITHIN_S.max(WITHIN_INTERVALS * self.interval_s);
        if self.began.is_none_or(|began| at.since(began).secs_f64() > within_s) {
            self.begin(at);
        }
        let rarer = self.sides[0].min(self.sides[1]);
        let all = f64::from(self.sides[0] + self.sides[1]);
        let share = f64::from(rarer) / all;
        let by_chance = 2.0 * share * (1.0 - share) * all;
        let in_turn = self.changes >= CHANGES && f64::from(self.changes) >= BY_CHANCE * by_chance;
        let back_m = BACK_M.max(BACK * self.apart_sum_m / all);
        let smooth = (0..2).all(|i| self.back_m[i] <= back_m * f64::from(self.backs[i]));
        if rarer >= A_SIDE && in_turn && smooth {
            self.found = Some(Found { apart_m: self.apart_sum_m / all, share });
            self.last_change = Some(at);
            self.begin(at);
        }
    }

    /// A range that is on no track: the start of one, if there is room, or a mark against the run.
    fn stray(&mut self, at: Timestamp, range_m: f64) {
        let fresh = Track::new(at, range_m);
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
mod tests;
