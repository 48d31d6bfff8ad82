//! How likely an error of a one-second median is, read from a table.
//!
//! **Model.** With r = measured − distance − offset, in metres:
//!
//! ```text
//! f(r) = .74 · N(0, σ²) + .25 · [Exp(1 m) ∗ N(0, σ²)] + .01 / 20 m,   σ = .12 m
//! ```
//!
//! Too short has only the flat floor, NLOS costs about two nats. A noisy kit stretches all lengths by a factor `stretch_ratio` ≥ 1.
//!
//! **Source.** Found by the study. A table, because a check looks up some hundred thousand errors.

use crate::model::error_model::{ErrorModel, gauss};

/// Noise of a median of a quiet kit, metres.
pub(super) const SIGMA_M: f64 = 0.12;
/// A range that is off by less counts as explained (for g = 1), metres.
pub(super) const WITHIN_M: f64 = 3.0 * SIGMA_M;
const FLOOR_PER_M: f64 = 0.01 / 20.0;
const MIN_RESIDUAL_M: f64 = -1.0;
const MAX_RESIDUAL_M: f64 = 12.0;
const STEPS_PER_M: f64 = 100.0;

/// What the table says of one error.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct DensityAt {
    /// ln f, f in 1/m.
    pub(super) ln: f64,
    /// −d ln f / dr, 1/m: how hard the range pulls the distance up.
    pub(super) slope_nats_per_m: f64,
    /// Probability of being good over σ², 1/m².
    pub(super) weight: f64,
}

/// ln f and its derivatives, tabulated once: a look costs no logarithm.
#[derive(Clone, Debug)]
pub(super) struct Density {
    rows: Vec<DensityAt>,
    floor_ln: f64,
}

impl Density {
    pub(super) fn new() -> Density {
        let count = ((MAX_RESIDUAL_M - MIN_RESIDUAL_M) * STEPS_PER_M) as usize + 1;
        let rows = (0..count).map(|i| row(MIN_RESIDUAL_M + i as f64 / STEPS_PER_M)).collect();
        Density { rows, floor_ln: FLOOR_PER_M.ln() }
    }

    /// For an error of `r_m` metres, with lengths stretched by `stretch_ratio`.
    pub(super) fn look(&self, r_m: f64, stretch_ratio: f64) -> DensityAt {
        let at = (r_m / stretch_ratio - MIN_RESIDUAL_M) * STEPS_PER_M;
        // Written so that NaN ends here too.
        if !(at >= 0.0 && at < (self.rows.len() - 1) as f64) {
            return DensityAt { ln: self.floor_ln, slope_nats_per_m: 0.0, weight: 0.0 };
        }
        let (i, part) = (at as usize, at.fract());
        let (a, b) = (&self.rows[i], &self.rows[i + 1]);
        let between = |a: f64, b: f64| a + part * (b - a);
        DensityAt {
            ln: between(a.ln, b.ln),
            slope_nats_per_m: between(a.slope_nats_per_m, b.slope_nats_per_m) / stretch_ratio,
            weight: between(a.weight, b.weight) / (stretch_ratio * stretch_ratio),
        }
    }

    /// ln f alone, f in 1/m; cheaper than a look.
    pub(super) fn ln(&self, r_m: f64, stretch_ratio: f64) -> f64 {
        let at = (r_m / stretch_ratio - MIN_RESIDUAL_M) * STEPS_PER_M;
        if !(at >= 0.0 && at < (self.rows.len() - 1) as f64) {
            return self.floor_ln;
        }
        let (i, part) = (at as usize, at.fract());
        let (a, b) = (self.rows[i].ln, self.rows[i + 1].ln);
        a + part * (b - a)
    }
}

fn density(r_m: f64) -> (f64, f64) {
    let nlos = ErrorModel { nlos_offset_m: 0.0, nlos_mean_m: 1.0, ..ErrorModel::default() };
    let good = 0.74 * gauss(r_m, SIGMA_M);
    (good, good + 0.25 * nlos.nlos_density(r_m, SIGMA_M) + FLOOR_PER_M)
}

fn row(r_m: f64) -> DensityAt {
    const STEP_M: f64 = 1e-4;
    let (good, f) = density(r_m);
    let slope = (density(r_m + STEP_M).1.ln() - density(r_m - STEP_M).1.ln()) / (2.0 * STEP_M);
    DensityAt { ln: f.ln(), slope_nats_per_m: -slope, weight: good / f / (SIGMA_M * SIGMA_M) }
}
