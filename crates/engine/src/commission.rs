//! Commissioning: a tag stands at known places, and what is heard there becomes offsets or a proof.
//!
//! [`Sitting`] gathers raw ranges by place and board, [`calibrate`] makes corrections of them (or one of a
//! taped distance, [`calibrate_one`]); [`Proof`] gathers what the engine published at checkpoints and
//! [`Proof::verify`] judges it. The numerics are those of `solve`; here is the order: a stand that was bumped
//! is left out, boards that changed alone are left out, the rest is adjusted together.
//!
//! Memory is bounded: [`MOST_SPOTS`] places, [`MOST_RANGES`] ranges and as many positions. What finds no room is counted
//! ([`Sitting::left_out`], [`Proof::left_out`]) and told.

use hereabout_core::plausible::{Slip, judge_place, place_slip};
use hereabout_core::{AnchorId, Correction, Dimension, Epoch, Site, TagId, TagState, Timestamp, Verdict};
use hereabout_solve::calibrate::adjust::{
    AdjustRefusal, AdjustSettings, Adjustment, AnchorLevel, BoardOffset, Explanation, FaultCandidate,
    FaultIsolation, ScaleChoice, StaticOccupation, adjust,
};
use hereabout_solve::calibrate::displacement::{DisplacementVerdict, OccupationReadings, measure_boards};
use hereabout_solve::calibrate::occupation::{
    OccupationReading, OccupationRefusal, OccupationSettings, RefusedOccupation, TimedRange,
    measure_occupation,
};
use hereabout_solve::verify::{Checkpoint, PublishedFix, StatedAnchor, Verification, VerifySettings, verify};

use crate::report::Output;

/// Most places of one sitting.
pub const MOST_SPOTS: usize = 200;
/// Most ranges of one sitting, and most positions of one proof: eight boards at ten a second for 14 hours.
pub const MOST_RANGES: usize = 4_000_000;
/// Tags that are told apart when none was asked for.
const MOST_TAGS: usize = 8;

/// A known place where the tag stands, and when.
#[derive(Clone, Debug, PartialEq)]
pub struct Spot {
    /// What people call it.
    pub name: String,
    /// East, north, up of the tag's antenna, metres.
    pub at_m: [f64; 3],
    /// From this instant on, included.
    pub from: Timestamp,
    /// Until this instant, included.
    pub to: Timestamp,
}

impl Spot {
    fn holds(&self, at: Timestamp) -> bool {
        self.from <= at && at <= self.to
    }
}

/// Slant distance from antenna to antenna, from one taped along the floor and the difference in height, metres.
pub fn slant_m(along_floor_m: f64, height_difference_m: f64) -> f64 {
    (along_floor_m * along_floor_m + height_difference_m * height_difference_m).sqrt()
}

/// Raw ranges by place and board.
#[derive(Clone, Debug)]
pub struct Sitting {
    anchors: Vec<AnchorId>,
    wanted: Option<TagId>,
    tags: Vec<TagId>,
    spots: Vec<Spot>,
    /// By spot, then by anchor.
    ranges: Vec<Vec<Vec<TimedRange>>>,
    /// Ranges in all of it, how many there may be, and how many found no room.
    kept: usize,
    most: usize,
    left_out: usize,
    extent: Option<(Timestamp, Timestamp)>,
}

impl Sitting {
    /// Nothing heard yet. Ranges of `tag` only, or of the only tag there is.
    pub fn new(site: &Site, tag: Option<TagId>) -> Sitting {
        let anchors = site.anchors().iter().map(|a| a.id).collect();
        Sitting {
            anchors,
            wanted: tag,
            tags: Vec::new(),
            spots: Vec::new(),
            ranges: Vec::new(),
            kept: 0,
            most: MOST_RANGES,
            left_out: 0,
            extent: None,
        }
    }

    /// Another place; beyond [`MOST_SPOTS`] it is left out and `false` comes back.
    pub fn begin(&mut self, spot: Spot) -> bool {
        let room = self.spots.len() < MOST_SPOTS;
        if room {
            self.spots.push(spot);
            self.ranges.push(vec![Vec::new(); self.anchors.len()]);
        }
        room
    }

    /// Takes the ranges of an epoch that fall into a place's time.
    pub fn take(&mut self, epoch: &Epoch) {
        self.extent =
            Some(self.extent.map_or((epoch.at, epoch.at), |(a, b)| (a.min(epoch.at), b.max(epoch.at))));
        if self.wanted.is_some_and(|tag| tag != epoch.tag) {
            return;
        }
        if !self.tags.contains(&epoch.tag) && self.tags.len() < MOST_TAGS {
            self.tags.push(epoch.tag);
        }
        for (_, boards) in self.spots.iter().zip(&mut self.ranges).filter(|(s, _)| s.holds(epoch.at)) {
            for reading in &epoch.readings {
                let index = self.anchors.iter().position(|a| *a == reading.anchor);
                let (Some(i), Some(raw_range_m)) = (index, reading.raw_range_m) else { continue };
                if self.kept < self.most {
                    self.kept += 1;
                    boards[i].push(TimedRange { at: epoch.at, raw_range_m });
                } else {
                    self.left_out += 1;
                }
            }
        }
    }

    /// Tags that were heard (of the one asked for, when one was).
    pub fn tags(&self) -> &[TagId] {
        &self.tags
    }

    /// The places so far.
    pub fn spots(&self) -> &[Spot] {
        &self.spots
    }

    /// First and last stamp of anything that came in.
    pub fn extent(&self) -> Option<(Timestamp, Timestamp)> {
        self.extent
    }

    /// Ranges that found no room: there may be [`MOST_RANGES`] in all.
    pub fn left_out(&self) -> usize {
        self.left_out
    }

    /// How many ranges of each board the newest place has, in anchor order.
    pub fn counts(&self) -> Vec<usize> {
        self.ranges.last().map_or_else(Vec::new, |boards| boards.iter().map(Vec::len).collect())
    }

    /// Mean of the newest ranges of a board at the newest place, metres, to watch: ten at most.
    pub fn glance_m(&self, anchor: usize) -> Option<f64> {
        let board = self.ranges.last()?.get(anchor)?;
        let newest = &board[board.len().saturating_sub(10)..];
        let sum: f64 = newest.iter().map(|r| r.raw_range_m).sum();
        (!newest.is_empty()).then(|| sum / newest.len() as f64)
    }

    fn boards(&self, spot: usize) -> Vec<&[TimedRange]> {
        self.ranges.get(spot).map_or_else(Vec::new, |boards| boards.iter().map(Vec::as_slice).collect())
    }
}

/// Limits of a stand for this site: its expected scatter is that of its widest board.
pub fn stand_settings(site: &Site) -> OccupationSettings {
    let widest = site.anchors().iter().map(|a| a.range_sigma_m).fold(0.0, f64::max);
    OccupationSettings { expected_sigma_m: widest, ..OccupationSettings::default() }
}

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
    /// Not taken: every stand of it was refused.
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
    /// Which anchor.
    pub anchor: AnchorId,
    /// What was found; `None` when nothing was.
    pub found: Option<BoardOffset>,
    /// Mean share of late ranges over the stands that were measured.
    pub late_share: Option<f64>,
    /// Stands where it was heard.
    pub stands_heard: usize,
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
    /// What each board said at each place, and whether the tag was bumped there; in the places' order.
    pub stands: Vec<OccupationReadings>,
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
    /// Which place.
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

    /// Indices of places that the offsets rest on: those of wrong coordinates and those that were bumped are none.
    pub fn places_used(&self) -> Vec<usize> {
        let wrong = |k: usize| {
            let named = self.adjustment.as_ref().map_or(&[][..], |a| &a.wrong_occupations);
            named.iter().any(|e| e.candidate == FaultCandidate::OccupationPlace(k))
        };
        (0..self.stands.len()).filter(|k| !wrong(*k) && !bumped(&self.stands[*k])).collect()
    }
}

fn bumped(place: &OccupationReadings) -> bool {
    matches!(place.displacement, DisplacementVerdict::Moved { .. })
}

/// Offsets of all boards from a tag at known places.
pub fn calibrate(site: &Site, sitting: &Sitting, scale: ScaleChoice) -> Calibration {
    let anchors_m: Vec<[f64; 3]> = site.anchors().iter().map(|a| a.at_m).collect();
    let (settings, unknowns) = (stand_settings(site), site.dimension().unknowns());
    let measure =
        |(k, s): (usize, &Spot)| measure_boards(&anchors_m, s.at_m, &sitting.boards(k), &settings, unknowns);
    let stands: Vec<OccupationReadings> = sitting.spots.iter().enumerate().map(measure).collect();
    let levels: Vec<StaticOccupation> = sitting
        .spots
        .iter()
        .zip(&stands)
        .map(|(s, p)| StaticOccupation { at_m: s.at_m, levels: p.levels() })
        .collect();
    let adjustment =
        adjust(&anchors_m, &levels, &AdjustSettings { unknowns, scale, ..AdjustSettings::default() });
    let mut boards: Vec<BoardResult> =
        (0..anchors_m.len()).map(|i| board(site, i, &stands, adjustment.as_ref().ok())).collect();
    let doubted_places =
        if hold_back(&mut boards) { doubted(site, &sitting.spots, &stands) } else { Vec::new() };
    Calibration { boards, stands, adjustment, doubted_places, meant_distance: None }
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
fn doubted(site: &Site, spots: &[Spot], stands: &[OccupationReadings]) -> Vec<DoubtedPlace> {
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
    spots.iter().zip(stands).enumerate().filter_map(judge).collect()
}

fn distance_m(a: [f64; 3], b: [f64; 3]) -> f64 {
    let [x, y, z] = [a[0] - b[0], a[1] - b[1], a[2] - b[2]];
    (x * x + y * y + z * z).sqrt()
}

/// One board's correction from a taped distance (a slant, metres): no coordinates are needed.
pub fn calibrate_one(site: &Site, sitting: &Sitting, anchor: usize, distance_m: f64) -> Calibration {
    let settings = stand_settings(site);
    let mut stand = OccupationReadings {
        boards: Vec::new(),
        displacement: DisplacementVerdict::TooFewBoards,
        displaced_at: None,
    };
    for (i, ranges) in sitting.boards(0).into_iter().enumerate() {
        let nothing = RefusedOccupation { reasons: Vec::new(), reading: None };
        stand.boards.push(if i == anchor { measure_occupation(ranges, &settings) } else { Err(nothing) });
    }
    // The stand as a row of the adjustment: the board at the origin, the tag at the taped distance.
    let anchors_m = vec![[0.0; 3]; site.anchors().len()];
    let levels = [StaticOccupation { at_m: [distance_m, 0.0, 0.0], levels: stand.levels() }];
    let adjustment = adjust(
        &anchors_m,
        &levels,
        &AdjustSettings { scale: ScaleChoice::Never, ..AdjustSettings::default() },
    );
    let level_m = levels[0].levels.first().map(|l| l.level_m);
    let stands = vec![stand];
    let boards = vec![board(site, anchor, &stands, adjustment.as_ref().ok())];
    let limit_m = site.correction_limits().max_offset_m;
    let slip = [(Slip::Centimetres, distance_m / 1e2), (Slip::Millimetres, distance_m / 1e3)];
    let fits = |(_, d): &(Slip, f64)| level_m.is_some_and(|level_m| (level_m - d).abs() <= limit_m);
    let implausible = boards[0].verdict == BoardVerdict::Implausible;
    let meant_distance = slip.into_iter().find(fits).filter(|_| implausible);
    Calibration { boards, stands, adjustment, doubted_places: Vec::new(), meant_distance }
}

fn board(
    site: &Site,
    i: usize,
    stands: &[OccupationReadings],
    adjustment: Option<&Adjustment>,
) -> BoardResult {
    let anchor = &site.anchors()[i];
    let found = adjustment.and_then(|a| a.boards.iter().find(|b| b.anchor == i)).copied();
    let late: Vec<f64> = stands.iter().filter_map(|s| Some(reading(s, i)?.nlos_share)).collect();
    let wrong_place = adjustment.is_some_and(|a| names_place(&a.faults, i));
    let verdict = match found {
        _ if wrong_place => BoardVerdict::WrongPlace,
        Some(b) if site.correction_limits().judge(&b.correction()).next().is_some() => {
            BoardVerdict::Implausible
        }
        Some(_) if adjustment.is_some_and(|a| doubts(&a.faults, i)) => BoardVerdict::InDoubt,
        Some(b) if b.odd => BoardVerdict::Odd,
        Some(_) => BoardVerdict::Good,
        None if late.is_empty() && stands.iter().all(|s| heard_nothing(s, i)) => BoardVerdict::Silent,
        None => BoardVerdict::Refused,
    };
    let before = anchor.correction;
    let change = found.filter(|_| verdict.is_taken() && before.offset_se_m.is_some());
    BoardResult {
        anchor: anchor.id,
        found,
        late_share: (!late.is_empty()).then(|| late.iter().sum::<f64>() / late.len() as f64),
        stands_heard: late.len(),
        verdict,
        change_m: change.map(|b| b.offset_m - before.offset_m),
    }
}

fn reading(stand: &OccupationReadings, board: usize) -> Option<OccupationReading> {
    match stand.boards.get(board)? {
        Ok(r) => Some(*r),
        Err(refused) => refused.reading,
    }
}

fn heard_nothing(stand: &OccupationReadings, board: usize) -> bool {
    match stand.boards.get(board) {
        Some(Err(refused)) => {
            refused.reasons.iter().any(|r| matches!(r, OccupationRefusal::TooFewRanges { have: 0, .. }))
        }
        _ => false,
    }
}

fn names_place(misfit: &FaultIsolation, anchor: usize) -> bool {
    let place = |e: &Explanation| matches!(e.candidate, FaultCandidate::AnchorPlace(i) | FaultCandidate::AnchorPlaceAndOffset(i) if i == anchor);
    matches!(misfit, FaultIsolation::Named(e) if place(e))
}

/// Whether whatever is wrong is about this anchor.
fn doubts(misfit: &FaultIsolation, anchor: usize) -> bool {
    let about = |e: &Explanation| match e.candidate {
        FaultCandidate::AnchorPlace(i)
        | FaultCandidate::AnchorPlaceAndOffset(i)
        | FaultCandidate::AnchorOffset(i) => i == anchor,
        FaultCandidate::Path { anchor: i, .. } => i == anchor,
        FaultCandidate::OccupationPlace(_) | FaultCandidate::AllOffsets | FaultCandidate::AllScales => false,
    };
    matches!(misfit, FaultIsolation::Undecided(list) if list.iter().all(about))
}

/// What the engine published while a tag stood at checkpoints.
#[derive(Clone, Debug)]
pub struct Proof {
    dimension: Dimension,
    wanted: Option<TagId>,
    spots: Vec<Spot>,
    fixes: Vec<Vec<PublishedFix>>,
    /// Position reports of each checkpoint, located or not.
    reports: Vec<usize>,
    /// Positions in all of it, how many there may be, and how many found no room, by checkpoint.
    kept: usize,
    most: usize,
    left_out: Vec<usize>,
    /// Corrected ranges, gathered like raw ones.
    corrected: Sitting,
}

impl Proof {
    /// Nothing published yet. Of `tag` only, or of whatever tag there is.
    pub fn new(site: &Site, tag: Option<TagId>) -> Proof {
        Proof {
            dimension: site.dimension(),
            wanted: tag,
            spots: Vec::new(),
            fixes: Vec::new(),
            reports: Vec::new(),
            kept: 0,
            most: MOST_RANGES,
            left_out: Vec::new(),
            corrected: Sitting::new(site, tag),
        }
    }

    /// Another checkpoint; beyond [`MOST_SPOTS`] it is left out and `false` comes back.
    pub fn begin(&mut self, spot: Spot) -> bool {
        let room = self.corrected.begin(spot.clone());
        if room {
            self.spots.push(spot);
            self.fixes.push(Vec::new());
            self.reports.push(0);
            self.left_out.push(0);
        }
        room
    }

    /// Takes what the engine said.
    pub fn take(&mut self, output: &Output) {
        match output {
            Output::Position(report) if self.wanted.is_none_or(|tag| tag == report.tag) => {
                for (k, _) in self.spots.iter().enumerate().filter(|(_, s)| s.holds(report.at)) {
                    self.reports[k] += 1;
                    let located = report.place.filter(|_| report.state == TagState::Located);
                    let Some(place) = located else { continue };
                    if self.kept < self.most {
                        let (position_m, covariance_m2) = (place.position_m, place.covariance_m2);
                        self.fixes[k].push(PublishedFix { position_m, covariance_m2 });
                        self.kept += 1;
                    } else {
                        self.left_out[k] += 1;
                    }
                }
            }
            Output::Ranges(epoch) => {
                let sound = |v: Verdict| v.is_fresh();
                let readings = epoch.ranges.iter().map(|r| hereabout_core::RangeReading {
                    anchor: r.anchor,
                    raw_range_m: r.range_m.filter(|_| sound(r.verdict)),
                });
                let readings = readings.collect();
                let (at, tag, frame_seq) = (epoch.at, epoch.tag, epoch.frame_seq);
                self.corrected.take(&Epoch::new(at, tag, frame_seq, readings));
            }
            _ => {}
        }
    }

    /// The checkpoints so far.
    pub fn spots(&self) -> &[Spot] {
        &self.spots
    }

    /// Positions of a checkpoint that found no room, so that the proof does not rest on them: there may be
    /// [`MOST_RANGES`] in all.
    pub fn left_out(&self, spot: usize) -> usize {
        self.left_out.get(spot).copied().unwrap_or(0)
    }

    /// Position reports of a checkpoint, and the located ones that the proof rests on.
    pub fn counts(&self, spot: usize) -> (usize, usize) {
        (self.reports.get(spot).copied().unwrap_or(0), self.fixes.get(spot).map_or(0, Vec::len))
    }

    /// Horizontal errors of every position at its checkpoint, metres, smallest first.
    pub fn errors_m(&self) -> Vec<f64> {
        let error = |at: [f64; 3], f: &PublishedFix| {
            let [x, y] = [0, 1].map(|c| f.position_m[c] - at[c]);
            (x * x + y * y).sqrt()
        };
        let all = self.spots.iter().zip(&self.fixes);
        let mut errors: Vec<f64> =
            all.flat_map(|(spot, fixes)| fixes.iter().map(|f| error(spot.at_m, f))).collect();
        errors.sort_by(f64::total_cmp);
        errors
    }

    /// Tags, extent and ranges of what came in.
    pub fn heard(&self) -> &Sitting {
        &self.corrected
    }

    /// Judges it. `calibration_places_m` are the places that the calibration used.
    pub fn verify(
        &self,
        site: &Site,
        calibration_places_m: &[[f64; 3]],
        required_ce95_m: Option<f64>,
    ) -> Verification {
        let stated =
            |a: &hereabout_core::Anchor| StatedAnchor { at_m: a.at_m, offset_se_m: a.correction.offset_se_m };
        let anchors: Vec<StatedAnchor> = site.anchors().iter().map(stated).collect();
        let settings = stand_settings(site);
        let checkpoint = |(k, spot): (usize, &Spot)| {
            let level = |(anchor, ranges): (usize, &[TimedRange])| {
                let r = measured(ranges, &settings)?;
                Some(AnchorLevel { anchor, level_m: r.level_m, se_m: r.se_m })
            };
            let levels = self.corrected.boards(k).into_iter().enumerate().filter_map(level).collect();
            Checkpoint { at_m: spot.at_m, fixes: self.fixes[k].clone(), levels }
        };
        let checkpoints: Vec<Checkpoint> = self.spots.iter().enumerate().map(checkpoint).collect();
        let settings = VerifySettings { required_ce95_m, ..VerifySettings::new(self.dimension) };
        verify(&anchors, &checkpoints, calibration_places_m, &settings)
    }
}

/// A level that may explain something: taken, or refused only because it is short or rough (its standard error
/// says so).
fn measured(ranges: &[TimedRange], settings: &OccupationSettings) -> Option<OccupationReading> {
    match measure_occupation(ranges, settings) {
        Ok(r) => Some(r),
        Err(refused) => {
            let mild = |r: &OccupationRefusal| {
                matches!(r, OccupationRefusal::TooUncertain { .. } | OccupationRefusal::TooFewRanges { .. })
            };
            refused.reading.filter(|_| refused.reasons.iter().all(mild))
        }
    }
}

#[cfg(test)]
#[path = "commission_tests.rs"]
mod tests;
