//! Several occupations in one adjustment: the offset of every board, with an error that holds.
//!
//! Model: the level of anchor i at occupation k is scale·d_ik + offset_i + e. The variance of e is the occupation's
//! own standard error squared plus that of the place (heading, multipath, the tape), about 5 cm, which no
//! longer occupation averages out: more places help, more seconds don't. A variance of unit weight from
//! the residuals, steadied by four degrees of freedom of prior, scales all standard errors; Student's t
//! covers that it is an estimate.
//!
//! The scale stays at 1 unless asked for, or unless chance is excluded (F test), the distances spread
//! enough to carry it, and it is larger than what a room imitates. It is then common to all boards unless the boards provably differ.
//!
//! An occupation with wrong coordinates is found by [`FaultIsolation`]: it is left out and reported with its shift. An
//! anchor at a wrong place is reported; its offset is not to be trusted. A level without a direct path behind it
//! (a wall, a machine in between for the whole occupation) is too long by a constant that nothing within the occupation
//! shows: it is left out and reported with its excess over what the other levels say. One after the other is taken
//! out as long as it is proven; in the end each must still be proven against the final adjustment.

use hereabout_core::Correction;
use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ContinuousCDF, FisherSnedecor};

pub use crate::calibrate::fault::{Explanation, FaultCandidate, FaultIsolation};
use crate::calibrate::fault::{FaultModel, NamingRule, Observation, PRIOR_DOF};
use crate::calibrate::occupation::RANGE_LIMIT_M;
use crate::math::linear::{LinearError, LinearFit, linear_least_squares};
use crate::math::robust::{Z_975, student_t_975};

/// What one anchor reads at an occupation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AnchorLevel {
    /// Index into the site's anchors.
    pub anchor: usize,
    /// Raw level, metres ([`crate::calibrate::occupation::OccupationReading::level_m`]).
    pub level_m: f64,
    /// Standard error, metres.
    pub se_m: f64,
}

/// A known place where the tag stood.
#[derive(Clone, Debug, PartialEq)]
pub struct StaticOccupation {
    /// East, north, up of the tag's antenna, metres.
    pub at_m: [f64; 3],
    /// One an anchor whose occupation was taken; an anchor that comes twice counts twice.
    pub levels: Vec<AnchorLevel>,
}

/// Whether boards may have a scale.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum ScaleChoice {
    /// One offset a board; every scale is 1.
    Never,
    /// Only when proven and supported by the spread of distances.
    #[default]
    WhenProven,
    /// Asked for: refused when the distances do not spread enough.
    Asked,
}

/// What may be estimated, and what counts as odd.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AdjustSettings {
    /// Error of a place, standard deviation in metres, before the residuals have their say.
    pub place_sd_m: f64,
    /// Coordinates in which an occupation can be wrong: 2 or 3.
    pub unknowns: usize,
    /// Whether boards may have a scale.
    pub scale: ScaleChoice,
    /// Offsets beyond this size are reported as odd, metres.
    pub odd_offset_m: f64,
}

impl Default for AdjustSettings {
    fn default() -> AdjustSettings {
        AdjustSettings { place_sd_m: 0.05, unknowns: 2, scale: ScaleChoice::default(), odd_offset_m: 0.5 }
    }
}

/// Why there is no adjustment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum AdjustRefusal {
    /// No occupation has a level.
    NothingMeasured,
    /// A place or a level that is not a number or 10 km off, a negative standard error, or an anchor that
    /// does not exist.
    BadInput {
        /// Index into the occupations that were handed over.
        occupation: usize,
    },
    /// A scale was asked for and the distances do not carry it.
    ScaleNotSupported {
        /// Spread of the distances of the anchor with the largest one, metres.
        spread_m: f64,
        /// Spread that a scale needs at least, metres.
        need_m: f64,
        /// Occupations that have a level of that anchor.
        occupations: usize,
        /// Occupations that a scale needs at least.
        need_occupations: usize,
    },
    /// The rows do not determine the unknowns.
    Undetermined(LinearError),
}

/// One board's correction: true range = (raw - offset) / scale.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BoardOffset {
    /// Index into the site's anchors.
    pub anchor: usize,
    /// Constant part, metres; positive when the board reads long.
    pub offset_m: f64,
    /// Standard error of the correction at the occupations' mean distance, metres. Without a scale this is
    /// that of the offset; with one, the offset alone (distance zero) is known less well.
    pub se_m: f64,
    /// Proportional part; 1 when none was found.
    pub scale: f64,
    /// Standard error of the scale; `None` when it is fixed.
    pub scale_se: Option<f64>,
    /// Levels that it rests on.
    pub occupations: usize,
    /// Larger than any board's offset should be: a wrong coordinate, as a rule.
    pub odd: bool,
}

impl BoardOffset {
    /// As the site's anchors carry it.
    pub fn correction(&self) -> Correction {
        Correction { offset_m: self.offset_m, scale: self.scale, offset_se_m: Some(self.se_m) }
    }
}

/// What was decided about the scale.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ScaleVerdict {
    /// Fixed at 1 by choice.
    NotAsked,
    /// Fixed at 1: the distances do not spread enough to tell.
    NotSupported,
    /// Fixed at 1: the levels do not ask for one.
    NotProven {
        /// Probability of as large a scale by chance.
        chance_probability: f64,
    },
    /// Fixed at 1: a common scale is more than chance, but so small that the room makes it as well.
    TooSmall {
        /// What the common scale would be.
        scale: f64,
    },
    /// One scale for all boards.
    Common {
        /// Probability of as large a scale by chance.
        chance_probability: f64,
    },
    /// A scale of its own for each board.
    Each {
        /// Probability of so different scales by chance.
        chance_probability: f64,
    },
}

/// A residual of the adjustment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LevelResidual {
    /// Index into the occupations that were handed over.
    pub occupation: usize,
    /// Index into the site's anchors.
    pub anchor: usize,
    /// Level minus what the correction says, metres.
    pub residual_m: f64,
}

/// A level that was left out because no direct path is behind it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BlockedPath {
    /// Index into the occupations that were handed over.
    pub occupation: usize,
    /// Index into the site's anchors.
    pub anchor: usize,
    /// Level minus what the correction from the other levels says, metres; above zero.
    pub excess_m: f64,
    /// Standard error, metres.
    pub excess_se_m: f64,
    /// Probability of as large an excess by chance, for all levels together.
    pub chance_probability: f64,
}

/// All boards' corrections from all occupations.
#[derive(Clone, Debug, PartialEq)]
pub struct Adjustment {
    /// One for each anchor that was measured, in anchor order.
    pub boards: Vec<BoardOffset>,
    /// What was decided about the scale.
    pub scale: ScaleVerdict,
    /// Occupations that were left out because their coordinates are wrong, with the shift.
    pub wrong_occupations: Vec<Explanation>,
    /// Levels that were left out because no direct path is behind them, by occupation, then by anchor.
    pub blocked: Vec<BlockedPath>,
    /// What still looks wrong: an anchor's place, or candidates that cannot be distinguished.
    pub faults: FaultIsolation,
    /// Error of a place as the residuals show it, standard deviation in metres; `None` when no level is left
    /// over to show it.
    pub place_sd_m: Option<f64>,
    /// Number of occupations that took part.
    pub occupations: usize,
    /// Residuals of the levels that took part.
    pub residuals: Vec<LevelResidual>,
}

/// Fewest levels of a board among which one can be shown to be too long: two that agree are left then.
const MIN_LEVELS_TO_NAME: usize = 3;
/// Fewest occupations that can tell a wrong coordinate from an offset for sure.
pub const MIN_OCCUPATIONS_TO_NAME: usize = 5;
/// Most levels that are taken out as blocked: each costs a search of its own, which bounds the time.
const MAX_BLOCKED: usize = 40;
/// Distances of one anchor must spread this much to carry a scale, metres.
const MIN_SCALE_SPREAD_M: f64 = 3.0;
/// Occupations of one anchor that a scale needs.
const MIN_SCALE_OCCUPATIONS: usize = 3;
/// Probability of chance below which a scale counts as proven.
const MAX_SCALE_CHANCE_PROBABILITY: f64 = 1e-3;
/// A scale nearer to 1 is not taken unasked. Places and reflections imitate 1 to 3 per cent within a room
/// (seen in real data; it does not carry over to another place), and board clocks make 0.002 per cent.
pub(crate) const MIN_UNASKED_SCALE_RATIO: f64 = 0.03;
/// Probability of chance and size from which an occupation is named.
const NAMING: NamingRule = NamingRule { max_chance_probability: 5e-3, min_shift_m: 0.10 };

/// Adjusts all occupations together.
///
/// # Errors
/// [`AdjustRefusal`].
pub fn adjust(
    anchors_m: &[[f64; 3]],
    occupations: &[StaticOccupation],
    settings: &AdjustSettings,
) -> Result<Adjustment, AdjustRefusal> {
    let mut rows = Rows::new(anchors_m, occupations, settings)?;
    if settings.scale == ScaleChoice::Asked {
        rows.require_spread()?;
    }
    let occupations_m: Vec<[f64; 3]> = occupations.iter().map(|s| s.at_m).collect();
    let mut search = rows.leave_out_what_is_wrong(anchors_m, &occupations_m, settings)?;
    let (form, scale, fit, blocked) = rows.settle(&mut search.blocked, settings)?;
    Ok(Adjustment {
        boards: rows.boards(form, &fit, settings),
        scale,
        wrong_occupations: search.wrong,
        blocked,
        faults: search.faults,
        place_sd_m: rows.place_sd_m(&fit),
        occupations: rows.occupations().len(),
        residuals: rows
            .list
            .iter()
            .zip(fit.residuals.iter())
            .map(|(r, e)| LevelResidual {
                occupation: r.occupation,
                anchor: r.anchor,
                residual_m: e * r.sd_m,
            })
            .collect(),
    })
}

/// One level with its distance.
#[derive(Clone, Copy, Debug)]
struct Row {
    occupation: usize,
    anchor: usize,
    level_m: f64,
    distance_m: f64,
    se_m: f64,
    /// Standard error and place together.
    sd_m: f64,
}

/// Which unknowns the adjustment has beside the offsets.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Form {
    Offsets,
    CommonScale,
    ScaleEach,
}

struct Rows {
    list: Vec<Row>,
}

/// What was found to be wrong so far.
struct Search {
    wrong: Vec<Explanation>,
    /// Levels that were taken out.
    blocked: Vec<Row>,
    faults: FaultIsolation,
}

impl Rows {
    fn new(
        anchors_m: &[[f64; 3]],
        occupations: &[StaticOccupation],
        settings: &AdjustSettings,
    ) -> Result<Rows, AdjustRefusal> {
        let mut list = Vec::new();
        for (occupation, s) in occupations.iter().enumerate() {
            for l in &s.levels {
                let bad = AdjustRefusal::BadInput { occupation };
                let a = anchors_m.get(l.anchor).ok_or(bad)?;
                let v: [f64; 3] = std::array::from_fn(|c| s.at_m[c] - a[c]);
                let distance_m = (v[0] * v[0] + v[1] * v[1] + v[2] * v[2]).sqrt();
                let sane = distance_m < RANGE_LIMIT_M && l.level_m.abs() < RANGE_LIMIT_M;
                if !(sane && l.se_m >= 0.0 && l.se_m < RANGE_LIMIT_M) {
                    return Err(bad);
                }
                let place = settings.place_sd_m.max(1e-3);
                let sd_m = (l.se_m * l.se_m + place * place).sqrt();
                let (anchor, level_m, se_m) = (l.anchor, l.level_m, l.se_m);
                list.push(Row { occupation, anchor, level_m, distance_m, se_m, sd_m });
            }
        }
        if list.is_empty() { Err(AdjustRefusal::NothingMeasured) } else { Ok(Rows { list }) }
    }

    /// Anchors that were measured, ascending.
    fn anchors(&self) -> Vec<usize> {
        let mut all: Vec<usize> = self.list.iter().map(|r| r.anchor).collect();
        all.sort_unstable();
        all.dedup();
        all
    }

    fn of_anchor(&self, anchor: usize) -> impl Iterator<Item = &Row> {
        self.list.iter().filter(move |r| r.anchor == anchor)
    }

    fn mean_distance_m(&self, anchor: usize) -> f64 {
        let n = self.of_anchor(anchor).count().max(1);
        self.of_anchor(anchor).map(|r| r.distance_m).sum::<f64>() / n as f64
    }

    /// Spread of the distances and number of occupations, by anchor, the largest spread first.
    fn support(&self) -> Vec<(f64, usize)> {
        let of = |anchor: usize| {
            let low = self.of_anchor(anchor).map(|r| r.distance_m).fold(f64::INFINITY, f64::min);
            let high = self.of_anchor(anchor).map(|r| r.distance_m).fold(0.0, f64::max);
            (high - low, self.of_anchor(anchor).count())
        };
        let mut all: Vec<(f64, usize)> = self.anchors().into_iter().map(of).collect();
        all.sort_by(|a, b| b.0.total_cmp(&a.0));
        all
    }

    /// One anchor whose distances spread carries a common scale.
    fn require_spread(&self) -> Result<(), AdjustRefusal> {
        let support = self.support();
        if support.iter().copied().any(carries_scale) {
            return Ok(());
        }
        let (spread_m, occupations) = support.first().copied().unwrap_or((0.0, 0));
        let (need_m, need_occupations) = (MIN_SCALE_SPREAD_M, MIN_SCALE_OCCUPATIONS);
        Err(AdjustRefusal::ScaleNotSupported { spread_m, need_m, occupations, need_occupations })
    }

    /// Names what is wrong, one after the other, and takes it out: at most one occupation in four, one level in five
    /// and [`MAX_BLOCKED`] of them. What is proven beyond that is reported as a candidate.
    fn leave_out_what_is_wrong(
        &mut self,
        anchors_m: &[[f64; 3]],
        occupations_m: &[[f64; 3]],
        settings: &AdjustSettings,
    ) -> Result<Search, AdjustRefusal> {
        let mut search = Search { wrong: Vec::new(), blocked: Vec::new(), faults: FaultIsolation::None };
        let most_blocked = (self.list.len() / 5).min(MAX_BLOCKED);
        loop {
            let faults = self.explain(anchors_m, occupations_m, settings)?;
            let enough = self.occupations().len() >= MIN_OCCUPATIONS_TO_NAME;
            match faults {
                FaultIsolation::Named(
                    e @ Explanation { candidate: FaultCandidate::OccupationPlace(k), .. },
                ) if enough && search.wrong.len() < occupations_m.len() / 4 => {
                    self.list.retain(|r| r.occupation != k);
                    // Its paths were named before the place was known to be wrong.
                    search.blocked.retain(|r| r.occupation != k);
                    search.wrong.push(e);
                }
                FaultIsolation::Named(Explanation {
                    candidate: FaultCandidate::Path { occupation, anchor },
                    ..
                }) if enough && search.blocked.len() < most_blocked => {
                    let own = |r: &Row| (r.occupation, r.anchor) == (occupation, anchor);
                    search.blocked.extend(self.list.extract_if(.., |r| own(r)));
                }
                // With so few occupations the name is a guess.
                FaultIsolation::Named(e)
                    if matches!(
                        e.candidate,
                        FaultCandidate::OccupationPlace(_) | FaultCandidate::Path { .. }
                    ) =>
                {
                    search.faults = FaultIsolation::Undecided(vec![e]);
                    return Ok(search);
                }
                other => {
                    search.faults = other;
                    return Ok(search);
                }
            }
        }
    }

    /// What the residuals say now.
    fn explain(
        &self,
        anchors_m: &[[f64; 3]],
        occupations_m: &[[f64; 3]],
        settings: &AdjustSettings,
    ) -> Result<FaultIsolation, AdjustRefusal> {
        let (form, _) = self.choose_scale(settings.scale)?;
        let observation = |r: &Row| Observation {
            occupation: r.occupation,
            anchor: r.anchor,
            range_m: r.level_m,
            sd_m: r.sd_m,
        };
        let observations: Vec<Observation> = self.list.iter().map(observation).collect();
        let scene = FaultModel {
            anchors_m,
            occupations_m,
            observations: &observations,
            offset_se_m: &vec![None; anchors_m.len()],
            scale: form != Form::Offsets,
            unknowns: settings.unknowns,
        };
        let mut candidates: Vec<FaultCandidate> =
            self.occupations().into_iter().map(FaultCandidate::OccupationPlace).collect();
        candidates.extend(self.anchors().into_iter().map(FaultCandidate::AnchorPlace));
        let comparable = |r: &&Row| self.of_anchor(r.anchor).count() >= MIN_LEVELS_TO_NAME;
        let path = |r: &Row| FaultCandidate::Path { occupation: r.occupation, anchor: r.anchor };
        candidates.extend(self.list.iter().filter(comparable).map(path));
        Ok(scene.explain(&candidates, NAMING))
    }

    /// The final adjustment. Levels among `blocked` that it explains after all are put back, one by one.
    fn settle(
        &mut self,
        blocked: &mut Vec<Row>,
        settings: &AdjustSettings,
    ) -> Result<(Form, ScaleVerdict, LinearFit, Vec<BlockedPath>), AdjustRefusal> {
        loop {
            let (form, scale) = self.choose_scale(settings.scale)?;
            let fit = self.fit(form)?;
            let tried = self.list.len() + blocked.len();
            let paths: Vec<Option<BlockedPath>> =
                blocked.iter().map(|r| self.excess(r, form, &fit, tried)).collect();
            let chance = |k: &usize| paths[*k].map_or(1.0, |p| p.chance_probability);
            let weakest = (0..paths.len()).max_by(|a, b| chance(a).total_cmp(&chance(b)));
            let Some(k) = weakest.filter(|k| chance(k) > NAMING.max_chance_probability) else {
                let mut paths: Vec<BlockedPath> = paths.into_iter().flatten().collect();
                paths.sort_by_key(|p| (p.occupation, p.anchor));
                return Ok((form, scale, fit, paths));
            };
            self.list.push(blocked.remove(k));
        }
    }

    /// How much longer a level that was left out is than the others say; `None` when its board has no other.
    fn excess(&self, r: &Row, form: Form, fit: &LinearFit, tried: usize) -> Option<BlockedPath> {
        let anchors = self.anchors();
        let column = anchors.binary_search(&r.anchor).ok()?;
        let mut row = DVector::zeros(fit.unknowns.len());
        row[column] = 1.0;
        let beyond = r.distance_m - self.mean_distance_m(r.anchor);
        match form {
            Form::Offsets => {}
            Form::CommonScale => row[anchors.len()] = beyond,
            Form::ScaleEach => row[anchors.len() + column] = beyond,
        }
        let excess_m = r.level_m - r.distance_m - row.dot(&fit.unknowns);
        let own = row.dot(&(&fit.cofactor * &row)) + r.sd_m * r.sd_m;
        let excess_se_m = (variance(fit) * own).sqrt();
        let law = FisherSnedecor::new(1.0, PRIOR_DOF + fit.dof as f64);
        let by_chance = law.map_or(1.0, |law| law.sf((excess_m / excess_se_m).powi(2)));
        let chance = if excess_m > 0.0 { (0.5 * tried as f64 * by_chance).min(1.0) } else { 1.0 };
        Some(BlockedPath {
            occupation: r.occupation,
            anchor: r.anchor,
            excess_m,
            excess_se_m,
            chance_probability: chance,
        })
    }

    /// Occupations that take part, ascending.
    fn occupations(&self) -> Vec<usize> {
        let mut all: Vec<usize> = self.list.iter().map(|r| r.occupation).collect();
        all.sort_unstable();
        all.dedup();
        all
    }

    fn choose_scale(&self, choice: ScaleChoice) -> Result<(Form, ScaleVerdict), AdjustRefusal> {
        if choice == ScaleChoice::Never {
            return Ok((Form::Offsets, ScaleVerdict::NotAsked));
        }
        if self.require_spread().is_err() {
            return Ok((Form::Offsets, ScaleVerdict::NotSupported));
        }
        let (plain, common) = (self.fit(Form::Offsets)?, self.fit(Form::CommonScale)?);
        let chance = chance_of_gain(&plain, &common);
        let proven = chance < MAX_SCALE_CHANCE_PROBABILITY;
        let change = common.unknowns[common.unknowns.len() - 1];
        let asked = choice == ScaleChoice::Asked;
        if proven && !asked && change.abs() < MIN_UNASKED_SCALE_RATIO {
            return Ok((Form::Offsets, ScaleVerdict::TooSmall { scale: 1.0 + change }));
        }
        if self.support().into_iter().all(carries_scale) {
            let each = self.fit(Form::ScaleEach)?;
            let differ = chance_of_gain(&common, &each);
            if (proven || asked)
                && differ < MAX_SCALE_CHANCE_PROBABILITY
                && chance_of_gain(&plain, &each) < MAX_SCALE_CHANCE_PROBABILITY
            {
                return Ok((Form::ScaleEach, ScaleVerdict::Each { chance_probability: differ }));
            }
        }
        if proven || asked {
            Ok((Form::CommonScale, ScaleVerdict::Common { chance_probability: chance }))
        } else {
            Ok((Form::Offsets, ScaleVerdict::NotProven { chance_probability: chance }))
        }
    }

    /// Columns: offsets at the anchor's mean distance, then scale minus one.
    fn fit(&self, form: Form) -> Result<LinearFit, AdjustRefusal> {
        let anchors = self.anchors();
        let means: Vec<f64> = anchors.iter().map(|a| self.mean_distance_m(*a)).collect();
        let scales = match form {
            Form::Offsets => 0,
            Form::CommonScale => 1,
            Form::ScaleEach => anchors.len(),
        };
        let mut design = DMatrix::zeros(self.list.len(), anchors.len() + scales);
        let mut observed = DVector::zeros(self.list.len());
        for (i, r) in self.list.iter().enumerate() {
            let column = anchors.binary_search(&r.anchor).unwrap_or(0);
            design[(i, column)] = 1.0 / r.sd_m;
            let beyond = (r.distance_m - means[column]) / r.sd_m;
            match form {
                Form::Offsets => {}
                Form::CommonScale => design[(i, anchors.len())] = beyond,
                Form::ScaleEach => design[(i, anchors.len() + column)] = beyond,
            }
            observed[i] = (r.level_m - r.distance_m) / r.sd_m;
        }
        linear_least_squares(&design, &observed).map_err(AdjustRefusal::Undetermined)
    }

    fn boards(&self, form: Form, fit: &LinearFit, settings: &AdjustSettings) -> Vec<BoardOffset> {
        let anchors = self.anchors();
        let count = anchors.len();
        let widen = variance(fit).sqrt() * student_t_975(PRIOR_DOF + fit.dof as f64) / Z_975;
        let se = |c: usize| widen * fit.cofactor[(c, c)].max(0.0).sqrt();
        anchors
            .into_iter()
            .enumerate()
            .map(|(c, anchor)| {
                let scale_column = match form {
                    Form::Offsets => None,
                    Form::CommonScale => Some(count),
                    Form::ScaleEach => Some(count + c),
                };
                let beyond = scale_column.map_or(0.0, |k| fit.unknowns[k]);
                let offset_m = fit.unknowns[c] - beyond * self.mean_distance_m(anchor);
                BoardOffset {
                    anchor,
                    offset_m,
                    se_m: se(c),
                    scale: 1.0 + beyond,
                    scale_se: scale_column.map(se),
                    occupations: self.of_anchor(anchor).count(),
                    odd: offset_m.abs() > settings.odd_offset_m,
                }
            })
            .collect()
    }

    /// What the residuals leave for the place once the occupations' own errors are taken off.
    fn place_sd_m(&self, fit: &LinearFit) -> Option<f64> {
        let squares = fit.rss / (fit.dof > 0).then_some(fit.dof as f64)?;
        let n = self.list.len() as f64;
        let total = squares * self.list.iter().map(|r| r.sd_m * r.sd_m).sum::<f64>() / n;
        let own = self.list.iter().map(|r| r.se_m * r.se_m).sum::<f64>() / n;
        Some((total - own).max(0.0).sqrt())
    }
}

/// Whether one anchor's distances (spread, number) determine a scale.
fn carries_scale((spread_m, occupations): (f64, usize)) -> bool {
    spread_m >= MIN_SCALE_SPREAD_M && occupations >= MIN_SCALE_OCCUPATIONS
}

fn variance(fit: &LinearFit) -> f64 {
    (PRIOR_DOF + fit.rss) / (PRIOR_DOF + fit.dof as f64)
}

/// Probability that the added unknowns of `wide` gain so much over `narrow` by chance.
fn chance_of_gain(narrow: &LinearFit, wide: &LinearFit) -> f64 {
    let added = wide.unknowns.len().saturating_sub(narrow.unknowns.len()) as f64;
    let gain = narrow.rss - wide.rss;
    if added < 1.0 || gain <= 0.0 {
        return 1.0;
    }
    let law = FisherSnedecor::new(added, PRIOR_DOF + wide.dof as f64);
    law.map_or(1.0, |law| law.sf(gain / added / variance(wide)))
}

#[cfg(test)]
mod tests;
