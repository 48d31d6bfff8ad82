//! Cost per epoch of eight ranges, as ratios to a plain fix in the same run: `cargo bench -p hereabout-solve
//! --bench robust`. Divide the times of one group by that of its `plain`.

#[path = "../tests/study_kit/kit.rs"]
#[expect(dead_code, reason = "shared with the study, which uses more of it")]
mod kit;

use criterion::{Criterion, criterion_group, criterion_main};
use hereabout_core::{Fence, Timestamp};
use hereabout_solve::snapshot::{SnapshotSettings, snapshot};
use hereabout_solve::tracker::{TrackRange, Tracker, TrackerAnchor, TrackerSettings};
use hereabout_solve::{GateSettings, RangeObs, locate, plain_fix};
use kit::{Kit, Nlos};
use std::hint::black_box;

fn epochs(c: &mut Criterion) {
    for (name, three_d) in [("epoch of 8 ranges, 2D", false), ("epoch of 8 ranges, 3D", true)] {
        let kit = Kit::plain("", 8, three_d, Nlos::Stretches(0.1));
        let run = kit.run(100.0, 3);
        let obs: Vec<Vec<RangeObs>> = run
            .iter()
            .map(|e| {
                let one = |r: &kit::TrueRange| RangeObs {
                    anchor_m: kit.anchors[r.anchor],
                    range_m: r.range_m,
                    sigma_m: kit.sigma_m,
                };
                e.ranges.iter().map(one).collect()
            })
            .collect();
        let reported: Vec<Vec<TrackRange>> = run
            .iter()
            .map(|e| {
                e.ranges.iter().map(|r| TrackRange { anchor_index: r.anchor, range_m: r.range_m }).collect()
            })
            .collect();
        let fence = Fence::default();
        let mut group = c.benchmark_group(name);
        // Each iteration takes the next epoch of a run of 1000, so that NLOS stretches have their share.
        let mut k = 0;
        group.bench_function("plain", |b| {
            b.iter(|| {
                k = (k + 1) % obs.len();
                black_box(plain_fix(&obs[k], kit.dimension, &fence))
            });
        });
        group.bench_function("gated", |b| {
            b.iter(|| {
                k = (k + 1) % obs.len();
                black_box(locate(&obs[k], kit.dimension, &fence, &GateSettings::default()))
            });
        });
        group.bench_function("snapshot", |b| {
            b.iter(|| {
                k = (k + 1) % obs.len();
                black_box(snapshot(&obs[k], kit.dimension, &fence, &SnapshotSettings::default()))
            });
        });
        let anchors: Vec<TrackerAnchor> = kit
            .anchors
            .iter()
            .map(|a| TrackerAnchor { at_m: *a, range_sigma_m: 0.08, offset_se_m: Some(0.01) })
            .collect();
        let mut tracker = Tracker::new(TrackerSettings::default(), kit.dimension, &fence, &anchors);
        let mut n = 0i64;
        group.bench_function("tracker", |b| {
            b.iter(|| {
                n += 1;
                // The run is walked to and fro, so that the tag never jumps.
                let k = (n % 1_998) as usize;
                let k = if k < 1_000 { k } else { 1_998 - k };
                black_box(tracker.update(Timestamp::from_micros(n * 100_000), &reported[k]))
            });
        });
        group.finish();
    }
}

criterion_group!(benches, epochs);
criterion_main!(benches);
