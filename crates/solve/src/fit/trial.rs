//! One hypothesis under trial: positions, offsets and what the hypothesis leaves free, improved together.
//!
//! **Rounds.** In each, every keyframe is placed (from a cold start in rounds 0 and 3 from start points of its own, the others from where it was),
//! then offsets δ (one an anchor), c (one a tag) and the free parts θ make one Newton step, with the positions eliminated:
//!
//! ```text
//! S = Σ_k max_p Σ_i ln f(r_ki) − Σ δ²/2s² − Σ c²/2s_c² − penalty,  |δ| ≤ .45 m
//! H = Σ_k [H_qq − H_qp H_pp⁻¹ H_pq],  g likewise;  q ← q + H⁻¹ g
//! ```
//!
//! The density is stretched in the first rounds of a cold start. The best of the others is kept. After round 3 each anchor may get a second mode, a constant excess, at a price of 4 nats.
//!
//! A step of work is one keyframe.

use hereabout_core::MAX_ANCHORS;
use hereabout_core::geometry::vector::{length, minus};

use super::density::WITHIN_M;
use super::keyframes::{Keyframe, MAX_HEARD_TAGS, MAX_KEYFRAMES};
use super::model::{Model, TagPosition, improve, locate, price};
use super::stated_site::{MAX_OFFSET_M, PerAnchor, StatedSite, TAG_OFFSET_M, TAG_OFFSET_SPAN_M};
use crate::math::small_matrix::{Sym, add_outer, inverse};

/// What a hypothesis leaves free.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum FreeParameters {
    /// Nothing but offsets.
    Nothing,
    /// True metres per metre as taken, the same for all ranges.
    Factor,
    /// The tag's height, metres (2D only).
    TagUp,
    /// The height of the anchor with this index.
    Up(usize),
    /// All coordinates of the anchor with this index.
    Place(usize),
    /// All coordinates of the anchors with these indices.
    Two(usize, usize),
}

const MAX_UNKNOWNS: usize = MAX_ANCHORS + MAX_HEARD_TAGS + 6;
const COLD_AGAIN: usize = 3;
/// Price of a second mode, nats.
const EXCESS_COST_NATS: f64 = 4.0;
/// Shortest and longest constant excess.
const EXCESS_M: [f64; 14] = [0.15, 0.22, 0.3, 0.38, 0.47, 0.57, 0.68, 0.8, 0.95, 1.15, 1.4, 1.7, 2.1, 2.5];

/// How well a hypothesis does.
#[derive(Clone, Copy, Debug)]
pub(super) struct TrialScore {
    /// S without the hypothesis's own penalty.
    pub(super) score_nats: f64,
    pub(super) explained_share: f64,
    pub(super) too_short_share: f64,
    /// Explained share for each anchor; 1 where it was not heard.
    pub(super) share: PerAnchor,
}

impl TrialScore {
    const NONE: TrialScore = TrialScore {
        score_nats: f64::NEG_INFINITY,
        explained_share: 0.0,
        too_short_share: 0.0,
        share: [1.0; MAX_ANCHORS],
    };
}

/// A hypothesis under trial.
#[derive(Clone, Debug)]
pub(super) struct Trial {
    pub(super) model: Model,
    pub(super) free: FreeParameters,
    /// Where the tag was at each keyframe by the best round.
    pub(super) spots_m: [[f64; 3]; MAX_KEYFRAMES],
    pub(super) worth: TrialScore,
    best: Model,
    now_m: [[f64; 3]; MAX_KEYFRAMES],
    sum: Sum,
    round: usize,
    rounds: usize,
    k: usize,
    warm: bool,
    with_excess: bool,
    /// Stretch of the density without that of the round.
    stretch_ratio: f64,
    normal: Box<Normal>,
}

#[derive(Clone, Copy, Debug, Default)]
struct Sum {
    score_nats: f64,
    explained_count: f64,
    too_short_count: f64,
    measured_count: f64,
    counts_by_anchor: [[f64; 2]; MAX_ANCHORS],
}

/// Normal equations of the offsets and free parts.
#[derive(Clone, Debug)]
struct Normal {
    hessian: [[f64; MAX_UNKNOWNS]; MAX_UNKNOWNS],
    gradient: [f64; MAX_UNKNOWNS],
}

impl Trial {
    pub(super) fn new(site: &StatedSite) -> Trial {
        let model = Model::stated(site);
        Trial {
            model,
            free: FreeParameters::Nothing,
            spots_m: [[0.0; 3]; MAX_KEYFRAMES],
            worth: TrialScore::NONE,
            best: model,
            now_m: [[0.0; 3]; MAX_KEYFRAMES],
            sum: Sum::default(),
            round: 0,
            rounds: 0,
            k: 0,
            warm: false,
            with_excess: false,
            stretch_ratio: 1.0,
            normal: Box::new(Normal {
                hessian: [[0.0; MAX_UNKNOWNS]; MAX_UNKNOWNS],
                gradient: [0.0; MAX_UNKNOWNS],
            }),
        }
    }

    /// Begins with start points of its own.
    pub(super) fn begin_cold(&mut self, model: Model, free: FreeParameters, rounds: usize) {
        self.model = model;
        self.free = free;
        self.worth = TrialScore::NONE;
        self.best = model;
        (self.round, self.k, self.rounds) = (0, 0, rounds);
        self.sum = Sum::default();
        (self.warm, self.with_excess) = (false, rounds > COLD_AGAIN);
        self.stretch_ratio = model.stretch_ratio;
        self.model.stretch_ratio = self.stretch_ratio * self.stretch();
        self.normal.clear();
    }

    /// Begins where another trial ended.
    pub(super) fn begin_warm(
        &mut self,
        site: &StatedSite,
        model: Model,
        free: FreeParameters,
        rounds: usize,
        spots_m: &[[f64; 3]; MAX_KEYFRAMES],
    ) {
        self.begin_cold(model, free, rounds);
        self.now_m = *spots_m;
        if site.d == 2 {
            self.now_m.iter_mut().for_each(|p| p[2] = model.up_m);
        }
        self.warm = true;
        self.model.stretch_ratio = self.stretch_ratio;
    }

    /// Cold starts begin with a wide density, or offsets and free parts far from the truth would end beside it.
    fn stretch(&self) -> f64 {
        // A wide density counts short delays as good ones, and a factor follows them.
        if self.free == FreeParameters::Factor {
            return 1.0;
        }
        match (self.warm, self.rounds > COLD_AGAIN, self.round) {
            (false, true, 0 | 1) => 2.5,
            (false, true, 2) | (false, false, 0) => 1.6,
            _ => 1.0,
        }
    }

    /// Works on one keyframe; gives its price in looks, or `None` when the trial is over and the best round is in place.
    pub(super) fn step(&mut self, site: &StatedSite, frames: &[Keyframe]) -> Option<usize> {
        if self.round >= self.rounds {
            self.model = self.best;
            return None;
        }
        if self.k >= frames.len() {
            return Some(self.end_round(site, frames));
        }
        let k = self.k;
        self.k += 1;
        let measured = self.model.distances(site, &frames[k]);
        let cold = !self.warm && (self.round == 0 || self.round == COLD_AGAIN);
        let mut spot = TagPosition { at_m: self.now_m[k], score_nats: f64::NEG_INFINITY };
        if self.warm || self.round > 0 {
            spot = improve(site, &self.model, &measured, self.now_m[k], 2);
        }
        if cold
            && let Some(other) =
                locate(site, &self.model, &measured).filter(|s| s.score_nats > spot.score_nats)
        {
            spot = other;
        }
        if spot.score_nats.is_finite() {
            self.now_m[k] = spot.at_m;
            self.add(site, &frames[k], spot);
        }
        Some(price(site, cold))
    }

    /// Adds a placed keyframe to the sums and the normal equations.
    fn add(&mut self, site: &StatedSite, k: &Keyframe, spot: TagPosition) {
        let (model, d) = (&self.model, site.d);
        let measured = model.distances(site, k);
        self.sum.score_nats += spot.score_nats;
        let within = WITHIN_M * model.stretch_ratio;
        let (mut pp, mut gp): (Sym, [f64; 3]) = ([0.0; 6], [0.0; 3]);
        let mut pq = [[0.0; 3]; MAX_UNKNOWNS];
        for i in measured.heard.iter() {
            let v = minus(spot.at_m, model.at_m[i]);
            let dist = length(v).max(1e-3);
            let u = v.map(|c| c / dist);
            let r = measured.range_m[i] - dist;
            let look = model.look(site, i, r);
            let ok = f64::from(u8::from(r.abs() < within));
            self.sum.measured_count += 1.0;
            self.sum.explained_count += ok;
            self.sum.too_short_count += f64::from(u8::from(r <= -within));
            self.sum.counts_by_anchor[i][0] += ok;
            self.sum.counts_by_anchor[i][1] += 1.0;
            add_outer(&mut pp, d, &u, look.weight);
            (0..d).for_each(|c| gp[c] += look.slope_nats_per_m * u[c]);
            let mut slopes: arrayvec::ArrayVec<(usize, f64), 8> = arrayvec::ArrayVec::new();
            slopes.push((i, 1.0));
            slopes.push((MAX_ANCHORS + k.tag, 1.0));
            free_slopes(self.free, site.d, i, &u, model.factor * k.raw_m[i] / site.scale[i], &mut slopes);
            for &(a, ja) in &slopes {
                self.normal.gradient[a] += look.slope_nats_per_m * ja;
                (0..d).for_each(|c| pq[a][c] += look.weight * ja * u[c]);
                for &(b, jb) in &slopes {
                    self.normal.hessian[a][b] += look.weight * ja * jb;
                }
            }
        }
        [0, 2, 5].into_iter().take(d).for_each(|c| pp[c] += 0.5);
        self.normal.eliminate(&pp, &gp, &pq, d);
    }

    fn end_round(&mut self, site: &StatedSite, frames: &[Keyframe]) -> usize {
        let score = self.sum.score_nats - self.prior(site);
        // Scores by a wider density can't be compared.
        if score > self.worth.score_nats && self.stretch() == 1.0 {
            let measured = self.sum.measured_count.max(1.0);
            self.worth = TrialScore {
                score_nats: score,
                explained_share: self.sum.explained_count / measured,
                too_short_share: self.sum.too_short_count / measured,
                share: self.sum.counts_by_anchor.map(|[ok, all]| if all > 0.0 { ok / all } else { 1.0 }),
            };
            self.best = self.model;
            self.spots_m = self.now_m;
        }
        self.newton(site);
        let mut cost = 400;
        if self.with_excess && self.round == COLD_AGAIN {
            self.find_excess(site, frames);
            cost += frames.len() * site.n * EXCESS_M.len();
        }
        self.normal.clear();
        self.sum = Sum::default();
        self.round += 1;
        self.model.stretch_ratio = self.stretch_ratio * self.stretch();
        self.k = 0;
        cost
    }

    fn prior(&self, site: &StatedSite) -> f64 {
        let m = &self.model;
        let own: f64 = (0..site.n).map(|i| (m.offset_m[i] / site.offset_sd_m[i]).powi(2)).sum();
        let tags: f64 = m.tag_offset_m.iter().map(|c| (c / TAG_OFFSET_M).powi(2)).sum();
        let modes = m.excess_m.iter().filter(|e| **e > 0.0).count() as f64;
        0.5 * (own + tags) + EXCESS_COST_NATS * modes
    }

    fn newton(&mut self, site: &StatedSite) {
        let m = &mut self.model;
        for i in 0..site.n {
            let w = site.offset_sd_m[i].powi(-2);
            self.normal.hessian[i][i] += w;
            self.normal.gradient[i] -= w * m.offset_m[i];
        }
        for (t, c) in m.tag_offset_m.iter().enumerate() {
            let w = TAG_OFFSET_M.powi(-2);
            self.normal.hessian[MAX_ANCHORS + t][MAX_ANCHORS + t] += w;
            self.normal.gradient[MAX_ANCHORS + t] -= w * c;
        }
        let Some(q) = self.normal.solve() else { return };
        for (offset_m, step) in m.offset_m.iter_mut().zip(&q).take(site.n) {
            *offset_m = (*offset_m + step).clamp(-MAX_OFFSET_M, MAX_OFFSET_M);
        }
        for (t, c) in m.tag_offset_m.iter_mut().enumerate() {
            *c = (*c + q[MAX_ANCHORS + t]).clamp(TAG_OFFSET_SPAN_M[0], TAG_OFFSET_SPAN_M[1]);
        }
        let free = &q[MAX_ANCHORS + MAX_HEARD_TAGS..];
        let up = |v: f64| v.clamp(-0.7, 0.7);
        match self.free {
            FreeParameters::Nothing => {}
            FreeParameters::Factor => {
                m.factor = (m.factor * (1.0 + free[0].clamp(-0.2, 0.2))).clamp(1e-4, 1e4);
            }
            FreeParameters::TagUp => {
                m.up_m = (m.up_m + up(free[0])).clamp(site.tag_up_m - 6.0, site.tag_up_m + 6.0);
                self.now_m.iter_mut().for_each(|p| p[2] = m.up_m);
            }
            FreeParameters::Up(i) => m.at_m[i][2] += up(free[0]),
            FreeParameters::Place(i) => shift(&mut m.at_m[i], &free[..site.d]),
            FreeParameters::Two(i, j) => {
                shift(&mut m.at_m[i], &free[..site.d]);
                shift(&mut m.at_m[j], &free[3..3 + site.d]);
            }
        }
    }

    fn find_excess(&mut self, site: &StatedSite, frames: &[Keyframe]) {
        for i in self.model.used.iter() {
            let mut gains = [0.0; EXCESS_M.len()];
            for (k, at) in frames.iter().zip(&self.now_m) {
                let measured = self.model.distances(site, k);
                if !measured.heard.contains(i) {
                    continue;
                }
                let r = measured.range_m[i] - length(minus(*at, self.model.at_m[i]));
                let plain = site.density.ln(r, self.model.stretch_ratio);
                for (gain, e) in gains.iter_mut().zip(EXCESS_M) {
                    *gain += (site.density.ln(r - e, self.model.stretch_ratio) - 0.7 - plain).max(0.0);
                }
            }
            let best = (0..gains.len()).max_by(|&a, &b| gains[a].total_cmp(&gains[b])).unwrap_or(0);
            self.model.excess_m[i] = if gains[best] > EXCESS_COST_NATS { EXCESS_M[best] } else { 0.0 };
        }
    }
}

fn shift(at_m: &mut [f64; 3], by_m: &[f64]) {
    let far = by_m.iter().map(|v| v * v).sum::<f64>().sqrt();
    let shrink = if far > 2.0 { 2.0 / far } else { 1.0 };
    at_m.iter_mut().zip(by_m).for_each(|(a, b)| *a += shrink * b);
}

/// How the computed distance of anchor `i` (less what was measured, for the factor) grows with the free parts.
fn free_slopes(
    free: FreeParameters,
    d: usize,
    i: usize,
    direction: &[f64; 3],
    measured_m: f64,
    out: &mut arrayvec::ArrayVec<(usize, f64), 8>,
) {
    const FIRST: usize = MAX_ANCHORS + MAX_HEARD_TAGS;
    match free {
        // In shares of the factor.
        FreeParameters::Factor => out.push((FIRST, -measured_m)),
        FreeParameters::TagUp => out.push((FIRST, direction[2])),
        FreeParameters::Up(a) if a == i => out.push((FIRST, -direction[2])),
        FreeParameters::Place(a) if a == i => (0..d).for_each(|c| out.push((FIRST + c, -direction[c]))),
        FreeParameters::Two(a, _) if a == i => (0..d).for_each(|c| out.push((FIRST + c, -direction[c]))),
        FreeParameters::Two(_, b) if b == i => (0..d).for_each(|c| out.push((FIRST + 3 + c, -direction[c]))),
        _ => {}
    }
}

impl Normal {
    fn clear(&mut self) {
        self.hessian.iter_mut().for_each(|row| row.fill(0.0));
        self.gradient.fill(0.0);
    }

    fn eliminate(
        &mut self,
        pp: &Sym,
        position_gradient: &[f64; 3],
        cross_hessian: &[[f64; 3]; MAX_UNKNOWNS],
        d: usize,
    ) {
        let Some((inv, _)) = inverse(pp, d) else { return };
        let touched = |row: &[f64; 3]| row.iter().any(|v| *v != 0.0);
        for a in 0..MAX_UNKNOWNS {
            if !touched(&cross_hessian[a]) {
                continue;
            }
            let t = crate::math::small_matrix::times(&inv, d, &cross_hessian[a]);
            let along = |v: &[f64; 3]| (0..d).map(|c| t[c] * v[c]).sum::<f64>();
            self.gradient[a] -= along(position_gradient);
            for (h, row) in self.hessian[a].iter_mut().zip(cross_hessian).filter(|(_, row)| touched(row)) {
                *h -= along(row);
            }
        }
    }

    /// Cholesky's way, in place; what no range touches stays 0.
    fn solve(&mut self) -> Option<[f64; MAX_UNKNOWNS]> {
        let n = MAX_UNKNOWNS;
        for i in 0..n {
            self.hessian[i][i] += 1e-3 + 1e-6 * self.hessian[i][i].abs();
            for j in 0..=i {
                let mut v = self.hessian[i][j];
                for c in 0..j {
                    v -= self.hessian[i][c] * self.hessian[j][c];
                }
                if i == j {
                    if v.is_nan() || v <= 1e-9 {
                        return None;
                    }
                    self.hessian[i][i] = v.sqrt();
                } else {
                    self.hessian[i][j] = v / self.hessian[j][j];
                }
            }
        }
        let mut x = self.gradient;
        for i in 0..n {
            for c in 0..i {
                x[i] -= self.hessian[i][c] * x[c];
            }
            x[i] /= self.hessian[i][i];
        }
        for i in (0..n).rev() {
            for c in i + 1..n {
                x[i] -= self.hessian[c][i] * x[c];
            }
            x[i] /= self.hessian[i][i];
        }
        x.iter().all(|v| v.is_finite()).then_some(x)
    }
}
