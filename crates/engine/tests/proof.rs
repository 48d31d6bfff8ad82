//! A proof of accuracy on what the engine publishes: good offsets pass, and a wrong one is named.

use hereabout_commission::proof::Proof;
use hereabout_commission::survey::Spot;
use hereabout_core::{Correction, Site};
use hereabout_engine::{Engine, Input, Output};
use hereabout_fixtures::{
    Noise, SHED_M, SHED_OFFSETS_M as OFFSETS_M, SHED_SPOTS_M as SPOTS_M, shed_epochs as epochs, stamp,
};
use hereabout_solve::calibrate::adjust::{FaultCandidate, FaultIsolation};

fn site(anchors: usize) -> Site {
    hereabout_fixtures::site(hereabout_fixtures::draft(&SHED_M[..anchors]))
}

fn spot(k: usize, seconds: f64) -> Spot {
    let from = 100.0 * k as f64;
    let at_m = [SPOTS_M[k][0], SPOTS_M[k][1], 0.9];
    Spot { name: format!("spot {k}"), at_m, from: stamp(from), to: stamp(from + seconds) }
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
