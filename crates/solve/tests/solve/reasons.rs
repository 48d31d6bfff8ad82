//! Why there is no position, and what the gate and the fence do about it.
use hereabout_core::{Dimension, Fence, NoFixReason, RejectReason};
use hereabout_solve::{GateSettings, RangeObs, Solution, locate};

use crate::common::{PLANE, all_close, fix, obs, open, place};

const CORNERS: [[f64; 3]; 4] = [[0.0, 0.0, 0.0], [12.0, 0.0, 0.0], [12.0, 9.0, 0.0], [0.0, 9.0, 0.0]];

fn ranges_to(anchors: &[[f64; 3]], tag: [f64; 3]) -> Vec<f64> {
    let square = |a: &[f64; 3]| (0..3).map(|k| (a[k] - tag[k]) * (a[k] - tag[k])).sum::<f64>();
    anchors.iter().map(|a| square(a).sqrt()).collect()
}

fn exact(anchors: &[[f64; 3]], tag: [f64; 3]) -> Vec<RangeObs> {
    obs(anchors, &ranges_to(anchors, tag), &[0.1])
}

fn area(corners: &[[f64; 2]]) -> Fence {
    Fence { area_m: corners.to_vec(), up_span_m: None }
}

#[test]
fn too_few_ranges_are_counted() {
    let need = |o: &[RangeObs], d, fence: &Fence| locate(o, d, fence, &GateSettings::default()).reason();
    let o = exact(&CORNERS, [3.0, 4.0, 0.0]);
    let yard = area(&[[0.0, 0.0], [12.0, 0.0], [12.0, 9.0], [0.0, 9.0]]);
    assert_eq!(need(&[], PLANE, &open()), Some(NoFixReason::NoRanges));
    assert_eq!(need(&o[..1], PLANE, &open()), Some(NoFixReason::TooFewRanges { have: 1, need: 3 }));
    assert_eq!(need(&o[..1], PLANE, &yard), Some(NoFixReason::TooFewRanges { have: 1, need: 2 }));
    let three_d = Dimension::ThreeD;
    assert_eq!(need(&o[..2], three_d, &open()), Some(NoFixReason::TooFewRanges { have: 2, need: 4 }));
}

#[test]
fn two_ranges_give_two_places_unless_the_fence_leaves_one() {
    let o = exact(&CORNERS[..2], [3.0, 4.0, 0.0]);
    let Solution::NoFix { reason: NoFixReason::TwoPlaces, mut candidates, .. } = place(&o, PLANE) else {
        panic!()
    };
    candidates.sort_by(|a, b| a.position_m[1].total_cmp(&b.position_m[1]));
    all_close(&candidates[0].position_m, &[3.0, -4.0, 0.0], 1e-9);
    all_close(&candidates[1].position_m, &[3.0, 4.0, 0.0], 1e-9);

    let yard = area(&[[0.0, 0.0], [12.0, 0.0], [12.0, 9.0], [0.0, 9.0]]);
    let f = fix(locate(&o, PLANE, &yard, &GateSettings::default()));
    all_close(&f.position_m, &[3.0, 4.0, 0.0], 1e-9);
    assert!(!f.checked);
    assert_eq!(f.dof, 0);
    assert!(f.residuals.iter().all(|r| r.used && r.standardised.is_none()));

    // Neither place is near the fence: what the ranges say contradicts the site.
    let elsewhere = area(&[[100.0, 0.0], [112.0, 0.0], [112.0, 9.0]]);
    let s = locate(&o, PLANE, &elsewhere, &GateSettings::default());
    assert_eq!(s.reason(), Some(NoFixReason::Inconsistent));
}

#[test]
fn a_place_two_metres_outside_the_fence_is_let_be() {
    let yard = area(&[[0.0, 0.0], [12.0, 0.0], [12.0, 9.0], [0.0, 9.0]]);
    let at = |n: f64| locate(&exact(&CORNERS, [6.0, n, 0.0]), PLANE, &yard, &GateSettings::default());
    all_close(&fix(at(-1.9)).position_m, &[6.0, -1.9, 0.0], 1e-9);
    assert_eq!(at(-4.0).reason(), Some(NoFixReason::Inconsistent));
}

#[test]
fn slant_ranges_are_used_with_the_known_height() {
    let mut anchors = CORNERS;
    for (a, up) in anchors.iter_mut().zip([2.5, 2.8, 2.4, 3.1]) {
        a[2] = up;
    }
    let tag = [0.4, 0.7, 0.9];
    let f = fix(place(&exact(&anchors, tag), Dimension::TwoD { tag_height_m: 0.9 }));
    all_close(&f.position_m, &tag, 1e-9);
    assert!(f.chi2 < 1e-12);
}

#[test]
fn geometry_that_does_not_determine_the_place_is_named() {
    // On the line of the anchors there is no telling how far beside it.
    let line = [[0.0, 0.0, 0.0], [5.0, 0.0, 0.0], [9.0, 0.0, 0.0]];
    assert_eq!(place(&exact(&line, [3.0, 0.0, 0.0]), PLANE).reason(), Some(NoFixReason::WeakGeometry));
    // In space, anchors on a line leave a circle.
    let line = [[0.0, 0.0, 0.0], [3.0, 3.0, 1.0], [6.0, 6.0, 2.0], [9.0, 9.0, 3.0]];
    let s = place(&exact(&line, [3.0, 7.0, 0.0]), Dimension::ThreeD);
    assert_eq!(s.reason(), Some(NoFixReason::WeakGeometry));
    // All at one place.
    let spot = [[2.0, 1.0, 2.5]; 5];
    for d in [PLANE, Dimension::ThreeD] {
        assert_eq!(place(&exact(&spot, [3.0, 7.0, 0.0]), d).reason(), Some(NoFixReason::WeakGeometry));
    }
    // Two circles that do not meet.
    let o = obs(&CORNERS[..2], &[2.0, 3.0], &[0.1]);
    assert_eq!(place(&o, PLANE).reason(), Some(NoFixReason::WeakGeometry));
}

#[test]
fn a_tag_at_an_anchor_is_found() {
    for d in [PLANE, Dimension::TwoD { tag_height_m: 0.0 }] {
        let f = fix(place(&exact(&CORNERS, CORNERS[2]), d));
        all_close(&f.position_m, &CORNERS[2], 1e-6);
    }
    let room = [[0.0, 0.0, 2.5], [12.0, 0.0, 0.3], [12.0, 9.0, 2.4], [0.0, 9.0, 0.7], [6.0, 0.0, 1.6]];
    let f = fix(place(&exact(&room, room[3]), Dimension::ThreeD));
    all_close(&f.position_m, &room[3], 1e-6);
}

#[test]
fn rubbish_is_set_aside_and_the_rest_goes_on() {
    let mut o = exact(&CORNERS, [3.0, 4.0, 0.0]);
    for (range_m, sigma_m) in [(f64::NAN, 0.1), (-1.0, 0.1), (1e300, 0.1), (5.0, 0.0), (5.0, f64::INFINITY)] {
        o.push(RangeObs { anchor_m: [1.0, 2.0, 0.0], range_m, sigma_m });
    }
    o.push(RangeObs { anchor_m: [f64::NAN, 2.0, 0.0], range_m: 1.0, sigma_m: 0.1 });
    let f = fix(place(&o, PLANE));
    all_close(&f.position_m, &[3.0, 4.0, 0.0], 1e-9);
    assert_eq!(f.residuals.len(), 10);
    for r in &f.residuals[4..] {
        assert!(!r.used);
        assert_eq!(r.rejected, Some(RejectReason::NotCredible));
    }
    assert_eq!(place(&o[4..], PLANE).reason(), Some(NoFixReason::NoRanges));
    let nowhere = Dimension::TwoD { tag_height_m: f64::NAN };
    assert_eq!(place(&o, nowhere).reason(), Some(NoFixReason::NoRanges));
}

/// From the centre of a rectangle, opposite corners cannot be distinguished: an NLOS range of either looks the
/// same.
#[test]
fn a_range_is_not_blamed_when_another_would_explain_as_much() {
    let mut o = exact(&CORNERS, [6.0, 4.5, 0.0]);
    o[1].range_m += 1.5;
    assert_eq!(place(&o, PLANE).reason(), Some(NoFixReason::Inconsistent));
    // Off the centre there is a culprit.
    let mut o = exact(&CORNERS, [3.0, 2.5, 0.0]);
    o[1].range_m -= 1.5;
    let f = fix(place(&o, PLANE));
    assert_eq!(f.residuals[1].rejected, Some(RejectReason::TooShort));
    all_close(&f.position_m, &[3.0, 2.5, 0.0], 1e-9);
    assert!((f.residuals[1].residual_m + 1.5).abs() < 1e-9);
}

#[test]
fn several_nlos_ranges_go_one_after_the_other() {
    let ring: Vec<[f64; 3]> = (0..8)
        .map(|k| {
            let a = 0.3 + f64::from(k) * std::f64::consts::FRAC_PI_4;
            [10.0 + 9.0 * a.cos(), 7.0 + 6.0 * a.sin(), 0.0]
        })
        .collect();
    let tag = [8.0, 6.0, 0.0];
    let mut o = exact(&ring, tag);
    o[1].range_m += 2.1;
    o[4].range_m += 1.2;
    let f = fix(place(&o, PLANE));
    all_close(&f.position_m, &tag, 1e-9);
    let left_out: Vec<usize> = (0..8).filter(|&k| !f.residuals[k].used).collect();
    assert_eq!(left_out, [1, 4]);
    assert_eq!(f.dof, 4);
}
