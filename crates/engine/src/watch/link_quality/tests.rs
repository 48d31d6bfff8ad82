use super::*;

fn at(second: i64) -> Timestamp {
    Timestamp::from_micros(1_700_000_000_000_000).plus(Micros::from_millis(1_000 * second))
}

fn seen(e: f64, n: f64) -> Option<Sighting> {
    Some(Sighting { to_tag_m: [e, n], distance_m: (e * e + n * n).sqrt() })
}

/// Where the tag is after so many seconds of driving round the anchor at 0.8 m/s.
fn driving(radius_m: f64, second: i64) -> Option<Sighting> {
    let turn = 0.8 * second as f64 / radius_m;
    seen(radius_m * turn.cos(), radius_m * turn.sin())
}

#[test]
fn often_late_begins_at_sixty_per_cent_and_ends_at_forty() {
    for (late_of_ten, was, found) in [(5, false, false), (6, false, true), (5, true, true), (3, true, false)]
    {
        let mut link_quality = LinkQuality::new(1);
        for k in 0..600 {
            link_quality.hear(at(k / 10), 0, true, Some(k % 10 < late_of_ten), driving(8.0, k / 10));
            if k % 10 == 9 {
                link_quality.roll();
            }
        }
        let share = late_of_ten as f64 / 10.0;
        match link_quality.often_late(0, was) {
            Some(AnchorFinding::OftenNlos {
                share: told,
                worst_hour_utc: None,
                worst_direction_deg: None,
            }) => {
                assert!(found && (told - share).abs() < 1e-9, "{late_of_ten} of 10 late, was {was}");
            }
            None => assert!(!found, "{late_of_ten} of 10 late, was {was}"),
            other => panic!("{other:?}"),
        }
    }
}

#[test]
fn the_worst_hour_and_direction_are_told_once_they_stand_out() {
    let mut link_quality = LinkQuality::new(1);
    // Late from the east in the fourth of four hours: 03:00 to 04:00 UTC.
    for k in 0..14_400 {
        let hour = k / 3_600;
        let east = k % 3 == 0;
        let place = if east { seen(5.0, 0.5) } else { [seen(0.5, -5.0), seen(-4.0, 4.0)][(k % 2) as usize] };
        let midnight = Timestamp::from_micros(1_699_920_000_000_000);
        let t = midnight.plus(Micros::from_millis(1_000 * k));
        link_quality.hear(t, 0, true, Some(hour == 3 && (east || k % 4 == 0)), place);
        link_quality.roll();
    }
    for k in 0..60 {
        let t = Timestamp::from_micros(1_699_930_800_000_000 + 3_599_000_000);
        link_quality.hear(t, 0, true, Some(true), driving(8.0, k));
        link_quality.roll();
    }
    let Some(AnchorFinding::OftenNlos { worst_hour_utc, worst_direction_deg, .. }) =
        link_quality.often_late(0, false)
    else {
        panic!("late");
    };
    assert_eq!((worst_hour_utc, worst_direction_deg), (Some(3), Some(90.0)));
}

/// All late, for so many seconds of a way.
fn late_all_along(
    link_quality: &mut LinkQuality,
    from: i64,
    seconds: i64,
    way: impl Fn(i64) -> Option<Sighting>,
) {
    for k in from..from + seconds {
        for _ in 0..10 {
            link_quality.hear(at(k), 0, true, Some(true), way(k));
        }
        link_quality.roll();
    }
}

#[test]
fn nothing_is_said_of_a_view_in_the_first_minute_nor_from_one_place_nor_without_a_place() {
    let late = |way: &dyn Fn(i64) -> Option<Sighting>, seconds| {
        let mut link_quality = LinkQuality::new(1);
        late_all_along(&mut link_quality, 0, seconds, way);
        link_quality.often_late(0, false).is_some()
    };
    assert!(!late(&|k| driving(8.0, k), 59) && late(&|k| driving(8.0, k), 60));
    assert!(!late(&|_| seen(5.0, 3.0), 600), "a tag that stands");
    assert!(!late(&|k| seen(5.0 + 0.3 * (k % 2) as f64, 3.0), 600), "one that trembles");
    assert!(!late(&|k| seen(9.0 + 0.25 * (k % 60) as f64, 1.0), 600), "one direction alone");
    assert!(!late(&|_| None, 600), "no place");
}

#[test]
fn what_was_told_stays_while_the_tag_stands_and_begins_anew_after_a_long_silence() {
    let mut link_quality = LinkQuality::new(1);
    late_all_along(&mut link_quality, 0, 60, |k| driving(8.0, k));
    for k in 60..300 {
        (0..10).for_each(|_| link_quality.hear(at(k), 0, true, Some(false), seen(5.0, 3.0)));
        link_quality.roll();
    }
    assert!(link_quality.often_late(0, true).is_some(), "one good path says nothing of the others");
    late_all_along(&mut link_quality, 400, 1, |k| driving(8.0, k));
    assert!(link_quality.often_late(0, true).is_none(), "it may be another board by now");
    late_all_along(&mut link_quality, 401, 30, |k| driving(8.0, k));
    assert!(link_quality.often_late(0, false).is_none(), "and has its own minute");
}

#[test]
fn eight_sectors_go_clockwise_from_north() {
    let directions =
        [[0.1, 5.0], [3.0, 3.0], [5.0, -1.0], [2.0, -2.0], [1.0, -4.0], [-2.0, -3.0], [-1.0, 0.1]];
    assert_eq!(directions.map(sector), [0, 1, 2, 3, 4, 5, 6]);
    assert_eq!(sector([-2.0, 2.0]), 7);
    assert_eq!(sector([f64::NAN, 1.0]), 7, "nonsense is not a panic");
}

/// Four anchors; the last one answers `share` of the frames at `near_m`, the others `usual`.
fn at_distance(distance_m: f64, usual: f64, share: f64) -> LinkQuality {
    let mut link_quality = LinkQuality::new(4);
    for k in 0..1_200_u32 {
        for anchor in 0..4 {
            let of = if anchor == 3 { share } else { usual };
            let answered = f64::from(k.wrapping_mul(2_654_435_761) >> 8) < of * f64::from(1 << 24);
            let second = i64::from(k / 10);
            link_quality.hear(at(second), anchor, answered, None, driving(distance_m, second));
        }
        if k % 10 == 9 {
            link_quality.roll();
        }
    }
    link_quality
}

#[test]
fn weak_is_less_than_what_the_others_answer_from_as_far() {
    let weak = at_distance(10.0, 0.95, 0.4);
    let Some(AnchorFinding::Weak { share, expected }) = weak.weak(3, false) else { panic!("weak") };
    assert!((share - 0.4).abs() < 0.05 && (expected - 0.95).abs() < 0.03, "{share} of {expected}");
    assert_eq!(weak.weak(0, false), None, "the others are not");
    assert_eq!(at_distance(30.0, 0.4, 0.4).weak(3, false), None, "all are weak from so far");
    let between = at_distance(10.0, 0.95, 0.68);
    assert_eq!(between.weak(3, false), None);
    assert!(between.weak(3, true).is_some(), "it ends later than it begins");
}

#[test]
fn three_silences_in_ten_minutes_are_flapping() {
    let mut link_quality = LinkQuality::new(1);
    for k in 0..3 {
        link_quality.fell_silent(at(100 * k), 0);
        let found = link_quality.flapping(at(100 * k), 0, false);
        assert_eq!(found.is_some(), k == 2, "{k}");
    }
    let still = link_quality.flapping(at(650), 0, true);
    assert_eq!(still, Some(AnchorFinding::Flapping { times: 2, over: FLAP_SPAN }));
    assert_eq!(link_quality.flapping(at(650), 0, false), None);
    assert_eq!(link_quality.flapping(at(750), 0, true), None);
}

#[test]
fn noisy_is_against_the_others() {
    let others = || [0.08, 0.06, 0.07].into_iter().collect();
    assert_eq!(noisy(0.2, others(), false), Some(AnchorFinding::Noisy { sigma_m: 0.2, usual_m: 0.07 }));
    assert_eq!(noisy(0.13, others(), false), None);
    assert!(noisy(0.13, others(), true).is_some());
    assert_eq!(noisy(0.11, [0.02, 0.02].into_iter().collect(), false), None, "quiet kits may differ");
    assert_eq!(noisy(0.9, [0.1].into_iter().collect(), false), None, "one other is no measure");
}
