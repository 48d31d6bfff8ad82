//! Health of the anchors, for programs; `/v1/anchors.txt` has the same for people.

use hereabout_core::Anchor;
use hereabout_engine::{AnchorHealth, AnchorState};
use serde::Serialize;
use utoipa::ToSchema;

use super::{
    MessageType, json,
    number::{rfc3339, round_1e4, vector},
};

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
    /// Ranges per second over the last 10 s; null before the first report of the engine.
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
    /// What to do about it, in words; null when there is nothing to do.
    #[schema(required)]
    pub advice: Option<String>,
}

impl AnchorBody {
    /// The body of `anchor`; `health` is `None` before the engine's first report.
    pub(crate) fn new(anchor: &Anchor, health: Option<&AnchorHealth>, advice: Option<String>) -> AnchorBody {
        AnchorBody {
            kind: MessageType::Anchor,
            id: anchor.id.0,
            name: anchor.name.clone(),
            at_m: vector(anchor.at_m),
            state: health.map_or(AnchorState::NeverHeard, |h| h.state).into(),
            since: health.and_then(|h| h.since).map(rfc3339),
            last_heard: health.and_then(|h| h.last_heard).map(rfc3339),
            last_range_m: health.and_then(|h| h.last_range_m).and_then(round_1e4),
            rate_hz: health.and_then(|h| round_1e4(h.rate_hz)),
            share: health.and_then(|h| h.share).and_then(round_1e4),
            rejected_share: health.and_then(|h| h.rejected_share).and_then(round_1e4),
            mean_residual_m: health.and_then(|h| h.mean_residual_m).and_then(round_1e4),
            sigma_m: health.and_then(|h| h.sigma_m).and_then(round_1e4),
            late_share: health.and_then(|h| h.late_share).and_then(round_1e4),
            advice,
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
    /// In the order of the site file.
    pub anchors: Vec<AnchorBody>,
}
