//! Health of the anchors, for programs; `/v1/anchors.txt` has the same for people.

use hereabout_core::{Anchor, AnchorState};
use hereabout_engine::AnchorMinute;
use hereabout_words::time::rfc3339;
use serde::Serialize;
use utoipa::ToSchema;

use super::{
    FindingBody, KitFindingBody, MessageType, PlaceBody, json,
    number::{round_1e4, vector},
};
use crate::{health::Diagnosis, state::expiry::AnchorNow};

/// State of an anchor, from its ranges alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum AnchorStateName {
    /// Never heard in this session.
    NeverHeard,
    /// Heard within the last second.
    Heard,
    /// Not heard for a second or longer.
    Silent,
}

impl From<AnchorState> for AnchorStateName {
    fn from(state: AnchorState) -> AnchorStateName {
        match state {
            AnchorState::NeverHeard => AnchorStateName::NeverHeard,
            AnchorState::Heard => AnchorStateName::Heard,
            AnchorState::Silent => AnchorStateName::Silent,
        }
    }
}

/// Health of one anchor.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct AnchorBody {
    /// Always `anchor`.
    #[serde(rename = "type")]
    pub kind: MessageType,
    /// The id the board is set to.
    pub id: u16,
    /// What people call it.
    pub name: String,
    /// East, north, up, metres.
    #[schema(required)]
    pub at_m: Option<[f64; 3]>,
    /// Heard, silent, never heard.
    pub state: AnchorStateName,
    /// Since when, RFC 3339; null when never heard.
    #[schema(required)]
    pub since: Option<String>,
    /// Stamp of its last range, RFC 3339.
    #[schema(required)]
    pub last_heard: Option<String>,
    /// Its last range after correction, metres.
    #[schema(required)]
    pub last_range_m: Option<f64>,
    /// Ranges per second over the last 10 s. This and the three that follow are null while nobody can say: before the
    /// first report of the engine, and when the newest is more than 3 s old.
    #[schema(required)]
    pub rate_hz: Option<f64>,
    /// Share (0 to 1) of the frames of the last 10 s that had a range of this anchor.
    #[schema(required)]
    pub share: Option<f64>,
    /// Share (0 to 1) of its ranges of the last 10 s that the outlier gate left out.
    #[schema(required)]
    pub rejected_share: Option<f64>,
    /// Mean of measured minus computed over the used ranges of the last 10 s, metres.
    #[schema(required)]
    pub mean_residual_m: Option<f64>,
    /// Standard deviation of its good ranges as learned by the tracker, metres.
    #[schema(required)]
    pub sigma_m: Option<f64>,
    /// Share (0 to 1) of its recent ranges that came late, as learned by the tracker.
    #[schema(required)]
    pub late_share: Option<f64>,
    /// What to do about the worst of it, in words; null when there is nothing to do.
    #[schema(required)]
    pub advice: Option<String>,
    /// What is the matter with it, worst first.
    pub findings: Vec<FindingBody>,
    /// Whether it stands where the site file says; null before the first report of the engine.
    #[schema(required)]
    pub place: Option<PlaceBody>,
    /// Its ranges take no part in positions at present.
    pub set_aside: bool,
    /// How positions treat it for its findings, in words; null when they use it like any other.
    #[schema(required)]
    pub treated: Option<&'static str>,
    /// For sorting: 0 for the worst kind of finding, 255 when there is nothing to do.
    pub rank: u8,
}

impl AnchorBody {
    /// The body of `anchor`; `now` is `None` before the engine's first report.
    pub(crate) fn new(
        anchor: &Anchor,
        now: Option<&AnchorNow>,
        diagnosis: &Diagnosis,
        anchors: &[Anchor],
    ) -> AnchorBody {
        let health = now.map(|n| &n.health);
        let findings =
            diagnosis.findings.iter().map(|(finding, said)| FindingBody::new(finding, said, anchors));
        AnchorBody {
            kind: MessageType::Anchor,
            id: anchor.id.0,
            name: anchor.name.clone(),
            at_m: vector(anchor.at_m),
            state: health.map_or(AnchorState::NeverHeard, |h| h.state).into(),
            since: health.and_then(|h| h.since).map(rfc3339),
            last_heard: health.and_then(|h| h.last_heard).map(rfc3339),
            last_range_m: health.and_then(|h| h.last_range_m).and_then(round_1e4),
            rate_hz: now.and_then(|n| n.rate_hz).and_then(round_1e4),
            share: health.and_then(|h| h.share).and_then(round_1e4),
            rejected_share: health.and_then(|h| h.rejected_share).and_then(round_1e4),
            mean_residual_m: health.and_then(|h| h.mean_residual_m).and_then(round_1e4),
            sigma_m: health.and_then(|h| h.sigma_m).and_then(round_1e4),
            late_share: health.and_then(|h| h.nlos_share).and_then(round_1e4),
            advice: diagnosis.advice().map(str::to_owned),
            findings: findings.collect(),
            place: health.map(|h| PlaceBody::from(&h.place)),
            set_aside: health.is_some_and(|h| h.excluded),
            treated: diagnosis.treated,
            rank: diagnosis.rank(),
        }
    }

    /// The JSON text, on one line.
    pub fn to_json(&self) -> String {
        json(self)
    }
}

/// Health of all anchors.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct AnchorsBody {
    /// The instant it is for, RFC 3339; null before the engine's first report.
    #[schema(required)]
    pub time: Option<String>,
    /// What is the matter with the kit as a whole.
    pub kit: Vec<KitFindingBody>,
    /// What can't be told yet of the anchors' places, and what to do; null when all is told. Once for the kit: each
    /// anchor's own answer is its `place`.
    #[schema(required)]
    pub not_told_yet: Option<NotToldBody>,
    /// In the order of the site file.
    pub anchors: Vec<AnchorBody>,
}

/// What can't be told yet.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct NotToldBody {
    /// What, and why.
    pub words: String,
    /// What to do, so that it can be told.
    pub advice: String,
}

/// An anchor that somebody said was mended.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct MendedBody {
    /// Which one.
    pub anchor: u16,
    /// What follows, in words.
    pub words: &'static str,
}

/// Health of one anchor, with its last hour.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct AnchorDetailBody {
    /// As in the list of all.
    #[serde(flatten)]
    pub anchor: AnchorBody,
    /// The full minutes of the last hour, oldest first. A minute without frames is not there.
    pub minutes: Vec<MinuteBody>,
}

/// One anchor within one minute.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct MinuteBody {
    /// Start of the minute, RFC 3339.
    pub from: String,
    /// Frames that could have had a range of it.
    pub frames: u32,
    /// Ranges of it.
    pub ranges: u32,
    /// Ranges that the outlier gate left out.
    pub rejected: u32,
    /// Share (0 to 1) of the frames with a range of it.
    #[schema(required)]
    pub share: Option<f64>,
    /// Share (0 to 1) of its ranges that the outlier gate left out, late ones nearly always; null without ranges.
    #[schema(required)]
    pub rejected_share: Option<f64>,
    /// Mean of measured minus computed over the used ranges, metres; null without any.
    #[schema(required)]
    pub mean_residual_m: Option<f64>,
    /// Their standard deviation, metres; null with fewer than two.
    #[schema(required)]
    pub sd_residual_m: Option<f64>,
    /// Mean range, metres; null without any.
    #[schema(required)]
    pub mean_range_m: Option<f64>,
}

impl From<&AnchorMinute> for MinuteBody {
    fn from(minute: &AnchorMinute) -> MinuteBody {
        let of = |part: u32, whole: u32| (whole > 0).then(|| f64::from(part) / f64::from(whole));
        MinuteBody {
            from: rfc3339(minute.from),
            frames: minute.frames,
            ranges: minute.ranges,
            rejected: minute.rejected,
            share: of(minute.ranges, minute.frames).and_then(round_1e4),
            rejected_share: of(minute.rejected, minute.ranges).and_then(round_1e4),
            mean_residual_m: minute.mean_residual_m.and_then(round_1e4),
            sd_residual_m: minute.sd_residual_m.and_then(round_1e4),
            mean_range_m: minute.mean_range_m.and_then(round_1e4),
        }
    }
}
