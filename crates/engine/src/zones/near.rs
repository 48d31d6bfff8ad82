//! The rule of a zone near an anchor: by the ranges to that anchor alone, no position needed.
//!
//! **Measured** is a slant range; the zone's distances are horizontal. In 2D the height between anchor and tag is
//! known, and a horizontal distance d is the slant range √(d² + height²). In 3D it is not, and the slant range is
//! compared as it is: the zone is a ball round the anchor.
//!
//! **Everything counts in seconds and metres**, whatever the pace of the kit: a tag goes at [`TOP_SPEED_MPS`] at most, and the
//! anchor's pace is learned from its last five ranges. What must last is looked at in *slots* of [`SLOT`] at least, so that
//! forty ranges a second need no more room than ten; a slower kit has a range in each.
//!
//! **Enter:** within the last 0.4 s, or four and a half intervals where that is longer, four ranges in five lie within
//! `enter_m`, the newest among them; one wild reading neither opens nor keeps out.
//!
//! **Inside ends** a second after the last range within `leave_m`. A tag that has crossed at any speed isn't called inside
//! for longer. Only what is clearly late may last up to [`LATE_FOR`]: it jumped further than a tag could have gone, and
//! has stood still since for at least [`LATE_NEED`] ranges. A late range is longer than the way, so a tag that walks
//! off behind it shows as growth. **Outside ends** a second after the last range beyond `enter_m`: a range is never too
//! short. What has ended is unknown until one of the two rules is met.
//!
//! **Leave:** the tag walks away, or no range has been within `leave_m` for [`LEAVE_AFTER`], because a person in between
//! makes them long for a second or two at a time. Walking away is growth of the later half of the last 1.5 s (six
//! intervals) over the earlier half, with the newest quarter of a second beyond `leave_m`. A range that becomes late jumps
//! once, and a tag makes many steps: so the largest step counts for nothing if it is longer than [`JUMP_M`], and
//! any other for no more than that. It must be [`OUT_GROWTH_M`] if the ranges went from within `enter_m` without a jump,
//! [`ON_GROWTH_M`] with all of them beyond `leave_m`, [`FAST_GROWTH_M`] after steps that a fast tag makes: more than a late
//! range wanders.
//!
//! **A decision holds** from its last range for one and a half intervals, at least 0.5 s and at most 2 s. Then it
//! is unknown, and the ranges before count no more. One thing outlasts a silence of up to [`MAX_HOLD`]: since when none
//! has been within `leave_m`. Otherwise a kit that misses a range now and then would never get there.
//!
//! **Unknown** also while two boards answer to the anchor's id, and in the first minute after the tag was first heard: so
//! long it takes to find two boards of a kit that sends ten a second.
//!
//! The rule goes by ranges heard, not by frames, so that kits that range to one anchor at a time are served alike.

use arrayvec::ArrayVec;
use hereabout_core::{AnchorId, Dimension, JudgedRange, MAX_ANCHORS, Micros, Site, Timestamp, ZoneState};

use super::Answer;
use crate::output::ZoneWhy;
use hereabout_core::series::{push_newest, upper_median};

/// No tag goes faster, m/s.
const TOP_SPEED_MPS: f64 = 5.0;
/// The pace is that of so many ranges; before that nothing is decided.
const PACE_OF: usize = 5;
/// Ranges that came within this time are one slot.
const SLOT: Micros = Micros::from_millis(70);
/// Slots kept: enough for 1.5 s of the shortest ones and for six intervals of a slow kit, with two for the medians.
const SLOTS: usize = 24;
/// A slot's middle is that of its first ranges; more of them make it no better.
const SLOT_RANGES: usize = 8;
/// For entering: how far back is looked, at least and in intervals (the half is for uneven ones), and the history that it takes.
const ENTER_OVER: Micros = Micros::from_millis(400);
const ENTER_INTERVALS: f64 = 4.5;
const ENTER_HISTORY: Micros = Micros::from_millis(380);
/// So many of five ranges must be within `enter_m`, and so many in all.
const ENTER_NEED: u32 = 4;
/// An answer that the ranges speak against ends after this long.
const AGAINST: Micros = Micros::from_millis(1_000);
/// Inside while the ranges are clearly late ends after this long, …
const LATE_FOR: Micros = Micros::from_millis(4_000);
/// … and so many ranges must have stood still for it, or growth would not show.
const LATE_NEED: u32 = 4;
/// A late range wanders by no more than this in a second, metres; in a longer time with its root.
const WANDER_M: f64 = 0.25;
/// Ranges that grew by more than this in the second before they jumped are those of a tag that walks, metres.
const LEAVING_M: f64 = 0.2;
/// None within for this long is outside.
const LEAVE_AFTER: Micros = Micros::from_millis(12_000);
/// A range that becomes late seldom jumps less, metres.
const JUMP_M: f64 = 0.35;
/// How far back growth is looked for, at least and in intervals, and how many slots it takes. At walking pace it is 0.7 m,
/// and 0.13 m (one standard deviation) for a late range that wanders.
const GROWTH_OVER: Micros = Micros::from_millis(1_500);
const GROWTH_INTERVALS: f64 = 6.0;
const GROWTH_SLOTS: usize = 6;
/// Enough on the way from within `enter_m`.
const OUT_GROWTH_M: f64 = 0.5;
/// Enough with all of them beyond `leave_m`.
const ON_GROWTH_M: f64 = 0.65;
/// Enough in steps of a fast tag.
const FAST_GROWTH_M: f64 = 0.85;
/// The newest ones, all of which must be beyond `leave_m`: over this time, and so many slots.
const BEYOND_OVER: Micros = Micros::from_millis(250);
const BEYOND_SLOTS: usize = 2;
/// Not armed for this long after the tag was first heard.
const SETTLING: Micros = Micros::from_millis(60_000);
/// How long a decision holds from its last range: intervals, shortest and longest.
const HOLDS_INTERVALS: f64 = 1.5;
const MIN_HOLD: Micros = Micros::from_millis(500);
const MAX_HOLD: Micros = Micros::from_millis(2_000);

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
    /// Three standard deviations of a range, metres.
    noise_m: f64,
    armed_at: Timestamp,
    /// What the ranges say, whether or not it may be published.
    state: ZoneState,
    last_heard: Option<Timestamp>,
    /// The last ranges, oldest first, metres.
    recent: ArrayVec<(Timestamp, f64), PACE_OF>,
    /// What came before, oldest first; the newest may still grow.
    slots: ArrayVec<Slot, SLOTS>,
    /// The ranges of the newest slot, metres.
    newest: ArrayVec<f64, SLOT_RANGES>,
    /// How the slots have gone since one of them lay within `enter_m`.
    gone: Gone,
    /// Since when no range has been within `leave_m`.
    none_within: Option<Timestamp>,
    /// The last range within `leave_m` that was not a single one.
    last_within: Option<Timestamp>,
    /// The last range beyond `enter_m`.
    last_beyond: Option<Timestamp>,
    /// The last range that was not clearly late, metres.
    plain: Option<(Timestamp, f64)>,
    late: Late,
}

/// Ranges that came at about the same time.
#[derive(Clone, Copy, Debug)]
struct Slot {
    /// The first of them.
    at: Timestamp,
    /// How many, and how many of them within `enter_m`.
    heard: u32,
    near: u32,
    /// Their median, metres.
    middle_m: f64,
}

/// In which steps.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Gone {
    /// At least one was too long for any tag, or none lay within `enter_m`.
    Jumped,
    /// In steps that a fast tag makes, and a range that becomes late as well.
    Fast,
    /// Without a jump.
    Steadily,
}

/// What the newest ranges have been.
#[derive(Clone, Copy, Debug)]
enum Late {
    /// Nothing that a tag could not do.
    No,
    /// They jumped further than a tag could have gone, and stood still.
    Stands(Stand),
    /// They jumped and went on growing, or had grown before: the tag goes away behind it.
    Grows,
}

/// Late ranges that stand still.
#[derive(Clone, Copy, Debug)]
struct Stand {
    /// When they jumped, and where to, metres.
    since: Timestamp,
    at_m: f64,
    /// The newest of them, metres.
    last_m: f64,
    /// How many they are.
    ranges: u32,
    /// The newest range was elsewhere: one wild reading is forgiven.
    astray: bool,
}

/// Whether it is a range at all, whatever became of it.
pub(super) fn is_heard(range: &JudgedRange) -> bool {
    range.range_m.is_some() && range.verdict.is_fresh()
}

impl NearRule {
    pub(super) fn new(site: &Site, anchor: AnchorId, enter_m: f64, leave_m: f64, at: Timestamp) -> NearRule {
        let anchor_index = site.anchor_index(anchor).unwrap_or(MAX_ANCHORS);
        let own = site.anchors().get(anchor_index);
        let height_m = match (site.dimension(), own) {
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
            noise_m: 3.0 * own.map_or(0.0, |a| a.range_sigma_m),
            armed_at: at.plus(SETTLING),
            state: ZoneState::Unknown,
            last_heard: None,
            recent: ArrayVec::new(),
            slots: ArrayVec::new(),
            newest: ArrayVec::new(),
            gone: Gone::Jumped,
            none_within: None,
            last_within: None,
            plain: None,
            last_beyond: None,
            late: Late::No,
        }
    }

    /// Forgets everything so far.
    pub(super) fn start_over(&mut self) {
        self.forget_ranges();
        self.none_within = None;
    }

    /// Forgets the ranges so far.
    fn forget_ranges(&mut self) {
        self.state = ZoneState::Unknown;
        self.recent.clear();
        self.slots.clear();
        self.newest.clear();
        self.gone = Gone::Jumped;
        self.last_within = None;
        self.plain = None;
        self.last_beyond = None;
        self.late = Late::No;
    }

    /// The answer has run out at `at`; why it is unknown now.
    pub(super) fn run_out(&mut self, at: Timestamp) -> ZoneWhy {
        self.expire(at);
        if self.recent.is_empty() { ZoneWhy::NoData } else { self.undecided() }
    }

    /// What the zone is at `at`, with the ranges of an epoch (none when a time ran out).
    pub(super) fn judge(
        &mut self,
        at: Timestamp,
        ranges: &ArrayVec<JudgedRange, MAX_ANCHORS>,
        doubt_of: &impl Fn(usize) -> Option<ZoneWhy>,
    ) -> Answer {
        self.expire(at);
        let own = ranges.iter().find(|r| r.anchor == self.anchor && is_heard(r));
        if let Some(range_m) = own.and_then(|r| r.range_m) {
            self.take(at, range_m);
        }
        let holds_until = self.holds_until();
        let why = if let Some(doubt) = doubt_of(self.anchor_index) {
            self.start_over();
            doubt
        } else if self.last_heard.is_none() {
            ZoneWhy::NeverHeard
        } else if holds_until.is_none() {
            ZoneWhy::NoData
        } else if at < self.armed_at {
            ZoneWhy::Settling { until: self.armed_at }
        } else if self.state == ZoneState::Unknown {
            self.undecided()
        } else {
            ZoneWhy::Range
        };
        let state = if why == ZoneWhy::Range { self.state } else { ZoneState::Unknown };
        let valid_until = [holds_until, self.against_until()].into_iter().flatten().min().unwrap_or(at);
        Answer { state, why, valid_until, probability: None, depth_m: self.depth_m(), eta_s: None }
    }

    /// Drops what does not hold at `at` any more.
    fn expire(&mut self, at: Timestamp) {
        if self.holds_until().is_some_and(|t| t <= at) {
            self.forget_ranges();
        } else if self.against_until().is_some_and(|t| t <= at) {
            self.state = ZoneState::Unknown;
        }
    }

    /// Why ranges that are heard decide nothing.
    fn undecided(&self) -> ZoneWhy {
        match self.recent.last() {
            Some((_, range_m)) if *range_m > self.leave_slant_m => ZoneWhy::RangeBeyond,
            _ => ZoneWhy::Undecided,
        }
    }

    /// Takes in one range.
    fn take(&mut self, at: Timestamp, range_m: f64) {
        if self.last_heard.is_none_or(|last| at.since(last) > MAX_HOLD) {
            self.none_within = None;
        }
        self.last_heard = Some(at);
        push_newest(&mut self.recent, (at, range_m));
        self.take_slot(at, range_m);
        if range_m > self.enter_slant_m {
            self.last_beyond = Some(at);
        }
        if range_m > self.leave_slant_m {
            self.none_within = self.none_within.or(Some(at));
        } else {
            self.none_within = None;
            // A single one among longer ones may be wild.
            let before_m = self.recent.iter().rev().nth(1).map(|r| r.1);
            if before_m.is_none_or(|m| m <= self.leave_slant_m) {
                self.last_within = Some(at);
            }
        }
        self.take_late(at, range_m);
        let gone_long = self.none_within.is_some_and(|since| at.since(since) >= LEAVE_AFTER);
        if self.enters(at, range_m) {
            // It is no single one then.
            (self.state, self.last_within) = (ZoneState::Inside, Some(at));
        } else if gone_long || self.walks_away(at) {
            self.state = ZoneState::Outside;
        } else {
            self.expire(at);
        }
    }

    fn take_slot(&mut self, at: Timestamp, range_m: f64) {
        if self.slots.last().is_none_or(|s| at.since(s.at) >= SLOT) {
            self.close_slot();
            self.newest.clear();
            push_newest(&mut self.slots, Slot { at, heard: 0, near: 0, middle_m: range_m });
        }
        // One that does not fit any more is counted all the same.
        let _ = self.newest.try_push(range_m);
        let Some(slot) = self.slots.last_mut() else { return };
        slot.heard += 1;
        slot.near += u32::from(range_m <= self.enter_slant_m);
        slot.middle_m = upper_median(&mut self.newest.clone()).unwrap_or(range_m);
    }

    /// The newest slot is complete.
    fn close_slot(&mut self) {
        let mut newest = self.calm().rev();
        let Some((at, range_m)) = newest.next() else { return };
        let step =
            newest.next().map(|(was_at, was_m)| (at.since(was_at).secs_f64(), (range_m - was_m).abs()));
        drop(newest);
        self.gone = match step {
            _ if range_m <= self.enter_slant_m => Gone::Steadily,
            Some((_, step_m)) if step_m <= JUMP_M => self.gone,
            Some((step_s, step_m)) if step_m <= TOP_SPEED_MPS * step_s + self.noise_m => {
                self.gone.min(Gone::Fast)
            }
            _ => Gone::Jumped,
        };
    }

    /// Medians of three slots in a row, oldest first, metres: a single wild reading doesn't show.
    fn calm(&self) -> impl DoubleEndedIterator<Item = (Timestamp, f64)> + '_ {
        self.slots.windows(3).map(|w| {
            let [a, b, c] = [w[0].middle_m, w[1].middle_m, w[2].middle_m];
            (w[2].at, a.max(b).min(a.min(b).max(c)))
        })
    }

    /// Looks whether the range is clearly late.
    fn take_late(&mut self, at: Timestamp, range_m: f64) {
        let could_m = self.plain.map(|(t, m)| m + TOP_SPEED_MPS * at.since(t).secs_f64() + self.noise_m);
        let jumped = could_m.is_some_and(|could_m| range_m > could_m);
        self.late = match self.late {
            Late::Stands(s) if at.since(s.since) > LATE_FOR => Late::No,
            Late::Stands(s) if self.stands_still(at, range_m, s) => {
                Late::Stands(Stand { last_m: range_m, ranges: s.ranges + 1, astray: false, ..s })
            }
            Late::Stands(s) if s.ranges >= LATE_NEED && !s.astray => {
                Late::Stands(Stand { astray: true, ..s })
            }
            Late::Stands(s) if range_m > s.at_m => Late::Grows,
            Late::No if jumped && self.was_leaving(at) => Late::Grows,
            Late::No | Late::Stands(_) if jumped => {
                Late::Stands(Stand { since: at, at_m: range_m, last_m: range_m, ranges: 1, astray: false })
            }
            Late::Grows if self.last_within != Some(at) => Late::Grows,
            _ => Late::No,
        };
        if matches!(self.late, Late::No) {
            self.plain = Some((at, range_m));
        }
    }

    /// The ranges before the newest one grew already.
    fn was_leaving(&self, at: Timestamp) -> bool {
        let before: ArrayVec<(Timestamp, f64), SLOTS> =
            self.calm().filter(|(t, _)| *t < at && at.since(*t) <= AGAINST).collect();
        growth_m(&before) > LEAVING_M
    }

    /// A late range goes on where it was, but for its noise and its wander.
    fn stands_still(&self, at: Timestamp, range_m: f64, late: Stand) -> bool {
        let wander_m = WANDER_M * at.since(late.since).secs_f64().max(0.0).sqrt();
        let noise_m = std::f64::consts::SQRT_2 * self.noise_m;
        (range_m - late.last_m).abs() <= noise_m && (range_m - late.at_m).abs() <= noise_m + wander_m
    }

    /// When the present state ends because the newest ranges speak against it; `None` while they don't.
    fn against_until(&self) -> Option<Timestamp> {
        let (newest, newest_m) = *self.recent.last()?;
        match self.state {
            ZoneState::Inside => {
                let within = self.last_within?;
                let until = match self.late {
                    Late::Stands(s) if s.ranges >= LATE_NEED => within.plus(LATE_FOR),
                    _ => within.plus(AGAINST),
                };
                (within < newest).then_some(until)
            }
            ZoneState::Outside if newest_m <= self.enter_slant_m => Some(self.last_beyond?.plus(AGAINST)),
            _ => None,
        }
    }

    /// Enough of the newest ranges lie within `enter_m`.
    fn enters(&self, at: Timestamp, range_m: f64) -> bool {
        let Some(interval) = self.interval() else { return false };
        let known = self.slots.first().is_some_and(|s| at.since(s.at) >= ENTER_HISTORY);
        let over = at_least(ENTER_OVER, ENTER_INTERVALS, interval);
        let newest = self.slots.iter().rev().take_while(|s| at.since(s.at) <= over);
        let (near, heard) = newest.fold((0, 0), |(near, heard), s| (near + s.near, heard + s.heard));
        known && range_m <= self.enter_slant_m && near >= ENTER_NEED && 5 * near >= ENTER_NEED * heard
    }

    /// The ranges grow as those of a tag that goes away.
    fn walks_away(&self, at: Timestamp) -> bool {
        let Some(interval) = self.interval() else { return false };
        let over = at_least(GROWTH_OVER, GROWTH_INTERVALS, interval);
        let calm: ArrayVec<(Timestamp, f64), SLOTS> =
            self.calm().filter(|(t, _)| at.since(*t) <= over).collect();
        // Slots are uneven; what is missing at the start of the window may be as much as one.
        let whole = calm.first().is_some_and(|c| at.plus(SLOT.max(interval)).since(c.0) > over);
        let beyond = |c: &(Timestamp, f64)| c.1 > self.leave_slant_m;
        let newest = calm
            .iter()
            .rev()
            .enumerate()
            .take_while(|(i, c)| *i < BEYOND_SLOTS || at.since(c.0) <= BEYOND_OVER);
        if !whole || calm.len() < GROWTH_SLOTS || !newest.map(|(_, c)| c).all(beyond) {
            return false;
        }
        let needed_m = match self.gone {
            Gone::Steadily => OUT_GROWTH_M,
            _ if calm.iter().all(beyond) => ON_GROWTH_M,
            Gone::Fast => FAST_GROWTH_M,
            Gone::Jumped => return false,
        };
        growth_m(&calm) >= needed_m
    }

    /// Mean time between the last ranges; `None` until five were heard.
    fn interval(&self) -> Option<Micros> {
        let (oldest, newest) = (self.recent.first()?.0, self.recent.last()?.0);
        let between = self.recent.len() as i64 - 1;
        self.recent.is_full().then(|| Micros::from_micros(newest.since(oldest).micros() / between))
    }

    /// Until when what was heard last holds; `None` without anything.
    fn holds_until(&self) -> Option<Timestamp> {
        let newest = self.recent.last()?.0;
        let holds = self.interval().map_or(MAX_HOLD, |i| at_least(MIN_HOLD, HOLDS_INTERVALS, i));
        Some(newest.plus(holds.min(MAX_HOLD)))
    }

    /// How far inside of `enter_m`, horizontally, by the median of the last five ranges.
    fn depth_m(&self) -> Option<f64> {
        let mut ranges_m: ArrayVec<f64, PACE_OF> = self.recent.iter().map(|(_, r)| *r).collect();
        let slant_m = upper_median(&mut ranges_m)?;
        let flat_m = (slant_m * slant_m - self.height_m * self.height_m).max(0.0).sqrt();
        Some(self.enter_m - flat_m)
    }
}

/// So many intervals, or a time where that is longer.
fn at_least(time: Micros, intervals: f64, interval: Micros) -> Micros {
    time.max(Micros::from_micros((intervals * interval.micros() as f64) as i64))
}

/// How much farther away the later half of some ranges is than the earlier half, metres, with no step longer than
/// [`JUMP_M`] and the longest of those left out.
fn growth_m(calm: &ArrayVec<(Timestamp, f64), SLOTS>) -> f64 {
    let steps = || calm.windows(2).map(|w| w[1].1 - w[0].1);
    let longest_m = steps().fold(JUMP_M, f64::max);
    let mut left_out = longest_m <= JUMP_M;
    let mut way_m = 0.0;
    let half = calm.len() / 2;
    let (mut earlier_m, mut later_m) = (0.0, 0.0);
    for (i, step_m) in steps().enumerate() {
        if step_m == longest_m && !left_out {
            left_out = true;
        } else {
            way_m += step_m.min(JUMP_M);
        }
        // The first one is where the way begins, at nought.
        if i + 1 < half {
            earlier_m += way_m;
        } else {
            later_m += way_m;
        }
    }
    later_m / (calm.len() - half) as f64 - earlier_m / half.max(1) as f64
}

#[cfg(test)]
mod tests;
