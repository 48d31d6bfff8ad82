//! Events as they are made: kind, words and facts, without a number.

use hereabout_core::{AnchorId, Micros, PositionReport, Site, TagId, Timestamp};
use hereabout_engine::{AnchorChange, FindingChange, KitChange, Output, TagChange, TagLife, ZoneReport};
use hereabout_words::time::rfc3339;
use hereabout_words::{anchor, event, zone};
use serde::Serialize;

use super::{EventKind, facts::*};
use crate::v1::{FindingBody, KitFindingBody, json, number::round_1e4};

/// Longest text that goes into an event, characters: the log keeps 4096 for all of its facts.
const MAX_TEXT_CHARS: usize = 1_200;
/// Longest text of one fact, characters.
const MAX_FACT_CHARS: usize = 300;

/// An event that has no number yet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EventDraft {
    /// When it happened.
    pub at: Timestamp,
    /// What it is about.
    pub kind: EventKind,
    /// Words and facts: one JSON object.
    pub detail: String,
}

/// What goes into `detail`.
#[derive(Serialize)]
struct Detail<'a> {
    words: String,
    #[serde(flatten)]
    facts: &'a EventFacts,
}

impl EventDraft {
    fn new(at: Timestamp, kind: EventKind, words: &str, facts: &EventFacts) -> EventDraft {
        EventDraft { at, kind, detail: json(&Detail { words: bounded(words, MAX_TEXT_CHARS), facts }) }
    }

    /// The event in something the engine said; `None` when it is none. A replay and the daemon both use it.
    pub fn from_output(output: &Output, site: &Site) -> Option<EventDraft> {
        match output {
            Output::Zone(report) if report.changed() => Some(EventDraft::zone(report, site)),
            Output::AnchorChanged(change) => Some(EventDraft::anchor(change, site)),
            Output::FindingChanged(change) => Some(EventDraft::finding(change, site)),
            Output::KitChanged(change) => Some(EventDraft::kit(change, site)),
            Output::TagChanged(change) => Some(EventDraft::tag(change, site)),
            Output::Position(report) if report.restarted => Some(EventDraft::restart(report, site)),
            _ => None,
        }
    }

    fn zone(report: &ZoneReport, site: &Site) -> EventDraft {
        let zone = site.zones().get(report.zone).map_or_else(String::new, |z| z.name.clone());
        let words = zone::reported(report, &zone, site.tag_name(report.tag)).words;
        let facts = EventFacts::Zone(ZoneFacts {
            zone,
            tag: report.tag.0,
            state: report.state.into(),
            was: report.was.into(),
            why: report.why.into(),
            probability: report.probability.and_then(round_1e4),
            depth_m: report.depth_m.and_then(round_1e4),
        });
        EventDraft::new(report.at, EventKind::Zone, &words, &facts)
    }

    fn anchor(change: &AnchorChange, site: &Site) -> EventDraft {
        let name = anchor_name(change.anchor, site);
        let words = event::anchor(change.anchor, &name, change.now);
        let facts = AnchorEventFacts {
            anchor: change.anchor.0,
            name,
            state: change.now.into(),
            was: change.was.into(),
        };
        EventDraft::new(change.at, EventKind::Anchor, &words, &EventFacts::Anchor(facts))
    }

    fn finding(change: &FindingChange, site: &Site) -> EventDraft {
        let name = anchor_name(change.anchor, site);
        let said = anchor::found(&change.finding, change.anchor, site.anchors());
        let words = event::finding(change.anchor, &name, change.over, &said.words);
        let finding = FindingBody::new(&change.finding, &said, site.anchors());
        let instead_of = change.instead_of.as_ref().map(anchor::code);
        let facts =
            FindingEventFacts { anchor: change.anchor.0, name, over: change.over, instead_of, finding };
        EventDraft::new(change.at, EventKind::Finding, &words, &EventFacts::Finding(facts))
    }

    /// Something was found about the kit, or is over.
    pub fn kit(change: &KitChange, site: &Site) -> EventDraft {
        let finding = KitFindingBody::new(&change.finding, site.into());
        let words = event::kit(change.over, &finding.words);
        let facts = KitEventFacts { over: change.over, finding };
        EventDraft::new(change.at, EventKind::Kit, &words, &EventFacts::Kit(facts))
    }

    fn tag(change: &TagChange, site: &Site) -> EventDraft {
        let name = site.tag_name(change.tag);
        let (kind, silent_for, words) = match change.now {
            TagLife::Admitted => (EventKind::TagAdmitted, None, event::tag_admitted(change.tag, name)),
            TagLife::Retired { silent_for } => {
                let words = event::tag_retired(change.tag, name, silent_for, names_tag(site, change.tag));
                (EventKind::TagRetired, Some(silent_for), words)
            }
        };
        let facts = EventFacts::Tag(TagEventFacts {
            tag: change.tag.0,
            tag_name: name.map(str::to_owned),
            silent_for_s: silent_for.map(Micros::secs_f64),
        });
        EventDraft::new(change.at, kind, &words, &facts)
    }

    fn restart(report: &PositionReport, site: &Site) -> EventDraft {
        let words = event::restart(report.tag, site.tag_name(report.tag));
        let facts = EventFacts::Restart(RestartFacts { tag: report.tag.0 });
        EventDraft::new(report.at, EventKind::Restart, &words, &facts)
    }

    /// The wire to the kit; `reason` in words while it waits, `None` when it is connected.
    pub fn link(at: Timestamp, reason: Option<&str>) -> EventDraft {
        let state = if reason.is_none() { "connected" } else { "waiting" };
        let words = event::link(reason);
        let facts = LinkFacts { state, reason: reason.map(|r| bounded(r, MAX_FACT_CHARS)) };
        EventDraft::new(at, EventKind::Link, &words, &EventFacts::Link(facts))
    }

    /// The daemon started, after a run of which this is known.
    pub fn start(at: Timestamp, version: &str, site: &str, before: RunBefore) -> EventDraft {
        let words = event::start(version, site, &before.words());
        let facts = StartFacts {
            version: bounded(version, MAX_FACT_CHARS),
            site: bounded(site, MAX_FACT_CHARS),
            before: before.ended,
            before_seq: before.seq,
            before_missing: before.missing,
        };
        EventDraft::new(at, EventKind::Start, &words, &EventFacts::Start(facts))
    }

    /// The daemon stopped.
    pub fn stop(at: Timestamp) -> EventDraft {
        EventDraft::new(at, EventKind::Stop, event::STOP, &EventFacts::None(NoFacts {}))
    }

    /// The site file was read again: how it came about, as a part of a sentence.
    pub fn configuration(at: Timestamp, how: &str) -> EventDraft {
        let words = event::configuration(how);
        EventDraft::new(at, EventKind::Configuration, &words, &EventFacts::None(NoFacts {}))
    }

    /// Somebody said that an anchor was mended.
    pub fn mended(at: Timestamp, anchor: AnchorId, site: &Site) -> EventDraft {
        let name = anchor_name(anchor, site);
        let words = event::mended(anchor, &name);
        EventDraft::new(at, EventKind::Configuration, &words, &EventFacts::None(NoFacts {}))
    }

    /// New offsets are in force: how they came, as a part of a sentence.
    pub fn calibration(at: Timestamp, how: &str) -> EventDraft {
        let words = event::calibration(how);
        EventDraft::new(at, EventKind::Calibration, &words, &EventFacts::None(NoFacts {}))
    }

    /// The computer's clock was set by `by`, so that UTC is from now on `utc_minus_session` ahead of the session's time
    /// scale. With no `by` it says only whether it is synchronised.
    pub fn clock(
        at: Timestamp,
        by: Micros,
        utc_minus_session: Micros,
        synchronised: Option<bool>,
    ) -> EventDraft {
        let (by_s, offset_s) = (by.secs_f64(), utc_minus_session.secs_f64());
        let words = event::clock(by, synchronised);
        let facts = ClockFacts { by_s, utc_minus_session_s: offset_s, synchronised };
        EventDraft::new(at, EventKind::Clock, &words, &EventFacts::Clock(facts))
    }

    /// `count` more of something were lost, `total` since the start.
    pub fn data_lost(at: Timestamp, what: LostWhat, count: u64, total: u64) -> EventDraft {
        let words = match what {
            LostWhat::LogFrames => event::missing_in_log(count, "frame"),
            LostWhat::LogPositions => event::missing_in_log(count, "position"),
            LostWhat::LogEvents => event::missing_in_log(count, "event"),
            LostWhat::OutOfOrder => event::out_of_order(count),
            LostWhat::TooManyTags => event::too_many_tags(count),
            LostWhat::DamagedFrames => event::damaged_frames(count),
        };
        let facts = EventFacts::Lost(LostFacts { what, count, total });
        EventDraft::new(at, EventKind::DataLost, &words, &facts)
    }

    /// The JSON text, on one line, without a number: a row of `replay --events`.
    pub fn to_json(&self) -> String {
        event_text(None, self.at, self.kind.name(), &self.detail)
    }
}

/// The JSON text of an event from its parts. A detail that is no JSON object (in a log of before) becomes its words.
pub(crate) fn event_text(seq: Option<u64>, at: Timestamp, kind: &str, detail: &str) -> String {
    let is_object = serde_json::from_str::<serde_json::Map<String, serde_json::Value>>(detail)
        .is_ok_and(|m| !m.is_empty());
    let facts =
        if is_object { detail.to_owned() } else { json(&Detail { words: detail.to_owned(), facts: &NONE }) };
    let rest = facts.strip_prefix('{').unwrap_or("}");
    let number = seq.map_or_else(String::new, |seq| format!("\"seq\":{seq},"));
    format!("{{\"type\":\"event\",{number}\"time\":\"{}\",\"kind\":{},{rest}", rfc3339(at), json(&kind))
}

const NONE: EventFacts = EventFacts::None(NoFacts {});

/// Without control characters but the end of a line, and short enough for the log.
fn bounded(text: &str, most: usize) -> String {
    let clean = |c: char| if c.is_control() && c != '\n' { '?' } else { c };
    text.chars().take(most).map(clean).collect()
}

/// Whether the site or one of its zones names the tag.
fn names_tag(site: &Site, tag: TagId) -> bool {
    site.tag_name(tag).is_some() || site.zones().iter().any(|z| z.rule.tags.contains(&tag))
}

fn anchor_name(id: AnchorId, site: &Site) -> String {
    site.anchor_index(id).map_or_else(|| "not of this site".to_owned(), |i| site.anchors()[i].name.clone())
}
