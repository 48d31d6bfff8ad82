//! What a calibration or a proof found, in words: what is wrong, and what to do.

use hereabout_api::plausible_words;
use hereabout_core::plausible::Slip;
use hereabout_core::{AnchorId, Site};
use hereabout_engine::commission::{BoardVerdict, Calibration, MOST_RANGES, Spot};
use hereabout_solve::adjust::{AdjustRefusal, Explanation, Misfit, ScaleVerdict, Suspect};
use hereabout_solve::bump::BumpVerdict;
use hereabout_solve::stand::StandRefusal;

use crate::place_checks;

/// Why a stand of one board is not taken, and what to do.
pub(crate) fn refusal(r: &StandRefusal) -> (String, &'static str) {
    match r {
        StandRefusal::TooFewRanges { have: 0, .. } => {
            ("it was not heard".into(), "check its power and its place; `hereabout listen` shows who answers")
        }
        StandRefusal::TooFewRanges { have, need } => (
            format!("{have} ranges are too few, {need} are needed"),
            "stand longer: 25 s at ten a second do, a minute is better",
        ),
        StandRefusal::TooManyLate { share, limit } => (
            format!("{:.0} % of its ranges are late (at most {:.0} %)", share * 100.0, limit * 100.0),
            "something stands in between: free the line of sight, or put the tag elsewhere",
        ),
        StandRefusal::TooNoisy { sigma_m, limit_m } => (
            format!("its ranges scatter by {sigma_m:.2} m (at most {limit_m:.2} m)"),
            "move tag or board away from metal and walls; if the kit is like that, raise range_sigma_m",
        ),
        StandRefusal::Stepped { by_m, limit_m, .. } => (
            format!("its level stepped by {by_m:+.2} m within the stand (at most {limit_m:.2} m)"),
            "the tag was moved or somebody stood in between: let it stand alone and measure again",
        ),
        StandRefusal::TooUncertain { se_m, limit_m } => (
            format!("its level is known to ± {:.1} cm only (at most {:.1} cm)", se_m * 1e2, limit_m * 1e2),
            "stand longer: two minutes or more where the noise is slow",
        ),
    }
}

/// What the boards of a stand say together about the tag; `None` when it stood still.
pub(crate) fn bump(verdict: &BumpVerdict, site: &Site) -> Option<(String, &'static str)> {
    match verdict {
        BumpVerdict::Still | BumpVerdict::TooFewBoards => None,
        BumpVerdict::Moved { shift_m: [e, n, u], .. } => Some((
            format!(
                "the tag was moved while it should have stood, by {e:+.2} m east, {n:+.2} m north, {u:+.2} m up: the place is left out"
            ),
            "fasten the tag and measure this place again",
        )),
        BumpVerdict::OneBoard { anchor, change_m, .. } => Some((
            format!(
                "anchor {} alone changed by {change_m:+.2} m: it is left out at this place",
                id(site, *anchor)
            ),
            "somebody stood in its line of sight, as a rule",
        )),
        BumpVerdict::Unclear => Some((
            "the ranges changed while the tag stood, and neither a moved tag nor one board explains it"
                .into(),
            "people walked about, as a rule: measure this place again when it is quiet",
        )),
    }
}

/// What became of a board, in one or two words for the table.
pub(crate) fn verdict(v: BoardVerdict) -> &'static str {
    match v {
        BoardVerdict::Good => "taken",
        BoardVerdict::Odd => "taken, odd",
        BoardVerdict::WrongPlace => "place wrong?",
        BoardVerdict::Implausible => "implausible",
        BoardVerdict::HeldBack => "held back",
        BoardVerdict::Refused => "refused",
        BoardVerdict::Silent => "not heard",
    }
}

/// What is implausible, board by board, and which slip of a place or distance explains it; empty when nothing is.
pub(crate) fn implausible(found: &Calibration, site: &Site, spots: &[Spot]) -> Vec<(String, String)> {
    let mut notes = Vec::new();
    for b in found.boards.iter().filter(|b| b.verdict == BoardVerdict::Implausible) {
        // The slip of a number that was computed is none: it is in the place that it was computed from.
        let judged = b.found.map(|f| site.correction_limits().judge(&f.correction())).into_iter().flatten();
        notes.extend(judged.map(|i| {
            let words = plausible_words::implausible(&i.without_slip());
            let todo = "measure the places and the anchor's own again; a board that really reads so: [site] max_offset_m";
            (format!("anchor {} ({}): {words}", b.anchor, named(site, b.anchor)), todo.to_owned())
        }));
    }
    for d in &found.doubted_places {
        let name = spots.get(d.spot).map_or("a place", |s| s.name.as_str());
        let what = format!("{name}: the ranges don't fit this place");
        let todo = d.meant.map_or("check its coordinates: metres, east first".to_owned(), |(slip, at_m)| {
            place_checks::meant_words(slip, at_m)
        });
        notes.push((what, todo));
    }
    if let Some((slip, distance_m)) = found.meant_distance {
        let unit = if slip == Slip::Centimetres { "centimetres" } else { "millimetres" };
        let what = "the range does not fit this distance".to_owned();
        notes.push((what, format!("perhaps written in {unit}: {distance_m:.3} m would fit")));
    }
    notes
}

/// Ranges that found no room, when there were some.
pub(crate) fn left_out(ranges: usize) -> Option<(String, String)> {
    let what = format!("{ranges} further ranges found no room: one sitting takes {MOST_RANGES}");
    (ranges > 0).then(|| {
        (what, "what is told rests on the first ones; stand for less time, or give parts".to_owned())
    })
}

fn named(site: &Site, id: AnchorId) -> &str {
    site.anchors().iter().find(|a| a.id == id).map_or("", |a| a.name.as_str())
}

/// Why there is no adjustment.
pub(crate) fn adjust_refusal(r: &AdjustRefusal, spots: &[Spot]) -> (String, String) {
    match r {
        AdjustRefusal::NothingMeasured => {
            ("no stand could be taken".into(), "see the reasons at each place".into())
        }
        AdjustRefusal::BadInput { stand } => {
            let name = spots.get(*stand).map_or("a place", |s| s.name.as_str());
            (
                format!("{name} is farther off than any radio reaches"),
                "check its coordinates: metres, east first".into(),
            )
        }
        AdjustRefusal::ScaleNotSupported { spread_m, need_m, stands, need_stands } => (
            format!(
                "a scale can't be told from these places: the distances to one anchor spread by {spread_m:.1} m over {stands} places"
            ),
            format!(
                "put the tag at {need_stands} places or more whose distances to an anchor differ by {need_m:.0} m or more, or leave --scale out"
            ),
        ),
        AdjustRefusal::Undetermined(_) => {
            ("the places do not determine the offsets".into(), "add places, away from each other".into())
        }
    }
}

/// What was decided about the scale; `None` when there is nothing to say.
pub(crate) fn scale(v: &ScaleVerdict) -> Option<String> {
    match v {
        ScaleVerdict::NotAsked | ScaleVerdict::NotSupported | ScaleVerdict::NotProven { .. } => None,
        ScaleVerdict::TooSmall { scale } => Some(format!(
            "a common scale of {scale:.3} would fit, but rooms imitate as much: not used (--scale takes it)"
        )),
        ScaleVerdict::Common { chance } => {
            Some(format!("one scale for all boards is used (chance of that by accident: {})", small(*chance)))
        }
        ScaleVerdict::Each { chance } => Some(format!(
            "each board has a scale of its own (chance of that by accident: {})",
            small(*chance)
        )),
    }
}

fn small(chance: f64) -> String {
    if chance < 1e-4 { "below 1 in 10 000".into() } else { format!("{:.2} %", chance * 100.0) }
}

/// One explanation: what is wrong, by how much, and what to do.
pub(crate) fn explanation(e: &Explanation, site: &Site, spots: &[Spot]) -> (String, String) {
    let [x, y, z] = e.shift_m;
    let shift = if z.abs() >= 0.005 {
        format!("{x:+.2} m east, {y:+.2} m north, {z:+.2} m up")
    } else {
        format!("{x:+.2} m east, {y:+.2} m north")
    };
    match e.suspect {
        Suspect::StandPlace(k) => {
            let name = spots.get(k).map_or("a place", |s| s.name.as_str());
            (
                format!("the tag did not stand at {name} as stated, but {shift} of it"),
                "measure that place again, with a second tape line as a check".into(),
            )
        }
        Suspect::AnchorPlace(i) | Suspect::AnchorPlaceAndOffset(i) => (
            format!(
                "anchor {} ({}) is not where the site file says, but {shift} of it",
                id(site, i),
                name(site, i)
            ),
            "measure its antenna's place again and correct at_m; its offset is not to be trusted before"
                .into(),
        ),
        Suspect::AnchorOffset(i) => (
            format!(
                "anchor {} ({}) reads {:+.2} m longer than its offset says",
                id(site, i),
                name(site, i),
                e.offset_m
            ),
            "calibrate it again; it may have been swapped, or stand behind something".into(),
        ),
        Suspect::AllOffsets => (
            format!("all boards read {:+.2} m longer than their offsets say", e.offset_m),
            "another tag than at the calibration, as a rule: calibrate with the tag that is used".into(),
        ),
        Suspect::AllScales => (
            format!("all boards read {:+.1} % longer than stated", e.scale_change * 100.0),
            "calibrate with --scale, at places of different distance".into(),
        ),
    }
}

/// What the residuals say together, line by line; empty when nothing stands out.
pub(crate) fn misfit(m: &Misfit, site: &Site, spots: &[Spot]) -> Vec<(String, String)> {
    match m {
        Misfit::None => Vec::new(),
        Misfit::Named(e) => vec![explanation(e, site, spots)],
        Misfit::Undecided(list) => {
            let many = "something is wrong, and these explain it about equally well; more places decide";
            let head = (many.to_owned(), String::new());
            let each = list.iter().take(4).map(|e| {
                let (what, todo) = explanation(e, site, spots);
                (format!("perhaps: {what}"), todo)
            });
            std::iter::once(head).chain(each).collect()
        }
    }
}

/// What an accuracy of so few places is worth.
pub(crate) fn places_caution(places: usize) -> Option<&'static str> {
    match places {
        0 => None,
        1 => Some(
            "one place: offsets change with heading and room by 5 to 9 cm; five places or more bring 3 to 4, more seconds don't",
        ),
        2..=4 => Some("fewer than five places can't tell a wrong coordinate from an offset; add some"),
        _ => None,
    }
}

fn id(site: &Site, index: usize) -> AnchorId {
    site.anchors().get(index).map_or(AnchorId(0), |a| a.id)
}

fn name(site: &Site, index: usize) -> &str {
    site.anchors().get(index).map_or("", |a| a.name.as_str())
}
