use hereabout_core::{Epoch, RangeReading};

use super::*;
use crate::engine::Engine;
use crate::input::Input;
use crate::output::{AnchorMinute, CannotTell, FindingChange, KitChange, KitFinding, PlaceAnswer};

/// The first 6 anchors of the yard.
const YARD: [[f64; 3]; 6] = *hereabout_fixtures::YARD_M.first_chunk().unwrap();

fn engine() -> Engine {
    let draft = hereabout_fixtures::draft(&YARD);
    Engine::new(draft.validate().unwrap().0, None)
}

/// Half past a minute.
fn at(ms: i64) -> Timestamp {
    Timestamp::from_micros(1_700_000_010_000_000).plus(Micros::from_millis(ms))
}

/// An epoch of a cart that goes round; `answers` says which anchors have a range.
fn epoch(ms: i64, tag: u32, answers: impl Fn(usize) -> bool) -> Epoch {
    let phase = ms as f64 * 1e-4 + f64::from(tag);
    let place = [12.0 + 8.0 * phase.cos(), 7.0 + 4.0 * phase.sin(), 0.9];
    let reading = |(i, p): (usize, &[f64; 3])| {
        let noise = ((ms / 100 * 31 + i as i64 * 17) % 13) as f64 * 0.01 - 0.06;
        let square: f64 = (0..3).map(|k| (p[k] - place[k]) * (p[k] - place[k])).sum();
        RangeReading { anchor: AnchorId(i as u16), raw_range_m: answers(i).then_some(square.sqrt() + noise) }
    };
    Epoch::new(at(ms), TagId(tag), None, YARD.iter().enumerate().map(reading).collect())
}

#[derive(Default)]
struct Told {
    findings: Vec<FindingChange>,
    kit: Vec<KitChange>,
    minutes: Vec<AnchorMinute>,
    tables: Vec<AnchorTable>,
}

/// Runs frames `from..to` of 100 ms, each tag's ranges answered as `answers(ms, tag, anchor)` says.
fn run(
    engine: &mut Engine,
    seconds: std::ops::Range<i64>,
    tags: &[u32],
    answers: impl Fn(i64, u32, usize) -> bool,
) -> Told {
    let mut told = Told::default();
    for k in 10 * seconds.start..10 * seconds.end {
        for tag in tags {
            let ms = 100 * k + 40 * i64::from(*tag);
            engine.handle(Input::Epoch(&epoch(ms, *tag, |i| answers(ms, *tag, i))));
        }
        collect(engine, &mut told);
    }
    told
}

fn collect(engine: &mut Engine, told: &mut Told) {
    while let Some(output) = engine.poll_output() {
        match output {
            Output::FindingChanged(change) => told.findings.push(change),
            Output::KitChanged(change) => told.kit.push(change),
            Output::Minute(minute) => told.minutes.push(minute),
            Output::Anchors(table) => told.tables.push((*table).clone()),
            _ => {}
        }
    }
}

fn kinds(told: &Told) -> Vec<(u16, AnchorFinding, bool)> {
    told.findings.iter().map(|f| (f.anchor.0, f.finding, f.over)).collect()
}

#[test]
fn an_anchor_that_stops_is_told_within_three_seconds_and_once() {
    for offset in [0, 300, 600, 900] {
        let mut engine = engine();
        let gone = |ms: i64| ms >= 20_000 + offset && ms < 40_000;
        let told = run(&mut engine, 0..60, &[0], |ms, _, i| i != 2 || !gone(ms));
        assert_eq!(kinds(&told), [(2, AnchorFinding::Silent, false), (2, AnchorFinding::Silent, true)]);
        let after = told.findings[0].at.since(at(20_000 + offset));
        assert!(after > Micros::ZERO && after < Micros::from_millis(3_000), "{after:?}");
        assert_eq!(told.findings[1].at, at(40_000));
        assert!(told.kit.is_empty(), "{:?}", told.kit);
        let at_worst =
            told.tables.iter().find(|t| t.at == told.findings[0].at).expect("a table comes with it");
        assert_eq!(at_worst.rows[2].findings[..], [AnchorFinding::Silent]);
    }
}

#[test]
fn an_anchor_that_was_never_heard_is_told() {
    let told = run(&mut engine(), 0..20, &[0], |_, _, i| i != 4);
    assert_eq!(kinds(&told), [(4, AnchorFinding::NeverHeard, false)]);
}

#[test]
fn an_anchor_that_comes_and_goes_is_flapping_and_not_told_each_time() {
    let mut engine = engine();
    let told = run(&mut engine, 0..400, &[0], |ms, _, i| i != 1 || ms % 40_000 < 35_000);
    let flaps = kinds(&told).iter().filter(|k| matches!(k.1, AnchorFinding::Flapping { .. })).count();
    let silent = kinds(&told).iter().filter(|k| k.1 == AnchorFinding::Silent).count();
    assert_eq!((flaps, silent), (1, 4), "{:?}", kinds(&told));
    let told = run(&mut engine, 400..1_100, &[0], |_, _, _| true);
    assert!(matches!(kinds(&told)[..], [(1, AnchorFinding::Flapping { .. }, true)]), "{:?}", kinds(&told));
}

#[test]
fn a_tag_that_is_off_is_not_the_anchors_fault() {
    let mut engine = engine();
    let told = run(&mut engine, 0..30, &[0], |ms, _, i| ms < 20_000 && (ms / 100 + i as i64) % 7 != 0);
    assert!(told.findings.is_empty(), "{:?}", told.findings);
    let [change] = told.kit[..] else { panic!("{:?}", told.kit) };
    assert_eq!((change.finding, change.over), (KitFinding::TagOff { tag: TagId(0) }, false));
    let table = told.tables.last().expect("a table");
    assert_eq!(table.kit[..], [KitFinding::TagOff { tag: TagId(0) }]);
    let told = run(&mut engine, 30..40, &[0], |_, _, _| true);
    assert_eq!(told.kit.len(), 1);
    assert!(told.kit[0].over);
}

#[test]
fn one_of_two_tags_off_is_told_by_the_other() {
    let told = run(&mut engine(), 0..40, &[0, 1], |ms, tag, _| ms < 20_000 || tag != 1);
    let [change] = told.kit[..] else { panic!("{:?}", told.kit) };
    assert_eq!(change.finding, KitFinding::TagOff { tag: TagId(1) });
    assert!(told.findings.is_empty());
    let both = run(&mut engine(), 0..40, &[0, 1], |ms, _, _| ms < 20_000);
    assert_eq!(both.kit.iter().map(|k| k.finding).collect::<Vec<_>>(), [KitFinding::NobodyAnswers]);
}

#[test]
fn anchors_that_go_one_by_one_or_all_but_one_are_gone() {
    let one_by_one = run(&mut engine(), 0..60, &[0], |ms, _, i| ms < 20_000 + 3_000 * i as i64);
    let last = one_by_one.kit.last().expect("told");
    assert_eq!((last.finding, last.over), (KitFinding::AnchorsGone, false));
    let but_one = run(&mut engine(), 0..60, &[0], |ms, _, i| ms < 20_000 || i == 0);
    assert_eq!(
        but_one.kit.iter().map(|k| (k.finding, k.over)).collect::<Vec<_>>(),
        [(KitFinding::AnchorsGone, false)]
    );
}

#[test]
fn frames_that_never_had_a_range_leave_it_open() {
    let told = run(&mut engine(), 0..10, &[0], |_, _, _| false);
    assert_eq!(told.kit.iter().map(|k| k.finding).collect::<Vec<_>>(), [KitFinding::NobodyAnswers]);
    assert!(told.findings.is_empty());
}

#[test]
fn an_uneven_clock_is_told_and_an_even_one_is_not() {
    assert!(run(&mut engine(), 0..130, &[0], |_, _, _| true).kit.is_empty());
    let mut engine = engine();
    let mut told = Told::default();
    for k in 0..2_000 {
        // Every fifth frame comes 80 ms late.
        let ms = 100 * k + if k % 5 == 0 { 80 } else { 0 };
        engine.handle(Input::Epoch(&epoch(ms, 0, |_| true)));
        collect(&mut engine, &mut told);
    }
    let [
        KitChange {
            finding: KitFinding::UnevenClock { tag: TagId(0), usual, longest, share },
            over: false,
            ..
        },
    ] = told.kit[..]
    else {
        panic!("{:?}", told.kit);
    };
    assert!(
        (usual.secs_f64() - 0.1).abs() < 0.01 && longest == Micros::from_millis(180),
        "{usual:?} {longest:?}"
    );
    assert!((0.3..0.5).contains(&share), "{share}");
}

#[test]
fn minutes_are_told_at_their_end_and_a_gap_costs_nothing() {
    let mut engine = engine();
    // The first minute is the half that is left of it.
    let mut told = run(&mut engine, 0..100, &[0], |ms, _, i| i != 3 || ms % 200 == 0);
    engine.handle(Input::Tick(at(1_000_000_000_000)));
    collect(&mut engine, &mut told);
    let of_3: Vec<_> = told.minutes.iter().filter(|m| m.anchor == AnchorId(3)).collect();
    let counts: Vec<_> = of_3.iter().map(|m| (m.from, m.frames, m.ranges)).collect();
    // 1 700 000 010 s is 30 s into a minute.
    let minute = |k: i64| at(-30_000 + 60_000 * k);
    assert_eq!(counts, [(minute(0), 300, 150), (minute(1), 600, 300), (minute(2), 100, 50)]);
    assert_eq!(told.minutes.len(), 18);
    for m in &told.minutes {
        assert!(
            m.mean_residual_m.expect("used").abs() < 0.05 && m.sd_residual_m.expect("used") < 0.1,
            "{m:?}"
        );
        assert!((5.0..25.0).contains(&m.mean_range_m.expect("heard")), "{m:?}");
    }
}

/// Two carts for 400 s, with `long_m` more on every range of each of them.
fn two_carts(long_m: [f64; 2]) -> (Engine, Told) {
    let (mut engine, mut told) = (engine(), Told::default());
    for k in 0..4_000 {
        for tag in [0, 1] {
            let mut epoch = epoch(100 * k + 40 * i64::from(tag), tag, |_| true);
            let long_m = long_m[tag as usize];
            epoch.readings.iter_mut().for_each(|r| r.raw_range_m = r.raw_range_m.map(|m| m + long_m));
            engine.handle(Input::Epoch(&epoch));
        }
        collect(&mut engine, &mut told);
    }
    (engine, told)
}

#[test]
fn an_odd_tag_says_nothing_of_the_anchors_and_is_named_itself() {
    let alike = |engine: &Engine| {
        let table = engine.anchor_table().expect("a table");
        table.rows.iter().filter(|r| r.place == PlaceAnswer::CannotTell(CannotTell::AllAlike)).count()
    };
    for odd in [0, 1] {
        let mut long_m = [0.0; 2];
        long_m[odd] = 0.4;
        let (engine, told) = two_carts(long_m);
        assert_eq!(alike(&engine), 0, "not of the anchors, whichever tag came last");
        let named = told.kit.iter().find_map(|c| match c.finding {
            KitFinding::TagOffset { tag, by_m } => Some((tag, by_m > 0.15, c.over)),
            _ => None,
        });
        assert_eq!(named, Some((TagId(odd as u32), true, false)), "{:?}", told.kit);
    }
    let (engine, told) = two_carts([0.4, 0.4]);
    // Of some more is said: the others do not reach that answer.
    assert!(alike(&engine) > 0, "what both tags see is the anchors'");
    assert!(told.kit.iter().all(|c| !matches!(c.finding, KitFinding::TagOffset { .. })), "{:?}", told.kit);
}

#[test]
fn an_uneven_pace_is_told_of_the_tag_that_has_it() {
    let (mut engine, mut told) = (engine(), Told::default());
    for k in 0..2_000 {
        engine.handle(Input::Epoch(&epoch(100 * k, 0, |_| true)));
        let late = if k % 5 == 0 { 80 } else { 0 };
        engine.handle(Input::Epoch(&epoch(100 * k + 10 + late, 1, |_| true)));
        collect(&mut engine, &mut told);
    }
    let of: Vec<_> = told.kit.iter().map(|c| c.finding).collect();
    assert!(matches!(of[..], [KitFinding::UnevenClock { tag: TagId(1), .. }]), "{of:?}");
}

#[test]
fn the_rank_of_a_kind_is_its_place_in_the_list_of_all() {
    let ranks: Vec<usize> = AnchorFindingKind::ALL.iter().map(|kind| usize::from(kind.rank())).collect();
    assert_eq!(ranks, (0..AnchorFindingKind::COUNT).collect::<Vec<_>>());
}
