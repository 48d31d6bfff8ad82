//! Where circles and spheres meet. Where they miss each other, the place between them is taken.

use hereabout_core::geometry::vector::{dot, length, minus};

/// Two places of a plane at `radii_m` from `a_m` and `b_m` (which are east, north).
pub(super) fn circles(
    a_m: [f64; 2],
    radius_a_m: f64,
    b_m: [f64; 2],
    radius_b_m: f64,
) -> Option<[[f64; 2]; 2]> {
    let (dx, dy) = (b_m[0] - a_m[0], b_m[1] - a_m[1]);
    let apart = (dx * dx + dy * dy).sqrt();
    if apart.is_nan() || apart < 0.05 {
        return None;
    }
    let (ex, ey) = (dx / apart, dy / apart);
    let raw = (apart * apart + radius_a_m * radius_a_m - radius_b_m * radius_b_m) / (2.0 * apart);
    // Without a crossing: on the line through both, as near to both circles as can be.
    let along = if radius_a_m + radius_b_m < apart {
        0.5 * (radius_a_m + apart - radius_b_m)
    } else if radius_a_m > radius_b_m + apart {
        0.5 * (radius_a_m + apart + radius_b_m)
    } else if radius_b_m > radius_a_m + apart {
        -0.5 * (radius_a_m + radius_b_m - apart)
    } else {
        raw
    };
    let across = (radius_a_m * radius_a_m - along * along).max(0.0).sqrt();
    let across = if along == raw { across } else { 0.0 };
    let at = |s: f64| [a_m[0] + along * ex - s * across * ey, a_m[1] + along * ey + s * across * ex];
    Some([at(1.0), at(-1.0)])
}

/// Two places at `radii_m` from three centres.
pub(super) fn spheres(centres_m: [[f64; 3]; 3], radii_m: [f64; 3]) -> Option<[[f64; 3]; 2]> {
    let ab = minus(centres_m[1], centres_m[0]);
    let ac = minus(centres_m[2], centres_m[0]);
    let d = length(ab);
    if d.is_nan() || d < 0.05 {
        return None;
    }
    let ex = ab.map(|v| v / d);
    let i = dot(ex, ac);
    let ey: [f64; 3] = std::array::from_fn(|k| ac[k] - i * ex[k]);
    let j = length(ey);
    if j.is_nan() || j < 0.05 {
        return None;
    }
    let ey = ey.map(|v| v / j);
    let ez = [ex[1] * ey[2] - ex[2] * ey[1], ex[2] * ey[0] - ex[0] * ey[2], ex[0] * ey[1] - ex[1] * ey[0]];
    let x = (radii_m[0] * radii_m[0] - radii_m[1] * radii_m[1] + d * d) / (2.0 * d);
    let y = (radii_m[0] * radii_m[0] - radii_m[2] * radii_m[2] + i * i + j * j - 2.0 * i * x) / (2.0 * j);
    let z = (radii_m[0] * radii_m[0] - x * x - y * y).max(0.0).sqrt();
    let at = |s: f64| std::array::from_fn(|k| centres_m[0][k] + x * ex[k] + y * ey[k] + s * z * ez[k]);
    let both: [[f64; 3]; 2] = [at(1.0), at(-1.0)];
    both.iter().flatten().all(|v: &f64| v.is_finite()).then_some(both)
}
