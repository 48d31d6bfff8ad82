//! Sentences of events; the golden bodies of the service have the others.

use super::*;

#[test]
fn one_is_one_and_more_are_more() {
    assert_eq!(out_of_order(1), "Left out: 1 frame, older than the one before.");
    assert_eq!(out_of_order(2), "Left out: 2 frames, older than the one before.");
    assert_eq!(missing_in_log(1, "position"), "Missing in the log: 1 position. See its state in /v1/status.");
    assert_eq!(missing_in_log(3, "event"), "Missing in the log: 3 events. See its state in /v1/status.");
}

#[test]
fn a_clock_that_is_set_is_told_with_its_way() {
    let set = |by_s: i64| clock(Micros::from_millis(by_s * 1_000), Some(true));
    assert!(set(2).contains("set forward by 2.000 s"), "{}", set(2));
    assert!(set(-2).contains("set back by 2.000 s"), "{}", set(-2));
    assert_eq!(clock(Micros::ZERO, None), "The computer's clock: whether it is synchronised is not known.");
}

#[test]
fn a_run_before_is_told_with_its_newest_event_where_that_is_known() {
    assert_eq!(ended_before(Some(7)), "the run before ended after event 7");
    assert_eq!(ended_before(None), "the run before ended");
    assert_eq!(cut_off_before(Some(7)), "the run before was cut off: events after event 7 may be missing");
}
