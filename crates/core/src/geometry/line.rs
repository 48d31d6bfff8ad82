//! Lines and planes through places.

use super::vector::{cross, distance_m, dot, length, minus, unit};

/// Shorter than this is no direction (metres, or square metres of a triangle).
const MIN_LENGTH: f64 = 1e-9;

/// The line (point, unit direction) through the two farthest places, when all lie within `within_m` of it. `None` too when all are at one place.
pub fn common_line(places: &[[f64; 3]], within_m: f64) -> Option<([f64; 3], [f64; 3])> {
    let mut best = (0.0, [0.0; 3], [0.0; 3]);
    for (i, a) in places.iter().enumerate() {
        for b in &places[i + 1..] {
            let d = distance_m(*a, *b);
            if d > best.0 {
                best = (d, *a, *b);
            }
        }
    }
    let along = unit(minus(best.2, best.1), MIN_LENGTH)?;
    let off = |p: &[f64; 3]| {
        let c = cross(minus(*p, best.1), along);
        length(c)
    };
    places.iter().all(|p| off(p) <= within_m).then_some((best.1, along))
}

/// The plane (point, unit normal) of the three places that span the largest triangle, when all lie
/// within `within_m` of it. `None` too when all are on one line.
pub fn common_plane(places: &[[f64; 3]], within_m: f64) -> Option<([f64; 3], [f64; 3])> {
    let mut best = (0.0, [0.0; 3], [0.0; 3]);
    for (i, a) in places.iter().enumerate() {
        for (j, b) in places.iter().enumerate().skip(i + 1) {
            for c in &places[j + 1..] {
                let n = cross(minus(*b, *a), minus(*c, *a));
                let size = dot(n, n);
                if size > best.0 {
                    best = (size, *a, n);
                }
            }
        }
    }
    let normal = unit(best.2, MIN_LENGTH)?;
    places.iter().all(|p| dot(minus(*p, best.1), normal).abs() <= within_m).then_some((best.1, normal))
}
