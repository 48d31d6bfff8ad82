//! Events: what happened, with a number, in words and facts.
//!
//! An event is made where it happens ([`EventDraft`]), without a number: its kind, and its words and facts as
//! one JSON object. That object is what the log keeps, so an event that is read back from the log is byte for byte
//! the one that was published. The number comes last, from whoever keeps the count.

use hereabout_core::MAX_TAGS;
use hereabout_core::{AnchorId, Micros, Site, TagId, Timestamp};
use hereabout_engine::{
    AnchorChange, AnchorState, FindingChange, KitChange, Output, PositionReport, TagChange, TagLife,
    ZoneReport,
};
use hereabout_words::anchor;
use hereabout_words::time::{rfc3339, span};
use serde::Serialize;
use utoipa::ToSchema;

use super::{
    AnchorStateName, FindingBody, KitFindingBody, MessageType, ZoneStateName, ZoneWhyName, json,
    number::round_1e4,
    zone::{tag_begins, tag_words, zone_words},
};

/// Longest text that goes into an event, characters: the log keeps 4096 for all of its facts.
const MAX_TEXT_CHARS: usize = 1_200;
/// What a change of site file or offsets means.
const ANEW: &str = "tracks are computed anew from the last ranges, zones start as unknown";
/// Longest text of one fact, characters.
const MAX_FACT_CHARS: usize = 300;

/// What an event is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum EventKind {
    /// The daemon started: every zone is unknown until it is told.
    Start,
    /// The daemon stopped.
    Stop,
    /// A tag's state in a zone changed.
    Zone,
    /// An anchor was heard or fell silent.
    Anchor,
    /// Something was found about an anchor, or is over.
    Finding,
    /// Something was found about the kit, or is over.
    Kit,
    /// A tag was admitted: it is tracked from now on.
    TagAdmitted,
    /// A tag was silent for so long that it is forgotten: zones count it no more unless the site names it.
    TagRetired,
    /// A track was given up for another place.
    Restart,
    /// The wire to the kit.
    Link,
    /// The site file was read again: tracks are computed anew from the last ranges, zones start as unknown.
    Configuration,
    /// New offsets: tracks are computed anew from the last ranges, zones start as unknown.
    Calibration,
    /// The computer's clock was set: stamps follow it, answers do not.
    Clock,
    /// Something was lost.
    DataLost,
}

impl EventKind {
    /// As in the log and in JSON.
    pub fn name(self) -> &'static str {
        match self {
            EventKind::Start => "start",
            EventKind::Stop => "stop",
            EventKind::Zone => "zone",
            EventKind::Anchor => "anchor",
            EventKind::Finding => "finding",
            EventKind::Kit => "kit",
            EventKind::TagAdmitted => "tag_admitted",
            EventKind::TagRetired => "tag_retired",
            EventKind::Restart => "restart",
            EventKind::Link => "link",
            EventKind::Configuration => "configuration",
            EventKind::Calibration => "calibration",
            EventKind::Clock => "clock",
            EventKind::DataLost => "data_lost",
        }
    }
}

/// What was lost.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum LostWhat {
    /// Frames that the log could not take.
    LogFrames,
    /// Positions that the log could not take.
    LogPositions,
    /// Events that the log could not take: they were told, and can't be asked for after the next start.
    LogEvents,
    /// Frames that came with an older stamp than the one before.
    OutOfOrder,
    /// Frames of tags beyond those that are kept apart.
    TooManyTags,
    /// Frames that arrived damaged.
    DamagedFrames,
}

/// Facts of a change in a zone.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct ZoneFacts {
    /// Name of the zone.
    pub zone: String,
    /// Which tag.
    pub tag: u32,
    /// What it is now.
    pub state: ZoneStateName,
    /// What it was before.
    pub was: ZoneStateName,
    /// Why.
    pub why: ZoneWhyName,
    /// Probability that the tag is inside; null when it is not known.
    #[schema(required)]
    pub probability: Option<f64>,
    /// Distance from the border, metres, positive inside; null when it is not known.
    #[schema(required)]
    pub depth_m: Option<f64>,
}

/// Facts of an anchor that was heard or fell silent.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct AnchorEventFacts {
    /// Which anchor.
    pub anchor: u16,
    /// What people call it.
    pub name: String,
    /// What it is now.
    pub state: AnchorStateName,
    /// What it was before.
    pub was: AnchorStateName,
}

/// Facts of something found about an anchor.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct FindingEventFacts {
    /// Which anchor.
    pub anchor: u16,
    /// What people call it.
    pub name: String,
    /// It is over.
    pub over: bool,
    /// The kind of finding that it takes the place of: the same matter told more sharply, and not told as over. Null when
    /// there is none.
    #[schema(required)]
    pub instead_of: Option<&'static str>,
    /// What was found, with what to do.
    pub finding: FindingBody,
}

/// Facts of something found about the kit.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct KitEventFacts {
    /// It is over.
    pub over: bool,
    /// What was found, with what to do.
    pub finding: KitFindingBody,
}

/// Facts of a tag that was admitted or retired.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct TagEventFacts {
    /// Which tag.
    pub tag: u32,
    /// What people call it; only for a tag that the site file lists.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tag_name: Option<String>,
    /// For how long it was silent, seconds; null when it was admitted.
    #[schema(required)]
    pub silent_for_s: Option<f64>,
}

/// Facts of a track that was given up for another place.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct RestartFacts {
    /// Whose track.
    pub tag: u32,
}

/// Facts of a change of the wire to the kit.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct LinkFacts {
    /// `connected` or `waiting`.
    pub state: &'static str,
    /// Why it waits; null when connected.
    #[schema(required)]
    pub reason: Option<String>,
}

/// Facts of a start.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct StartFacts {
    /// Version of the program.
    pub version: String,
    /// Name of the site.
    pub site: String,
    /// How the run before ended.
    pub before: BeforeName,
    /// Number of the newest event that is known of the runs before; null when none is.
    #[schema(required)]
    pub before_seq: Option<u64>,
    /// Events of the run before that were told and are not kept; null when nobody can say.
    #[schema(required)]
    pub before_missing: Option<u64>,
}

/// How a run ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum BeforeName {
    /// It stopped, and the log has the end of it.
    Stopped,
    /// It was cut off: killed, or the power went. Its last events may not be kept.
    CutOff,
    /// There was none in this log.
    None,
    /// Nobody can say: no log is kept, or it could not be opened.
    Unknown,
}

/// What is known of the run before, for the event of a start.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RunBefore {
    /// How it ended.
    pub ended: BeforeName,
    /// Number of the newest event that is known.
    pub seq: Option<u64>,
    /// Events that were told and are not kept; `None` when nobody can say.
    pub missing: Option<u64>,
}

impl RunBefore {
    /// Nobody can say anything of it.
    pub const UNKNOWN: RunBefore = RunBefore { ended: BeforeName::Unknown, seq: None, missing: None };

    /// As the end of a sentence.
    fn words(self) -> String {
        let after = self.seq.map_or_else(String::new, |seq| format!(" after event {seq}"));
        match (self.ended, self.missing) {
            (BeforeName::None, _) => "the log is new".to_owned(),
            (BeforeName::Unknown, _) => "what happened before is not known here".to_owned(),
            (BeforeName::CutOff, _) => format!("the run before was cut off: events{after} may be missing"),
            (BeforeName::Stopped, Some(1..)) => "events of the run before are missing in the log".to_owned(),
            (BeforeName::Stopped, _) => format!("the run before ended{after}"),
        }
    }
}

/// Facts of a change of the computer's clock.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct ClockFacts {
    /// By how much it was set, seconds, positive when forward.
    pub by_s: f64,
    /// UTC minus the time scale of the log's session from now on, seconds.
    pub utc_minus_session_s: f64,
    /// Whether it is synchronised; null when nobody can say.
    #[schema(required)]
    pub synchronised: Option<bool>,
}

/// Facts of a loss.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct LostFacts {
    /// What.
    pub what: LostWhat,
    /// How many since the last event of this kind.
    pub count: u64,
    /// How many since the start.
    pub total: u64,
}

/// No facts beyond the words.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct NoFacts {}

/// The facts of an event, by its kind.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
#[serde(untagged)]
pub enum EventFacts {
    /// Of `zone`.
    Zone(ZoneFacts),
    /// Of `anchor`.
    Anchor(AnchorEventFacts),
    /// Of `finding`.
    Finding(FindingEventFacts),
    /// Of `kit`.
    Kit(KitEventFacts),
    /// Of `tag_admitted` and `tag_retired`.
    Tag(TagEventFacts),
    /// Of `restart`.
    Restart(RestartFacts),
    /// Of `link`.
    Link(LinkFacts),
    /// Of `start`.
    Start(StartFacts),
    /// Of `clock`.
    Clock(ClockFacts),
    /// Of `data_lost`.
    Lost(LostFacts),
    /// Of `stop`, `configuration` and `calibration`, and of events in logs of before.
    None(NoFacts),
}

/// Something that happened. Describes the shape for the OpenAPI document.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct EventBody {
    /// Always `event`.
    #[serde(rename = "type")]
    pub kind: MessageType,
    /// Its number, which never means another event. Numbers grow by one while the daemon runs, and by more over a start.
    /// Absent in replay.
    pub seq: u64,
    /// When, RFC 3339.
    pub time: String,
    /// What it is about. Logs of before may have other kinds.
    #[serde(rename = "kind")]
    pub about: EventKind,
    /// What happened, in words.
    pub words: String,
    /// The facts of the kind.
    #[serde(flatten)]
    pub facts: EventFacts,
}

/// Numbers from one to another, both included.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct SpanBody {
    /// The first.
    pub from: u64,
    /// The last.
    pub to: u64,
}

/// Where events are kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum EventsKeptIn {
    /// In the log: a reader that resumes after a restart gets them.
    Log,
    /// In memory: those of before the start are gone.
    Memory,
}

/// A piece of the events. Describes the shape for the OpenAPI document; the text is put together from the events.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct EventsBody {
    /// In the order of their numbers.
    pub events: Vec<EventBody>,
    /// What to give as `after` next time.
    pub next_after: u64,
    /// Number of the oldest event that is kept; null when there is none.
    #[schema(required)]
    pub oldest: Option<u64>,
    /// Number of the newest event; null when there is none.
    #[schema(required)]
    pub newest: Option<u64>,
    /// Where the events are kept. `memory` without a log: those of before the start are gone.
    pub kept_in: EventsKeptIn,
    /// Start of the daemon, when the events are in memory; null when they are in the log.
    #[schema(required)]
    pub kept_since: Option<String>,
    /// Numbers after `after` whose events are not kept here (any more); the log may have them. Absent when all are there.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub no_longer_kept: Option<SpanBody>,
    /// There when `after` was ahead of the newest number, with that number: the numbers began anew, and `events` are
    /// from the oldest on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub numbers_anew: Option<u64>,
}

/// Told to a reader of the live messages whose events are gone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct NoLongerKeptBody {
    /// Always `no_longer_kept`.
    #[serde(rename = "type")]
    pub kind: MessageType,
    /// Number of the first event that is gone.
    pub from: u64,
    /// Number of the last.
    pub to: u64,
}

/// Told to a reader of the live messages who asked for what comes after a number that was not given yet. The events
/// from the oldest on follow.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct NumbersAnewBody {
    /// Always `numbers_anew`.
    #[serde(rename = "type")]
    pub kind: MessageType,
    /// What was asked for.
    pub after: u64,
    /// The newest number there is.
    pub newest: u64,
}

impl NoLongerKeptBody {
    pub(crate) fn text(from: u64, to: u64) -> String {
        json(&NoLongerKeptBody { kind: MessageType::NoLongerKept, from, to })
    }
}

impl NumbersAnewBody {
    pub(crate) fn text(after: u64, newest: u64) -> String {
        json(&NumbersAnewBody { kind: MessageType::NumbersAnew, after, newest })
    }
}

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
        let words = zone_words(report, &zone, site.tag_name(report.tag));
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
        let words = match change.now {
            AnchorState::Heard => format!("Anchor {} ({name}) is heard.", change.anchor),
            AnchorState::Silent => format!("Anchor {} ({name}) fell silent.", change.anchor),
            AnchorState::NeverHeard => format!("Anchor {} ({name}) has not been heard.", change.anchor),
        };
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
        let over = if change.over { "over: " } else { "" };
        let words = format!("Anchor {} ({name}): {over}{}.", change.anchor, said.words);
        let finding = FindingBody::new(&change.finding, &said, site.anchors());
        let instead_of = change.instead_of.as_ref().map(anchor::code);
        let facts =
            FindingEventFacts { anchor: change.anchor.0, name, over: change.over, instead_of, finding };
        EventDraft::new(change.at, EventKind::Finding, &words, &EventFacts::Finding(facts))
    }

    /// Something was found about the kit, or is over.
    pub fn kit(change: &KitChange, site: &Site) -> EventDraft {
        let finding = KitFindingBody::new(&change.finding, site.into());
        let over = if change.over { "over: " } else { "" };
        let words = format!("The kit: {over}{}.", finding.words);
        let facts = KitEventFacts { over: change.over, finding };
        EventDraft::new(change.at, EventKind::Kit, &words, &EventFacts::Kit(facts))
    }

    fn tag(change: &TagChange, site: &Site) -> EventDraft {
        let name = site.tag_name(change.tag);
        let tag = tag_begins(change.tag, name);
        let (kind, silent_for, words) = match change.now {
            TagLife::Admitted => {
                (EventKind::TagAdmitted, None, format!("{tag} is heard, and tracked from now on."))
            }
            TagLife::Retired { silent_for } => {
                let counts = if names_tag(site, change.tag) {
                    "zones that name it stay unknown"
                } else {
                    "zones count it no more"
                };
                let words = format!("{tag} was silent for {}, and is forgotten: {counts}.", span(silent_for));
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
        let tag = tag_words(report.tag, site.tag_name(report.tag));
        let words = format!("The track of {tag} was given up for another place: it may have jumped.");
        let facts = EventFacts::Restart(RestartFacts { tag: report.tag.0 });
        EventDraft::new(report.at, EventKind::Restart, &words, &facts)
    }

    /// The wire to the kit; `reason` in words while it waits, `None` when it is connected.
    pub fn link(at: Timestamp, reason: Option<&str>) -> EventDraft {
        let (state, words) = match reason {
            None => ("connected", "The kit is connected.".to_owned()),
            Some(reason) => ("waiting", format!("The link to the kit is waiting: {reason}.")),
        };
        let facts = LinkFacts { state, reason: reason.map(|r| bounded(r, MAX_FACT_CHARS)) };
        EventDraft::new(at, EventKind::Link, &words, &EventFacts::Link(facts))
    }

    /// The daemon started, after a run of which this is known.
    pub fn start(at: Timestamp, version: &str, site: &str, before: RunBefore) -> EventDraft {
        let words = format!(
            "The daemon started (version {version}, {site}); zones are unknown until told; {}.",
            before.words()
        );
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
        let words = "The daemon stopped; zones are unknown from now on.".to_owned();
        EventDraft::new(at, EventKind::Stop, &words, &EventFacts::None(NoFacts {}))
    }

    /// The site file was read again: how it came about, as a part of a sentence.
    pub fn configuration(at: Timestamp, how: &str) -> EventDraft {
        let words = format!("The configuration was {how}; {ANEW}.");
        EventDraft::new(at, EventKind::Configuration, &words, &EventFacts::None(NoFacts {}))
    }

    /// Somebody said that an anchor was mended.
    pub fn mended(at: Timestamp, anchor: AnchorId, site: &Site) -> EventDraft {
        let name = anchor_name(anchor, site);
        let words =
            format!("Anchor {anchor} ({name}) was said to be mended: its evidence begins anew; {ANEW}.");
        EventDraft::new(at, EventKind::Configuration, &words, &EventFacts::None(NoFacts {}))
    }

    /// New offsets are in force: how they came, as a part of a sentence.
    pub fn calibration(at: Timestamp, how: &str) -> EventDraft {
        let words = format!("A calibration was {how}; {ANEW}.");
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
        let sync = match synchronised {
            Some(true) => "it is synchronised",
            Some(false) => "it is not synchronised: set up time synchronisation",
            None => "whether it is synchronised is not known",
        };
        let (by_s, offset_s) = (by.secs_f64(), utc_minus_session.secs_f64());
        let words = if by == Micros::ZERO {
            format!("The computer's clock: {sync}.")
        } else {
            let way = if by_s > 0.0 { "forward" } else { "back" };
            format!(
                "The computer's clock was set {way} by {:.3} s; stamps follow it, answers do not; {sync}.",
                by_s.abs()
            )
        };
        let facts = ClockFacts { by_s, utc_minus_session_s: offset_s, synchronised };
        EventDraft::new(at, EventKind::Clock, &words, &EventFacts::Clock(facts))
    }

    /// `count` more of something were lost, `total` since the start.
    pub fn data_lost(at: Timestamp, what: LostWhat, count: u64, total: u64) -> EventDraft {
        let frames = if count == 1 { "1 frame".to_owned() } else { format!("{count} frames") };
        let in_log = |one: &str| {
            let s = if count == 1 { "" } else { "s" };
            format!("Missing in the log: {count} {one}{s}. See its state in /v1/status.")
        };
        let words = match what {
            LostWhat::LogFrames => in_log("frame"),
            LostWhat::LogPositions => in_log("position"),
            LostWhat::LogEvents => in_log("event"),
            LostWhat::OutOfOrder => format!("Left out: {frames}, older than the one before."),
            LostWhat::TooManyTags => {
                format!(
                    "Left out: {frames} of further tags: {MAX_TAGS} are tracked already. Switch some off, or list in the site file those to track."
                )
            }
            LostWhat::DamagedFrames => {
                format!("Damaged on arrival: {frames}. Check the cable, its length, and baud.")
            }
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
