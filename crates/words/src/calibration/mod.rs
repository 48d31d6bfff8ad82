//! What a calibration or a proof found: refusals, odd boards, places and paths, with what to do.
//!
//! A note has up to four facts beside its code: `anchor` (an id) and `spot` (a name) say what it is about, `excess_m` and
//! `excess_se_m` how much too long a range is.

mod checkpoint;

use hereabout_commission::calibration::{BoardVerdict, Calibration};
use hereabout_commission::survey::{MAX_RANGES, Spot};
use hereabout_core::plausible::Slip;
use hereabout_core::{AnchorId, Site};
use hereabout_solve::calibrate::adjust::{
    AdjustRefusal, BlockedPath, BoardOffset, Explanation, FaultCandidate, FaultIsolation, ScaleVerdict,
};
use hereabout_solve::calibrate::displacement::DisplacementVerdict;
use hereabout_solve::calibrate::occupation::OccupationRefusal;

use crate::said::{Fact, Said, Topic};
use crate::site::plausible;

pub use checkpoint::{honesty, left_out_positions, no_position, reused_place, verdict as accuracy};

fn note(code: &'static str, words: impl Into<String>, advice: impl Into<String>) -> Said {
    Said::new(Topic::Calibration, code, words, advice)
}

impl Said {
    /// The same about an anchor.
    fn about_anchor(self, anchor: AnchorId) -> Said {
        self.with("anchor", Some(Fact::Whole(anchor.0.into())))
    }

    /// The same about a spot; the last one that is given counts, and `None` leaves it as it is.
    pub fn at_spot(mut self, spot: Option<&str>) -> Said {
        if spot.is_some() {
            self.facts.retain(|(name, _)| *name != "spot");
        }
        self.with("spot", spot.map(|spot| Fact::Text(spot.to_owned())))
    }

    /// The same with how much too long a range is, and the standard error where there is one, metres.
    fn too_long_by(self, excess_m: f64, excess_se_m: Option<f64>) -> Said {
        self.with("excess_m", Some(Fact::Number(excess_m))).with("excess_se_m", excess_se_m.map(Fact::Number))
    }

    /// The same with something before the words.
    pub fn after(self, before: &str) -> Said {
        Said { words: format!("{before}{}", self.words), ..self }
    }
}

/// Why a stand of one board is not taken; `at` stands before it, and `anchor` is the board's.
pub fn refusal(refused: &OccupationRefusal, at: &str, anchor: AnchorId) -> Said {
    let (code, why, advice) = match refused {
        OccupationRefusal::TooFewRanges { have: 0, .. } => (
            "not_heard",
            "it was not heard".to_owned(),
            "check its power and its place; `hereabout listen` shows who answers",
        ),
        OccupationRefusal::TooFewRanges { have, need } => (
            "too_few_ranges",
            format!("{have} ranges are too few, {need} are needed"),
            "stand longer: 25 s at ten a second do, a minute is better",
        ),
        OccupationRefusal::TooManyNlos { share, limit_share: limit } => (
            "too_many_late",
            format!(
                "{:.0} % of its ranges are blocked or reflected (at most {:.0} %)",
                share * 100.0,
                limit * 100.0
            ),
            "something stands in between: free the line of sight, or put the tag elsewhere",
        ),
        OccupationRefusal::TooNoisy { sigma_m, limit_m } => (
            "too_noisy",
            format!("its ranges scatter by {sigma_m:.2} m (at most {limit_m:.2} m)"),
            "move tag or board away from metal and walls; if the kit is like that, raise range_sigma_m",
        ),
        OccupationRefusal::Stepped { by_m, limit_m, .. } => (
            "stepped",
            format!("its level stepped by {by_m:+.2} m within the stand (at most {limit_m:.2} m)"),
            "the tag was moved or somebody stood in between: let it stand alone and measure again",
        ),
        OccupationRefusal::TooUncertain { se_m, limit_m } => (
            "too_uncertain",
            format!("its level is known to ± {:.1} cm only (at most {:.1} cm)", se_m * 1e2, limit_m * 1e2),
            "stand longer: two minutes or more where the noise is slow",
        ),
    };
    let said = note(code, format!("{at}anchor {anchor} is refused: {why}"), advice).about_anchor(anchor);
    // Whoever was not heard is looked at, the others are measured again.
    if code == "not_heard" { said.sending() } else { said }
}

/// What the boards of a stand say together about the tag; `None` when it stood still.
pub fn displacement(verdict: &DisplacementVerdict, site: &Site) -> Option<Said> {
    match verdict {
        DisplacementVerdict::Still | DisplacementVerdict::TooFewBoards => None,
        DisplacementVerdict::Moved { shift_m: [e, n, u], .. } => Some(note(
            "tag_moved",
            format!(
                "the tag was moved while it should have stood, by {e:+.2} m east, {n:+.2} m north, {u:+.2} m up: the place is left out"
            ),
            "fasten the tag and measure this place again",
        )),
        DisplacementVerdict::OneBoard { anchor, change_m, .. } => {
            let id = id(site, *anchor);
            let what = format!("anchor {id} alone changed by {change_m:+.2} m: it is left out at this place");
            let todo = "somebody stood in its line of sight, as a rule";
            Some(note("one_board_changed", what, todo).about_anchor(id))
        }
        DisplacementVerdict::Unclear => Some(note(
            "unclear_change",
            "the ranges changed while the tag stood, and neither a moved tag nor one board explains it",
            "people walked about, as a rule: measure this place again when it is quiet",
        )),
    }
}

/// A level that was left out because no direct path is behind it; `board` is what its anchor's others say.
pub fn blocked(path: &BlockedPath, board: Option<&BoardOffset>, site: &Site, spots: &[Spot]) -> Said {
    let (id, spot) = (id(site, path.anchor), spot_name(spots, path.occupation));
    let others = board.map_or(0, |b| b.occupations);
    let what = format!(
        "{} has no direct path to {spot}: it reads {:.2} m (± {:.2}) longer there than its {others} other places say; it is left out there",
        full_name(site, path.anchor),
        path.excess_m,
        path.excess_se_m,
    );
    let todo = "see what stands in between; a tag that works there is seen too far away by this anchor";
    note("no_direct_path", what, todo)
        .about_anchor(id)
        .at_spot(Some(spot))
        .too_long_by(path.excess_m, Some(path.excess_se_m))
}

/// What became of a board, in one or two words for the table.
pub fn verdict(verdict: BoardVerdict) -> Said {
    let (code, words) = match verdict {
        BoardVerdict::Good => ("taken", "taken"),
        BoardVerdict::Odd => ("taken_odd", "taken, odd"),
        BoardVerdict::WrongPlace => ("place_wrong", "place wrong?"),
        BoardVerdict::Implausible => ("implausible", "implausible"),
        BoardVerdict::HeldBack => ("held_back", "held back"),
        BoardVerdict::InDoubt => ("in_doubt", "in doubt"),
        BoardVerdict::Refused => ("refused", "refused"),
        BoardVerdict::Silent => ("not_heard", "not heard"),
    };
    note(code, words, "")
}

/// A board whose offset is larger than boards' are, and taken all the same.
pub fn odd_offset(anchor: AnchorId) -> Said {
    let what = format!("anchor {anchor}: an offset beyond half a metre is a wrong coordinate, as a rule");
    note("odd_offset", what, "measure the anchor's place and the tag's again").about_anchor(anchor).sending()
}

/// A board whose stands are short for the pace of its noise.
pub fn slow_noise(anchor: AnchorId) -> Said {
    let what = format!("anchor {anchor}: its noise is slow and the stands short: its error is a rough guess");
    note("slow_noise", what, "two to four minutes are better").about_anchor(anchor)
}

/// What is implausible, board by board, and which slip of a place or distance explains it; empty when nothing is.
pub fn implausible(found: &Calibration, site: &Site, spots: &[Spot]) -> Vec<Said> {
    let mut notes = Vec::new();
    for b in found.boards.iter().filter(|b| b.verdict == BoardVerdict::Implausible) {
        // The slip of a number that was computed is none: it is in the place that it was computed from.
        let judged = b.found.map(|f| site.correction_limits().judge(&f.correction())).into_iter().flatten();
        notes.extend(judged.map(|i| {
            let words = plausible::correction(&i.without_slip()).words;
            let todo = "measure the places and the anchor's own again; a board that really reads so: [site] max_offset_m";
            let what = format!("anchor {} ({}): {words}", b.anchor, named(site, b.anchor));
            note("implausible", what, todo).about_anchor(b.anchor).sending()
        }));
    }
    for d in &found.doubted_places {
        let name = spots.get(d.spot).map_or("a place", |s| s.name.as_str());
        let what = format!("{name}: the ranges don't fit this place");
        let todo = d.meant.map_or("check its coordinates: metres, east first".to_owned(), |(slip, at_m)| {
            plausible::likely_place(slip, at_m)
        });
        notes.push(note("spot_does_not_fit", what, todo).at_spot(spots.get(d.spot).map(|s| s.name.as_str())));
    }
    if let Some((slip, distance_m)) = found.meant_distance {
        let unit = if slip == Slip::Centimetres { "centimetres" } else { "millimetres" };
        let what = "the range does not fit this distance".to_owned();
        let todo = format!("perhaps written in {unit}: {distance_m:.3} m would fit");
        notes.push(note("distance_does_not_fit", what, todo));
    }
    notes
}

/// Ranges that found no room, when there were some.
pub fn left_out(ranges: usize) -> Option<Said> {
    let what = format!("{ranges} further ranges found no room: one sitting takes {MAX_RANGES}");
    let todo = "what is told rests on the first ones; stand for less time, or give parts";
    (ranges > 0).then(|| note("ranges_left_out", what, todo))
}

fn named(site: &Site, id: AnchorId) -> &str {
    site.anchors().iter().find(|a| a.id == id).map_or("", |a| a.name.as_str())
}

/// Why there is no adjustment.
pub fn adjust_refusal(r: &AdjustRefusal, spots: &[Spot]) -> Said {
    match r {
        AdjustRefusal::NothingMeasured => {
            note("nothing_measured", "no stand could be taken", "see the reasons at each place")
        }
        AdjustRefusal::BadInput { occupation: stand } => {
            let name = spot_name(spots, *stand);
            note(
                "spot_too_far",
                format!("{name} is farther off than any radio reaches"),
                "check its coordinates: metres, east first",
            )
            .at_spot(Some(name))
        }
        AdjustRefusal::ScaleNotSupported {
            spread_m,
            need_m,
            occupations: stands,
            need_occupations: need_stands,
        } => note(
            "scale_not_supported",
            format!(
                "a scale can't be told from these places: the distances to one anchor spread by {spread_m:.1} m over {stands} places"
            ),
            format!(
                "put the tag at {need_stands} places or more whose distances to an anchor differ by {need_m:.0} m or more, or leave --scale out"
            ),
        ),
        AdjustRefusal::Undetermined(_) => note(
            "undetermined",
            "the places do not determine the offsets",
            "add places, away from each other",
        ),
    }
}

/// What was decided about the scale; `None` when there is nothing to say.
pub fn scale(v: &ScaleVerdict) -> Option<Said> {
    let (code, what) = match v {
        ScaleVerdict::NotAsked | ScaleVerdict::NotSupported | ScaleVerdict::NotProven { .. } => return None,
        ScaleVerdict::TooSmall { scale } => (
            "scale_too_small",
            format!(
                "a common scale of {scale:.3} would fit, but rooms imitate as much: not used (--scale takes it)"
            ),
        ),
        ScaleVerdict::Common { chance_probability: chance } => (
            "scale_common",
            format!("one scale for all boards is used (chance of that by accident: {})", small(*chance)),
        ),
        ScaleVerdict::Each { chance_probability: chance } => (
            "scale_each",
            format!("each board has a scale of its own (chance of that by accident: {})", small(*chance)),
        ),
    };
    Some(note(code, what, ""))
}

fn small(chance: f64) -> String {
    if chance < 1e-4 { "below 1 in 10 000".into() } else { format!("{:.2} %", chance * 100.0) }
}

/// One explanation: what is wrong, by how much, and what to do.
fn explanation(e: &Explanation, site: &Site, spots: &[Spot]) -> Said {
    match e.candidate {
        FaultCandidate::OccupationPlace(k) => {
            let spot = spot_name(spots, k);
            note(
                "wrong_spot",
                format!("the tag did not stand at {spot} as stated, but {} of it", shift(e.shift_m)),
                "measure that place again, with a second tape line as a check",
            )
            .at_spot(Some(spot))
        }
        FaultCandidate::AnchorPlace(i) | FaultCandidate::AnchorPlaceAndOffset(i) => note(
            "wrong_anchor_place",
            format!("{} is not where the site file says, but {} of it", full_name(site, i), shift(e.shift_m)),
            "measure its antenna's place again and correct at_m; its offset is not to be trusted before",
        )
        .about_anchor(id(site, i))
        .sending(),
        FaultCandidate::AnchorOffset(i) => note(
            "wrong_offset",
            format!("{} reads {:+.2} m longer than its offset says", full_name(site, i), e.offset_m),
            "calibrate it again; it may have been swapped, or stand behind something",
        )
        .about_anchor(id(site, i))
        .sending(),
        FaultCandidate::AllOffsets => note(
            "all_offsets",
            format!("all boards read {:+.2} m longer than their offsets say", e.offset_m),
            "another tag than at the calibration, as a rule: calibrate with the tag that is used",
        ),
        FaultCandidate::AllScales => note(
            "all_scales",
            format!("all boards read {:+.1} % longer than stated", e.scale_change * 100.0),
            "calibrate with --scale, at places of different distance",
        ),
        FaultCandidate::Path { occupation: stand, anchor } => {
            let (spot, name) = (spot_name(spots, stand), full_name(site, anchor));
            note(
                "no_direct_path",
                format!("{name} has no direct path to {spot} and reads {:.2} m too long there", e.offset_m),
                "see what stands in between, and measure that place again with a free line of sight",
            )
            .about_anchor(id(site, anchor))
            .at_spot(Some(spot))
            .too_long_by(e.offset_m, None)
        }
    }
}

/// `+0.30 m east, -0.10 m north`, and up where that differs.
fn shift([e, n, u]: [f64; 3]) -> String {
    let flat = format!("{e:+.2} m east, {n:+.2} m north");
    if u.abs() >= 0.005 { format!("{flat}, {u:+.2} m up") } else { flat }
}

/// A place that is left out for what explains its ranges.
pub fn wrong_stand(e: &Explanation, site: &Site, spots: &[Spot]) -> Said {
    let note = explanation(e, site, spots);
    Said { words: format!("{}: the place is left out", note.words), ..note }
}

/// What the residuals say together, line by line; empty when nothing stands out.
pub fn faults(m: &FaultIsolation, site: &Site, spots: &[Spot]) -> Vec<Said> {
    match m {
        FaultIsolation::None => Vec::new(),
        FaultIsolation::Named(e) => vec![explanation(e, site, spots)],
        FaultIsolation::Undecided(list) => {
            let many = "something is wrong, and these explain it about equally well; more places decide";
            let each = list.iter().take(4).map(|e| {
                let note = explanation(e, site, spots);
                Said { code: perhaps(note.code), ..note }.after("perhaps: ")
            });
            std::iter::once(note("undecided", many, "")).chain(each).collect()
        }
    }
}

/// The code of something that is one of several suspects.
fn perhaps(code: &'static str) -> &'static str {
    match code {
        "wrong_spot" => "perhaps_wrong_spot",
        "wrong_anchor_place" => "perhaps_wrong_anchor_place",
        "wrong_offset" => "perhaps_wrong_offset",
        "all_offsets" => "perhaps_all_offsets",
        "all_scales" => "perhaps_all_scales",
        _ => "perhaps_no_direct_path",
    }
}

/// What an accuracy of so few places is worth.
pub fn places_caution(places: usize) -> Option<Said> {
    let (code, what) = match places {
        1 => (
            "one_place",
            "one place: offsets change with heading and room by 5 to 9 cm; five places or more bring 3 to 4, more seconds don't",
        ),
        2..=4 => (
            "few_places",
            "fewer than five places can't tell a wrong coordinate or a blocked path from an offset; add some",
        ),
        _ => return None,
    };
    Some(note(code, what, ""))
}

fn spot_name(spots: &[Spot], index: usize) -> &str {
    spots.get(index).map_or("a place", |s| s.name.as_str())
}

fn id(site: &Site, index: usize) -> AnchorId {
    site.anchors().get(index).map_or(AnchorId(0), |a| a.id)
}

fn name(site: &Site, index: usize) -> &str {
    site.anchors().get(index).map_or("", |a| a.name.as_str())
}

/// `anchor 3 (roller door)`.
fn full_name(site: &Site, index: usize) -> String {
    format!("anchor {} ({})", id(site, index), name(site, index))
}

#[cfg(test)]
mod tests;
