//! What a reader of the live messages subscribes to.

use std::time::Duration;

use hereabout_core::TagId;

use super::message::{Key, Message};

/// The topics of a subscription, and what is chosen among their messages.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct SubscriptionFilter {
    pub(crate) position: bool,
    pub(crate) delayed: bool,
    pub(crate) range: bool,
    pub(crate) anchor: bool,
    pub(crate) link: bool,
    pub(crate) zone: bool,
    pub(crate) event: bool,
    /// Events after this number first; from now on without it.
    pub(crate) after: Option<u64>,
    /// Only this tag's positions, ranges and zones.
    pub(crate) tag: Option<TagId>,
    /// Only the zone of this name.
    pub(crate) zone_name: Option<String>,
    /// Shortest time between two positions, or two epochs of ranges, of one tag.
    pub(crate) spacing: Option<Duration>,
    /// Sent as the first message, so that the asker knows the answer for its own.
    pub(crate) nonce: Option<String>,
}

impl SubscriptionFilter {
    /// Whether a message belongs to the subscription.
    pub(crate) fn admits(&self, message: &Message) -> bool {
        self.admits_key(message.key, message.zone.as_deref())
    }

    /// Whether a message of this key does, and of the zone of this name when it is one of a zone.
    pub(crate) fn admits_key(&self, key: Key, zone: Option<&str>) -> bool {
        let tag_fits = |tag| self.tag.is_none_or(|only| only == tag);
        match key {
            Key::Link => self.link,
            Key::Anchor(_) => self.anchor,
            Key::Position(tag) => self.position && tag_fits(tag),
            Key::Delayed(tag) => self.delayed && tag_fits(tag),
            Key::Range(tag) => self.range && tag_fits(tag),
            Key::Zone(_, tag) => tag.is_none_or(tag_fits) && zone.is_some_and(|name| self.admits_zone(name)),
            // Not for everybody: who pings gets it.
            Key::Pong { .. } => false,
        }
    }

    /// Whether messages of the zone of this name belong to it.
    pub(crate) fn admits_zone(&self, zone: &str) -> bool {
        self.zone && self.zone_name.as_deref().is_none_or(|only| only == zone)
    }
}
