//! Does the whole fit: wild input, bounded and allocation-free work, a small seeded study, and the recordings when they are
//! there. The study with all its figures: `examples/fit_study`.

#[path = "fit_world/world.rs"]
#[expect(dead_code, reason = "shared with the study, which uses more of it")]
mod world;

#[path = "fit_world/recordings.rs"]
mod recordings;

use allocation_counter::measure;
use arrayvec::ArrayVec;
use hereabout_core::{Dimension, Fence, MAX_ANCHORS, Timestamp};
use hereabout_solve::fit::{
    Cause, FitAnchor, FitAnswer, FitRange, FitSetup, OtherPlaces, SiteDoubt, SiteFit,
};
use proptest::prelude::*;
use world::{Dice, FAULTS, Fault, TrialCounts, Walk, World, run};

fn stamp(t_s: f64) -> Timestamp {
    Timestamp::from_micros((t_s * 1e6) as i64)
}

fn setup(places: &[[f64; 3]], dimension: Dimension) -> FitSetup {
    let anchor = |at_m: &[f64; 3]| FitAnchor { at_m: *at_m, offset_m: 0.0, scale: 1.0, offset_se_m: None };
    FitSetup {
        dimension,
        fence: Fence::default(),
        anchors: places.iter().map(anchor).collect(),
        others: Vec::new(),
    }
}

const FLAT: Dimension = Dimension::TwoD { tag_height_m: 0.9 };
const SQUARE: [[f64; 3]; 4] = [[0.0, 0.0, 2.5], [12.0, 0.0, 2.5], [12.0, 8.0, 2.5], [0.0, 8.0, 2.5]];

fn is_finite(answer: &FitAnswer) -> bool {
    match answer {
        FitAnswer::TooEarly { .. } => true,
        FitAnswer::Fits { explained_share: explained } => explained.is_finite(),
        FitAnswer::Doubted(d) => {
            let places = match d.cause {
                Some(Cause::Place { at_m, .. }) => at_m.iter().all(|v| v.is_finite()),
                Some(Cause::TwoPlaces { at_m, .. }) => at_m.iter().flatten().all(|v| v.is_finite()),
                Some(Cause::Unit { factor } | Cause::Scale { factor }) => factor.is_finite() && factor > 0.0,
                Some(Cause::AnchorHeight { up_m, .. } | Cause::TagHeight { up_m }) => up_m.is_finite(),
                _ => true,
            };
            let shares = [d.explained_share, d.too_short_share, d.explained_then_share];
            places && d.within_m.is_finite() && shares.iter().all(|s| (0.0..=1.0).contains(s))
        }
    }
}

fn wild_range() -> impl Strategy<Value = f64> {
    prop_oneof![
        6 => 0.0..40.0f64,
        1 => Just(0.0),
        1 => Just(-3.0),
        1 => Just(1e9),
        1 => Just(f64::NAN),
        1 => Just(f64::INFINITY),
        1 => Just(1e300),
        1 => Just(1e-300),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn wild_epochs_are_survived(
        n in 1usize..=MAX_ANCHORS,
        three_d in any::<bool>(),
        same_place in any::<bool>(),
        rate in prop_oneof![Just(1.0), Just(10.0), Just(40.0)],
        seed in any::<u64>(),
        wild in proptest::collection::vec((0usize..20, wild_range(), -2.0..3.0f64), 0..200),
    ) {
        let dice = &mut Dice::new(seed);
        let places: Vec<[f64; 3]> = (0..n)
            .map(|_| if same_place { [1.0; 3] } else { [dice.between(0.0, 20.0), dice.between(0.0, 20.0), dice.between(0.0, 3.0)] })
            .collect();
        let mut s = setup(&places, if three_d { Dimension::ThreeD } else { FLAT });
        s.others.push(OtherPlaces { at_m: ArrayVec::new(), tag_height_m: Some(f64::NAN), unit_ratio: f64::NAN });
        let mut fit = SiteFit::new(s);
        let mut t = 0.0;
        for (k, (anchor, range, ahead)) in wild.iter().enumerate() {
            t += if k % 17 == 0 { *ahead } else { 1.0 / rate };
            let mut ranges = vec![FitRange { anchor: *anchor, raw_range_m: *range }];
            if k % 3 != 0 {
                ranges = (0..n).map(|i| FitRange { anchor: i, raw_range_m: range * dice.between(0.2, 1.5) }).collect();
            }
            fit.take(k % 11, stamp(t), &ranges);
            prop_assert!(is_finite(&fit.answer()), "{:?}", fit.answer());
        }
        fit.settle();
        prop_assert!(fit.is_settled());
        prop_assert!(is_finite(&fit.answer()), "{:?}", fit.answer());
        fit.forget(3);
        fit.clear();
        let cleared = matches!(fit.answer(), FitAnswer::TooEarly { keyframes: 0, .. });
        prop_assert!(cleared);
    }
}

#[test]
fn as_many_anchors_as_unknowns_say_nothing() {
    for n in [1, 2] {
        let mut fit = SiteFit::new(setup(&SQUARE[..n], FLAT));
        for k in 0..600 {
            let ranges: Vec<_> =
                (0..n).map(|i| FitRange { anchor: i, raw_range_m: 1_700.0 + f64::from(k) }).collect();
            fit.take(0, stamp(f64::from(k) * 0.1), &ranges);
        }
        fit.settle();
        assert!(matches!(fit.answer(), FitAnswer::TooEarly { .. }), "{:?}", fit.answer());
    }
}

/// Walks a world and gives the last answer.
fn last_answer(world: &World, seed: u64, seconds: f64) -> FitAnswer {
    let mut walk = Walk::new(world, seed);
    let mut fit = SiteFit::new(world.setup.clone());
    loop {
        let e = walk.next();
        if e.t_s > seconds {
            return fit.answer();
        }
        fit.take(0, stamp(e.t_s), &e.ranges);
    }
}

#[test]
fn nothing_is_allocated_once_it_runs_and_it_repeats() {
    let world = World::new(5, false, Fault::Permutation);
    let mut walk = Walk::new(&world, 5);
    let mut fit = SiteFit::new(world.setup.clone());
    let epochs: Vec<_> = (0..1_500).map(|_| walk.next()).collect();
    fit.take(0, stamp(epochs[0].t_s), &epochs[0].ranges);
    let used = measure(|| {
        for e in &epochs[1..] {
            fit.take(0, stamp(e.t_s), &e.ranges);
        }
    });
    assert_eq!(used.count_total, 0, "allocations");
    assert!(matches!(fit.answer(), FitAnswer::Doubted(_)), "the work was done: {:?}", fit.answer());
    assert_eq!(last_answer(&world, 5, 60.0), last_answer(&world, 5, 60.0));
}

#[test]
fn a_short_capture_is_judged_to_the_end() {
    for (fault, seconds) in [(Fault::Unit, 20.0), (Fault::SwapNeighbours, 40.0), (Fault::Reversed, 40.0)] {
        let (mut right, mut named) = (0, 0);
        for seed in 1..=8 {
            let world = World::new(seed, false, fault);
            let mut walk = Walk::new(&world, seed);
            let mut fit = SiteFit::new(world.setup.clone());
            loop {
                let e = walk.next();
                if e.t_s > seconds {
                    break;
                }
                fit.take(0, stamp(e.t_s), &e.ranges);
            }
            fit.settle();
            if let FitAnswer::Doubted(SiteDoubt { cause: Some(c), .. }) = fit.answer() {
                named += 1;
                right += usize::from(world.is_right(&c));
            }
        }
        println!("{fault:?} {seconds} s: {right} right of {named} named of 8");
        assert!(right == named && right >= 6, "{fault:?}: {right} right of {named} named");
    }
}

#[test]
fn a_unit_is_named_while_the_tag_stands() {
    let mut right = 0;
    for seed in 1..=8 {
        let world = World::new(seed, false, Fault::Unit);
        let mut walk = Walk::new(&world, seed);
        walk.stands = true;
        let o = run(&world, &mut walk, 60.0, || 0.0);
        assert!(o.wrong.is_none(), "seed {seed}: {:?}", o.wrong);
        right += usize::from(o.right.is_some());
    }
    assert!(right >= 6, "{right} of 8");
}

#[test]
fn a_fault_that_ends_is_taken_back() {
    // First the fields are reversed, then somebody puts them right, while the test runs on.
    let wrong = World::new(2, false, Fault::Reversed);
    let mut healthy = wrong.clone();
    healthy.board_of.sort_unstable();
    let mut fit = SiteFit::new(wrong.setup.clone());
    let mut walk = Walk::new(&wrong, 3);
    for _ in 0.. {
        let e = walk.next();
        if e.t_s > 120.0 {
            break;
        }
        fit.take(0, stamp(e.t_s), &e.ranges);
    }
    assert!(matches!(fit.answer(), FitAnswer::Doubted(d) if d.cause.is_some()), "{:?}", fit.answer());
    let mut walk = Walk::new(&healthy, 4);
    for _ in 0.. {
        let e = walk.next();
        if e.t_s > 240.0 {
            break;
        }
        fit.take(0, stamp(120.0 + e.t_s), &e.ranges);
    }
    assert!(matches!(fit.answer(), FitAnswer::Fits { .. }), "{:?}", fit.answer());
}

/// Seeded, short: every limit is what the full study reaches, less what thirty runs scatter.
#[test]
fn most_faults_are_named_and_hardly_any_wrongly() {
    for (name, fault) in FAULTS {
        let (least, most_wrong) = match fault {
            Fault::Unit => (6, 0),
            Fault::SwapNeighbours | Fault::SwapOpposite | Fault::Reversed | Fault::OtherSite => (5, 0),
            Fault::Permutation | Fault::Place(3.0, _) => (4, 1),
            _ => (0, 1),
        };
        for three_d in [false, true] {
            let mut counts = TrialCounts::default();
            for seed in 101..107 {
                let world = World::new(seed, three_d, fault);
                counts.add(&run(&world, &mut Walk::new(&world, seed), 120.0, || 0.0));
            }
            println!(
                "{name} 3d {three_d}: {} right, {} wrong, {} alarm",
                counts.right, counts.wrong, counts.alarm
            );
            assert!(counts.right >= least, "{name} 3d {three_d}: {counts:?}");
            assert!(counts.wrong <= most_wrong, "{name} 3d {three_d}: {counts:?}");
            if fault == Fault::None {
                assert_eq!(counts.none, counts.runs, "a word on a healthy site: {counts:?}");
            }
        }
    }
}
