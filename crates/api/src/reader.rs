//! A reader of the live messages: what it asked for, what waits for it, and what it says itself.
//!
//! What a reader gets next comes from three places: the nonce that it asked with, first of all; the events, from the
//! ring of all readers; everything else from its [`Mailbox`]. Events and other messages take turns. A pong takes its place
//! in the mailbox, and waits for the events of before its ping as well: after it comes nothing that was there before.

use std::{
    sync::{
        Arc, Mutex, MutexGuard, PoisonError,
        atomic::{AtomicBool, Ordering::Relaxed},
    },
    time::{Duration, Instant},
};

use hereabout_core::TagId;
use serde::Deserialize;
use tokio::sync::Notify;

use crate::{
    events::{Following, Next},
    hub::Hub,
    mailbox::{Key, Mailbox, Taken},
    v1::{NoLongerKeptBody, NumbersAnewBody, PongBody, Sending},
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
    nonce: Mutex<Option<String>>,
    /// It was told that its ping is none.
    complained: AtomicBool,
    news: Notify,
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

    fn following(&self) -> MutexGuard<'_, Option<Following>> {
        self.following.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Wakes who writes to it.
    pub(crate) fn wake(&self) {
        self.news.notify_one();
    }
}

/// A reader's end. Dropping it ends the subscription.
pub(crate) struct Subscription {
    hub: Hub,
    reader: Arc<Reader>,
}

impl Subscription {
    pub(crate) fn new(hub: Hub, reader: Arc<Reader>) -> Subscription {
        Subscription { hub, reader }
    }

    /// What is next for this reader, and the moment by `clock` at which it leaves.
    pub(crate) fn take(&self, clock: &dyn Fn() -> Sending) -> (Taken, Sending) {
        let nonce = self.reader.nonce.lock().unwrap_or_else(PoisonError::into_inner).take();
        if let Some(nonce) = nonce {
            return (Taken::Nonce(nonce), clock());
        }
        if let Some(taken) = self.take_event(false) {
            return (taken, clock());
        }
        let mut mailbox = self.reader.mailbox();
        let now = Instant::now();
        // Read while the mailbox is locked: a change of the clock comes before both, or after.
        let sending = clock();
        let events_first = mailbox.pong_is_next(now).is_some_and(|after| self.has_events_up_to(after));
        if events_first && let Some(taken) = self.take_event(true) {
            return (taken, sending);
        }
        let taken = match mailbox.take(now) {
            idle @ (Taken::Nothing | Taken::NotBefore(_)) => self.take_event(true).unwrap_or(idle),
            taken => taken,
        };
        (taken, sending)
    }

    /// Whether an event up to this number still waits.
    fn has_events_up_to(&self, number: u64) -> bool {
        self.event_cursor().is_some_and(|cursor| cursor < number)
    }

    fn take_event(&self, idle: bool) -> Option<Taken> {
        let mut following = self.reader.following();
        let following = following.as_mut()?;
        match self.hub.with_events(|ring| following.take(ring, idle)) {
            Next::Event(event) => Some(Taken::Event(event)),
            Next::NoLongerKept { from, to } => Some(Taken::Told(NoLongerKeptBody::text(from, to))),
            Next::NumbersAnew { after, newest } => Some(Taken::Told(NumbersAnewBody::text(after, newest))),
            Next::Nothing => None,
        }
    }

    /// Takes in a text that the reader sent. A ping gets its pong; anything else means nothing.
    pub(crate) fn heard(&self, text: &str) {
        let answered = match ping_of(text) {
            None => return,
            Some(Ok(ping)) => {
                // What has happened by now comes before the pong.
                let after_event = self.hub.newest_event();
                self.reader.mailbox().push_pong(PongBody::text(&ping), after_event)
            }
            Some(Err(problem)) => {
                if !self.reader.complained.swap(true, Relaxed) {
                    self.reader.mailbox().push_pong_problem(PongBody::problem_text(problem));
                }
                false
            }
        };
        if !answered {
            self.hub.count_unanswered_ping();
        }
        self.reader.wake();
    }

    /// The number to resume after, for who got no event yet; `None` for who doesn't want events.
    pub(crate) fn event_cursor(&self) -> Option<u64> {
        self.reader.following().as_ref().map(Following::after)
    }

    /// Returns when something new may wait; at once when it came since the last call.
    pub(crate) async fn news(&self) {
        self.reader.news.notified().await;
    }
}

impl Drop for Subscription {
    fn drop(&mut self) {
        self.hub.let_go(&self.reader);
    }
}

/// The text of a ping, or what is wrong with it; `None` for what is not meant as one.
fn ping_of(text: &str) -> Option<Result<String, &'static str>> {
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

#[cfg(test)]
#[path = "reader_tests.rs"]
mod tests;
