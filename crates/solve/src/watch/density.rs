//! The density of one datum: good (a Gaussian), NLOS, or anything.
//!
//! f(x) = (1-w)·N(0, s²) + w·[(1-ε)·L(x) + ε/[`FLOOR_SPAN_M`]]. An NLOS datum is the median of a window that was NLOS
//! altogether (then its delay is at least [`NLOS_FROM_M`]) or in part (then it lies below). So L is level from 0 to
//! there with a share of [`PARTLY_SHARE`], a heavy tail 1/(1+x/m)² beyond (it costs no exponential), and has the Gaussian's
//! shape on the short side. The step matters: were it left out, an anchor with somebody in front for minutes would look
//! like one that reads long by the step.

/// Where full delays begin, and the scale of what is beyond, metres.
const NLOS_FROM_M: f64 = 0.2;
const NLOS_M: f64 = 0.6;
/// Share of the NLOS data that lie below.
const PARTLY_SHARE: f64 = 0.2;
/// Share of the bad that is anything, and the span it lies in, metres.
const FLOOR_SHARE: f64 = 0.05;
const FLOOR_SPAN_M: f64 = 20.0;

/// For one variance.
#[derive(Clone, Copy, Debug)]
pub(super) struct Density {
    half_precision_per_m2: f64,
    good_peak_per_m: f64,
    nlos_factor: f64,
}

impl Density {
    pub(super) fn new(variance_m2: f64) -> Density {
        let s = variance_m2.sqrt();
        Density {
            half_precision_per_m2: 0.5 / variance_m2,
            good_peak_per_m: 1.0 / (s * std::f64::consts::TAU.sqrt()),
            nlos_factor: (1.0 - FLOOR_SHARE)
                / (1.0 + PARTLY_SHARE / NLOS_FROM_M * s * std::f64::consts::FRAC_PI_2.sqrt()),
        }
    }

    /// Log density of an error of `error_m` metres with a share `nlos_share` of bad ones, and the probability of being good.
    pub(super) fn ln(&self, error_m: f64, nlos_share: f64) -> (f64, f64) {
        let (all, good) = self.density(error_m, nlos_share);
        (all.ln(), good)
    }

    /// Density and probability of being good.
    pub(super) fn density(&self, error_m: f64, nlos_share: f64) -> (f64, f64) {
        let bell = (-(self.half_precision_per_m2 * error_m * error_m).min(700.0)).exp();
        let good = (1.0 - nlos_share) * self.good_peak_per_m * bell;
        let tail = if error_m > NLOS_FROM_M {
            let t = 1.0 + (error_m - NLOS_FROM_M) / NLOS_M;
            (1.0 - PARTLY_SHARE) / NLOS_M / (t * t)
        } else if error_m > 0.0 {
            PARTLY_SHARE / NLOS_FROM_M
        } else {
            PARTLY_SHARE / NLOS_FROM_M * bell
        };
        let all = good + nlos_share * (self.nlos_factor * tail + FLOOR_SHARE / FLOOR_SPAN_M);
        (all, good / all)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_a_density() {
        // The heavy tail beyond 400 m holds a thousandth; the floor lies within 20 m.
        let law = Density::new(0.06 * 0.06);
        let step = 1e-3;
        let mass: f64 = (-10_000..400_000).map(|k| law.density(f64::from(k) * step, 0.3).0 * step).sum();
        let floor_beyond = 0.3 * FLOOR_SHARE * (410.0 / FLOOR_SPAN_M - 1.0);
        assert!((mass - floor_beyond - 1.0).abs() < 2e-3, "{}", mass - floor_beyond);
    }

    #[test]
    fn short_is_never_nlos() {
        let law = Density::new(0.06 * 0.06);
        assert!(law.density(-0.5, 0.3).1 < 1e-6);
        assert!(law.density(0.0, 0.3).1 > 0.9);
        assert!(law.density(0.5, 0.3).1 < 1e-3);
    }
}
