//! Linear least squares of moderate size by a pivoted QR factorisation.
//!
//! Model: y = A·x + e with uncorrelated e of equal variance (the caller divides each row by its
//! standard deviation). Columns are scaled to unit length first: calibration mixes metres with scale
//! factors. A is never squared: the normal equations lose every digit of the harder NIST reference
//! sets (Filip), the factorisation does not. Two steps of refinement take out what the factor's own
//! rounding left.
//!
//! This is not the per-frame path: matrices are of dynamic size and results may differ in the last
//! place between processors.

use nalgebra::{DMatrix, DVector};

/// Estimate, cofactors and sum of squares of a linear fit.
#[derive(Clone, Debug, PartialEq)]
pub struct LinearFit {
    /// The unknowns, one a column of the design.
    pub unknowns: DVector<f64>,
    /// (AᵀA)⁻¹: their covariance for rows of unit variance.
    pub cofactor: DMatrix<f64>,
    /// Rows minus what the unknowns explain.
    pub residuals: DVector<f64>,
    /// Sum of the squared residuals.
    pub rss: f64,
    /// Degrees of freedom: rows minus unknowns.
    pub dof: usize,
}

impl LinearFit {
    /// Standard deviation of the residuals; `None` when no row is left over.
    pub fn residual_sd(&self) -> Option<f64> {
        (self.dof > 0).then(|| (self.rss / self.dof as f64).sqrt())
    }
}

/// Why there is no fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LinearError {
    /// Fewer rows than unknowns, or no unknowns.
    TooFewRows {
        /// Rows of the design matrix (observations).
        rows: usize,
        /// Columns of the design matrix (unknowns).
        unknowns: usize,
    },
    /// Some columns say the same: only `rank` combinations are determined.
    RankDeficient {
        /// Rank of the design matrix.
        rank: usize,
        /// Columns of the design matrix (unknowns).
        unknowns: usize,
    },
    /// A NaN or an infinity among the rows (or values so large that their squares are), or a design whose
    /// row count differs from the observations.
    NotFinite,
}

/// A pivot below this share of the largest one counts as zero (columns have unit length).
const RANK_TOLERANCE: f64 = 1e-14;

/// Solves min |A·x - y|² for x.
///
/// # Errors
/// [`LinearError`]: too few rows, dependent columns, values that are not numbers.
pub fn linear_least_squares(
    design: &DMatrix<f64>,
    observed: &DVector<f64>,
) -> Result<LinearFit, LinearError> {
    let (rows, unknowns) = design.shape();
    let finite = design.iter().chain(observed.iter()).all(|v| v.is_finite());
    if !finite || observed.len() != rows {
        return Err(LinearError::NotFinite);
    }
    if rows < unknowns || unknowns == 0 {
        return Err(LinearError::TooFewRows { rows, unknowns });
    }
    let lengths: Vec<f64> = design.column_iter().map(|c| c.norm()).collect();
    if lengths.contains(&0.0) {
        let rank = lengths.iter().filter(|l| **l > 0.0).count();
        return Err(LinearError::RankDeficient { rank, unknowns });
    }
    let mut scaled = design.clone();
    for (mut column, length) in scaled.column_iter_mut().zip(&lengths) {
        column /= *length;
    }
    let factor = scaled.clone().col_piv_qr();
    let r = factor.r();
    let largest = r[(0, 0)].abs();
    let rank = (0..unknowns).take_while(|&k| r[(k, k)].abs() > RANK_TOLERANCE * largest).count();
    if rank < unknowns {
        return Err(LinearError::RankDeficient { rank, unknowns });
    }
    let deficient = LinearError::RankDeficient { rank, unknowns };
    let solve = |y: &DVector<f64>| -> Option<DVector<f64>> {
        let mut y = y.clone();
        factor.q_tr_mul(&mut y);
        let mut x = r.solve_upper_triangular(&y.rows(0, unknowns).into_owned())?;
        factor.p().inv_permute_rows(&mut x);
        Some(x)
    };
    let mut x = solve(observed).ok_or(deficient)?;
    for _ in 0..2 {
        x += solve(&(observed - &scaled * &x)).ok_or(deficient)?;
    }
    let mut half = r.solve_upper_triangular(&DMatrix::identity(unknowns, unknowns)).ok_or(deficient)?;
    factor.p().inv_permute_rows(&mut half);
    for (mut row, length) in half.row_iter_mut().zip(&lengths) {
        row /= *length;
    }
    let residuals = observed - &scaled * &x;
    for (value, length) in x.iter_mut().zip(&lengths) {
        *value /= *length;
    }
    let cofactor = &half * half.transpose();
    let rss = residuals.norm_squared();
    if !rss.is_finite() || x.iter().chain(cofactor.iter()).any(|v| !v.is_finite()) {
        return Err(LinearError::NotFinite);
    }
    Ok(LinearFit { unknowns: x, cofactor, rss, residuals, dof: rows - unknowns })
}

#[cfg(test)]
mod tests;
