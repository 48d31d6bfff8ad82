//! A small version of the watch study with fixed seeds, and the rule for suspects, through the whole engine.
#![expect(clippy::unwrap_used, reason = "tests")]

#[path = "../examples/watch_study/trials.rs"]
#[expect(dead_code, reason = "shared with the study, which uses more of it")]
mod trials;
#[path = "../examples/watch_study/world.rs"]
mod world;

use hereabout_core::{AnchorId, JudgedRange, PositionReport, TagState, Timestamp, Verdict};
use hereabout_engine::{AnchorFinding, AnchorHealth, CannotTell, Engine, Input, Output, PlaceAnswer};
use trials::{Elsewhere, Moved, Stop, USUAL, elsewhere, faults, is_alarm, is_name};
use world::{Ways, World, site};

#[test]
fn an_anchor_that_stands_half_a_metre_elsewhere_is_named() {
    let results: Vec<Moved> = (101..=106).map(|seed| trials::moved(8, 0.5, USUAL, 600.0, seed)).collect();
    assert!(results.iter().all(|r| r.alarm_m.is_some() && !r.wrong && !r.early), "{results:?}");
    assert!(results.iter().filter(|r| r.named_m.is_some()).count() >= 5, "{results:?}");
    for r in results.iter().filter(|r| r.size_error_m.is_some()) {
        assert!(r.size_error_m.unwrap() < 0.12 && r.direction_error_deg.unwrap() < 25.0, "{r:?}");
    }
}

#[test]
fn thirty_centimetres_are_named_with_eight_anchors_and_mostly_alarmed_with_five() {
    let run =
        |n| -> Vec<Moved> { (201..=205).map(|seed| trials::moved(n, 0.3, USUAL, 600.0, seed)).collect() };
    let (eight, five) = (run(8), run(5));
    assert!(eight.iter().filter(|r| r.named_m.is_some()).count() >= 4, "{eight:?}");
    assert!(five.iter().filter(|r| r.alarm_m.is_some()).count() >= 3, "{five:?}");
    assert!(eight.iter().chain(&five).all(|r| !r.wrong && !r.early), "{eight:?} {five:?}");
}

/// Each fault told as a place within the travel, nobody else, nobody sent to calibrate, nothing withdrawn; `placed` of them
/// at least told as a place.
fn told(
    n: usize,
    space: bool,
    many: usize,
    by_m: f64,
    warm_m: f64,
    placed: usize,
    seeds: std::ops::RangeInclusive<u64>,
) {
    let run = |seed| elsewhere(&faults(n, space, many, by_m, seed), USUAL, warm_m, 600.0, seed);
    let results: Vec<Elsewhere> = seeds.map(run).collect();
    assert!(results.iter().all(|r| !r.wrong && !r.offset && !r.withdrawn), "{by_m} m: {results:?}");
    let told = results.iter().flat_map(|r| &r.placed_m).filter(|m| m.is_some()).count();
    assert!(told >= placed, "{by_m} m: {told} of {placed}: {results:?}");
}

#[test]
fn places_that_are_wrong_from_the_start_are_named() {
    told(8, false, 1, 0.3, 0.0, 4, 801..=806);
    told(8, false, 1, 1.0, 0.0, 5, 811..=816);
    told(8, false, 1, 3.6, 0.0, 5, 821..=826);
    told(8, false, 2, 0.6, 0.0, 10, 831..=836);
    told(8, true, 1, 1.5, 0.0, 4, 841..=846);
}

/// The test of the whole finds the same anchor within the first minute, and doubts all of the site for a while: neither takes
/// back what was said and is still true.
#[test]
fn what_is_still_true_is_not_withdrawn() {
    told(8, false, 1, 3.0, 0.0, 1, 12..=12);
    told(8, false, 2, 2.0, 0.0, 2, 2..=2);
}

#[test]
fn an_anchor_that_was_lowered_is_named_and_not_calibrated() {
    for seed in 851..=854 {
        let of = vec![(seed as usize % 8, [0.0, 0.0, -2.4])];
        let found = elsewhere(&trials::Faults { n: 8, space: false, of }, USUAL, 0.0, 600.0, seed);
        assert!(found.placed_m[0].is_some() && !found.offset && !found.wrong, "{seed}: {found:?}");
    }
}

#[test]
fn a_move_that_is_told_stays_told() {
    told(8, false, 1, 1.0, 150.0, 18, 901..=920);
    told(8, false, 1, 0.5, 150.0, 15, 901..=920);
}

#[test]
fn nothing_wrong_is_no_alarm() {
    for (n, seed) in [(8, 301), (5, 302)] {
        let alarms = trials::false_alarms(n, 2.0, seed, |_| {});
        assert!(alarms.is_empty(), "{n} anchors: {alarms:?}");
    }
}

#[test]
fn two_boards_with_one_id_are_named_in_seconds() {
    let mut seconds: Vec<f64> = (401..=411).map(|seed| trials::duplicate(8, seed).unwrap()).collect();
    seconds.sort_by(f64::total_cmp);
    assert!(seconds[5] <= 15.0, "{seconds:?}");
}

#[test]
fn silence_is_told_within_three_seconds_and_who_is_off_is_told_apart() {
    for seed in 501..=510 {
        let after = trials::silent(8, seed).unwrap();
        assert!(after > 0.0 && after <= 3.0, "{after} s");
        for stop in [Stop::Tag, Stop::AnchorsOneByOne, Stop::AnchorsButOne] {
            assert!(trials::stopped(5, stop, seed), "{stop:?}, seed {seed}");
        }
    }
}

/// Everything that one epoch said.
#[derive(Default)]
struct Said {
    ranges: Vec<JudgedRange>,
    position: Option<PositionReport>,
    changes: Vec<(AnchorId, AnchorFinding, bool)>,
}

fn step(engine: &mut Engine, world: &mut World) -> Said {
    engine.handle(Input::Epoch(&world.epoch()));
    let mut said = Said::default();
    while let Some(output) = engine.poll_output() {
        match output {
            Output::Ranges(epoch) => said.ranges = epoch.ranges.to_vec(),
            Output::Position(report) => said.position = Some(report),
            Output::FindingChanged(c) => said.changes.push((c.anchor, c.finding, c.over)),
            _ => {}
        }
    }
    said
}

fn row(engine: &Engine, i: usize) -> AnchorHealth {
    engine.anchor_table().unwrap().rows[i].clone()
}

const CALM: Ways = Ways { late: 0.05, multipath_m: 0.02, drift_mph: 0.0, persons_per_hour: 0.0 };

/// A yard of `n` anchors in which anchor 1 has been moved by 0.6 m and named.
fn named(n: usize, seed: u64) -> (Engine, World) {
    let (mut engine, mut world) = (Engine::new(site(n), None), World::new(n, CALM, seed));
    while world.driven_m < 150.0 {
        assert!(!step(&mut engine, &mut world).changes.iter().any(|c| is_alarm(&c.1)));
    }
    assert_eq!(row(&engine, 1).place, PlaceAnswer::Unchanged { limit_m: 0.3 });
    world.anchors[1][1] += 0.6;
    let from = world.driven_m;
    while world.driven_m < from + 200.0 {
        let said = step(&mut engine, &mut world);
        if said.changes.iter().any(|(id, f, over)| *id == AnchorId(1) && is_name(f) && !over) {
            return (engine, world);
        }
    }
    panic!("not named: {:?}", row(&engine, 1));
}

#[test]
fn a_named_anchor_is_set_aside_and_comes_back_when_it_is_well() {
    let (mut engine, mut world) = named(8, 601);
    let health = row(&engine, 1);
    assert!(health.excluded && health.place == PlaceAnswer::Contradicted, "{health:?}");
    let said = step(&mut engine, &mut world);
    assert_eq!(said.ranges[1].verdict, Verdict::AnchorExcluded);
    assert!(said.ranges[1].residual_m.is_some());
    let position = said.position.unwrap();
    assert!(position.checked() && !position.used.contains(&AnchorId(1)), "{position:?}");

    world.anchors[1][1] -= 0.6;
    let from = world.driven_m;
    let mut over = false;
    while !over && world.driven_m < from + 250.0 {
        let said = step(&mut engine, &mut world);
        over = said.changes.iter().any(|(id, f, over)| *id == AnchorId(1) && is_name(f) && *over);
    }
    assert!(over, "{:?}", row(&engine, 1));
    assert!(!row(&engine, 1).excluded);
    let said = step(&mut engine, &mut world);
    assert_ne!(said.ranges[1].verdict, Verdict::AnchorExcluded);
}

#[test]
fn an_anchor_that_is_said_to_be_mended_begins_anew() {
    let (mut engine, mut world) = named(8, 603);
    let from = world.driven_m;
    while world.driven_m < from + 120.0 {
        step(&mut engine, &mut world);
    }
    let start = engine.hand_on(world.at());
    let as_before = Engine::begin(site(8), None, &start);
    assert_eq!(row(&as_before, 1).place, PlaceAnswer::Contradicted, "what is still true is found again");
    let anew = Engine::begin(site(8), None, &start.mended(AnchorId(1)));
    let health = row(&anew, 1);
    assert!(
        health.findings.is_empty() && !health.excluded && health.place != PlaceAnswer::Contradicted,
        "{health:?}"
    );
}

#[test]
fn a_suspect_that_is_needed_stays_in_use_and_nothing_is_called_checked() {
    let (mut engine, mut world) = named(5, 602);
    assert!(row(&engine, 1).excluded, "four others are enough");
    world.off[3] = true;
    let until = world.t_s() + 3.0;
    while world.t_s() < until {
        step(&mut engine, &mut world);
    }
    let said = step(&mut engine, &mut world);
    assert!(!row(&engine, 1).excluded);
    assert_ne!(said.ranges[1].verdict, Verdict::AnchorExcluded);
    let position = said.position.unwrap();
    assert!(position.state() == TagState::Located && !position.checked(), "{position:?}");
}

#[test]
fn what_cannot_be_told_is_said() {
    // Too little travel, then a tag that stands, then enough; and four anchors are too few.
    let (mut engine, mut world) = (Engine::new(site(8), None), World::new(8, CALM, 701));
    assert_eq!(Engine::new(site(8), None).anchor_table(), None);
    while world.driven_m < 20.0 {
        step(&mut engine, &mut world);
    }
    let PlaceAnswer::CannotTell(CannotTell::TooLittleTravel { travelled_m, needed_m }) =
        row(&engine, 0).place
    else {
        panic!("{:?}", row(&engine, 0));
    };
    assert!(
        (10.0..20.5).contains(&travelled_m) && (needed_m - 84.0).abs() < 1e-9,
        "{travelled_m} {needed_m}"
    );
    let mut still = world.epoch();
    for k in 1..1_200 {
        still.at = Timestamp::from_micros(world.at().micros() + 100_000 * k);
        engine.handle(Input::Epoch(&still));
        while engine.poll_output().is_some() {}
    }
    assert_eq!(row(&engine, 0).place, PlaceAnswer::CannotTell(CannotTell::TagStandsStill));

    let (mut engine, mut world) = (Engine::new(site(4), None), World::new(4, CALM, 702));
    while world.driven_m < 150.0 {
        step(&mut engine, &mut world);
    }
    let few = CannotTell::TooFewAnchors { have: 4, need: 5 };
    assert_eq!(row(&engine, 0).place, PlaceAnswer::CannotTell(few));
}
