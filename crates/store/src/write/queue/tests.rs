//! The bound, the order, and the counts of the queue.

use super::*;
use crate::write::record::FrameRow;

fn frame(n: i64) -> Record {
    let at = Timestamp::from_micros(n);
    Record(Row::Frame(FrameRow {
        at,
        measured_at: at,
        doubt: None,
        inherited: false,
        tag: 0,
        frame_seq: None,
        ranges: Box::new([]),
    }))
}

fn event(n: i64) -> Record {
    Record::event(n.unsigned_abs(), Timestamp::from_micros(n), "mark", "")
}

fn stamps(records: &[Record]) -> Vec<i64> {
    records.iter().map(|r| r.at().micros()).collect()
}

#[test]
fn a_full_queue_drops_its_oldest_and_counts_them() {
    let q = Queue::new(4, 4);
    (1..=7).for_each(|n| q.push(event(n)));
    assert_eq!(q.stats().queued, 4);
    assert_eq!(q.stats().dropped_events, 3);
    assert_eq!(stamps(&q.take(1, 10)), [4, 5, 6, 7]);
}

#[test]
fn events_go_last_when_there_is_no_room() {
    let q = Queue::new(4, 4);
    q.push(event(1));
    q.push(frame(1));
    q.push(event(2));
    (2..=4).for_each(|n| q.push(frame(n)));
    assert_eq!((q.stats().dropped_frames, q.stats().dropped_events), (2, 0));
    (3..=7).for_each(|n| q.push(event(n)));
    assert_eq!((q.stats().dropped_frames, q.stats().dropped_events), (4, 3));
    assert_eq!(stamps(&q.take(1, 10)), [4, 5, 6, 7]);
}

#[test]
fn only_an_event_that_was_pushed_wants_to_be_safe_at_once() {
    let q = Queue::new(4, 4);
    q.push(frame(1));
    assert!(!q.take_prompt());
    q.push(event(1));
    assert!(q.take_prompt());
    assert!(!q.take_prompt(), "asked once");
}

#[test]
fn what_is_in_flight_counts_and_comes_back_in_order() {
    let q = Queue::new(4, 4);
    (1..=4).for_each(|n| q.push(event(n)));
    let taken = q.take(1, 2);
    q.push(event(5));
    assert_eq!(q.stats().dropped_events, 1, "two in flight and two waiting is full");
    let full = LogFault::DiskFull { path: "larkfield.db".into() };
    q.give_back(taken, full.clone());
    assert_eq!(q.stats().last_error, Some(LogProblem::Failed(full)));
    assert_eq!(stamps(&q.take(1, 10)), [1, 2, 4, 5]);
}

#[test]
fn fewer_than_wanted_are_left_waiting() {
    let q = Queue::new(4, 4);
    q.push(event(1));
    assert!(q.take(2, 4).is_empty());
    assert_eq!(q.stats().queued, 1);
}

#[tokio::test]
async fn a_waiting_push_goes_on_when_there_is_room() {
    let q = std::sync::Arc::new(Queue::new(1, 1));
    q.push(event(1));
    let other = std::sync::Arc::clone(&q);
    let pushing = tokio::spawn(async move { other.push_wait(event(2)).await });
    while q.take(1, 1).is_empty() {
        tokio::task::yield_now().await;
    }
    assert!(!pushing.is_finished());
    // The task may not have come to wait yet: room is announced until it is through.
    while !pushing.is_finished() {
        q.committed(Committed { frames: 0, fixes: 0, events: 1, last_at: None });
        tokio::task::yield_now().await;
    }
    assert_eq!(stamps(&q.take(1, 1)), [2]);
    assert_eq!(q.stats().dropped(), 0);
}

fn session(n: i64) -> Record {
    let start = crate::SessionStart {
        started_at: Timestamp::from_micros(n),
        site_text: String::new(),
        calibration_text: None,
        frame_layout: String::new(),
        source: String::new(),
        program_version: String::new(),
        other_sites: None,
    };
    Record::session(crate::write::record::SessionBegin::new(start, None))
}

#[test]
fn a_session_stays_when_there_is_no_room_and_many_of_them_go_with_all_they_have() {
    let q = Queue::new(4, 4);
    q.push(session(1));
    (2..=6).for_each(|n| q.push(event(n)));
    assert_eq!(stamps(&q.take(1, 10)), [1, 4, 5, 6], "events go before it");

    let q = Queue::new(1_000, 4);
    let sessions = MAX_SESSIONS as i64 + 5;
    for n in 0..sessions {
        q.push(session(10 * n));
        q.push(frame(10 * n + 1));
        q.push(event(10 * n + 2));
    }
    let stats = q.stats();
    assert_eq!((stats.dropped_frames, stats.dropped_events), (5, 5));
    let waiting = stamps(&q.take(1, 1_000));
    assert_eq!((waiting[0], waiting.len()), (50, 3 * MAX_SESSIONS), "whole ones are left");
}
