//! The pieces that sentences for people are made of: lengths, shares, factors, directions, lists.

/// Nobody measures places better than this, metres.
pub(crate) const MIN_SHIFT_M: f64 = 0.05;

/// How far and which way from a stated place: `4.21 m to the north-east and 0.30 m higher`.
pub(crate) fn direction_of([east, north, up]: [f64; 3]) -> String {
    let far = (east * east + north * north).sqrt();
    let flat = bearing_deg([east, north]).filter(|_| far >= MIN_SHIFT_M);
    let flat = flat.map(|bearing| format!("{} m to the {}", metres(far), direction(bearing)));
    let way = if up < 0.0 { "lower" } else { "higher" };
    let up = (up.abs() >= MIN_SHIFT_M).then(|| format!("{} m {way}", metres(up.abs())));
    let both: Vec<String> = flat.into_iter().chain(up).collect();
    if both.is_empty() { "somewhere else".to_owned() } else { both.join(" and ") }
}

/// Direction of a shift in degrees clockwise from north, 0 to 360; `None` for a shift of nothing.
pub fn bearing_deg([east, north]: [f64; 2]) -> Option<f64> {
    let far_enough = east.is_finite() && north.is_finite() && (east != 0.0 || north != 0.0);
    far_enough.then(|| east.atan2(north).to_degrees().rem_euclid(360.0))
}

/// The nearest of the eight directions that everybody knows.
pub(crate) fn direction(bearing_deg: f64) -> &'static str {
    const NAMES: [&str; 8] =
        ["north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"];
    let turn = bearing_deg.rem_euclid(360.0) / 45.0;
    if turn.is_finite() { NAMES[turn.round() as usize % 8] } else { "an unknown side" }
}

/// To the centimetre.
pub fn metres(m: f64) -> String {
    number(m, 2)
}

/// Metres to the millimetre.
pub(crate) fn millimetres(m: f64) -> String {
    number(m, 3)
}

/// Whole degrees.
pub(crate) fn degrees(deg: f64) -> String {
    number(deg, 0)
}

/// A share of 1 in whole per cent.
pub fn percent(share: f64) -> String {
    format!("{} %", number(share * 100.0, 0))
}

/// A factor, with the digits that it takes: `1.06`, `0.3048`, `1000`.
pub(crate) fn pieces(factor: f64) -> String {
    match factor {
        f if f.is_finite() && f.abs() < 1e6 => {
            let text = format!("{:.4}", f + 0.0);
            text.trim_end_matches('0').trim_end_matches('.').to_owned()
        }
        f => number(f, 0),
    }
}

/// What is no number is a question mark for people (and null for programs); what no kit can mean is kept short.
pub(crate) fn number(value: f64, digits: usize) -> String {
    match value {
        v if !v.is_finite() => "?".to_owned(),
        v if v.abs() < 1e6 => format!("{:.digits$}", v + 0.0),
        v => format!("{v:.1e}"),
    }
}

/// "1", "1 and 2", "1, 2 and 3"; empty for none.
pub fn list(items: &[String]) -> String {
    match items.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} and {last}", rest.join(", ")),
        _ => items.concat(),
    }
}

#[cfg(test)]
mod tests;
