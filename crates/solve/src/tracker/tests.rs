//! Behaviour of the tracker on small, seeded or hand-made streams.

use super::*;
use hereabout_core::geometry::vector::{length, minus};
use proptest::prelude::*;

const CORNERS: [[f64; 3]; 5] =
    [[0.0, 0.0, 0.0], [12.0, 0.0, 0.0], [12.0, 9.0, 0.0], [0.0, 9.0, 0.0], [6.0, 9.0, 0.0]];
const FLAT: Dimension = Dimension::TwoD { tag_height_m: 0.0 };

fn tracker() -> Tracker {
    let anchors = CORNERS.map(|at_m| TrackerAnchor { at_m, range_sigma_m: 0.08, offset_se_m: Some(0.01) });
    Tracker::new(TrackerSettings::default(), FLAT, &Fence::default(), &anchors)
}

fn at(ms: i64) -> Timestamp {
    Timestamp::from_micros(ms * 1_000)
}

/// Ranges with a small pattern of errors that averages out.
fn frame(tag: [f64; 3], k: usize) -> Vec<TrackRange> {
    let wobble = [0.03, -0.05, 0.06, -0.02, 0.04, -0.06, 0.02];
    (0..5)
        .map(|i| TrackRange {
            anchor_index: i,
            range_m: length(minus(tag, CORNERS[i])) + wobble[(3 * k + i) % 7],
        })
        .collect()
}

/// A tag at walking pace from (2, 2) eastwards, ten frames a second.
fn walk(t: &mut Tracker, frames: std::ops::Range<usize>) -> TrackEstimate {
    let mut last = None;
    for k in frames {
        last = Some(t.update(at(100 * k as i64), &frame([2.0 + 0.08 * k as f64, 2.0, 0.0], k)));
    }
    last.unwrap()
}

#[test]
fn a_walk_is_followed_with_its_velocity() {
    let mut t = tracker();
    let e = walk(&mut t, 0..60);
    assert_eq!((e.state(), e.track.as_ref().unwrap().checked), (TagState::Located, true));
    assert!(
        length(minus(e.track.as_ref().unwrap().position_m, [6.72, 2.0, 0.0])) < 0.08,
        "{:?}",
        e.track.as_ref().unwrap().position_m
    );
    assert!(
        (e.track.as_ref().unwrap().velocity_mps[0] - 0.8).abs() < 0.15
            && e.track.as_ref().unwrap().velocity_mps[1].abs() < 0.15,
        "{:?}",
        e.track.as_ref().unwrap().velocity_mps
    );
    assert!(
        e.track.as_ref().unwrap().radius95_m > 0.03
            && e.track.as_ref().unwrap().radius95_m < e.track.as_ref().unwrap().protection_radius_m
    );
}

#[test]
fn an_nlos_anchor_is_left_out_for_as_long_as_it_is_nlos() {
    let mut t = tracker();
    walk(&mut t, 0..30);
    for k in 30..50 {
        let place = [2.0 + 0.08 * k as f64, 2.0, 0.0];
        let mut ranges = frame(place, k);
        ranges[2].range_m += 0.7;
        let e = t.update(at(100 * k as i64), &ranges);
        let p = |i: usize| e.ranges[i].judgement.unwrap().p_good;
        assert!(p(2) < 0.05 && p(0) > 0.5 && p(4) > 0.5, "frame {k}: {} {} {}", p(2), p(0), p(4));
        assert!(
            length(minus(e.track.as_ref().unwrap().position_m, place)) < 0.12,
            "frame {k}: {:?}",
            e.track.as_ref().unwrap().position_m
        );
        assert!((e.ranges[2].judgement.unwrap().residual_m - 0.7).abs() < 0.2);
    }
    let e = walk(&mut t, 50..53);
    assert!(e.ranges[2].judgement.unwrap().p_good > 0.8);
    let share = t.anchor_stats(2).unwrap().nlos_share.unwrap();
    assert!((0.3..0.5).contains(&share), "NLOS in 20 of 53: {share}");
    assert!(t.anchor_stats(0).unwrap().nlos_share.unwrap() < 0.1);
}

#[test]
fn a_jump_is_first_doubted_then_followed_and_reported() {
    let mut t = tracker();
    walk(&mut t, 0..30);
    let there = [8.0, 6.5, 0.0];
    let first = t.update(at(3_000), &frame(there, 30));
    assert_eq!(first.state(), TagState::Ambiguous);
    assert_eq!(first.candidates().len(), 2);
    assert!(!first.restarted);
    let second = t.update(at(3_100), &frame(there, 31));
    assert!(second.restarted && second.state() == TagState::Located);
    assert!(
        length(minus(second.track.as_ref().unwrap().position_m, there)) < 0.2,
        "{:?}",
        second.track.as_ref().unwrap().position_m
    );
    let third = t.update(at(3_200), &frame(there, 32));
    assert!(!third.restarted);
}

#[test]
fn one_wrong_frame_is_not_a_jump() {
    let mut t = tracker();
    walk(&mut t, 0..30);
    t.update(at(3_000), &frame([8.0, 6.5, 0.0], 30));
    let e = walk(&mut t, 31..33);
    assert_eq!((e.state(), e.restarted), (TagState::Located, false));
    assert!(
        length(minus(e.track.as_ref().unwrap().position_m, [4.56, 2.0, 0.0])) < 0.15,
        "{:?}",
        e.track.as_ref().unwrap().position_m
    );
}

#[test]
fn without_ranges_it_coasts_then_is_lost_and_the_radius_grows() {
    let mut t = tracker();
    walk(&mut t, 0..30);
    let mut radius = 0.0;
    for (ms, want) in [(3_000, TagState::Located), (3_800, TagState::Coasting), (6_500, TagState::Lost)] {
        let e = t.update(at(ms), &[]);
        assert_eq!(e.state(), want, "{ms} ms");
        // A lost tag has no radius at all.
        let Some(track) = &e.track else { break };
        assert!(track.radius95_m > radius);
        radius = track.radius95_m;
    }
    // Back again: located within two frames.
    t.update(at(7_000), &frame([7.0, 2.0, 0.0], 0));
    let e = t.update(at(7_100), &frame([7.0, 2.0, 0.0], 1));
    assert_eq!(e.state(), TagState::Located);
    assert!(
        length(minus(e.track.as_ref().unwrap().position_m, [7.0, 2.0, 0.0])) < 0.3,
        "{:?}",
        e.track.as_ref().unwrap().position_m
    );
}

#[test]
fn a_prediction_changes_nothing() {
    let mut t = tracker();
    let e = walk(&mut t, 0..30);
    let mut other = t.clone();
    let ahead = t.predict(at(3_400));
    assert_eq!(ahead.state(), TagState::Coasting);
    assert!(
        (ahead.track.as_ref().unwrap().position_m[0]
            - e.track.as_ref().unwrap().position_m[0]
            - 0.5 * e.track.as_ref().unwrap().velocity_mps[0])
            .abs()
            < 1e-9
    );
    assert!(
        ahead.track.as_ref().unwrap().radius95_m > e.track.as_ref().unwrap().radius95_m
            && ahead.track.as_ref().unwrap().protection_radius_m
                > e.track.as_ref().unwrap().protection_radius_m
    );
    assert_eq!(t.predict(at(3_000_000)).state(), TagState::Lost);
    let (a, b) = (walk(&mut t, 30..32), walk(&mut other, 30..32));
    assert_eq!(a, b);
}

#[test]
fn ranges_may_come_one_at_a_time() {
    let mut t = tracker();
    let mut e = None;
    for k in 0..200usize {
        let tag = [2.0 + 0.02 * k as f64, 2.0, 0.0];
        let one = frame(tag, k)[k % 5];
        e = Some(t.update(at(25 * k as i64), &[one]));
    }
    let e = e.unwrap();
    assert_eq!(e.state(), TagState::Located);
    assert!(
        length(minus(e.track.as_ref().unwrap().position_m, [5.98, 2.0, 0.0])) < 0.12,
        "{:?}",
        e.track.as_ref().unwrap().position_m
    );
    assert!((e.track.as_ref().unwrap().velocity_mps[0] - 0.8).abs() < 0.25);
}

#[test]
fn before_there_is_a_place_nothing_is_invented() {
    let mut t = tracker();
    assert_eq!(t.predict(at(0)).state(), TagState::Lost);
    let e = t.update(at(0), &frame([4.0, 3.0, 0.0], 0)[..1]);
    assert_eq!(e.state(), TagState::Lost);
    assert_eq!(e.ranges.len(), 1);
    assert!(e.ranges[0].judgement.is_none());
    assert!(t.anchor_stats(5).is_none() && t.anchor_stats(0).unwrap().nlos_share.is_none());
}

#[test]
fn offsets_that_are_uncertain_widen_the_ellipse() {
    let run = |se: f64| {
        let anchors = CORNERS.map(|at_m| TrackerAnchor { at_m, range_sigma_m: 0.08, offset_se_m: Some(se) });
        let settings = TrackerSettings { slow_error_m: 0.0, tag_offset_m: 0.0, ..TrackerSettings::default() };
        let mut t = Tracker::new(settings, FLAT, &Fence::default(), &anchors);
        let e = walk(&mut t, 0..40);
        nalgebra::Matrix2::from_fn(|i, j| e.track.as_ref().unwrap().covariance_m2[i][j])
    };
    let added = run(0.05) - run(0.0);
    // σ_b²·(Σ u·uᵀ)⁻¹ of an adjustment with equal weights, at (5.12, 2).
    let mut info = nalgebra::Matrix2::<f64>::zeros();
    for a in CORNERS {
        let u = nalgebra::Vector2::new(5.12 - a[0], 2.0 - a[1]).normalize();
        info += u * u.transpose();
    }
    let want = info.try_inverse().unwrap() * 0.0025;
    for (got, want) in added.iter().zip(want.iter()).filter(|(_, w)| w.abs() > 2e-4) {
        assert!((0.7..1.3).contains(&(got / want)), "{added} {want}");
    }
}

#[test]
fn an_old_stamp_counts_as_the_newest_and_a_clock_set_back_starts_over() {
    let mut t = tracker();
    walk(&mut t, 0..30);
    let e = t.update(at(2_600), &frame([4.4, 2.0, 0.0], 1));
    assert_eq!(e.at, at(2_900));
    let e = t.update(at(-500_000), &frame([9.0, 7.0, 0.0], 1));
    assert_eq!((e.at, e.state()), (at(-500_000), TagState::Located));
    assert!(length(minus(e.track.as_ref().unwrap().position_m, [9.0, 7.0, 0.0])) < 0.2);
}

#[test]
fn the_fence_keeps_a_mirror_place_out() {
    let anchors = [0.0, 4.0, 9.0].map(|x| TrackerAnchor {
        at_m: [x, 0.0, 0.0],
        range_sigma_m: 0.08,
        offset_se_m: Some(0.0),
    });
    let ranges = |fence: &Fence| {
        let mut t = Tracker::new(TrackerSettings::default(), FLAT, fence, &anchors);
        let tag = [5.0, -4.0, 0.0];
        let frame: Vec<TrackRange> = (0..3)
            .map(|i| TrackRange { anchor_index: i, range_m: length(minus(tag, anchors[i].at_m)) })
            .collect();
        (0..10).map(|k| t.update(at(100 * k), &frame)).last().unwrap()
    };
    let open = ranges(&Fence::default());
    assert_eq!((open.state(), open.candidates().len()), (TagState::Ambiguous, 2));
    let area_m = vec![[-2.0, -9.0], [12.0, -9.0], [12.0, 0.0], [-2.0, 0.0]];
    let closed = ranges(&Fence { area_m, up_span_m: None });
    assert_eq!(closed.state(), TagState::Located);
    assert!(length(minus(closed.track.as_ref().unwrap().position_m, [5.0, -4.0, 0.0])) < 0.1);
}

fn wild() -> impl Strategy<Value = f64> {
    prop_oneof![
        8 => 0.0..20.0_f64,
        1 => Just(f64::NAN),
        1 => Just(f64::INFINITY),
        1 => -1e300..1e300_f64,
        1 => Just(0.0),
    ]
}

fn wild_epoch() -> impl Strategy<Value = (i64, Vec<TrackRange>)> {
    let step = prop_oneof![
        6 => 0i64..200_000,
        1 => Just(0i64),
        1 => -3_000_000i64..0,
        1 => 0i64..40_000_000_000,
        1 => Just(i64::MAX / 2),
        1 => Just(i64::MIN / 2),
    ];
    let one = (0usize..20, wild()).prop_map(|(anchor_index, range_m)| TrackRange { anchor_index, range_m });
    (step, prop::collection::vec(one, 0..20))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]
    #[test]
    fn nothing_that_is_fed_makes_a_nan(
        places in prop::collection::vec(prop::array::uniform3(wild()), 0..18),
        sigma in wild(),
        se in prop::option::of(wild()),
        flat in proptest::bool::ANY,
        epochs in prop::collection::vec(wild_epoch(), 1..40),
    ) {
        let anchors: Vec<TrackerAnchor> = places
            .iter()
            .map(|p| TrackerAnchor { at_m: *p, range_sigma_m: sigma, offset_se_m: se })
            .collect();
        let dimension = if flat { FLAT } else { Dimension::ThreeD };
        let mut t = Tracker::new(TrackerSettings::default(), dimension, &Fence::default(), &anchors);
        let mut now = 0i64;
        for (step, ranges) in &epochs {
            now = now.saturating_add(*step);
            for e in [t.update(Timestamp::from_micros(now), ranges), t.predict(Timestamp::from_micros(now.saturating_add(*step)))] {
                let Some(e) = e.track else { continue };
                prop_assert!(!e.radius95_m.is_nan() && !e.protection_radius_m.is_nan());
                let numbers = e.position_m.iter().chain(&e.velocity_mps).chain(e.covariance_m2.iter().flatten());
                prop_assert!(numbers.copied().all(f64::is_finite), "{:?}", e);
                prop_assert!((0..dimension.unknowns()).all(|i| e.covariance_m2[i][i] > 0.0));
                prop_assert!(e.radius95_m.is_finite());
            }
        }
        prop_assert!((0..anchors.len()).all(|i| t.anchor_stats(i).is_none_or(|s| s.sigma_m.is_finite())));
    }
}
