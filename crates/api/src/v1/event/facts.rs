//! The facts of events, by their kind.

use hereabout_words::event;
use serde::Serialize;
use utoipa::ToSchema;

use crate::v1::{AnchorStateName, FindingBody, KitFindingBody, ZoneStateName, ZoneWhyName};

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
    pub(super) fn words(self) -> String {
        match (self.ended, self.missing) {
            (BeforeName::None, _) => event::LOG_IS_NEW.to_owned(),
            (BeforeName::Unknown, _) => event::BEFORE_UNKNOWN.to_owned(),
            (BeforeName::CutOff, _) => event::cut_off_before(self.seq),
            (BeforeName::Stopped, Some(1..)) => event::EVENTS_OF_BEFORE_MISSING.to_owned(),
            (BeforeName::Stopped, _) => event::ended_before(self.seq),
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
