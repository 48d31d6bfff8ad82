//! The engine allocates nothing once it runs: memory stays flat over months.
//!
//! The queue of outputs is part of it: drained after every input, it keeps the room that it has.
#![expect(clippy::unwrap_used, reason = "a test")]

use allocation_counter::measure;
use hereabout_core::{
    AnchorId, Estimator, Fence, Frame, Micros, Site, SiteDraft, Timestamp, TrackSettings, Word, Zone,
    ZoneRule, ZoneShape, ZoneState,
};
use hereabout_engine::{Engine, Input, Output};
use hereabout_wire::{FrameSpec, Layout, NoRange, Unit};

/// The first 6 anchors of the yard.
const PLACES_M: [[f64; 3]; 6] = *hereabout_fixtures::YARD_M.first_chunk().unwrap();

fn site(estimator: Estimator) -> Site {
    let draft = SiteDraft {
        fence: Fence { area_m: vec![[0.0, 0.0], [24.0, 0.0], [24.0, 14.0], [0.0, 14.0]], up_span_m: None },
        zones: zones(),
        track: TrackSettings { estimator, ..TrackSettings::default() },
        ..hereabout_fixtures::draft(&PLACES_M)
    };
    draft.validate().unwrap().0
}

/// One of each kind; the cart goes into all of them and out again.
fn zones() -> Vec<Zone> {
    let outline_m = vec![[14.0, 5.0], [23.0, 5.0], [23.0, 13.0], [14.0, 13.0]];
    let holes_m = vec![vec![[21.0, 6.0], [22.0, 6.0], [22.0, 7.0]]];
    let shapes = [
        ZoneShape::Polygon { outline_m, holes_m },
        ZoneShape::Circle { at_m: [4.0, 7.0], radius_m: 2.0 },
        ZoneShape::Near { anchor: AnchorId(4), enter_m: 5.0, leave_m: 6.0 },
    ];
    let zone = |(i, shape)| Zone { name: format!("zone {i}"), shape, rule: ZoneRule::default() };
    shapes.into_iter().enumerate().map(zone).collect()
}

/// The cart goes round; one range in twelve is late, and an anchor is silent for two seconds of every ten.
fn frame(k: usize) -> Frame {
    let phase = k as f64 * 0.01;
    let tag = [12.0 + 8.0 * phase.cos(), 7.0 + 4.0 * phase.sin(), 0.9];
    let word = |i: usize| {
        if i == 3 && k % 100 > 80 {
            return Word::Int(0);
        }
        let square: f64 = (0..3).map(|a| (PLACES_M[i][a] - tag[a]) * (PLACES_M[i][a] - tag[a])).sum();
        let noise = ((k * 31 + i * 17) % 13) as f64 * 0.01 - 0.06;
        let late = if (k / 7 + i * 5).is_multiple_of(12) { 1.2 } else { 0.0 };
        Word::Int(((square.sqrt() + noise + late) * 100.0).round() as i64)
    };
    Frame {
        received_at: Timestamp::from_micros(1_700_000_000_000_000).plus(Micros::from_millis(100 * k as i64)),
        empty_at: None,
        skipped_bytes: 0,
        tag: None,
        seq: None,
        millis: None,
        words: (0..PLACES_M.len()).map(word).collect(),
    }
}

/// Allocations while frames 300 to 900 are handled and their outputs are taken, the positions among them, and the
/// zones that the cart was found inside of.
fn allocations(site: Site) -> (u64, usize, usize) {
    let layout = Layout::parse_binary("c3 5a range:u16le*6 sum8").unwrap();
    let mut engine =
        Engine::new(site, Some(FrameSpec { layout, unit: Unit::Cm, no_range: NoRange::new([0.0]) }));
    let frames: Vec<Frame> = (0..900).map(frame).collect();
    let mut positions = 0;
    let mut inside = [false; 3];
    let mut run = |frames: &[Frame]| {
        for f in frames {
            engine.handle(Input::Frame(f));
            while let Some(output) = engine.poll_output() {
                positions += usize::from(matches!(output, Output::Position(_) | Output::Delayed(_)));
                if let Output::Zone(z) = output {
                    inside[z.zone] |= z.state == ZoneState::Inside;
                }
            }
        }
    };
    // The first tag gets its box and the queue its room.
    run(&frames[..300]);
    let used = measure(|| run(&frames[300..]));
    (used.count_total, positions, inside.iter().filter(|i| **i).count())
}

/// How old the first frames are is not known: one report that says so stands for ten.
const SETTLING: usize = 9;

#[test]
fn every_estimator_runs_without_allocating() {
    for estimator in [Estimator::Tracker, Estimator::Snapshot, Estimator::Plain] {
        // The plain estimator has no protection radius, so only the zone near an anchor knows anything.
        let zones = if estimator == Estimator::Plain { 1 } else { 3 };
        assert_eq!(allocations(site(estimator)), (0, 900 - SETTLING, zones), "{estimator:?}");
    }
}

#[test]
fn the_delayed_stream_does_not_allocate_either() {
    let delayed = site(Estimator::Tracker).with_delayed(Micros::from_millis(1_000));
    assert_eq!(allocations(delayed), (0, 900 - SETTLING + 890 - SETTLING - 1, 3));
}

#[test]
fn damaged_tag_numbers_allocate_nothing() {
    let layout = Layout::parse_binary("c3 5a tag:u32le range:u16le*6").unwrap();
    let spec = FrameSpec { layout, unit: Unit::Cm, no_range: NoRange::new([0.0]) };
    let mut engine = Engine::new(site(Estimator::Tracker), Some(spec));
    let tag = |k: usize| if k % 3 == 2 { 1_000 + k as u32 } else { 3 };
    let frames: Vec<Frame> = (0..1_500).map(|k| Frame { tag: Some(tag(k)), ..frame(k) }).collect();
    let mut of_others = 0;
    let mut run = |frames: &[Frame]| {
        for f in frames {
            engine.handle(Input::Frame(f));
            while let Some(output) = engine.poll_output() {
                of_others += usize::from(matches!(output, Output::Position(p) if p.tag.0 != 3));
            }
        }
    };
    // The tag gets its box, the queues and the numbers that are looked at their room.
    run(&frames[..900]);
    assert_eq!(measure(|| run(&frames[900..])).count_total, 0);
    assert_eq!(of_others, 0);
}
