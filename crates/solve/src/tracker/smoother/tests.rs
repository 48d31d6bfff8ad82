//! The backward pass against a batch solution, and the order in which estimates leave.

use super::*;
use crate::tracker::{TrackRange, Tracker, TrackerAnchor, TrackerSettings};
use hereabout_core::Fence;

const FLAT: Dimension = Dimension::TwoD { tag_height_m: 0.0 };
const CORNERS: [[f64; 3]; 4] = [[0.0, 0.0, 0.0], [12.0, 0.0, 0.0], [12.0, 9.0, 0.0], [0.0, 9.0, 0.0]];

fn at_ms(ms: i64) -> Timestamp {
    Timestamp::from_micros(1_000 * ms)
}

fn estimates(frames: usize) -> Vec<TrackEstimate> {
    let anchors = CORNERS.map(|at_m| TrackerAnchor { at_m, range_sigma_m: 0.08, offset_se_m: Some(0.0) });
    let mut t = Tracker::new(TrackerSettings::default(), FLAT, &Fence::default(), &anchors);
    let wobble = [0.05, -0.07, 0.06, -0.03, 0.04, -0.06, 0.02];
    (0..frames)
        .map(|k| {
            let tag = [3.0 + 0.06 * k as f64, 3.0, 0.0];
            let ranges: Vec<TrackRange> = (0..4)
                .map(|i| TrackRange {
                    anchor_index: i,
                    range_m: length(minus(tag, CORNERS[i])) + wobble[(3 * k + i) % 7],
                })
                .collect();
            t.update(at_ms(100 * k as i64), &ranges)
        })
        .collect()
}

#[test]
fn every_estimate_leaves_once_in_order_a_lag_later() {
    let mut s = Smoother::new(Micros::from_millis(1_000), Motion::default(), FLAT);
    let mut out = Vec::new();
    for e in estimates(40) {
        s.push(&e);
        while let Some(nlos) = s.poll(e.at) {
            assert_eq!(e.at.since(nlos.at), Micros::from_millis(1_000));
            out.push(nlos.at);
        }
    }
    while let Some(nlos) = s.finish() {
        out.push(nlos.at);
    }
    assert_eq!(out, (0..40).map(|k| at_ms(100 * k)).collect::<Vec<_>>());
    assert!(s.poll(at_ms(1_000_000)).is_none());
}

#[test]
fn smoothing_helps_and_says_so() {
    let causal = estimates(60);
    let mut s = Smoother::new(Micros::from_millis(1_000), Motion::default(), FLAT);
    let (mut before, mut after) = (0.0, 0.0);
    for e in &causal {
        s.push(e);
        while let Some(nlos) = s.poll(e.at) {
            let k = (nlos.at.micros() / 100_000) as usize;
            let truth = [3.0 + 0.06 * k as f64, 3.0, 0.0];
            if k >= 20 {
                before += length(minus(causal[k].track.as_ref().unwrap().position_m, truth)).powi(2);
                after += length(minus(nlos.track.as_ref().unwrap().position_m, truth)).powi(2);
                assert!(
                    nlos.track.as_ref().unwrap().covariance_m2[0][0]
                        < causal[k].track.as_ref().unwrap().covariance_m2[0][0]
                );
                assert!(
                    nlos.track.as_ref().unwrap().radius95_m < causal[k].track.as_ref().unwrap().radius95_m
                );
                assert!(
                    nlos.track.as_ref().unwrap().protection_radius_m
                        >= causal[k].track.as_ref().unwrap().protection_radius_m
                );
            }
        }
    }
    assert!(after < 0.6 * before, "{after} {before}");
}

/// An estimate with given moments, for checks by hand.
fn with(at: Timestamp, x: [f64; 2], p: [f64; 3]) -> TrackEstimate {
    let mut estimate = estimates(3).pop().unwrap();
    estimate.at = at;
    let e = estimate.track.as_mut().unwrap();
    e.moving_probability = 1.0;
    e.consider_covariance_m2 = [0.0; 6];
    e.moments = PosVel { d: 2, state: [x[0], 0.0, x[1], 0.0, 0.0, 0.0], covariance: [0.0; 21] };
    for (i, j, v) in [(0, 0, p[0]), (2, 0, p[1]), (2, 2, p[2]), (1, 1, p[0]), (3, 1, p[1]), (3, 3, p[2])] {
        e.moments.covariance[crate::math::small_matrix::at(i, j)] = v;
    }
    estimate
}

#[test]
fn one_step_back_agrees_with_the_formula() {
    // Scalar position and velocity, dt = 1, q = 0.1: the 2 × 2 formula worked out with nalgebra's inverse.
    let motion = Motion { acceleration_m2ps3: 0.1, creep_m: 0.0, ..Motion::default() };
    let (a, b) =
        (with(at_ms(0), [0.0, 1.0], [0.04, 0.01, 0.09]), with(at_ms(1_000), [1.2, 1.1], [0.02, 0.01, 0.05]));
    let mut s = Smoother::new(Micros::from_millis(1_000), motion, FLAT);
    s.push(&a);
    s.push(&b);
    let got = s.poll(at_ms(1_000)).unwrap();
    use nalgebra::{Matrix2, Vector2};
    let f = Matrix2::new(1.0, 1.0, 0.0, 1.0);
    let pk = Matrix2::new(0.04, 0.01, 0.01, 0.09);
    let q = Matrix2::new(0.1 / 3.0, 0.05, 0.05, 0.1);
    let ahead = f * pk * f.transpose() + q;
    let gain = pk * f.transpose() * ahead.try_inverse().unwrap();
    let x = Vector2::new(0.0, 1.0) + gain * (Vector2::new(1.2, 1.1) - Vector2::new(1.0, 1.0));
    let p = pk + gain * (Matrix2::new(0.02, 0.01, 0.01, 0.05) - ahead) * gain.transpose();
    assert!(
        (got.track.as_ref().unwrap().position_m[0] - x[0]).abs() < 1e-6
            && (got.track.as_ref().unwrap().velocity_mps[0] - x[1]).abs() < 1e-6
    );
    assert!((got.track.as_ref().unwrap().covariance_m2[0][0] - p[(0, 0)]).abs() < 1e-6);
}

#[test]
fn nothing_is_smoothed_across_a_restart() {
    let mut all = estimates(30);
    for e in &mut all[15..] {
        let track = e.track.as_mut().unwrap();
        track.position_m[0] += 4.0;
        track.moments.state[0] += 4.0;
    }
    all[15].restarted = true;
    let mut s = Smoother::new(Micros::from_millis(1_000), Motion::default(), FLAT);
    for e in &all {
        s.push(e);
        while let Some(nlos) = s.poll(e.at) {
            let k = (nlos.at.micros() / 100_000) as usize;
            assert!(
                length(minus(
                    nlos.track.as_ref().unwrap().position_m,
                    all[k].track.as_ref().unwrap().position_m
                )) < 0.2,
                "frame {k}"
            );
        }
    }
}

#[test]
fn high_rates_shorten_the_lag_instead_of_dropping() {
    let mut s = Smoother::new(Micros::from_millis(1_000), Motion::default(), FLAT);
    let template = estimates(5).pop().unwrap();
    let mut out = 0;
    for k in 0..1_000 {
        let e = TrackEstimate { at: at_ms(k), ..template.clone() };
        s.push(&e);
        while s.poll(e.at).is_some() {
            out += 1;
        }
    }
    while s.finish().is_some() {
        out += 1;
    }
    assert_eq!(out, 1_000);
}
