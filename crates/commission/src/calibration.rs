//! From a survey session to offsets: a place where the tag was moved is left out, boards that changed alone are left out,
//! the rest is adjusted together. The numerics are those of `solve`; here is the order.

use hereabout_core::geometry::vector::distance_m;
use hereabout_core::plausible::{Slip, judge_place, place_slip};
use hereabout_core::{AnchorId, Correction, Site};
use hereabout_solve::calibrate::adjust::{
    AdjustRefusal, AdjustSettings, Adjustment, AnchorLevel, BoardOffset, Explanation, FaultCandidate,
    FaultIsolation, ScaleChoice, StaticOccupation, adjust,
};
use hereabout_solve::calibrate::displacement::{DisplacementVerdict, OccupationReadings, measure_boards};
use hereabout_solve::calibrate::occupation::{
    OccupationReading, OccupationRefusal, RefusedOccupation, measure_occupation,
};

use crate::survey::{Spot, SurveySession, occupation_settings};

/// What became of one board.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BoardVerdict {
    /// Take it.
    Good,
    /// Taken, but larger than an offset should be: a wrong coordinate, as a rule.
    Odd,
    /// Not taken: the anchor's own place looks wrong.
    WrongPlace,
    /// Not taken: no board has such a correction ([`Site::correction_limits`]).
    Implausible,
    /// Not taken: good by itself, but another board's is implausible, and all rest on the same places.
    HeldBack,
    /// Not taken: one of its levels or its place is wrong, and nothing tells which.
    InDoubt,
    /// Not taken: every occupation of it was refused.
    Refused,
    /// Not taken: never heard at any place.
    Silent,
}

impl BoardVerdict {
    /// Whether the new correction is to be used.
    pub fn is_taken(self) -> bool {
        matches!(self, BoardVerdict::Good | BoardVerdict::Odd)
    }
}

/// One board after the calibration.
#[derive(Clone, Debug, PartialEq)]
pub struct BoardResult {
    /// Id in the site file.
    pub anchor: AnchorId,
    /// What was found; `None` when nothing was.
    pub found: Option<BoardOffset>,
    /// Mean share of NLOS ranges over the occupations that were measured.
    pub nlos_share: Option<f64>,
    /// Stands where it was heard.
    pub occupations_heard: usize,
    /// Take it or not.
    pub verdict: BoardVerdict,
    /// New minus old offset, metres; `None` when there was no calibration, or nothing is taken.
    pub change_m: Option<f64>,
}

/// Everything that a calibration found.
#[derive(Clone, Debug, PartialEq)]
pub struct Calibration {
    /// One for each anchor of the site, in its order.
    pub boards: Vec<BoardResult>,
    /// What each board said at each place, and whether the tag was displaced there; in the places' order.
    pub occupations: Vec<OccupationReadings>,
    /// The adjustment, or why there is none.
    pub adjustment: Result<Adjustment, AdjustRefusal>,
    /// Places whose ranges contradict them, when a board is implausible.
    pub doubted_places: Vec<DoubtedPlace>,
    /// The taped distance that would be plausible when the one given is not, metres, and the slip that it is.
    pub meant_distance: Option<(Slip, f64)>,
}

/// A place that the raw ranges contradict: no offsets that boards have lead from it to them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DoubtedPlace {
    /// Index into the session's places.
    pub spot: usize,
    /// What was probably meant: the slip, and the place that the ranges agree with, metres.
    pub meant: Option<(Slip, [f64; 3])>,
}

impl Calibration {
    /// The corrections to use from now on, with their anchors.
    pub fn taken(&self) -> Vec<(AnchorId, Correction)> {
        let taken = self.boards.iter().filter(|b| b.verdict.is_taken());
        taken.filter_map(|b| Some((b.anchor, b.found?.correction()))).collect()
    }

    /// Indices of places that the offsets rest on: those of wrong coordinates and those that were displaced are none.
    pub fn places_used(&self) -> Vec<usize> {
        let wrong = |k: usize| {
            let named = self.adjustment.as_ref().map_or(&[][..], |a| &a.wrong_occupations);
            named.iter().any(|e| e.candidate == FaultCandidate::OccupationPlace(k))
        };
        (0..self.occupations.len()).filter(|k| !wrong(*k) && !displaced(&self.occupations[*k])).collect()
    }
}

fn displaced(place: &OccupationReadings) -> bool {
    matches!(place.displacement, DisplacementVerdict::Moved { .. })
}

/// Offsets of all boards from a tag at known places.
pub fn calibrate(site: &Site, session: &SurveySession, scale: ScaleChoice) -> Calibration {
    let anchors_m: Vec<[f64; 3]> = site.anchors().iter().map(|a| a.at_m).collect();
    let (settings, unknowns) = (occupation_settings(site), site.dimension().unknowns());
    let measure =
        |(k, s): (usize, &Spot)| measure_boards(&anchors_m, s.at_m, &session.boards(k), &settings, unknowns);
    let occupations: Vec<OccupationReadings> = session.spots().iter().enumerate().map(measure).collect();
    let levels: Vec<StaticOccupation> = session
        .spots()
        .iter()
        .zip(&occupations)
        .map(|(s, p)| StaticOccupation { at_m: s.at_m, levels: p.levels() })
        .collect();
    let adjustment =
        adjust(&anchors_m, &levels, &AdjustSettings { unknowns, scale, ..AdjustSettings::default() });
    let mut boards: Vec<BoardResult> =
        (0..anchors_m.len()).map(|i| board(site, i, &occupations, adjustment.as_ref().ok())).collect();
    let doubted_places =
        if hold_back(&mut boards) { doubted(site, session.spots(), &occupations) } else { Vec::new() };
    Calibration { boards, occupations, adjustment, doubted_places, meant_distance: None }
}

/// With an implausible board a place or an anchor is wrong, and nobody knows which of the others suffer from it: none is
/// taken. Whether that is so.
fn hold_back(boards: &mut [BoardResult]) -> bool {
    let any = boards.iter().any(|b| b.verdict == BoardVerdict::Implausible);
    for b in boards.iter_mut().filter(|b| any && b.verdict.is_taken()) {
        (b.verdict, b.change_m) = (BoardVerdict::HeldBack, None);
    }
    any
}

/// The places that their ranges contradict, with what was probably meant. One board in four may be off for reasons of its
/// own; fewer than three tell nothing.
fn doubted(site: &Site, spots: &[Spot], occupations: &[OccupationReadings]) -> Vec<DoubtedPlace> {
    let limit_m = site.correction_limits().max_offset_m;
    let judge = |(spot, (s, reading)): (usize, (&Spot, &OccupationReadings))| {
        let levels = reading.levels();
        let fits = |at_m: [f64; 3]| {
            let off = |l: &&AnchorLevel| {
                let d = site.anchors().get(l.anchor).map_or(f64::NAN, |a| distance_m(a.at_m, at_m));
                (l.level_m - d).abs() > limit_m
            };
            4 * levels.iter().filter(off).count() <= levels.len()
        };
        let wrong = levels.len() >= 3 && !fits(s.at_m);
        let meant = || place_slip(s.at_m, |p| judge_place(site, p).is_none() && fits(p));
        wrong.then(|| DoubtedPlace { spot, meant: meant() })
    };
    spots.iter().zip(occupations).enumerate().filter_map(judge).collect()
}

/// One board's correction from a taped distance (a slant, metres): no coordinates are needed.
pub fn calibrate_one(site: &Site, session: &SurveySession, anchor: usize, distance_m: f64) -> Calibration {
    let settings = occupation_settings(site);
    let mut occupation = OccupationReadings {
        boards: Vec::new(),
        displacement: DisplacementVerdict::TooFewBoards,
        displaced_at: None,
    };
    for (i, ranges) in session.boards(0).into_iter().enumerate() {
        let nothing = RefusedOccupation { reasons: Vec::new(), reading: None };
        occupation.boards.push(if i == anchor {
            measure_occupation(ranges, &settings)
        } else {
            Err(nothing)
        });
    }
    // The occupation as a row of the adjustment: the board at the origin, the tag at the taped distance.
    let anchors_m = vec![[0.0; 3]; site.anchors().len()];
    let levels = [StaticOccupation { at_m: [distance_m, 0.0, 0.0], levels: occupation.levels() }];
    let adjustment = adjust(
        &anchors_m,
        &levels,
        &AdjustSettings { scale: ScaleChoice::Never, ..AdjustSettings::default() },
    );
    let level_m = levels[0].levels.first().map(|l| l.level_m);
    let occupations = vec![occupation];
    let boards = vec![board(site, anchor, &occupations, adjustment.as_ref().ok())];
    let limit_m = site.correction_limits().max_offset_m;
    let slip = [(Slip::Centimetres, distance_m / 1e2), (Slip::Millimetres, distance_m / 1e3)];
    let fits = |(_, d): &(Slip, f64)| level_m.is_some_and(|level_m| (level_m - d).abs() <= limit_m);
    let implausible = boards[0].verdict == BoardVerdict::Implausible;
    let meant_distance = slip.into_iter().find(fits).filter(|_| implausible);
    Calibration { boards, occupations, adjustment, doubted_places: Vec::new(), meant_distance }
}

fn board(
    site: &Site,
    i: usize,
    occupations: &[OccupationReadings],
    adjustment: Option<&Adjustment>,
) -> BoardResult {
    let anchor = &site.anchors()[i];
    let found = adjustment.and_then(|a| a.boards.iter().find(|b| b.anchor == i)).copied();
    let nlos: Vec<f64> = occupations.iter().filter_map(|s| Some(reading(s, i)?.nlos_share)).collect();
    let wrong_place = adjustment.is_some_and(|a| names_place(&a.faults, i));
    let verdict = match found {
        _ if wrong_place => BoardVerdict::WrongPlace,
        Some(b) if site.correction_limits().judge(&b.correction()).next().is_some() => {
            BoardVerdict::Implausible
        }
        Some(_) if adjustment.is_some_and(|a| doubts(&a.faults, i)) => BoardVerdict::InDoubt,
        Some(b) if b.odd => BoardVerdict::Odd,
        Some(_) => BoardVerdict::Good,
        None if nlos.is_empty() && occupations.iter().all(|s| heard_nothing(s, i)) => BoardVerdict::Silent,
        None => BoardVerdict::Refused,
    };
    let before = anchor.correction;
    let change = found.filter(|_| verdict.is_taken() && before.offset_se_m.is_some());
    BoardResult {
        anchor: anchor.id,
        found,
        nlos_share: (!nlos.is_empty()).then(|| nlos.iter().sum::<f64>() / nlos.len() as f64),
        occupations_heard: nlos.len(),
        verdict,
        change_m: change.map(|b| b.offset_m - before.offset_m),
    }
}

fn reading(occupation: &OccupationReadings, board: usize) -> Option<OccupationReading> {
    match occupation.boards.get(board)? {
        Ok(r) => Some(*r),
        Err(refused) => refused.reading,
    }
}

fn heard_nothing(occupation: &OccupationReadings, board: usize) -> bool {
    match occupation.boards.get(board) {
        Some(Err(refused)) => {
            refused.reasons.iter().any(|r| matches!(r, OccupationRefusal::TooFewRanges { have: 0, .. }))
        }
        _ => false,
    }
}

fn names_place(faults: &FaultIsolation, anchor: usize) -> bool {
    let place = |e: &Explanation| matches!(e.candidate, FaultCandidate::AnchorPlace(i) | FaultCandidate::AnchorPlaceAndOffset(i) if i == anchor);
    matches!(faults, FaultIsolation::Named(e) if place(e))
}

/// Whether whatever is wrong is about this anchor.
fn doubts(faults: &FaultIsolation, anchor: usize) -> bool {
    let about = |e: &Explanation| match e.candidate {
        FaultCandidate::AnchorPlace(i)
        | FaultCandidate::AnchorPlaceAndOffset(i)
        | FaultCandidate::AnchorOffset(i) => i == anchor,
        FaultCandidate::Path { anchor: i, .. } => i == anchor,
        FaultCandidate::OccupationPlace(_) | FaultCandidate::AllOffsets | FaultCandidate::AllScales => false,
    };
    matches!(faults, FaultIsolation::Undecided(list) if list.iter().all(about))
}

#[cfg(test)]
mod tests;
