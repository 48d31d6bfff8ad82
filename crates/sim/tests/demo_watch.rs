//! The demo's kit through the whole engine: what is said of its anchors in ten minutes, healthy and with one of them standing
//! elsewhere, live or from the start.
#![expect(clippy::unwrap_used, reason = "a test that can't set itself up has failed")]

use std::path::PathBuf;

use hereabout_core::{Anchor, AnchorId, Correction, Epoch, RangeReading, Site, SiteDraft};
use hereabout_engine::{AnchorFinding, Engine, FindingChange, Input, Output};
use hereabout_sim::{Scenario, World};

fn scenario() -> Scenario {
    let path = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../examples/larkfield/scenario.toml"));
    Scenario::read(&path).unwrap()
}

fn site(scenario: &Scenario) -> Site {
    let anchor = |a: &hereabout_sim::SimAnchor| Anchor {
        id: AnchorId(a.id),
        name: String::new(),
        at_m: a.at_m,
        range_sigma_m: 0.1,
        slot: None,
        correction: Correction { offset_m: a.offset_m, scale: a.scale, offset_se_m: Some(0.02) },
    };
    let draft = SiteDraft {
        name: "Larkfield".into(),
        anchors: scenario.anchors.iter().map(anchor).collect(),
        range_fields: Some(scenario.anchors.len()),
        ..hereabout_fixtures::draft(&[])
    };
    draft.validate().unwrap().0
}

/// What was said, with the second of the scenario.
struct Said {
    changes: Vec<(f64, FindingChange)>,
}

fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
    (0..3).map(|k| (a[k] - b[k]) * (a[k] - b[k])).sum::<f64>().sqrt()
}

/// Runs the demo while an anchor stands elsewhere by so much from a second on.
fn run(seed: u64, fault: Option<(usize, [f64; 3], f64)>, until_s: f64) -> Said {
    let scenario = Scenario { seed, ..scenario() };
    let mut engine = Engine::new(site(&scenario), None);
    let mut changes = Vec::new();
    let mut world = World::new(&scenario).unwrap();
    while let Some(epoch) = world.next_epoch() {
        if epoch.at_s > until_s {
            break;
        }
        let mut readings: arrayvec::ArrayVec<RangeReading, 16> = arrayvec::ArrayVec::new();
        for (i, r) in epoch.ranges.iter().enumerate() {
            let mut raw_range_m = r.raw_m.ok();
            if let (Some(raw), Some((of, shift, from_s))) = (&mut raw_range_m, fault)
                && of == i
                && epoch.at_s >= from_s
            {
                let at: [f64; 3] = scenario.anchors[i].at_m;
                let moved = [0, 1, 2].map(|k| at[k] + shift[k]);
                *raw += distance(epoch.truth_m, moved) - distance(epoch.truth_m, at);
            }
            readings.push(RangeReading { anchor: r.anchor, raw_range_m });
        }
        engine.handle(Input::Epoch(&Epoch::new(epoch.at, epoch.tag, None, readings)));
        while let Some(output) = engine.poll_output() {
            if let Output::FindingChanged(change) = output {
                changes.push((epoch.at_s, change));
            }
        }
    }
    Said { changes }
}

/// What is said of anchors' places: when, of which, what.
fn places(said: &Said) -> Vec<(f64, u16, AnchorFinding, bool)> {
    let about = said.changes.iter().filter(|(_, c)| c.finding.is_about_place());
    about.map(|(t, c)| (*t, c.anchor.0, c.finding, c.over)).collect()
}

fn is_place(f: &AnchorFinding) -> bool {
    matches!(f, AnchorFinding::Moved { .. } | AnchorFinding::Misplaced { .. })
}

#[test]
fn of_the_healthy_demo_nothing_is_said_but_that_an_anchor_is_unplugged() {
    for seed in 1..=3 {
        let said = run(seed, None, 600.0);
        let others = |c: &&(f64, FindingChange)| c.1.finding != AnchorFinding::Silent;
        assert_eq!(said.changes.iter().find(others), None, "seed {seed}");
    }
}

#[test]
fn an_anchor_that_is_moved_by_a_metre_is_told_as_moved_and_never_to_be_calibrated() {
    let mut moved = 0;
    for (i, seed) in (0..8).zip(11..) {
        let places = places(&run(seed, Some((i, [0.8, 0.6, 0.0], 150.0)), 900.0));
        assert!(
            places.iter().all(|(t, id, f, over)| {
                let others = usize::from(*id) != i;
                !over && !others && *t > 150.0 && !matches!(f, AnchorFinding::OffsetChanged { .. })
            }),
            "anchor {i}: {places:?}"
        );
        assert!(!places.is_empty(), "anchor {i}: no word");
        moved += usize::from(places.iter().any(|(_, _, f, _)| is_place(f)));
    }
    // Seen from a quarter of the directions, one that moved straight away may read long for longer.
    assert!(moved >= 6, "{moved} of 8");
}

#[test]
fn an_anchor_that_stands_metres_off_from_the_start_is_named_within_minutes() {
    for (i, seed) in (0..8).zip(21..) {
        let said = run(seed, Some((i, [3.0, -2.0, 0.0], 0.0)), 600.0);
        let places = places(&said);
        assert!(
            places.iter().all(|(_, id, f, over)| {
                !over && usize::from(*id) == i && !matches!(f, AnchorFinding::OffsetChanged { .. })
            }),
            "anchor {i}: {places:?}"
        );
        let named = places.iter().find(|(_, _, f, _)| is_place(f));
        assert!(named.is_some_and(|(t, ..)| (60.0..300.0).contains(t)), "anchor {i}: {places:?}");
    }
}

#[test]
fn an_anchor_that_was_lowered_is_named_where_it_shows() {
    // Of the gate post's and the tank's anchors the cart's ranges change by less than a tenth of a metre.
    for (i, seed) in [0, 2, 4, 5, 6, 7].into_iter().zip(31..) {
        let places = places(&run(seed, Some((i, [0.0, 0.0, -2.4], 0.0)), 600.0));
        assert!(
            places.iter().all(|(_, id, f, _)| {
                usize::from(*id) == i && !matches!(f, AnchorFinding::OffsetChanged { .. })
            }),
            "anchor {i}: {places:?}"
        );
        assert!(places.iter().any(|(_, _, f, _)| is_place(f)), "anchor {i}: {places:?}");
    }
}
