//! The bank: a handful of hypotheses, grown range by range and thinned again.
//!
//! Every range lets every hypothesis branch: the range is *good*, the anchor's old delay *continues*, a *new*
//! delay begins, or the reading is *wild* (then the label stays and the range is not used). A branch
//! weighs its parent's weight × the probability of that change of label × the density of the
//! innovation. All branches are weighed first (cheap); only the heaviest are carried out (dear).

use hereabout_core::AnchorSet;
use hereabout_core::geometry::vector::{dot, length, minus};

use super::hypothesis::Hypothesis;
use super::learning::Rates;
use super::motion::Motion;
use crate::math::small_matrix::{Sym, inverse, quad, times};
use crate::model::error_model::{ErrorModel, INV_SQRT_TAU_RATIO};

/// Hypotheses kept between epochs.
pub(crate) const MAX_BETWEEN_EPOCHS: usize = 8;
/// Hypotheses kept within an epoch.
pub(crate) const MAX_WITHIN_EPOCH: usize = 16;
/// Branches this much lighter than the heaviest are dropped at once.
const NEGLIGIBLE_SHARE: f64 = 1e-6;

/// One range on its way into the bank.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Reading {
    pub(crate) anchor: usize,
    pub(crate) anchor_m: [f64; 3],
    pub(crate) range_m: f64,
    pub(crate) sigma_m: f64,
    /// Variance that calibration and place leave in the offset: widens what passes as good, m².
    pub(crate) offset_m2: f64,
    /// Variance that the anchor's delay gained since its last range, m².
    pub(crate) walk_m2: f64,
    /// Probabilities of label changes for this reading.
    pub(crate) rates: Rates,
}

/// What a range said on its way in, before it changed anything.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct RangeEvidence {
    /// ln of its predictive density.
    pub(crate) ln: f64,
    /// Probability of being short (good or wild), and mean of innovation² − predicted variance given
    /// that, m²: an estimate of σ². A mad innovation counts as four of its σ.
    pub(crate) short_weight_and_m2: (f64, f64),
}

/// Sums over the branches of a range; `noise_m2` is its σ².
fn summary(branches: &[Branch], total_weight: f64, noise_m2: f64) -> RangeEvidence {
    let (mut weight, mut sum) = (0.0, 0.0);
    let kept: f64 = branches.iter().map(|b| b.weight).sum();
    for b in branches
        .iter()
        .filter(|b| matches!(b.kind, BranchKind::Good | BranchKind::Wild) && b.innovation_m < 0.0)
    {
        weight += b.weight / kept;
        sum += b.weight / kept
            * ((b.innovation_m * b.innovation_m).min(16.0 * b.innovation_m2) - (b.innovation_m2 - noise_m2));
    }
    let mean = if weight > 0.0 { sum / weight } else { 0.0 };
    RangeEvidence { ln: total_weight.max(1e-300).ln(), short_weight_and_m2: (weight, mean) }
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum BranchKind {
    Good,
    Continued,
    New,
    Wild,
}

#[derive(Clone, Copy, Debug)]
struct Branch {
    parent: usize,
    kind: BranchKind,
    weight: f64,
    direction: [f64; 3],
    innovation_m: f64,
    innovation_m2: f64,
}

const NO_BRANCH: Branch = Branch {
    parent: 0,
    kind: BranchKind::Wild,
    weight: 0.0,
    direction: [0.0; 3],
    innovation_m: 0.0,
    innovation_m2: 1.0,
};

/// The hypotheses, heaviest mattering most; see the module's prose.
#[derive(Clone, Debug)]
pub(crate) struct Bank {
    height_m: f64,
    now: Vec<Hypothesis>,
    next: Vec<Hypothesis>,
    count: usize,
}

impl Bank {
    /// An empty bank; the only allocation of its life.
    pub(crate) fn new(d: usize, height_m: f64) -> Bank {
        let room = || vec![Hypothesis::blank(d); MAX_WITHIN_EPOCH + MAX_BETWEEN_EPOCHS];
        Bank { height_m, now: room(), next: room(), count: 0 }
    }

    pub(crate) fn hypotheses(&self) -> &[Hypothesis] {
        &self.now[..self.count]
    }

    pub(crate) fn clear(&mut self) {
        self.count = 0;
    }

    /// Adds a hypothesis; when the bank is full it takes the lightest one's place.
    pub(crate) fn add(&mut self, fill: impl FnOnce(&mut Hypothesis)) {
        if self.count == MAX_BETWEEN_EPOCHS {
            let lightest = (0..self.count)
                .min_by(|&a, &b| self.now[a].weight.total_cmp(&self.now[b].weight))
                .unwrap_or(0);
            fill(&mut self.now[lightest]);
        } else {
            fill(&mut self.now[self.count]);
            self.count += 1;
        }
    }

    /// Multiplies every weight by `factor(hypothesis)`, then makes them add up to 1.
    pub(crate) fn reweigh(&mut self, factor: impl Fn(&Hypothesis) -> f64) {
        for h in &mut self.now[..self.count] {
            h.weight *= factor(h);
        }
        self.normalise();
    }

    fn normalise(&mut self) -> f64 {
        let total: f64 = self.hypotheses().iter().map(|h| h.weight).sum();
        if total > 0.0 && total.is_finite() {
            self.now[..self.count].iter_mut().for_each(|h| h.weight /= total);
        } else {
            let even = 1.0 / self.count.max(1) as f64;
            self.now[..self.count].iter_mut().for_each(|h| h.weight = even);
        }
        total
    }

    /// Time passes: every hypothesis goes on as it was or changes between still and moving.
    pub(crate) fn pass(&mut self, dt_s: f64, motion: &Motion) {
        for h in &mut self.now[..self.count] {
            h.was_nlos = h.nlos;
            (h.good_now, h.fresh_now, h.wild_now) = (AnchorSet::EMPTY, AnchorSet::EMPTY, AnchorSet::EMPTY);
        }
        if dt_s.is_nan() || dt_s <= 0.0 {
            return;
        }
        if self.count > MAX_BETWEEN_EPOCHS {
            // Time passed without ranges: nothing has thinned the hypotheses since they last doubled.
            self.settle();
        }
        // Two-state Markov chain in continuous time.
        let both = (motion.stop_hz + motion.start_hz).max(1e-9);
        let mixed = (1.0 - (-both * dt_s).exp()) / both;
        let (stop, start) = (motion.stop_hz * mixed, motion.start_hz * mixed);
        let creep_m2 = motion.creep_m2(dt_s);
        let before = self.count;
        for i in 0..before {
            let (old, new) = self.now.split_at_mut(before);
            let (stay, change) = (&mut old[i], &mut new[i]);
            let switch = if stay.moving { stop * stay.slowness(motion.brake_mps) } else { start };
            change.copy_from(stay);
            change.weight *= switch;
            stay.weight *= 1.0 - switch;
            if change.moving {
                change.stop();
            } else {
                change.set_off(motion.set_off_mps);
            }
            for h in [stay, change] {
                if h.moving {
                    h.drift(dt_s, motion.acceleration_m2ps3);
                } else {
                    h.creep(creep_m2);
                }
            }
        }
        self.count = 2 * before;
        self.join();
    }

    /// Takes one range in.
    pub(crate) fn take(&mut self, r: &Reading, model: &ErrorModel) -> RangeEvidence {
        let model = &model.for_noise(r.sigma_m);
        let mut branches = [NO_BRANCH; 4 * MAX_WITHIN_EPOCH];
        let mut n = 0;
        let mut total = 0.0;
        for parent in 0..self.count {
            for b in weigh(&self.now[parent], parent, r, model, self.height_m) {
                if b.weight > 0.0 {
                    branches[n] = b;
                    n += 1;
                    total += b.weight;
                }
            }
        }
        let heaviest = branches[..n].iter().map(|b| b.weight).fold(0.0, f64::max);
        let mut kept = 0;
        for i in 0..n {
            if branches[i].weight > heaviest * NEGLIGIBLE_SHARE {
                branches[kept] = branches[i];
                kept += 1;
            }
        }
        if kept > MAX_WITHIN_EPOCH {
            branches[..kept].select_nth_unstable_by(MAX_WITHIN_EPOCH - 1, |a, b| {
                b.weight.total_cmp(&a.weight).then(a.parent.cmp(&b.parent))
            });
            kept = MAX_WITHIN_EPOCH;
        }
        let taken = summary(&branches[..kept], total, r.sigma_m * r.sigma_m);
        for (child, b) in self.next.iter_mut().zip(&branches[..kept]) {
            child.copy_from(&self.now[b.parent]);
            carry_out(child, b, r, model);
        }
        std::mem::swap(&mut self.now, &mut self.next);
        self.count = kept;
        self.normalise();
        taken
    }

    /// End of an epoch: equal labels become one hypothesis, the heaviest few stay.
    pub(crate) fn settle(&mut self) {
        self.join();
        if self.count > MAX_BETWEEN_EPOCHS {
            self.now[..self.count].sort_unstable_by(|a, b| b.weight.total_cmp(&a.weight));
            self.count = MAX_BETWEEN_EPOCHS;
        }
        self.normalise();
    }

    /// Joins hypotheses with equal labels and motion that are about the same place.
    fn join(&mut self) {
        let mut i = 0;
        while i < self.count {
            let mut j = i + 1;
            while j < self.count {
                let (a, b) = self.now.split_at_mut(j);
                if alike(&a[i], &b[0]) {
                    a[i].merge(&b[0]);
                    self.count -= 1;
                    self.now.swap(j, self.count);
                } else {
                    j += 1;
                }
            }
            i += 1;
        }
    }
}

/// Same labels, same motion, and of one restart id or places that are within three σ of each other.
fn alike(a: &Hypothesis, b: &Hypothesis) -> bool {
    if a.nlos != b.nlos || a.moving != b.moving {
        return false;
    }
    if a.restart_id == b.restart_id {
        return true;
    }
    let gap = minus(a.place(0.0), b.place(0.0));
    let mut cov: Sym = a.place_cov();
    for (c, o) in cov.iter_mut().zip(&b.place_cov()) {
        *c += o;
    }
    inverse(&cov, a.d).is_some_and(|(inv, _)| dot(gap, times(&inv, a.d, &gap)) < 9.0) && length(gap) < 1.0
}

fn normal(innovation_m: f64, variance_m2: f64) -> f64 {
    INV_SQRT_TAU_RATIO / variance_m2.sqrt() * (-0.5 * innovation_m * innovation_m / variance_m2).exp()
}

/// The branches of one hypothesis. Weight 0 means that there is no such branch.
fn weigh(h: &Hypothesis, parent: usize, r: &Reading, model: &ErrorModel, height_m: f64) -> [Branch; 4] {
    let mut u = minus(h.place(height_m), r.anchor_m);
    let distance = length(u).max(1e-3);
    u = u.map(|c| c / distance);
    if h.d == 2 {
        u[2] = 0.0;
    }
    let cov = h.place_cov();
    let spread = quad(&cov, h.d, &u);
    // Second order: across the line of sight a circle bends away from its tangent.
    let trace = cov[0] + cov[2] + if h.d == 3 { cov[5] } else { 0.0 };
    let bend = ((trace - spread).max(0.0) / (2.0 * distance.max(0.3))).min(distance);
    let e = r.range_m - distance - bend;
    let s = spread + r.sigma_m * r.sigma_m + 2.0 * bend * bend;
    let branch = |kind, weight, e, s| Branch {
        parent,
        kind,
        weight: h.weight * weight,
        direction: u,
        innovation_m: e,
        innovation_m2: s,
    };
    let wild = branch(BranchKind::Wild, r.rates.wild_probability / model.wild_span_m, e, s);
    let nlos = h.bias_row(r.anchor);
    let t = &r.rates;
    let to_good = if nlos.is_some() { t.nlos_to_good_probability } else { 1.0 - t.good_to_nlos_probability };
    let good =
        branch(BranchKind::Good, (1.0 - t.wild_probability) * to_good * normal(e, s + r.offset_m2), e, s);
    let fresh = if nlos.is_some() {
        (1.0 - t.nlos_to_good_probability) * t.renewal_probability
    } else {
        t.good_to_nlos_probability
    };
    let new =
        branch(BranchKind::New, (1.0 - t.wild_probability) * fresh * model.nlos_density(e, s.sqrt()), e, s);
    let old = match nlos {
        None => branch(BranchKind::Continued, 0.0, e, s),
        Some(row) => {
            let e = e - h.state[row];
            let own = h.covariance[crate::math::small_matrix::at(row, row)] + r.walk_m2;
            let s = (s + 2.0 * h.cross(&u, row) + own).max(r.sigma_m * r.sigma_m);
            let keeps = (1.0 - t.nlos_to_good_probability) * (1.0 - t.renewal_probability);
            branch(BranchKind::Continued, (1.0 - t.wild_probability) * keeps * normal(e, s), e, s)
        }
    };
    [good, old, new, wild]
}

/// Turns a copy of the parent into the child.
fn carry_out(h: &mut Hypothesis, b: &Branch, r: &Reading, model: &ErrorModel) {
    h.weight = b.weight;
    match b.kind {
        BranchKind::Wild => h.wild_now.insert(r.anchor),
        BranchKind::Good => {
            h.drop_bias(r.anchor);
            h.update(&b.direction, None, b.innovation_m, b.innovation_m2);
            h.good_now.insert(r.anchor);
        }
        BranchKind::Continued => {
            if let Some(row) = h.bias_row(r.anchor) {
                h.covariance[crate::math::small_matrix::at(row, row)] += r.walk_m2;
                h.update(&b.direction, Some(row), b.innovation_m, b.innovation_m2);
            }
        }
        BranchKind::New => {
            // Exponential prior times Gaussian likelihood peaks s/mean below the innovation.
            h.drop_bias(r.anchor);
            let mean = (b.innovation_m - b.innovation_m2 / model.nlos_mean_m).max(0.75 * model.nlos_offset_m);
            let variance = 1.7 * model.nlos_mean_m * model.nlos_mean_m;
            h.add_bias(r.anchor, mean, variance);
            let row = h.rows - 1;
            h.update(&b.direction, Some(row), b.innovation_m - mean, b.innovation_m2 + variance);
            h.fresh_now.insert(r.anchor);
        }
    }
}
