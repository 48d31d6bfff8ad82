//! A small version of the zone study with fixed seeds: the figures that are promised of zones, over minutes instead
//! of days.
#![expect(clippy::expect_used, reason = "a test")]

#[path = "zone_kit/kit.rs"]
mod kit;
#[path = "zone_kit/runs.rs"]
mod runs;

use runs::{Charge, NearTally, Tally, charge, drive, quantile, rest_on_borders};

fn drives(anchors: usize, late: f64) -> Tally {
    let mut sum = Tally::default();
    for seed in [71, 72] {
        sum.add(drive(anchors, late, 0.25, seed));
    }
    sum
}

#[test]
fn eight_anchors_answer_rightly_and_in_time() {
    for late in [0.1, 0.2] {
        let sum = drives(8, late);
        assert!(sum.true_entries > 200 && sum.enter_s.len() > 60 && sum.leave_s.len() > 60, "{sum:?}");
        assert_eq!((sum.wrong_enters, sum.wrong_leaves), (0, 0), "late {late}");
        let [enter_s, leave_s] = [&sum.enter_s, &sum.leave_s].map(|d| quantile(d, 0.95));
        // Sooner than the dwell would be no dwell.
        assert!((0.4..=0.6).contains(&enter_s) && (0.4..=0.8).contains(&leave_s), "{enter_s} {leave_s}");
        // At the start of a run nothing is known, and that is all.
        assert!(sum.unknown > 0 && (sum.unknown as f64) < 0.002 * sum.reports as f64, "{}", sum.unknown);
    }
}

#[test]
fn five_anchors_answer_rightly_if_not_always_in_time() {
    let sum = drives(5, 0.2);
    assert!(sum.true_entries > 200, "{}", sum.true_entries);
    assert_eq!(sum.wrong_enters, 0);
    let enter_s = quantile(&sum.enter_s, 0.5);
    assert!((0.3..=0.6).contains(&enter_s), "{enter_s}");
    assert!((sum.unknown as f64) < 0.03 * sum.reports as f64, "{} of {}", sum.unknown, sum.reports);
}

#[test]
fn a_tag_that_rests_on_a_border_changes_nothing() {
    for late in [0.1, 0.2] {
        let (hours, changes, _) = rest_on_borders(8, late, 2.0, 73);
        assert!(changes as f64 <= 2.0 * hours, "{changes} changes in {hours} h, late {late}");
    }
}

#[test]
fn one_anchor_finds_the_charger() {
    let mut sum = NearTally::default();
    for seed in [74, 75] {
        sum.add(charge(Charge { late: 0.2, rate_hz: 10.0, speed_mps: 1.0, hours: 2.5, seed }));
    }
    assert_eq!((sum.false_enters, sum.wrong_leaves), (0, 0));
    assert!(sum.enter_s.len() > 30 && sum.leave_s.len() > 30, "{sum:?}");
    assert!(quantile(&sum.enter_s, 0.5) <= 0.5, "{:?}", sum.enter_s);
    assert!(quantile(&sum.leave_s, 0.5) <= 1.0, "{:?}", sum.leave_s);
    // Five minutes are two settlings; a missing range now and then makes nothing unknown.
    assert!(sum.unknown_hours < 3.0 / 60.0, "{}", sum.unknown_hours);
}
