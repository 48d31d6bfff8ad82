//! Sites that are stated wrongly, through the whole engine: what is said, and that no position is checked and wrong meanwhile.
//!
//! A small seeded share of the study (`cargo run --release -p hereabout-engine --example site_study`), which tries 300 sites a fault.

mod fit_kit;

use fit_kit::trial::{Told, trial};
use fit_kit::world::{Fault, USUAL, World};
use hereabout_core::ZoneState;
use hereabout_engine::{Engine, Input, Output, ZoneWhy};

/// Seconds of each run.
const SECONDS: f64 = 150.0;

/// Runs a fault on so many sites of 5 to 8 anchors, in turn 2D and 3D.
fn runs(fault: Fault, sites: u64) -> Vec<Told> {
    let one = |k: u64| trial(5 + (k % 4) as usize, k % 2 == 1, fault, USUAL, SECONDS, 40_000 + k);
    (0..sites).map(one).collect()
}

/// At least so many are named rightly, none wrongly, and in 2D at most one frame in a thousand is checked and wrong.
fn expect(fault: Fault, sites: u64, right: usize) {
    let told = runs(fault, sites);
    let wrong: Vec<&String> = told.iter().filter_map(|t| t.wrong.as_ref()).collect();
    assert!(wrong.is_empty(), "{fault:?}: {wrong:?}");
    let named = told.iter().filter(|t| t.right.is_some()).count();
    assert!(named >= right, "{fault:?}: {named} of {sites} named");
    // In 3D healthy kits with unmeasured offsets are beyond their radius more often than that by themselves (the study).
    let flat = told.iter().step_by(2);
    let (frames, beyond) = flat.fold((0, 0), |(f, b), t| (f + t.frames, b + t.beyond));
    assert!(1_000 * beyond <= frames, "{fault:?}: {beyond} of {frames} checked and wrong");
}

#[test]
fn wrong_units_are_named() {
    expect(Fault::Unit(10.0), 6, 6);
    expect(Fault::Unit(0.01), 6, 6);
}

#[test]
fn exchanged_and_reversed_anchors_are_named() {
    expect(Fault::SwapOpposite, 6, 4);
    expect(Fault::Reversed, 6, 4);
}

#[test]
fn an_anchor_far_from_its_stated_place_is_named() {
    expect(Fault::Place(3.0, 30.0), 6, 4);
}

/// A wrong place looks like an exchange, an exchange like a wrong place of a third anchor, while the other was not tried.
#[test]
fn one_cause_is_not_named_before_its_rivals_were_tried() {
    let whole = |three_d: bool, fault: Fault, seed: u64| {
        trial(4 + (seed % 5) as usize, three_d, fault, USUAL, 240.0, seed)
    };
    for seed in [7_021, 7_041, 7_100, 7_149] {
        assert_eq!(whole(true, Fault::Place(1.0, 3.0), seed).wrong, None, "one place, seed {seed}");
    }
    let exchanged = whole(false, Fault::SwapOpposite, 7_041);
    assert!(exchanged.right.is_some() && exchanged.wrong.is_none(), "{exchanged:?}");
}

#[test]
fn a_wrong_tag_height_is_named_now_and_then_and_nothing_else_for_it() {
    let told: Vec<Told> =
        (0..24).map(|k| trial(4 + (k % 5) as usize, false, Fault::TagHeight(2.4), USUAL, 240.0, k)).collect();
    assert!(told.iter().all(|t| t.wrong.is_none()), "{told:?}");
    assert!(told.iter().filter(|t| t.right.is_some()).count() >= 6, "{told:?}");
}

#[test]
fn healthy_sites_are_left_in_peace() {
    for told in runs(Fault::None, 8) {
        assert_eq!(told.wrong, None);
    }
}

/// A zone over the whole yard of a site with a wrong unit: it may be known for the first seconds, and not once the doubt is there.
#[test]
fn no_zone_is_known_while_the_site_is_in_doubt() {
    let mut world = World::new(6, false, Fault::Unit(10.0), USUAL, 77);
    let mut engine = Engine::new(world.site.clone(), None);
    let (mut doubted, mut known_after) = (0, 0);
    while world.t_s() < 60.0 {
        engine.handle(Input::Epoch(&world.epoch()));
        while let Some(output) = engine.poll_output() {
            match output {
                Output::Zone(zone) if zone.why == ZoneWhy::SiteDoubted => {
                    assert_eq!(zone.state, ZoneState::Unknown);
                    doubted += 1;
                }
                Output::Zone(zone) if doubted > 0 => {
                    known_after += u32::from(zone.state != ZoneState::Unknown);
                }
                Output::Position(report) if doubted > 0 => assert!(!report.checked()),
                _ => {}
            }
        }
    }
    assert!(doubted > 300, "{doubted}");
    assert_eq!(known_after, 0);
}
