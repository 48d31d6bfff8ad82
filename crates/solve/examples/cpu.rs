#[path = "study/kit.rs"]
mod kit;
use hereabout_core::*;
use hereabout_solve::snapshot::*;
use hereabout_solve::tracker::*;
use hereabout_solve::*;
use kit::*;
fn cpu() -> f64 {
    let s = std::fs::read_to_string("/proc/self/schedstat").unwrap();
    s.split(' ').next().unwrap().parse::<f64>().unwrap() / 1e3
}
fn main() {
    for td in [false, true] {
        let kit = Kit::plain("", 8, td, Late::Stretches(0.1));
        let run = kit.run(1000.0, 3);
        let f = Fence::default();
        let obs: Vec<Vec<RangeObs>> = run
            .iter()
            .map(|e| {
                e.ranges
                    .iter()
                    .map(|r| RangeObs { anchor_m: kit.anchors[r.anchor], range_m: r.range_m, sigma_m: 0.08 })
                    .collect()
            })
            .collect();
        let told: Vec<Vec<TrackRange>> = run
            .iter()
            .map(|e| {
                e.ranges.iter().map(|r| TrackRange { anchor_index: r.anchor, range_m: r.range_m }).collect()
            })
            .collect();
        let n = obs.len() as f64;
        let t = cpu();
        for o in &obs {
            std::hint::black_box(plain_fix(o, kit.dimension, &f));
        }
        println!("plain {:.2}", (cpu() - t) / n);
        let t = cpu();
        for o in &obs {
            std::hint::black_box(locate(o, kit.dimension, &f, &GateSettings::default()));
        }
        println!("gated {:.2}", (cpu() - t) / n);
        let st = SnapshotSettings::default();
        let t = cpu();
        for o in &obs {
            std::hint::black_box(snapshot(o, kit.dimension, &f, &st));
        }
        println!("snapshot {:.2}", (cpu() - t) / n);
        let a: Vec<_> = kit
            .anchors
            .iter()
            .map(|a| TrackerAnchor { at_m: *a, range_sigma_m: 0.08, offset_se_m: Some(0.01) })
            .collect();
        let mut tr = Tracker::new(TrackerSettings::default(), kit.dimension, &f, &a);
        let mut last = None;
        let t = cpu();
        for (k, o) in told.iter().enumerate() {
            last = Some(tr.update(Timestamp::from_micros(100_000 * k as i64), o));
        }
        println!("tracker {:.2}", (cpu() - t) / n);
        let c = last.unwrap().covariance_m2;
        let t = cpu();
        for _ in 0..10000 {
            std::hint::black_box(radius95_m(std::hint::black_box(&c), kit.dimension));
        }
        println!("radius {:.2}", (cpu() - t) / 1e4);
    }
}
