//! How ranges go wrong: one density that every robust step of this crate shares.
//!
//! **Model.** A range of a healthy board in line of sight is the distance plus Gaussian noise of
//! standard deviation σ. When people, shelves or walls stand in the way the first path is lost and
//! the range comes out *NLOS* (non-line-of-sight): too long by at least a few decimetres, with an exponential tail. Very
//! rarely a reading means nothing at all (two boards with one id, a bit error): *wild*. With
//! e = measured − computed, the density of an error is
//!
//! ```text
//! f(e) = (1 − p) · N(e; 0, σ²) + p · [ (1 − ε) · L(e; σ) + ε / W ]
//! L(e; σ) = density of  offset + Exp(mean) + N(0, σ²)      (exponentially modified Gaussian)
//! ```
//!
//! **Symbols.** p = [`ErrorModel::nlos_share`], offset = [`ErrorModel::nlos_offset_m`], mean =
//! [`ErrorModel::nlos_mean_m`], ε = [`ErrorModel::wild_share`], W = [`ErrorModel::wild_span_m`].
//!
//! **Assumptions.** Errors of different anchors are independent given their labels. An NLOS range is
//! never short: a range that is too short by several σ can only be wild. The flat floor ε/W looks
//! negligible and is not: without it a single mad reading drags every hypothesis along.
//!
//! **Source.** The two-part shape (Gauss plus exponential delay) is common practice for ranging
//! through obstructions, no source; the numbers are the project's own figures for small kits.

use std::f64::consts::FRAC_1_SQRT_2;

/// 1/√(2π).
pub(crate) const INV_SQRT_TAU_RATIO: f64 = 0.398_942_280_401_432_7;

/// Parameters of the error density; see the module's prose. Metres and shares of one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ErrorModel {
    /// Share p of the ranges that are NLOS or wild, before anything is known about an anchor.
    pub nlos_share: f64,
    /// Smallest delay of an NLOS range.
    pub nlos_offset_m: f64,
    /// Mean of the exponential part of the delay.
    pub nlos_mean_m: f64,
    /// Share ε of the bad ranges that mean nothing at all.
    pub wild_share: f64,
    /// Width W of the span over which wild ranges are spread.
    pub wild_span_m: f64,
}

impl Default for ErrorModel {
    fn default() -> ErrorModel {
        ErrorModel {
            nlos_share: 0.15,
            nlos_offset_m: 0.2,
            nlos_mean_m: 0.6,
            wild_share: 0.02,
            wild_span_m: 60.0,
        }
    }
}

impl ErrorModel {
    /// The model for a kit with noise `sigma_m`: a delay that drowns in the noise can't be distinguished from it, so
    /// delays start at 2 σ and reach 4 σ further on average, if that is more than what the model says.
    pub fn for_noise(&self, sigma_m: f64) -> ErrorModel {
        ErrorModel {
            nlos_offset_m: self.nlos_offset_m.max(2.0 * sigma_m),
            nlos_mean_m: self.nlos_mean_m.max(4.0 * sigma_m),
            ..*self
        }
    }

    /// Density (1/m) of the NLOS error `e_m` blurred by noise of standard deviation `sigma_m`.
    pub fn nlos_density(&self, e_m: f64, sigma_m: f64) -> f64 {
        let rate = 1.0 / self.nlos_mean_m;
        let t = (e_m - self.nlos_offset_m) / sigma_m;
        // The argument of the Gaussian distribution function, and its complement over the density.
        let a = t - sigma_m * rate;
        if a >= 0.0 {
            // exp(σ²/2m² − (e − offset)/m) · Φ(a)
            let grow = (0.5 * sigma_m * rate * sigma_m * rate - (e_m - self.nlos_offset_m) * rate).exp();
            rate * grow * (1.0 - half_erfcx(a) * (-0.5 * a * a).exp())
        } else {
            rate * (-0.5 * t * t).exp() * half_erfcx(-a)
        }
    }

    /// Density (1/m) of an error that is not good: NLOS or wild.
    pub fn bad_density(&self, e_m: f64, sigma_m: f64) -> f64 {
        (1.0 - self.wild_share) * self.nlos_density(e_m, sigma_m) + self.wild_share / self.wild_span_m
    }

    /// Density (1/m) of any error, f(e).
    pub fn density(&self, e_m: f64, sigma_m: f64) -> f64 {
        (1.0 - self.nlos_share) * gauss(e_m, sigma_m) + self.nlos_share * self.bad_density(e_m, sigma_m)
    }

    /// Probability that a range with error `e_m` is good, from this error alone.
    pub fn good_probability(&self, e_m: f64, sigma_m: f64) -> f64 {
        let good = (1.0 - self.nlos_share) * gauss(e_m, sigma_m);
        good / (good + self.nlos_share * self.bad_density(e_m, sigma_m))
    }
}

/// Density (1/m) of a Gaussian error.
pub(crate) fn gauss(e_m: f64, sigma_m: f64) -> f64 {
    let t = e_m / sigma_m;
    INV_SQRT_TAU_RATIO / sigma_m * (-0.5 * t * t).exp()
}

/// ½·exp(a²/2)·erfc(a/√2) for a ≥ 0: the upper tail of the Gaussian without its exponential.
///
/// Rational approximation 7.1.26 of Abramowitz & Stegun, *Handbook of Mathematical Functions* (1964),
/// coefficients from memory and checked by a test: absolute error of erfc below 1.5·10⁻⁷. Beyond
/// five σ the relative error reaches tens of per cent, where the flat floor rules anyway.
fn half_erfcx(a_sigmas: f64) -> f64 {
    let t = 1.0 / (1.0 + 0.327_591_1 * FRAC_1_SQRT_2 * a_sigmas);
    0.5 * t
        * (0.254_829_592
            + t * (-0.284_496_736 + t * (1.421_413_741 + t * (-1.453_152_027 + t * 1.061_405_429))))
}

/// Probability that a standard Gaussian vector of `unknowns` (2 or 3) components is longer than `radius_sigmas`.
pub(crate) fn beyond(radius_sigmas: f64, unknowns: usize) -> f64 {
    if radius_sigmas <= 0.0 {
        return 1.0;
    }
    let bell = (-0.5 * radius_sigmas * radius_sigmas).exp();
    if unknowns < 3 {
        bell
    } else {
        // Maxwell distribution: 2·Q(r) + √(2/π)·r·exp(−r²/2).
        bell * (2.0 * half_erfcx(radius_sigmas) + 2.0 * INV_SQRT_TAU_RATIO * radius_sigmas)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use statrs::distribution::{ContinuousCDF, Normal};

    #[test]
    fn upper_tail_agrees_with_statrs() {
        let n = Normal::standard();
        for i in 0..500 {
            let a = f64::from(i) * 0.01;
            assert!((half_erfcx(a) * (-0.5 * a * a).exp() - n.sf(a)).abs() < 1e-7, "a = {a}");
        }
    }

    #[test]
    fn densities_hold_one_unit_of_probability() {
        let m = ErrorModel::default();
        for sigma in [0.03, 0.1, 0.5] {
            let step = 1e-3;
            let nlos: f64 = (-5_000..20_000).map(|i| step * m.nlos_density(f64::from(i) * step, sigma)).sum();
            assert!((nlos - 1.0).abs() < 1e-4, "sigma {sigma}: {nlos}");
        }
    }

    #[test]
    fn nlos_mean_and_spread_are_those_of_the_parts() {
        // Sum of independent parts: mean offset + m, variance m² + σ².
        let m = ErrorModel::default();
        let (step, sigma) = (1e-3, 0.1);
        let moment = |k: i32| -> f64 {
            (-1_000..15_000)
                .map(|i| f64::from(i) * step)
                .map(|e| step * e.powi(k) * m.nlos_density(e, sigma))
                .sum()
        };
        assert!((moment(1) - 0.8).abs() < 1e-3);
        assert!((moment(2) - 0.8 * 0.8 - (0.36 + 0.01)).abs() < 2e-3);
    }

    #[test]
    fn short_ranges_are_never_nlos_but_may_be_wild() {
        let m = ErrorModel::default();
        assert!(m.good_probability(0.0, 0.08) > 0.995);
        assert!(m.good_probability(0.6, 0.08) < 1e-6);
        assert!(m.good_probability(-1.0, 0.08) < 1e-6);
        assert!(m.nlos_density(-1.0, 0.08) < 1e-12);
        assert!((m.bad_density(-1.0, 0.08) - 0.02 / 60.0).abs() < 1e-12);
    }

    #[test]
    fn three_dimensional_tail_is_maxwells() {
        // chi-square, 3 degrees of freedom: 0.95 quantile 7.81472790325 (NIST/SEMATECH e-Handbook).
        assert!((beyond(7.814_727_903_25_f64.sqrt(), 3) - 0.05).abs() < 1e-6);
        // 2 degrees of freedom: 0.999 quantile 13.815510558.
        assert!((beyond(13.815_510_558_f64.sqrt(), 2) - 0.001).abs() < 1e-9);
    }
}
