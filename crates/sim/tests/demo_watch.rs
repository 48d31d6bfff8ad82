//! The demo's kit through the whole engine: what is said of its anchors in ten minutes, healthy and with one of them standing
//! elsewhere, live or from the start.
#![expect(clippy::unwrap_used, reason = "a test that can't set itself up has failed")]

use std::path::PathBuf;

use hereabout_core::{
    Anchor, AnchorId, Correction, Dimension, Epoch, Fence, RangeReading, Site, SiteDraft, TrackSettings,
};
use hereabout_engine::{AnchorFinding, AnchorTable, Engine, FindingChange, Input, Output};
use hereabout_sim::{Scenario, World};

fn scenario() -> Scenario {
    let path = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../examples/larkfield/scenario.toml"));
    Scenario::read(&path).unwrap()
}

fn site(scenario: &Scenario) -> Site {
    let anchor = |a: &hereabout_sim::SimAnchor| Anchor {
        id: AnchorId(a.id),
        name: String::new(),
        at_m: a.at_m.try_into().unwrap(),
        range_sigma_m: 0.1,
        slot: None,
        correction: Correction { offset_m: a.offset_m, scale: a.scale, offset_se_m: Some(0.02) },
    };
    let draft = SiteDraft {
        name: "Larkfield".into(),
        dimension: Dimension::TwoD { tag_height_m: 0.9 },
        fence: Fence::default(),
        range_span_m: [0.01, 200.0],
        anchors: scenario.anchors.iter().map(anchor).collect(),
        zones: Vec::new(),
        track: TrackSettings::default(),
        range_fields: Some(scenario.anchors.len()),
        required_ce95_m: None,
        tag_height_se_m: None,
        correction_limits: Default::default(),
    };
    draft.validate().unwrap().0
}

/// What was said in `until_s` seconds while an anchor stands elsewhere by `shift_m` from `from_s` to `to_s` on.
struct Said {
    changes: Vec<(f64, FindingChange)>,
    table: AnchorTable,
}

fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
    (0..3).map(|k| (a[k] - b[k]) * (a[k] - b[k])).sum::<f64>().sqrt()
}

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
    Said { changes, table: engine.anchor_table().unwrap() }
}

#[test]
fn look() {
    for seed in 1..=3 {
        let said = run(seed, None, 600.0);
        println!("healthy {seed}: {:?}", said.changes);
        for i in 0..8 {
            for (shift, from) in [([0.8, 0.6, 0.0], 150.0), ([3.0, -2.0, 0.0], 0.0), ([0.0, 0.0, -2.4], 0.0)] {
                let said = run(seed, Some((i, shift, from)), 600.0);
                let places: Vec<_> = said
                    .changes
                    .iter()
                    .filter(|(_, c)| c.finding.is_about_place())
                    .map(|(t, c)| format!("{t:.0} {}{} {:?}", if c.over { "over " } else { "" }, c.anchor.0, c.finding))
                    .collect();
                println!("{seed} anchor {i} {shift:?} from {from}: {places:#?}");
            }
        }
    }
}
