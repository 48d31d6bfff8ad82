//! A reader of the live messages, as the hub knows it: what it subscribes to and what waits for it.
//!
//! What a reader gets next comes from three places: the nonce that it asked with, first of all; the events, from the
//! ring of all readers; everything else from its [`Mailbox`]. Events and other messages take turns. A pong takes its place
//! in the mailbox, and waits for the events of before its ping as well: after it comes nothing that was there before.

use std::sync::{Mutex, MutexGuard, PoisonError, atomic::AtomicBool};

use tokio::sync::Notify;

use super::{events::EventCursor, filter::SubscriptionFilter, mailbox::Mailbox};

/// One reader, for the hub.
pub(crate) struct Reader {
    pub(crate) filter: SubscriptionFilter,
    mailbox: Mutex<Mailbox>,
    /// `None` for who doesn't want events.
    event_cursor: Mutex<Option<EventCursor>>,
    /// What it asked with; until it was sent.
    pub(crate) nonce: Mutex<Option<String>>,
    /// It was told that its ping is none.
    pub(crate) complained: AtomicBool,
    pub(crate) news: Notify,
}

impl Reader {
    pub(crate) fn new(
        filter: SubscriptionFilter,
        mailbox: Mailbox,
        event_cursor: Option<EventCursor>,
    ) -> Reader {
        Reader {
            nonce: Mutex::new(filter.nonce.clone()),
            filter,
            mailbox: Mutex::new(mailbox),
            event_cursor: Mutex::new(event_cursor),
            complained: AtomicBool::new(false),
            news: Notify::new(),
        }
    }

    pub(crate) fn mailbox(&self) -> MutexGuard<'_, Mailbox> {
        self.mailbox.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(crate) fn event_cursor(&self) -> MutexGuard<'_, Option<EventCursor>> {
        self.event_cursor.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Wakes who writes to it.
    pub(crate) fn wake(&self) {
        self.news.notify_one();
    }
}
