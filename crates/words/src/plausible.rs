//! What is implausible about numbers that people or programs give: `POST /v1/calibrations`, `check` and `calibrate` say it
//! alike.

use hereabout_core::plausible::{Implausible, Slip};

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

#[cfg(test)]
mod tests;
