//! Messages to readers, each as text that all of them share.

use std::{sync::Arc, time::Instant};

use hereabout_core::{Anchor, AnchorId, PositionReport, TagId, Timestamp};

use super::events::Event;
use crate::{
    current::Current,
    state::LinkView,
    v1::{LinkBody, NonceBody, Sending, Tail, ZoneReportBody},
};

/// What a message is about: the newest of each key is the one that counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Key {
    Link,
    Anchor(AnchorId),
    Position(TagId),
    Delayed(TagId),
    Range(TagId),
    /// By the zone's place in the site file; `None` for a zone about any tag when none was heard.
    Zone(usize, Option<TagId>),
    /// Each of its own; after the event of this number.
    Pong {
        number: u64,
        after_event: u64,
    },
}

/// One message, as text that all readers share.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Message {
    pub(crate) key: Key,
    /// The zone's name in a message of a zone: readers choose by it.
    pub(crate) zone: Option<Arc<str>>,
    /// What is put at its end when it leaves.
    pub(crate) tail: Tail,
    /// Thinning must neither hold it back nor take it out: a zone changed its state.
    pub(crate) urgent: bool,
    pub(crate) text: Arc<str>,
}

impl Message {
    /// One that is whole and not urgent.
    pub(crate) fn new(key: Key, text: impl Into<Arc<str>>) -> Message {
        Message { key, zone: None, tail: Tail::Nothing, urgent: false, text: text.into() }
    }

    /// The link to the kit at `source`.
    pub(crate) fn link(link: &LinkView, source: &str) -> Message {
        Message::new(Key::Link, LinkBody::of(link, source).to_json())
    }

    /// Health of an anchor of the site at that moment.
    pub(crate) fn anchor(anchor: &Anchor, current: Current<'_>) -> Message {
        Message::new(Key::Anchor(anchor.id), current.anchor_body(anchor).to_json())
    }

    /// A position, whose text is there already.
    pub(crate) fn position(report: &PositionReport, text: Arc<str>) -> Message {
        let tail = Tail::Holds { at: Some(report.at), until: report.valid_until };
        Message { tail, ..Message::new(Key::Position(report.tag), text) }
    }

    /// A smoothed position: where the tag was a moment ago.
    pub(crate) fn delayed(report: &PositionReport, text: Arc<str>) -> Message {
        Message::new(Key::Delayed(report.tag), text)
    }

    /// What a tag is to the zone at this place of the site file.
    pub(crate) fn zone(index: usize, body: &ZoneReportBody, until: Timestamp) -> Message {
        let key = Key::Zone(index, body.tag.map(TagId));
        let zone = Some(body.zone.as_str().into());
        Message { zone, tail: Tail::Holds { at: None, until }, ..Message::new(key, body.to_json()) }
    }
}

/// What a reader gets next.
#[derive(Debug, PartialEq)]
pub(crate) enum NextMessage {
    /// A message, and how many were left out before it.
    Message(Message, u64),
    /// An event; comes from the ring of all readers, not from a mailbox.
    Event(Event),
    /// Something about the events themselves, as text.
    Notice(String),
    /// What the reader asked with.
    Nonce(String),
    /// Something waits, but its time has not come.
    NotBefore(Instant),
    /// Nothing waits.
    Nothing,
}

impl NextMessage {
    /// What is sent at this moment, but for what was left out before it; `None` when nothing is.
    pub(crate) fn text(self, sending: Sending) -> Option<String> {
        match self {
            NextMessage::Message(message, _) => Some(message.tail.put(&message.text, sending)),
            NextMessage::Event(event) => Some(event.text.to_string()),
            NextMessage::Notice(text) => Some(text),
            NextMessage::Nonce(nonce) => Some(NonceBody::text(nonce, sending)),
            NextMessage::NotBefore(_) | NextMessage::Nothing => None,
        }
    }

    /// How many messages were left out before it.
    pub(crate) fn missed(&self) -> u64 {
        if let NextMessage::Message(_, missed) = self { *missed } else { 0 }
    }
}
