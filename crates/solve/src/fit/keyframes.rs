//! What is kept of what a kit reported: seconds whose distances differ.
//!
//! **Seconds.** Per tag and anchor the median over one second. Anchors with fewer than three ranges are left out, unless no
//! anchor has three: slow kits (1 or 2 Hz, or one range at a time) give the median of what there is, and a second in which
//! fewer than dimension + 2 anchors were heard is stretched to two.
//!
//! **Keyframes.** A second is new when at least max(2, half) of its ranges differ by more than 6 % of its median range from
//! those of every keyframe of its tag. One that is like a kept one takes its place once that is 20 s old, so that the
//! set follows a kit that changes. When the set is full the limit grows by a quarter and the older ones of those that are alike by it go: they
//! thin out evenly over distances. Keyframes older than ten minutes go once 24 newer ones are there.
//!
//! A tag that stands gives one keyframe. No unit is assumed.
//!
//! **Noise.** The median of the deviations of a range from the line through its neighbours, pooled, is the noise of a range.

use arrayvec::ArrayVec;
use hereabout_core::{AnchorSet, MAX_ANCHORS, Micros, Timestamp};

use super::FitRange;
use super::stated_site::PerAnchor;
use crate::math::robust::median_of_sorted;

/// Keyframes that are kept at most: with more, those that are alike go.
pub(super) const MAX_KEYFRAMES: usize = 48;
/// Tags that are listened to; more of them bring nothing new.
pub(super) const MAX_HEARD_TAGS: usize = 8;
const MIN_SECOND: Micros = Micros::from_millis(1_000);
const MAX_SECOND: Micros = Micros::from_millis(2_000);
const TOO_OLD: Micros = Micros::from_millis(600_000);
const RENEWED_AFTER: Micros = Micros::from_millis(20_000);
const ENOUGH_NEWER: usize = 24;
const MAX_IN_SECOND: usize = 48;
const MIN_DIFFERENCE_RATIO: f64 = 0.06;

/// One second of a tag.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Keyframe {
    /// Slot of the tag among those that are listened to, not its id.
    pub(super) tag: usize,
    pub(super) at: Timestamp,
    /// Medians, in metres as taken; only where `heard` has a bit.
    pub(super) raw_m: PerAnchor,
    pub(super) heard: AnchorSet,
}

/// The second of one tag that is being filled.
#[derive(Clone, Debug)]
pub(super) struct Second {
    /// Index of the tag outside.
    pub(super) tag: usize,
    from: Option<Timestamp>,
    last: Timestamp,
    ranges_m: Box<[ArrayVec<f64, MAX_IN_SECOND>; MAX_ANCHORS]>,
    /// The last two ranges of each anchor with their times in seconds of `last`'s scale.
    before: Box<[[(i64, f64); 2]; MAX_ANCHORS]>,
}

impl Second {
    pub(super) fn new(tag: usize) -> Second {
        Second {
            tag,
            from: None,
            last: Timestamp::MIN,
            ranges_m: Box::new(std::array::from_fn(|_| ArrayVec::new())),
            before: Box::new([[(i64::MIN, f64::NAN); 2]; MAX_ANCHORS]),
        }
    }

    /// Takes ranges in; gives the second before when these begin a new one. `needed` anchors end it in time.
    pub(super) fn take(
        &mut self,
        slot: usize,
        at: Timestamp,
        ranges: &[FitRange],
        needed: usize,
        noise: &mut Noise,
    ) -> Option<Keyframe> {
        // A clock that went back, or a long silence: what was begun is worth nothing.
        if self.from.is_some() && (at < self.last || at.since(self.last) > MAX_SECOND) {
            self.clear();
        }
        self.last = at;
        let age = self.from.map_or(Micros::ZERO, |from| at.since(from));
        let heard = self.ranges_m.iter().filter(|r| !r.is_empty()).count();
        let done = age >= MAX_SECOND || (age >= MIN_SECOND && heard >= needed);
        let closed = if done { self.close(slot) } else { None };
        self.from.get_or_insert(at);
        for r in ranges {
            if r.anchor < MAX_ANCHORS && r.raw_range_m.is_finite() && r.raw_range_m > 0.0 {
                let _ = self.ranges_m[r.anchor].try_push(r.raw_range_m);
                noise.take(&mut self.before[r.anchor], at.micros(), r.raw_range_m);
            }
        }
        closed
    }

    /// Ends the second: its medians, when any anchor was heard.
    pub(super) fn close(&mut self, slot: usize) -> Option<Keyframe> {
        let from = self.from?;
        let least = self.ranges_m.iter().map(ArrayVec::len).max().unwrap_or(0).clamp(1, 3);
        let mut k = Keyframe { tag: slot, at: from, raw_m: [f64::NAN; MAX_ANCHORS], heard: AnchorSet::EMPTY };
        for (i, ranges) in self.ranges_m.iter_mut().enumerate() {
            if ranges.len() >= least {
                k.raw_m[i] = median(ranges);
                k.heard.insert(i);
            }
        }
        self.clear();
        (!k.heard.is_empty()).then_some(k)
    }

    fn clear(&mut self) {
        self.from = None;
        self.ranges_m.iter_mut().for_each(ArrayVec::clear);
    }
}

/// Sorts them; NaN for none.
fn median(values_m: &mut [f64]) -> f64 {
    values_m.sort_unstable_by(f64::total_cmp);
    median_of_sorted(values_m).unwrap_or(f64::NAN)
}

/// How noisy ranges are, and how many make a median.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Noise {
    /// Median of the deviations from the line through the neighbours, over its factor; metres as taken.
    deviation_m: f64,
    /// Ranges in a median, a running mean.
    pub(super) ranges_per_median: f64,
}

impl Noise {
    fn take(&mut self, before: &mut [(i64, f64); 2], at_us: i64, range_m: f64) {
        let [(t0, y0), (t1, y1)] = *before;
        *before = [(t1, y1), (at_us, range_m)];
        let whole = at_us.saturating_sub(t0) as f64;
        let part = t1.saturating_sub(t0) as f64 / whole;
        // At rates below one a second acceleration would count as noise.
        if !(whole > 0.0 && whole <= 3e6 && part > 0.0 && part < 1.0) {
            return;
        }
        let off = (y1 - y0 - part * (range_m - y0)).abs();
        let off = off / (1.0 + part * part + (1.0 - part) * (1.0 - part)).sqrt();
        if self.deviation_m <= 0.0 {
            self.deviation_m = off.max(1e-9);
        } else if off > self.deviation_m {
            self.deviation_m *= 1.03;
        } else {
            self.deviation_m /= 1.03;
        }
    }

    /// Noise of a keyframe's medians, metres as taken.
    pub(super) fn of_medians_m(&self) -> f64 {
        self.deviation_m / 0.6745 * 1.25 / self.ranges_per_median.max(1.56).sqrt()
    }
}

/// The seconds that were kept, their distances all different.
#[derive(Clone, Debug)]
pub(super) struct Keyframes {
    pub(super) kept: ArrayVec<Keyframe, MAX_KEYFRAMES>,
    limit_ratio: f64,
    /// Grows with everything that is kept.
    pub(super) version: u64,
}

impl Keyframes {
    pub(super) fn new() -> Keyframes {
        Keyframes { kept: ArrayVec::new(), limit_ratio: MIN_DIFFERENCE_RATIO, version: 0 }
    }

    /// Keeps a second that has at least `least` ranges: as a new keyframe, or in the place of one like it.
    pub(super) fn keep(&mut self, second: &Keyframe, least: usize) {
        if second.heard.len() < least {
            return;
        }
        if let Some(k) = self.kept.iter_mut().find(|k| alike(k, second, self.limit_ratio)) {
            // At once, a slow tag would drag its keyframe along for ever.
            if second.at < k.at || second.at.since(k.at) >= RENEWED_AFTER {
                *k = *second;
                self.version += 1;
            }
            return;
        }
        self.version += 1;
        self.drop_old(second.at);
        while self.kept.is_full() {
            self.thin();
        }
        self.kept.push(*second);
    }

    /// Drops what was heard before a time, when the kit changed.
    pub(super) fn drop_before(&mut self, at: Timestamp) {
        self.kept.retain(|k| k.at >= at);
        self.limit_ratio = MIN_DIFFERENCE_RATIO;
        self.version += 1;
    }

    /// Drops what was heard of a tag.
    pub(super) fn forget(&mut self, slot: usize) {
        self.kept.retain(|k| k.tag != slot);
        self.version += 1;
    }

    fn drop_old(&mut self, now: Timestamp) {
        let is_old = |k: &Keyframe| now.since(k.at) > TOO_OLD;
        if self.kept.iter().filter(|k| !is_old(k)).count() >= ENOUGH_NEWER {
            self.kept.retain(|k| !is_old(k));
        }
    }

    fn thin(&mut self) {
        self.limit_ratio *= 1.25;
        // From the newest on: what is like one that stays goes. (Against all newer ones a track would vanish link by link.)
        self.kept.sort_unstable_by_key(|k| (std::cmp::Reverse(k.at), k.tag));
        let mut stay: ArrayVec<usize, MAX_KEYFRAMES> = ArrayVec::new();
        for i in 0..self.kept.len() {
            if !stay.iter().any(|&s| alike(&self.kept[s], &self.kept[i], self.limit_ratio)) {
                stay.push(i);
            }
        }
        for (to, from) in stay.iter().enumerate() {
            self.kept[to] = self.kept[*from];
        }
        self.kept.truncate(stay.len());
        // Distances that grow without end must not keep this loop going.
        if self.limit_ratio > 2.0 && self.kept.is_full() {
            self.kept.pop();
            self.limit_ratio = MIN_DIFFERENCE_RATIO;
        }
    }
}

/// Whether fewer than max(2, half) of the ranges differ.
fn alike(a: &Keyframe, b: &Keyframe, limit_ratio: f64) -> bool {
    if a.tag != b.tag {
        return false;
    }
    let both = a.heard.intersection(b.heard);
    let mut sizes: ArrayVec<f64, MAX_ANCHORS> = both.iter().map(|i| b.raw_m[i]).collect();
    if sizes.is_empty() {
        return false;
    }
    let least = limit_ratio * median(&mut sizes);
    let differ = both.iter().filter(|&i| (a.raw_m[i] - b.raw_m[i]).abs() > least).count();
    differ < (sizes.len() / 2).max(2)
}
