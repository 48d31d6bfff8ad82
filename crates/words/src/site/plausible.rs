//! What is implausible about numbers that people or programs give: `POST /v1/calibrations`, `check` and `calibrate` say it
//! alike.

use hereabout_core::plausible::{AREA_SLACK_M, Implausible, PlaceDoubt, Slip};

use crate::said::{Said, Topic};

/// What is wrong with one correction, and what was probably meant.
pub fn correction(found: &Implausible) -> Said {
    let (code, words) = match *found {
        Implausible::Offset { value_m, limit_m, slip } => {
            let words = format!(
                "an offset of {value_m} m is beyond what boards have (up to {limit_m} m either way){}",
                meant(value_m, slip)
            );
            ("implausible_offset", words)
        }
        Implausible::OffsetError { value_m, limit_m, slip } => {
            let words = format!(
                "{value_m} m is no standard error of an offset (0 to {limit_m} m){}",
                meant(value_m, slip)
            );
            ("implausible_offset_error", words)
        }
        Implausible::Scale { value, limits: [low, high], slip } => {
            let words = format!(
                "a scale of {value} is beyond what boards have ({low} to {high}){}",
                meant(value, slip)
            );
            ("implausible_scale", words)
        }
    };
    Said::new(Topic::Plausibility, code, words, "")
}

fn meant(value: f64, slip: Option<Slip>) -> String {
    let (unit, meant) = match slip {
        Some(Slip::Centimetres) => ("in centimetres", format!("{} m", shortest(value / 1e2))),
        Some(Slip::Millimetres) => ("in millimetres", format!("{} m", shortest(value / 1e3))),
        Some(Slip::Percent) => ("in per cent", shortest(value / 1e2)),
        Some(Slip::ScaleChange) => ("as the difference from 1", shortest(1.0 + value)),
        _ => return String::new(),
    };
    format!("; perhaps written {unit}: {meant} then")
}

/// Without the digits that dividing leaves behind.
fn shortest(value: f64) -> String {
    ((value * 1e9).round() / 1e9).to_string()
}

/// Why a tag can't have stood at a place, and which slip makes it a likely one.
pub fn place(doubt: &PlaceDoubt, likely: Option<(Slip, [f64; 3])>) -> Said {
    let (code, words) = match *doubt {
        PlaceDoubt::NotFinite => ("not_a_place", "not a place".to_owned()),
        PlaceDoubt::BeyondReach { nearest, distance_m, limit_m } => (
            "place_beyond_reach",
            format!(
                "the nearest anchor ({nearest}) is {distance_m:.0} m away, and no range is longer than {limit_m} m here"
            ),
        ),
        PlaceDoubt::OutsideArea { by_m } => (
            "place_outside_area",
            format!(
                "{by_m:.1} m outside of [site] area_m, where the tag can be (up to {AREA_SLACK_M} m is taken); correct the \
                 place or the area"
            ),
        ),
        PlaceDoubt::Height { up_m, limits_m: [low, high] } => (
            "implausible_height",
            format!("{up_m} m up is no height of a tag here ({low:.1} to {high:.1} m)"),
        ),
    };
    let advice = likely.map_or(String::new(), |(slip, at_m)| likely_place(slip, at_m));
    Said::new(Topic::Plausibility, code, words, advice)
}

/// A height that can be, and contradicts the one that the site states for its tags, metres.
pub fn other_height(up_m: f64, stated_m: f64) -> Said {
    Said::new(
        Topic::Plausibility,
        "other_height",
        format!("{up_m} m up, but the site says tag_height_m = {stated_m}"),
        "leave the height out, or correct tag_height_m in the site file",
    )
}

/// Which place was probably meant.
pub(crate) fn likely_place(slip: Slip, [e, n, u]: [f64; 3]) -> String {
    let how = match slip {
        Slip::Centimetres => "written in centimetres",
        Slip::Millimetres => "written in millimetres",
        Slip::SwappedAxes => "east and north swapped (east comes first)",
        Slip::EastSign => "east with the wrong sign",
        Slip::NorthSign => "north with the wrong sign",
        Slip::BothSigns => "east and north with the wrong sign",
        Slip::Percent | Slip::ScaleChange => "another unit",
    };
    format!("perhaps {how}: {e:.2} east, {n:.2} north, {u:.2} up would fit")
}

#[cfg(test)]
mod tests;
