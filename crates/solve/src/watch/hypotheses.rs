//! Hypotheses about one anchor, each fitted to its newest data by expectation and maximisation.
//!
//! Datum k is e = μ + error, where e is the anchor's median residual against the place that the others agree on
//! and the error has the density of [`super::density`] with a free NLOS share w (a few imagined data keep it sane).
//!
//! - *unchanged*: μ = 0;
//! - *offset*: μ = b;
//! - *moved* by d (east, north; in space up as well): μ = |r·u - d| - r + b, with u the unit vector from the stated place to
//!   the tag and r the distance;
//! - *height* (in the plane): the same with d = (0, 0, h). Far from the anchor it shows little, close by much. A height and
//!   its mirror image about the tag's height read alike: the smaller change is given.
//!
//! In *moved* and *height* b is what the calibration leaves open: expected within its own standard error, so that a
//! constant is never made a place.
//!
//! The log-likelihood has several maxima. *Moved* starts at zero and round the anchor; when what comes of it explains
//! less than [`EXPLAINED_SHARE`] of the data, at places up to six metres away and at those of the other anchors (two that are
//! swapped), the best three by a coarse count. All but the first start are left out while nothing speaks for any change,
//! which is nearly always.

use arrayvec::ArrayVec;
use hereabout_core::{Dimension, MAX_ANCHORS};

use super::density::Density;

/// Data that are kept: 84 m at 0.7 m.
pub(super) const DATA: usize = 120;
/// Imagined NLOS and good data.
const IMAGINED_COUNTS: [f64; 2] = [2.0, 8.0];
/// The NLOS share is never taken as more than this.
const MAX_NLOS_SHARE: f64 = 0.8;
/// Late share of a coarse count.
const NLOS_SHARE: f64 = 0.2;
/// Rounds of each fit.
const ROUNDS: usize = 6;
/// How far from the anchor the nearest starts are, metres.
const START_M: f64 = 0.35;
/// Gain at which they are tried.
const MIN_GAIN_TO_TRY_ALL_NATS: f64 = 8.0;
/// Share of good data from which on no farther start is tried.
const EXPLAINED_SHARE: f64 = 0.65;
/// How far away the farther starts are, metres, and in how many directions.
const FAR_M: [f64; 5] = [0.8, 1.5, 2.5, 4.0, 6.0];
const WAYS: usize = 12;
/// Starts of a height, metres.
const HEIGHTS_M: [f64; 10] = [-3.5, -2.4, -1.6, -1.0, -0.5, 0.5, 1.0, 1.6, 2.4, 3.5];
/// Every so manieth datum takes part in the coarse count.
const COARSE: usize = 4;
/// A shift is expected to be within this, metres: keeps a flat direction finite.
const WITHIN_M: f64 = 2.0;
/// Farthest that a shift is sought, metres.
const MAX_SHIFT_M: f64 = 60.0;
/// What a good calibration leaves open at least, metres.
pub(super) const OPEN_M: f64 = 0.03;
/// And what none leaves open.
pub(super) const UNCALIBRATED_M: f64 = 0.2;

/// Parameters: d (east, north, up) and b, metres.
pub(super) type Parameters = [f64; 4];

/// One datum of one anchor.
#[derive(Clone, Copy, Debug)]
pub(super) struct Point {
    pub(super) e_m: f64,
    /// From the stated place to the tag, metres.
    to_tag_m: [f64; 3],
    distance_m: f64,
    precision_per_m2: f64,
    law: Density,
}

impl Point {
    pub(super) fn new(e_m: f64, variance_m2: f64, direction: [f64; 3], distance_m: f64) -> Point {
        let to_tag_m = direction.map(|v| v * distance_m);
        Point {
            e_m,
            to_tag_m,
            distance_m,
            precision_per_m2: 1.0 / variance_m2,
            law: Density::new(variance_m2),
        }
    }

    /// Mean of the datum, metres, and its derivative.
    fn mean(&self, p: &Parameters) -> (f64, Parameters) {
        let v: [f64; 3] = std::array::from_fn(|k| self.to_tag_m[k] - p[k]);
        let far_m = (v[0] * v[0] + v[1] * v[1] + v[2] * v[2]).sqrt().max(0.1);
        (far_m - self.distance_m + p[3], [-v[0] / far_m, -v[1] / far_m, -v[2] / far_m, 1.0])
    }
}

/// A fitted hypothesis.
#[derive(Clone, Copy, Debug)]
pub(super) struct Fit {
    /// Log-likelihood; of a hypothesis with a place also that of b.
    pub(super) ln: f64,
    pub(super) at: Parameters,
    /// Covariance of the parameters, m².
    pub(super) covariance_m2: [[f64; 4]; 4],
    /// Share of data that are good.
    pub(super) good_share: f64,
}

impl Fit {
    /// Length of the shift, metres.
    pub(super) fn shift_m(&self) -> f64 {
        let d = &self.at;
        (d[0] * d[0] + d[1] * d[1] + d[2] * d[2]).sqrt()
    }
}

/// Which parameters a hypothesis frees, and how closely it expects each to be at zero: standard deviations in metres, `None` for one
/// that is zero.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct ChangeHypothesis([Option<f64>; 4]);

impl ChangeHypothesis {
    pub(super) const UNCHANGED: ChangeHypothesis = ChangeHypothesis([None; 4]);
    pub(super) const OFFSET: ChangeHypothesis = ChangeHypothesis([None, None, None, Some(WITHIN_M)]);

    fn moved(dimension: Dimension, open_m: f64) -> ChangeHypothesis {
        let up = (dimension == Dimension::ThreeD).then_some(WITHIN_M);
        ChangeHypothesis([Some(WITHIN_M), Some(WITHIN_M), up, Some(open_m)])
    }

    fn height(open_m: f64) -> ChangeHypothesis {
        ChangeHypothesis([None, None, Some(WITHIN_M), Some(open_m)])
    }

    /// What b costs, log density; nothing where it is all there is.
    fn cost(self, at: &Parameters) -> f64 {
        match self.0 {
            [None, None, None, _] => 0.0,
            [.., Some(open_m)] => 0.5 * (at[3] / open_m) * (at[3] / open_m),
            [.., None] => 0.0,
        }
    }
}

/// Fits a hypothesis from a start.
pub(super) fn fit(points: &[Point], hypothesis: ChangeHypothesis, start: Parameters) -> Fit {
    let rounds = if hypothesis == ChangeHypothesis::UNCHANGED { 3 } else { ROUNDS };
    let mut nlos = NLOS_SHARE;
    let mut out = Fit { ln: 0.0, at: start, covariance_m2: [[0.0; 4]; 4], good_share: 1.0 };
    for round in 0..=rounds {
        let mut a = [[0.0; 4]; 4];
        let mut right = [0.0; 4];
        for (k, free) in hypothesis.0.iter().enumerate() {
            a[k][k] = free.map_or(1.0, |within_m| 1.0 / (within_m * within_m));
        }
        // Densities are multiplied up before the logarithm is taken: there are many, and it is dear.
        let (mut ln, mut product, mut good) = (0.0, 1.0_f64, 0.0);
        for (k, p) in points.iter().enumerate() {
            let (mean_m, slope) = p.mean(&out.at);
            let (all, g) = p.law.density(p.e_m - mean_m, nlos);
            product *= all;
            if k % 8 == 7 {
                ln += product.ln();
                product = 1.0;
            }
            good += g;
            let w = g * p.precision_per_m2;
            let s: Parameters =
                std::array::from_fn(|k| if hypothesis.0[k].is_some() { slope[k] } else { 0.0 });
            // The slope is held at its present value.
            let y = p.e_m - mean_m + (0..4).map(|k| s[k] * out.at[k]).sum::<f64>();
            for r in 0..4 {
                right[r] += w * s[r] * y;
                for c in 0..4 {
                    a[r][c] += w * s[r] * s[c];
                }
            }
        }
        out.ln = ln + product.ln() - hypothesis.cost(&out.at);
        out.good_share = good / points.len().max(1) as f64;
        out.covariance_m2 = inverse(&a);
        if round == rounds {
            break;
        }
        let n = points.len() as f64;
        nlos = ((n - good + IMAGINED_COUNTS[0]) / (n + IMAGINED_COUNTS[0] + IMAGINED_COUNTS[1]))
            .min(MAX_NLOS_SHARE);
        let c = &out.covariance_m2;
        out.at = std::array::from_fn(|r| {
            let v: f64 = (0..4).map(|k| c[r][k] * right[k]).sum();
            if hypothesis.0[r].is_some() { v.clamp(-MAX_SHIFT_M, MAX_SHIFT_M) } else { 0.0 }
        });
    }
    out
}

/// Inverse of a symmetric positive-definite matrix, by elimination; the priors keep it away from singular.
fn inverse(precision_per_m2: &[[f64; 4]; 4]) -> [[f64; 4]; 4] {
    let mut a = *precision_per_m2;
    let mut out = [[0.0; 4]; 4];
    (0..4).for_each(|k| out[k][k] = 1.0);
    for k in 0..4 {
        let pivot = a[k][k].max(1e-9);
        for c in 0..4 {
            a[k][c] /= pivot;
            out[k][c] /= pivot;
        }
        for r in (0..4).filter(|r| *r != k) {
            let f = a[r][k];
            for c in 0..4 {
                a[r][c] -= f * a[k][c];
                out[r][c] -= f * out[k][c];
            }
        }
    }
    out
}

/// Log density of the data with given parameters.
pub(super) fn density_of(points: &[Point], at: &Parameters) -> f64 {
    points.iter().map(|p| p.law.ln(p.e_m - p.mean(at).0, NLOS_SHARE).0).sum()
}

/// Share of the data that are good with given parameters.
pub(super) fn share_good(points: &[Point], at: &Parameters) -> f64 {
    let good: f64 = points.iter().map(|p| p.law.ln(p.e_m - p.mean(at).0, NLOS_SHARE).1).sum();
    good / points.len().max(1) as f64
}

/// What the hypotheses about one anchor need to know.
#[derive(Clone, Copy, Debug)]
pub(super) struct HypothesisContext<'a> {
    pub(super) dimension: Dimension,
    pub(super) offset_se_m: Option<f64>,
    /// What it is named for: sought from there as well, and from all far starts, so that no poor fit is taken for a better
    /// hypothesis.
    pub(super) named: Option<Parameters>,
    /// From its place to the others', metres.
    pub(super) to_others_m: &'a ArrayVec<[f64; 3], MAX_ANCHORS>,
}

impl HypothesisContext<'_> {
    /// How far off the offset may be without a word, metres.
    pub(super) fn open_m(&self) -> f64 {
        self.offset_se_m.map_or(UNCALIBRATED_M, |se| se.clamp(OPEN_M, UNCALIBRATED_M))
    }
}

/// The hypotheses.
#[derive(Clone, Copy, Debug)]
pub(super) struct HypothesisFits {
    pub(super) unchanged: Fit,
    pub(super) offset: Fit,
    pub(super) moved: Fit,
    /// In the plane only, and only while something speaks for a change.
    pub(super) height: Option<Fit>,
}

impl HypothesisFits {
    pub(super) fn of(points: &[Point], about: &HypothesisContext) -> HypothesisFits {
        let unchanged = fit(points, ChangeHypothesis::UNCHANGED, [0.0; 4]);
        let mut middle: ArrayVec<f64, DATA> = points.iter().take(DATA).map(|p| p.e_m).collect();
        middle.sort_unstable_by(f64::total_cmp);
        let median_m = middle.get(middle.len() / 2).copied().unwrap_or(0.0);
        let offset = fit(points, ChangeHypothesis::OFFSET, [0.0, 0.0, 0.0, median_m]);
        let hypothesis = ChangeHypothesis::moved(about.dimension, about.open_m());
        let mut moved = fit(points, hypothesis, [0.0; 4]);
        let mut height = None;
        // Where next to nothing is good every hypothesis is poor alike: that, too, speaks for a change.
        if offset.ln.max(moved.ln) > unchanged.ln + MIN_GAIN_TO_TRY_ALL_NATS
            || unchanged.good_share < 0.5 * EXPLAINED_SHARE
        {
            for start in near(about.dimension) {
                take_better(&mut moved, fit(points, hypothesis, start));
            }
            if let Some(start) = about.named {
                take_better(&mut moved, fit(points, hypothesis, start));
            }
            if moved.good_share.max(offset.good_share) < EXPLAINED_SHARE || about.named.is_some() {
                for start in far(points, about) {
                    take_better(&mut moved, fit(points, hypothesis, start));
                }
            }
            if about.dimension != Dimension::ThreeD {
                height = Some(height_of(points, about));
            }
        }
        HypothesisFits { unchanged, offset, moved, height }
    }

    /// Parameters of the better one of "offset" and "moved" for a part of the data, from starts that fit the whole roughly.
    pub(super) fn quick(
        points: &[Point],
        dimension: Dimension,
        offset_se_m: Option<f64>,
        starts: &[Parameters; 2],
    ) -> Parameters {
        let open_m = offset_se_m.map_or(UNCALIBRATED_M, |se| se.clamp(OPEN_M, UNCALIBRATED_M));
        let hypothesis = ChangeHypothesis::moved(dimension, open_m);
        let mut best = fit(points, ChangeHypothesis::OFFSET, starts[1]);
        take_better(&mut best, fit(points, hypothesis, starts[0]));
        take_better(&mut best, fit(points, hypothesis, [0.0; 4]));
        for start in near(dimension) {
            take_better(&mut best, fit(points, hypothesis, start));
        }
        best.at
    }

    /// The best hypothesis in which the anchor stands elsewhere, and whether it is that of the height.
    pub(super) fn place(&self) -> (Fit, bool) {
        match self.height {
            // One parameter less: a tie is the height's.
            Some(height) if height.ln + 1.0 >= self.moved.ln => (height, true),
            _ => (self.moved, false),
        }
    }
}

fn take_better(best: &mut Fit, other: Fit) {
    if other.ln > best.ln {
        *best = other;
    }
}

/// Starts round the anchor.
fn near(dimension: Dimension) -> impl Iterator<Item = Parameters> {
    let space = dimension == Dimension::ThreeD;
    let flat = [[START_M, 0.0], [0.0, START_M], [-START_M, 0.0], [0.0, -START_M]];
    let up = [START_M, -START_M].into_iter().filter(move |_| space).map(|u| [0.0, 0.0, u, 0.0]);
    flat.into_iter().map(|[e, n]| [e, n, 0.0, 0.0]).chain(up)
}

/// The best three of the farther starts by a coarse count.
fn far(points: &[Point], about: &HypothesisContext) -> ArrayVec<Parameters, 3> {
    let few: ArrayVec<Point, DATA> = points.iter().step_by(COARSE).take(DATA).copied().collect();
    let rings = FAR_M.iter().flat_map(|far_m| {
        (0..WAYS).map(move |k| {
            let turn = std::f64::consts::TAU * k as f64 / WAYS as f64;
            [far_m * turn.cos(), far_m * turn.sin(), 0.0, 0.0]
        })
    });
    let space = about.dimension == Dimension::ThreeD;
    let up = HEIGHTS_M.iter().filter(|_| space).map(|h| [0.0, 0.0, *h, 0.0]);
    let others = about.to_others_m.iter().map(|d| [d[0], d[1], if space { d[2] } else { 0.0 }, 0.0]);
    best_of(&few, rings.chain(up).chain(others))
}

fn best_of(points: &[Point], starts: impl Iterator<Item = Parameters>) -> ArrayVec<Parameters, 3> {
    let mut best: ArrayVec<(f64, Parameters), 4> = ArrayVec::new();
    for start in starts {
        best.push((density_of(points, &start), start));
        best.sort_unstable_by(|a, b| b.0.total_cmp(&a.0));
        best.truncate(3);
    }
    best.into_iter().map(|(_, start)| start).collect()
}

fn height_of(points: &[Point], about: &HypothesisContext) -> Fit {
    let hypothesis = ChangeHypothesis::height(about.open_m());
    let few: ArrayVec<Point, DATA> = points.iter().step_by(COARSE).take(DATA).copied().collect();
    let mut best = fit(points, hypothesis, [0.0; 4]);
    for start in best_of(&few, HEIGHTS_M.iter().map(|h| [0.0, 0.0, *h, 0.0])) {
        let other = fit(points, hypothesis, start);
        let nearer = other.at[2].abs() < best.at[2].abs() && other.ln > best.ln - 1.0;
        if other.ln > best.ln + 1.0 || nearer {
            best = other;
        }
    }
    best
}

/// Largest eigenvalue of the covariance in the plane.
pub(super) fn widest(covariance_m2: &[[f64; 4]; 4]) -> f64 {
    let half = 0.5 * (covariance_m2[0][0] - covariance_m2[1][1]);
    0.5 * (covariance_m2[0][0] + covariance_m2[1][1])
        + (half * half + covariance_m2[0][1] * covariance_m2[0][1]).sqrt()
}
