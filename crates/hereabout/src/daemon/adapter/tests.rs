//! Tests of `adapter`.

use super::*;

/// What is said after so many seconds of frames at this pace.
fn said(adapter: &mut Adapter, from_s: i64, seconds: i64, hz: i64) -> Option<String> {
    let looks = (from_s * 2)..=((from_s + seconds) * 2);
    let at = |half_s: i64| Timestamp::from_micros(half_s * 500_000);
    looks.map(|k| adapter.look(at(k), (k * hz / 2).unsigned_abs())).last().flatten()
}

fn connected(latency_ms: Option<u32>) -> Adapter {
    let mut adapter = Adapter::default();
    adapter.link(&LinkStatus::Connected { latency_ms });
    adapter
}

#[test]
fn a_timer_is_told_when_the_pace_makes_it_matter_and_until_the_link_changes() {
    let mut usual = connected(Some(16));
    assert_eq!(said(&mut usual, 0, 4, 10), None, "the pace is not known yet");
    let words = said(&mut usual, 4, 3, 10).expect("16 ms of 100 ms");
    assert!(words.contains("16 ms"), "{words}");
    assert!(said(&mut usual, 7, 60, 1).is_some(), "an outage makes it no better");
    usual.link(&LinkStatus::Waiting { reason: hereabout_core::LinkReason::Ended });
    assert_eq!(said(&mut usual, 67, 60, 10), None);
}

#[test]
fn a_timer_that_is_short_for_the_pace_is_not_told() {
    assert_eq!(said(&mut connected(Some(16)), 0, 60, 4), None);
    assert_eq!(said(&mut connected(Some(1)), 0, 60, 100), None);
    assert_eq!(said(&mut connected(None), 0, 60, 100), None);
    assert!(said(&mut connected(Some(17)), 0, 0, 0).is_some(), "long whatever the pace is");
}
