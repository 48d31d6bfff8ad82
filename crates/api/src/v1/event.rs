//! Events: what happened, with a number, in words and facts.
//!
//! An event is made where it happens ([`EventDraft`]), without a number: its kind, and its words and facts as
//! one JSON object. That object is what the log keeps, so an event that is read back from the log is byte for byte
//! the one that was published. The number comes last, from whoever keeps the count.

mod draft;
mod facts;

use serde::Serialize;
use utoipa::ToSchema;

use super::{MessageType, json};

pub use draft::EventDraft;
pub(crate) use draft::event_text;
pub use facts::{
    AnchorEventFacts, BeforeName, ClockFacts, EventFacts, FindingEventFacts, KitEventFacts, LinkFacts,
    LostFacts, LostWhat, NoFacts, RestartFacts, RunBefore, StartFacts, ZoneFacts,
};

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
