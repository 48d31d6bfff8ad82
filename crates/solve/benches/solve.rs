//! Cost of one fix, 8 ranges. Every group starts with `plain` (weighted least squares without the gate): the
//! other figures are to be read as ratios to it, in the same run.

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use hereabout_core::{Dimension, Fence};
use hereabout_solve::{GateSettings, RangeObs, locate, plain_fix, radius95_m};

/// The yard of the tests' golden problem (own numbers), ranges in millimetres.
const ANCHORS: [[f64; 3]; 8] = [
    [0.0, 0.0, 2.5],
    [12.0, 0.0, 2.8],
    [12.0, 9.0, 2.4],
    [0.0, 9.0, 2.7],
    [6.0, 0.0, 0.6],
    [12.0, 4.5, 0.8],
    [6.0, 9.0, 3.2],
    [0.0, 4.5, 1.0],
];
const RANGES_MM: [f64; 8] = [5440.0, 8500.0, 9963.0, 7316.0, 3655.0, 7805.0, 6560.0, 4417.0];

fn epoch(nlos_m: f64) -> Vec<RangeObs> {
    let pairs = ANCHORS.iter().zip(RANGES_MM);
    let mut obs: Vec<RangeObs> =
        pairs.map(|(&anchor_m, mm)| RangeObs { anchor_m, range_m: mm / 1000.0, sigma_m: 0.1 }).collect();
    obs[5].range_m += nlos_m;
    obs
}

fn fixes(c: &mut Criterion) {
    let (fence, gate) = (Fence::default(), GateSettings::default());
    for (name, dimension) in
        [("fix_8_ranges_2d", Dimension::TwoD { tag_height_m: 1.2 }), ("fix_8_ranges_3d", Dimension::ThreeD)]
    {
        let mut group = c.benchmark_group(name);
        let (clean, nlos) = (epoch(0.0), epoch(1.5));
        group.bench_function("plain", |b| b.iter(|| plain_fix(black_box(&clean), dimension, &fence)));
        group.bench_function("gated_clean", |b| {
            b.iter(|| locate(black_box(&clean), dimension, &fence, &gate));
        });
        group.bench_function("gated_one_late", |b| {
            b.iter(|| locate(black_box(&nlos), dimension, &fence, &gate));
        });
        if let Some(fix) = plain_fix(&clean, dimension, &fence).fix() {
            let covariance = fix.covariance_m2;
            group.bench_function("radius95", |b| b.iter(|| radius95_m(black_box(&covariance), dimension)));
        }
        group.finish();
    }
}

criterion_group!(benches, fixes);
criterion_main!(benches);
