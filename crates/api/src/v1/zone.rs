//! Zones: what every tag is to every zone, and the answer of a zone over all its tags.
//!
//! The message is what gates and robots act on, so it says until when it holds, and why it is what it is. It is
//! made from the engine's report once; what is served later than `valid_until` is [`ZoneReportBody::at`]: unknown,
//! whatever the report said, because a stopped engine must not leave a stale "inside" behind (see `expiry.rs`).

use hereabout_core::{Timestamp, ZoneState};
use hereabout_engine::{ZoneReport, ZoneWhy};
use hereabout_words::time::rfc3339;
use hereabout_words::zone::{self as words, Unheard};
use serde::Serialize;
use utoipa::ToSchema;

use super::{MessageType, Sending, json, number::round_1e4};
use crate::state::expiry;

/// What a tag is to a zone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ZoneStateName {
    /// In it.
    Inside,
    /// Out of it.
    Outside,
    /// Nobody can say: act as in the more dangerous one of the two.
    Unknown,
}

impl From<ZoneState> for ZoneStateName {
    fn from(state: ZoneState) -> ZoneStateName {
        match state {
            ZoneState::Inside => ZoneStateName::Inside,
            ZoneState::Outside => ZoneStateName::Outside,
            ZoneState::Unknown => ZoneStateName::Unknown,
        }
    }
}

/// Why a zone is in its state, for programs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ZoneWhyName {
    /// The probability decides.
    Probability,
    /// The range to the anchor decides.
    Range,
    /// Too close to the border so far to say either.
    Undecided,
    /// The position speaks against the last answer, with too few anchors that agree or for too short a time to decide
    /// the other way.
    Contradicted,
    /// The ranges to the anchor are longer than the distance for leaving, but may be late ones.
    RangeBeyond,
    /// The tag has never been heard.
    NeverHeard,
    /// Nothing was heard of the tag for as long as its last position holds.
    NoData,
    /// The tag is lost.
    Lost,
    /// Two places fit.
    Ambiguous,
    /// The position is a prediction without fresh ranges.
    Coasting,
    /// No range was left over to check the position with, or it rests on anchors that are in doubt.
    Unchecked,
    /// The position is more than a metre outside of where the site file says that tags can be.
    OutsideFence,
    /// The protection radius is larger than the zone allows, or not known.
    ProtectionRadius,
    /// Two boards answer to the id of the anchor that the zone is near.
    TwoBoards,
    /// The ranges and the site file do not belong to each other.
    SiteDoubted,
    /// The configuration was changed.
    Changed,
    /// A zone near an anchor settles before its first answer.
    Settling,
}

impl From<ZoneWhy> for ZoneWhyName {
    fn from(why: ZoneWhy) -> ZoneWhyName {
        match why {
            ZoneWhy::Probability => ZoneWhyName::Probability,
            ZoneWhy::Range => ZoneWhyName::Range,
            ZoneWhy::Undecided => ZoneWhyName::Undecided,
            ZoneWhy::Contradicted => ZoneWhyName::Contradicted,
            ZoneWhy::RangeBeyond => ZoneWhyName::RangeBeyond,
            ZoneWhy::NeverHeard => ZoneWhyName::NeverHeard,
            ZoneWhy::NoData => ZoneWhyName::NoData,
            ZoneWhy::Lost => ZoneWhyName::Lost,
            ZoneWhy::Ambiguous => ZoneWhyName::Ambiguous,
            ZoneWhy::Coasting => ZoneWhyName::Coasting,
            ZoneWhy::Unchecked => ZoneWhyName::Unchecked,
            ZoneWhy::OutsideFence => ZoneWhyName::OutsideFence,
            ZoneWhy::ProtectionRadius { .. } => ZoneWhyName::ProtectionRadius,
            ZoneWhy::DuplicateId => ZoneWhyName::TwoBoards,
            ZoneWhy::SiteDoubted => ZoneWhyName::SiteDoubted,
            ZoneWhy::Changed => ZoneWhyName::Changed,
            ZoneWhy::Settling { .. } => ZoneWhyName::Settling,
        }
    }
}

/// One tag and one zone. Whoever hears nothing newer until `valid_until` must treat the zone as unknown.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct ZoneReportBody {
    /// Always `zone`.
    #[serde(rename = "type")]
    pub kind: MessageType,
    /// Number of the message in the session, from 1, without gaps, over all zones and tags; null when no report
    /// stands behind it, because the tag was never heard.
    #[schema(required)]
    pub seq: Option<u64>,
    /// Name of the zone.
    pub zone: String,
    /// Which tag; null when none was ever heard and the zone is about any.
    #[schema(required)]
    pub tag: Option<u32>,
    /// What people call it; only for a tag that the site file lists.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tag_name: Option<String>,
    /// The instant that the message is for, RFC 3339.
    pub time: String,
    /// Whoever hears nothing newer until then must treat the zone as unknown.
    pub valid_until: String,
    /// Inside, outside, or unknown.
    pub state: ZoneStateName,
    /// Since when it is in this state, RFC 3339; null when the tag was never heard.
    #[schema(required)]
    pub since: Option<String>,
    /// Probability that the tag is inside; null when it is not known.
    #[schema(required)]
    pub probability: Option<f64>,
    /// Distance from the border, metres, positive inside; null when it is not known.
    #[schema(required)]
    pub depth_m: Option<f64>,
    /// Seconds until the tag crosses the border if it goes on like this; null when it will not within a minute, or
    /// that is not known.
    #[schema(required)]
    pub eta_s: Option<f64>,
    /// Why, for programs.
    pub why: ZoneWhyName,
    /// The same for people: one plain sentence.
    pub words: String,
    /// Seconds from the sending of this message to `valid_until`; 0 when it held no longer. Count them from its arrival,
    /// less what it waited on its way.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub valid_for_s: Option<f64>,
    /// The sender's steady time at the sending of this message, seconds since its start: who sees it lag behind a steady
    /// clock of its own reads what waited.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sender_s: Option<f64>,
}

impl ZoneReportBody {
    /// The message of a report about the zone of this name.
    pub fn from_report(report: &ZoneReport, zone: &str) -> ZoneReportBody {
        ZoneReportBody::of(report, zone, None)
    }

    /// The same; `tag_name` is what people call the tag, if the site lists it.
    pub fn of(report: &ZoneReport, zone: &str, tag_name: Option<&str>) -> ZoneReportBody {
        ZoneReportBody {
            kind: MessageType::Zone,
            seq: Some(report.seq),
            zone: zone.to_owned(),
            tag: Some(report.tag.0),
            tag_name: tag_name.map(str::to_owned),
            time: rfc3339(report.at),
            valid_until: rfc3339(report.valid_until),
            state: report.state.into(),
            since: Some(rfc3339(report.since)),
            probability: report.probability.and_then(round_1e4),
            depth_m: report.depth_m.and_then(round_1e4),
            eta_s: report.eta_s.and_then(round_1e4),
            why: report.why.into(),
            words: words::reported(report, zone, tag_name).words,
            valid_for_s: None,
            sender_s: None,
        }
    }

    /// The same with what the moment of sending tells. `until` is its `valid_until`.
    #[must_use]
    pub(crate) fn sent(self, until: Timestamp, sending: Sending) -> ZoneReportBody {
        let (valid_for_s, sender_s) = (Some(sending.valid_for_s(until)), Some(sending.sender_s()));
        ZoneReportBody { valid_for_s, sender_s, ..self }
    }

    /// What holds at `now` after `report` was the last: the report itself while it is valid, and unknown from then
    /// on. An unknown keeps its reason.
    pub fn at(report: &ZoneReport, zone: &str, tag_name: Option<&str>, now: Timestamp) -> ZoneReportBody {
        ZoneReportBody::of(&expiry::zone(report, now), zone, tag_name)
    }

    /// The message about a tag that nothing is known of; the first word for a zone about any tag when none is admitted.
    pub(crate) fn unheard(zone: &str, unheard: &Unheard, now: Timestamp) -> ZoneReportBody {
        let (tag, tag_name, why) = match unheard {
            Unheard::Any => (None, None, ZoneWhyName::NeverHeard),
            Unheard::Never { tag, name } => (Some(*tag), name.clone(), ZoneWhyName::NeverHeard),
            Unheard::Silent { tag, name, .. } => (Some(*tag), name.clone(), ZoneWhyName::NoData),
            Unheard::NotYet { tag, name } => (Some(*tag), name.clone(), ZoneWhyName::Undecided),
        };
        let words = words::unheard(zone, unheard).words;
        ZoneReportBody {
            kind: MessageType::Zone,
            seq: None,
            zone: zone.to_owned(),
            tag: tag.map(|t| t.0),
            tag_name,
            time: rfc3339(now),
            valid_until: rfc3339(now),
            state: ZoneStateName::Unknown,
            since: None,
            probability: None,
            depth_m: None,
            eta_s: None,
            why,
            words,
            valid_for_s: None,
            sender_s: None,
        }
    }

    /// The JSON text, on one line. The one place that makes it.
    pub fn to_json(&self) -> String {
        json(self)
    }
}

/// The answer of one zone over all its tags.
///
/// It is about the tags that the zone lists, else those of the site file, else all that are admitted. Inside when any of them
/// is inside for certain; else unknown when any is unknown, silent or was never heard; else outside.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct ZoneAnswerBody {
    /// Name of the zone.
    pub zone: String,
    /// Inside, outside, or unknown.
    pub state: ZoneStateName,
    /// The soonest instant at which a message behind the answer runs out: ask again before, and treat the zone as
    /// unknown from then on.
    pub valid_until: String,
    /// The same for people: one plain sentence.
    pub words: String,
    /// The message of each tag, in the order of tag ids.
    pub tags: Vec<ZoneReportBody>,
    /// Seconds from the sending of the answer to `valid_until`; 0 when it holds no longer.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub valid_for_s: Option<f64>,
    /// The sender's steady time at the sending, seconds since its start.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sender_s: Option<f64>,
    /// What was given as `nonce`; only when it was.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub nonce: Option<String>,
}

impl ZoneAnswerBody {
    /// The answer from the messages of all tags; they must not be empty to be anything but unknown.
    pub(crate) fn new(
        zone: &str,
        tags: Vec<ZoneReportBody>,
        now: Timestamp,
        sending: Option<Sending>,
    ) -> ZoneAnswerBody {
        let any = |state| tags.iter().any(|t| t.state == state);
        let state = if any(ZoneStateName::Inside) {
            ZoneStateName::Inside
        } else if any(ZoneStateName::Unknown) || tags.is_empty() {
            ZoneStateName::Unknown
        } else {
            ZoneStateName::Outside
        };
        let behind: Vec<&ZoneReportBody> = tags.iter().filter(|t| t.state == state).collect();
        // The texts have one length and one zone, so their order is that of time.
        let valid_until = behind.iter().map(|t| t.valid_until.clone()).min().unwrap_or_else(|| rfc3339(now));
        let words = match (state, behind.as_slice()) {
            (_, [one]) => one.words.clone(),
            (ZoneStateName::Inside, some) => format!("{} tags are inside {zone}.", some.len()),
            (ZoneStateName::Outside, some) => format!("All {} tags are outside {zone}.", some.len()),
            (ZoneStateName::Unknown, some) => {
                format!("Whether a tag is inside {zone} is not known of {} tags.", some.len())
            }
        };
        let shortest = behind.iter().filter_map(|t| t.valid_for_s).min_by(f64::total_cmp);
        let valid_for_s = sending.map(|_| shortest.unwrap_or(0.0));
        let sender_s = sending.map(Sending::sender_s);
        let zone = zone.to_owned();
        ZoneAnswerBody { zone, state, valid_until, words, tags, valid_for_s, sender_s, nonce: None }
    }
}

/// All zones of the site.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct ZonesBody {
    /// The daemon's clock when it answered, RFC 3339.
    pub time: String,
    /// In file order.
    pub zones: Vec<ZoneAnswerBody>,
    /// What was given as `nonce`; only when it was.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub nonce: Option<String>,
}
