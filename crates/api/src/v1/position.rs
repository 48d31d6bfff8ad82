//! The position message: what robots steer by. Also one row of `replay --out`, byte for byte.

use hereabout_core::{Doubt, NoFixReason, Place, PositionReport, RejectedRange, TagState};
use hereabout_words::time::rfc3339;
use hereabout_words::{Said, position as words};
use serde::Serialize;
use utoipa::ToSchema;

use super::{
    MessageType, Sending, json,
    number::{matrix, round_1e4, vector},
};
use crate::state::expiry::Position;

/// How far a position can be trusted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum PositionStateName {
    /// Supported by ranges of this instant.
    Located,
    /// Predicted from an earlier fix; no fresh one. No position beyond `valid_until`.
    Coasting,
    /// Two places fit; both are in `candidates`.
    Ambiguous,
    /// No position.
    Lost,
}

impl From<TagState> for PositionStateName {
    fn from(state: TagState) -> PositionStateName {
        match state {
            TagState::Located => PositionStateName::Located,
            TagState::Coasting => PositionStateName::Coasting,
            TagState::Ambiguous => PositionStateName::Ambiguous,
            TagState::Lost => PositionStateName::Lost,
        }
    }
}

/// Where one tag is, or that and why this is not known.
///
/// What has run out is never served as current: whoever asks after `valid_until` gets `lost` with the code `expired`,
/// `seq` of the last message, and both stamps at the instant at which it ran out. A message of a stream is as it was
/// said; when it left too late, `valid_for_s` is 0.
///
/// Every message has the same keys, in whatever state: what is not known is null. Only `age_s`, `valid_for_s` and
/// `sender_s`, which the sending tells, and `nonce` come and go.
///
/// Positions may jump like any absolute fix (ROS REP-105, frame `map`). Axes: x east, y north, z up,
/// right-handed, metres (REP-103).
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct PositionBody {
    /// `position`, or `position_delayed`: where the tag was a moment ago, smoothed with what came after.
    #[serde(rename = "type")]
    pub kind: MessageType,
    /// Number of the message in the session, from 1, without gaps, over all tags. Delayed ones have
    /// their own numbers.
    pub seq: u64,
    /// Which tag.
    pub tag: u32,
    /// What people call it; only for a tag that the site file lists.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tag_name: Option<String>,
    /// The instant that the position is for, RFC 3339: when its ranges were measured, as far as that can be told.
    pub time: String,
    /// Whoever hears nothing newer until then must treat the position as unknown.
    pub valid_until: String,
    /// How far it can be trusted.
    pub state: PositionStateName,
    /// East, north, up, metres; null when lost or ambiguous.
    #[schema(required)]
    pub position_m: Option<[f64; 3]>,
    /// Row-major, m²; null without a position. At a 2D site the height is not estimated: its variance is that of the
    /// site file's `tag_height_se_m`, and null where the site states none; what it has in common with east and north is 0.
    #[schema(required)]
    pub covariance_m2: Option<[[Option<f64>; 3]; 3]>,
    /// Radius that holds the truth with 95 %, metres: a circle in 2D, a sphere in 3D.
    #[schema(required)]
    pub radius95_m: Option<f64>,
    /// At any instant until `valid_until` the tag is farther from `position_m` with a probability of at most 10⁻³
    /// under the stated error model: what it may have moved is in it. Null where the estimator gives none.
    #[schema(required)]
    pub protection_radius_m: Option<f64>,
    /// False when no range was left over to check the fix with, when it rests on anchors that are in doubt, when the place is
    /// more than a metre outside of the site's fence, or when it is in doubt whether the site file fits.
    pub checked: bool,
    /// True when the track was given up for another place with this message: the position may have jumped.
    pub restarted: bool,
    /// East, north, up, metres per second; null when the estimator has none.
    #[schema(required)]
    pub velocity_mps: Option<[f64; 3]>,
    /// Horizontal dilution of precision.
    #[schema(required)]
    pub hdop: Option<f64>,
    /// Vertical dilution of precision; null at 2D sites.
    #[schema(required)]
    pub vdop: Option<f64>,
    /// Dilution of precision in space; null at 2D sites.
    #[schema(required)]
    pub pdop: Option<f64>,
    /// Anchors whose ranges took part.
    pub used: Vec<u16>,
    /// Anchors whose ranges were left out, and why.
    pub rejected: Vec<RejectedBody>,
    /// Both places, likelier first; empty unless ambiguous.
    pub candidates: Vec<CandidateBody>,
    /// Why the ranges of this instant gave no place; null when they gave one.
    #[schema(required)]
    pub no_fix: Option<NoFixBody>,
    /// Seconds from `time` to the sending of this message. Absent in replay.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub age_s: Option<f64>,
    /// Seconds from the sending of this message to `valid_until`; 0 when it held no longer. Count them from its arrival,
    /// less what it waited on its way. Absent in replay.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub valid_for_s: Option<f64>,
    /// The sender's steady time at the sending of this message, seconds since its start: who sees it lag behind a steady
    /// clock of its own reads what waited. Absent in replay.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sender_s: Option<f64>,
    /// What was given as `nonce`; only in an answer to a question that had one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub nonce: Option<String>,
}

/// A range that was left out of a position.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct RejectedBody {
    /// Which anchor.
    pub anchor: u16,
    /// Measured minus computed, metres.
    #[schema(required)]
    pub residual_m: Option<f64>,
    /// `too long`, `too short` or `not credible`.
    pub why: &'static str,
    /// Probability that it is good all the same. Absent with the plain estimator, which has none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub p_good: Option<f64>,
}

/// One of two places that fit.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct CandidateBody {
    /// East, north, up, metres.
    #[schema(required)]
    pub position_m: Option<[f64; 3]>,
    /// Row-major, m²; the variance of the height as in the message.
    #[schema(required)]
    pub covariance_m2: Option<[[Option<f64>; 3]; 3]>,
}

/// Why there is no fix.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct NoFixBody {
    /// For programs.
    pub code: NoFixCode,
    /// For people: what happened and what to do.
    pub words: String,
}

/// Why there is no fix, for programs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum NoFixCode {
    /// No usable range at all.
    NoRanges,
    /// Fewer usable ranges than a position needs.
    TooFewRanges,
    /// The answering anchors lie so that the place is not determined.
    WeakGeometry,
    /// Two places fit and nothing tells them apart.
    TwoPlaces,
    /// The ranges contradict each other and none can be blamed.
    Inconsistent,
    /// The computation did not settle.
    NotConverged,
    /// The frames were measured too long ago.
    OldFrames,
    /// The frames came before.
    RepeatedFrames,
    /// The frames are bit for bit those of before.
    FrozenFrames,
    /// Nobody can say how old the frames are.
    AgeUnknown,
    /// Frames come, but of no tag that is known.
    UnknownTag,
    /// Nothing newer was said for as long as the last position held.
    Expired,
}

impl NoFixBody {
    fn new(code: NoFixCode, said: &Said) -> NoFixBody {
        NoFixBody { code, words: said.line() }
    }

    /// Why there is no position any more where the last one has run out.
    fn expired() -> NoFixBody {
        NoFixBody::new(NoFixCode::Expired, &words::expired())
    }
}

impl From<NoFixReason> for NoFixBody {
    fn from(reason: NoFixReason) -> NoFixBody {
        NoFixBody::new(reason.into(), &words::no_fix(reason))
    }
}

impl From<NoFixReason> for NoFixCode {
    fn from(reason: NoFixReason) -> NoFixCode {
        match reason {
            NoFixReason::NoRanges => NoFixCode::NoRanges,
            NoFixReason::TooFewRanges { .. } => NoFixCode::TooFewRanges,
            NoFixReason::WeakGeometry => NoFixCode::WeakGeometry,
            NoFixReason::TwoPlaces => NoFixCode::TwoPlaces,
            NoFixReason::Inconsistent => NoFixCode::Inconsistent,
            NoFixReason::NotConverged => NoFixCode::NotConverged,
            NoFixReason::NotCurrent(Doubt::Old) => NoFixCode::OldFrames,
            NoFixReason::NotCurrent(Doubt::Repeated) => NoFixCode::RepeatedFrames,
            NoFixReason::NotCurrent(Doubt::Frozen) => NoFixCode::FrozenFrames,
            NoFixReason::NotCurrent(Doubt::Unsettled) => NoFixCode::AgeUnknown,
            NoFixReason::NotCurrent(Doubt::UnknownTag) => NoFixCode::UnknownTag,
        }
    }
}

impl From<&RejectedRange> for RejectedBody {
    fn from(range: &RejectedRange) -> RejectedBody {
        RejectedBody {
            anchor: range.anchor.0,
            residual_m: round_1e4(range.residual_m),
            why: words::left_out(range.why),
            p_good: range.p_good.and_then(round_1e4),
        }
    }
}

impl From<&Place> for CandidateBody {
    fn from(place: &Place) -> CandidateBody {
        CandidateBody { position_m: vector(place.position_m), covariance_m2: matrix(place.covariance_m2) }
    }
}

impl PositionBody {
    /// The body of `report`; with what the moment tells when it is sent, without when it is replayed.
    pub fn from_report(report: &PositionReport, sending: Option<Sending>) -> PositionBody {
        let place = report.place().as_ref().map(CandidateBody::from);
        let [hdop, vdop, pdop] = report.dop();
        PositionBody {
            kind: MessageType::Position,
            seq: report.seq,
            tag: report.tag.0,
            tag_name: None,
            time: rfc3339(report.at),
            valid_until: rfc3339(report.valid_until),
            state: report.state().into(),
            position_m: place.as_ref().and_then(|p| p.position_m),
            covariance_m2: place.as_ref().and_then(|p| p.covariance_m2),
            radius95_m: report.radius95_m().and_then(round_1e4),
            protection_radius_m: report.protection_radius_m().and_then(round_1e4),
            checked: report.checked(),
            restarted: report.restarted,
            velocity_mps: report.velocity_mps().and_then(vector),
            hdop: hdop.and_then(round_1e4),
            vdop: vdop.and_then(round_1e4),
            pdop: pdop.and_then(round_1e4),
            used: report.used.iter().map(|a| a.0).collect(),
            rejected: report.rejected.iter().map(RejectedBody::from).collect(),
            candidates: report.candidates().iter().map(CandidateBody::from).collect(),
            no_fix: report.no_fix.map(NoFixBody::from),
            age_s: sending.map(|s| s.age_s(report.at)),
            valid_for_s: sending.map(|s| s.valid_for_s(report.valid_until)),
            sender_s: sending.map(Sending::sender_s),
            nonce: None,
        }
    }

    /// The same with what people call the tag.
    #[must_use]
    pub fn named(self, tag_name: Option<&str>) -> PositionBody {
        PositionBody { tag_name: tag_name.map(str::to_owned), ..self }
    }

    /// The body of a position as it counts at some moment: lost, and why, when it has run out.
    pub(crate) fn from_current(position: &Position<'_>) -> PositionBody {
        let mut body = PositionBody::from_report(&position.report, None);
        if position.expired {
            body.no_fix = Some(NoFixBody::expired());
        }
        body
    }

    /// The body of a delayed report. It has no age: being late is its nature.
    pub fn from_delayed(report: &PositionReport) -> PositionBody {
        PositionBody { kind: MessageType::PositionDelayed, ..PositionBody::from_report(report, None) }
    }

    /// The JSON text, on one line without an end of line. The one place that makes it.
    pub fn to_json(&self) -> String {
        json(self)
    }
}

/// The latest position message of every tag, as it counts now. Describes the shape for the OpenAPI document; the text
/// is put together from the messages themselves.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct TagsBody {
    /// In the order of tag ids; empty before the first position.
    pub tags: Vec<PositionBody>,
    /// What was given as `nonce`; only when it was.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub nonce: Option<String>,
}
