//! A reader's end of the live messages: what is next for it, and what it says itself.

use std::{
    sync::{Arc, PoisonError, atomic::Ordering::Relaxed},
    time::Instant,
};

use hereabout_core::Timestamp;

use super::{
    events::{EventCursor, NextEvent},
    filter::SubscriptionFilter,
    hub::Hub,
    message::NextMessage,
    ping::ping_of,
    reader::Reader,
};
use crate::v1::{NoLongerKeptBody, NumbersAnewBody, PongBody, Sending};

impl Hub {
    /// A new reader with what counts at the present waiting for it; `None` when `limit` readers are there already.
    pub(crate) fn subscribe(
        &self,
        filter: SubscriptionFilter,
        clock: &dyn Fn() -> Timestamp,
        backlog: usize,
        limit: usize,
    ) -> Option<Subscription> {
        let reader = self.enter(filter, clock, backlog, limit)?;
        Some(Subscription { hub: self.clone(), reader })
    }
}

/// A reader's end. Dropping it ends the subscription.
pub(crate) struct Subscription {
    hub: Hub,
    reader: Arc<Reader>,
}

impl Subscription {
    /// What is next for this reader, and the moment by `clock` at which it leaves.
    pub(crate) fn next_message(&self, clock: &dyn Fn() -> Sending) -> (NextMessage, Sending) {
        let nonce = self.reader.nonce.lock().unwrap_or_else(PoisonError::into_inner).take();
        if let Some(nonce) = nonce {
            return (NextMessage::Nonce(nonce), clock());
        }
        if let Some(event) = self.next_event(false) {
            return (event, clock());
        }
        let mut mailbox = self.reader.mailbox();
        let now = Instant::now();
        // Read while the mailbox is locked: a change of the clock comes before both, or after.
        let sending = clock();
        let events_first = mailbox.pong_is_next(now).is_some_and(|after| self.has_events_up_to(after));
        if events_first && let Some(event) = self.next_event(true) {
            return (event, sending);
        }
        let next = match mailbox.next_message(now) {
            idle @ (NextMessage::Nothing | NextMessage::NotBefore(_)) => {
                self.next_event(true).unwrap_or(idle)
            }
            message => message,
        };
        (next, sending)
    }

    /// Whether an event up to this number still waits.
    fn has_events_up_to(&self, number: u64) -> bool {
        self.resume_after().is_some_and(|cursor| cursor < number)
    }

    fn next_event(&self, idle: bool) -> Option<NextMessage> {
        let mut cursor = self.reader.event_cursor();
        let cursor = cursor.as_mut()?;
        match self.hub.with_events(|ring| cursor.next(ring, idle)) {
            NextEvent::Event(event) => Some(NextMessage::Event(event)),
            NextEvent::NoLongerKept { from, to } => {
                Some(NextMessage::Notice(NoLongerKeptBody::text(from, to)))
            }
            NextEvent::NumbersAnew { after, newest } => {
                Some(NextMessage::Notice(NumbersAnewBody::text(after, newest)))
            }
            NextEvent::Nothing => None,
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
    pub(crate) fn resume_after(&self) -> Option<u64> {
        self.reader.event_cursor().as_ref().map(EventCursor::after)
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

#[cfg(test)]
mod tests;
