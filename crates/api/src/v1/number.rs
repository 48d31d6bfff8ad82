//! How numbers and stamps are written.

/// Metres, ratios and hertz: to 10⁻⁴. `None` for NaN and infinities, which JSON cannot say.
pub fn round_1e4(value: f64) -> Option<f64> {
    round_to(value, 1e4)
}

/// Covariances: to 10⁻⁸ m². `None` for NaN and infinities.
pub fn round_1e8(value: f64) -> Option<f64> {
    round_to(value, 1e8)
}

fn round_to(value: f64, per_unit: f64) -> Option<f64> {
    let rounded = (value * per_unit).round() / per_unit;
    // A number too large to be scaled has no digits there anyway. `+ 0.0` turns -0 into 0.
    let kept = if rounded.is_finite() { rounded } else { value };
    kept.is_finite().then_some(kept + 0.0)
}

/// All three in metres, or nothing: half a place is no place.
pub(super) fn vector(v: [f64; 3]) -> Option<[f64; 3]> {
    let [x, y, z] = v.map(round_1e4);
    Some([x?, y?, z?])
}

/// All nine in m², or nothing. A variance of the height of 0 is one that nobody knows ([`hereabout_core::Place`]).
pub(super) fn matrix(m: [[f64; 3]; 3]) -> Option<[[Option<f64>; 3]; 3]> {
    let row = |r: [f64; 3]| {
        let [a, b, c] = r.map(round_1e8);
        Some([a?, b?, c?])
    };
    let [a, b, c] = m.map(row);
    let mut known = [a?, b?, c?].map(|r| r.map(Some));
    if m[2][2] == 0.0 {
        known[2][2] = None;
    }
    Some(known)
}
