//! What a proof at known checkpoints found, beside its numbers.

use hereabout_commission::survey::MAX_RANGES;
use hereabout_solve::verify::{HonestyVerdict, Verdict};

use super::note;
use crate::said::Said;

/// A checkpoint that is a place of the calibration.
pub fn reused_place(spot: &str, place: &str) -> Said {
    let what = format!("{spot} was used for the calibration ({place}): it proves little");
    note("calibration_place", what, "take checkpoints half a metre or more away from those places")
        .at_spot(Some(spot))
}

/// A checkpoint without a position.
pub fn no_position(spot: &str, reports: usize) -> Said {
    let what = format!("{spot}: no position in {reports} reports");
    note("no_position", what, "look at the anchors there with `hereabout listen`").at_spot(Some(spot))
}

/// Positions that found no room.
pub fn left_out_positions(spot: &str, left_out: usize) -> Said {
    let what =
        format!("{spot}: {left_out} further positions found no room: one proof takes {MAX_RANGES} in all");
    note("positions_left_out", what, "it rests on the first ones; stand for less time, or prove in parts")
        .at_spot(Some(spot))
}

/// Whether the ellipses that were reported hold as many positions as they should, as the end of a sentence.
pub fn honesty(verdict: HonestyVerdict) -> Said {
    let (code, words) = match verdict {
        HonestyVerdict::Honest => ("honest", "as they should"),
        HonestyVerdict::TooSure => ("too_sure", "too seldom: the claimed errors are too small"),
        HonestyVerdict::TooShy => ("too_shy", "with room to spare: the claimed errors are too large"),
    };
    note(code, words, "")
}

/// Pass or fail, in one line; `required_ce95_m` is what is asked for, metres.
pub fn verdict(verdict: Verdict, required_ce95_m: Option<f64>) -> Said {
    let required = required_ce95_m.map_or(String::new(), |r| format!("{r} m"));
    let (code, words) = match verdict {
        Verdict::NotAsked => (
            "not_asked",
            "no accuracy is required: [site] required_ce95_m = 0.30 would make this pass or fail".to_owned(),
        ),
        Verdict::PassedSurely => (
            "passed_surely",
            format!("passed: CE95 is within the required {required}, and so is its interval"),
        ),
        Verdict::Passed => (
            "passed",
            format!(
                "passed: CE95 is within the required {required}; with so few checkpoints it may be larger in truth"
            ),
        ),
        Verdict::Failed => ("failed", format!("failed: CE95 is not within the required {required}")),
    };
    note(code, words, "")
}
