//! Starting, and starting again after a jump.
//!
//! The newest range of every anchor is kept with the probability density that the bank gave it. A
//! snapshot over those that are at most [`WINDOW_S`] old (older ones with larger σ, the tag may have moved
//! meanwhile) says what the ranges say by themselves. Its evidence times the prior probability of a jump to
//! anywhere on the site, against the product of the bank's densities for the same ranges, is Bayes' rule
//! for "jumped" against "went on".
//!
//! A whole frame can be wrong, all its ranges agreeing on a phantom place. One epoch can't tell that
//! from a jump, so both hypotheses get half of the belief, and the following ranges decide.

use arrayvec::ArrayVec;
use hereabout_core::geometry::vector::{length, minus};
use hereabout_core::{AnchorSet, Dimension, MAX_ANCHORS, Timestamp};

use super::{Tracker, bank::Bank, learning::Memories};
use crate::RangeObs;
use crate::math::small_matrix::{Sym, at};
use crate::snapshot::{RangeJudgement, Snapshot, SnapshotSettings, snapshot};

/// Ranges older than this don't take part, seconds.
const WINDOW_S: f64 = 0.6;
/// A tag may be this fast without being known to move, m/s: widens older ranges.
const IDLE_SPEED_MPS: f64 = 0.5;
/// ln of the probability that a tag is carried off within one epoch.
const JUMP_LN: f64 = -9.0;
/// The bank's densities must fall this far below those of perfect ranges before a snapshot is tried.
const SURPRISE_LN: f64 = -12.0;
/// Spread of the velocity of a new hypothesis, m/s.
const START_SPEED_MPS: f64 = 0.7;
/// Without a good range for this long, dimension + 1 agreeing ranges are enough to start over, seconds.
const PATIENCE_S: f64 = 2.0;

#[derive(Clone, Copy, Debug)]
struct LastRange {
    at: Timestamp,
    range_m: f64,
    ln: f64,
}

/// The newest range of each anchor.
#[derive(Clone, Debug)]
pub(super) struct Window {
    noted: [Option<LastRange>; MAX_ANCHORS],
    /// ln of the area (volume) in which the tag can turn up.
    site_ln: f64,
}

impl Window {
    pub(super) fn new(anchors_m: &[[f64; 3]], dimension: Dimension) -> Window {
        let size = |axis: usize, least: f64| {
            let of =
                |pick: fn(f64, f64) -> f64, from: f64| anchors_m.iter().map(|a| a[axis]).fold(from, pick);
            let span = of(f64::max, f64::NEG_INFINITY) - of(f64::min, f64::INFINITY);
            if span.is_finite() { span.max(least) } else { least }
        };
        let up = if dimension.unknowns() == 3 { size(2, 2.0) } else { 1.0 };
        Window { noted: [None; MAX_ANCHORS], site_ln: (size(0, 10.0) * size(1, 10.0) * up).ln() }
    }

    pub(super) fn clear(&mut self) {
        self.noted = [None; MAX_ANCHORS];
    }

    pub(super) fn note(&mut self, anchor: usize, at: Timestamp, range_m: f64, ln: f64) {
        self.noted[anchor] = Some(LastRange { at, range_m, ln });
    }

    /// Seconds since the anchor was last heard.
    pub(super) fn age_s(&self, anchor: usize, now: Timestamp) -> Option<f64> {
        self.noted[anchor].map(|n| now.since(n.at).secs_f64())
    }

    fn recent(&self, now: Timestamp) -> impl Iterator<Item = (usize, LastRange, f64)> + '_ {
        self.noted.iter().enumerate().filter_map(move |(i, n)| {
            let n = (*n)?;
            let age = now.since(n.at).secs_f64();
            (age <= WINDOW_S).then_some((i, n, age))
        })
    }

    /// ln density of the recent ranges under the bank, and how far that is below perfect ranges.
    fn evidence(&self, now: Timestamp, memories: &Memories) -> (f64, f64) {
        self.recent(now).fold((0.0, 0.0), |(sum, below), (i, n, _)| {
            let perfect = -(memories[i].sigma_m() * std::f64::consts::TAU.sqrt()).ln();
            (sum + n.ln, below + (n.ln - perfect))
        })
    }
}

impl Tracker {
    /// Snapshot over the window; the anchors of its ranges in order.
    fn look(&self, now: Timestamp) -> (Snapshot, ArrayVec<usize, MAX_ANCHORS>) {
        let mut ranges: ArrayVec<RangeObs, MAX_ANCHORS> = ArrayVec::new();
        let mut anchors = ArrayVec::new();
        let speed = self.last.as_ref().map_or(0.0, |l| length(l.velocity_mps)).min(3.0);
        for (i, n, age) in self.window.recent(now) {
            let sigma = self.sigma_m(i);
            let moved = (IDLE_SPEED_MPS + speed) * age;
            ranges.push(RangeObs {
                anchor_m: self.anchors[i].at_m,
                range_m: n.range_m,
                sigma_m: (sigma * sigma + moved * moved).sqrt(),
            });
            anchors.push(i);
        }
        let widest = ranges.iter().map(|r: &RangeObs| r.sigma_m).fold(0.0, f64::max);
        let settings =
            SnapshotSettings { model: self.settings.model.for_noise(widest), ..SnapshotSettings::default() };
        (snapshot(&ranges, self.dimension, &self.fence, &settings), anchors)
    }

    /// First hypotheses from the window, one restart id per place that fits.
    pub(super) fn start(&mut self, now: Timestamp) {
        let (seen, anchors) = self.look(now);
        // Two ranges leave two places; a third one may be on its way. Wait for it as long as ranges last.
        // A site without a third anchor waits in vain: both places are reported at once.
        let enough = (self.dimension.unknowns() + 1).min(self.anchors.len());
        let heard = self.window.recent(now).count();
        if seen.modes.is_empty() || (heard < enough && seen.modes.len() > 1) {
            return;
        }
        self.add_restart(&seen, &anchors, 1.0);
        self.bank.reweigh(|_| 1.0);
        self.published_restart_id = self
            .bank
            .hypotheses()
            .iter()
            .max_by(|a, b| a.weight.total_cmp(&b.weight))
            .map_or(0, |h| h.restart_id);
        self.last_good_at = Some(now);
    }

    /// Puts the snapshot's places into the bank with `share` of the belief between them.
    fn add_restart(&mut self, seen: &Snapshot, anchors: &[usize], share: f64) {
        let good = |j: &Option<RangeJudgement>| j.is_some_and(|j| j.p_good > 0.5);
        let good_now: AnchorSet =
            anchors.iter().zip(&seen.ranges).filter(|(_, j)| good(j)).map(|(i, _)| *i).collect();
        for mode in seen.modes.iter().filter(|m| m.weight > 1e-3) {
            self.last_restart_id = self.last_restart_id.wrapping_add(1);
            let restart_id = self.last_restart_id;
            let mut cov: Sym = [0.0; 6];
            for i in 0..self.dimension.unknowns() {
                for j in 0..=i {
                    cov[at(i, j)] = mode.covariance_m2[i][j];
                }
            }
            let bank: &mut Bank = &mut self.bank;
            bank.add(|h| {
                h.start(&mode.position_m, &cov, START_SPEED_MPS, share * mode.weight, restart_id);
                h.good_now = good_now;
            });
        }
        // Which ranges were good is known only for the place as a whole: it serves the rates of use.
        for (&i, j) in anchors.iter().zip(&seen.ranges) {
            let sigma = self.sigma_m(i);
            self.memories[i].information_per_m2 += j.map_or(0.0, |j| j.p_good) / (sigma * sigma);
        }
    }

    /// Plants a second restart id when the ranges contradict the bank; see the module's prose.
    pub(super) fn restart_if_contradicted(&mut self, now: Timestamp) -> bool {
        let d = self.dimension.unknowns();
        let patient = self.last_good_at.is_some_and(|t| now.since(t).secs_f64() < PATIENCE_S);
        let need = if patient { d + 2 } else { d + 1 };
        if self.window.recent(now).count() < need {
            return false;
        }
        let (went_on, below) = self.window.evidence(now, &self.memories);
        if below > SURPRISE_LN {
            return false;
        }
        let (seen, anchors) = self.look(now);
        let Some(best) = seen.modes.first() else { return false };
        let agreeing: f64 = seen.ranges.iter().flatten().map(|j| j.p_good).sum();
        let jumped = seen.ln_evidence + JUMP_LN - self.window.site_ln;
        // A hypothesis that is there already needs no second one.
        let height = self.height();
        let known = |h: &super::hypothesis::Hypothesis| {
            h.weight > 0.01 && length(minus(h.place(height), best.position_m)) < 0.5
        };
        if agreeing < need as f64 - 0.5 || jumped < went_on + 3.0 || self.bank.hypotheses().iter().any(known)
        {
            return false;
        }
        self.bank.reweigh(|_| 1.0);
        self.add_restart(&seen, &anchors, 1.0);
        self.bank.reweigh(|_| 1.0);
        true
    }
}
