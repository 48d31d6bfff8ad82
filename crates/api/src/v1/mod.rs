//! The bodies of version 1: the only JSON shapes that leave the program.
//!
//! A field's unit is in its name. What is not known is `null`, never 0. Fields keep their order;
//! new ones may be added within version 1, none is renamed, taken away or given another meaning.
//! Metres are rounded to 10⁻⁴, covariances to 10⁻⁸ m²: far below what any radio can tell, and short
//! to read. Stamps are RFC 3339, UTC, with six digits.

mod anchor;
mod calibration;
mod daemon;
mod event;
mod finding;
mod number;
mod position;
mod range;
mod sending;
mod site;
mod site_doubt;
mod zone;

pub use anchor::{
    AnchorBody, AnchorDetailBody, AnchorStateName, AnchorsBody, MendedBody, MinuteBody, NotToldBody,
};
pub use calibration::{AnchorCalibrationBody, CalibrationsBody};
pub use daemon::{
    AliveBody, ChangesBody, ClockBody, DecoderBody, IndexBody, LinkBody, LinkStateName, LiveBody, LogBody,
    MissedBody, NonceBody, OutputsBody, PongBody, Problem, RouteBody, StatusBody,
};
pub(crate) use event::event_text;
pub use event::{
    AnchorEventFacts, BeforeName, ClockFacts, EventBody, EventDraft, EventFacts, EventKind, EventsBody,
    EventsKeptIn, FindingEventFacts, KitEventFacts, LinkFacts, LostFacts, LostWhat, NoFacts,
    NoLongerKeptBody, NumbersAnewBody, RestartFacts, RunBefore, SpanBody, StartFacts, ZoneFacts,
};
pub use finding::{
    CannotTellName, FindingBody, FindingFacts, KitFacts, KitFindingBody, PlaceAnswerName, PlaceBody,
};
pub use number::{round_1e4, round_1e8};
pub use position::{
    CandidateBody, NoFixBody, NoFixCode, PositionBody, PositionStateName, RejectedBody, TagsBody,
};
pub use range::{RangeBody, RangesBody, VerdictName};
pub use sending::Sending;
pub(crate) use sending::{Tail, with_nonce};
pub use site::{CircleBody, FrameBody, NearBody, SiteAnchorBody, SiteBody, ZoneBody};
pub use site_doubt::{FoundPlaceBody, OrderMoveBody, SiteCauseBody, SiteDoubtBody};
pub use zone::{ZoneAnswerBody, ZoneReportBody, ZoneStateName, ZoneWhyName, ZonesBody};

use serde::Serialize;
use utoipa::ToSchema;

/// What a message of `/v1/live` is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum MessageType {
    /// Where a tag is.
    Position,
    /// Where a tag was a moment ago, smoothed.
    PositionDelayed,
    /// The ranges of one epoch.
    Range,
    /// Health of one anchor.
    Anchor,
    /// The wire to the kit.
    Link,
    /// What a tag is to a zone.
    Zone,
    /// Something that happened, with its number.
    Event,
    /// Events that a resuming reader asked for and that are not kept any more.
    NoLongerKept,
    /// The reader was ahead: the numbers of events began anew.
    NumbersAnew,
    /// How many messages a slow reader did not get.
    Missed,
    /// The answer to a reader's ping, in order with the other messages.
    Pong,
    /// What a reader gave as `nonce`; its first message.
    Nonce,
}

/// JSON text of a body.
///
/// Bodies have text keys and plain values only, so that writing them cannot fail; should it ever,
/// the caller gets `null` rather than a stopped daemon.
pub(crate) fn json(body: &impl Serialize) -> String {
    serde_json::to_string(body).unwrap_or_else(|_| "null".into())
}

#[cfg(test)]
mod tests;
