//! Symmetric matrices of two or three rows, as six numbers: `[xx, xy, yy, xz, yz, zz]`.
//!
//! The robust steps look at hundreds of tiny systems per epoch and switch between two and three
//! unknowns at run time. In 2D only the first three numbers are used; the rest stay zero.

/// Lower triangle, row by row; two rows use the first three entries.
pub(crate) type Sym = [f64; 6];

/// Place of row `i`, column `j` (any order) in a packed lower triangle of any size.
pub(crate) const fn at(i: usize, j: usize) -> usize {
    if i >= j { i * (i + 1) / 2 + j } else { j * (j + 1) / 2 + i }
}

/// `a += w · u·uᵀ`.
pub(crate) fn add_outer(a: &mut Sym, d: usize, u: &[f64; 3], w: f64) {
    for i in 0..d {
        for j in 0..=i {
            a[at(i, j)] += w * u[i] * u[j];
        }
    }
}

/// `uᵀ·a·u`.
pub(crate) fn quad(a: &Sym, d: usize, u: &[f64; 3]) -> f64 {
    if d == 2 {
        a[0] * u[0] * u[0] + 2.0 * a[1] * u[0] * u[1] + a[2] * u[1] * u[1]
    } else {
        quad(a, 2, u) + u[2] * (2.0 * (a[3] * u[0] + a[4] * u[1]) + a[5] * u[2])
    }
}

/// `a·u`.
pub(crate) fn times(a: &Sym, d: usize, u: &[f64; 3]) -> [f64; 3] {
    if d == 2 {
        [a[0] * u[0] + a[1] * u[1], a[1] * u[0] + a[2] * u[1], 0.0]
    } else {
        [
            a[0] * u[0] + a[1] * u[1] + a[3] * u[2],
            a[1] * u[0] + a[2] * u[1] + a[4] * u[2],
            a[3] * u[0] + a[4] * u[1] + a[5] * u[2],
        ]
    }
}

/// Inverse and determinant; `None` unless clearly positive definite.
pub(crate) fn inverse(a: &Sym, d: usize) -> Option<(Sym, f64)> {
    let minor = a[0] * a[2] - a[1] * a[1];
    // Written so that NaN fails too.
    if !(a[0] > 0.0 && minor > 1e-12 * a[0] * a[2]) {
        return None;
    }
    if d == 2 {
        return Some(([a[2] / minor, -a[1] / minor, a[0] / minor, 0.0, 0.0, 0.0], minor));
    }
    let c02 = a[1] * a[4] - a[2] * a[3];
    let c12 = a[1] * a[3] - a[0] * a[4];
    let det = a[3] * c02 + a[4] * c12 + a[5] * minor;
    if det.is_nan() || det <= 1e-12 * minor * a[5] {
        return None;
    }
    let inv = [
        (a[2] * a[5] - a[4] * a[4]) / det,
        (a[3] * a[4] - a[1] * a[5]) / det,
        (a[0] * a[5] - a[3] * a[3]) / det,
        c02 / det,
        c12 / det,
        minor / det,
    ];
    Some((inv, det))
}

/// Largest eigenvalue.
pub(crate) fn largest_eigenvalue(a: &Sym, d: usize) -> f64 {
    if d == 2 {
        let half = 0.5 * (a[0] - a[2]);
        return 0.5 * (a[0] + a[2]) + (half * half + a[1] * a[1]).sqrt();
    }
    // Closed form for symmetric 3 × 3 (Smith, Comm. ACM 4(4), 1961, from memory).
    let off = a[1] * a[1] + a[3] * a[3] + a[4] * a[4];
    let q = (a[0] + a[2] + a[5]) / 3.0;
    let b = [a[0] - q, a[2] - q, a[5] - q];
    let p = ((b[0] * b[0] + b[1] * b[1] + b[2] * b[2] + 2.0 * off) / 6.0).sqrt();
    if p.is_nan() || p <= 0.0 {
        return q;
    }
    let det = b[0] * (b[1] * b[2] - a[4] * a[4]) - a[1] * (a[1] * b[2] - a[4] * a[3])
        + a[3] * (a[1] * a[4] - b[1] * a[3]);
    let r = (0.5 * det / (p * p * p)).clamp(-1.0, 1.0);
    q + 2.0 * p * (r.acos() / 3.0).cos()
}

/// As a full matrix with zero rows for what is not estimated.
pub(crate) fn full(a: &Sym, d: usize) -> [[f64; 3]; 3] {
    let mut m = [[0.0; 3]; 3];
    for (i, row) in m.iter_mut().enumerate().take(d) {
        for (j, v) in row.iter_mut().enumerate().take(d) {
            *v = a[at(i, j)];
        }
    }
    m
}

#[cfg(test)]
mod tests {
    use hereabout_core::geometry::vector::dot;

    use super::*;
    use nalgebra::Matrix3;

    #[test]
    fn three_by_three_agrees_with_nalgebra() {
        let a: Sym = [4.0, 1.0, 3.0, -0.5, 0.25, 2.0];
        let m = Matrix3::from_fn(|i, j| a[at(i, j)]);
        let (inv, det) = inverse(&a, 3).unwrap();
        let want = m.try_inverse().unwrap();
        for i in 0..3 {
            for j in 0..3 {
                assert!((inv[at(i, j)] - want[(i, j)]).abs() < 1e-14);
            }
        }
        assert!((det - m.determinant()).abs() < 1e-12);
        assert!((largest_eigenvalue(&a, 3) - m.symmetric_eigenvalues().max()).abs() < 1e-12);
        assert!(
            (quad(&a, 3, &[1.0, -2.0, 0.5]) - dot(times(&a, 3, &[1.0, -2.0, 0.5]), [1.0, -2.0, 0.5])).abs()
                < 1e-12
        );
    }

    #[test]
    fn singular_and_unreal_matrices_have_no_inverse() {
        assert!(inverse(&[1.0, 1.0, 1.0, 0.0, 0.0, 0.0], 2).is_none());
        assert!(inverse(&[f64::NAN; 6], 3).is_none());
        assert!(inverse(&[0.0; 6], 2).is_none());
        let (inv, det) = inverse(&[2.0, 0.0, 4.0, 0.0, 0.0, 0.0], 2).unwrap();
        assert_eq!((inv, det), ([0.5, 0.0, 0.25, 0.0, 0.0, 0.0], 8.0));
    }
}
