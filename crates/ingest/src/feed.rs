//! What goes through the channel, and the trait of sources that are programs.

use std::time::Duration;

use hereabout_core::{LinkReason, Micros, Timestamp};

/// Bytes of one read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Chunk {
    /// The clock right after the read.
    pub received_at: Timestamp,
    /// The clock just before the input was found empty for the last time: none of these bytes was in this
    /// machine's kernel at that instant, so on this machine none is older. On a quiet line it is some
    /// 20 ms before the bytes at most; it is long before them when they waited here.
    ///
    /// `None` when the input was not found empty since it was opened, and for files. A feeder's bytes are
    /// made at their due time, so it is the due time of the last step that was waited for.
    pub empty_at: Option<Timestamp>,
    /// 1 to [`crate::MAX_CHUNK`] bytes.
    pub bytes: Vec<u8>,
}

/// One message of the channel. Stamps never go backward from one message to the next.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Feed {
    /// Bytes came.
    Bytes(Chunk),
    /// Nothing came, but time went on.
    Tick(Timestamp),
    /// The link came up or fell away.
    Link(LinkState),
    /// The wall clock was changed.
    Clock(ClockChange),
    /// A file or a feeder has nothing more; the last message.
    End(Timestamp),
}

impl Feed {
    /// The message's stamp.
    pub fn at(&self) -> Timestamp {
        match self {
            Feed::Bytes(chunk) => chunk.received_at,
            Feed::Tick(at) | Feed::End(at) => *at,
            Feed::Link(link) => link.at,
            Feed::Clock(change) => change.at,
        }
    }
}

/// A change of the wall clock, beside the steady clock that stamps everything.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClockChange {
    /// When it was noticed, on the session's time scale.
    pub at: Timestamp,
    /// What the wall clock says, minus the session's time, from now on.
    pub utc_minus_session: Micros,
}

/// A change of the link.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LinkState {
    /// When it changed.
    pub at: Timestamp,
    /// The link from `at` on.
    pub status: LinkStatus,
}

/// Whether the source is there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LinkStatus {
    /// Open: bytes can come. For UDP this means "listening", there is no more to know.
    Connected {
        /// Latency timer of the port's USB serial adapter in milliseconds, see [`crate::latency_timer_ms`];
        /// `None` for everything else.
        latency_ms: Option<u32>,
    },
    /// Not there; tried again several times a second.
    Waiting {
        /// Why, in facts.
        reason: LinkReason,
    },
}

/// One step of a [`Feeder`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FeedStep {
    /// How long after the previous step the bytes come.
    pub wait: Duration,
    /// The bytes, as one read of a port would bring them; longer than [`crate::MAX_CHUNK`] is split.
    pub bytes: Vec<u8>,
}

/// A source that is a program: the simulated kit.
pub trait Feeder: Send {
    /// The next step; `None` ends the feed. Must return soon: it is called between two ticks.
    fn next(&mut self) -> Option<FeedStep>;
}
