//! All anchors' data under one hypothesis: which anchor is faulty, if any.
//!
//! The tests of `hypotheses` look at one anchor against the place that the others agree on. That place is bent by everything
//! that is not as stated: offsets that nobody measured, a tag at another height, one board that is wrong. Before
//! a word is said of one anchor, its hypothesis has to hold against its rivals on all data together, with the same freedom for
//! each.
//!
//! **Model.** Median of anchor j at datum k: as a range, |a_j - p_k + δ_k| + b_j + μ_jk + error. δ_k is the shift of the path, free at each datum;
//! b_j is what the calibration leaves open, N(0, open²); the error has the density of `density` with a free NLOS share for each
//! anchor; μ is the hypothesis's: nothing; one anchor elsewhere, by d; one anchor's offset, b_j wide; the tag (and so, alike,
//! all anchors) at another height; a scale.
//!
//! **Fit.** Path, offsets and the hypothesis's own parameters in turn, each by weighted least squares with the probability of being
//! good as weight, [`ROUNDS`] rounds from where the single tests have ended. The score is the log density at the end, with the
//! prior of b, less what the hypothesis's freedom costs.
//!
//! **Source.** Coordinate descent on a robust likelihood is textbook; the bank of hypotheses and the limits are found by the study.

use arrayvec::ArrayVec;
use hereabout_core::geometry::vector::dot;
use hereabout_core::{AnchorSet, MAX_ANCHORS};

use super::density::Density;
use super::hypotheses::{DATA, Parameters};
use super::{Datum, Entry};
use crate::math::small_matrix::{Sym, add_outer, inverse, times};

/// Rounds of each fit, and the steps of the path in the first of them.
const ROUNDS: usize = 8;
const FIRST_STEPS: usize = 4;
/// Farthest that the path is shifted, metres.
const MAX_SHIFT_M: f64 = 10.0;
/// A free shift, offset or height is expected to be within this, metres.
const WITHIN_M: f64 = 2.0;
/// And a scale within this.
const SCALE_WITHIN_SHARE: f64 = 0.1;
/// NLOS share at the start; the most; imagined NLOS and good data.
const NLOS_SHARE: f64 = 0.2;
const MAX_NLOS_SHARE: f64 = 0.8;
const IMAGINED_COUNTS: [f64; 2] = [2.0, 8.0];
/// What a freedom costs, log density.
const PLACE_COST_NATS: f64 = 4.0;
const COMMON_COST_NATS: f64 = 2.0;

/// What is not as stated.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum FaultHypothesis {
    /// Nothing but what the calibration leaves open.
    Nobody,
    /// One anchor stands elsewhere; the start of the search. `only_up`: its height alone is free.
    Place { anchor: usize, start: Parameters, only_up: bool },
    /// One anchor reads long or short by a constant.
    Offset { anchor: usize },
    /// The tag is so much higher than stated: all anchors read as if they were lowered.
    TagHeight { up_m: f64 },
    /// All ranges are so much too long, as a share.
    Scale { by_share: f64 },
}

/// The data and what is known of the anchors.
pub(super) struct Joint<'a> {
    pub(super) data: ArrayVec<&'a Datum, DATA>,
    /// Anchors that take part, a bit for each.
    pub(super) anchors: AnchorSet,
    /// What the calibration leaves open of each, metres.
    pub(super) open_m: [f64; MAX_ANCHORS],
    pub(super) unknowns: usize,
    /// What is usual at each spot is left in the data.
    pub(super) raw: bool,
}

/// How well a hypothesis fits.
#[derive(Clone, Copy, Debug)]
pub(super) struct Score {
    /// Log density of all data, less what the hypothesis costs; nats.
    pub(super) ln: f64,
    /// Share of the data of each anchor that are NLOS under it.
    pub(super) nlos_share: [f64; MAX_ANCHORS],
}

/// The state of a fit.
struct JointFit {
    shift_m: [[f64; 3]; DATA],
    offset_m: [f64; MAX_ANCHORS],
    nlos_share: [f64; MAX_ANCHORS],
    hypothesis: FaultHypothesis,
    raw: bool,
}

impl JointFit {
    /// From the anchor, as the hypothesis has it, to the tag, as the path has it; metres.
    fn to_tag_m(&self, k: usize, anchor: usize, e: &Entry) -> [f64; 3] {
        let d = match self.hypothesis {
            FaultHypothesis::Place { anchor: i, start: [x, y, z, _], .. } if i == anchor => [x, y, z],
            FaultHypothesis::TagHeight { up_m } => [0.0, 0.0, -up_m],
            _ => [0.0; 3],
        };
        std::array::from_fn(|c| {
            f64::from(e.direction[c]) * f64::from(e.distance_m) - self.shift_m[k][c] - d[c]
        })
    }

    /// What is left of an anchor's median, metres, and the unit vector to the tag.
    fn left_m(&self, k: usize, anchor: usize, e: &Entry) -> (f64, [f64; 3]) {
        let v = self.to_tag_m(k, anchor, e);
        let far_m = dot(v, v).sqrt().max(0.1);
        let stretch =
            if let FaultHypothesis::Scale { by_share: by } = self.hypothesis { 1.0 + by } else { 1.0 };
        let usual_m = if self.raw { f64::from(e.usual_m) } else { 0.0 };
        let read_m = f64::from(e.median_m) + usual_m + f64::from(e.distance_m);
        (read_m - stretch * far_m - self.offset_m[anchor], v.map(|c| c / far_m))
    }
}

/// One range of a datum in the least-squares problem.
#[derive(Clone, Copy)]
struct Row {
    direction: [f64; 3],
    weight: f64,
    left_m: f64,
    jacobian: [f64; 3],
}

/// Sums of a least-squares problem of three unknowns.
#[derive(Clone, Copy)]
struct Sums {
    normal: Sym,
    rhs: [f64; 3],
}

impl Joint<'_> {
    fn has(&self, anchor: usize, e: &Entry) -> bool {
        self.anchors.contains(anchor) && !e.median_m.is_nan()
    }

    /// Log density of all data under the hypothesis, with everything else as good as it gets.
    pub(super) fn score(&self, hypothesis: FaultHypothesis) -> Score {
        let mut at = JointFit {
            shift_m: [[0.0; 3]; DATA],
            offset_m: [0.0; MAX_ANCHORS],
            nlos_share: [NLOS_SHARE; MAX_ANCHORS],
            hypothesis,
            raw: self.raw,
        };
        if let FaultHypothesis::Offset { anchor } = hypothesis {
            // From nought a large one would be called NLOS for good.
            at.offset_m[anchor] = self.middle_m(&at, anchor);
        }
        for round in 0..ROUNDS {
            let steps = if round == 0 { FIRST_STEPS } else { 1 };
            for (k, datum) in self.data.iter().enumerate() {
                (0..steps).for_each(|_| self.follow(&mut at, k, datum));
            }
            self.improve(&mut at);
        }
        Score { ln: self.log_density(&at), nlos_share: at.nlos_share }
    }

    /// The median of what is left of an anchor's data; metres.
    fn middle_m(&self, at: &JointFit, anchor: usize) -> f64 {
        let own = |(k, datum): (usize, &&Datum)| {
            let e = datum.entries.get(anchor).filter(|e| self.has(anchor, e))?;
            Some(at.left_m(k, anchor, e).0)
        };
        let mut left: ArrayVec<f64, DATA> = self.data.iter().enumerate().filter_map(own).collect();
        left.sort_unstable_by(f64::total_cmp);
        left.get(left.len() / 2).copied().unwrap_or(0.0)
    }

    /// One step of the path at a datum.
    fn follow(&self, at: &mut JointFit, k: usize, datum: &Datum) {
        let (mut normal, mut right): (Sym, [f64; 3]) = ([0.0; 6], [0.0; 3]);
        for (i, e) in datum.entries.iter().enumerate().filter(|(i, e)| self.has(*i, e)) {
            let (left_m, u) = at.left_m(k, i, e);
            let variance_m2 = f64::from(e.median_m2);
            let (_, good) = Density::new(variance_m2).density(left_m, at.nlos_share[i]);
            let weight = good.max(1e-3) / variance_m2;
            add_outer(&mut normal, self.unknowns, &u, weight);
            for (r, u) in right.iter_mut().zip(u).take(self.unknowns) {
                *r -= weight * u * left_m;
            }
        }
        if let Some((covariance, _)) = inverse(&normal, self.unknowns) {
            let step_m = times(&covariance, self.unknowns, &right);
            let shift_m: [f64; 3] = std::array::from_fn(|c| at.shift_m[k][c] + step_m[c]);
            if shift_m.iter().all(|v| v.abs() < MAX_SHIFT_M) {
                at.shift_m[k] = shift_m;
            }
        }
    }

    /// One step of offsets, NLOS shares and the hypothesis's own parameters.
    fn improve(&self, at: &mut JointFit) {
        let mut offset = [(0.0, 0.0); MAX_ANCHORS];
        let mut seen = [(0.0, 0.0); MAX_ANCHORS];
        let mut sums = Sums { normal: [0.0; 6], rhs: [0.0; 3] };
        for (k, datum) in self.data.iter().enumerate() {
            let mut rows: ArrayVec<Row, MAX_ANCHORS> = ArrayVec::new();
            for (i, e) in datum.entries.iter().enumerate().filter(|(i, e)| self.has(*i, e)) {
                let (left_m, u) = at.left_m(k, i, e);
                let variance_m2 = f64::from(e.median_m2);
                let (_, good) = Density::new(variance_m2).density(left_m, at.nlos_share[i]);
                let weight = good / variance_m2;
                offset[i].0 += weight;
                offset[i].1 += weight * (left_m + at.offset_m[i]);
                seen[i].0 += 1.0;
                seen[i].1 += good;
                rows.push(Row { direction: u, weight, left_m, jacobian: self.slope(at, i, e, u) });
            }
            self.add_hypothesis(&mut sums, &mut rows);
        }
        step_hypothesis(&sums, &mut at.hypothesis);
        for i in 0..MAX_ANCHORS {
            let open_m = self.open_of(&at.hypothesis, i);
            at.offset_m[i] = offset[i].1 / (offset[i].0 + 1.0 / (open_m * open_m));
            let (n, good) = seen[i];
            at.nlos_share[i] = ((n - good + IMAGINED_COUNTS[0])
                / (n + IMAGINED_COUNTS[0] + IMAGINED_COUNTS[1]))
                .min(MAX_NLOS_SHARE);
        }
    }

    /// How a range goes with the hypothesis's own parameters.
    fn slope(&self, at: &JointFit, anchor: usize, e: &Entry, direction: [f64; 3]) -> [f64; 3] {
        match at.hypothesis {
            FaultHypothesis::Place { anchor: i, only_up, .. } if i == anchor => {
                let flat = if only_up { 0.0 } else { -1.0 };
                let up = if only_up || self.unknowns == 3 { -1.0 } else { 0.0 };
                [flat * direction[0], flat * direction[1], up * direction[2]]
            }
            FaultHypothesis::TagHeight { .. } => [0.0, 0.0, direction[2]],
            FaultHypothesis::Scale { .. } => [0.0, 0.0, f64::from(e.distance_m)],
            FaultHypothesis::Nobody | FaultHypothesis::Offset { .. } | FaultHypothesis::Place { .. } => {
                [0.0; 3]
            }
        }
    }

    /// Adds a datum to the sums of the hypothesis's own parameters. What the path can follow is taken out of the slopes, so that
    /// hypothesis and path need not be fitted in turn.
    fn add_hypothesis(&self, sums: &mut Sums, rows: &mut ArrayVec<Row, MAX_ANCHORS>) {
        let (mut normal, mut across): (Sym, [[f64; 3]; 3]) = ([0.0; 6], [[0.0; 3]; 3]);
        for row in rows.iter() {
            add_outer(&mut normal, self.unknowns, &row.direction, row.weight + 1e-3);
            for (parameter, along) in across.iter_mut().enumerate() {
                let w = row.weight * row.jacobian[parameter];
                (0..3).for_each(|c| along[c] += w * row.direction[c]);
            }
        }
        let Some((covariance, _)) = inverse(&normal, self.unknowns) else { return };
        let followed = across.map(|along| times(&covariance, self.unknowns, &along));
        for row in rows.iter() {
            let slope: [f64; 3] = std::array::from_fn(|p| {
                let flat: f64 = (0..self.unknowns).map(|c| row.direction[c] * followed[p][c]).sum();
                row.jacobian[p] - flat
            });
            add_outer(&mut sums.normal, 3, &slope, row.weight);
            for (r, s) in sums.rhs.iter_mut().zip(slope) {
                *r += row.weight * s * row.left_m;
            }
        }
    }

    fn open_of(&self, hypothesis: &FaultHypothesis, anchor: usize) -> f64 {
        match hypothesis {
            FaultHypothesis::Offset { anchor: i } if *i == anchor => WITHIN_M,
            _ => self.open_m[anchor],
        }
    }

    fn log_density(&self, at: &JointFit) -> f64 {
        let mut ln = 0.0;
        for (k, datum) in self.data.iter().enumerate() {
            for (i, e) in datum.entries.iter().enumerate().filter(|(i, e)| self.has(*i, e)) {
                let law = Density::new(f64::from(e.median_m2));
                ln += law.ln(at.left_m(k, i, e).0, at.nlos_share[i]).0;
            }
        }
        for (i, offset_m) in at.offset_m.iter().enumerate() {
            let ses = offset_m / self.open_of(&at.hypothesis, i);
            ln -= 0.5 * ses * ses;
        }
        ln - match at.hypothesis {
            FaultHypothesis::Nobody | FaultHypothesis::Offset { .. } => 0.0,
            FaultHypothesis::Place { .. } => PLACE_COST_NATS,
            FaultHypothesis::TagHeight { .. } | FaultHypothesis::Scale { .. } => COMMON_COST_NATS,
        }
    }
}

/// Moves the hypothesis's own parameters to where the sums say, held near zero by what is expected.
fn step_hypothesis(sums: &Sums, hypothesis: &mut FaultHypothesis) {
    let within =
        if matches!(hypothesis, FaultHypothesis::Scale { .. }) { SCALE_WITHIN_SHARE } else { WITHIN_M };
    let precision = 1.0 / (within * within);
    let now = match *hypothesis {
        FaultHypothesis::Place { start: [x, y, z, _], .. } => [x, y, z],
        FaultHypothesis::TagHeight { up_m: one } | FaultHypothesis::Scale { by_share: one } => {
            [0.0, 0.0, one]
        }
        FaultHypothesis::Nobody | FaultHypothesis::Offset { .. } => return,
    };
    let (mut normal, mut right) = (sums.normal, sums.rhs);
    for axis in 0..3 {
        let unit: [f64; 3] = std::array::from_fn(|k| f64::from(u8::from(k == axis)));
        add_outer(&mut normal, 3, &unit, precision);
        right[axis] -= precision * now[axis];
    }
    let Some((covariance, _)) = inverse(&normal, 3) else { return };
    let step = times(&covariance, 3, &right);
    let to: [f64; 3] = std::array::from_fn(|k| (now[k] + step[k]).clamp(-60.0, 60.0));
    match hypothesis {
        FaultHypothesis::Place { start, only_up: true, .. } => start[2] = to[2],
        FaultHypothesis::Place { start, .. } => (start[0], start[1], start[2]) = (to[0], to[1], to[2]),
        FaultHypothesis::TagHeight { up_m } => *up_m = to[2],
        FaultHypothesis::Scale { by_share: by } => *by = to[2],
        FaultHypothesis::Nobody | FaultHypothesis::Offset { .. } => {}
    }
}
