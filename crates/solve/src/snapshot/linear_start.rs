//! The closed-form start: squared ranges make the problem linear.
//!
//! With anchors relative to their mean, `r_i² − h_i² = |x|² − 2 a_i·x + |a_i|²`. Summed up, the unknown
//! `|x|²` separates: `S x = ½ Σ a_i (|a_i|² + h_i² − r_i²)` with the scatter matrix `S = Σ a_i a_iᵀ`, and
//! `|x|² = mean(r_i² − h_i² − |a_i|²)` (the unconstrained linear solution for `(|x|², x)`).
//!
//! Where the anchors lie nearly on a line (2D) or plane (3D), `S` says next to nothing about the direction
//! across it. Its thin principal axis is that direction; the components along the other axes give the foot of
//! the tag on the line or plane, and `|x|²` gives the height above it, on either side: `height² = |x|² −
//! |foot|²`. For two circles that is their intersection in closed form.

use nalgebra::{SMatrix, SVector};

use crate::math::geometry::{Axes, principal_axes};
use crate::snapshot::linearised::LocalRanges;

/// Anchors whose spread across their line or plane is below this share of the next larger spread have a
/// mirror place that is worth a look.
const THIN_SHARE: f64 = 0.3;
/// Spread below this share of the largest is no spread: only the thin axis may have it.
const FLAT_SHARE: f64 = 1e-3;

/// The anchors' best-fit line or plane, as a mirror.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Mirror<const D: usize> {
    /// A point on it: the anchors' mean.
    pub(crate) through: SVector<f64, D>,
    /// Unit normal.
    pub(crate) normal: SVector<f64, D>,
}

/// Where to begin the descent.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Start<const D: usize> {
    pub(crate) at: SVector<f64, D>,
    /// Present when the other side of the mirror deserves a descent of its own.
    pub(crate) mirror: Option<Mirror<D>>,
}

/// `None` when the anchors do not span a line (2D) or plane (3D).
pub(crate) fn linear_start<const D: usize>(local_ranges: &LocalRanges<D>) -> Option<Start<D>> {
    let linear = Linear::new(local_ranges)?;
    if !linear.spans() {
        return None;
    }
    let (foot, across) = (linear.foot(), linear.axes.thin());
    if !linear.is_thinner_than(THIN_SHARE) {
        let at = foot + across * linear.component(D - 1) + linear.mean;
        return Some(Start { at, mirror: None });
    }
    // On the mirror itself the cost has no slope across it: start a little beside it, on the linear
    // solution's side.
    let height = f64::max(linear.height2(&foot), 1e-4 * linear.mean_range_m2).sqrt();
    let below = !linear.is_thinner_than(FLAT_SHARE) && linear.component(D - 1) < 0.0;
    let normal = if below { -across } else { across };
    let mirror = Mirror { through: linear.mean, normal };
    Some(Start { at: foot + normal * height + linear.mean, mirror: Some(mirror) })
}

/// The linear problem on the anchors' principal axes.
struct Linear<const D: usize> {
    /// Mean of the anchors.
    mean: SVector<f64, D>,
    /// Of the scatter matrix `S`.
    axes: Axes<D>,
    /// ½ Σ a (|a|² + h² − r²).
    rhs: SVector<f64, D>,
    /// |x|² relative to the mean.
    length_m2: f64,
    /// Mean squared range, for scale.
    mean_range_m2: f64,
}

impl<const D: usize> Linear<D> {
    fn new(local_ranges: &LocalRanges<D>) -> Option<Linear<D>> {
        let n = local_ranges.list.len() as f64;
        let mean = local_ranges.list.iter().fold(SVector::<f64, D>::zeros(), |sum, s| sum + s.anchor) / n;
        let mut scatter = SMatrix::<f64, D, D>::zeros();
        let mut rhs = SVector::<f64, D>::zeros();
        let (mut length2, mut range2) = (0.0, 0.0);
        for s in &local_ranges.list {
            let a = s.anchor - mean;
            let flat2 = s.range_m * s.range_m - s.height_m2;
            let excess = flat2 - a.norm_squared();
            scatter += a * a.transpose();
            rhs -= a * (0.5 * excess);
            length2 += excess / n;
            range2 += flat2.abs() / n;
        }
        Some(Linear { mean, axes: principal_axes(&scatter)?, rhs, length_m2: length2, mean_range_m2: range2 })
    }

    /// Whether all axes but the thin one have a spread.
    fn spans(&self) -> bool {
        let spread = &self.axes.values;
        (0..D - 1).all(|k| spread[k] > FLAT_SHARE * FLAT_SHARE * spread[0])
    }

    /// Whether the spread across is below this share of the next larger one.
    fn is_thinner_than(&self, share: f64) -> bool {
        self.axes.values[D - 1] <= share * share * self.axes.values[D - 2]
    }

    /// Component `k` of the linear solution.
    fn component(&self, k: usize) -> f64 {
        self.axes.axes.column(k).dot(&self.rhs) / self.axes.values[k]
    }

    /// Foot of the tag on the line or plane, relative to the mean.
    fn foot(&self) -> SVector<f64, D> {
        let mut foot = SVector::zeros();
        for k in 0..D - 1 {
            foot += self.axes.axes.column(k) * self.component(k);
        }
        foot
    }

    /// Squared height of the tag above its foot; negative when the ranges do not meet.
    fn height2(&self, foot: &SVector<f64, D>) -> f64 {
        self.length_m2 - foot.norm_squared()
    }
}

#[cfg(test)]
mod tests;
