//! Pairs of anchor and occupation without a direct path: one level each that is too long.
//!
//! Model: the plain adjustment, and for some of its rows an excess of their own. Freeing a row is the same as
//! leaving it out, and the plain fit says at once what that would gain: with residual r and leverage h (both of
//! rows divided by their standard deviations) the excess is r/(1 - h) and the gain r²/(1 - h); for two rows the
//! same with vectors and the 2 × 2 block of the hat matrix (the mean-shift outlier model; D. A. Belsley, E. Kuh,
//! R. E. Welsch, "Regression Diagnostics", 1980; from memory).
//!
//! A path can only be too long, never too short: the test is one-sided.

use nalgebra::DMatrix;

use crate::math::linear::LinearFit;

/// Below this share of its own row that a residual shows, a level has nothing to be compared with.
const MIN_REDUNDANCY: f64 = 0.05;

/// The plain adjustment, row by row.
pub(crate) struct HatMatrix {
    /// Rows over their standard deviations.
    design: DMatrix<f64>,
    /// `design` times the cofactor matrix: row i times row j of `design` is the hat matrix' element ij.
    lean: DMatrix<f64>,
    fit: LinearFit,
}

/// What freeing rows gains, and by how much each is too long.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct FreedRows<const N: usize> {
    /// Fall of the sum of weighted squares.
    pub(crate) gain: f64,
    /// Excess of each row in its standard deviations.
    pub(crate) excess_sigmas: [f64; N],
    /// Cofactor of each excess: its variance for rows of unit variance.
    pub(crate) cofactor: [f64; N],
}

impl HatMatrix {
    pub(crate) fn new(design: DMatrix<f64>, fit: LinearFit) -> HatMatrix {
        let lean = &design * &fit.cofactor;
        HatMatrix { design, lean, fit }
    }

    fn hat(&self, i: usize, j: usize) -> f64 {
        self.lean.row(i).dot(&self.design.row(j))
    }

    /// One row; `None` when nothing else determines what it should be.
    pub(crate) fn one(&self, i: usize) -> Option<FreedRows<1>> {
        let redundancy = 1.0 - self.hat(i, i);
        if redundancy < MIN_REDUNDANCY {
            return None;
        }
        let excess = self.fit.residuals[i] / redundancy;
        Some(FreedRows {
            gain: self.fit.residuals[i] * excess,
            excess_sigmas: [excess],
            cofactor: [1.0 / redundancy],
        })
    }

    /// Two rows together; `None` when the others do not determine what they should be.
    pub(crate) fn two(&self, i: usize, j: usize) -> Option<FreedRows<2>> {
        let (a, b, c) = (1.0 - self.hat(i, i), -self.hat(i, j), 1.0 - self.hat(j, j));
        let determinant = a * c - b * b;
        if a.min(c) < MIN_REDUNDANCY || determinant < MIN_REDUNDANCY * MIN_REDUNDANCY {
            return None;
        }
        let (r, s) = (self.fit.residuals[i], self.fit.residuals[j]);
        let excess = [(c * r - b * s) / determinant, (a * s - b * r) / determinant];
        let gain = r * excess[0] + s * excess[1];
        Some(FreedRows { gain, excess_sigmas: excess, cofactor: [c / determinant, a / determinant] })
    }
}
