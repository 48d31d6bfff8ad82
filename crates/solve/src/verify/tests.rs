//! Seeded trials of the proof: interval of CE95, honesty of covariances, the wrong anchor by name.

use super::*;
use crate::calibrate::tests::simulation::{normal, rng};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

/// Anchors of a packing shed of 14 m by 9 m (invented); trials with fewer take the first ones.
const ANCHORS: [[f64; 3]; 8] = [
    [0.0, 0.0, 2.5],
    [14.0, 0.0, 2.6],
    [14.0, 9.0, 2.4],
    [0.0, 9.0, 2.6],
    [7.0, 0.0, 2.4],
    [7.0, 9.0, 2.5],
    [14.0, 4.5, 2.5],
    [0.0, 4.5, 2.5],
];

/// Checkpoints as the advice asks for: the corners first, then the middle and the sides.
const SPREAD: [[f64; 2]; 10] = [
    [1.5, 1.5],
    [12.5, 7.5],
    [12.5, 1.5],
    [1.5, 7.5],
    [7.0, 4.5],
    [7.0, 1.5],
    [7.0, 7.5],
    [1.5, 4.5],
    [12.5, 4.5],
    [4.0, 3.0],
];

const FLAT: Dimension = Dimension::TwoD { tag_height_m: 0.9 };

fn checkpoints(rng: &mut ChaCha8Rng, count: usize, anchors: &[[f64; 3]], offset_sd: f64) -> Vec<Checkpoint> {
    let offsets: Vec<f64> = anchors.iter().map(|_| offset_sd * normal(rng)).collect();
    (0..count)
        .map(|k| {
            let spot = SPREAD[k % SPREAD.len()];
            let at_m = [spot[0] + 0.5 * normal(rng), spot[1] + 0.5 * normal(rng), 0.9];
            let level = |(anchor, a): (usize, &[f64; 3])| {
                let d = (0..3).map(|c| (at_m[c] - a[c]).powi(2)).sum::<f64>().sqrt();
                let level_m = d + offsets[anchor] + 0.04 * normal(rng) + 0.005 * normal(rng);
                AnchorLevel { anchor, level_m, se_m: 0.005 }
            };
            Checkpoint { at_m, fixes: Vec::new(), levels: anchors.iter().enumerate().map(level).collect() }
        })
        .collect()
}

fn stated(anchors: &[[f64; 3]]) -> Vec<StatedAnchor> {
    anchors.iter().map(|at| StatedAnchor { at_m: *at, offset_se_m: Some(0.02) }).collect()
}

fn faulty(faults: &FaultIsolation) -> Option<usize> {
    match faults {
        FaultIsolation::Named(e) => match e.candidate {
            FaultCandidate::AnchorPlace(i)
            | FaultCandidate::AnchorPlaceAndOffset(i)
            | FaultCandidate::AnchorOffset(i) => Some(i),
            _ => None,
        },
        _ => None,
    }
}

#[test]
fn a_wrong_anchor_is_named_and_a_right_one_is_not() {
    const RUNS: u32 = 150;
    for (points, boards) in [(5, 8), (8, 5), (10, 4)] {
        let mut rng = rng(60);
        let anchors = &ANCHORS[..boards];
        let settings = VerifySettings::new(FLAT);
        let (mut moved, mut longer, mut falsely, mut wrongly, mut square) = (0, 0, 0, 0, 0.0);
        for _ in 0..RUNS {
            let list = checkpoints(&mut rng, points, anchors, 0.02);
            let good = verify(&stated(anchors), &list, &[], &settings);
            falsely += u32::from(matches!(good.faults, FaultIsolation::Named(_)));

            let i = rng.random_range(0..boards);
            let angle = std::f64::consts::TAU * rng.random::<f64>();
            let mut wrong = stated(anchors);
            wrong[i].at_m[0] -= 0.3 * angle.cos();
            wrong[i].at_m[1] -= 0.3 * angle.sin();
            let v = verify(&wrong, &list, &[], &settings);
            moved += u32::from(faulty(&v.faults) == Some(i));
            wrongly += u32::from(faulty(&v.faults).is_some_and(|a| a != i));
            if let FaultIsolation::Named(Explanation {
                candidate: FaultCandidate::AnchorPlace(_),
                shift_m,
                ..
            }) = v.faults
            {
                square += (shift_m[0] - 0.3 * angle.cos()).powi(2) + (shift_m[1] - 0.3 * angle.sin()).powi(2);
            }

            let mut long = list.clone();
            long.iter_mut().for_each(|c| c.levels[i].level_m += 0.3);
            let v = verify(&stated(anchors), &long, &[], &settings);
            longer += u32::from(faulty(&v.faults) == Some(i));
        }
        let rms = (square / f64::from(moved.max(1))).sqrt();
        println!(
            "{points} points, {boards} anchors: moved {moved}, longer {longer} of {RUNS}, wrongly {wrongly}, falsely {falsely}, shift rms {rms:.3}"
        );
        assert!(f64::from(moved) >= 0.95 * f64::from(RUNS), "{moved}");
        assert!(f64::from(longer) >= 0.95 * f64::from(RUNS), "{longer}");
        assert!(f64::from(falsely.max(wrongly)) <= 0.02 * f64::from(RUNS), "{falsely} {wrongly}");
        assert!(rms < 0.06, "{rms}");
    }
}

fn fixes(rng: &mut ChaCha8Rng, at: [f64; 3], own: f64, shared: f64, claimed: f64) -> Vec<PublishedFix> {
    let bias = [shared * normal(rng), shared * normal(rng)];
    (0..20)
        .map(|_| PublishedFix {
            position_m: [at[0] + bias[0] + own * normal(rng), at[1] + bias[1] + own * normal(rng), at[2]],
            covariance_m2: [[claimed * claimed, 0.0, 0.0], [0.0, claimed * claimed, 0.0], [0.0; 3]],
        })
        .collect()
}

fn trial(rng: &mut ChaCha8Rng, points: usize, own: f64, shared: f64, claimed: f64) -> Verification {
    let list: Vec<Checkpoint> = (0..points)
        .map(|k| {
            let at_m = [k as f64, 2.0, 0.9];
            Checkpoint { at_m, fixes: fixes(rng, at_m, own, shared, claimed), levels: Vec::new() }
        })
        .collect();
    let settings = VerifySettings { required_ce95_m: Some(0.2), ..VerifySettings::new(FLAT) };
    verify(&stated(&ANCHORS), &list, &[], &settings)
}

#[test]
fn the_interval_of_ce95_holds_the_true_one() {
    let mut rng = rng(5);
    for points in [3, 5, 10] {
        // Errors that a checkpoint shares entirely: 0.05 m a coordinate, CE95 by the Rayleigh law.
        let truth = 0.05 * 2.447_746_830_68;
        let mut held = 0;
        for _ in 0..600 {
            let ce = trial(&mut rng, points, 0.0, 0.05, 0.05).ce95.unwrap();
            held += u32::from(ce.low_m <= truth && truth <= ce.high_m);
        }
        assert!((552..=588).contains(&held), "{points} points: {held} of 600 (570 expected)");
    }
}

#[test]
fn claims_are_judged_on_both_sides() {
    let mut rng = rng(6);
    let mut count = |claimed: f64, verdict: HonestyVerdict| {
        let right = |_: &u32| trial(&mut rng, 8, 0.03, 0.04, claimed).honesty.unwrap().verdict == verdict;
        (0..200).filter(right).count()
    };
    assert!(count(0.05, HonestyVerdict::Honest) >= 190);
    assert!(count(0.02, HonestyVerdict::TooSure) >= 190);
    assert!(count(0.15, HonestyVerdict::TooShy) >= 190);
    let h = trial(&mut rng, 8, 0.05, 0.0, 0.05).honesty.unwrap();
    assert!((0.88..=1.0).contains(&h.held_share), "{h:?}");
}

#[test]
fn the_requirement_has_three_answers() {
    let mut rng = rng(2);
    let v = trial(&mut rng, 10, 0.01, 0.01, 0.015);
    assert_eq!(v.verdict, Verdict::PassedSurely);
    assert_eq!(trial(&mut rng, 2, 0.02, 0.04, 0.05).verdict, Verdict::Passed);
    assert_eq!(trial(&mut rng, 10, 0.01, 0.3, 0.3).verdict, Verdict::Failed);
    let p = v.points[3].accuracy.unwrap();
    assert_eq!((p.count, v.overall.unwrap().count), (20, 200));
    assert!((p.horizontal.rms_m - 0.014).abs() < 0.03);
}

#[test]
fn nothing_published_is_a_failure_and_no_number() {
    let settings = VerifySettings { required_ce95_m: Some(0.2), ..VerifySettings::new(FLAT) };
    let empty = Checkpoint { at_m: [1.0, 1.0, 0.9], fixes: Vec::new(), levels: Vec::new() };
    let nan = PublishedFix { position_m: [f64::NAN; 3], covariance_m2: [[f64::NAN; 3]; 3] };
    let bad_level = AnchorLevel { anchor: 99, level_m: f64::NAN, se_m: 0.1 };
    let far = PublishedFix { position_m: [1e300, 0.0, 0.0], covariance_m2: [[0.0; 3]; 3] };
    let rubbish = Checkpoint { fixes: vec![nan, far], levels: vec![bad_level], ..empty.clone() };
    for list in [vec![], vec![empty.clone()], vec![rubbish, empty]] {
        let v = verify(&stated(&ANCHORS), &list, &[], &settings);
        assert_eq!((v.verdict, v.overall, v.ce95, v.honesty), (Verdict::Failed, None, None, None));
        assert_eq!(v.faults, FaultIsolation::None);
        assert_eq!(v.points.len(), list.len());
    }
}

#[test]
fn a_checkpoint_that_was_calibrated_at_is_reported() {
    let point = |x: f64| Checkpoint { at_m: [x, 1.0, 0.9], fixes: Vec::new(), levels: Vec::new() };
    let used = [[5.0, 5.0, 0.9], [2.05, 1.05, 0.9]];
    let v = verify(&stated(&ANCHORS), &[point(2.0), point(4.0)], &used, &VerifySettings::new(FLAT));
    assert_eq!((v.points[0].reused, v.points[1].reused), (Some(1), None));
    assert_eq!(v.verdict, Verdict::NotAsked);
}
