//! How numbers and stamps are written.

use hereabout_core::Timestamp;

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

/// All nine in m², or nothing. A variance of the height of 0 is one that nobody knows ([`hereabout_engine::Place`]).
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

/// RFC 3339 text in UTC with exactly six digits and `Z`.
///
/// A stamp outside the years 0000 to 9999 (rubbish in a table, say) is written as the nearest end of
/// what can be written, because a message without a stamp would be worse. The last one is a day short
/// of the year's end: the calendar keeps room there for any zone.
pub fn rfc3339(at: Timestamp) -> String {
    const FIRST: i64 = -62_167_219_200_000_000; // 0000-01-01T00:00:00Z
    const LAST: i64 = 253_402_207_200_999_999; // 9999-12-30T22:00:00.999999Z
    const PRINTER: jiff::fmt::temporal::DateTimePrinter =
        jiff::fmt::temporal::DateTimePrinter::new().precision(Some(6));
    let stamp =
        jiff::Timestamp::from_microsecond(at.micros().clamp(FIRST, LAST)).unwrap_or(jiff::Timestamp::MAX);
    PRINTER.timestamp_to_string(&stamp)
}
