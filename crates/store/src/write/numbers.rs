//! Who gives events their numbers.
//!
//! An event is reported when it happens, long before the disk has it. Its number must never mean another event, whatever
//! is lost: so numbers are reserved in the file, [`BLOCK`] at a time, in a commit that is synced, before the first of them
//! is reported. The next start goes on after what was reserved ([`crate::Store::first_event_number`]).
//!
//! A log can be deleted, replaced by an older copy, or not be there at all. The first number of a run is
//! therefore at least the clock's milliseconds since 1970 ([`clock_number`]): numbers of a later run are higher without
//! any file's help, as long as clocks go forward and fewer than a thousand events a second happen. They stay below 2⁵³, so
//! that every JSON reader has them exactly.

use std::hash::{BuildHasher, Hasher, RandomState};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use hereabout_core::Timestamp;

/// Numbers that are reserved at once. Few, so that a quick restart leaves them behind the clock's number, and more than
/// come before the writer reserves further ones.
const BLOCK: u64 = 100;
/// Numbers stay below this, the largest that every JSON reader has exactly.
const MAX_NUMBER: u64 = 1 << 53;
/// 1 January 2026, milliseconds since 1970: a clock before that was never set.
const PLAUSIBLE_MS: u64 = 1_767_225_600_000;

/// Gives numbers, each of them once. Clones share the count.
#[derive(Clone, Debug)]
pub struct EventNumbers(Arc<Mutex<State>>);

#[derive(Debug)]
struct State {
    next: u64,
    /// Safe in the file.
    reserved_until: u64,
}

impl EventNumbers {
    /// Numbers from `first` on.
    pub fn starting_at(first: u64) -> EventNumbers {
        EventNumbers(Arc::new(Mutex::new(State { next: first.max(1), reserved_until: 0 })))
    }

    /// Numbers from `least` on, and from `file_first` on, the first number that a file leaves ([`crate::Store`]).
    pub fn starting_after(least: u64, file_first: u64) -> EventNumbers {
        let numbers = EventNumbers::starting_at(least);
        numbers.go_beyond(file_first.saturating_sub(1));
        numbers
    }

    /// The number of the next event; each comes once, from whatever clone.
    pub fn give(&self) -> u64 {
        let mut s = self.lock();
        s.next += 1;
        s.next - 1
    }

    /// The number that comes next.
    pub fn next(&self) -> u64 {
        self.lock().next
    }

    /// A file turned up in which numbers up to `taken` belong to other events. A number that no run can have come to is
    /// damage, and is not followed.
    pub(crate) fn go_beyond(&self, taken: u64) {
        let mut s = self.lock();
        if taken < MAX_NUMBER / 2 {
            s.next = s.next.max(taken + 1);
        }
        s.reserved_until = 0;
    }

    /// Up to where to reserve numbers; `None` while enough are.
    pub(crate) fn to_reserve(&self) -> Option<u64> {
        let s = self.lock();
        (s.next + BLOCK / 2 > s.reserved_until).then_some(s.next + BLOCK)
    }

    /// The file has it safe that numbers up to `until` are reserved.
    pub(crate) fn reserved(&self, until: u64) {
        let mut s = self.lock();
        s.reserved_until = s.reserved_until.max(until);
    }

    fn lock(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The least first number of a run that starts `now`. With a clock that was never set it is a random one below all
/// others, because the same wrong time comes again at the next start.
pub fn clock_number(now: Timestamp) -> u64 {
    let ms = u64::try_from(now.micros() / 1_000).unwrap_or(0);
    if ms >= PLAUSIBLE_MS { ms } else { 1 + RandomState::new().build_hasher().finish() % PLAUSIBLE_MS }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_grow_and_are_reserved_in_time() {
        let numbers = EventNumbers::starting_at(50);
        assert_eq!(numbers.to_reserve(), Some(150));
        numbers.reserved(150);
        let other = numbers.clone();
        for expected in 50..=100 {
            assert!(numbers.to_reserve().is_none(), "half of them is left");
            assert_eq!(other.give(), expected, "clones share the count");
        }
        assert_eq!(numbers.to_reserve(), Some(201));
        numbers.go_beyond(1 << 62);
        assert_eq!(numbers.next(), 101, "no run came that far");
        numbers.go_beyond(20);
        assert_eq!(numbers.next(), 101, "never back");
        numbers.go_beyond(9_000);
        assert_eq!((numbers.give(), numbers.to_reserve()), (9_001, Some(9_102)));
    }

    #[test]
    fn a_run_begins_at_the_clock_unless_that_was_never_set() {
        let ms = 1_796_000_000_000;
        assert_eq!(clock_number(Timestamp::from_micros(ms * 1_000 + 7)), ms.unsigned_abs());
        let wrong = [0, -5, 1_000_000].map(|us| clock_number(Timestamp::from_micros(us)));
        assert!(wrong.iter().all(|n| (1..=PLAUSIBLE_MS).contains(n)), "{wrong:?}");
        assert!(wrong[0] != wrong[1] && wrong[1] != wrong[2], "{wrong:?}");
    }
}
