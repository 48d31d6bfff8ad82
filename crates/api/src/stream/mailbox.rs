//! What waits for one reader of `/v1/live`.
//!
//! Model: messages have a key (what they are about) and wait in the order they came. As long as the
//! reader keeps up, it gets every one. When more wait than its backlog holds, it is *lagging*: from
//! then on, until it has caught up, only the newest of each key is kept, and what was left out is
//! counted and told. A robot is served better by one place of now than by fifty of a while ago.
//!
//! With a spacing (`max_rate_hz`) positions, ranges and zones are thinned per key: the newest is held until
//! its time has come. Leaving out what the reader asked to leave out does not count as missed. A zone's change
//! of state is urgent: it goes at once, and only a reader who lags can miss it for a newer one.
//!
//! A pong stands behind everything that waited when its ping came. What is only held back for its pace waits for nobody
//! and nobody for it: it is no backlog. At most [`MAX_PONGS`] wait.
//!
//! Pure: the instant is an argument. Memory is bounded by [`MAX_WAITING`], whatever the keys.

use std::{
    collections::{BTreeMap, BTreeSet, VecDeque},
    time::{Duration, Instant},
};

use hereabout_core::Micros;

use super::message::{Key, Message, NextMessage};
use crate::v1::Tail;

/// More different keys than this can not wait; far above tags and anchors of any stated kit.
const MAX_WAITING: usize = 1024;
/// More pongs than this do not wait.
const MAX_PONGS: usize = 8;

#[derive(Debug)]
pub(crate) struct Mailbox {
    waiting: VecDeque<Message>,
    /// Number of the last ping.
    pings: u64,
    backlog: usize,
    spacing: Option<Duration>,
    lagging: bool,
    unreported: u64,
    /// When the next message of a thinned key may go.
    due: BTreeMap<Key, Instant>,
}

impl Mailbox {
    /// Opens with `snapshot` waiting, whatever the backlog.
    pub(crate) fn new(snapshot: Vec<Message>, backlog: usize, spacing: Option<Duration>) -> Mailbox {
        let waiting = VecDeque::from(snapshot);
        Mailbox { waiting, pings: 0, backlog, spacing, lagging: false, unreported: 0, due: BTreeMap::new() }
    }

    /// Puts `message` at the end; returns how many older ones were left out for it.
    pub(crate) fn push(&mut self, message: Message, now: Instant) -> u64 {
        let missed = self.thin(message.key, now);
        let missed = if self.is_thinned(message.key) && !message.urgent {
            missed
        } else {
            missed + self.make_room(message.key)
        };
        let overflow = self.waiting.len() >= MAX_WAITING;
        if overflow {
            self.waiting.pop_front();
        }
        self.waiting.push_back(message);
        let missed = missed + u64::from(overflow);
        self.unreported += missed;
        missed
    }

    /// Puts a pong at the end, to come after the event of this number as well; whether there is room for it.
    pub(crate) fn push_pong(&mut self, text: String, after_event: u64) -> bool {
        let pongs = self.waiting.iter().filter(|m| matches!(m.key, Key::Pong { .. })).count();
        let room = pongs < MAX_PONGS;
        if room {
            self.pings += 1;
            let key = Key::Pong { number: self.pings, after_event };
            self.waiting.push_back(Message { tail: Tail::Sender, ..Message::new(key, text) });
        }
        room
    }

    /// Puts the answer to what is no ping at the end.
    pub(crate) fn push_pong_problem(&mut self, text: String) {
        self.pings += 1;
        self.waiting.push_back(Message::new(Key::Pong { number: self.pings, after_event: 0 }, text));
    }

    /// The number of the event that the next message must come after, when that is a pong.
    pub(crate) fn pong_is_next(&self, now: Instant) -> Option<u64> {
        match self.waiting.get(self.first_due(now)?)?.key {
            Key::Pong { after_event, .. } => Some(after_event),
            _ => None,
        }
    }

    /// Moves what the messages' ends are reckoned from by `by`.
    pub(crate) fn shift(&mut self, by: Micros) {
        self.waiting.iter_mut().for_each(|m| m.tail.shift(by));
    }

    fn first_due(&self, now: Instant) -> Option<usize> {
        self.waiting.iter().position(|m| m.urgent || self.is_due(m.key, now))
    }

    /// The first message whose time has come.
    pub(crate) fn next_message(&mut self, now: Instant) -> NextMessage {
        let Some(index) = self.first_due(now) else {
            let soonest = self.waiting.iter().filter_map(|m| self.due.get(&m.key)).min();
            return soonest.map_or(NextMessage::Nothing, |at| NextMessage::NotBefore(*at));
        };
        let Some(message) = self.waiting.remove(index) else { return NextMessage::Nothing };
        self.lagging &= !self.waiting.is_empty();
        self.set_due(&message, now);
        NextMessage::Message(message, std::mem::take(&mut self.unreported))
    }

    fn is_thinned(&self, key: Key) -> bool {
        let often = matches!(key, Key::Position(_) | Key::Delayed(_) | Key::Range(_) | Key::Zone(..));
        self.spacing.is_some() && often
    }

    /// Takes out what waits for its time, for a newer message of its key; returns how many count as missed.
    fn thin(&mut self, key: Key, now: Instant) -> u64 {
        if !self.is_thinned(key) {
            return 0;
        }
        let asked_for = self.due.get(&key).is_some_and(|due| now < *due);
        let found = self.waiting.iter().position(|m| m.key == key && !m.urgent);
        let removed = found.and_then(|i| self.waiting.remove(i)).is_some();
        u64::from(removed && !asked_for)
    }

    fn is_due(&self, key: Key, now: Instant) -> bool {
        self.due.get(&key).is_none_or(|due| *due <= now)
    }

    /// Keeps the mean rate: a message that left a little late doesn't move the ones after it.
    fn set_due(&mut self, message: &Message, now: Instant) {
        let key = message.key;
        let Some(spacing) = self.spacing.filter(|_| self.is_thinned(key)) else { return };
        let due = self.due.get(&key).copied();
        if message.urgent && due.is_some_and(|due| due > now) {
            return; // it came between two that are paced, and moves neither
        }
        let next = due.unwrap_or(now) + spacing;
        if self.due.len() >= MAX_WAITING {
            self.due.retain(|_, due| *due > now);
        }
        self.due.insert(key, if next > now { next } else { now + spacing });
    }

    /// Makes room in the backlog for a message of `key`; returns how many were left out.
    fn make_room(&mut self, key: Key) -> u64 {
        let mut missed = 0;
        if !self.lagging && self.waiting.len() >= self.backlog {
            self.lagging = true;
            missed += self.keep_newest_of_each();
        }
        if self.lagging && self.remove(key) {
            missed += 1;
        }
        missed
    }

    fn keep_newest_of_each(&mut self) -> u64 {
        let before = self.waiting.len();
        let mut seen = BTreeSet::new();
        let mut kept: VecDeque<Message> = VecDeque::with_capacity(before);
        while let Some(message) = self.waiting.pop_back() {
            if seen.insert(message.key) {
                kept.push_front(message);
            }
        }
        self.waiting = kept;
        (before - self.waiting.len()) as u64
    }

    fn remove(&mut self, key: Key) -> bool {
        let found = self.waiting.iter().position(|m| m.key == key);
        found.and_then(|i| self.waiting.remove(i)).is_some()
    }
}

#[cfg(test)]
mod tests;
