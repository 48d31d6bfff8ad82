//! The heap of good ranges and the tail of NLOS ones, distinguished by expectation and maximisation.
//!
//! Model of one range r of a standing tag: with probability 1 - p it is good, r ~ N(μ, σ²); else it is
//! NLOS, r - μ ~ 0.2 m + Exp(m) + N(0, σ²) with a thin flat floor for ranges that are neither (a bit
//! error, two boards with one id). μ (`level_m`), σ (`sigma_m`), p (`nlos_share`) and m (`nlos_mean_m`)
//! are all estimated. The good part's mean and width are the responsibility-weighted ones: their
//! estimating equations are unbiased when the shape of the tail is right, and the tail is far enough
//! away to be harmless when it is not. Start: the half-sample mode and the width of the early side,
//! where no NLOS range lies.

use libm::erfc;

use crate::math::robust::{half_sample_mode, mad_sigma};

/// Extra length that the shortest reflected path has, metres (a modelling choice; trials).
const NLOS_START_M: f64 = 0.2;
/// Share of the NLOS part that is anything at all.
const FLOOR_SHARE: f64 = 0.02;
/// Over how many metres the floor is spread.
const FLOOR_SPAN_M: f64 = 60.0;
/// Span in which the mean of the exponential tail is looked for, metres.
const NLOS_MEAN_SPAN_M: [f64; 2] = [0.15, 2.0];
/// A narrower heap than this is the rounding of the ranges, metres.
const SIGMA_MIN_M: f64 = 0.003;
const MAX_ROUNDS: usize = 60;
/// Where a fit has settled, metres: far below any standard error, even twelve times over in a jackknife.
pub(crate) const FINE_M: f64 = 2e-5;
/// Where a fit has settled that only looks for steps of decimetres, metres.
pub(crate) const COARSE_M: f64 = 1e-3;

/// The four numbers of the model.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Mixture {
    pub(crate) level_m: f64,
    pub(crate) sigma_m: f64,
    pub(crate) nlos_share: f64,
    pub(crate) nlos_mean_m: f64,
}

impl Mixture {
    /// A start from the values alone; `None` for an empty slice. Values must be finite.
    pub(crate) fn start(values_m: &[f64]) -> Option<Mixture> {
        let level_m = half_sample_mode(values_m)?;
        let early: Vec<f64> = values_m.iter().copied().filter(|v| *v <= level_m).collect();
        let sigma_m = mad_sigma(&early, level_m)?.clamp(0.01, 0.5);
        Some(Mixture { level_m, sigma_m, nlos_share: 0.1, nlos_mean_m: 0.6 })
    }

    /// Rounds of expectation and maximisation until the level moves by less than `settled_m`, over `values_m`
    /// that came `counts` times each. `sigma_max_m` bounds σ, so that the good part cannot swallow the tail.
    pub(crate) fn refine(
        mut self,
        values_m: &[f64],
        counts: &[f64],
        sigma_max_m: f64,
        settled_m: f64,
    ) -> Mixture {
        for _ in 0..MAX_ROUNDS {
            let next = self.round(values_m, counts, sigma_max_m);
            let moved = (next.level_m - self.level_m).abs();
            self = next;
            if moved < settled_m {
                break;
            }
        }
        self
    }

    /// One round of expectation and maximisation.
    pub(crate) fn round(&self, values_m: &[f64], counts: &[f64], sigma_max_m: f64) -> Mixture {
        let law = Law::new(self);
        let all: f64 = counts.iter().sum();
        let (mut good, mut shift, mut square, mut nlos, mut excess) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (v, n) in values_m.iter().zip(counts).filter(|(_, n)| **n > 0.0) {
            let e = v - self.level_m;
            let (g, l) = law.responsibilities(e);
            let (g, l) = (g * n, l * n);
            good += g;
            shift += g * e;
            square += g * e * e;
            nlos += l;
            excess += l * (e - NLOS_START_M);
        }
        if good < 1.0 {
            return *self;
        }
        let step = shift / good;
        let variance = (square / good - step * step).max(0.0);
        let nlos_mean_m = if nlos > 1.0 { excess / nlos } else { self.nlos_mean_m };
        Mixture {
            level_m: self.level_m + step,
            sigma_m: variance.sqrt().clamp(SIGMA_MIN_M, sigma_max_m.max(SIGMA_MIN_M)),
            nlos_share: (1.0 - good / all).clamp(1e-4, 0.9),
            nlos_mean_m: nlos_mean_m.clamp(NLOS_MEAN_SPAN_M[0], NLOS_MEAN_SPAN_M[1]),
        }
    }

    /// The probability that a range is a good one, as a function of the range.
    pub(crate) fn judge(&self) -> impl Fn(f64) -> f64 + use<> {
        let (law, level_m) = (Law::new(self), self.level_m);
        move |range_m| law.responsibilities(range_m - level_m).0
    }
}

/// The model with its constants worked out once.
struct Law {
    good_peak_per_m: f64,
    half_precision_per_m2: f64,
    tail_peak_per_m: f64,
    rate_per_m: f64,
    sigma_m: f64,
    floor_per_m: f64,
}

impl Law {
    fn new(m: &Mixture) -> Law {
        let rate = 1.0 / m.nlos_mean_m;
        Law {
            good_peak_per_m: (1.0 - m.nlos_share) / (m.sigma_m * std::f64::consts::TAU.sqrt()),
            half_precision_per_m2: 0.5 / (m.sigma_m * m.sigma_m),
            tail_peak_per_m: m.nlos_share * (1.0 - FLOOR_SHARE) * 0.5 * rate,
            rate_per_m: rate,
            sigma_m: m.sigma_m,
            floor_per_m: m.nlos_share * FLOOR_SHARE / FLOOR_SPAN_M,
        }
    }

    /// Probabilities of good and of NLOS, for a residual in metres; they sum to 1 without the floor's.
    fn responsibilities(&self, residual_m: f64) -> (f64, f64) {
        let good = self.good_peak_per_m * (-self.half_precision_per_m2 * residual_m * residual_m).exp();
        let tail = self.tail(residual_m - NLOS_START_M);
        let all = good + tail + self.floor_per_m;
        (good / all, tail / all)
    }

    /// Exponential with normal noise: ½λ·exp(½λ²σ² - λx)·erfc((λσ - x/σ)/√2).
    fn tail(&self, delay_m: f64) -> f64 {
        let z = (self.rate_per_m * self.sigma_m - delay_m / self.sigma_m) * std::f64::consts::FRAC_1_SQRT_2;
        if z > 5.0 {
            return 0.0; // far on the early side, where the product is 0·∞
        }
        let side = if z < -5.0 { 2.0 } else { erfc(z) };
        self.tail_peak_per_m
            * side
            * (0.5 * (self.rate_per_m * self.sigma_m).powi(2) - self.rate_per_m * delay_m).exp()
    }
}

#[cfg(test)]
mod tests;
