//! Three stories about one anchor, each fitted to its newest data by expectation and maximisation.
//!
//! Datum k is e = μ + error, where e is the anchor's median residual against the place that the others agree on
//! and the error has the density of [`super::density`] with a free late share w (a few imagined data keep it sane).
//!
//! - *unchanged*: μ = 0;
//! - *offset*: μ = b;
//! - *moved* by d (east, north): μ = |x - a - d| - |x - a| = -u·d + (|d|² - (u·d)²)/2r, u from anchor to tag, r the distance.
//!
//! The log-likelihood of late data has several maxima, so *moved* starts at five places: the least-squares one and
//! four round the anchor; the four are left out while nothing speaks for any change, which is nearly always.

use super::density::Density;

/// Data that are kept: 84 m at 0.7 m.
pub(super) const DATA: usize = 120;
/// Imagined late and good data.
const IMAGINED: [f64; 2] = [2.0, 8.0];
/// The late share is never taken as more than this.
const LATE_MOST: f64 = 0.8;
/// Rounds of each fit.
const ROUNDS: usize = 5;
/// How far from the anchor the four other starts are, metres.
const START_M: f64 = 0.35;
/// Gain at which they are tried.
const TRY_ALL: f64 = 8.0;
/// A shift is expected to be within this, metres: keeps a flat direction finite.
const WITHIN_M: f64 = 2.0;

/// One datum of one anchor.
#[derive(Clone, Copy, Debug)]
pub(super) struct Point {
    pub(super) e_m: f64,
    pub(super) u: [f64; 2],
    /// 1/2r, 1/m.
    pub(super) curve: f64,
    precision: f64,
    law: Density,
}

impl Point {
    pub(super) fn new(e_m: f64, variance_m2: f64, u: [f64; 2], curve: f64) -> Point {
        Point { e_m, u, curve, precision: 1.0 / variance_m2, law: Density::new(variance_m2) }
    }

    fn bend_m(&self, d: [f64; 2]) -> f64 {
        let along = self.u[0] * d[0] + self.u[1] * d[1];
        self.curve * (d[0] * d[0] + d[1] * d[1] - along * along)
    }
}

/// A fitted story.
#[derive(Clone, Copy, Debug)]
pub(super) struct Fit {
    /// Log-likelihood.
    pub(super) ln: f64,
    /// `[b, 0]` or `d`, metres.
    pub(super) size: [f64; 2],
    /// Covariance `[xx, xy, yy]`, m².
    pub(super) covariance: [f64; 3],
    /// Share of data that are good.
    pub(super) good: f64,
}

/// What the parameter of a story does to a datum.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Story {
    Unchanged,
    Offset,
    Moved,
}

impl Story {
    fn mean_m(self, p: &Point, size: [f64; 2]) -> f64 {
        match self {
            Story::Unchanged => 0.0,
            Story::Offset => size[0],
            Story::Moved => p.bend_m(size) - p.u[0] * size[0] - p.u[1] * size[1],
        }
    }

    /// Derivative of the mean, without the bend.
    fn slope(self, p: &Point) -> [f64; 2] {
        match self {
            Story::Unchanged => [0.0; 2],
            Story::Offset => [1.0, 0.0],
            Story::Moved => [-p.u[0], -p.u[1]],
        }
    }
}

/// Fits a story from a start.
pub(super) fn fit(points: &[Point], story: Story, start: [f64; 2]) -> Fit {
    let rounds = if story == Story::Unchanged { 3 } else { ROUNDS };
    let mut late = 0.2;
    let mut out = Fit { ln: 0.0, size: start, covariance: [0.0; 3], good: 1.0 };
    for round in 0..=rounds {
        let prior = 1.0 / (WITHIN_M * WITHIN_M);
        let (mut a, mut r) = ([prior, 0.0, prior], [0.0; 2]);
        // Densities are multiplied up before the logarithm is taken: there are many, and it is dear.
        let (mut ln, mut product, mut good) = (0.0, 1.0_f64, 0.0);
        for (k, p) in points.iter().enumerate() {
            let mean_m = story.mean_m(p, out.size);
            let (all, g) = p.law.density(p.e_m - mean_m, late);
            product *= all;
            if k % 8 == 7 {
                ln += product.ln();
                product = 1.0;
            }
            good += g;
            let w = g * p.precision;
            let s = story.slope(p);
            // The bend is held at its present value.
            let y = p.e_m - (mean_m - s[0] * out.size[0] - s[1] * out.size[1]);
            a[0] += w * s[0] * s[0];
            a[1] += w * s[0] * s[1];
            a[2] += w * s[1] * s[1];
            r[0] += w * s[0] * y;
            r[1] += w * s[1] * y;
        }
        out.ln = ln + product.ln();
        out.good = good / points.len().max(1) as f64;
        let det = a[0] * a[2] - a[1] * a[1];
        out.covariance = [a[2] / det, -a[1] / det, a[0] / det];
        if round == rounds {
            break;
        }
        let n = points.len() as f64;
        late = ((n - good + IMAGINED[0]) / (n + IMAGINED[0] + IMAGINED[1])).min(LATE_MOST);
        let c = out.covariance;
        let next = [c[0] * r[0] + c[1] * r[1], c[1] * r[0] + c[2] * r[1]];
        out.size = if story == Story::Unchanged { [0.0; 2] } else { next.map(|v| v.clamp(-5.0, 5.0)) };
    }
    out
}

/// The three stories.
#[derive(Clone, Copy, Debug)]
pub(super) struct Stories {
    pub(super) unchanged: Fit,
    pub(super) offset: Fit,
    pub(super) moved: Fit,
}

impl Stories {
    pub(super) fn of(points: &[Point]) -> Stories {
        let unchanged = fit(points, Story::Unchanged, [0.0; 2]);
        let mut middle: arrayvec::ArrayVec<f64, DATA> = points.iter().take(DATA).map(|p| p.e_m).collect();
        middle.sort_unstable_by(f64::total_cmp);
        let offset = fit(points, Story::Offset, [middle.get(middle.len() / 2).copied().unwrap_or(0.0), 0.0]);
        let mut moved = fit(points, Story::Moved, [0.0; 2]);
        if offset.ln.max(moved.ln) > unchanged.ln + TRY_ALL {
            for start in [[START_M, 0.0], [0.0, START_M], [-START_M, 0.0], [0.0, -START_M]] {
                let other = fit(points, Story::Moved, start);
                if other.ln > moved.ln {
                    moved = other;
                }
            }
        }
        Stories { unchanged, offset, moved }
    }
}

/// Largest eigenvalue of `[xx, xy, yy]`.
pub(super) fn widest(c: [f64; 3]) -> f64 {
    let half = 0.5 * (c[0] - c[2]);
    0.5 * (c[0] + c[2]) + (half * half + c[1] * c[1]).sqrt()
}
