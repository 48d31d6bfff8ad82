//! Bodies about the daemon itself: link, counters, log, list of routes, and errors.

use serde::Serialize;
use utoipa::ToSchema;

use super::{MessageType, Sending, json};
use hereabout_words::time::rfc3339;

use crate::state::{Connectivity, LinkView};

/// State of the wire to the kit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum LinkStateName {
    /// Open.
    Connected,
    /// Not open; the daemon keeps trying.
    Waiting,
}

/// The wire to the kit.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct LinkBody {
    /// Always `link`.
    #[serde(rename = "type")]
    pub kind: MessageType,
    /// Connected or waiting.
    pub state: LinkStateName,
    /// The port or address, as in the site file.
    pub source: String,
    /// Why it waits and what to do; null when connected.
    #[schema(required)]
    pub reason: Option<String>,
    /// Since when, RFC 3339.
    pub since: String,
}

impl LinkBody {
    pub(crate) fn of(link: &LinkView, source: &str) -> LinkBody {
        LinkBody {
            kind: MessageType::Link,
            state: match link.state {
                Connectivity::Connected => LinkStateName::Connected,
                Connectivity::Waiting => LinkStateName::Waiting,
            },
            source: source.to_owned(),
            reason: link.reason.clone(),
            since: rfc3339(link.since),
        }
    }

    /// The JSON text, on one line.
    pub fn to_json(&self) -> String {
        json(self)
    }
}

/// Told before the next message to a reader who was too slow.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct MissedBody {
    /// Always `missed`.
    #[serde(rename = "type")]
    pub kind: MessageType,
    /// Messages left out since the last one of these.
    pub count: u64,
}

impl MissedBody {
    /// The JSON text of a `missed` message.
    pub(crate) fn text(count: u64) -> String {
        json(&MissedBody { kind: MessageType::Missed, count })
    }
}

/// The answer to a reader's text `{"ping":"…"}`, after everything that was waiting for the reader before it: the time
/// from ping to pong is how old what is read can be.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct PongBody {
    /// Always `pong`.
    #[serde(rename = "type")]
    pub kind: MessageType,
    /// The text of the ping; absent when it was none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ping: Option<String>,
    /// What was wrong with the ping, and what to do; told once, and only when something was.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub problem: Option<String>,
    /// The sender's steady time at the sending, seconds since its start; absent with a problem.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sender_s: Option<f64>,
}

impl PongBody {
    /// The text of a pong that only lacks what the sending knows.
    pub(crate) fn text(ping: &str) -> String {
        let (ping, problem) = (Some(ping.to_owned()), None);
        json(&PongBody { kind: MessageType::Pong, ping, problem, sender_s: None })
    }

    /// The text of the answer to what was meant as a ping.
    pub(crate) fn problem_text(problem: &str) -> String {
        let (ping, problem) = (None, Some(problem.to_owned()));
        json(&PongBody { kind: MessageType::Pong, ping, problem, sender_s: None })
    }
}

/// The first message to a reader who gave a `nonce`: this stream is the one that was asked for, just now.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct NonceBody {
    /// Always `nonce`.
    #[serde(rename = "type")]
    pub kind: MessageType,
    /// As it was given.
    pub nonce: String,
    /// The sender's steady time at the sending, seconds since its start.
    pub sender_s: f64,
}

impl NonceBody {
    pub(crate) fn text(nonce: String, sending: Sending) -> String {
        json(&NonceBody { kind: MessageType::Nonce, nonce, sender_s: sending.sender_s() })
    }
}

/// What the decoder made of the bytes.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct DecoderBody {
    /// Bytes heard.
    pub bytes: u64,
    /// Good frames.
    pub frames: u64,
    /// Frames with a wrong checksum.
    pub bad_checksum: u64,
    /// Bytes that belonged to no frame.
    pub skipped_bytes: u64,
}

/// The log.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct LogBody {
    /// The file; another one than in the site file when that one is damaged.
    pub path: String,
    /// Rows that are safely in it.
    pub rows_written: u64,
    /// Rows that wait to be written.
    pub rows_waiting: u64,
    /// Rows that were lost: the queue was full, or the log does not allow them.
    pub rows_dropped: u64,
    /// Frames among them.
    pub frames_dropped: u64,
    /// Positions among them.
    pub positions_dropped: u64,
    /// Events among them; they were told all the same.
    pub events_dropped: u64,
    /// What is wrong with it, in words; null when nothing is. Positions, zones and events don't wait for it.
    #[schema(required)]
    pub problem: Option<String>,
}

/// What the engine has put out since the start.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct OutputsBody {
    /// Position messages.
    pub positions: u64,
    /// Epochs of ranges.
    pub epochs: u64,
    /// Inputs left out because they were older than the one before.
    pub out_of_order: u64,
    /// Frames left out because there was no room for another tag.
    pub too_many_tags: u64,
    /// Tags that have a latest position here.
    pub tags: usize,
}

/// Readers of `/v1/live`.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct LiveBody {
    /// How many there are now.
    pub subscribers: usize,
    /// Messages that slow ones did not get, since the start.
    pub missed: u64,
    /// Pings without a pong, since the start: too many waited already, or they were no pings.
    pub pings_unanswered: u64,
}

/// How the daemon's time stands to UTC. Answers rest on a steady time, whatever the computer's clock does; stamps are
/// those of the clock.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct ClockBody {
    /// Whether the computer's clock is synchronised; null when nobody can say.
    #[schema(required)]
    pub synchronised: Option<bool>,
    /// UTC minus the time scale of the log's session, seconds: how far the clock was set since the session began.
    pub utc_minus_session_s: f64,
    /// When that changed last, RFC 3339; null when it did not.
    #[schema(required)]
    pub changed_at: Option<String>,
}

/// Who may change the daemon, and what came of it.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct ChangesBody {
    /// The file with the key that is sent as a bearer token; null when none is in use.
    #[schema(required)]
    pub key_file: Option<String>,
    /// The Unix socket over which no key is needed; null when there is none.
    #[schema(required)]
    pub socket: Option<String>,
    /// Changes that were let through over HTTP since the start.
    pub made: u64,
    /// Wrong keys that were sent since the start.
    pub wrong_keys: u64,
}

/// The daemon itself.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct StatusBody {
    /// Version of the program.
    pub version: String,
    /// Name of the site.
    pub site: String,
    /// Start of the daemon, RFC 3339.
    pub started_at: String,
    /// The daemon's clock, RFC 3339.
    pub now: String,
    /// Seconds since the start.
    pub uptime_s: f64,
    /// How the daemon's time stands to UTC.
    pub clock: ClockBody,
    /// The wire to the kit.
    pub link: LinkBody,
    /// Null until the decoder has told.
    #[schema(required)]
    pub decoder: Option<DecoderBody>,
    /// What came of it.
    pub outputs: OutputsBody,
    /// Null without a log.
    #[schema(required)]
    pub log: Option<LogBody>,
    /// Readers of `/v1/live`.
    pub live: LiveBody,
    /// Who may change it.
    pub changes: ChangesBody,
    /// What needs a person, in words; empty when nothing does.
    pub problems: Vec<String>,
}

/// Answer of `/livez` and `/readyz`.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct AliveBody {
    /// `alive` or `ready`.
    pub status: &'static str,
}

/// What the service offers.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct IndexBody {
    /// Always `hereabout`.
    pub name: &'static str,
    /// Version of the program.
    pub version: String,
    /// The routes.
    pub routes: Vec<RouteBody>,
    /// What this service must not be used for.
    pub cautions: Vec<&'static str>,
}

/// One route.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct RouteBody {
    /// Its path.
    pub path: String,
    /// What it gives.
    pub gives: String,
}

/// Any error, as RFC 9457 has it: `application/problem+json`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Problem {
    /// A relative URI that names the kind of problem; does not change.
    #[serde(rename = "type")]
    pub kind: &'static str,
    /// The kind in words; does not change.
    pub title: &'static str,
    /// The HTTP status.
    pub status: u16,
    /// What happened this time, and what to do.
    pub detail: String,
}
