//! What a calibration or a proof found, in words: what is wrong, and what to do. Each kind of note has a code
//! that programs may rely on; the words may change.

use hereabout_core::plausible::Slip;
use hereabout_core::{AnchorId, Site};
use hereabout_engine::commission::{BoardVerdict, Calibration, MOST_RANGES, Spot};
use hereabout_solve::calibrate::adjust::{
    AdjustRefusal, BlockedPath, BoardOffset, Explanation, Misfit, ScaleVerdict, Suspect,
};
use hereabout_solve::calibrate::bump::BumpVerdict;
use hereabout_solve::calibrate::stand::StandRefusal;

use hereabout_words::plausible;

use crate::fit_test::{self, SiteMisfit};
use crate::place_checks;

/// Something that people should know, and what to do about it.
#[derive(Clone, Debug)]
pub(crate) struct Note {
    /// What kind of note this is, for programs.
    pub(crate) code: &'static str,
    /// The anchor that it is about.
    pub(crate) anchor: Option<AnchorId>,
    /// The name of the spot that it is about.
    pub(crate) spot: Option<String>,
    /// How much too long a range is, with its standard error where there is one, metres.
    pub(crate) excess_m: Option<(f64, Option<f64>)>,
    /// What was found.
    pub(crate) what: String,
    /// What to do; may be empty.
    pub(crate) todo: String,
}

impl Note {
    /// About the whole calibration.
    pub(crate) fn new(code: &'static str, what: impl Into<String>, todo: impl Into<String>) -> Note {
        Note { code, anchor: None, spot: None, excess_m: None, what: what.into(), todo: todo.into() }
    }

    /// About an anchor.
    pub(crate) fn anchor(self, anchor: AnchorId) -> Note {
        Note { anchor: Some(anchor), ..self }
    }

    /// About a spot; `None` leaves it as it is.
    pub(crate) fn spot(self, spot: Option<&str>) -> Note {
        Note { spot: spot.map(str::to_owned).or(self.spot), ..self }
    }
}

/// That ranges and site file do not fit each other.
pub(crate) fn misfit_of_site(misfit: &SiteMisfit) -> Note {
    Note::new(fit_test::CODE, misfit.said.words.clone(), misfit.todo())
}

/// The code of a refused stand.
pub(crate) fn refusal_code(r: &StandRefusal) -> &'static str {
    match r {
        StandRefusal::TooFewRanges { have: 0, .. } => "not_heard",
        StandRefusal::TooFewRanges { .. } => "too_few_ranges",
        StandRefusal::TooManyLate { .. } => "too_many_late",
        StandRefusal::TooNoisy { .. } => "too_noisy",
        StandRefusal::Stepped { .. } => "stepped",
        StandRefusal::TooUncertain { .. } => "too_uncertain",
    }
}

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
pub(crate) fn bump(verdict: &BumpVerdict, site: &Site) -> Option<Note> {
    match verdict {
        BumpVerdict::Still | BumpVerdict::TooFewBoards => None,
        BumpVerdict::Moved { shift_m: [e, n, u], .. } => Some(Note::new(
            "tag_moved",
            format!(
                "the tag was moved while it should have stood, by {e:+.2} m east, {n:+.2} m north, {u:+.2} m up: the place is left out"
            ),
            "fasten the tag and measure this place again",
        )),
        BumpVerdict::OneBoard { anchor, change_m, .. } => {
            let id = id(site, *anchor);
            let what = format!("anchor {id} alone changed by {change_m:+.2} m: it is left out at this place");
            let todo = "somebody stood in its line of sight, as a rule";
            Some(Note::new("one_board_changed", what, todo).anchor(id))
        }
        BumpVerdict::Unclear => Some(Note::new(
            "unclear_change",
            "the ranges changed while the tag stood, and neither a moved tag nor one board explains it",
            "people walked about, as a rule: measure this place again when it is quiet",
        )),
    }
}

/// A level that was left out because no direct path is behind it; `board` is what its anchor's others say.
pub(crate) fn blocked(path: &BlockedPath, board: Option<&BoardOffset>, site: &Site, spots: &[Spot]) -> Note {
    let (id, spot) = (id(site, path.anchor), spot_name(spots, path.stand));
    let others = board.map_or(0, |b| b.stands);
    let what = format!(
        "anchor {id} ({}) has no direct path to {spot}: it reads {:.2} m (± {:.2}) longer there than its {others} other places say; it is left out there",
        name(site, path.anchor),
        path.excess_m,
        path.excess_se_m,
    );
    let todo = "see what stands in between; a tag that works there is seen too far away by this anchor";
    let note = Note::new("no_direct_path", what, todo).anchor(id).spot(Some(spot));
    Note { excess_m: Some((path.excess_m, Some(path.excess_se_m))), ..note }
}

/// What became of a board, in one or two words for the table.
pub(crate) fn verdict(v: BoardVerdict) -> &'static str {
    match v {
        BoardVerdict::Good => "taken",
        BoardVerdict::Odd => "taken, odd",
        BoardVerdict::WrongPlace => "place wrong?",
        BoardVerdict::Implausible => "implausible",
        BoardVerdict::HeldBack => "held back",
        BoardVerdict::InDoubt => "in doubt",
        BoardVerdict::Refused => "refused",
        BoardVerdict::Silent => "not heard",
    }
}

/// What is implausible, board by board, and which slip of a place or distance explains it; empty when nothing is.
pub(crate) fn implausible(found: &Calibration, site: &Site, spots: &[Spot]) -> Vec<Note> {
    let mut notes = Vec::new();
    for b in found.boards.iter().filter(|b| b.verdict == BoardVerdict::Implausible) {
        // The slip of a number that was computed is none: it is in the place that it was computed from.
        let judged = b.found.map(|f| site.correction_limits().judge(&f.correction())).into_iter().flatten();
        notes.extend(judged.map(|i| {
            let words = plausible::correction(&i.without_slip()).words;
            let todo = "measure the places and the anchor's own again; a board that really reads so: [site] max_offset_m";
            let what = format!("anchor {} ({}): {words}", b.anchor, named(site, b.anchor));
            Note::new("implausible", what, todo).anchor(b.anchor)
        }));
    }
    for d in &found.doubted_places {
        let name = spots.get(d.spot).map_or("a place", |s| s.name.as_str());
        let what = format!("{name}: the ranges don't fit this place");
        let todo = d.meant.map_or("check its coordinates: metres, east first".to_owned(), |(slip, at_m)| {
            place_checks::meant_words(slip, at_m)
        });
        notes.push(
            Note::new("spot_does_not_fit", what, todo).spot(spots.get(d.spot).map(|s| s.name.as_str())),
        );
    }
    if let Some((slip, distance_m)) = found.meant_distance {
        let unit = if slip == Slip::Centimetres { "centimetres" } else { "millimetres" };
        let what = "the range does not fit this distance".to_owned();
        let todo = format!("perhaps written in {unit}: {distance_m:.3} m would fit");
        notes.push(Note::new("distance_does_not_fit", what, todo));
    }
    notes
}

/// Ranges that found no room, when there were some.
pub(crate) fn left_out(ranges: usize) -> Option<Note> {
    let what = format!("{ranges} further ranges found no room: one sitting takes {MOST_RANGES}");
    let todo = "what is told rests on the first ones; stand for less time, or give parts";
    (ranges > 0).then(|| Note::new("ranges_left_out", what, todo))
}

fn named(site: &Site, id: AnchorId) -> &str {
    site.anchors().iter().find(|a| a.id == id).map_or("", |a| a.name.as_str())
}

/// Why there is no adjustment.
pub(crate) fn adjust_refusal(r: &AdjustRefusal, spots: &[Spot]) -> Note {
    match r {
        AdjustRefusal::NothingMeasured => {
            Note::new("nothing_measured", "no stand could be taken", "see the reasons at each place")
        }
        AdjustRefusal::BadInput { stand } => {
            let name = spot_name(spots, *stand);
            Note::new(
                "spot_too_far",
                format!("{name} is farther off than any radio reaches"),
                "check its coordinates: metres, east first",
            )
            .spot(Some(name))
        }
        AdjustRefusal::ScaleNotSupported { spread_m, need_m, stands, need_stands } => Note::new(
            "scale_not_supported",
            format!(
                "a scale can't be told from these places: the distances to one anchor spread by {spread_m:.1} m over {stands} places"
            ),
            format!(
                "put the tag at {need_stands} places or more whose distances to an anchor differ by {need_m:.0} m or more, or leave --scale out"
            ),
        ),
        AdjustRefusal::Undetermined(_) => Note::new(
            "undetermined",
            "the places do not determine the offsets",
            "add places, away from each other",
        ),
    }
}

/// What was decided about the scale; `None` when there is nothing to say.
pub(crate) fn scale(v: &ScaleVerdict) -> Option<Note> {
    let (code, what) = match v {
        ScaleVerdict::NotAsked | ScaleVerdict::NotSupported | ScaleVerdict::NotProven { .. } => return None,
        ScaleVerdict::TooSmall { scale } => (
            "scale_too_small",
            format!(
                "a common scale of {scale:.3} would fit, but rooms imitate as much: not used (--scale takes it)"
            ),
        ),
        ScaleVerdict::Common { chance } => (
            "scale_common",
            format!("one scale for all boards is used (chance of that by accident: {})", small(*chance)),
        ),
        ScaleVerdict::Each { chance } => (
            "scale_each",
            format!("each board has a scale of its own (chance of that by accident: {})", small(*chance)),
        ),
    };
    Some(Note::new(code, what, ""))
}

fn small(chance: f64) -> String {
    if chance < 1e-4 { "below 1 in 10 000".into() } else { format!("{:.2} %", chance * 100.0) }
}

/// One explanation: what is wrong, by how much, and what to do.
pub(crate) fn explanation(e: &Explanation, site: &Site, spots: &[Spot]) -> Note {
    let (what, todo) = explanation_words(e, site, spots);
    match e.suspect {
        Suspect::StandPlace(k) => Note::new("wrong_spot", what, todo).spot(Some(spot_name(spots, k))),
        Suspect::AnchorPlace(i) | Suspect::AnchorPlaceAndOffset(i) => {
            Note::new("wrong_anchor_place", what, todo).anchor(id(site, i))
        }
        Suspect::AnchorOffset(i) => Note::new("wrong_offset", what, todo).anchor(id(site, i)),
        Suspect::AllOffsets => Note::new("all_offsets", what, todo),
        Suspect::AllScales => Note::new("all_scales", what, todo),
        Suspect::Path { stand, anchor } => {
            let note = Note::new("no_direct_path", what, todo).anchor(id(site, anchor));
            Note { excess_m: Some((e.offset_m, None)), ..note.spot(Some(spot_name(spots, stand))) }
        }
    }
}

fn explanation_words(e: &Explanation, site: &Site, spots: &[Spot]) -> (String, String) {
    let [x, y, z] = e.shift_m;
    let shift = if z.abs() >= 0.005 {
        format!("{x:+.2} m east, {y:+.2} m north, {z:+.2} m up")
    } else {
        format!("{x:+.2} m east, {y:+.2} m north")
    };
    match e.suspect {
        Suspect::StandPlace(k) => {
            let name = spot_name(spots, k);
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
        Suspect::Path { stand, anchor } => (
            format!(
                "anchor {} ({}) has no direct path to {} and reads {:.2} m too long there",
                id(site, anchor),
                name(site, anchor),
                spot_name(spots, stand),
                e.offset_m
            ),
            "see what stands in between, and measure that place again with a free line of sight".into(),
        ),
    }
}

/// What the residuals say together, line by line; empty when nothing stands out.
pub(crate) fn misfit(m: &Misfit, site: &Site, spots: &[Spot]) -> Vec<Note> {
    match m {
        Misfit::None => Vec::new(),
        Misfit::Named(e) => vec![explanation(e, site, spots)],
        Misfit::Undecided(list) => {
            let many = "something is wrong, and these explain it about equally well; more places decide";
            let each = list.iter().take(4).map(|e| {
                let note = explanation(e, site, spots);
                Note { code: perhaps(note.code), what: format!("perhaps: {}", note.what), ..note }
            });
            std::iter::once(Note::new("undecided", many, "")).chain(each).collect()
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
pub(crate) fn places_caution(places: usize) -> Option<Note> {
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
    Some(Note::new(code, what, ""))
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
