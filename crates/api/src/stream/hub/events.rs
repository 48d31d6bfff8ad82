//! The hub's events: a lock of their own around the ring that all readers share.

use std::sync::{MutexGuard, PoisonError};

use hereabout_core::Timestamp;

use super::Hub;
use crate::{
    stream::events::{Event, EventPage, EventRing, MAX_EVENTS},
    v1::{EventsKeptIn, event_text},
};

/// The events and where they are kept.
pub(super) struct Events {
    pub(super) ring: EventRing,
    kept_in: EventsKeptIn,
}

impl Default for Events {
    fn default() -> Events {
        Events { ring: EventRing::new(MAX_EVENTS as usize), kept_in: EventsKeptIn::Memory }
    }
}

impl Hub {
    /// Takes over an event under its number: one of an earlier run at the start, or one that just happened. `detail` is as
    /// [`crate::v1::EventDraft`] has it. Quick and never waiting: the loop calls it.
    pub fn publish_event(&self, seq: u64, at: Timestamp, kind: &str, detail: &str) {
        let text = event_text(Some(seq), at, kind, detail).into();
        self.events().ring.push(Event { seq, text });
        self.lock().readers.iter().filter(|r| r.filter.event).for_each(|r| r.wake());
    }

    /// The numbers of events go on at `first`; `known` is the newest number that is known from before, 0 when none is.
    /// Who resumes from a number in between is told that events are missing.
    pub fn begin_event_numbers(&self, known: u64, first: u64) {
        self.events().ring.jump(known, first);
    }

    /// Where events are kept; memory until this says otherwise.
    pub fn set_events_kept_in(&self, kept_in: EventsKeptIn) {
        self.events().kept_in = kept_in;
    }

    /// The newest number of an event; 0 before the first.
    pub(crate) fn newest_event(&self) -> u64 {
        self.events().ring.newest()
    }

    pub(crate) fn events_page(&self, after: Option<u64>, limit: usize) -> (EventPage, EventsKeptIn) {
        let events = self.events();
        (events.ring.page(after, limit), events.kept_in)
    }

    /// Looks at the ring under its lock: what is given back must not need it any more.
    pub(crate) fn with_events<T>(&self, look: impl FnOnce(&EventRing) -> T) -> T {
        look(&self.events().ring)
    }

    pub(super) fn events(&self) -> MutexGuard<'_, Events> {
        self.0.events.lock().unwrap_or_else(PoisonError::into_inner)
    }

    #[cfg(test)]
    /// An event under the next number.
    pub(crate) fn count_event(&self, event: &crate::v1::EventDraft) {
        let seq = self.events().ring.newest() + 1;
        self.publish_event(seq, event.at, event.kind.name(), &event.detail);
    }
}
