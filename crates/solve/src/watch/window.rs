//! The newest residuals of one tag, and the place that the other anchors agree on.
//!
//! For every anchor the last [`KEPT`] residuals against the tag's published path are kept. At a datum each anchor
//! is one number, the median of those of the last [`WINDOW`]; over so short a time the path is off by one shift δ,
//! and the medians are m = -u·δ + noise. The shift that the others agree on comes from iterated weighted least
//! squares in which each median counts by its probability of being good under the density of `density`; so a
//! NLOS anchor, or one that has moved, weighs little even when nobody has named it. The path itself may have been
//! drawn by the anchor that is asked about: that is part of δ and drops out.

use arrayvec::ArrayVec;
use hereabout_core::geometry::vector::dot;
use hereabout_core::{MAX_ANCHORS, Micros, Timestamp};

use super::ALIKE_M;
use super::density::Density;
use crate::math::small_matrix::{Sym, add_outer, inverse, quad, times};

/// Residuals that are kept per anchor, and the fewest that make a median.
const KEPT: usize = 10;
/// Data before a tag tells what its ranges have in common.
const MIN_COMMON_DATA: f64 = 20.0;
const MIN_RESIDUALS: usize = 3;
/// Older residuals are no part of a datum.
const WINDOW: Micros = Micros::from_millis(1_500);
/// Rounds of reweighting.
const ROUNDS: usize = 4;
/// Share of medians that are expected to be NLOS.
const NLOS_SHARE: f64 = 0.2;

/// The last residuals of one anchor; a ring.
#[derive(Clone, Copy, Debug, Default)]
struct Ring {
    residual_m: [f32; KEPT],
    at: [Timestamp; KEPT],
    next: usize,
    len: usize,
}

impl Ring {
    fn push(&mut self, at: Timestamp, residual_m: f64) {
        self.residual_m[self.next] = residual_m as f32;
        self.at[self.next] = at;
        self.next = (self.next + 1) % KEPT;
        self.len = (self.len + 1).min(KEPT);
    }

    /// Median and number of the residuals that are young enough at `now`.
    fn median(&self, now: Timestamp) -> Option<(f64, usize)> {
        let young = |k: &usize| now.since(self.at[*k]) <= WINDOW;
        let mut list: ArrayVec<f32, KEPT> = (0..self.len).filter(young).map(|k| self.residual_m[k]).collect();
        list.sort_unstable_by(f32::total_cmp);
        let n = list.len();
        let middle = || 0.5 * f64::from(list[(n - 1) / 2] + list[n / 2]);
        (n >= MIN_RESIDUALS).then(|| (middle(), n))
    }
}

/// One anchor at a datum.
#[derive(Clone, Copy, Debug)]
pub(super) struct LinearisedResidual {
    pub(super) anchor: usize,
    /// Median residual, corrected for what is known of it; metres.
    pub(super) median_m: f64,
    /// Its variance, m².
    pub(super) variance_m2: f64,
    /// Unit vector from the anchor to the tag.
    pub(super) direction: [f64; 3],
    /// Distance, metres.
    pub(super) distance_m: f64,
    /// Takes part in the common solution.
    pub(super) counts: bool,
}

pub(super) type LinearisedResiduals = ArrayVec<LinearisedResidual, MAX_ANCHORS>;

/// Residuals of one tag against its path.
#[derive(Clone, Debug, Default)]
pub struct TagWindow {
    rings: [Ring; MAX_ANCHORS],
    /// Where the tag was at the last datum.
    pub(super) datum_at_m: Option<[f64; 3]>,
    /// What all ranges of this tag have in common, metres, and from how many datums.
    pub(super) common_m: f64,
    pub(super) common_data: f64,
}

impl TagWindow {
    /// A window without residuals.
    pub fn new() -> TagWindow {
        TagWindow::default()
    }

    /// What all ranges of this tag have in common, metres; positive when they are long.
    pub fn common_m(&self) -> f64 {
        self.common_m
    }

    /// Whether the tag has gone far enough to tell that.
    pub fn tells_common(&self) -> bool {
        self.common_data >= MIN_COMMON_DATA
    }

    /// Whether that is more than noise.
    pub fn is_alike(&self) -> bool {
        self.common_m.abs() > ALIKE_M
    }

    /// Whether the tag has gone far enough to say that its ranges have nothing in common. Between this and
    /// [`TagWindow::is_alike`] nobody can say.
    pub fn is_clear(&self) -> bool {
        self.common_data >= 2.0 * MIN_COMMON_DATA && self.common_m.abs() < 0.5 * ALIKE_M
    }

    /// Forgets the residuals: the path is broken.
    pub fn clear(&mut self) {
        self.rings = [Ring::default(); MAX_ANCHORS];
        self.datum_at_m = None;
    }

    pub(super) fn push(&mut self, anchor: usize, at: Timestamp, residual_m: f64) {
        self.rings[anchor].push(at, residual_m);
    }

    pub(super) fn median(&self, anchor: usize, now: Timestamp) -> Option<(f64, usize)> {
        self.rings[anchor].median(now)
    }
}

/// What some anchors agree on.
#[derive(Clone, Copy, Debug)]
pub(super) struct CommonShift {
    /// Shift of the path, metres.
    pub(super) shift_m: [f64; 3],
    /// Its covariance.
    pub(super) covariance_m2: Sym,
    /// Anchors that are more probably good than not.
    pub(super) trusted: usize,
    /// Sum of the log densities of the anchors that took part.
    pub(super) fit_nats: f64,
}

/// The shift that all counting anchors but `without` agree on; `unknowns` is 2 or 3.
pub(super) fn agree(
    linearised: &[LinearisedResidual],
    without: Option<usize>,
    start_m: [f64; 3],
    unknowns: usize,
) -> Option<CommonShift> {
    let mut shift_m = start_m;
    for round in 0..=ROUNDS {
        let mut normal: Sym = [0.0; 6];
        let mut right = [0.0; 3];
        let (mut trusted, mut fit) = (0, 0.0);
        for s in linearised.iter().filter(|s| s.counts && Some(s.anchor) != without) {
            let off_m = s.median_m + dot(s.direction, shift_m);
            let law = Density::new(s.variance_m2);
            let (ln, good) = law.ln(off_m, NLOS_SHARE);
            trusted += usize::from(good > 0.5);
            fit += ln;
            let weight = good.max(1e-3) / s.variance_m2;
            add_outer(&mut normal, unknowns, &s.direction, weight);
            for (r, u) in right.iter_mut().zip(s.direction).take(unknowns) {
                *r -= weight * u * s.median_m;
            }
        }
        let (covariance, _) = inverse(&normal, unknowns)?;
        if round == ROUNDS {
            return Some(CommonShift { shift_m, covariance_m2: covariance, trusted, fit_nats: fit });
        }
        shift_m = times(&covariance, unknowns, &right);
        if shift_m.iter().any(|v| v.is_nan() || v.abs() > 5.0) {
            return None;
        }
    }
    None
}

/// Variance of the prediction for an anchor, m².
pub(super) fn predicted_m2(agreed: &CommonShift, direction: &[f64; 3], unknowns: usize) -> f64 {
    quad(&agreed.covariance_m2, unknowns, direction)
}
