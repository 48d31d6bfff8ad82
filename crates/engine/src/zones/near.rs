//! The rule of a zone near an anchor: by the ranges to that anchor alone, no position needed.
//!
//! **Measured** is a slant range; the zone's distances are horizontal. In 2D the height between anchor and tag is
//! known, and a horizontal distance d is the slant range √(d² + height²). In 3D it is not, and the slant range is
//! compared as it is: the zone is a ball round the anchor.
//!
//! **Enter:** four of the last five ranges lie within `enter_m`; one wild reading neither opens nor keeps out.
//! **Leave:** none within `leave_m` for [`LEAVE_AFTER`], because a late range (a person in between) reads long for a
//! second or two at a time; or at once when the tag walks away: the ranges grew steadily from within
//! `enter_m` to beyond `leave_m`, or go on growing out there by more than a late range wanders. Steady means in steps no
//! larger than [`LARGEST_STEP_M`]: a range that becomes late jumps. In between nothing changes.
//!
//! **A decision holds** for as long as it took to hear the last five ranges, at least 1 s and at most 2 s: four
//! missed answers are a tag that is gone, at whatever pace the kit goes. Then it is unknown, and the ranges before
//! count no more.
//!
//! **Unknown** also while two boards answer to the anchor's id, and in the first minute after the tag was first heard: so
//! long it takes to find two boards.
//!
//! The rule goes by ranges heard, not by frames, so that kits that range to one anchor at a time are served alike.

use arrayvec::ArrayVec;
use hereabout_core::{AnchorId, Dimension, MAX_ANCHORS, Micros, Site, Timestamp, Verdict, ZoneState};

use super::Answer;
use crate::report::{JudgedRange, ZoneWhy};

/// Ranges that are looked at for entering, and how many of them must be within.
const ENTER_OF: usize = 5;
const ENTER_NEED: usize = 4;
/// None within for this long is outside.
const LEAVE_AFTER: Micros = Micros::from_millis(12_000);
/// A tag doesn't move further between two ranges, a range that becomes late seldom jumps less, metres.
const LARGEST_STEP_M: f64 = 0.35;
/// Growth is that of the later half of so many ranges over the earlier half: at walking pace 0.7 m, and 0.13 m (one
/// standard deviation) for a late range that wanders.
const GROWTH_OF: usize = 16;
/// Enough on the way from within `enter_m`, with so many of the last ones beyond `leave_m`.
const OUT_GROWTH_M: f64 = 0.5;
const OUT_BEYOND: usize = 3;
/// Enough with all of them beyond `leave_m`.
const ON_GROWTH_M: f64 = 0.65;
/// Not armed for this long after the tag was first heard.
const SETTLING: Micros = Micros::from_millis(60_000);
/// Shortest and longest time that a decision holds.
const HOLDS_AT_LEAST: Micros = Micros::from_millis(1_000);
const HOLDS_AT_MOST: Micros = Micros::from_millis(2_000);

/// One zone near an anchor and one tag.
#[derive(Clone, Debug)]
pub(super) struct NearRule {
    anchor: AnchorId,
    anchor_index: usize,
    /// Height between anchor and tag where it is known, metres.
    height_m: f64,
    enter_m: f64,
    /// Slant ranges, metres.
    enter_slant_m: f64,
    leave_slant_m: f64,
    armed_at: Timestamp,
    /// What the ranges say, whether or not it may be published.
    state: ZoneState,
    ever_heard: bool,
    /// The last ranges, oldest first, metres.
    recent: ArrayVec<(Timestamp, f64), ENTER_OF>,
    /// Medians of three ranges in a row, oldest first, metres: a single wild reading doesn't show.
    calm: ArrayVec<f64, GROWTH_OF>,
    /// They have gone in steps of a tag since one of them lay within `enter_m`.
    steady: bool,
    /// Since when no range has been within `leave_m`.
    none_within: Option<Timestamp>,
}

/// Whether it is a range at all, whatever became of it.
pub(super) fn is_heard(range: &JudgedRange) -> bool {
    range.range_m.is_some()
        && !matches!(range.verdict, Verdict::NoReading | Verdict::AnchorSilent | Verdict::OutOfSpan)
}

impl NearRule {
    pub(super) fn new(site: &Site, anchor: AnchorId, enter_m: f64, leave_m: f64, at: Timestamp) -> NearRule {
        let anchor_index = site.anchor_index(anchor).unwrap_or(MAX_ANCHORS);
        let height_m = match (site.dimension(), site.anchors().get(anchor_index)) {
            (Dimension::TwoD { tag_height_m }, Some(a)) => a.at_m[2] - tag_height_m,
            _ => 0.0,
        };
        let slant = |d: f64| (d * d + height_m * height_m).sqrt();
        NearRule {
            anchor,
            anchor_index,
            height_m,
            enter_m,
            enter_slant_m: slant(enter_m),
            leave_slant_m: slant(leave_m),
            armed_at: at.plus(SETTLING),
            state: ZoneState::Unknown,
            ever_heard: false,
            recent: ArrayVec::new(),
            calm: ArrayVec::new(),
            steady: false,
            none_within: None,
        }
    }

    /// Forgets the ranges so far.
    pub(super) fn start_over(&mut self) {
        self.state = ZoneState::Unknown;
        self.recent.clear();
        self.calm.clear();
        self.steady = false;
        self.none_within = None;
    }

    /// What the zone is at `at`, with the ranges of an epoch (none when a time ran out).
    pub(super) fn judge(
        &mut self,
        at: Timestamp,
        ranges: &ArrayVec<JudgedRange, MAX_ANCHORS>,
        two_boards: &impl Fn(usize) -> bool,
    ) -> Answer {
        if self.holds_until().is_some_and(|t| t <= at) {
            self.start_over();
        }
        let own = ranges.iter().find(|r| r.anchor == self.anchor && is_heard(r));
        if let Some(range_m) = own.and_then(|r| r.range_m) {
            self.take(at, range_m);
        }
        let holds_until = self.holds_until();
        let why = if two_boards(self.anchor_index) {
            self.start_over();
            ZoneWhy::TwoBoards
        } else if !self.ever_heard {
            ZoneWhy::NeverHeard
        } else if holds_until.is_none() {
            ZoneWhy::NoData
        } else if at < self.armed_at {
            ZoneWhy::Settling { until: self.armed_at }
        } else if self.state == ZoneState::Unknown {
            ZoneWhy::Undecided
        } else {
            ZoneWhy::Range
        };
        let state = if why == ZoneWhy::Range { self.state } else { ZoneState::Unknown };
        let valid_until = holds_until.unwrap_or(at);
        Answer { state, why, valid_until, probability: None, depth_m: self.depth_m(), eta_s: None }
    }

    /// Takes in one range.
    fn take(&mut self, at: Timestamp, range_m: f64) {
        self.ever_heard = true;
        push_newest(&mut self.recent, (at, range_m));
        if let [.., (_, a), (_, b), (_, c)] = self.recent[..] {
            self.take_calm(a.max(b).min(a.min(b).max(c)));
        }
        self.none_within = if range_m <= self.leave_slant_m { None } else { self.none_within.or(Some(at)) };
        let within = self.recent.iter().filter(|(_, r)| *r <= self.enter_slant_m).count();
        let gone_long = self.none_within.is_some_and(|since| at.since(since) >= LEAVE_AFTER);
        if self.recent.is_full() && within >= ENTER_NEED {
            self.state = ZoneState::Inside;
        } else if gone_long || self.walks_out() || self.walks_on() {
            self.state = ZoneState::Outside;
        }
    }

    fn take_calm(&mut self, range_m: f64) {
        let step_m = self.calm.last().map_or(0.0, |last| (range_m - last).abs());
        self.steady = range_m <= self.enter_slant_m || (self.steady && step_m <= LARGEST_STEP_M);
        push_newest(&mut self.calm, range_m);
    }

    /// Steady growth from within `enter_m` to beyond `leave_m`.
    fn walks_out(&self) -> bool {
        let newest = &self.calm[self.calm.len().saturating_sub(OUT_BEYOND)..];
        let beyond = newest.iter().all(|r| *r > self.leave_slant_m);
        self.steady && self.calm.is_full() && beyond && growth_m(&self.calm) >= OUT_GROWTH_M
    }

    /// Steady growth beyond `leave_m`.
    fn walks_on(&self) -> bool {
        let beyond = self.calm.iter().all(|r| *r > self.leave_slant_m);
        let steady = self.calm.windows(2).all(|w| (w[1] - w[0]).abs() <= LARGEST_STEP_M);
        self.calm.is_full() && beyond && steady && growth_m(&self.calm) >= ON_GROWTH_M
    }

    /// Until when what was heard last holds; `None` without anything.
    fn holds_until(&self) -> Option<Timestamp> {
        let newest = self.recent.last()?.0;
        let took = newest.since(self.recent.first()?.0);
        // Until five were heard nothing is known about the kit's pace.
        let holds = if self.recent.is_full() { took } else { HOLDS_AT_MOST };
        Some(newest.plus(holds.clamp(HOLDS_AT_LEAST, HOLDS_AT_MOST)))
    }

    /// How far inside of `enter_m`, horizontally, by the median of the last five ranges.
    fn depth_m(&self) -> Option<f64> {
        let mut sorted: ArrayVec<f64, ENTER_OF> = self.recent.iter().map(|(_, r)| *r).collect();
        sorted.sort_unstable_by(f64::total_cmp);
        let slant_m = *sorted.get(sorted.len() / 2)?;
        let flat_m = (slant_m * slant_m - self.height_m * self.height_m).max(0.0).sqrt();
        Some(self.enter_m - flat_m)
    }
}

/// How much farther away the later half of some ranges is than the earlier half, metres.
fn growth_m(ranges_m: &[f64]) -> f64 {
    let mean = |half: &[f64]| half.iter().sum::<f64>() / half.len() as f64;
    let (earlier, later) = ranges_m.split_at(ranges_m.len() / 2);
    mean(later) - mean(earlier)
}

/// Adds the newest and drops the oldest when there is no room.
fn push_newest<T, const N: usize>(list: &mut ArrayVec<T, N>, newest: T) {
    if list.is_full() {
        list.remove(0);
    }
    list.push(newest);
}
