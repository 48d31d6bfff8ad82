//! Where circles and spheres meet. Where they miss each other, the place between them is taken.

use crate::math::small_matrix::{dot, length, minus};

/// Two places of a plane at `r` from `a` and `b` (which are east, north).
pub(super) fn circles(a: [f64; 2], ra: f64, b: [f64; 2], rb: f64) -> Option<[[f64; 2]; 2]> {
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let apart = (dx * dx + dy * dy).sqrt();
    if apart.is_nan() || apart < 0.05 {
        return None;
    }
    let (ex, ey) = (dx / apart, dy / apart);
    let raw = (apart * apart + ra * ra - rb * rb) / (2.0 * apart);
    // Without a crossing: on the line through both, as near to both circles as can be.
    let along = if ra + rb < apart {
        0.5 * (ra + apart - rb)
    } else if ra > rb + apart {
        0.5 * (ra + apart + rb)
    } else if rb > ra + apart {
        -0.5 * (ra + rb - apart)
    } else {
        raw
    };
    let across = (ra * ra - along * along).max(0.0).sqrt();
    let across = if along == raw { across } else { 0.0 };
    let at = |s: f64| [a[0] + along * ex - s * across * ey, a[1] + along * ey + s * across * ex];
    Some([at(1.0), at(-1.0)])
}

/// Two places at `r` from three centres.
pub(super) fn spheres(c: [[f64; 3]; 3], r: [f64; 3]) -> Option<[[f64; 3]; 2]> {
    let ab = minus(&c[1], &c[0]);
    let ac = minus(&c[2], &c[0]);
    let d = length(&ab);
    if d.is_nan() || d < 0.05 {
        return None;
    }
    let ex = ab.map(|v| v / d);
    let i = dot(&ex, &ac);
    let ey: [f64; 3] = std::array::from_fn(|k| ac[k] - i * ex[k]);
    let j = length(&ey);
    if j.is_nan() || j < 0.05 {
        return None;
    }
    let ey = ey.map(|v| v / j);
    let ez = [ex[1] * ey[2] - ex[2] * ey[1], ex[2] * ey[0] - ex[0] * ey[2], ex[0] * ey[1] - ex[1] * ey[0]];
    let x = (r[0] * r[0] - r[1] * r[1] + d * d) / (2.0 * d);
    let y = (r[0] * r[0] - r[2] * r[2] + i * i + j * j - 2.0 * i * x) / (2.0 * j);
    let z = (r[0] * r[0] - x * x - y * y).max(0.0).sqrt();
    let at = |s: f64| std::array::from_fn(|k| c[0][k] + x * ex[k] + y * ey[k] + s * z * ez[k]);
    let both: [[f64; 3]; 2] = [at(1.0), at(-1.0)];
    both.iter().flatten().all(|v: &f64| v.is_finite()).then_some(both)
}
