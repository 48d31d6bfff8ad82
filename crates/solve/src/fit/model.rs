//! A site as one hypothesis has it, and where a tag is by it.
//!
//! **Position.** Start points are the crossings of circles around pairs of anchors (spheres around triples in 3D); the two
//! with the highest Σ ln f are improved by at most five Newton steps, weighted by the probability of being good. A range
//! may have a second mode, a constant excess of its anchor: something in front of it, or an offset.

use super::density::DensityAt;
use super::keyframes::{Keyframe, MAX_HEARD_TAGS};
use super::spheres::{circles, spheres};
use super::stated_site::{PerAnchor, Places, StatedSite};
use crate::math::small_matrix::{Sym, add_outer, inverse, times};
use hereabout_core::geometry::vector::{length, minus};
use hereabout_core::{AnchorSet, MAX_ANCHORS};

/// Price of a range in its anchor's second mode, nats.
const SECOND_MODE_COST_NATS: f64 = 0.7;
/// Pairs or triples that give start points.
const MAX_CROSSINGS: usize = 40;
/// Keeps the systems solvable, 1/m².
const DAMPING_PER_M2: f64 = 0.5;

/// Everything that places a tag's ranges in the world.
#[derive(Clone, Copy, Debug)]
pub(super) struct Model {
    pub(super) at_m: Places,
    /// Anchors that are weighed.
    pub(super) used: AnchorSet,
    /// True metres per metre as taken.
    pub(super) factor: f64,
    /// Height of the tag (2D).
    pub(super) up_m: f64,
    /// How much noisier than a quiet kit; see the density.
    pub(super) stretch_ratio: f64,
    /// Offsets beyond the stated ones, metres.
    pub(super) offset_m: PerAnchor,
    /// What all ranges of a tag have in common, metres.
    pub(super) tag_offset_m: [f64; MAX_HEARD_TAGS],
    /// Second mode per anchor, metres; 0 for none.
    pub(super) excess_m: PerAnchor,
}

/// A place of a tag and how well the ranges fit there.
#[derive(Clone, Copy, Debug)]
pub(super) struct TagPosition {
    pub(super) at_m: [f64; 3],
    /// Σ ln f with the fence.
    pub(super) score_nats: f64,
}

impl Model {
    /// As the site states it.
    pub(super) fn stated(site: &StatedSite) -> Model {
        Model {
            at_m: site.stated,
            used: site.everyone(),
            factor: 1.0,
            up_m: site.tag_up_m,
            stretch_ratio: 1.0,
            offset_m: [0.0; MAX_ANCHORS],
            tag_offset_m: [0.0; MAX_HEARD_TAGS],
            excess_m: [0.0; MAX_ANCHORS],
        }
    }

    /// The distances that a keyframe means by this model.
    pub(super) fn distances(&self, site: &StatedSite, k: &Keyframe) -> MeasuredRanges {
        let heard = k.heard.intersection(self.used);
        let mut range_m = [0.0; MAX_ANCHORS];
        for i in heard.iter() {
            let true_m = (self.factor * k.raw_m[i] - site.offset_m[i]) / site.scale[i];
            range_m[i] = true_m - self.offset_m[i] - self.tag_offset_m[k.tag];
        }
        MeasuredRanges { range_m, heard }
    }

    /// What the density says of a range of anchor `i` that is off by `r_m`, in its better mode.
    pub(super) fn look(&self, site: &StatedSite, i: usize, r_m: f64) -> DensityAt {
        let plain = site.density.look(r_m, self.stretch_ratio);
        if self.excess_m[i] <= 0.0 {
            return plain;
        }
        let mut other = site.density.look(r_m - self.excess_m[i], self.stretch_ratio);
        other.ln -= SECOND_MODE_COST_NATS;
        if other.ln > plain.ln { other } else { plain }
    }

    fn ln(&self, site: &StatedSite, i: usize, r_m: f64) -> f64 {
        let plain = site.density.ln(r_m, self.stretch_ratio);
        if self.excess_m[i] <= 0.0 {
            return plain;
        }
        plain.max(site.density.ln(r_m - self.excess_m[i], self.stretch_ratio) - SECOND_MODE_COST_NATS)
    }

    /// Σ ln f at a place, without the fence.
    pub(super) fn sum(&self, site: &StatedSite, measured: &MeasuredRanges, at_m: &[f64; 3]) -> f64 {
        measured
            .heard
            .iter()
            .map(|i| self.ln(site, i, measured.range_m[i] - length(minus(*at_m, self.at_m[i]))))
            .sum()
    }
}

/// Distances of a keyframe by a model.
#[derive(Clone, Copy, Debug)]
pub(super) struct MeasuredRanges {
    pub(super) range_m: PerAnchor,
    pub(super) heard: AnchorSet,
}

/// Looks that one placing takes, for the budget.
pub(super) fn price(site: &StatedSite, cold: bool) -> usize {
    site.n * if cold { 2 * MAX_CROSSINGS.min(site.n * site.n) + 12 } else { 6 }
}

/// The best place from start points of its own.
pub(super) fn locate(site: &StatedSite, model: &Model, measured: &MeasuredRanges) -> Option<TagPosition> {
    let mut best: [Option<TagPosition>; 2] = [None, None];
    let mut offer = |at_m: [f64; 3]| {
        if !at_m.iter().all(|v| v.is_finite()) {
            return;
        }
        let score = model.sum(site, measured, &at_m);
        let beats = |b: &Option<TagPosition>, score: f64| b.is_none_or(|b| score > b.score_nats);
        if !beats(&best[1], score) {
            return;
        }
        let spot = TagPosition { at_m, score_nats: score - site.outside(at_m) };
        if beats(&best[0], spot.score_nats) {
            let is_apart = best[0].is_some_and(|b| length(minus(b.at_m, at_m)) > 0.5);
            if is_apart {
                best[1] = best[0];
            }
            best[0] = Some(spot);
        } else if beats(&best[1], spot.score_nats) {
            best[1] = Some(spot);
        }
    };
    crossings(site, model, measured, &mut offer);
    let improved = best.into_iter().flatten().map(|s| improve(site, model, measured, s.at_m, 5));
    improved.max_by(|a, b| a.score_nats.total_cmp(&b.score_nats))
}

fn crossings(site: &StatedSite, model: &Model, measured: &MeasuredRanges, offer: &mut impl FnMut([f64; 3])) {
    let heard: arrayvec::ArrayVec<usize, MAX_ANCHORS> = measured.heard.iter().collect();
    let n = heard.len();
    let total = if site.d == 2 {
        n * n.saturating_sub(1) / 2
    } else {
        n * n.saturating_sub(1) * n.saturating_sub(2) / 6
    };
    let stride = total.div_ceil(MAX_CROSSINGS).max(1);
    let mut count = 0;
    for a in 0..n {
        for b in a + 1..n {
            if site.d == 2 {
                count += 1;
                if count % stride == 0 {
                    pair(model, measured, heard[a], heard[b], offer);
                }
                continue;
            }
            for c in b + 1..n {
                count += 1;
                if count % stride == 0 {
                    let ids = [heard[a], heard[b], heard[c]];
                    if let Some(both) = spheres(ids.map(|i| model.at_m[i]), ids.map(|i| measured.range_m[i]))
                    {
                        both.into_iter().for_each(&mut *offer);
                    }
                }
            }
        }
    }
}

fn pair(model: &Model, measured: &MeasuredRanges, i: usize, j: usize, offer: &mut impl FnMut([f64; 3])) {
    let (a, b) = (&model.at_m[i], &model.at_m[j]);
    let flat = |k: usize| flat_m(measured.range_m[k], model.at_m[k][2] - model.up_m);
    if let Some(both) = circles([a[0], a[1]], flat(i), [b[0], b[1]], flat(j)) {
        both.into_iter().for_each(|p| offer([p[0], p[1], model.up_m]));
    }
}

/// The horizontal part of a range; 0 when it is shorter than the difference of heights.
pub(super) fn flat_m(range_m: f64, up_m: f64) -> f64 {
    (range_m * range_m - up_m * up_m).max(0.0).sqrt()
}

/// Newton steps from a place; never worse than it.
pub(super) fn improve(
    site: &StatedSite,
    model: &Model,
    measured: &MeasuredRanges,
    from_m: [f64; 3],
    steps: usize,
) -> TagPosition {
    let mut best = TagPosition { at_m: from_m, score_nats: f64::NEG_INFINITY };
    let mut at_m = from_m;
    for step in 0..=steps {
        let (mut h, mut g, mut score) = ([0.0; 6], [0.0; 3], 0.0);
        for i in measured.heard.iter() {
            let v = minus(at_m, model.at_m[i]);
            let dist = length(v).max(1e-3);
            let look = model.look(site, i, measured.range_m[i] - dist);
            let u = v.map(|c| c / dist);
            score += look.ln;
            add_outer(&mut h, site.d, &u, look.weight);
            (0..site.d).for_each(|k| g[k] += look.slope_nats_per_m * u[k]);
        }
        if score > best.score_nats {
            best = TagPosition { at_m, score_nats: score };
        } else if step > 0 {
            break;
        }
        let Some(delta) = solve(&mut h, site.d, &g) else { break };
        let far = length(delta);
        let shrink = if far > 2.0 { 2.0 / far } else { 1.0 };
        (0..site.d).for_each(|k| at_m[k] += shrink * delta[k]);
        if far < 0.005 {
            break;
        }
    }
    best.score_nats -= site.outside(best.at_m);
    best
}

fn solve(h: &mut Sym, d: usize, gradient_nats_per_m: &[f64; 3]) -> Option<[f64; 3]> {
    [0, 2, 5].into_iter().take(d).for_each(|i| h[i] += DAMPING_PER_M2);
    inverse(h, d).map(|(inv, _)| times(&inv, d, gradient_nats_per_m))
}
