//! Frozen frames, and anchors whose last range is held: ranges that are bit for bit those of before.
//!
//! **Chance.** A range is distance + white noise (σ), rounded to a step q. A tag at rest in the middle of a step gives the
//! same number again with probability p = P(|noise| < q/2) = erf(q / (2√2 σ)), and any other tag less often. So a run of
//! equal ranges speaks for a module that hangs with −ln p nats each; independent anchors add up. A run is told from
//! [`NATS`] nats on, a chance below 10⁻⁹: for the whole frame (every range of it equals its anchor's last one), and for each
//! anchor by itself (modules that hold a silent anchor's last range).
//!
//! **Learned.** q: the greatest common divisor of all numbers so far, in tenths of a millimetre. σ: from second differences
//! of an anchor's ranges, which a moving tag changes little (white noise gives 6 σ²), less the rounding (q²/12). Of the
//! mean over the last frames and three times the quietest stretch the smaller counts, because noise is less at rest. Until an
//! anchor's noise is learned nothing is said of it alone; for the frame [`FIRST_SIGMA_M`] stands in where the step is a centimetre or finer, and an
//! equal range says a third of what it would.
//! Some modules send faster than they measure: how often a range that was equal is equal once more is learned as well, and p is
//! never below that; runs of whole frames that end again and again are taken off. Runs that were reported are not learned from.
//!
//! **Where it can't be seen.** With q above about two σ (p above [`BLIND`]) equal ranges are what is expected: such an
//! anchor says nothing, and a tag at rest on such a kit is never frozen.

use arrayvec::ArrayVec;
use hereabout_core::{Epoch, MAX_ANCHORS};
use hereabout_solve::math::distribution::normal_two_sided_tail;

use hereabout_core::series::push_newest;

/// −ln 10⁻⁹.
const NATS: f64 = 20.73;
/// From this chance of an equal range on nothing can be said.
const BLIND: f64 = 0.75;
/// White noise of a good two-way range until it is learned, metres. Below what is common (2 to 5 cm; common practice, no
/// source), so that less is claimed.
const FIRST_SIGMA_M: f64 = 0.015;
const FIRST_STEP_M: f64 = 0.010_1;
const FIRST_SAYS: f64 = 1.0 / 3.0;
/// Numbers are compared for their step in this unit, metres.
const UNIT_M: f64 = 1e-4;
/// Second differences in a stretch, and the most that a mean is taken over.
const STRETCH: u32 = 32;
const MEAN_OVER: f64 = 300.0;
/// A second difference above this is no noise, metres: a range became late.
const MAX_STEP_M: f64 = 1.0;
/// Equal ranges of a run that count as noise: those of a module that hangs don't.
const LEARNED_OF_RUN: u32 = 6;
/// Pseudo-counts for how often an equal range is equal again.
const PRIOR: f64 = 4.0;
/// Counts of that are halved from here on.
const MAX_COUNTS: f64 = 1000.0;
/// Ended runs of whole frames that are looked at, and within how many frames they must lie.
const RUNS: usize = 4;
const RUNS_WITHIN: u64 = 40;

/// One range field of a tag.
#[derive(Clone, Copy, Debug, Default)]
struct Field {
    last: Option<f64>,
    before: Option<f64>,
    /// Equal ranges in a row, and what they say.
    run: u32,
    nats: f64,
    /// Mean square of second differences, m², and how many it is of.
    mean_m2: f64,
    count: f64,
    stretch_m2: f64,
    stretch_count: u32,
    quietest_m2: Option<f64>,
    /// Equal ranges after an equal one: how often, of how many.
    again: f64,
    of: f64,
}

/// See the module's prose.
#[derive(Clone, Debug, Default)]
pub(super) struct Frozen {
    step_units: u64,
    fields: [Field; MAX_ANCHORS],
    frames: u64,
    /// The run of whole frames, and what it says.
    run: u32,
    nats: f64,
    /// Ended runs: at which frame, how long.
    ended: ArrayVec<(u64, u32), RUNS>,
}

impl Frozen {
    /// Takes in an epoch: marks the readings that are held, and tells whether the whole frame is frozen.
    pub(super) fn take(&mut self, epoch: &mut Epoch) -> bool {
        self.frames += 1;
        for reading in &epoch.readings {
            self.step(reading.raw_range_m);
        }
        let step_m = self.step_units as f64 * UNIT_M;
        let (mut all_equal, mut ranges, mut nats) = (true, 0, 0.0);
        let mut held = ArrayVec::<usize, MAX_ANCHORS>::new();
        for (i, reading) in epoch.readings.iter().enumerate() {
            let field = &mut self.fields[i];
            let Some(range_m) = reading.raw_range_m.filter(|r| r.is_finite()) else {
                field.pause();
                continue;
            };
            ranges += 1;
            match field.hear(range_m, step_m) {
                Some(equal) => nats += equal,
                None => all_equal = false,
            }
            if field.nats >= NATS {
                held.push(i);
            }
        }
        if ranges == 0 {
            return false;
        }
        let frozen = self.whole(all_equal, nats);
        if !frozen {
            held.iter().for_each(|i| epoch.hold(*i));
        }
        frozen
    }

    /// Takes a number into the common step.
    fn step(&mut self, range_m: Option<f64>) {
        let units = range_m.map_or(0.0, |r| (r / UNIT_M).round().abs());
        if (1.0..1e12).contains(&units) && self.step_units != 1 {
            self.step_units = common_divisor(self.step_units, units as u64);
        }
    }

    /// The run of whole frames; whether it is longer than chance allows.
    fn whole(&mut self, all_equal: bool, nats: f64) -> bool {
        if !all_equal {
            if self.run > 0 && self.nats < NATS {
                push_newest(&mut self.ended, (self.frames, self.run));
            }
            (self.run, self.nats) = (0, 0.0);
            return false;
        }
        self.run += 1;
        if self.run > self.usual_run() {
            self.nats += nats;
        }
        self.nats >= NATS
    }

    /// Equal frames that come in a row again and again, because the module sends faster than it measures.
    fn usual_run(&self) -> u32 {
        let regular =
            self.ended.is_full() && self.ended.first().is_some_and(|(at, _)| self.frames - at <= RUNS_WITHIN);
        let shortest = self.ended.iter().map(|(_, run)| *run).min();
        shortest.filter(|_| regular).unwrap_or(0)
    }
}

impl Field {
    /// No range: a run ends, and the next range begins a new row.
    fn pause(&mut self) {
        (self.last, self.before) = (None, None);
        (self.run, self.nats) = (0, 0.0);
    }

    /// Takes in a range; how much an equal one says, `None` when it is not equal.
    fn hear(&mut self, range_m: f64, step_m: f64) -> Option<f64> {
        let Some(last) = self.last else {
            self.last = Some(range_m);
            return None;
        };
        // Bit for bit: a number that was computed anew may differ in its last bit.
        if last.to_bits() != range_m.to_bits() {
            self.end_run();
            self.note_noise(range_m);
            (self.before, self.last) = (Some(last), Some(range_m));
            return None;
        }
        let p = self.chance(step_m);
        let says = if p > BLIND { 0.0 } else { -p.ln() };
        let learned = self.quietest_m2.is_some();
        if self.run < LEARNED_OF_RUN {
            self.note_noise(range_m);
            self.before = Some(last);
        }
        self.run += 1;
        if learned {
            self.nats += says;
            return Some(says);
        }
        Some(if step_m <= FIRST_STEP_M { FIRST_SAYS * says } else { 0.0 })
    }

    /// A range that differs: what the run before it tells of how often equal ranges go on.
    fn end_run(&mut self) {
        if self.run > 0 && self.nats < NATS {
            self.again += f64::from(self.run - 1);
            self.of += f64::from(self.run);
            if self.of > MAX_COUNTS {
                self.again *= 0.5;
                self.of *= 0.5;
            }
        }
        (self.run, self.nats) = (0, 0.0);
    }

    /// The chance that a new range is equal.
    fn chance(&self, step_m: f64) -> f64 {
        let sigma_m = self.sigma_m(step_m);
        let by_noise = equal_at_rest(step_m, sigma_m);
        by_noise.max((self.again + PRIOR * by_noise) / (self.of + PRIOR))
    }

    /// White noise, metres.
    fn sigma_m(&self, step_m: f64) -> f64 {
        let rounding_m2 = step_m * step_m / 12.0;
        match self.quietest_m2 {
            None => FIRST_SIGMA_M,
            Some(quietest) => (self.mean_m2.min(3.0 * quietest) / 6.0 - rounding_m2).max(0.0).sqrt(),
        }
    }

    /// Learns from a second difference.
    fn note_noise(&mut self, range_m: f64) {
        let (Some(before), Some(last)) = (self.before, self.last) else { return };
        let second_m = range_m - 2.0 * last + before;
        if second_m.abs() > MAX_STEP_M {
            return;
        }
        let square = second_m * second_m;
        self.count = (self.count + 1.0).min(MEAN_OVER);
        self.mean_m2 += (square - self.mean_m2) / self.count;
        self.stretch_m2 += square;
        self.stretch_count += 1;
        if self.stretch_count == STRETCH {
            let mean = self.stretch_m2 / f64::from(STRETCH);
            self.quietest_m2 = Some(self.quietest_m2.map_or(mean, |q| q.min(mean)));
            (self.stretch_m2, self.stretch_count) = (0.0, 0);
        }
    }
}

/// The chance that a tag at rest in the middle of a step gives the same number again.
fn equal_at_rest(step_m: f64, sigma_m: f64) -> f64 {
    if sigma_m > 0.0 { 1.0 - normal_two_sided_tail(0.5 * step_m / sigma_m) } else { 1.0 }
}

/// Whether a module that hangs can be told by its ranges, with numbers in steps of `step_m` and white noise of `sigma_m`,
/// metres.
pub fn frozen_is_detectable(step_m: f64, sigma_m: f64) -> bool {
    equal_at_rest(step_m, sigma_m) <= BLIND
}

/// Euclid's; of 0 and b it is b.
fn common_divisor(a: u64, b: u64) -> u64 {
    let (mut a, mut b) = (a, b);
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}
