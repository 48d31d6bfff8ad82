//! Position problems with known answers: published ones (P1 to P7) and our own golden set (G1 to G10).
//! Sources of every number: `tests/data/README.md`.

use crate::common::{PLANE, all_close, close, fix, golden, list, obs, open, place, rows};
use hereabout_core::{Dimension, Fence, NoFixReason, RejectReason};
use hereabout_solve::{GateSettings, RangeObs, Solution, ellipse, plain_fix};
use serde_json::Value;

fn published() -> Value {
    serde_json::from_str(include_str!("../data/published_positions.json")).unwrap()
}

fn case_obs(case: &Value, range: &str, sigma: f64) -> Vec<RangeObs> {
    obs(&rows(&case["anchors"]), &list(&case[range]), &[sigma])
}

/// P1: Ghilani & Wolf, *Adjustment Computations*, trilateration chapter, feet, unit weight.
#[test]
fn p1_textbook_trilateration() {
    let case = &published()["ghilani_wolf_trilateration"];
    let f = fix(place(&case_obs(case, "range", 1.0), PLANE));
    all_close(&f.position_m[..2], &list(&case["x"]), 1e-6);
    for (k, r) in f.residuals.iter().enumerate() {
        close(r.residual_m, list(&case["residual_obs_minus_calc"])[k], 1e-6);
        close(r.redundancy, list(&case["redundancy"])[k], 1e-6);
    }
    let s0 = (f.chi2 / f.dof as f64).sqrt();
    close(s0, 0.0976593729, 1e-9);
    close(s0 * f.covariance_m2[0][0].sqrt(), 0.0775263484, 1e-9);
    close(s0 * f.covariance_m2[1][1].sqrt(), 0.1542489076, 1e-9);
    let e = ellipse(&f.covariance_m2).unwrap();
    close(s0 * e.semi_major_m, 0.161817, 1e-6);
    close(s0 * e.semi_minor_m, 0.060153, 1e-6);
    close(e.direction_rad.to_degrees().rem_euclid(180.0), 109.0, 1e-4);
}

/// P2: the same with σ = 1 mm + 2 ppm, read as metres: the ranges contradict each other, and one degree of
/// freedom blames nobody.
#[test]
fn p2_textbook_ranges_that_fail_the_global_test() {
    let case = &published()["ghilani_wolf_trilateration"];
    let ranges = list(&case["range"]);
    let sigmas: Vec<f64> = ranges.iter().map(|r| 1e-3 + 2e-6 * r).collect();
    let o = obs(&rows(&case["anchors"]), &ranges, &sigmas);
    let f = fix(plain_fix(&o, PLANE, &open()));
    all_close(&f.position_m[..2], &[6861.3039712, 3727.82400046], 1e-6);
    close(f.chi2, 75.55875868, 1e-6);
    assert_eq!(place(&o, PLANE).reason(), Some(NoFixReason::Inconsistent));
}

/// P3: Norrdine, IPIN 2012, example A: three ranges, two places 14 cm apart.
#[test]
fn p3_three_ranges_in_space_have_two_places() {
    let case = &published()["norrdine_a"];
    let o = case_obs(case, "range", 0.1);
    let Solution::NoFix { reason: NoFixReason::TwoPlaces, candidates, .. } = place(&o, Dimension::ThreeD)
    else {
        panic!("{:?}", place(&o, Dimension::ThreeD));
    };
    for wanted in rows(&case["solutions"]) {
        let hit = candidates.iter().any(|c| (0..3).all(|k| (c.position_m[k] - wanted[k]).abs() < 1e-8));
        assert!(hit, "{wanted:?} is not among {candidates:?}");
    }
}

/// P4, P5: Norrdine, example B, with and without his correction of two ranges.
#[test]
fn p4_p5_six_ranges_in_space() {
    let case = &published()["norrdine_b"];
    let f = fix(place(&case_obs(case, "range_corrected", 0.1), Dimension::ThreeD));
    all_close(&f.position_m, &list(&case["x_corrected"]), 1e-6);
    close(f.chi2 * 0.01, 0.001029237968, 1e-9);
    close(f.dop.hdop, 0.909339, 1e-6);
    close(f.dop.vdop.unwrap(), 9.927253, 1e-6);
    close(f.dop.pdop.unwrap(), 9.968814, 1e-6);
    for (r, wanted) in f.residuals.iter().zip(list(&case["redundancy"])) {
        close(r.redundancy, wanted, 1e-6);
    }
    let f = fix(place(&case_obs(case, "range_raw", 0.1), Dimension::ThreeD));
    all_close(&f.position_m, &list(&case["x_raw"]), 1e-6);
    close(f.chi2 * 0.01, 0.01176845886, 1e-9);
}

/// P7: Borre's four satellites, clock bias taken off: 20 000 km away and still good to a millimetre.
#[test]
fn p7_ranges_of_twenty_thousand_kilometres() {
    let case = &published()["borre_4sat"];
    let f = fix(place(&case_obs(case, "range", 1.0), Dimension::ThreeD));
    all_close(&f.position_m, &list(&case["x"]), 1e-3);
    all_close(&f.position_m, &list(&case["printed"]), 1e-3);
}

fn golden_obs(case: &Value) -> Vec<RangeObs> {
    obs(&rows(&case["anchors"]), &list(&case["range_m"]), &list(&case["sigma_m"]))
}

fn dimension(case: &Value) -> Dimension {
    if list(&case["x"]).len() == 2 { PLANE } else { Dimension::ThreeD }
}

/// G1 to G8: place, covariance, χ², redundancy, standardised residuals, DOP, ellipse and smallest detectable
/// error.
#[test]
fn g1_to_g8_agree_in_every_number() {
    let golden = golden();
    for (name, case) in golden["cases"].as_object().unwrap() {
        if name.starts_with("g9") || name.starts_with("g10") {
            continue;
        }
        let f = fix(plain_fix(&golden_obs(case), dimension(case), &open()));
        let x = list(&case["x"]);
        // G3 is given to 1e-6 m; all others to 1e-7.
        all_close(&f.position_m[..x.len()], &x, if name.starts_with("g3") { 1e-6 } else { 1e-7 });
        for (r, row) in case["cov"].as_array().unwrap().iter().enumerate() {
            all_close(&f.covariance_m2[r][..x.len()], &list(row), 1e-8);
        }
        close(f.chi2, case["chi2"].as_f64().unwrap(), 1e-6);
        assert_eq!(f.dof as u64, case["dof"].as_u64().unwrap());
        let gate = GateSettings::default();
        for (k, r) in f.residuals.iter().enumerate() {
            close(r.residual_m, list(&case["residual_obs_minus_calc"])[k], 1e-6);
            close(r.redundancy, list(&case["redundancy"])[k], 1e-6);
            close(r.standardised.unwrap(), list(&case["w_stat"])[k], 1e-5);
            let sigma = list(&case["sigma_m"])[k];
            close(gate.detectable_m(sigma, r.redundancy, 0.8), list(&case["mdb_m"])[k], 1e-5);
        }
        close(f.dop.hdop, case["hdop"].as_f64().unwrap(), 1e-6);
        assert_eq!(f.dop.vdop.is_some(), x.len() == 3);
        if x.len() == 3 {
            close(f.dop.vdop.unwrap(), case["vdop"].as_f64().unwrap(), 1e-6);
            close(f.dop.pdop.unwrap(), case["pdop"].as_f64().unwrap(), 1e-6);
        }
        let e = ellipse(&f.covariance_m2).unwrap();
        all_close(&[e.semi_major_m, e.semi_minor_m], &list(&case["ellipse_1sigma_semi_m"]), 1e-7);
        close(e.direction_rad, case["ellipse_major_dir_rad_from_x"].as_f64().unwrap(), 1e-4);
    }
}

/// G3 → G4: one range of eight 1.5 m too long is found, and the fix is the one without it.
#[test]
fn g3_g4_the_gate_finds_the_nlos_range() {
    let golden = golden();
    let nlos = &golden["cases"]["g3_3d_outlier_anchor5_+1500mm"];
    let without = &golden["cases"]["g4_3d_anchor5_removed"];
    let f = fix(place(&golden_obs(nlos), Dimension::ThreeD));
    all_close(&f.position_m, &list(&without["x"]), 1e-7);
    close(f.chi2, 2.5996769, 1e-6);
    assert_eq!(f.dof, 4);
    for (k, r) in f.residuals.iter().enumerate() {
        assert_eq!(r.used, k != 5);
        assert_eq!(r.rejected, (k == 5).then_some(RejectReason::TooLong));
    }
    // 1.5 m plus the noise that was there; it must stand far out against the other ranges' prediction.
    assert!((1.2..1.8).contains(&f.residuals[5].residual_m), "{:?}", f.residuals[5]);
    assert!(f.residuals[5].standardised.unwrap() > 8.0);
}

/// G7: three ranges in the plane leave one degree of freedom: all |w| are √χ², and a contradiction has no
/// culprit.
#[test]
fn g7_one_degree_of_freedom_blames_nobody() {
    let golden = golden();
    let mut o = golden_obs(&golden["cases"]["g7_2d_three_anchors"]);
    let f = fix(place(&o, PLANE));
    for r in &f.residuals {
        close(r.standardised.unwrap().abs(), f.chi2.sqrt(), 1e-6);
    }
    o[0].range_m += 1.5;
    let Solution::NoFix { reason, candidates, residuals } = place(&o, PLANE) else { panic!("a fix") };
    assert_eq!(reason, NoFixReason::Inconsistent);
    assert!(candidates.is_empty());
    assert_eq!(residuals.len(), 3);
    assert!(residuals.iter().all(|r| !r.used && r.rejected.is_none()));
}

/// G9: eight anchors at one height: the two places have the same χ², and only the fence can choose.
#[test]
fn g9_coplanar_anchors_have_a_mirror_place() {
    let golden = golden();
    let below = &golden["cases"]["g9_coplanar_below"];
    let above = &golden["cases"]["g9_coplanar_above"];
    let o = golden_obs(below);
    let Solution::NoFix { reason: NoFixReason::TwoPlaces, mut candidates, .. } = place(&o, Dimension::ThreeD)
    else {
        panic!("{:?}", place(&o, Dimension::ThreeD));
    };
    candidates.sort_by(|a, b| a.position_m[2].total_cmp(&b.position_m[2]));
    for (c, case) in candidates.iter().zip([below, above]) {
        all_close(&c.position_m, &list(&case["x"]), 1e-7);
        close(c.chi2, 4.6736733, 1e-7);
    }
    close(candidates[0].chi2, candidates[1].chi2, 1e-7);

    let fence = Fence { area_m: Vec::new(), up_span_m: Some([4.5, 9.0]) };
    let gate = GateSettings::default();
    // 3.3 m below the span: 1.3 m beyond the slack is (1.3/0.5)² = 6.9, not enough to be sure; the upper
    // place is inside the slack.
    let s = hereabout_solve::locate(&o, Dimension::ThreeD, &fence, &gate);
    assert_eq!(s.reason(), Some(NoFixReason::TwoPlaces));
    let fence = Fence { area_m: Vec::new(), up_span_m: Some([5.5, 9.0]) };
    let f = fix(hereabout_solve::locate(&o, Dimension::ThreeD, &fence, &gate));
    close(f.position_m[2], 3.814200738, 1e-7);
    assert!(f.checked);
}

/// G10: four anchors within 5 cm of a line: both minima, the better one first.
#[test]
fn g10_nearly_collinear_anchors_have_two_minima() {
    let golden = golden();
    let first = &golden["cases"]["g10_near_collinear_min1"];
    let second = &golden["cases"]["g10_near_collinear_min2"];
    let Solution::NoFix { reason: NoFixReason::TwoPlaces, candidates, .. } = place(&golden_obs(first), PLANE)
    else {
        panic!("{:?}", place(&golden_obs(first), PLANE));
    };
    for (c, case) in candidates.iter().zip([first, second]) {
        all_close(&c.position_m[..2], &list(&case["x"]), 1e-7);
        close(c.chi2, case["chi2"].as_f64().unwrap(), 1e-6);
    }
}
