//! Protection radius: how far off the published place may be, up to a stated small probability.
//!
//! **Model.** What is known about the place is a mixture of Gaussians: one for every component (which
//! ranges were good) that is still believed. Component k has weight wₖ, lies Δₖ away from the published
//! place and is at most σₖ wide in any direction. The probability that the error is larger than R is
//! then at most
//!
//! ```text
//! Σₖ wₖ · Q( max(R − Δₖ, 0) / σₖ )        Q(r) = P(|standard Gaussian vector| > r)
//! ```
//!
//! and R is the smallest radius for which this is at most the wanted risk. In 2D Q(r) = exp(−r²/2).
//!
//! **Assumptions.** The bound is on the safe side twice (a circle for every ellipse, the triangle
//! inequality for every component), which pays for components that were too unlikely to keep. It holds under
//! the error model of [`crate::model::error_model`]; an anchor that was moved or miscalibrated is not part of
//! that model unless its uncertainty was added to σₖ.

use crate::model::error_model::beyond;

/// The probability that the protection radius may be passed with.
pub const PROTECTION_RISK: f64 = 1e-3;

/// One Gaussian of the mixture.
#[derive(Clone, Copy, Debug)]
pub(crate) struct MixtureComponent {
    /// Weight; all weights together make 1 (or less, see `lost_weight`).
    pub(crate) weight: f64,
    /// Distance of its centre from the published place, metres.
    pub(crate) away_m: f64,
    /// Largest standard deviation, metres.
    pub(crate) sigma_m: f64,
}

/// Smallest radius (metres, to within 0.5 %) that the error passes with at most `risk`.
pub(crate) fn protection_radius(components: &[MixtureComponent], unknowns: usize, risk: f64) -> f64 {
    let over = |r: f64| -> f64 {
        components.iter().map(|s| s.weight * beyond((r - s.away_m) / s.sigma_m, unknowns)).sum()
    };
    // Every component alone within its own share of the risk: an upper end that surely holds.
    let mut high =
        components.iter().filter(|s| s.weight > 0.0).map(|s| s.away_m + s.sigma_m * 6.0).fold(0.0, f64::max);
    let mut low = 0.0;
    while high - low > 0.005 * high && high > 1e-6 {
        let middle = 0.5 * (low + high);
        if over(middle) > risk {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_circle_gives_the_rayleigh_quantile() {
        // 2D ellipse factor for 0.999: 3.71692218885 (Rayleigh, closed form).
        let one = [MixtureComponent { weight: 1.0, away_m: 0.0, sigma_m: 0.1 }];
        let r = protection_radius(&one, 2, 1e-3);
        assert!((0.371_692..0.374).contains(&r), "{r}");
        // 3D: square root of the chi-square quantile 16.2662361962 (NIST/SEMATECH e-Handbook).
        let r = protection_radius(&one, 3, 1e-3);
        assert!((0.403_31..0.406).contains(&r), "{r}");
    }

    #[test]
    fn an_unlikely_far_component_counts_only_above_the_risk() {
        let two = |w| {
            [
                MixtureComponent { weight: 1.0 - w, away_m: 0.0, sigma_m: 0.1 },
                MixtureComponent { weight: w, away_m: 3.0, sigma_m: 0.1 },
            ]
        };
        assert!(protection_radius(&two(1e-4), 2, 1e-3) < 0.4);
        assert!(protection_radius(&two(0.01), 2, 1e-3) > 3.0);
    }

    #[test]
    fn nothing_believed_is_no_radius() {
        assert_eq!(protection_radius(&[], 2, 1e-3), 0.0);
    }
}
