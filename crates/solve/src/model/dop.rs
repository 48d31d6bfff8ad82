//! Dilution of precision: how much the anchors' geometry alone enlarges the range error.
//!
//! With unit direction vectors `u_i` from the anchors to the tag (in 2D the horizontal part of the slant
//! direction), `Q = (Σ u_i u_iᵀ)⁻¹`; HDOP = √(Qee + Qnn), VDOP = √Quu, PDOP = √trace Q. With equal σ the
//! root-mean-square position error is σ·DOP, which is also the Cramér-Rao bound. Ranges need no clock term.

use hereabout_core::Dimension;
use nalgebra::SMatrix;

use crate::math::geometry::spd_inverse;

/// Dilution of precision of one place, unit weights.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dop {
    /// Horizontal: metres of position error per metre of range error.
    pub hdop: f64,
    /// Vertical, likewise; `None` in 2D.
    pub vdop: Option<f64>,
    /// In space; `None` in 2D.
    pub pdop: Option<f64>,
}

/// DOP at `position_m` for these anchors; `None` where the geometry does not determine the place.
///
/// In 2D the height of `position_m` is used as it is, so that slant ranges count with their horizontal part.
pub fn dop(
    anchors_m: impl Iterator<Item = [f64; 3]>,
    position_m: [f64; 3],
    dimension: Dimension,
) -> Option<Dop> {
    match dimension {
        Dimension::TwoD { .. } => {
            let q = spd_inverse(&unit_normal::<2>(anchors_m, position_m))?;
            Some(Dop { hdop: q.trace().sqrt(), vdop: None, pdop: None })
        }
        Dimension::ThreeD => {
            let q = spd_inverse(&unit_normal::<3>(anchors_m, position_m))?;
            Some(Dop {
                hdop: (q[(0, 0)] + q[(1, 1)]).sqrt(),
                vdop: Some(q[(2, 2)].sqrt()),
                pdop: Some(q.trace().sqrt()),
            })
        }
    }
}

/// `Σ u uᵀ` over the first `D` coordinates of the directions.
fn unit_normal<const D: usize>(
    anchors_m: impl Iterator<Item = [f64; 3]>,
    at_m: [f64; 3],
) -> SMatrix<f64, D, D> {
    let mut sum = SMatrix::<f64, D, D>::zeros();
    for a in anchors_m {
        let d = [at_m[0] - a[0], at_m[1] - a[1], at_m[2] - a[2]];
        let square = d[0] * d[0] + d[1] * d[1] + d[2] * d[2];
        if square > 0.0 {
            for r in 0..D {
                for c in 0..D {
                    sum[(r, c)] += d[r] * d[c] / square;
                }
            }
        }
    }
    sum
}
