//! Cost of a frame through the engine, beside a bare least-squares fix of the same ranges in the same
//! run: the ratio is what to look at, the time depends on the machine.
#![expect(clippy::unwrap_used, reason = "a bench is a program of its own")]

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use hereabout_core::{AnchorId, Frame, Micros, Site, SiteDraft, Timestamp, Word, Zone, ZoneRule, ZoneShape};
use hereabout_engine::{Engine, Input};
use hereabout_solve::tracker::{TrackRange, Tracker, TrackerAnchor, TrackerSettings};
use hereabout_solve::{RangeObs, plain_fix};
use hereabout_wire::{FrameSpec, Layout, NoRange, Unit};
use std::hint::black_box;

/// The first 8 anchors of the yard.
const PLACES_M: [[f64; 3]; 8] = hereabout_fixtures::YARD_M;
const FRAMES: usize = 1_000;

fn site(zones: Vec<Zone>) -> Site {
    let draft = SiteDraft { name: "bench".into(), zones, ..hereabout_fixtures::draft(&PLACES_M) };
    draft.validate().unwrap().0
}

/// A handful, as a yard has: a door, a crooked path, a house with a court, two circles, a charger.
fn zones() -> Vec<Zone> {
    let path = vec![[2.0, 6.0], [14.0, 6.0], [14.0, 12.0], [12.0, 12.0], [12.0, 8.0], [2.0, 8.0]];
    let house = vec![[15.0, 5.0], [23.0, 5.0], [23.0, 13.0], [15.0, 13.0]];
    let court = vec![[18.0, 8.0], [20.0, 8.0], [20.0, 10.0], [18.0, 10.0]];
    let polygon = |outline_m: Vec<[f64; 2]>, holes_m| ZoneShape::Polygon { outline_m, holes_m };
    let shapes = [
        polygon(vec![[9.0, 0.0], [13.0, 0.0], [13.0, 3.5], [9.0, 3.5]], Vec::new()),
        polygon(path, Vec::new()),
        polygon(house, vec![court]),
        ZoneShape::Circle { at_m: [5.0, 5.0], radius_m: 2.0 },
        ZoneShape::Circle { at_m: [12.0, 7.0], radius_m: 4.0 },
        ZoneShape::Near { anchor: AnchorId(5), enter_m: 4.0, leave_m: 5.0 },
    ];
    let zone = |(i, shape)| Zone { name: format!("zone {i}"), shape, rule: ZoneRule::default() };
    shapes.into_iter().enumerate().map(zone).collect()
}

/// Ranges with a few centimetres of made-up noise, and one late range in every seventh frame.
fn ranges_m(k: usize) -> [f64; 8] {
    let phase = k as f64 * 0.01;
    let tag = [12.0 + 8.0 * phase.cos(), 7.0 + 4.0 * phase.sin(), 0.9];
    std::array::from_fn(|i| {
        let square: f64 = (0..3).map(|a| (PLACES_M[i][a] - tag[a]) * (PLACES_M[i][a] - tag[a])).sum();
        let noise = ((k * 31 + i * 17) % 13) as f64 * 0.01 - 0.06;
        square.sqrt() + noise + if k.is_multiple_of(7) && i == k % 8 { 1.2 } else { 0.0 }
    })
}

fn frame(k: usize) -> Frame {
    let at = Timestamp::from_micros(1_700_000_000_000_000).plus(Micros::from_millis(100 * k as i64));
    let words = ranges_m(k).map(|r| Word::Int((r * 100.0).round() as i64));
    Frame {
        received_at: at,
        empty_at: None,
        skipped_bytes: 0,
        tag: None,
        seq: None,
        millis: None,
        words: words.into_iter().collect(),
    }
}

/// The frames through a bare tracker.
fn track(site: &Site, frames: &[Frame]) {
    let anchor = |at_m| TrackerAnchor { at_m, range_sigma_m: 0.1, offset_se_m: None };
    let anchors = PLACES_M.map(anchor);
    let mut tracker = Tracker::new(TrackerSettings::default(), site.dimension(), site.fence(), &anchors);
    for (k, frame) in frames.iter().enumerate() {
        let range = |(anchor_index, r): (usize, f64)| TrackRange {
            anchor_index,
            range_m: (r * 100.0).round() / 100.0,
        };
        let ranges: Vec<TrackRange> = ranges_m(k).into_iter().enumerate().map(range).collect();
        black_box(tracker.update(frame.received_at, &ranges));
    }
}

fn per_frame(c: &mut Criterion) {
    let site = site(Vec::new());
    let with_zones = crate::site(zones());
    let layout = Layout::parse_binary("c3 5a range:u16le*8 sum8").unwrap();
    let spec = FrameSpec { layout, unit: Unit::Cm, no_range: NoRange::new([0.0]) };
    let frames: Vec<Frame> = (0..FRAMES).map(frame).collect();
    let obs: Vec<Vec<RangeObs>> = (0..FRAMES)
        .map(|k| {
            let obs = |(i, r): (usize, f64)| RangeObs { anchor_m: PLACES_M[i], range_m: r, sigma_m: 0.1 };
            ranges_m(k).into_iter().enumerate().map(obs).collect()
        })
        .collect();

    let mut group = c.benchmark_group("per 1000 frames of 8 ranges");
    group.throughput(Throughput::Elements(FRAMES as u64));
    group.bench_function("reference: bare least squares", |b| {
        b.iter(|| {
            for o in &obs {
                black_box(plain_fix(black_box(o), site.dimension(), site.fence()));
            }
        });
    });
    // What watch and zones cost together is the last of these less the first, as a share of this.
    group.bench_function("tracker alone", |b| b.iter(|| track(&site, &frames)));
    type Make = fn(Site, Option<FrameSpec>) -> Engine;
    for (name, make, site) in [
        ("engine without watch and zones", Engine::without_watch as Make, &site),
        ("engine with watch", Engine::new, &site),
        ("engine with watch and six zones", Engine::new, &with_zones),
    ] {
        group.bench_function(name, |b| {
            b.iter(|| {
                let mut engine = make(site.clone(), Some(spec.clone()));
                for f in &frames {
                    engine.handle(Input::Frame(black_box(f)));
                    while let Some(output) = engine.poll_output() {
                        black_box(&output);
                    }
                }
            });
        });
    }
    group.finish();
}

criterion_group!(benches, per_frame);
criterion_main!(benches);
