//! A small version of the zone study with fixed seeds: the figures that are promised of zones, over minutes instead
//! of days.
#![expect(clippy::expect_used, reason = "a test")]

#[path = "zone_kit/kit.rs"]
mod kit;
#[path = "zone_kit/runs.rs"]
mod runs;

use runs::{Charge, DriveTotals, NearTotals, charge, drive, quantile, rest_on_borders};

fn drives(anchors: usize, late: f64) -> DriveTotals {
    let mut sum = DriveTotals::default();
    for seed in [71, 72] {
        sum.add(drive(anchors, late, 0.25, seed));
    }
    sum
}

/// No answer stands off the truth by more than the protection radius at any instant. By the 95 % radius, which is smaller,
/// wrong answers are the dwells of the crossings: a few tenths of a second each.
fn wrong_for_less_than_a_second(sum: &DriveTotals) {
    let wrong = &sum.wrong;
    // A tag that came to rest within the margin is called inside for as long as it rests: that is what the margin is for.
    assert_eq!(wrong.beyond.after_1_s, 0.0, "{wrong:?}");
    // A tag that comes to rest right behind the border is not known to be inside: by the 95 % radius it is outside for a while.
    assert!(wrong.outside.after_1_s < 0.05 * wrong.outside.total_s, "{wrong:?}");
    // What is promised: nobody is farther off than the protection radius, at any instant.
    let far = [sum.far.inside, sum.far.beyond, sum.far.outside].map(|w| w.total_s);
    assert_eq!(far, [0.0; 3], "{:?}", sum.far);
    let crossings = 2.0 * sum.true_entries as f64;
    assert!(wrong.inside.total_s > 0.0 && wrong.inside.total_s < 0.4 * crossings, "{wrong:?}");
    assert!(wrong.outside.total_s > 0.0 && wrong.outside.total_s < 0.3 * crossings, "{wrong:?}");
    assert!(wrong.beyond.total_s < 0.05 * crossings, "{wrong:?}");
}

#[test]
fn eight_anchors_answer_rightly_and_in_time() {
    for late in [0.1, 0.2] {
        let sum = drives(8, late);
        assert!(sum.true_entries > 200 && sum.enter_s.len() > 60 && sum.leave_s.len() > 60, "{sum:?}");
        assert_eq!((sum.wrong_enters, sum.wrong_leaves), (0, 0), "late {late}");
        wrong_for_less_than_a_second(&sum);
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
    wrong_for_less_than_a_second(&sum);
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
    let mut sum = NearTotals::default();
    for seed in [74, 75] {
        sum.add(charge(Charge { late: 0.2, rate_hz: 10.0, speed_mps: 1.0, hours: 2.5, seed }));
    }
    assert_eq!((sum.false_enters, sum.wrong_leaves), (0, 0));
    assert!(sum.enter_s.len() > 30 && sum.leave_s.len() > 30, "{sum:?}");
    assert!(quantile(&sum.enter_s, 0.5) <= 0.5, "{:?}", sum.enter_s);
    assert!(quantile(&sum.leave_s, 0.5) <= 1.0, "{:?}", sum.leave_s);
    // Two settlings; and a late range that may as well be a tag that left is not held against it.
    assert!(sum.unknown_hours < 2.0 / 60.0 + 0.005 * sum.hours, "{}", sum.unknown_hours);
}

#[test]
fn near_an_anchor_no_answer_is_wrong_for_long_at_any_rate_and_speed() {
    for (rate_hz, hours) in [(1.0, 5.0), (2.0, 5.0), (10.0, 2.5), (40.0, 1.0)] {
        for speed_mps in [1.0, 5.0] {
            let sum = charge(Charge { late: 0.2, rate_hz, speed_mps, hours, seed: 76 });
            let case = format!("{rate_hz} Hz, {speed_mps} m/s: {:?}", sum.wrong);
            assert_eq!(sum.false_enters + sum.wrong_leaves, 0, "{case}");
            assert_eq!(sum.wrong.inside.after_1_s, 0.0, "{case}");
            // At 5 m/s the second in which a crossing is reported is 4 m long, of which half a metre is forgiven.
            assert!(sum.wrong.inside.total_s > 0.0 && sum.wrong.inside.total_s < 8.0 * hours, "{case}");
            // A late range is no proof of being outside, but looks like it to whoever comes in behind it.
            assert!(sum.wrong.outside.total_s < 10.0 * hours, "{case}");
            // A kit of one or two a second can't tell late from gone.
            let unknown = if rate_hz < 5.0 { 0.15 } else { 0.008 };
            assert!(sum.unknown_hours < 1.0 / 60.0 + unknown * hours, "{case}: {}", sum.unknown_hours);
        }
    }
}
