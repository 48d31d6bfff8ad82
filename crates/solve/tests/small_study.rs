//! A small version of the study with fixed seeds. Every limit has two sides: an estimator that is too sure fails,
//! one that is too shy fails as well.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "study_kit/kit.rs"]
mod kit;
#[path = "study_kit/rivals.rs"]
#[expect(dead_code, reason = "shared with the study, which uses more of it")]
mod rivals;

use hereabout_core::{Fence, Micros, TagState, Timestamp};
use hereabout_solve::snapshot::{SnapshotSettings, snapshot};
use hereabout_solve::tracker::smoother::Smoother;
use hereabout_solve::tracker::{TrackRange, Tracker, TrackerAnchor, TrackerSettings};
use hereabout_solve::{RangeObs, math::metrics};
use kit::{Kit, Nlos, Path, TrueEpoch, apart};
use rivals::{Choice, Filter};

#[derive(Debug, Default)]
struct Figures {
    ours: f64,
    oracle: f64,
    gate: f64,
    delayed: f64,
    delayed_n: f64,
    n: f64,
    located: f64,
    held: f64,
    nees: f64,
    over: f64,
}

impl Figures {
    fn ratio(&self) -> f64 {
        (self.ours / self.oracle).sqrt()
    }
}

/// Simulated kits have no slow errors, and the tracker is set so.
fn settings() -> TrackerSettings {
    TrackerSettings { slow_error_m: 0.0, tag_offset_m: 0.0, ..TrackerSettings::default() }
}

fn tracker(kit: &Kit) -> Tracker {
    let anchor =
        |a: &[f64; 3]| TrackerAnchor { at_m: *a, range_sigma_m: 0.1, offset_se_m: Some(kit.offset_sd_m) };
    let anchors: Vec<_> = kit.anchors.iter().map(anchor).collect();
    Tracker::new(settings(), kit.dimension, &Fence::default(), &anchors)
}

fn measured(e: &TrueEpoch) -> (Timestamp, Vec<TrackRange>) {
    let ranges = e.ranges.iter().map(|r| TrackRange { anchor_index: r.anchor, range_m: r.range_m });
    (Timestamp::from_micros((e.t_s * 1e6).round() as i64), ranges.collect())
}

fn run(kit: &Kit, seeds: std::ops::Range<u64>) -> Figures {
    let mut f = Figures::default();
    for seed in seeds {
        let epochs = kit.run(120.0, seed);
        let q = settings().motion.acceleration_m2ps3;
        let mut t = tracker(kit);
        let mut delayed = Smoother::new(Micros::from_millis(1_000), settings().motion, kit.dimension);
        let mut oracle = Filter::new(epochs[0].at_m, q, Choice::Oracle, kit.dimension);
        let mut gate = Filter::new(epochs[0].at_m, q, Choice::Gate(3.3), kit.dimension);
        for (k, epoch) in epochs.iter().enumerate() {
            let dt = if k == 0 { 0.0 } else { epoch.t_s - epochs[k - 1].t_s };
            let (at, ranges) = measured(epoch);
            let e = t.update(at, &ranges);
            let o = oracle.step(dt, epoch, kit);
            let g = gate.step(dt, epoch, kit);
            delayed.push(&e);
            while let Some(d) = delayed.poll(at) {
                let truth = &epochs[(d.at.unix_secs_f64() * kit.rate_hz).round() as usize];
                if truth.t_s >= 10.0 {
                    f.delayed += apart(&d.track.as_ref().unwrap().position_m, &truth.at_m).powi(2);
                    f.delayed_n += 1.0;
                }
            }
            if epoch.t_s < 10.0 {
                continue;
            }
            f.n += 1.0;
            f.ours += apart(&e.track.as_ref().unwrap().position_m, &epoch.at_m).powi(2);
            f.oracle += apart(&o, &epoch.at_m).powi(2);
            f.gate += apart(&g, &epoch.at_m).powi(2);
            if e.state() == TagState::Located {
                let error = std::array::from_fn(|i| e.track.as_ref().unwrap().position_m[i] - epoch.at_m[i]);
                f.located += 1.0;
                f.nees += metrics::normalised_square(
                    error,
                    &e.track.as_ref().unwrap().covariance_m2,
                    kit.dimension,
                )
                .unwrap();
                let held =
                    metrics::is_covered(error, &e.track.as_ref().unwrap().covariance_m2, kit.dimension, 0.95);
                f.held += f64::from(u8::from(held));
                f.over += f64::from(u8::from(
                    apart(&e.track.as_ref().unwrap().position_m, &epoch.at_m)
                        > e.track.as_ref().unwrap().protection_radius_m,
                ));
            }
        }
    }
    f
}

/// Ratio, coverage, mean normalised square and protection in one go.
fn judge(kit: &Kit, ratio: std::ops::Range<f64>) {
    judge_over(kit, 1..4, ratio);
}

fn judge_over(kit: &Kit, seeds: std::ops::Range<u64>, ratio: std::ops::Range<f64>) {
    let f = run(kit, seeds);
    let d = kit.dimension.unknowns() as f64;
    assert!(ratio.contains(&f.ratio()), "{}: tracker over oracle {:.3}", kit.name, f.ratio());
    assert!(f.located > 0.99 * f.n, "{}: located in {} of {}", kit.name, f.located, f.n);
    // Project aim: 95 ± 2 %; a percent more for the sampling of three short runs with correlated errors.
    let held = f.held / f.located;
    assert!((0.92..0.98).contains(&held), "{}: ellipse holds the truth in {held:.3}", kit.name);
    let nees = f.nees / f.located / d;
    assert!((0.75..1.3).contains(&nees), "{}: normalised square per unknown {nees:.2}", kit.name);
    let over = f.over / f.located;
    assert!(over <= 2e-3, "{}: error beyond the protection radius in {over:.4}", kit.name);
}

#[test]
fn eight_anchors_with_nlos_stretches() {
    judge(&Kit::plain("8 anchors", 8, false, Nlos::Stretches(0.2)), 0.93..1.05);
}

#[test]
fn eight_anchors_with_single_nlos_ranges() {
    judge(&Kit::plain("8 anchors, single", 8, false, Nlos::Independent(0.2)), 0.95..1.10);
}

#[test]
fn five_anchors_with_nlos_stretches() {
    judge(&Kit::plain("5 anchors", 5, false, Nlos::Stretches(0.1)), 0.90..1.15);
}

#[test]
fn eight_anchors_in_space() {
    judge(&Kit::plain("8 anchors 3D", 8, true, Nlos::Stretches(0.1)), 0.93..1.15);
}

#[test]
fn one_range_at_a_time() {
    let base = Kit::plain("one at a time", 8, false, Nlos::Stretches(0.1));
    judge(&Kit { one_at_a_time: true, rate_hz: 36.0, ..base }, 0.90..1.10);
}

#[test]
fn offsets_of_three_centimetres_are_considered() {
    let base = Kit::plain("offsets", 8, false, Nlos::Stretches(0.1));
    // One draw of offsets a run: more runs, or luck decides.
    judge_over(&Kit { offset_sd_m: 0.03, ..base }, 1..13, 0.90..1.10);
}

#[test]
fn a_silent_anchor_and_a_double_id_do_no_harm() {
    let base = || Kit::plain("anchor off", 8, false, Nlos::Stretches(0.1));
    judge(&Kit { anchor_off: true, ..base() }, 0.90..1.05);
    judge(&Kit { name: "double id", double_of_1: Some([12.0, 7.0, 2.6]), ..base() }, 0.90..1.12);
}

#[test]
fn a_gated_filter_does_worse_and_the_delayed_stream_better() {
    let f = run(&Kit::plain("8 anchors", 8, false, Nlos::Stretches(0.2)), 1..4);
    assert!(f.gate > 1.3 * f.ours, "gate {:.3} ours {:.3}", f.gate, f.ours);
    let delayed = (f.delayed / f.delayed_n).sqrt();
    // Project figures: 2.4 to 2.9 cm where the causal stream has 4 to 5.
    assert!((0.015..0.030).contains(&delayed), "delayed {delayed:.4} m");
    assert!((0.035..0.055).contains(&(f.ours / f.n).sqrt()));
}

#[test]
fn a_still_tag_is_known_to_about_a_centimetre() {
    let base = Kit::plain("still", 8, false, Nlos::Stretches(0.1));
    let f = run(&Kit { path: Path::Still, ..base }, 1..4);
    let rmse = (f.ours / f.n).sqrt();
    assert!((0.003..0.018).contains(&rmse), "{rmse:.4} m");
}

#[test]
fn after_a_jump_it_is_right_again_within_three_frames() {
    let kit = Kit { path: Path::Jumps, ..Kit::plain("jumps", 8, false, Nlos::Stretches(0.1)) };
    let (mut frames, mut jumps_total) = (Vec::new(), 0);
    for seed in 1..4 {
        let mut t = tracker(&kit);
        let (mut jumps, mut since, mut waiting) = (0, 0, false);
        for epoch in kit.run(120.0, seed) {
            let (at, ranges) = measured(&epoch);
            let e = t.update(at, &ranges);
            if epoch.jumps != jumps {
                jumps = epoch.jumps;
                jumps_total += 1;
                (since, waiting) = (0, true);
            }
            since += 1;
            if waiting
                && e.state() == TagState::Located
                && apart(&e.track.as_ref().unwrap().position_m, &epoch.at_m) < 0.3
            {
                frames.push(since);
                waiting = false;
            }
        }
    }
    frames.sort_unstable();
    assert_eq!(frames.len(), jumps_total, "every jump is followed");
    assert!((1..=3).contains(&frames[frames.len() / 2]));
    assert!(frames[frames.len() - 1] <= 10, "slowest {}", frames[frames.len() - 1]);
}

#[test]
fn snapshots_hold_their_promises() {
    for (n, three_d) in [(8, false), (5, false), (8, true)] {
        let kit = Kit { rate_hz: 1.0, ..Kit::plain("", n, three_d, Nlos::Independent(0.1)) };
        let (mut located, mut held, mut over, mut total) = (0.0, 0.0, 0.0, 0.0);
        for epoch in kit.run(3_000.0, 17) {
            let ranges: Vec<RangeObs> = epoch
                .ranges
                .iter()
                .map(|r| RangeObs {
                    anchor_m: kit.anchors[r.anchor],
                    range_m: r.range_m,
                    sigma_m: kit.sigma_m,
                })
                .collect();
            let s = snapshot(&ranges, kit.dimension, &Fence::default(), &SnapshotSettings::default());
            total += 1.0;
            if let Ok(s) = s.place {
                located += 1.0;
                let error = std::array::from_fn(|i| s.position_m[i] - epoch.at_m[i]);
                held +=
                    f64::from(u8::from(metrics::is_covered(error, &s.covariance_m2, kit.dimension, 0.95)));
                over += f64::from(u8::from(apart(&s.position_m, &epoch.at_m) > s.protection_radius_m));
            }
        }
        assert!(located > 0.96 * total, "{n} anchors: {located} of {total}");
        let held = held / located;
        assert!((0.92..0.98).contains(&held), "{n} anchors, 3D {three_d}: {held:.3}");
        assert!(over / located <= 4e-3, "{n} anchors, 3D {three_d}: {:.4}", over / located);
    }
}
