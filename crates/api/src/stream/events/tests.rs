//! The ring and its cursors: whatever comes in whatever order, a reader gets each event once, in order, or is told
//! which ones it can't have.

use proptest::prelude::*;

use super::*;

fn event(seq: u64) -> Event {
    Event { seq, text: format!("event {seq}").into() }
}

fn ring(capacity: usize, events: impl IntoIterator<Item = u64>) -> EventRing {
    let mut ring = EventRing::new(capacity);
    events.into_iter().for_each(|seq| ring.push(event(seq)));
    ring
}

proptest! {
    /// Two readers, one of them resuming, take whenever they like; the ring takes in as it likes.
    #[test]
    fn each_event_comes_once_in_order_or_is_told_as_gone(
        steps in prop::collection::vec(0u8..4, 0..400),
        capacity in 1usize..9,
        before in 0u64..20,
        resume_after in 0u64..20,
    ) {
        let mut ring = ring(capacity, 1..=before);
        let mut readers =
            [EventCursor::new(None, &ring), EventCursor::new(Some(resume_after.min(before)), &ring)];
        // Each reader's account of all numbers after its first one: the last it has had or was told of.
        let mut accounted = [before, resume_after.min(before)];
        let mut newest = before;
        let mut step = |ring: &EventRing, who: usize, idle: bool| {
            match readers[who].next(ring, idle) {
                NextEvent::Event(e) => {
                    prop_assert_eq!(e.seq, accounted[who] + 1, "neither a gap nor a double");
                    prop_assert_eq!(&*e.text, format!("event {}", e.seq));
                    accounted[who] = e.seq;
                }
                NextEvent::NoLongerKept { from, to } => {
                    prop_assert_eq!(from, accounted[who] + 1);
                    prop_assert!(to >= from && to + (capacity as u64) <= ring.newest(), "it is really gone");
                    accounted[who] = to;
                }
                NextEvent::NumbersAnew { .. } => prop_assert!(false, "nobody was ahead"),
                NextEvent::Nothing => prop_assert!(!idle || accounted[who] == ring.newest()),
            }
            Ok(accounted[who])
        };
        for what in steps {
            match what {
                0 | 1 => {
                    newest += 1;
                    ring.push(event(newest));
                }
                _ => {
                    step(&ring, usize::from(what - 2), newest % 2 == 0)?;
                }
            }
        }
        for who in [0, 1] {
            while step(&ring, who, true)? < newest {}
        }
    }

    /// Pages put together are what a follower gets.
    #[test]
    fn pages_are_the_same_events(newest in 0u64..30, capacity in 1usize..12, limit in 1usize..8, from in 0u64..30) {
        let ring = ring(capacity, 1..=newest);
        let mut after = from.min(newest);
        let oldest = newest.saturating_sub(capacity as u64) + 1;
        let mut seen = Vec::new();
        let first = ring.page(Some(after), limit);
        prop_assert_eq!(first.no_longer_kept, (after + 1 < oldest).then(|| (after + 1, oldest - 1)));
        loop {
            let page = ring.page(Some(after), limit);
            prop_assert!(page.events.len() <= limit);
            prop_assert_eq!(page.next_after, page.events.last().map_or(newest, |e| e.seq));
            after = page.next_after;
            if page.events.is_empty() {
                break;
            }
            seen.extend(page.events.iter().map(|e| e.seq));
        }
        let expected: Vec<u64> = (oldest.max(from.min(newest) + 1)..=newest).collect();
        prop_assert_eq!(seen, expected);
    }
}

#[test]
fn who_is_ahead_learns_that_numbers_began_anew_and_gets_all_there_are() {
    let ring = ring(2, 1..=3);
    let mut reader = EventCursor::new(Some(900), &ring);
    assert_eq!(reader.next(&ring, false), NextEvent::NumbersAnew { after: 900, newest: 3 });
    assert_eq!(reader.next(&ring, false), NextEvent::NoLongerKept { from: 1, to: 1 });
    assert_eq!(reader.next(&ring, false), NextEvent::Event(event(2)));
    let page = ring.page(Some(900), 10);
    assert_eq!((page.anew, page.no_longer_kept, page.next_after), (Some(900), Some((1, 1)), 3));
    assert_eq!(page.events.iter().map(|e| e.seq).collect::<Vec<_>>(), [2, 3]);
}

#[test]
fn what_was_missed_comes_first_and_then_it_is_one_and_one() {
    let mut ring = ring(9, 1..=3);
    let mut reader = EventCursor::new(Some(1), &ring);
    // Nothing else gets a word in before the events up to those of the beginning.
    assert_eq!(reader.next(&ring, false), NextEvent::Event(event(2)));
    assert_eq!(reader.next(&ring, false), NextEvent::Event(event(3)));
    (4..=6).for_each(|seq| ring.push(event(seq)));
    assert_eq!(reader.next(&ring, false), NextEvent::Nothing, "another message's turn");
    assert_eq!(reader.next(&ring, false), NextEvent::Event(event(4)));
    assert_eq!(reader.next(&ring, false), NextEvent::Nothing);
    assert_eq!(reader.next(&ring, true), NextEvent::Event(event(5)), "nobody else wants the turn");
}

#[test]
fn a_number_that_was_there_is_passed_over_and_a_start_may_leave_some_out() {
    let mut ring = ring(9, [1, 2, 2, 1, 5]);
    assert_eq!(ring.page(Some(0), 9).events.len(), 3);
    let mut cursor = RingCursor { after: 2 };
    assert_eq!(ring.next(&mut cursor), NextEvent::Event(event(5)), "there never was a 3 or 4");
    assert_eq!(ring.next(&mut cursor), NextEvent::Nothing);
    ring.push(event(6));
    assert_eq!(ring.next(&mut cursor), NextEvent::Event(event(6)));
}

#[test]
fn without_a_number_a_page_is_the_newest() {
    let full = ring(9, 1..=9);
    let page = full.page(None, 2);
    assert_eq!(page.events.iter().map(|e| e.seq).collect::<Vec<_>>(), [8, 9]);
    assert_eq!((page.oldest, page.newest, page.no_longer_kept), (Some(1), Some(9), None));
    let empty = EventRing::new(9).page(None, 2);
    assert_eq!((empty.next_after, empty.oldest, empty.newest), (0, None, None));
}

#[test]
fn what_an_unknown_run_told_is_said_to_be_missing_to_who_heard_of_it() {
    let mut ring = ring(9, [40, 41, 900, 901]);
    ring.jump(41, 900);
    for (after, missing) in
        [(0, None), (40, None), (41, None), (42, Some((43, 899))), (898, Some((899, 899))), (899, None)]
    {
        assert_eq!(ring.page(Some(after), 9).no_longer_kept, missing, "after {after}");
        let mut cursor = RingCursor { after };
        let told = missing.map(|(from, to)| NextEvent::NoLongerKept { from, to });
        if told.is_some() {
            assert_eq!(Some(ring.next(&mut cursor)), told, "after {after}");
        }
        let next = [40, 41, 900].into_iter().find(|seq| *seq > after).unwrap();
        assert_eq!(ring.next(&mut cursor), NextEvent::Event(event(next)), "after {after}");
    }
    assert_eq!(ring.page(None, 9).no_longer_kept, None, "nobody asked for them");
}
