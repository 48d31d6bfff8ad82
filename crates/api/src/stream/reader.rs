//! A reader of the live messages: what it asked for, what waits for it, and what it says itself.
//!
//! What a reader gets next comes from three places: the nonce that it asked with, first of all; the events, from the
//! ring of all readers; everything else from its [`Mailbox`]. Events and other messages take turns. A pong takes its place
//! in the mailbox, and waits for the events of before its ping as well: after it comes nothing that was there before.

use std::{
    sync::{Mutex, MutexGuard, PoisonError, atomic::AtomicBool},
    time::Duration,
};

use hereabout_core::TagId;
use serde::Deserialize;
use tokio::sync::Notify;

use crate::{
    stream::events::Following,
    stream::mailbox::{Key, Mailbox},
};

/// Longest text of a ping, characters.
const MOST_PING: usize = 128;

/// What a reader of `/v1/live` asked for.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Wants {
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
    /// To be told first.
    pub(crate) nonce: Option<String>,
}

impl Wants {
    pub(crate) fn takes(&self, key: Key) -> bool {
        let tag_fits = |tag| self.tag.is_none_or(|wanted| wanted == tag);
        match key {
            Key::Link => self.link,
            Key::Anchor(_) => self.anchor,
            Key::Position(tag) => self.position && tag_fits(tag),
            Key::Delayed(tag) => self.delayed && tag_fits(tag),
            Key::Range(tag) => self.range && tag_fits(tag),
            // The name decides as well: see below.
            Key::Zone(_, tag) => self.zone && tag.is_none_or(tag_fits),
            // Not for everybody: who pings gets it.
            Key::Pong { .. } => false,
        }
    }

    pub(crate) fn takes_zone(&self, zone: &str, tag: Option<TagId>) -> bool {
        self.takes(Key::Zone(0, tag)) && self.zone_name.as_deref().is_none_or(|wanted| wanted == zone)
    }
}

/// One reader, for the hub.
pub(crate) struct Reader {
    pub(crate) wants: Wants,
    mailbox: Mutex<Mailbox>,
    /// `None` for who doesn't want events.
    following: Mutex<Option<Following>>,
    /// What it asked with; until it was told.
    pub(crate) nonce: Mutex<Option<String>>,
    /// It was told that its ping is none.
    pub(crate) complained: AtomicBool,
    pub(crate) news: Notify,
}

impl Reader {
    pub(crate) fn new(wants: Wants, mailbox: Mailbox, following: Option<Following>) -> Reader {
        Reader {
            nonce: Mutex::new(wants.nonce.clone()),
            wants,
            mailbox: Mutex::new(mailbox),
            following: Mutex::new(following),
            complained: AtomicBool::new(false),
            news: Notify::new(),
        }
    }

    pub(crate) fn mailbox(&self) -> MutexGuard<'_, Mailbox> {
        self.mailbox.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(crate) fn following(&self) -> MutexGuard<'_, Option<Following>> {
        self.following.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Wakes who writes to it.
    pub(crate) fn wake(&self) {
        self.news.notify_one();
    }
}

/// The text of a ping, or what is wrong with it; `None` for what is not meant as one.
pub(crate) fn ping_of(text: &str) -> Option<Result<String, &'static str>> {
    #[derive(Deserialize)]
    struct Meant {
        ping: serde_json::Value,
    }
    let meant: Meant = serde_json::from_str(text).ok()?;
    Some(match meant.ping {
        serde_json::Value::String(ping) if ping.chars().count() <= MOST_PING => Ok(ping),
        serde_json::Value::String(_) => {
            Err("the text of a ping is longer than 128 characters: send a shorter one")
        }
        _ => Err("a ping is {\"ping\":\"…\"}, with a text of at most 128 characters: send that"),
    })
}
