//! Tests of `losses`.

use super::*;

#[test]
fn losses_are_told_at_once_then_once_a_minute_and_the_rest_at_the_end() {
    let mut losses = Losses::default();
    let at = |s: i64| Timestamp::from_micros(s * 1_000_000);
    let mut reported = Vec::new();
    for s in 0..200_i64 {
        let total = 1 + s.unsigned_abs();
        reported.extend(losses.report(at(s), LostWhat::OutOfOrder, total, false));
    }
    reported.extend(losses.report(at(200), LostWhat::OutOfOrder, 200, true));
    assert!(losses.report(at(200), LostWhat::OutOfOrder, 200, true).is_none(), "all is told");
    assert_eq!(reported.iter().map(|e| e.at).collect::<Vec<_>>(), [0, 60, 120, 180, 200].map(at));
    let counts = reported.iter().map(|e| serde_json::from_str::<serde_json::Value>(&e.to_json()).unwrap());
    assert_eq!(counts.map(|e| e["count"].as_u64().unwrap()).sum::<u64>(), 200);
}

#[test]
fn single_damaged_frames_wait_for_others_or_the_end() {
    let mut losses = Losses::default();
    let at = Timestamp::from_micros(5);
    assert!(losses.report(at, LostWhat::DamagedFrames, 9, false).is_none());
    assert!(losses.report(at, LostWhat::DamagedFrames, 10, false).is_some());
    assert!(losses.report(at, LostWhat::DamagedFrames, 11, true).is_some());
}
