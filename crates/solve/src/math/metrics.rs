//! How good an estimate is against the truth: the numbers of an accuracy table.
//!
//! Names follow ISO/IEC 18305:2016, clause 8 (CE: horizontal, VE: vertical, SE: in space; 50 and 95 are
//! percentiles). The standard's text does not fix the quantile here: this is type 7 of Hyndman & Fan (Am.
//! Stat. 50(4), 1996), linear between order statistics, the default of R and NumPy.

use hereabout_core::Dimension;

use crate::math::distribution::chi2_quantile;
use crate::math::geometry::spd_inverse;

/// The type 7 quantile of values in rising order; `None` without values or with `p` outside 0…1.
pub fn quantile_of_sorted(rising: &[f64], p: f64) -> Option<f64> {
    if rising.is_empty() || !(0.0..=1.0).contains(&p) {
        return None;
    }
    let h = (rising.len() - 1) as f64 * p;
    let below = h.floor();
    let low = rising[below as usize];
    let high = rising[h.ceil() as usize];
    Some(low + (h - below) * (high - low))
}

/// The type 7 quantile of values in any order; NaN counts as largest.
pub fn quantile(values: &[f64], p: f64) -> Option<f64> {
    let mut rising = values.to_vec();
    rising.sort_by(f64::total_cmp);
    quantile_of_sorted(&rising, p)
}

/// Size of a set of errors, all in metres and not negative.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ErrorSize {
    /// Mean of the absolute errors.
    pub mean_m: f64,
    /// Root mean square, metres.
    pub rms_m: f64,
    /// Median (CE50, VE50, SE50), metres.
    pub p50_m: f64,
    /// 95 % quantile (CE95, VE95, SE95).
    pub p95_m: f64,
    /// Largest, metres.
    pub max_m: f64,
}

impl ErrorSize {
    /// Of these lengths (signs are dropped); `None` when there is none.
    pub fn of(lengths_m: impl Iterator<Item = f64>) -> Option<ErrorSize> {
        let mut rising: Vec<f64> = lengths_m.map(f64::abs).collect();
        rising.sort_by(f64::total_cmp);
        let n = rising.len() as f64;
        Some(ErrorSize {
            mean_m: rising.iter().sum::<f64>() / n,
            rms_m: (rising.iter().map(|e| e * e).sum::<f64>() / n).sqrt(),
            p50_m: quantile_of_sorted(&rising, 0.5)?,
            p95_m: quantile_of_sorted(&rising, 0.95)?,
            max_m: *rising.last()?,
        })
    }
}

/// The accuracy of a set of positions.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Accuracy {
    /// Number of errors that the figures rest on.
    pub count: usize,
    /// Horizontal: CE50, CE95, RMSE.
    pub horizontal: ErrorSize,
    /// Vertical: VE50, VE95.
    pub vertical: ErrorSize,
    /// In space: SE50, SE95.
    pub spatial: ErrorSize,
    /// Mean of the error vectors, metres: what does not average out.
    pub bias_m: [f64; 3],
}

impl Accuracy {
    /// Of error vectors estimate − truth (east, north, up, metres); `None` when there is none.
    pub fn of(errors_m: &[[f64; 3]]) -> Option<Accuracy> {
        let flat = |e: &[f64; 3]| (e[0] * e[0] + e[1] * e[1]).sqrt();
        let full = |e: &[f64; 3]| (e[0] * e[0] + e[1] * e[1] + e[2] * e[2]).sqrt();
        let n = errors_m.len() as f64;
        Some(Accuracy {
            count: errors_m.len(),
            horizontal: ErrorSize::of(errors_m.iter().map(flat))?,
            vertical: ErrorSize::of(errors_m.iter().map(|e| e[2]))?,
            spatial: ErrorSize::of(errors_m.iter().map(full))?,
            bias_m: std::array::from_fn(|k| errors_m.iter().map(|e| e[k]).sum::<f64>() / n),
        })
    }
}

/// Squared length of an error in its own standard deviations, eᵀC⁻¹e; `None` when `C` is no covariance.
pub fn normalised_square(
    error_m: [f64; 3],
    covariance_m2: &[[f64; 3]; 3],
    dimension: Dimension,
) -> Option<f64> {
    fn square<const D: usize>(e: [f64; 3], c: &[[f64; 3]; 3]) -> Option<f64> {
        let inverse = spd_inverse(&nalgebra::SMatrix::<f64, D, D>::from_fn(|r, k| c[r][k]))?;
        let e = nalgebra::SVector::<f64, D>::from_fn(|r, _| e[r]);
        Some(e.dot(&(inverse * e))).filter(|v| v.is_finite())
    }
    match dimension {
        Dimension::TwoD { .. } => square::<2>(error_m, covariance_m2),
        Dimension::ThreeD => square::<3>(error_m, covariance_m2),
    }
}

/// Whether the ellipse (2D) or ellipsoid (3D) that should hold probability `p` holds this error: the share of
/// `true` over many fixes is the coverage.
pub fn is_covered(error_m: [f64; 3], covariance_m2: &[[f64; 3]; 3], dimension: Dimension, p: f64) -> bool {
    normalised_square(error_m, covariance_m2, dimension)
        .is_some_and(|q| q <= chi2_quantile(1.0 - p, dimension.unknowns()))
}

/// The fewest samples whose largest is above the `p` quantile with probability `confidence`: so many
/// checkpoints make the worst error a bound. `None` outside 0 < p, confidence < 1.
pub fn fewest_samples(p: f64, confidence: f64) -> Option<usize> {
    let sound = |v: f64| v > 0.0 && v < 1.0;
    (sound(p) && sound(confidence)).then(|| ((1.0 - confidence).ln() / p.ln()).ceil() as usize)
}

#[cfg(test)]
mod tests;
