//! The places that one set of ranges fits: one, or two when the anchors' geometry is a mirror.
//!
//! From the closed-form start the cost `Σ ((range − computed)/σ)²` is descended; where the anchors lie nearly
//! on a line (2D) or plane (3D), the minimum is reflected in it and the descent repeated from there, which
//! finds the other minimum if there is one. Both are weighed by χ² plus the fence's penalty.

use arrayvec::ArrayVec;
use hereabout_core::{Fence, NoFixReason};
use nalgebra::{SMatrix, SVector};

use crate::math::geometry::{reflect, spd_inverse};
use crate::math::least_squares::{Minimum, NoMinimum, Normal, Stop, minimise};
use crate::snapshot::linear_start::linear_start;
use crate::snapshot::linearised::LocalRanges;

/// Two places are distinguished when their χ² differ by this much: the 0.001 level of χ² with one degree of
/// freedom.
pub const MINIMA_APART_CHI2: f64 = 10.827_566_170_662_733;

/// Steps below 10⁻⁷ σ end the descent; a hundred linearisations are ten times what a hard case takes.
const STOP: Stop = Stop { iterations: 100, decrement: 1e-14, stalled: 1e-6, relative: false };
/// A place whose standard deviation is more than this many times that of its worst range is not determined.
const MAX_SIGMA_RATIO: f64 = 100.0;
/// Two minima whose distance in their own standard deviations is less than the root of this are one.
const SAME_PLACE_CHI2: f64 = 1e-6;
/// The fence does not mind a place this far outside (metres): its line is drawn by hand.
const FENCE_SLACK_M: f64 = 2.0;
/// Standard deviation of the fence beyond the slack, metres.
const FENCE_SIGMA_M: f64 = 0.5;

/// A minimum of the cost with everything that is weighed.
#[derive(Clone, Copy, Debug)]
pub(crate) struct PositionMinimum<const D: usize> {
    /// In the local ranges' local coordinates.
    pub(crate) at: SVector<f64, D>,
    /// Weighted squared residual of the ranges.
    pub(crate) chi2: f64,
    /// Squared excess over the fence in its standard deviations.
    pub(crate) penalty_chi2: f64,
    /// Covariance, m².
    pub(crate) covariance: SMatrix<f64, D, D>,
    normal: SMatrix<f64, D, D>,
}

impl<const D: usize> PositionMinimum<D> {
    /// What two places are compared by.
    pub(crate) fn penalised_chi2(&self) -> f64 {
        self.chi2 + self.penalty_chi2
    }
}

/// One place or two, likelier first.
pub(crate) type PositionMinima<const D: usize> = ArrayVec<PositionMinimum<D>, 2>;

/// The places that these ranges fit.
pub(crate) fn minima<const D: usize>(
    local_ranges: &LocalRanges<D>,
    fence: &Fence,
) -> Result<PositionMinima<D>, NoFixReason> {
    let start = linear_start(local_ranges).ok_or(NoFixReason::WeakGeometry)?;
    let descend = |from| minimise(from, &STOP, |at| local_ranges.linearise(at));
    let first = descend(start.at);
    let mut found = ArrayVec::new();
    found.extend(first.ok().and_then(|m| position_minimum(&m, local_ranges, fence)));
    if let Some(mirror) = &start.mirror {
        let near = first.as_ref().map_or(start.at, |m| m.at);
        let other = descend(reflect(&near, &mirror.through, &mirror.normal));
        let other = other.ok().and_then(|m| position_minimum(&m, local_ranges, fence));
        found.extend(other.filter(|p| !found.first().is_some_and(|f| same(f, p))));
    }
    if found.len() == 2 && found[1].penalised_chi2() < found[0].penalised_chi2() {
        found.swap(0, 1);
    }
    if !found.is_empty() {
        return Ok(found);
    }
    // A descent without end next to a mirror creeps onto it: ranges too short to meet beside their anchors'
    // line.
    match first {
        Err(NoMinimum::NotSettled | NoMinimum::BadStart) if start.mirror.is_none() => {
            Err(NoFixReason::NotConverged)
        }
        _ => Err(NoFixReason::WeakGeometry),
    }
}

/// `None` when the ranges do not determine the place.
fn position_minimum<const D: usize>(
    minimum: &Minimum<D>,
    local_ranges: &LocalRanges<D>,
    fence: &Fence,
) -> Option<PositionMinimum<D>> {
    // `minimum.normal` belongs to the last linearisation, one settled step away; the cost there is the
    // minimum's to rounding.
    let Normal { matrix, cost, .. } = minimum.normal;
    let covariance = spd_inverse(&matrix)?;
    let worst = local_ranges.list.iter().map(|s| s.sigma_m).fold(0.0, f64::max);
    if covariance.trace().sqrt() > MAX_SIGMA_RATIO * worst {
        return None;
    }
    let excess = (fence.excess_m(local_ranges.to_site(&minimum.at)) - FENCE_SLACK_M).max(0.0) / FENCE_SIGMA_M;
    Some(PositionMinimum {
        at: minimum.at,
        chi2: cost,
        penalty_chi2: excess * excess,
        covariance,
        normal: matrix,
    })
}

fn same<const D: usize>(a: &PositionMinimum<D>, b: &PositionMinimum<D>) -> bool {
    let apart = a.at - b.at;
    apart.dot(&(a.normal * apart)) < SAME_PLACE_CHI2
}
