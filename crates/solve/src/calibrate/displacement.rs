//! Was the tag moved? One shift of the tag must explain the change of all anchors together.
//!
//! A tag that is displaced by 10 cm changes most ranges by less than that; no rule on single boards can see it
//! beside their own steps. Model: the level of anchor i changes by u_i·δ, with u_i the unit vector from the
//! anchor to the tag and δ the tag's shift, each change known to a standard error. Against it stand: nothing
//! changed, and one board alone changed (someone stepped in front of it). Judged like every misfit by
//! Fisher's F with a prior on the stated errors.
//!
//! [`compare`] takes two measurements of one place; [`measure_boards`] measures all boards of one occupation and
//! looks for a displacement within it.

use hereabout_core::Timestamp;
use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ContinuousCDF, FisherSnedecor};

use crate::calibrate::adjust::AnchorLevel;
use crate::calibrate::fault::PRIOR_DOF;
use crate::calibrate::occupation::{
    OccupationReading, OccupationSettings, RANGE_LIMIT_M, RefusedOccupation, TimedRange, measure_occupation,
};
use crate::math::linear::linear_least_squares;

/// How the level of one anchor changed between two measurements.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LevelChange {
    /// Index into the site's anchors.
    pub anchor: usize,
    /// Later level minus earlier one, metres.
    pub change_m: f64,
    /// Standard error of the change, metres.
    pub se_m: f64,
}

/// What the changes say together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum DisplacementVerdict {
    /// The tag stood still, as far as the data show.
    Still,
    /// The tag was moved.
    Moved {
        /// Later place minus earlier one, metres; up is 0 when only east and north are sought.
        shift_m: [f64; 3],
        /// Probability of so good an explanation by chance.
        chance_probability: f64,
    },
    /// One board alone changed.
    OneBoard {
        /// Index into the site's anchors.
        anchor: usize,
        /// Its change, metres.
        change_m: f64,
        /// Probability of such a change by chance.
        chance_probability: f64,
    },
    /// The changes contradict each other and standing still.
    Unclear,
    /// Too few boards to tell a shift from their own changes.
    TooFewBoards,
}

/// Probability of chance below which something is reported.
const MAX_CHANCE_PROBABILITY: f64 = 1e-3;
/// Shifts smaller than this do no harm, metres.
const MIN_SHIFT_M: f64 = 0.04;
/// Slow error that the two measurements of one board do not share, standard deviation in metres.
const SLOW_SD_M: f64 = 0.01;

/// Judges the changes between two measurements with the tag at `at_m`.
///
/// `unknowns` is 2 (east, north) or 3. Changes of anchors that do not exist, and values that are not
/// numbers, are left out.
pub fn compare(
    anchors_m: &[[f64; 3]],
    at_m: [f64; 3],
    changes: &[LevelChange],
    unknowns: usize,
) -> DisplacementVerdict {
    let unknowns = unknowns.clamp(1, 3);
    let rows: Vec<Row> = changes.iter().filter_map(|c| Row::new(anchors_m, at_m, c)).collect();
    if rows.len() < unknowns + 2 {
        return DisplacementVerdict::TooFewBoards;
    }
    let still = rows.iter().map(|r| r.change_sigmas * r.change_sigmas).sum::<f64>();
    let shift = fit_shift(&rows, unknowns);
    let board = rows.iter().max_by(|a, b| a.change_sigmas.abs().total_cmp(&b.change_sigmas.abs()));
    let shift_chance =
        shift.as_ref().map_or(1.0, |(_, rss)| chance_of(still - rss, unknowns, *rss, rows.len() - unknowns));
    let Some(board) = board else { return DisplacementVerdict::TooFewBoards };
    let board_rss = still - board.change_sigmas * board.change_sigmas;
    let dof = rows.len() - 1;
    let board_chance = (rows.len() as f64 * chance_of(still - board_rss, 1, board_rss, dof)).min(1.0);
    if let Some((shift_m, _)) = shift
        && shift_chance < MAX_CHANCE_PROBABILITY
        && shift_chance <= board_chance
        && shift_m.iter().map(|s| s * s).sum::<f64>().sqrt() >= MIN_SHIFT_M
    {
        return DisplacementVerdict::Moved { shift_m, chance_probability: shift_chance };
    }
    if board_chance < MAX_CHANCE_PROBABILITY && board.change_m.abs() >= MIN_SHIFT_M {
        return DisplacementVerdict::OneBoard {
            anchor: board.anchor,
            change_m: board.change_m,
            chance_probability: board_chance,
        };
    }
    // Neither explains it, and yet the changes are three times what their errors allow.
    if still > 9.0 * rows.len() as f64 { DisplacementVerdict::Unclear } else { DisplacementVerdict::Still }
}

/// One change over its standard error.
struct Row {
    anchor: usize,
    change_m: f64,
    change_sigmas: f64,
    direction_per_m: [f64; 3],
}

impl Row {
    fn new(anchors_m: &[[f64; 3]], at_m: [f64; 3], c: &LevelChange) -> Option<Row> {
        let a = anchors_m.get(c.anchor)?;
        let v: [f64; 3] = std::array::from_fn(|k| at_m[k] - a[k]);
        let d = (v[0] * v[0] + v[1] * v[1] + v[2] * v[2]).sqrt();
        let sd = (c.se_m * c.se_m + SLOW_SD_M * SLOW_SD_M).sqrt();
        let sound = d > 0.0 && d < RANGE_LIMIT_M && c.change_m.abs() < RANGE_LIMIT_M && sd < RANGE_LIMIT_M;
        sound.then(|| Row {
            anchor: c.anchor,
            change_m: c.change_m,
            change_sigmas: c.change_m / sd,
            direction_per_m: v.map(|x| x / d / sd),
        })
    }
}

fn fit_shift(rows: &[Row], unknowns: usize) -> Option<([f64; 3], f64)> {
    let design = DMatrix::from_fn(rows.len(), unknowns, |r, c| rows[r].direction_per_m[c]);
    let observed = DVector::from_iterator(rows.len(), rows.iter().map(|r| r.change_sigmas));
    let fit = linear_least_squares(&design, &observed).ok()?;
    let mut shift_m = [0.0; 3];
    for (to, from) in shift_m.iter_mut().zip(fit.unknowns.iter()) {
        *to = *from;
    }
    Some((shift_m, fit.rss))
}

fn chance_of(gain: f64, added: usize, rss_chi2: f64, dof: usize) -> f64 {
    let dof = PRIOR_DOF + dof as f64;
    let f = gain.max(0.0) / added as f64 / ((PRIOR_DOF + rss_chi2) / dof);
    FisherSnedecor::new(added as f64, dof).map_or(1.0, |law| law.sf(f))
}

/// All boards at one occupation.
#[derive(Clone, Debug, PartialEq)]
pub struct OccupationReadings {
    /// One an anchor, in order: its reading, or why it was refused.
    pub boards: Vec<Result<OccupationReading, RefusedOccupation>>,
    /// Whether the tag was moved while it should have stood.
    pub displacement: DisplacementVerdict,
    /// When it was moved, to an eighth of the occupation; `None` unless something changed.
    pub displaced_at: Option<Timestamp>,
}

impl OccupationReadings {
    /// Levels that may take part in an adjustment: none when the tag was displaced, and not that of a board that
    /// changed alone or was refused.
    pub fn levels(&self) -> Vec<AnchorLevel> {
        let (displaced, changed) = match self.displacement {
            DisplacementVerdict::Moved { .. } => (true, None),
            DisplacementVerdict::OneBoard { anchor, .. } => (false, Some(anchor)),
            _ => (false, None),
        };
        let measured = self.boards.iter().enumerate().filter(|(i, _)| !displaced && changed != Some(*i));
        let level = |(anchor, b): (usize, &Result<OccupationReading, RefusedOccupation>)| {
            let r = b.as_ref().ok()?;
            Some(AnchorLevel { anchor, level_m: r.level_m, se_m: r.se_m })
        };
        measured.filter_map(level).collect()
    }
}

/// Parts of an occupation between which a displacement is looked for.
const PARTS: i64 = 8;

/// Measures every board of one occupation and looks for a displacement of the tag within it.
///
/// `ranges` has one list an anchor, in the anchors' order, each in any order of time.
pub fn measure_boards(
    anchors_m: &[[f64; 3]],
    at_m: [f64; 3],
    ranges: &[&[TimedRange]],
    settings: &OccupationSettings,
    unknowns: usize,
) -> OccupationReadings {
    let boards = ranges.iter().map(|r| measure_occupation(r, settings)).collect();
    let stamps = || ranges.iter().flat_map(|list| list.iter()).map(|r| r.at);
    let mut place =
        OccupationReadings { boards, displacement: DisplacementVerdict::TooFewBoards, displaced_at: None };
    let (Some(first), Some(last)) = (stamps().min(), stamps().max()) else { return place };
    let span = last.since(first).micros();
    let mut surest = 1.0;
    for part in 2..=PARTS - 2 {
        let at = Timestamp::from_micros(first.micros().saturating_add(span / PARTS * part));
        let verdict = compare(anchors_m, at_m, &changes_at(ranges, at, settings), unknowns);
        let chance = match verdict {
            DisplacementVerdict::Moved { chance_probability: chance, .. }
            | DisplacementVerdict::OneBoard { chance_probability: chance, .. } => chance,
            _ => 1.0,
        };
        if chance < surest {
            (surest, place.displacement, place.displaced_at) = (chance, verdict, Some(at));
        } else if place.displaced_at.is_none() && place.displacement != DisplacementVerdict::Unclear {
            place.displacement = verdict;
        }
    }
    place
}

/// Change of each board's level at an instant; boards with too few ranges on a side are left out.
fn changes_at(ranges: &[&[TimedRange]], at: Timestamp, settings: &OccupationSettings) -> Vec<LevelChange> {
    let side = |list: &[TimedRange], later: bool| {
        let part: Vec<TimedRange> = list.iter().filter(|r| (r.at >= at) == later).copied().collect();
        match measure_occupation(&part, settings) {
            Ok(r) => Some(r),
            Err(refused) => refused.reading,
        }
    };
    let change = |(anchor, list): (usize, &&[TimedRange])| {
        let (before, after) = (side(list, false)?, side(list, true)?);
        let se_m = (before.se_m * before.se_m + after.se_m * after.se_m).sqrt();
        Some(LevelChange { anchor, change_m: after.level_m - before.level_m, se_m })
    };
    ranges.iter().enumerate().filter_map(change).collect()
}

#[cfg(test)]
mod tests;
