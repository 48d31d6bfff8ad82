//! A proof of accuracy on what the engine publishes: good offsets pass, and a wrong one is named.

use arrayvec::ArrayVec;
use hereabout_commission::proof::Proof;
use hereabout_commission::survey::Spot;
use hereabout_core::{AnchorId, Correction, Epoch, Micros, RangeReading, Site, TagId, Timestamp};
use hereabout_engine::{Engine, Input, Output};
use hereabout_fixtures::{Noise, SHED_M};
use hereabout_solve::calibrate::adjust::{FaultCandidate, FaultIsolation};

const OFFSETS_M: [f64; 8] = [0.12, -0.05, 0.2, 0.0, -0.11, 0.07, 0.3, -0.02];
const SPOTS_M: [[f64; 2]; 5] = [[2.0, 2.0], [12.0, 2.5], [11.5, 7.0], [3.0, 7.5], [7.0, 4.5]];

fn site(anchors: usize) -> Site {
    hereabout_fixtures::site(hereabout_fixtures::draft(&SHED_M[..anchors]))
}

fn stamp(s: f64) -> Timestamp {
    Timestamp::default().plus(Micros::from_secs_f64(s))
}

fn spot(k: usize, seconds: f64) -> Spot {
    let from = 100.0 * k as f64;
    let at_m = [SPOTS_M[k][0], SPOTS_M[k][1], 0.9];
    Spot { name: format!("spot {k}"), at_m, from: stamp(from), to: stamp(from + seconds) }
}

/// What the kit says while the tag stands at `at_m` from `from_s` on.
fn epochs(at_m: [f64; 3], from_s: f64, seconds: f64, noise: &mut Noise) -> Vec<Epoch> {
    let n = (seconds * 10.0) as usize;
    let epoch = |i: usize| {
        let reading = |(k, a): (usize, &[f64; 3])| {
            let d = (0..3).map(|c| (at_m[c] - a[c]).powi(2)).sum::<f64>().sqrt();
            let raw_range_m = Some(d + OFFSETS_M[k] + 0.05 * noise.normal());
            RangeReading { anchor: AnchorId(k as u16), raw_range_m }
        };
        let readings: ArrayVec<RangeReading, 8> = SHED_M.iter().enumerate().map(reading).collect();
        let readings = readings.into_iter().collect();
        Epoch::new(stamp(from_s + i as f64 / 10.0), TagId(0), None, readings)
    };
    (0..n).map(epoch).collect()
}

#[test]
fn a_proof_passes_with_good_offsets_and_names_the_wrong_one() {
    let good = site(8).with_corrections(&OFFSETS_M.map(|offset_m| Correction {
        offset_m,
        scale: 1.0,
        offset_se_m: Some(0.02),
    }));
    let mut wrong = OFFSETS_M;
    wrong[2] -= 0.4;
    let wrong = good.clone().with_corrections(&wrong.map(|offset_m| Correction {
        offset_m,
        scale: 1.0,
        offset_se_m: Some(0.02),
    }));
    for (site, names) in [(good, false), (wrong, true)] {
        let mut proof = Proof::new(&site, None);
        let mut engine = Engine::new(site.clone(), None);
        let mut noise = Noise(21);
        for k in 0..5 {
            let spot = spot(k, 30.0);
            proof.begin(spot.clone());
            for epoch in epochs(spot.at_m, 100.0 * k as f64, 30.0, &mut noise) {
                engine.handle(Input::Epoch(&epoch));
                while let Some(output) = engine.poll_output() {
                    match &output {
                        Output::Position(report) => proof.take_position(report),
                        Output::Ranges(epoch) => proof.take_ranges(epoch),
                        _ => {}
                    }
                }
            }
        }
        let shown = proof.verify(&site, &[[12.0, 2.5, 0.9]], Some(0.5));
        assert_eq!(
            shown.points.iter().map(|p| p.reused).collect::<Vec<_>>(),
            [None, Some(0), None, None, None]
        );
        if names {
            let FaultIsolation::Named(e) = &shown.faults else { panic!("{:?}", shown.faults) };
            let about = [
                FaultCandidate::AnchorOffset(2),
                FaultCandidate::AnchorPlace(2),
                FaultCandidate::AnchorPlaceAndOffset(2),
            ];
            assert!(about.contains(&e.candidate), "{e:?}");
        } else {
            assert_eq!(shown.faults, FaultIsolation::None);
            let ce95 = shown.ce95.unwrap().observed_m;
            assert!(ce95 > 0.005 && ce95 < 0.15, "{ce95}");
            assert!(proof.counts(0).1 > 250, "{:?}", proof.counts(0));
            let errors = proof.errors_m();
            assert_eq!(errors.len(), (0..5).map(|k| proof.counts(k).1).sum::<usize>());
            assert!((errors[errors.len() - 1] - shown.overall.unwrap().horizontal.max_m).abs() < 1e-9);
        }
    }
}
