//! Behaviour of the snapshot on cases that can be judged by hand.

use super::*;
use proptest::prelude::*;

const FLAT: Dimension = Dimension::TwoD { tag_height_m: 0.0 };

fn range(anchor: [f64; 3], tag: [f64; 3], add: f64) -> RangeObs {
    RangeObs { anchor_m: anchor, range_m: length(minus(tag, anchor)) + add, sigma_m: 0.08 }
}

fn open(ranges: &[RangeObs], dimension: Dimension) -> Snapshot {
    snapshot(ranges, dimension, &Fence::default(), &SnapshotSettings::default())
}

const CORNERS: [[f64; 3]; 5] =
    [[0.0, 0.0, 0.0], [12.0, 0.0, 0.0], [12.0, 9.0, 0.0], [0.0, 9.0, 0.0], [6.0, 9.0, 0.0]];
const TAG: [f64; 3] = [4.2, 3.1, 0.0];

#[test]
fn perfect_ranges_give_the_place_and_the_textbook_covariance() {
    let ranges = CORNERS.map(|a| range(a, TAG, 0.0));
    let s = open(&ranges, FLAT);
    let ranges_judged = s.ranges.clone();
    let s = s.place.unwrap();
    assert!(s.checked);
    assert!(length(minus(s.position_m, TAG)) < 0.002, "{:?}", s.position_m);
    let mut info = nalgebra::Matrix2::<f64>::zeros();
    for a in CORNERS {
        let v = nalgebra::Vector2::new(TAG[0] - a[0], TAG[1] - a[1]);
        let u = v / v.norm();
        info += u * u.transpose() / 0.0064;
    }
    let want = info.try_inverse().unwrap();
    // Hypotheses that leave one of the good ranges out keep a little weight: at most 5 % more.
    for (got, want) in [(s.covariance_m2[0][0], want[(0, 0)]), (s.covariance_m2[1][1], want[(1, 1)])] {
        assert!((1.0 - 1e-9..1.05).contains(&(got / want)), "{got} {want}");
    }
    assert!(ranges_judged.iter().flatten().all(|j| j.p_good > 0.99));
}

#[test]
fn the_nlos_range_is_named_and_does_not_move_the_place() {
    for nlos in 0..5 {
        let mut ranges = CORNERS.map(|a| range(a, TAG, 0.0));
        ranges[nlos].range_m += 1.5;
        let s = open(&ranges, FLAT);
        assert!(
            length(minus(s.place.unwrap().position_m, TAG)) < 0.02,
            "NLOS {nlos}: {:?}",
            s.place.unwrap().position_m
        );
        for (i, j) in s.ranges.iter().enumerate() {
            let p = j.unwrap().p_good;
            assert!(if i == nlos { p < 0.01 } else { p > 0.9 }, "NLOS {nlos}, anchor {i}: {p}");
        }
        assert!((s.ranges[nlos].unwrap().residual_m - 1.5).abs() < 0.02);
    }
}

#[test]
fn four_good_ranges_in_the_plane_are_checked_three_are_not() {
    let ranges = CORNERS.map(|a| range(a, TAG, 0.0));
    assert!(open(&ranges[..4], FLAT).place.unwrap().checked);
    let three = open(&ranges[..3], FLAT);
    assert!(!three.place.unwrap().checked);
    // The same in space: five are checked, four are not.
    let posts = [[0.0, 0.0, 0.2], [9.0, 0.0, 3.0], [9.0, 8.0, 0.3], [0.0, 8.0, 3.2], [4.0, 0.0, 1.5]];
    let ranges = posts.map(|a| range(a, [3.0, 3.0, 1.2], 0.0));
    assert!(open(&ranges, Dimension::ThreeD).place.unwrap().checked);
    assert!(!open(&ranges[..4], Dimension::ThreeD).place.unwrap().checked);
}

#[test]
fn two_ranges_leave_two_places_unless_the_fence_excludes_one() {
    // Circles round (0,0) and (5,0) with radii 3 and 4 meet at (1.8, ±2.4): the 3-4-5 triangle.
    let ranges = [([0.0; 3], 3.0), ([5.0, 0.0, 0.0], 4.0)].map(|(anchor_m, range_m)| RangeObs {
        anchor_m,
        range_m,
        sigma_m: 0.05,
    });
    let s = open(&ranges, FLAT);
    assert_eq!(s.place.unwrap_err(), NoFixReason::TwoPlaces);
    assert_eq!(s.modes.len(), 2);
    for m in &s.modes {
        assert!((m.weight - 0.5).abs() < 0.01);
        assert!((m.position_m[0] - 1.8).abs() < 1e-3 && (m.position_m[1].abs() - 2.4).abs() < 1e-3);
    }
    let area_m = vec![[-5.0, 1.5], [9.0, 1.5], [9.0, 9.0], [-5.0, 9.0]];
    let fence = Fence { area_m, up_span_m: None };
    let s = snapshot(&ranges, FLAT, &fence, &SnapshotSettings::default());
    let s = s.place.unwrap();
    assert!(!s.checked);
    assert!((s.position_m[1] - 2.4).abs() < 0.02, "{:?}", s.position_m);
}

#[test]
fn anchors_on_a_line_are_ambiguous() {
    let line = [0.0, 4.0, 9.0, 12.0].map(|x| range([x, 0.0, 0.0], [5.0, 3.0, 0.0], 0.0));
    let s = open(&line, FLAT);
    assert_eq!(s.place.unwrap_err(), NoFixReason::TwoPlaces);
    let norths: Vec<f64> = s.modes.iter().map(|m| m.position_m[1]).collect();
    assert!((norths[0] + norths[1]).abs() < 1e-3 && (norths[0].abs() - 3.0).abs() < 0.01);
}

#[test]
fn too_few_ranges_and_no_geometry_are_said_so() {
    let one = range(CORNERS[0], TAG, 0.0);
    assert_eq!(open(&[], FLAT).place.unwrap_err(), NoFixReason::NoRanges);
    assert_eq!(open(&[one], FLAT).place.unwrap_err(), NoFixReason::TooFewRanges { have: 1, need: 2 });
    assert_eq!(open(&[one; 4], FLAT).place.unwrap_err(), NoFixReason::WeakGeometry);
    let bad = RangeObs { range_m: f64::NAN, ..one };
    let s = open(&[bad, one], FLAT);
    assert_eq!(s.place.unwrap_err(), NoFixReason::TooFewRanges { have: 1, need: 2 });
    assert_eq!(s.ranges.len(), 2);
}

#[test]
fn published_golden_place_in_space_is_met() {
    // Own golden case G1 (eight anchors, σ = 0.10, 3D; mpmath, SciPy and GTSAM agree): all ranges good, so the
    // weighted mean must lie within a tenth of a σ of the least-squares place (4.2079, 3.1154, 1.0738) whose
    // standard deviations are 0.0468, 0.0629, 0.2029.
    let mm = [5440.0, 8500.0, 9963.0, 7316.0, 3655.0, 7805.0, 6560.0, 4417.0];
    let ranges: Vec<_> = GOLDEN
        .iter()
        .zip(mm)
        .map(|(a, r)| RangeObs { anchor_m: *a, range_m: r * 1e-3, sigma_m: 0.10 })
        .collect();
    let s = open(&ranges, Dimension::ThreeD);
    let want = [(4.207_927_960, 0.046_843), (3.115_362_083, 0.062_934), (1.073_788_594, 0.202_852)];
    for (i, (x, sd)) in want.into_iter().enumerate() {
        assert!((s.place.unwrap().position_m[i] - x).abs() < 0.25 * sd, "{:?}", s.place.unwrap().position_m);
        let got = s.place.unwrap().covariance_m2[i][i].sqrt();
        assert!((0.9..1.3).contains(&(got / sd)), "{got} {sd}");
    }
}

/// Anchors of the golden case.
const GOLDEN: [[f64; 3]; 8] = [
    [0.0, 0.0, 2.5],
    [12.0, 0.0, 2.8],
    [12.0, 9.0, 2.4],
    [0.0, 9.0, 2.7],
    [6.0, 0.0, 0.6],
    [12.0, 4.5, 0.8],
    [6.0, 9.0, 3.2],
    [0.0, 4.5, 1.0],
];

fn wild_number() -> impl Strategy<Value = f64> {
    prop_oneof![
        6 => -30.0..30.0_f64,
        1 => Just(0.0),
        1 => Just(f64::NAN),
        1 => Just(f64::INFINITY),
        1 => -1e300..1e300_f64,
        1 => 1e-300..1e-6_f64,
    ]
}

fn wild_range() -> impl Strategy<Value = RangeObs> {
    (prop::array::uniform3(wild_number()), wild_number(), wild_number())
        .prop_map(|(anchor_m, range_m, sigma_m)| RangeObs { anchor_m, range_m, sigma_m })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]
    #[test]
    fn nothing_that_is_fed_makes_a_nan(
        ranges in prop::collection::vec(wild_range(), 0..20),
        same_sigma in proptest::bool::ANY,
        flat in proptest::bool::ANY,
    ) {
        let mut ranges = ranges;
        if same_sigma {
            ranges.iter_mut().for_each(|r| r.sigma_m = 0.1);
        }
        let dimension = if flat { FLAT } else { Dimension::ThreeD };
        let s = open(&ranges, dimension);
        prop_assert_eq!(s.ranges.len(), ranges.len().min(MAX_ANCHORS));
        prop_assert!(s.ranges.iter().flatten().all(|j| (0.0..=1.0).contains(&j.p_good) && j.residual_m.is_finite()));
        if let Ok(s) = s.place {
            prop_assert!(s.position_m.iter().chain(s.covariance_m2.iter().flatten()).all(|v| v.is_finite()));
            prop_assert!(s.protection_radius_m.is_finite());
            let d = dimension.unknowns();
            for i in 0..d {
                prop_assert!(s.covariance_m2[i][i] > 0.0);
                for j in 0..d {
                    prop_assert_eq!(s.covariance_m2[i][j], s.covariance_m2[j][i]);
                }
            }
        }
    }

    #[test]
    fn order_of_the_ranges_does_not_matter(shift in 0usize..5, nlos in 0usize..5, size in 0.3..2.0_f64) {
        let mut ranges = CORNERS.map(|a| range(a, TAG, 0.01));
        ranges[nlos].range_m += size;
        let a = open(&ranges, FLAT);
        ranges.rotate_left(shift);
        let b = open(&ranges, FLAT);
        prop_assert!(length(minus(a.place.unwrap().position_m, b.place.unwrap().position_m)) < 1e-3);
        let p = |s: &Snapshot, i: usize| s.ranges[i].unwrap().p_good;
        for i in 0..5 {
            prop_assert!((p(&a, (i + shift) % 5) - p(&b, i)).abs() < 0.02);
        }
    }
}
