//! Proof of accuracy: a tag at checkpoints whose places are known.
//!
//! Two questions, answered apart:
//!
//! - **How large are the errors?** From the published positions: error vectors per checkpoint and in all
//!   ([`Accuracy`]), CE50 and CE95 with an interval, and whether the claimed covariances were honest. The
//!   positions of one checkpoint share their error, so the number of checkpoints counts, not that of the
//!   positions: with K points the mean square error has 2K degrees of freedom (χ²; a circular normal
//!   error is assumed), and the interval says what so few points leave open.
//! - **What explains them?** From the levels of the corrected ranges at the checkpoints: one wrong
//!   anchor (place or offset), one wrong checkpoint, or something that all boards share ([`FaultIsolation`]).

pub mod site_check;

use hereabout_core::Dimension;
use hereabout_core::geometry::vector::distance_m;

use crate::calibrate::adjust::AnchorLevel;
pub use crate::calibrate::fault::{Explanation, FaultCandidate, FaultIsolation};
use crate::calibrate::fault::{FaultModel, NamingRule, Observation};
use crate::calibrate::occupation::RANGE_LIMIT_M;
use crate::math::distribution::chi2_quantile;
use crate::math::metrics::{Accuracy, is_covered, normalised_square};
use crate::math::radius::ellipse_factor;

/// A published position.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PublishedFix {
    /// East, north, up, metres.
    pub position_m: [f64; 3],
    /// Claimed covariance, m², row-major.
    pub covariance_m2: [[f64; 3]; 3],
}

/// A known place and what was published and measured there.
#[derive(Clone, Debug, PartialEq)]
pub struct Checkpoint {
    /// East, north, up of the tag's antenna, metres.
    pub at_m: [f64; 3],
    /// Positions published while the tag stood there.
    pub fixes: Vec<PublishedFix>,
    /// Levels of the corrected ranges; may be empty, then nothing is explained.
    pub levels: Vec<AnchorLevel>,
}

/// An anchor as the site states it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StatedAnchor {
    /// East, north, up, metres.
    pub at_m: [f64; 3],
    /// Standard error of its offset; `None` when it was never calibrated.
    pub offset_se_m: Option<f64>,
}

/// Choices of the verification.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct VerifySettings {
    /// 2D or 3D: which coordinates count, and which ellipse.
    pub dimension: Dimension,
    /// CE95 to reach, metres; `None` when the site asks for none.
    pub required_ce95_m: Option<f64>,
    /// Error of a level by the place (heading, multipath, the tape), standard deviation in metres.
    pub place_sd_m: f64,
    /// A checkpoint this near to a place of the calibration proves little, metres.
    pub reused_within_m: f64,
}

impl VerifySettings {
    /// The trial-proven choices for a site of this dimension.
    pub fn new(dimension: Dimension) -> VerifySettings {
        VerifySettings { dimension, required_ce95_m: None, place_sd_m: 0.05, reused_within_m: 0.15 }
    }
}

/// Errors at one checkpoint.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PointResult {
    /// Size of the errors; `None` without a position.
    pub accuracy: Option<Accuracy>,
    /// Share of positions whose claimed 95 % ellipse held the checkpoint; `None` without a position.
    pub held_share: Option<f64>,
    /// Mean squared error in claimed standard deviations (as many as dimensions when honest); `None`
    /// without a position that has a covariance.
    pub normalised_chi2: Option<f64>,
    /// Index of the calibration place that this checkpoint repeats.
    pub reused: Option<usize>,
}

/// A circular error probable with what few points leave open.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CeInterval {
    /// As observed: the type 7 quantile over all positions, metres.
    pub observed_m: f64,
    /// Lower end of the 95 % interval, metres.
    pub low_m: f64,
    /// Upper end of the 95 % interval, metres.
    pub high_m: f64,
}

/// Whether the claimed covariances fit the errors.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Honesty {
    /// Share of positions whose claimed 95 % ellipse held the checkpoint.
    pub held_share: f64,
    /// Mean over the checkpoints of the normalised squared error.
    pub normalised_chi2: f64,
    /// Where that mean lies with 95 % when the claims are honest and each checkpoint is one draw.
    pub expected_chi2: [f64; 2],
    /// The answer.
    pub verdict: HonestyVerdict,
}

/// Whether the claimed ellipses are right.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HonestyVerdict {
    /// As large as the errors ask for.
    Honest,
    /// Too small.
    TooSure,
    /// Too large.
    TooShy,
}

/// The answer to the requirement.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Nothing is required.
    NotAsked,
    /// The observed CE95 is within the limit, and so is the upper end of its interval.
    PassedSurely,
    /// The observed CE95 is within the limit; with so few points it may be larger in truth.
    Passed,
    /// The observed CE95 is beyond the limit, or there is no position.
    Failed,
}

/// The whole proof.
#[derive(Clone, Debug, PartialEq)]
pub struct Verification {
    /// One for each checkpoint.
    pub points: Vec<PointResult>,
    /// Over all positions; `None` without any.
    pub overall: Option<Accuracy>,
    /// Half of the errors are smaller; `None` without a position.
    pub ce50: Option<CeInterval>,
    /// 95 % of the errors are smaller; `None` without a position.
    pub ce95: Option<CeInterval>,
    /// Whether the claimed ellipses held; `None` without a covariance.
    pub honesty: Option<Honesty>,
    /// Pass or fail.
    pub verdict: Verdict,
    /// What explains the misfit.
    pub faults: FaultIsolation,
}

/// Probability of chance and size from which an anchor is named.
const NAMING: NamingRule = NamingRule { max_chance_probability: 1e-2, min_shift_m: 0.10 };
/// An anchor that was never calibrated may be off by this much, standard deviation in metres
/// (boards read 5 cm long to 30 cm short: common practice, no source).
const UNCALIBRATED_SD_M: f64 = 0.20;

/// No site has coordinates beyond this, metres.
const PLACE_LIMIT_M: f64 = 20_000.0;

/// Works out the proof. Checkpoints, positions and levels with values that are not numbers are left out,
/// and so are levels of anchors that do not exist.
///
/// `calibration_places_m` are the places that the calibration used.
pub fn verify(
    anchors: &[StatedAnchor],
    checkpoints: &[Checkpoint],
    calibration_places_m: &[[f64; 3]],
    settings: &VerifySettings,
) -> Verification {
    let errors: Vec<Vec<Error>> = checkpoints.iter().map(|c| errors_of(c, settings.dimension)).collect();
    let point = |(c, e): (&Checkpoint, &Vec<Error>)| PointResult {
        accuracy: accuracy(e.iter()),
        held_share: mean(e.iter().map(|e| f64::from(u8::from(e.held)))),
        normalised_chi2: mean(e.iter().filter_map(|e| e.normalised_chi2)),
        reused: calibration_places_m
            .iter()
            .position(|p| flat_distance_m(*p, c.at_m) <= settings.reused_within_m),
    };
    let points: Vec<PointResult> = checkpoints.iter().zip(&errors).map(point).collect();
    let overall = accuracy(errors.iter().flatten());
    let ce = |observed_m: f64, p: f64| ce_interval(&points, observed_m, p);
    let ce95 = overall.and_then(|a| ce(a.horizontal.p95_m, 0.95));
    Verification {
        overall,
        ce50: overall.and_then(|a| ce(a.horizontal.p50_m, 0.5)),
        ce95,
        honesty: honesty(&points, &errors, settings.dimension),
        verdict: judge(ce95, settings.required_ce95_m),
        faults: explain(anchors, checkpoints, settings),
        points,
    }
}

/// One position's error.
struct Error {
    vector_m: [f64; 3],
    held: bool,
    normalised_chi2: Option<f64>,
}

fn errors_of(c: &Checkpoint, dimension: Dimension) -> Vec<Error> {
    let error = |f: &PublishedFix| {
        let vector_m: [f64; 3] = std::array::from_fn(|k| f.position_m[k] - c.at_m[k]);
        vector_m.iter().all(|v| v.abs() < 2.0 * PLACE_LIMIT_M).then(|| Error {
            vector_m,
            held: is_covered(vector_m, &f.covariance_m2, dimension, 0.95),
            normalised_chi2: normalised_square(vector_m, &f.covariance_m2, dimension),
        })
    };
    c.fixes.iter().filter_map(error).collect()
}

fn accuracy<'a>(errors: impl Iterator<Item = &'a Error>) -> Option<Accuracy> {
    Accuracy::of(&errors.map(|e| e.vector_m).collect::<Vec<_>>())
}

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (n, sum) = values.fold((0.0, 0.0), |(n, sum), v| (n + 1.0, sum + v));
    (n > 0.0).then(|| sum / n)
}

fn flat_distance_m(a_m: [f64; 3], b_m: [f64; 3]) -> f64 {
    distance_m([a_m[0], a_m[1]], [b_m[0], b_m[1]])
}

/// The interval of a quantile from the mean squares of the checkpoints: 2K·ŝ²/σ² is χ² with 2K degrees of
/// freedom, and the quantile is σ·√(-2 ln(1-p)).
fn ce_interval(points: &[PointResult], observed_m: f64, share: f64) -> Option<CeInterval> {
    let squares = points.iter().filter_map(|r| Some(r.accuracy?.horizontal.rms_m.powi(2)));
    let (k, sum) = squares.fold((0, 0.0), |(k, sum), s| (k + 1, sum + s));
    if k == 0 {
        return None;
    }
    let plane = Dimension::TwoD { tag_height_m: 0.0 };
    let at = |tail: f64| ellipse_factor(plane, share) * (sum / chi2_quantile(tail, 2 * k)).sqrt();
    Some(CeInterval { observed_m, low_m: at(0.025), high_m: at(0.975) })
}

/// The mean of K normalised squares against χ² with K times the dimension: exact when the positions of a
/// checkpoint share one error, generous when they do not.
fn honesty(points: &[PointResult], errors: &[Vec<Error>], dimension: Dimension) -> Option<Honesty> {
    let judged: Vec<f64> = points.iter().filter_map(|p| p.normalised_chi2).collect();
    let normalised = mean(judged.iter().copied())?;
    let k = judged.len();
    let dof = k * dimension.unknowns();
    let expected = [0.975, 0.025].map(|tail| chi2_quantile(tail, dof) / k as f64);
    let verdict = if normalised > expected[1] {
        HonestyVerdict::TooSure
    } else if normalised < expected[0] {
        HonestyVerdict::TooShy
    } else {
        HonestyVerdict::Honest
    };
    let held_share = mean(errors.iter().flatten().map(|e| f64::from(u8::from(e.held))))?;
    Some(Honesty { held_share, normalised_chi2: normalised, expected_chi2: expected, verdict })
}

fn judge(ce95: Option<CeInterval>, required_m: Option<f64>) -> Verdict {
    match (required_m, ce95) {
        (None, _) => Verdict::NotAsked,
        (Some(limit), Some(ce)) if ce.high_m <= limit && ce.observed_m <= limit => Verdict::PassedSurely,
        (Some(limit), Some(ce)) if ce.observed_m <= limit => Verdict::Passed,
        (Some(_), _) => Verdict::Failed,
    }
}

fn explain(
    anchors: &[StatedAnchor],
    checkpoints: &[Checkpoint],
    settings: &VerifySettings,
) -> FaultIsolation {
    let anchors_m: Vec<[f64; 3]> = anchors.iter().map(|a| a.at_m).collect();
    let occupations_m: Vec<[f64; 3]> = checkpoints.iter().map(|c| c.at_m).collect();
    let offset_se_m: Vec<Option<f64>> =
        anchors.iter().map(|a| Some(a.offset_se_m.unwrap_or(UNCALIBRATED_SD_M))).collect();
    let mut observations = Vec::new();
    for (occupation, c) in checkpoints.iter().enumerate() {
        for l in &c.levels {
            let place = anchors_m.get(l.anchor);
            let sd_m = (l.se_m * l.se_m + settings.place_sd_m * settings.place_sd_m).sqrt();
            let near = |v: &[f64; 3]| v.iter().all(|x| x.abs() < PLACE_LIMIT_M);
            if place.is_some_and(near)
                && near(&c.at_m)
                && l.level_m.abs() < RANGE_LIMIT_M
                && sd_m < RANGE_LIMIT_M
            {
                observations.push(Observation { occupation, anchor: l.anchor, range_m: l.level_m, sd_m });
            }
        }
    }
    let scene = FaultModel {
        anchors_m: &anchors_m,
        occupations_m: &occupations_m,
        observations: &observations,
        offset_se_m: &offset_se_m,
        scale: false,
        unknowns: settings.dimension.unknowns(),
    };
    let boards = (0..anchors.len()).flat_map(|i| {
        [
            FaultCandidate::AnchorPlace(i),
            FaultCandidate::AnchorPlaceAndOffset(i),
            FaultCandidate::AnchorOffset(i),
        ]
    });
    let points = (0..checkpoints.len()).map(FaultCandidate::OccupationPlace);
    let shared = [FaultCandidate::AllOffsets, FaultCandidate::AllScales];
    scene.explain(&boards.chain(points).chain(shared).collect::<Vec<_>>(), NAMING)
}

#[cfg(test)]
mod tests;
