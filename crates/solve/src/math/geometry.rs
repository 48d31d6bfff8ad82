//! Small geometry shared by the estimators: principal axes, mirror images, coordinates.

use hereabout_core::Dimension;
use nalgebra::{SMatrix, SVector};

/// Principal axes of a symmetric matrix: `values` fall, column `k` of `axes` belongs to `values[k]`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Axes<const D: usize> {
    /// Eigenvalues, largest first.
    pub values: SVector<f64, D>,
    /// Unit eigenvectors as columns.
    pub axes: SMatrix<f64, D, D>,
}

impl<const D: usize> Axes<D> {
    /// The direction of the smallest eigenvalue.
    pub fn thin(&self) -> SVector<f64, D> {
        self.axes.column(D - 1).into_owned()
    }
}

/// Principal axes by Jacobi rotations: accurate to rounding for the two or three rows needed here, and
/// the same on every run. `None` when the matrix has a value that is not finite.
pub fn principal_axes<const D: usize>(symmetric: &SMatrix<f64, D, D>) -> Option<Axes<D>> {
    let mut a = *symmetric;
    let mut v = SMatrix::<f64, D, D>::identity();
    if !a.iter().all(|x| x.is_finite()) {
        return None;
    }
    // Convergence is quadratic: three rows need about four sweeps, and sixteen end any case.
    for _ in 0..16 {
        let mut turned = false;
        for p in 0..D {
            for q in p + 1..D {
                turned |= rotate(&mut a, &mut v, p, q);
            }
        }
        if !turned {
            break;
        }
    }
    Some(sorted(&a, &v))
}

/// One Jacobi rotation that clears element (p, q); `false` when it was clear already.
fn rotate<const D: usize>(
    a: &mut SMatrix<f64, D, D>,
    v: &mut SMatrix<f64, D, D>,
    p: usize,
    q: usize,
) -> bool {
    let off = a[(p, q)];
    if off.abs() <= f64::EPSILON * 0.25 * (a[(p, p)].abs() * a[(q, q)].abs()).sqrt() || off.abs() < 1e-300 {
        return false;
    }
    let theta = (a[(q, q)] - a[(p, p)]) / (2.0 * off);
    let t = theta.signum() / (theta.abs() + (theta * theta + 1.0).sqrt());
    if t == 0.0 || !t.is_finite() {
        return false;
    }
    let c = 1.0 / (t * t + 1.0).sqrt();
    let s = t * c;
    for k in 0..D {
        let (kp, kq) = (a[(k, p)], a[(k, q)]);
        a[(k, p)] = c * kp - s * kq;
        a[(k, q)] = s * kp + c * kq;
    }
    for k in 0..D {
        let (pk, qk) = (a[(p, k)], a[(q, k)]);
        a[(p, k)] = c * pk - s * qk;
        a[(q, k)] = s * pk + c * qk;
        let (kp, kq) = (v[(k, p)], v[(k, q)]);
        v[(k, p)] = c * kp - s * kq;
        v[(k, q)] = s * kp + c * kq;
    }
    true
}

fn sorted<const D: usize>(a: &SMatrix<f64, D, D>, v: &SMatrix<f64, D, D>) -> Axes<D> {
    let mut order: [usize; D] = std::array::from_fn(|k| k);
    order.sort_by(|&i, &j| a[(j, j)].total_cmp(&a[(i, i)]));
    let mut out: Axes<D> = Axes { values: SVector::zeros(), axes: SMatrix::zeros() };
    for (k, &i) in order.iter().enumerate() {
        out.values[k] = a[(i, i)];
        out.axes.set_column(k, &v.column(i));
    }
    out
}

/// The mirror image of `at` in the line (2D) or plane (3D) through `through` with unit normal `normal`.
pub fn reflect<const D: usize>(
    at: &SVector<f64, D>,
    through: &SVector<f64, D>,
    normal: &SVector<f64, D>,
) -> SVector<f64, D> {
    at - normal * (2.0 * normal.dot(&(at - through)))
}

/// The estimated coordinates as a site position: in 2D up is the known height.
pub fn to_site<const D: usize>(at: &SVector<f64, D>, dimension: Dimension) -> [f64; 3] {
    match dimension {
        Dimension::TwoD { tag_height_m } => [at[0], at[1], tag_height_m],
        Dimension::ThreeD => [at[0], at[1], at[D - 1]],
    }
}

/// A covariance of the estimated coordinates as three rows, zero for what is not estimated.
pub fn to_rows<const D: usize>(covariance: &SMatrix<f64, D, D>) -> [[f64; 3]; 3] {
    let mut rows = [[0.0; 3]; 3];
    for r in 0..D {
        for c in 0..D {
            rows[r][c] = covariance[(r, c)];
        }
    }
    rows
}

/// The inverse of a symmetric positive-definite matrix, exactly symmetric; `None` when it has none.
pub fn spd_inverse<const D: usize>(matrix: &SMatrix<f64, D, D>) -> Option<SMatrix<f64, D, D>> {
    let inverse = matrix.cholesky()?.inverse();
    let even = (inverse + inverse.transpose()) * 0.5;
    is_spd(&even).then_some(even)
}

/// Whether a matrix is finite, symmetric and positive definite.
pub fn is_spd<const D: usize>(matrix: &SMatrix<f64, D, D>) -> bool {
    matrix.iter().all(|v| v.is_finite()) && *matrix == matrix.transpose() && matrix.cholesky().is_some()
}
