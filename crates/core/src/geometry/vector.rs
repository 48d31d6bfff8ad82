//! Vectors of two or three components (east, north, up) as plain arrays.
//!
//! Sums go from the first component to the last, so results are the same on every machine and at every call.

/// Component-wise difference, `a` minus `b`.
pub fn minus<const N: usize>(a: [f64; N], b: [f64; N]) -> [f64; N] {
    std::array::from_fn(|i| a[i] - b[i])
}

/// Component-wise sum.
pub fn plus<const N: usize>(a: [f64; N], b: [f64; N]) -> [f64; N] {
    std::array::from_fn(|i| a[i] + b[i])
}

/// Each component times `factor`.
pub fn scaled<const N: usize>(a: [f64; N], factor: f64) -> [f64; N] {
    a.map(|v| v * factor)
}

/// Scalar product.
pub fn dot<const N: usize>(a: [f64; N], b: [f64; N]) -> f64 {
    (1..N).fold(a[0] * b[0], |sum, i| sum + a[i] * b[i])
}

/// Euclidean length, in the unit of the components.
pub fn length<const N: usize>(a: [f64; N]) -> f64 {
    dot(a, a).sqrt()
}

/// Distance between two places, metres.
pub fn distance_m<const N: usize>(a_m: [f64; N], b_m: [f64; N]) -> f64 {
    length(minus(a_m, b_m))
}

/// Vector product in space.
pub fn cross(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
}

/// Vector product in the plane: positive when `b` lies to the left of `a`.
pub fn cross_plane(a: [f64; 2], b: [f64; 2]) -> f64 {
    a[0] * b[1] - a[1] * b[0]
}

/// The same direction with length 1; `None` for what is not longer than `least`.
pub fn unit<const N: usize>(a: [f64; N], least: f64) -> Option<[f64; N]> {
    let length = length(a);
    (length > least).then(|| a.map(|v| v / length))
}
