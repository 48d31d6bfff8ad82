//! One epoch as the solver sees it: usable ranges in local coordinates, and their linearisation.
//!
//! **Model.** `range_i = √(|x − a_i|² + h_i²) + e_i`, `e_i ~ N(0, σ_i²)` independent. `x` holds the `D`
//! unknown coordinates, `a_i` the same coordinates of the anchor, and `h_i` the known height between tag and
//! anchor in 2D (0 in 3D): slant ranges are used as measured, the height is part of the model.
//!
//! Everything is relative to the anchors' centroid, so that a site far from its origin loses no digits.

use arrayvec::ArrayVec;
use hereabout_core::{Dimension, MAX_ANCHORS};
use nalgebra::SVector;

use crate::RangeObs;
use crate::math::geometry::to_site;
use crate::math::least_squares::Normal;

/// Coordinates and ranges beyond this are not a place on a site (metres).
const MAX_COORDINATE_M: f64 = 1e8;
/// A σ outside these limits is not a range's (metres).
const SIGMA_SPAN_M: [f64; 2] = [1e-4, 1e4];

/// One usable range, relative to the centre of the anchors.
#[derive(Clone, Copy, Debug)]
pub(crate) struct LocalRange<const D: usize> {
    /// Anchor, relative to the centre.
    pub(crate) anchor: SVector<f64, D>,
    /// Known height between tag and anchor, squared, m²; 0 in 3D.
    pub(crate) height_m2: f64,
    /// Measured range, slant, metres.
    pub(crate) range_m: f64,
    /// Standard deviation of the range, metres.
    pub(crate) sigma_m: f64,
    /// 1/σ, 1/m.
    pub(crate) root_weight_per_m: f64,
    /// Where it stands in the caller's list.
    pub(crate) index: usize,
}

impl<const D: usize> LocalRange<D> {
    /// Computed range from `at`, and the direction from the anchor (0 exactly at the anchor).
    #[inline]
    pub(crate) fn look(&self, at: &SVector<f64, D>) -> (f64, SVector<f64, D>) {
        let d = at - self.anchor;
        let computed = (d.norm_squared() + self.height_m2).sqrt();
        if computed > 0.0 { (computed, d * (1.0 / computed)) } else { (0.0, SVector::zeros()) }
    }
}

/// The usable ranges of one epoch.
#[derive(Clone, Debug)]
pub(crate) struct LocalRanges<const D: usize> {
    pub(crate) list: ArrayVec<LocalRange<D>, MAX_ANCHORS>,
    centre: SVector<f64, D>,
    dimension: Dimension,
}

impl<const D: usize> LocalRanges<D> {
    /// Takes what is usable of `obs`, at most [`MAX_ANCHORS`] of them.
    pub(crate) fn new(obs: &[RangeObs], dimension: Dimension) -> LocalRanges<D> {
        let height = match dimension {
            Dimension::TwoD { tag_height_m } => Some(tag_height_m),
            Dimension::ThreeD => None,
        };
        let mut list: ArrayVec<LocalRange<D>, MAX_ANCHORS> = ArrayVec::new();
        let mut centre = SVector::<f64, D>::zeros();
        for (index, o) in obs.iter().take(MAX_ANCHORS).enumerate() {
            let drop = height.map_or(0.0, |h| h - o.anchor_m[2]);
            if !usable(o, drop) {
                continue;
            }
            let anchor = SVector::from_fn(|k, _| o.anchor_m[k]);
            centre += anchor;
            list.push(LocalRange {
                anchor,
                height_m2: drop * drop,
                range_m: o.range_m,
                sigma_m: o.sigma_m,
                root_weight_per_m: 1.0 / o.sigma_m,
                index,
            });
        }
        centre /= list.len().max(1) as f64;
        for s in &mut list {
            s.anchor -= centre;
        }
        LocalRanges { list, centre, dimension }
    }

    /// Normal equations of the list's members at a place, residuals in σ: what [`Normal::add`] gives for rows
    /// `u/σ`, written out because this is the solver's innermost loop.
    ///
    /// The second derivative of a range is `(I − u uᵀ)/range`, so the bend comes almost for free.
    #[inline]
    pub(crate) fn linearise(&self, at: &SVector<f64, D>) -> Normal<D> {
        let mut normal = Normal::<D>::zero();
        let mut bend_sum = 0.0;
        for s in &self.list {
            let (computed, u) = s.look(at);
            let weight = s.root_weight_per_m * s.root_weight_per_m;
            let residual = (s.range_m - computed) * weight;
            let bend = if computed > 0.0 { residual / computed } else { 0.0 };
            for c in 0..D {
                for r in c..D {
                    let product = u[r] * u[c];
                    normal.matrix[(r, c)] += weight * product;
                    normal.bend[(r, c)] -= bend * product;
                }
                normal.gradient[c] += u[c] * residual;
            }
            normal.cost += residual * (s.range_m - computed);
            bend_sum += bend;
        }
        for c in 0..D {
            normal.bend[(c, c)] += bend_sum;
        }
        normal.matrix.fill_upper_triangle_with_lower_triangle();
        normal.bend.fill_upper_triangle_with_lower_triangle();
        normal
    }

    /// A local place as a site position.
    pub(crate) fn to_site(&self, at: &SVector<f64, D>) -> [f64; 3] {
        to_site(&(at + self.centre), self.dimension)
    }

    /// Degrees of freedom: ranges beyond the unknown coordinates.
    pub(crate) fn dof(&self) -> usize {
        self.list.len().saturating_sub(D)
    }
}

fn usable(o: &RangeObs, drop_m: f64) -> bool {
    o.anchor_m.iter().all(|c| c.abs() <= MAX_COORDINATE_M)
        && drop_m.abs() <= MAX_COORDINATE_M
        && (0.0..=MAX_COORDINATE_M).contains(&o.range_m)
        && (SIGMA_SPAN_M[0]..=SIGMA_SPAN_M[1]).contains(&o.sigma_m)
}
