//! Time per frame of eight ranges, over the whole run of the bench `robust`, and the frames themselves for others
//! to be measured on: `cargo run --release -p hereabout-solve --example frame_times -- FRAMES.csv`.
//!
//! Prints one row an estimator and dimension: `dimension,estimator,microseconds`. The frames go to the file as
//! `dimension,frame,east_m,north_m,up_m,range_m`. `benches/scipy_ratio.py` runs this and does the comparison.
#![expect(clippy::disallowed_methods, reason = "a measurement reads the clock; the library does not")]

#[path = "../tests/study_kit/kit.rs"]
#[expect(dead_code, reason = "shared with the study, which uses more of it")]
mod kit;

use std::fmt::Write as _;
use std::hint::black_box;
use std::time::Instant;

use hereabout_core::{Fence, Timestamp};
use hereabout_solve::snapshot::{SnapshotSettings, snapshot};
use hereabout_solve::tracker::{TrackRange, Tracker, TrackerAnchor, TrackerSettings};
use hereabout_solve::{GateSettings, RangeObs, locate, plain_fix};
use kit::{Kit, Nlos, TrueEpoch};

/// The run is timed this often; the fastest counts, for what else the machine does only ever adds.
const ROUNDS: usize = 15;

fn main() -> std::io::Result<()> {
    let path = std::env::args().nth(1);
    let mut csv = "dimension,frame,east_m,north_m,up_m,range_m\n".to_owned();
    println!("dimension,estimator,microseconds");
    for three_d in [false, true] {
        let kit = Kit::plain("", 8, three_d, Nlos::Stretches(0.1));
        let run = kit.run(100.0, 3);
        let d = kit.dimension.unknowns();
        for (k, r) in run.iter().enumerate().flat_map(|(k, e)| e.ranges.iter().map(move |r| (k, r))) {
            let [x, y, z] = kit.anchors[r.anchor];
            let _ = writeln!(csv, "{d},{k},{x},{y},{z},{}", r.range_m);
        }
        time(&kit, &run);
    }
    path.map_or(Ok(()), |path| std::fs::write(path, csv))
}

fn time(kit: &Kit, run: &[TrueEpoch]) {
    let d = kit.dimension;
    let fence = Fence::default();
    let one = |r: &kit::TrueRange| RangeObs {
        anchor_m: kit.anchors[r.anchor],
        range_m: r.range_m,
        sigma_m: kit.sigma_m,
    };
    let obs: Vec<Vec<RangeObs>> = run.iter().map(|e| e.ranges.iter().map(one).collect()).collect();
    row(d.unknowns(), "plain", run.len(), || {
        obs.iter().for_each(|o| drop(black_box(plain_fix(o, d, &fence))));
    });
    row(d.unknowns(), "gated", run.len(), || {
        obs.iter().for_each(|o| drop(black_box(locate(o, d, &fence, &GateSettings::default()))));
    });
    row(d.unknowns(), "snapshot", run.len(), || {
        obs.iter().for_each(|o| drop(black_box(snapshot(o, d, &fence, &SnapshotSettings::default()))));
    });
    let anchor =
        |at_m: &[f64; 3]| TrackerAnchor { at_m: *at_m, range_sigma_m: 0.08, offset_se_m: Some(0.01) };
    let anchors: Vec<TrackerAnchor> = kit.anchors.iter().map(anchor).collect();
    let reported = |e: &TrueEpoch| -> Vec<TrackRange> {
        e.ranges.iter().map(|r| TrackRange { anchor_index: r.anchor, range_m: r.range_m }).collect()
    };
    let reported: Vec<Vec<TrackRange>> = run.iter().map(reported).collect();
    row(d.unknowns(), "tracker", run.len(), || {
        let mut tracker = Tracker::new(TrackerSettings::default(), d, &fence, &anchors);
        for (k, ranges) in reported.iter().enumerate() {
            black_box(tracker.update(Timestamp::from_micros(k as i64 * 100_000), ranges));
        }
    });
}

fn row(dimension: usize, name: &str, frames: usize, mut run: impl FnMut()) {
    let times = (0..ROUNDS).map(|_| {
        let from = Instant::now();
        run();
        from.elapsed().as_secs_f64()
    });
    let fastest = times.fold(f64::INFINITY, f64::min);
    println!("{dimension},{name},{:.3}", fastest / frames as f64 * 1e6);
}
