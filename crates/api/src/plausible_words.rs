//! What is implausible about corrections, in words: `POST /v1/calibrations`, `check` and `calibrate` say it alike.

use hereabout_core::plausible::{Implausible, Slip};

/// What is wrong with one correction, and what was probably meant.
pub fn implausible(found: &Implausible) -> String {
    match *found {
        Implausible::Offset { value_m, limit_m, slip } => {
            format!(
                "an offset of {value_m} m is beyond what boards have (up to {limit_m} m either way){}",
                meant(value_m, slip)
            )
        }
        Implausible::OffsetError { value_m, limit_m, slip } => {
            format!(
                "{value_m} m is no standard error of an offset (0 to {limit_m} m){}",
                meant(value_m, slip)
            )
        }
        Implausible::Scale { value, limits: [low, high], slip } => {
            format!("a scale of {value} is beyond what boards have ({low} to {high}){}", meant(value, slip))
        }
    }
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
mod tests {
    use hereabout_core::{Correction, plausible::CorrectionLimits};

    use super::*;

    #[test]
    fn the_likely_slip_stands_beside_what_is_wrong() {
        let said = |offset_m, scale| {
            let c = Correction { offset_m, scale, offset_se_m: None };
            CorrectionLimits::default().judge(&c).map(|i| implausible(&i)).collect::<Vec<_>>().join(" / ")
        };
        assert_eq!(
            said(-29.3, 1.0),
            "an offset of -29.3 m is beyond what boards have (up to 0.5 m either way); perhaps written in centimetres: \
             -0.293 m then"
        );
        assert!(said(112.0, 1.0).ends_with("in millimetres: 0.112 m then"));
        assert!(said(0.1, 101.5).ends_with("(0.9 to 1.1); perhaps written in per cent: 1.015 then"));
        assert!(said(0.1, 0.015).ends_with("as the difference from 1: 1.015 then"));
        assert_eq!(said(9e9, 7.0).matches("perhaps").count(), 0, "no guess where none fits");
    }
}
