//! How an anchor behaves over the last minute of driving and over its life: late, weak, noisy, flapping.
//!
//! **The last minute of driving** is sixty seconds of data time, per anchor, in each of which the tag was somewhere else than
//! in the one before ([`MOVED_M`]), as seen from that anchor. A tag that stands says the same about one path again and again,
//! which is nothing about the anchor: such seconds do not count.
//!
//! **Patience.** *Often late*, *weak* and *noisy* send somebody up a ladder. Before the first of them the minute must be
//! full, so many metres long ([`TRAVEL_M`]), and seen in several cells ([`MIN_CELLS`] of [`CELL_M`]) and directions
//! ([`MIN_SECTORS`] of eight). It counts from when the anchor was first heard, and anew after a silence of [`AWAY`]. What is reported stays until a minute of driving says otherwise.
//!
//! - *Often late*: at least [`LATE`] of its ranges were left out as too long; over at [`LATE_OVER`]. Where and when it
//!   is worst comes from counts of its whole life by hour of the day (UTC) and by direction in eight sectors. They are
//!   told only when several hours or sectors have enough ranges and one is clearly above the rest.
//! - *Weak*: distance tells what to expect. While the tag is located, every frame is counted by distance (bins of
//!   [`BIN_M`]) for every anchor; what the *other* anchors answered at that distance is expected of this one. Weak
//!   is less than [`WEAK`] of it over the minute, well again above [`WEAK_OVER`]. Where no other anchor has been
//!   heard from that far, nothing is expected and nothing is said.
//! - *Noisy*: the tracker's σ of its good ranges is twice the median of the others'.
//! - *Flapping*: three silences in ten minutes; over when ten minutes have had at most one.
//!
//! The limits are chosen, not from a source.

use arrayvec::ArrayVec;
use hereabout_core::{MAX_ANCHORS, Micros, Timestamp};

use crate::output::AnchorFinding;
use hereabout_core::series::push_newest;

/// Share of late ranges in a minute that begins and ends the finding, and the ranges it takes to judge.
const LATE: f64 = 0.60;
const LATE_OVER: f64 = 0.40;
const NLOS_MIN_RANGES: u32 = 50;
/// Share of what is expected that begins and ends the finding, and the frames it takes to judge.
const WEAK: f64 = 0.60;
const WEAK_OVER: f64 = 0.80;
const WEAK_MIN_FRAMES: u32 = 50;
/// Ratio of σ to the others' that begins and ends the finding, and the smallest σ that does. Metres.
const NOISY: f64 = 2.0;
const NOISY_OVER: f64 = 1.6;
const NOISY_FROM_M: f64 = 0.12;
/// Silences, and the span they are counted over.
const FLAPS: usize = 3;
const FLAP_SPAN: Micros = Micros::from_millis(600_000);
/// Silences that are remembered.
const FLAPS_KEPT: usize = 16;
/// Seconds of a minute.
const SECONDS: usize = 60;
/// From one second that counts to the next the tag has gone so far, metres.
const MOVED_M: f64 = 0.2;
/// What a minute must hold: metres of travel, cells of this width, and directions.
const TRAVEL_M: f64 = 15.0;
const CELL_M: f64 = 2.0;
const MIN_CELLS: usize = 5;
const MIN_SECTORS: u32 = 2;
/// After a silence of this length it may be another board in another place.
const AWAY: Micros = Micros::from_millis(60_000);
/// Width of a bin of distance, metres, and their number; the last one holds everything beyond.
pub(crate) const BIN_M: f64 = 3.0;
const BINS: usize = 32;
/// Frames of the others in a bin before it says anything; above the second number both are halved.
const BIN_MIN_RANGES: u32 = 200;
const BIN_MAX_RANGES: u32 = 100_000;
/// Ranges in an hour of the day, or in a direction, before it is judged, and how many of these there must be.
const PART_MIN_RANGES: u32 = 300;
const MIN_PARTS: usize = 3;
/// Tangent of 22.5°: the border between two of eight sectors.
const SECTOR: f64 = 0.414_213_562_373_095_03;

/// One reading of an anchor, where the tag's place is known.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sighting {
    /// From the anchor to the tag, east and north, metres.
    pub(crate) to_tag_m: [f64; 2],
    /// Distance from the anchor to the tag, metres.
    pub(crate) distance_m: f64,
}

#[derive(Clone, Copy, Debug, Default)]
struct Second {
    ranges: u16,
    late: u16,
    /// Frames for which something could be expected, ranges among them, and what was expected.
    frames: u16,
    answered: u16,
    expected: f32,
    /// From the anchor to the tag in the plane, metres, and how far the tag went since the second before.
    to_tag_m: Option<[f32; 2]>,
    went_m: f32,
}

/// Ranges and late ones among them.
#[derive(Clone, Copy, Debug, Default)]
struct Part {
    ranges: u32,
    late: u32,
}

impl Part {
    fn share(&self) -> f64 {
        f64::from(self.late) / f64::from(self.ranges.max(1))
    }
}

/// Frames and ranges at one distance.
#[derive(Clone, Copy, Debug, Default)]
struct Bin {
    frames: u32,
    ranges: u32,
}

/// LinkQuality of all anchors.
#[derive(Clone, Debug)]
pub(crate) struct LinkQuality {
    anchors: ArrayVec<Box<One>, MAX_ANCHORS>,
    all: [Bin; BINS],
}

#[derive(Clone, Debug)]
struct One {
    /// The second that runs.
    now: Second,
    /// Those of the last minute of driving; a ring.
    seconds: [Second; SECONDS],
    next: usize,
    full: usize,
    /// Where the tag was in the newest of them.
    last_m: Option<[f32; 2]>,
    heard_at: Option<Timestamp>,
    hours: [Part; 24],
    sectors: [Part; 8],
    bins: [Bin; BINS],
    silences: ArrayVec<Timestamp, FLAPS_KEPT>,
}

/// What the last minute says about an anchor.
#[derive(Clone, Copy, Debug, Default)]
struct Sum {
    ranges: u32,
    late: u32,
    frames: u32,
    answered: u32,
    expected: f64,
}

impl LinkQuality {
    pub(crate) fn new(anchors: usize) -> LinkQuality {
        let fresh = || {
            Box::new(One {
                now: Second::default(),
                seconds: [Second::default(); SECONDS],
                next: 0,
                full: 0,
                last_m: None,
                heard_at: None,
                hours: [Part::default(); 24],
                sectors: [Part::default(); 8],
                bins: [Bin::default(); BINS],
                silences: ArrayVec::new(),
            })
        };
        let anchors = (0..anchors.min(MAX_ANCHORS)).map(|_| fresh()).collect();
        LinkQuality { anchors, all: [Bin::default(); BINS] }
    }

    /// Takes in one reading. `late` is `None` without a range, or when nobody has judged it.
    pub(crate) fn hear(
        &mut self,
        at: Timestamp,
        anchor: usize,
        answered: bool,
        late: Option<bool>,
        sighting: Option<Sighting>,
    ) {
        let Some(one) = self.anchors.get_mut(anchor) else { return };
        if answered && one.heard_at.replace(at).is_some_and(|last| at.since(last) >= AWAY) {
            one.begin_anew();
        }
        let now = &mut one.now;
        if let Some(s) = sighting {
            now.to_tag_m = Some(s.to_tag_m.map(|v| v as f32));
        }
        if let Some(late) = late {
            now.ranges = now.ranges.saturating_add(1);
            now.late = now.late.saturating_add(u16::from(late));
            let hour = at.micros().div_euclid(3_600_000_000).rem_euclid(24) as usize;
            count(&mut one.hours[hour], late);
            if let Some(s) = sighting {
                count(&mut one.sectors[sector(s.to_tag_m)], late);
            }
        }
        if let Some(s) = sighting {
            // `as` saturates, NaN becomes 0.
            let bin = ((s.distance_m / BIN_M) as usize).min(BINS - 1);
            let (own, all) = (&mut one.bins[bin], &mut self.all[bin]);
            let others = Bin { frames: all.frames - own.frames, ranges: all.ranges - own.ranges };
            if others.frames >= BIN_MIN_RANGES {
                now.frames = now.frames.saturating_add(1);
                now.answered = now.answered.saturating_add(u16::from(answered));
                now.expected += others.ranges as f32 / others.frames as f32;
            }
            own.frames += 1;
            own.ranges += u32::from(answered);
            all.frames += 1;
            all.ranges += u32::from(answered);
            if all.frames > BIN_MAX_RANGES {
                self.halve(bin);
            }
        }
    }

    /// Old counts fade. The total stays the sum of its parts.
    fn halve(&mut self, bin: usize) {
        self.all[bin] = Bin::default();
        for one in &mut self.anchors {
            let own = &mut one.bins[bin];
            *own = Bin { frames: own.frames / 2, ranges: own.ranges / 2 };
            self.all[bin].frames += own.frames;
            self.all[bin].ranges += own.ranges;
        }
    }

    /// An anchor fell silent while others went on.
    pub(crate) fn fell_silent(&mut self, at: Timestamp, anchor: usize) {
        let Some(one) = self.anchors.get_mut(anchor) else { return };
        push_newest(&mut one.silences, at);
    }

    /// Begins the next second.
    pub(crate) fn roll(&mut self) {
        for one in &mut self.anchors {
            one.roll();
        }
    }

    /// Whether the last minute of driving has seen enough of the anchor to say anything about its view or its place.
    pub(crate) fn has_seen_enough(&self, anchor: usize) -> bool {
        self.anchors.get(anchor).is_some_and(|one| one.has_seen_enough())
    }

    /// Whether it is often late; `was` says that the finding lasts.
    pub(crate) fn often_late(&self, anchor: usize, was: bool) -> Option<AnchorFinding> {
        let one = self.anchors.get(anchor)?;
        let sum = one.sum();
        let share = f64::from(sum.late) / f64::from(sum.ranges.max(1));
        let limit = if was { LATE_OVER } else { LATE };
        let found = sum.ranges >= NLOS_MIN_RANGES && share >= limit && (was || one.has_seen_enough());
        found.then(|| AnchorFinding::OftenNlos {
            share,
            worst_hour_utc: worst(&one.hours).map(|h| h as u8),
            worst_direction_deg: worst(&one.sectors).map(|s| 45.0 * s as f64),
        })
    }

    /// Whether it is weak for its distance.
    pub(crate) fn weak(&self, anchor: usize, was: bool) -> Option<AnchorFinding> {
        let one = self.anchors.get(anchor)?;
        let sum = one.sum();
        let frames = f64::from(sum.frames.max(1));
        let (share, expected) = (f64::from(sum.answered) / frames, sum.expected / frames);
        let limit = if was { WEAK_OVER } else { WEAK };
        let found = sum.frames >= WEAK_MIN_FRAMES && expected > 0.2 && share < limit * expected;
        let found = found && (was || one.has_seen_enough());
        found.then_some(AnchorFinding::Weak { share, expected })
    }

    /// Whether it has fallen silent again and again.
    pub(crate) fn flapping(&self, at: Timestamp, anchor: usize, was: bool) -> Option<AnchorFinding> {
        let silences = &self.anchors.get(anchor)?.silences;
        let times = silences.iter().filter(|t| at.since(**t) < FLAP_SPAN).count();
        let fewest = if was { 2 } else { FLAPS };
        (times >= fewest).then_some(AnchorFinding::Flapping { times: times as u32, over: FLAP_SPAN })
    }
}

/// Whether an anchor's σ is far above the others'; all in metres, the others in any order.
pub(crate) fn noisy(
    sigma_m: f64,
    mut others_m: ArrayVec<f64, MAX_ANCHORS>,
    was: bool,
) -> Option<AnchorFinding> {
    if others_m.len() < 2 {
        return None;
    }
    others_m.sort_unstable_by(f64::total_cmp);
    let usual_m = others_m[(others_m.len() - 1) / 2];
    let limit = if was { NOISY_OVER } else { NOISY };
    (sigma_m >= NOISY_FROM_M && sigma_m > limit * usual_m)
        .then_some(AnchorFinding::Noisy { sigma_m, usual_m })
}

impl One {
    /// A second has ended: it counts when the tag is elsewhere than in the last one that did.
    fn roll(&mut self) {
        let second = std::mem::take(&mut self.now);
        let Some(here) = second.to_tag_m else { return };
        let [e, n] = self.last_m.map_or([f32::MAX, 0.0], |last| [here[0] - last[0], here[1] - last[1]]);
        let went_m = (e * e + n * n).sqrt();
        // NaN fails as well.
        let moved = went_m >= MOVED_M as f32;
        if !moved {
            return;
        }
        let went_m = if self.last_m.is_some() { went_m } else { 0.0 };
        self.seconds[self.next] = Second { went_m, ..second };
        self.next = (self.next + 1) % SECONDS;
        self.full = (self.full + 1).min(SECONDS);
        self.last_m = Some(here);
    }

    fn begin_anew(&mut self) {
        self.seconds = [Second::default(); SECONDS];
        (self.now, self.next, self.full, self.last_m) = (Second::default(), 0, 0, None);
    }

    /// Length, cells and directions of the last minute of driving.
    fn has_seen_enough(&self) -> bool {
        if self.full < SECONDS {
            return false;
        }
        let went_m: f64 = self.seconds.iter().map(|s| f64::from(s.went_m)).sum();
        let mut cells: ArrayVec<[i32; 2], MIN_CELLS> = ArrayVec::new();
        let mut sectors = 0u8;
        for to_tag_m in self.seconds.iter().filter_map(|s| s.to_tag_m) {
            let to_tag_m = to_tag_m.map(f64::from);
            // `as` saturates, NaN becomes 0.
            let cell = to_tag_m.map(|v| (v / CELL_M).floor() as i32);
            sectors |= 1 << sector(to_tag_m);
            if !cells.contains(&cell) && !cells.is_full() {
                cells.push(cell);
            }
        }
        went_m >= TRAVEL_M && cells.is_full() && sectors.count_ones() >= MIN_SECTORS
    }

    fn sum(&self) -> Sum {
        let mut sum = Sum::default();
        for s in &self.seconds {
            sum.ranges += u32::from(s.ranges);
            sum.late += u32::from(s.late);
            sum.frames += u32::from(s.frames);
            sum.answered += u32::from(s.answered);
            sum.expected += f64::from(s.expected);
        }
        sum
    }
}

fn count(part: &mut Part, late: bool) {
    part.ranges = part.ranges.saturating_add(1);
    part.late = part.late.saturating_add(u32::from(late));
}

/// The part with the largest share of late ranges, when it is clearly above all of them together.
fn worst(parts: &[Part]) -> Option<usize> {
    let judged = || parts.iter().enumerate().filter(|(_, p)| p.ranges >= PART_MIN_RANGES);
    let mut all = Part::default();
    judged().for_each(|(_, p)| {
        all.ranges = all.ranges.saturating_add(p.ranges);
        all.late = all.late.saturating_add(p.late);
    });
    let (index, worst) = judged().max_by(|a, b| a.1.share().total_cmp(&b.1.share()))?;
    let clear = worst.share() > all.share() + 0.1 && worst.share() > 1.3 * all.share();
    (judged().count() >= MIN_PARTS && clear).then_some(index)
}

/// Which of eight sectors a direction lies in, 0 = north, clockwise.
fn sector([e, n]: [f64; 2]) -> usize {
    if e.abs() <= SECTOR * n.abs() {
        if n >= 0.0 { 0 } else { 4 }
    } else if n.abs() <= SECTOR * e.abs() {
        if e >= 0.0 { 2 } else { 6 }
    } else {
        match (e >= 0.0, n >= 0.0) {
            (true, true) => 1,
            (true, false) => 3,
            (false, false) => 5,
            (false, true) => 7,
        }
    }
}

#[cfg(test)]
mod tests;
