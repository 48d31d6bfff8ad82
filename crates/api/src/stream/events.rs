//! The last events, and where each reader stands in them.
//!
//! Model: events have numbers that only grow, by one while a daemon runs and by more from run to run. The ring keeps the
//! newest [`MAX_EVENTS`] as text, and up to which number events are gone. A reader holds no events of its own but a
//! [`RingCursor`], the number of the last one it took; so a slow reader costs nothing, gets every event in order, once, and
//! when the ring has overtaken it is told from where to where they are no longer kept. A reader who asks for
//! what comes after a number that was never given learns that the numbers began anew, and gets all there are.
//!
//! Pure: no lock, no clock.

use std::{collections::VecDeque, sync::Arc};

/// Events that are kept for readers; about 1.5 MB of text.
pub const MAX_EVENTS: u32 = 4096;

/// One at the start, and one for a log that is opened late; more come of nothing known.
const MAX_JUMPS: usize = 64;

/// One event, as text that all readers share.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Event {
    pub(crate) seq: u64,
    pub(crate) text: Arc<str>,
}

/// The number of the last event that a reader has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct RingCursor {
    pub(crate) after: u64,
}

/// What a reader gets next.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum NextEvent {
    /// The next event.
    Event(Event),
    /// Events from one number to another that the reader wanted and that are gone.
    NoLongerKept { from: u64, to: u64 },
    /// The reader was ahead of the newest number: they began anew.
    NumbersAnew { after: u64, newest: u64 },
    /// The reader has everything.
    Nothing,
}

/// A piece of the ring for one who asks now and then.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct EventPage {
    pub(crate) events: Vec<Event>,
    /// The number to give as `after` for the page that follows.
    pub(crate) next_after: u64,
    /// The first and the last number that was asked for and is gone; `None` when none is.
    pub(crate) no_longer_kept: Option<(u64, u64)>,
    /// What was asked for and is ahead of the newest.
    pub(crate) anew: Option<u64>,
    pub(crate) oldest: Option<u64>,
    pub(crate) newest: Option<u64>,
}

/// The newest events. Numbers in it only grow.
#[derive(Debug)]
pub(crate) struct EventRing {
    kept: VecDeque<Event>,
    capacity: usize,
    newest: u64,
    /// Events up to this number are not here any more; 0 when none ever went.
    gone: u64,
    /// Where numbers jumped: the newest one that is known from before, and the first one after.
    jumps: Vec<(u64, u64)>,
}

impl EventRing {
    pub(crate) fn new(capacity: usize) -> EventRing {
        EventRing { kept: VecDeque::new(), capacity, newest: 0, gone: 0, jumps: Vec::new() }
    }

    /// The newest number that was given; 0 before the first.
    pub(crate) fn newest(&self) -> u64 {
        self.newest
    }

    /// Takes in an event; one whose number is not above the newest is passed over, because readers have had it.
    pub(crate) fn push(&mut self, event: Event) {
        if event.seq <= self.newest {
            return;
        }
        self.newest = event.seq;
        if self.kept.len() >= self.capacity
            && let Some(oldest) = self.kept.pop_front()
        {
            self.forget(oldest.seq);
        }
        self.kept.push_back(event);
    }

    fn forget(&mut self, up_to: u64) {
        self.gone = self.gone.max(up_to);
    }

    /// Numbers go on at `first`; events with numbers in between, of another run, are not known here.
    pub(crate) fn jump(&mut self, known: u64, first: u64) {
        if self.jumps.len() < MAX_JUMPS {
            self.jumps.push((known, first));
        }
    }

    /// Up to which number events are missing for one who has those up to `after`: they are gone, or of a run of which
    /// nothing is known here but that this reader had a number of it.
    fn missing(&self, after: u64) -> Option<u64> {
        let unknown = self.jumps.iter().find(|(known, first)| *known < after && after + 1 < *first);
        let gone = Some(self.gone).filter(|gone| after < *gone);
        gone.max(unknown.map(|(_, first)| first - 1))
    }

    /// The next thing for the reader at `cursor`, which moves on.
    pub(crate) fn next(&self, cursor: &mut RingCursor) -> NextEvent {
        let after = cursor.after;
        if after > self.newest {
            cursor.after = 0;
            return NextEvent::NumbersAnew { after, newest: self.newest };
        }
        if let Some(to) = self.missing(after) {
            cursor.after = to;
            return NextEvent::NoLongerKept { from: after + 1, to };
        }
        let Some(event) = self.kept.get(self.index_after(after)) else { return NextEvent::Nothing };
        cursor.after = event.seq;
        NextEvent::Event(event.clone())
    }

    /// The first `limit` events after a number; without one the newest `limit`.
    pub(crate) fn page(&self, after: Option<u64>, limit: usize) -> EventPage {
        let (oldest, newest) = (self.kept.front().map(|e| e.seq), self.kept.back().map(|e| e.seq));
        let anew = after.filter(|after| *after > self.newest);
        // Who is ahead gets what there is, from the beginning.
        let from = if anew.is_some() { Some(0) } else { after };
        let start = from.map_or(self.kept.len().saturating_sub(limit), |after| self.index_after(after));
        let events: Vec<Event> = self.kept.iter().skip(start).take(limit).cloned().collect();
        EventPage {
            next_after: events.last().map_or(self.newest, |e| e.seq),
            no_longer_kept: from.and_then(|after| Some((after + 1, self.missing(after)?))),
            events,
            anew,
            oldest,
            newest,
        }
    }

    fn index_after(&self, after: u64) -> usize {
        self.kept.partition_point(|e| e.seq <= after)
    }
}

/// Where one reader of events stands, and whose turn it is.
#[derive(Debug)]
pub(crate) struct EventCursor {
    cursor: RingCursor,
    /// Events up to this number come before anything else: what a resuming reader has missed.
    first_until: u64,
    /// The last thing taken was an event: other messages are next, so that neither waits for all of the other.
    had_turn: bool,
}

impl EventCursor {
    /// A reader that wants what comes after `after`, or from now on.
    pub(crate) fn new(after: Option<u64>, ring: &EventRing) -> EventCursor {
        let newest = ring.newest();
        EventCursor {
            cursor: RingCursor { after: after.unwrap_or(newest) },
            first_until: newest,
            had_turn: false,
        }
    }

    /// The number of the last event it has.
    pub(crate) fn after(&self) -> u64 {
        self.cursor.after
    }

    /// The next thing when it is the events' turn, else nothing. `idle` says that nothing else waits.
    pub(crate) fn next(&mut self, ring: &EventRing, idle: bool) -> NextEvent {
        let first = self.cursor.after < self.first_until;
        if !(first || idle) && std::mem::take(&mut self.had_turn) {
            return NextEvent::Nothing;
        }
        let next = ring.next(&mut self.cursor);
        self.had_turn = next != NextEvent::Nothing;
        next
    }
}

#[cfg(test)]
mod tests;
