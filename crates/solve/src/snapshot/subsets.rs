//! Step 3 of the snapshot: every subset of the ranges as "the good ones", at one mode.
//!
//! The sums of the normal equations grow range by range down a binary tree; a leaf costs one tiny
//! inverse. The densities of the left-out ranges, which are dear, are evaluated only for leaves that
//! could still matter: the bad density is bounded, so an upper bound of the weight is at hand.

use arrayvec::ArrayVec;
use hereabout_core::geometry::vector::{dot, length, minus, plus};
use hereabout_core::{Fence, MAX_ANCHORS};

use crate::model::error_model::ErrorModel;

use super::{LinearisedRange, MAX_FREE, MAX_MODES, SnapshotSettings, UsedRanges, fence_ln, good_ln};
use crate::math::small_matrix::{Sym, add_outer, at, inverse, quad, times};

/// The most subsets that are kept over all modes.
pub(crate) const MAX_SUBSETS: usize = 96;

/// Subsets e^-12 times lighter than the heaviest are dropped: all of them together stay below 10⁻³.
const NEGLIGIBLE_LN: f64 = 12.0;

/// One subset with its least-squares place.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Subset {
    /// Bit i: the i-th usable range is taken as good.
    pub(crate) members: u32,
    /// Which mode it was linearised at.
    pub(crate) mode: usize,
    pub(crate) place_m: [f64; 3],
    pub(crate) covariance_m2: Sym,
    /// ln w at first; the share of the total after [`HeaviestSubsets::normalised`].
    pub(crate) weight: f64,
}

/// The heaviest subsets so far.
#[derive(Debug)]
pub(crate) struct HeaviestSubsets {
    subsets: ArrayVec<Subset, MAX_SUBSETS>,
    best_ln: f64,
    /// Lightest subset of a full hand: what is lighter has no place.
    bar_ln: f64,
}

impl HeaviestSubsets {
    pub(crate) fn new() -> HeaviestSubsets {
        HeaviestSubsets { subsets: ArrayVec::new(), best_ln: f64::NEG_INFINITY, bar_ln: f64::NEG_INFINITY }
    }

    fn worth(&self, ln: f64) -> bool {
        ln > (self.best_ln - NEGLIGIBLE_LN).max(self.bar_ln)
    }

    fn offer(&mut self, s: Subset) {
        if !s.weight.is_finite() || !self.worth(s.weight) {
            return;
        }
        self.best_ln = self.best_ln.max(s.weight);
        if self.subsets.is_full() {
            if let Some(light) = self.subsets.iter_mut().min_by(|a, b| a.weight.total_cmp(&b.weight)) {
                *light = s;
            }
        } else {
            self.subsets.push(s);
        }
        if self.subsets.is_full() {
            self.bar_ln = self.subsets.iter().map(|s| s.weight).fold(f64::INFINITY, f64::min);
        }
    }

    /// The subsets with weights that add up to 1, and ln of the sum before.
    pub(crate) fn normalised(mut self) -> (ArrayVec<Subset, MAX_SUBSETS>, f64) {
        let best = self.best_ln;
        self.subsets.retain(|s| s.weight > best - NEGLIGIBLE_LN);
        self.subsets.iter_mut().for_each(|s| s.weight = (s.weight - best).exp());
        let total: f64 = self.subsets.iter().map(|s| s.weight).sum();
        self.subsets.iter_mut().for_each(|s| s.weight /= total);
        (self.subsets, best + total.ln())
    }
}

/// Running sums of the normal equations.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    members: u32,
    info_per_m2: Sym,
    rhs_per_m: [f64; 3],
    cost_chi2: f64,
    good_ln: f64,
}

/// Everything about the mode that the leaves need.
struct ModeTerms<'a> {
    used: &'a UsedRanges,
    d: usize,
    linearised: [LinearisedRange; MAX_ANCHORS],
    good_ln: [f64; MAX_ANCHORS],
    free: ArrayVec<usize, MAX_FREE>,
    mode: usize,
    modes_m: &'a [[f64; 3]],
    fence_ln: f64,
    settings: &'a SnapshotSettings,
    /// Upper bounds of ln(p · bad density), one a range.
    bad_bound_ln: [f64; MAX_ANCHORS],
}

/// Weighs the subsets at mode `mode` and offers them to the hand.
pub(super) fn weigh(
    used: &UsedRanges,
    d: usize,
    modes_m: &ArrayVec<[f64; 3], MAX_MODES>,
    mode: usize,
    fence: &Fence,
    settings: &SnapshotSettings,
    heaviest: &mut HeaviestSubsets,
) {
    let x0 = modes_m[mode];
    let model = &settings.model;
    let mut terms = ModeTerms {
        used,
        d,
        linearised: [LinearisedRange::default(); MAX_ANCHORS],
        good_ln: [0.0; MAX_ANCHORS],
        free: ArrayVec::new(),
        mode,
        modes_m,
        fence_ln: fence_ln(fence, x0),
        settings,
        bad_bound_ln: [0.0; MAX_ANCHORS],
    };
    let mut p_good = [0.0; MAX_ANCHORS];
    for (i, r) in used.iter().enumerate() {
        terms.linearised[i] = r.linearise(&x0, d);
        terms.good_ln[i] = good_ln(1.0 - model.nlos_share, r.sigma_m);
        terms.bad_bound_ln[i] = bad_bound(terms.linearised[i].residual_m, r.sigma_m, model).ln();
        p_good[i] = model.good_probability(terms.linearised[i].residual_m, r.sigma_m);
    }
    // The most doubtful ranges are free; the sure ones keep their verdict.
    let mut order: ArrayVec<usize, MAX_ANCHORS> = (0..used.len()).collect();
    order.sort_by(|&a, &b| (p_good[a] - 0.5).abs().total_cmp(&(p_good[b] - 0.5).abs()));
    let mut sums = Sums::default();
    let mut likely = Sums::default();
    for (rank, &i) in order.iter().enumerate() {
        if rank < MAX_FREE {
            terms.free.push(i);
        } else if p_good[i] > 0.5 {
            terms.add(&mut sums, i);
        }
        if p_good[i] > 0.5 {
            terms.add(&mut likely, i);
        }
    }
    // The likeliest subset first: it sets the bar that spares most of the others.
    if let Some(s) = terms.leaf(&likely, heaviest) {
        heaviest.best_ln = heaviest.best_ln.max(s.weight);
    }
    terms.walk(0, &sums, heaviest);
}

/// What p · bad density can reach when the place shifts within its uncertainty: the density rises with the error
/// up to its peak near the smallest delay, and never passes 1/mean.
fn bad_bound(e_m: f64, sigma_m: f64, model: &ErrorModel) -> f64 {
    let e = e_m + 2.5 * sigma_m;
    let most = 1.0 / model.nlos_mean_m + model.wild_share / model.wild_span_m;
    let density = if e < model.nlos_offset_m { model.bad_density(e, 1.4 * sigma_m) } else { most };
    model.nlos_share * density.min(most)
}

impl ModeTerms<'_> {
    fn add(&self, sums: &mut Sums, i: usize) {
        let (s, sigma) = (&self.linearised[i], self.used[i].sigma_m);
        let w = 1.0 / (sigma * sigma);
        sums.members |= 1 << i;
        add_outer(&mut sums.info_per_m2, self.d, &s.direction, w);
        sums.rhs_per_m = plus(sums.rhs_per_m, s.direction.map(|c| c * w * s.residual_m));
        sums.cost_chi2 += w * s.residual_m * s.residual_m;
        sums.good_ln += self.good_ln[i];
    }

    /// Goes down the tree: first with, then without the next free range.
    fn walk(&self, depth: usize, sums: &Sums, heaviest: &mut HeaviestSubsets) {
        let Some(&i) = self.free.get(depth) else {
            if let Some(s) = self.leaf(sums, heaviest) {
                heaviest.offer(s);
            }
            return;
        };
        let mut with = *sums;
        self.add(&mut with, i);
        self.walk(depth + 1, &with, heaviest);
        if sums.members.count_ones() as usize + self.free.len() - depth > self.d {
            self.walk(depth + 1, sums, heaviest);
        }
    }

    /// One subset; `None` when it can't matter or determines no place.
    fn leaf(&self, sums: &Sums, heaviest: &HeaviestSubsets) -> Option<Subset> {
        let size = sums.members.count_ones() as usize;
        if size < self.d {
            return None;
        }
        let (covariance, det) = inverse(&sums.info_per_m2, self.d)?;
        let delta = times(&covariance, self.d, &sums.rhs_per_m);
        let cost = (sums.cost_chi2 - dot(sums.rhs_per_m, delta)).max(0.0);
        let tau = std::f64::consts::TAU;
        let volume = if self.d == 2 { tau * tau } else { tau * tau * tau };
        let mut ln = -0.5 * cost + sums.good_ln + 0.5 * (volume / det).ln() + self.fence_ln;
        let out = || (0..self.used.len()).filter(|i| sums.members & (1 << i) == 0);
        if !heaviest.worth(ln + out().map(|i| self.bad_bound_ln[i]).sum::<f64>()) {
            return None;
        }
        // The trace is an upper bound of the largest variance and costs nothing.
        let trace: f64 = (0..self.d).map(|i| covariance[at(i, i)]).sum();
        let sigma_max = trace.sqrt();
        let step = length(delta);
        if !(sigma_max < self.settings.weakest_sigma_m && step <= f64::max(0.8, 2.0 * sigma_max)) {
            return None;
        }
        let place = plus(self.modes_m[self.mode], delta);
        let nearer = |(i, m): (usize, &[f64; 3])| i != self.mode && length(minus(*m, place)) < step;
        if self.modes_m.iter().enumerate().any(nearer) {
            return None;
        }
        let model = &self.settings.model;
        let mut bad = 1.0;
        for i in out() {
            let r = &self.used[i];
            let s = &self.linearised[i];
            let spread = (r.sigma_m * r.sigma_m + quad(&covariance, self.d, &s.direction)).sqrt();
            bad *= model.nlos_share * model.bad_density(s.residual_m - dot(s.direction, delta), spread);
        }
        ln += bad.ln();
        Some(Subset {
            members: sums.members,
            mode: self.mode,
            place_m: place,
            covariance_m2: covariance,
            weight: ln,
        })
    }
}
