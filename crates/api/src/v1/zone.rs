//! Zones: what every tag is to every zone, and the answer of a zone over all its tags.
//!
//! The message is what gates and robots act on, so it says until when it holds, and why it is what it is. It is
//! made from the engine's report once; what is served later than `valid_until` is [`ZoneReportBody::at`]: unknown,
//! whatever the report said, because a stopped engine must not leave a stale "inside" behind (see `expiry.rs`).

use hereabout_core::{TagId, Timestamp, ZoneState};
use hereabout_engine::{ZoneReport, ZoneWhy};
use hereabout_words::time::{instant, rfc3339};
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
            ZoneWhy::TwoBoards => ZoneWhyName::TwoBoards,
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
            words: zone_words(report, zone, tag_name),
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
        let whether = |tag: &TagId, name: &Option<String>| {
            format!("Whether {} is inside {zone} is not known", tag_words(*tag, name.as_deref()))
        };
        let (tag, tag_name, why, words) = match unheard {
            Unheard::Any => {
                let words = format!("Whether a tag is inside {zone} is not known: none is heard at present.");
                (None, None, ZoneWhyName::NeverHeard, words)
            }
            Unheard::Never { tag, name } => {
                let words = format!("{}: it has not been heard since the start.", whether(tag, name));
                (Some(*tag), name.clone(), ZoneWhyName::NeverHeard, words)
            }
            Unheard::Silent { tag, name, since } => {
                let words = format!("{}: it fell silent at {}.", whether(tag, name), instant(*since));
                (Some(*tag), name.clone(), ZoneWhyName::NoData, words)
            }
            Unheard::NotYet { tag, name } => {
                let words = format!("{}: it was admitted a moment ago.", whether(tag, name));
                (Some(*tag), name.clone(), ZoneWhyName::Undecided, words)
            }
        };
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

/// A tag that a zone is about and of which there is no report.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Unheard {
    /// No tag at all is admitted, and the zone is about any.
    Any,
    /// It has not been heard since the start.
    Never { tag: TagId, name: Option<String> },
    /// It was retired; since when it is silent.
    Silent { tag: TagId, name: Option<String>, since: Timestamp },
    /// It is admitted, and nothing was said of it yet.
    NotYet { tag: TagId, name: Option<String> },
}

/// A tag for people, with what they call it where the site says that.
pub(crate) fn tag_words(tag: TagId, name: Option<&str>) -> String {
    name.map_or_else(|| format!("tag {tag}"), |name| format!("tag {tag} ({name})"))
}

/// The same at the beginning of a sentence.
pub(crate) fn tag_begins(tag: TagId, name: Option<&str>) -> String {
    name.map_or_else(|| format!("Tag {tag}"), |name| format!("Tag {tag} ({name})"))
}

/// One plain sentence about a report; `tag_name` is what people call the tag.
pub(super) fn zone_words(report: &ZoneReport, zone: &str, tag_name: Option<&str>) -> String {
    let tag = tag_begins(report.tag, tag_name);
    match report.state {
        ZoneState::Inside => format!("{tag} is inside {zone}{}.", evidence(report)),
        ZoneState::Outside => format!("{tag} is outside {zone}{}.", evidence(report)),
        ZoneState::Unknown => {
            let tag = tag_words(report.tag, tag_name);
            format!("Whether {tag} is inside {zone} is not known: {}.", reason(report.why))
        }
    }
}

/// What speaks for inside or outside.
fn evidence(report: &ZoneReport) -> String {
    let mut parts = Vec::new();
    if report.why == ZoneWhy::Range {
        parts.push("by its range to the anchor".to_owned());
    }
    if let Some(p) = report.probability.filter(|p| p.is_finite()) {
        parts.push(format!("with a probability of {} of being inside", percent(p)));
    }
    if let Some(depth) = report.depth_m.filter(|d| d.is_finite()) {
        parts.push(format!("{:.2} m from its border", depth.abs()));
    }
    if parts.is_empty() { String::new() } else { format!(", {}", parts.join(", ")) }
}

/// A probability in words; what is not quite certain is not rounded to certainty.
fn percent(p: f64) -> String {
    match p {
        p if p > 0.999 && p < 1.0 => "more than 99.9 %".to_owned(),
        p if p > 0.0 && p < 0.001 => "less than 0.1 %".to_owned(),
        p => format!("{:.1} %", 100.0 * p),
    }
}

/// Why nobody can say.
fn reason(why: ZoneWhy) -> String {
    match why {
        ZoneWhy::Probability | ZoneWhy::Range | ZoneWhy::Undecided => {
            "it has been too close to the border to say either".to_owned()
        }
        ZoneWhy::Contradicted => {
            "the position says otherwise than before, and too few anchors agree, or not for long enough, to decide".to_owned()
        }
        ZoneWhy::RangeBeyond => {
            "its ranges are longer than the distance for leaving, but late ranges look like that too".to_owned()
        }
        ZoneWhy::NeverHeard => "the tag has not been heard".to_owned(),
        ZoneWhy::NoData => "nothing was heard of the tag for as long as its last position holds".to_owned(),
        ZoneWhy::Lost => "the tag has no position".to_owned(),
        ZoneWhy::Ambiguous => "two places fit".to_owned(),
        ZoneWhy::Coasting => "the position is a prediction without fresh ranges".to_owned(),
        ZoneWhy::Unchecked => "no range is left over to check the position with".to_owned(),
        ZoneWhy::OutsideFence => {
            "the position is more than a metre outside of the fence, where the site file says that tags can't be".to_owned()
        }
        ZoneWhy::ProtectionRadius { radius_m: Some(radius), limit_m } if radius.is_finite() => {
            format!("the protection radius is {radius:.2} m where the zone allows {limit_m:.2} m")
        }
        ZoneWhy::ProtectionRadius { .. } => "the position has no protection radius".to_owned(),
        ZoneWhy::TwoBoards => "two boards answer to the id of its anchor".to_owned(),
        ZoneWhy::SiteDoubted => "it is in doubt whether the ranges and the site file fit each other".to_owned(),
        ZoneWhy::Changed => "the configuration was changed, and it has to be earned again".to_owned(),
        ZoneWhy::Settling { until } => format!("it settles until {}", rfc3339(until)),
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
