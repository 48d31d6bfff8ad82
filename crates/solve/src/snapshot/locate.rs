//! Position from the ranges of one instant, with everything that says how far it can be trusted.
//!
//! **Model.** Each range is the slant distance between tag and anchor plus independent Gaussian noise of
//! known σ (see `local_ranges`). In 2D the tag's height is known and part of the model. Unknowns: east and north,
//! or east, north and up. No prior, no memory: every epoch stands on its own.
//!
//! **Estimate.** Weighted least squares: the place with the smallest χ² = Σ (residual/σ)²; covariance `C = (Σ
//! u uᵀ/σ²)⁻¹` with the unit directions `u`. Anchors on a line or plane have a mirror place with (almost) the
//! same χ². Both are looked for, and the fence ([`Fence`]) weighs in: from 2 m outside of it a place pays
//! ((excess − 2 m)/0.5 m)². If χ² plus this penalty of two believable places differ by less than
//! [`MINIMA_APART_CHI2`](crate::snapshot::minima::MINIMA_APART_CHI2), the answer is [`NoFixReason::TwoPlaces`] with both.
//!
//! **Gate.** See `gate`: global χ² test, then Baarda's largest standardised residual.
//!
//! **Assumptions.** Errors are small against the ranges (the covariance is the linearised one) and only few
//! are not Gaussian. Blocked line of sight on half of the anchors can fool any gate that sees one epoch.
//!
//! Symbols: `x` place, `a` anchor, `u` direction, `v` residual = measured − computed, `r` redundancy number,
//! `w` standardised residual. Sources: Ghilani & Wolf, *Adjustment Computations* (weighted least squares);
//! Baarda 1968 (gate).

use arrayvec::ArrayVec;
use hereabout_core::{Dimension, Fence, MAX_ANCHORS, NoFixReason, RejectReason};
use nalgebra::SMatrix;

use crate::math::geometry::{is_spd, to_rows};
use crate::model::dop::{Dop, dop};
use crate::model::range_obs::RangeObs;
use crate::snapshot::gate::{GateSettings, Judgement, judge};
use crate::snapshot::linearised::{LocalRange, LocalRanges};
use crate::snapshot::minima::PositionMinimum;

/// Redundancy below this is none: the residual is zero whatever the range.
const NO_REDUNDANCY: f64 = 1e-6;

/// What became of one range.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Residual {
    /// Measured minus computed from the final place, metres; 0 when the range is no number.
    pub residual_m: f64,
    /// Share of an error in this range that shows in its own residual, 0 to 1; 1 for a range that was left
    /// out.
    pub redundancy: f64,
    /// The residual over its own standard deviation (Baarda's w); `None` when the redundancy is practically 0
    /// or the range is not usable.
    pub standardised: Option<f64>,
    /// Whether it took part in the place.
    pub used: bool,
    /// Why it was left out; `None` when nothing is held against it. [`RejectReason::NotCredible`] marks a
    /// range that is no number, is negative, or has a σ or anchor that cannot be.
    pub rejected: Option<RejectReason>,
}

/// A place with its quality.
#[derive(Clone, Debug, PartialEq)]
pub struct Fix {
    /// East, north, up, metres; up is the known height in 2D.
    pub position_m: [f64; 3],
    /// Covariance, m², symmetric; zero row and column for up in 2D.
    pub covariance_m2: [[f64; 3]; 3],
    /// One for each observation, in their order.
    pub residuals: ArrayVec<Residual, MAX_ANCHORS>,
    /// Of the used anchors, unit weights.
    pub dop: Dop,
    /// Σ (residual/σ)² of the used ranges.
    pub chi2: f64,
    /// Used ranges minus unknown coordinates: how many ranges check the others.
    pub dof: usize,
    /// Whether a range was left over to check the place with.
    pub checked: bool,
}

/// One of two places that fit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlaceEstimate {
    /// East, north, up of the tag's antenna, metres.
    pub position_m: [f64; 3],
    /// Covariance of east, north, up, m², row-major.
    pub covariance_m2: [[f64; 3]; 3],
    /// Σ (residual/σ)².
    pub chi2: f64,
}

/// A position or the reason why there is none.
#[derive(Clone, Debug, PartialEq)]
pub enum Solution {
    /// One place fits, and it passed the gate.
    Fix(Fix),
    /// There is no position that could be published.
    NoFix {
        /// Which condition is not met.
        reason: NoFixReason,
        /// Both places for [`NoFixReason::TwoPlaces`], likelier first; else empty.
        candidates: ArrayVec<PlaceEstimate, 2>,
        /// For [`NoFixReason::TwoPlaces`] and [`NoFixReason::Inconsistent`]: residuals at the likeliest place
        /// that the ranges give, in the order of the observations, none of them used. Else empty.
        residuals: ArrayVec<Residual, MAX_ANCHORS>,
    },
}

impl Solution {
    /// The fix, if it is one.
    pub fn fix(&self) -> Option<&Fix> {
        match self {
            Solution::Fix(fix) => Some(fix),
            Solution::NoFix { .. } => None,
        }
    }

    /// The reason, if there is no fix.
    pub fn reason(&self) -> Option<NoFixReason> {
        match self {
            Solution::Fix(_) => None,
            Solution::NoFix { reason, .. } => Some(*reason),
        }
    }
}

/// Position from one epoch, with the outlier gate.
///
/// At most [`MAX_ANCHORS`] observations are looked at. Never panics, never gives NaN, does not allocate.
pub fn locate(obs: &[RangeObs], dimension: Dimension, fence: &Fence, gate: &GateSettings) -> Solution {
    match dimension {
        Dimension::TwoD { .. } => solve::<2>(obs, dimension, fence, gate),
        Dimension::ThreeD => solve::<3>(obs, dimension, fence, gate),
    }
}

/// Position from one epoch by weighted least squares alone: every usable range is believed.
///
/// For comparison with [`locate`]; the same but with a gate that never closes.
pub fn plain_fix(obs: &[RangeObs], dimension: Dimension, fence: &Fence) -> Solution {
    locate(obs, dimension, fence, &GateSettings { alpha_global: 0.0, alpha_local: 0.0 })
}

fn solve<const D: usize>(
    obs: &[RangeObs],
    dimension: Dimension,
    fence: &Fence,
    gate: &GateSettings,
) -> Solution {
    let all = LocalRanges::<D>::new(obs, dimension);
    if all.list.is_empty() {
        return no_fix(NoFixReason::NoRanges);
    }
    if all.list.len() < D {
        // Where the fence may tell the mirror places apart, as many ranges as unknowns do.
        let need = D + usize::from(fence.is_open());
        return no_fix(NoFixReason::TooFewRanges { have: all.list.len(), need });
    }
    match judge(&all, fence, gate) {
        Judgement::Accepted { place, used } => accepted(obs, &all, &used, &place, dimension),
        Judgement::TwoPlaces { places, used } => {
            let candidates = places.iter().map(|p| estimate(p, &all)).collect();
            let residuals = unused(residuals(obs, &all, &used, &places[0]));
            Solution::NoFix { reason: NoFixReason::TwoPlaces, candidates, residuals }
        }
        Judgement::Inconsistent { place } => {
            let residuals = unused(residuals(obs, &all, &all, &place));
            Solution::NoFix { reason: NoFixReason::Inconsistent, candidates: ArrayVec::new(), residuals }
        }
        Judgement::Impossible(reason) => no_fix(reason),
    }
}

fn no_fix(reason: NoFixReason) -> Solution {
    Solution::NoFix { reason, candidates: ArrayVec::new(), residuals: ArrayVec::new() }
}

/// Makes the fix; what is not finite or not positive definite does not leave the solver.
fn accepted<const D: usize>(
    obs: &[RangeObs],
    all: &LocalRanges<D>,
    used: &LocalRanges<D>,
    place: &PositionMinimum<D>,
    dimension: Dimension,
) -> Solution {
    let PlaceEstimate { position_m, covariance_m2, chi2 } = estimate(place, all);
    let anchors = used.list.iter().map(|s| obs[s.index].anchor_m);
    let sound = is_spd(&place.covariance) && position_m.iter().all(|c| c.is_finite()) && chi2.is_finite();
    debug_assert!(sound, "a place left the search with {place:?}");
    let Some(dop) = dop(anchors, position_m, dimension).filter(|_| sound) else {
        return no_fix(NoFixReason::WeakGeometry);
    };
    Solution::Fix(Fix {
        position_m,
        covariance_m2,
        residuals: residuals(obs, all, used, place),
        dop,
        chi2,
        dof: used.dof(),
        checked: used.dof() > 0,
    })
}

fn estimate<const D: usize>(place: &PositionMinimum<D>, local_ranges: &LocalRanges<D>) -> PlaceEstimate {
    PlaceEstimate {
        position_m: local_ranges.to_site(&place.at),
        covariance_m2: to_rows(&place.covariance),
        chi2: place.chi2,
    }
}

/// Residuals of all observations at `place`, which the ranges in `used` gave.
fn residuals<const D: usize>(
    obs: &[RangeObs],
    all: &LocalRanges<D>,
    used: &LocalRanges<D>,
    place: &PositionMinimum<D>,
) -> ArrayVec<Residual, MAX_ANCHORS> {
    let not_usable = Residual {
        residual_m: 0.0,
        redundancy: 1.0,
        standardised: None,
        used: false,
        rejected: Some(RejectReason::NotCredible),
    };
    let mut out: ArrayVec<Residual, MAX_ANCHORS> = obs.iter().take(MAX_ANCHORS).map(|_| not_usable).collect();
    for s in &all.list {
        let took_part = used.list.iter().any(|u| u.index == s.index);
        out[s.index] = residual(s, place, took_part);
    }
    out
}

fn residual<const D: usize>(s: &LocalRange<D>, place: &PositionMinimum<D>, used: bool) -> Residual {
    let seen = PredictedRange::new(s, place);
    let residual_m = seen.residual_m;
    let reason = if residual_m > 0.0 { RejectReason::TooLong } else { RejectReason::TooShort };
    Residual {
        residual_m,
        redundancy: if used { seen.redundancy() } else { 1.0 },
        standardised: if used { seen.standardised() } else { Some(seen.standardised_prediction()) },
        used,
        rejected: (!used).then_some(reason),
    }
}

/// Residuals that belong to no fix: nothing was used, and nothing is rejected for that.
fn unused(mut residuals: ArrayVec<Residual, MAX_ANCHORS>) -> ArrayVec<Residual, MAX_ANCHORS> {
    for r in &mut residuals {
        r.rejected = r.rejected.filter(|_| !r.used);
        r.used = false;
    }
    residuals
}

/// One range seen from a place, with the share of its variance that the place explains.
#[derive(Clone, Copy, Debug)]
pub(crate) struct PredictedRange {
    pub(crate) residual_m: f64,
    sigma_m: f64,
    /// uᵀCu/σ².
    leverage: f64,
}

impl PredictedRange {
    pub(crate) fn new<const D: usize>(s: &LocalRange<D>, place: &PositionMinimum<D>) -> PredictedRange {
        let (computed, u) = s.look(&place.at);
        let spread = quadratic(&place.covariance, &u);
        PredictedRange {
            residual_m: s.range_m - computed,
            sigma_m: s.sigma_m,
            leverage: spread * s.root_weight_per_m * s.root_weight_per_m,
        }
    }

    /// r = 1 − uᵀCu/σ² of a range that took part.
    pub(crate) fn redundancy(&self) -> f64 {
        (1.0 - self.leverage).clamp(0.0, 1.0)
    }

    /// w = v/(σ√r) of a range that took part.
    pub(crate) fn standardised(&self) -> Option<f64> {
        let r = self.redundancy();
        (r > NO_REDUNDANCY).then(|| self.residual_m / (self.sigma_m * r.sqrt()))
    }

    /// The residual of a range that did not take part over the standard deviation of its prediction.
    fn standardised_prediction(&self) -> f64 {
        self.residual_m / (self.sigma_m * (1.0 + self.leverage).sqrt())
    }
}

fn quadratic<const D: usize>(m: &SMatrix<f64, D, D>, u: &nalgebra::SVector<f64, D>) -> f64 {
    u.dot(&(m * u))
}
