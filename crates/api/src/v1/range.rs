//! The ranges of one epoch with what became of each: nothing is dropped silently.

use hereabout_core::{Doubt, JudgedEpoch, JudgedRange, Verdict};
use hereabout_words::position::left_out;
use hereabout_words::time::rfc3339;
use serde::Serialize;
use utoipa::ToSchema;

use super::{MessageType, json, number::round_1e4};
use crate::state::VERDICT_KINDS;

/// What became of a range.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum VerdictName {
    /// It took part in the position.
    Used,
    /// The frame had no range for this anchor.
    NoReading,
    /// The same, and the anchor has been silent for longer than a second.
    AnchorSilent,
    /// Outside the site's span of believable ranges.
    OutOfSpan,
    /// The outlier gate left it out; `why` says why.
    Rejected,
    /// Set aside because the anchor itself is suspect.
    AnchorSuspect,
    /// A good number, but this epoch gave no position.
    NoFix,
    /// The frame was measured too long ago.
    Old,
    /// The frame came before.
    Repeated,
    /// The frame is bit for bit the ones of before.
    Frozen,
    /// Nobody can say how old the frame is.
    Unsettled,
    /// The frame's tag is not admitted: its number may have been damaged on its way.
    UnknownTag,
    /// The module holds on to the anchor's last range.
    Held,
}

impl VerdictName {
    /// All of them, in the order of the counters.
    pub(crate) const ALL: [VerdictName; VERDICT_KINDS] = [
        VerdictName::Used,
        VerdictName::NoReading,
        VerdictName::AnchorSilent,
        VerdictName::OutOfSpan,
        VerdictName::Rejected,
        VerdictName::AnchorSuspect,
        VerdictName::NoFix,
        VerdictName::Old,
        VerdictName::Repeated,
        VerdictName::Frozen,
        VerdictName::Unsettled,
        VerdictName::UnknownTag,
        VerdictName::Held,
    ];
}

impl From<Verdict> for VerdictName {
    fn from(verdict: Verdict) -> VerdictName {
        match verdict {
            Verdict::Used => VerdictName::Used,
            Verdict::NoReading => VerdictName::NoReading,
            Verdict::AnchorSilent => VerdictName::AnchorSilent,
            Verdict::OutOfSpan => VerdictName::OutOfSpan,
            Verdict::Rejected(_) => VerdictName::Rejected,
            Verdict::AnchorExcluded => VerdictName::AnchorSuspect,
            Verdict::NoFix => VerdictName::NoFix,
            Verdict::Doubted(Doubt::Old) => VerdictName::Old,
            Verdict::Doubted(Doubt::Repeated) => VerdictName::Repeated,
            Verdict::Doubted(Doubt::Frozen) => VerdictName::Frozen,
            Verdict::Doubted(Doubt::Unsettled) => VerdictName::Unsettled,
            Verdict::Doubted(Doubt::UnknownTag) => VerdictName::UnknownTag,
            Verdict::Held => VerdictName::Held,
        }
    }
}

/// All ranges of one tag at one instant.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct RangesBody {
    /// Always `range`.
    #[serde(rename = "type")]
    pub kind: MessageType,
    /// Which tag.
    pub tag: u32,
    /// When the frame arrived, RFC 3339.
    pub time: String,
    /// When it was measured, as far as that can be told, RFC 3339.
    pub measured_time: String,
    /// The module's own frame counter, when the frame has one.
    #[schema(required)]
    pub frame_seq: Option<u32>,
    /// One per anchor that the frame has a field for.
    pub ranges: Vec<RangeBody>,
}

/// One range with everything that is known about it.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct RangeBody {
    /// Which anchor.
    pub anchor: u16,
    /// As sent, metres.
    #[schema(required)]
    pub raw_range_m: Option<f64>,
    /// After offset and scale, metres.
    #[schema(required)]
    pub range_m: Option<f64>,
    /// What became of it.
    pub verdict: VerdictName,
    /// Why it was rejected: `too long`, `too short`, `not credible`; only when it was.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub why: Option<&'static str>,
    /// Measured minus computed from the published place, metres.
    #[schema(required)]
    pub residual_m: Option<f64>,
    /// The residual over its own standard deviation.
    #[schema(required)]
    pub standardised_residual: Option<f64>,
    /// Probability of being good. Absent with the plain estimator and before there is a place.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub p_good: Option<f64>,
}

impl From<&JudgedRange> for RangeBody {
    fn from(range: &JudgedRange) -> RangeBody {
        RangeBody {
            anchor: range.anchor.0,
            raw_range_m: range.raw_range_m.and_then(round_1e4),
            range_m: range.range_m.and_then(round_1e4),
            verdict: range.verdict.into(),
            why: match range.verdict {
                Verdict::Rejected(reason) => Some(left_out(reason)),
                _ => None,
            },
            residual_m: range.residual_m.and_then(round_1e4),
            standardised_residual: range.standardised_residual.and_then(round_1e4),
            p_good: range.p_good.and_then(round_1e4),
        }
    }
}

impl From<&JudgedEpoch> for RangesBody {
    fn from(epoch: &JudgedEpoch) -> RangesBody {
        RangesBody {
            kind: MessageType::Range,
            tag: epoch.tag.0,
            time: rfc3339(epoch.at),
            measured_time: rfc3339(epoch.measured_at),
            frame_seq: epoch.frame_seq,
            ranges: epoch.ranges.iter().map(RangeBody::from).collect(),
        }
    }
}

impl RangesBody {
    /// The JSON text, on one line.
    pub fn to_json(&self) -> String {
        json(self)
    }
}
