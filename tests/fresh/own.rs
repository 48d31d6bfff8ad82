//! The tools themselves: the kit's frames are frames, the scripts do what they say, the judge finds lies and only those.

use super::gate::Gate;
use super::kit::{Drive, Kit, Layout, Zone, micros, site_text};
use super::script::{Do, Fault, Script, Step, What};
use hereabout::site_file::SiteFile;
use hereabout_core::{Timestamp, Word};
use hereabout_wire::Decoder;

const LAYOUTS: [Layout; 3] = [Layout::Counter, Layout::CounterAndClock, Layout::Neither];

fn kit(layout: Layout) -> Kit {
    Kit::new(5, layout, Drive::parked([11.0, 2.0]))
}

/// Steps that bring a frame: when, and how long after it was measured, seconds.
fn ages_s(faults: &[Fault], until_s: f64) -> Vec<(f64, f64)> {
    let steps = Script::new(kit(Layout::Counter), faults, until_s).steps();
    let age = |s: &Step| Some((s.at_us as f64 / 1e6, (s.at_us - s.measured_us?) as f64 / 1e6));
    steps.iter().filter_map(age).collect()
}

#[test]
fn the_kits_frames_are_read_back_word_for_word() {
    for layout in LAYOUTS {
        let file = SiteFile::from_text("site.toml".as_ref(), &site_text(layout, "/dev/null"), None).unwrap();
        let mut decoder = Decoder::new(file.frame.unwrap().layout);
        for sent in kit(layout).frames(30.0) {
            let bytes = layout.encode(&sent);
            assert_eq!(decoder.push(Timestamp::from_micros(sent.at_us), &bytes), bytes.len());
            let read = decoder.next_frame().unwrap();
            assert_eq!(read.words.as_slice(), sent.words.map(|w| Word::Int(i64::from(w))));
            let (seq, millis) = match layout {
                Layout::Counter => (Some(sent.seq & 0xFF), None),
                Layout::CounterAndClock => (Some(sent.seq & 0xFFFF), Some(sent.millis)),
                Layout::Neither => (None, None),
            };
            assert_eq!((read.seq, read.millis), (seq, millis));
        }
    }
}

#[test]
fn the_kits_noise_is_white_and_of_the_stated_size() {
    let frames = kit(Layout::Counter).frames(600.0);
    let range_m = |i: usize| f64::from(frames[i].words[0]) / 100.0;
    let mean = (0..frames.len()).map(range_m).sum::<f64>() / frames.len() as f64;
    let of_lag = |lag: usize| {
        let pairs = 0..frames.len() - lag;
        let count = pairs.len() as f64;
        pairs.map(|i| (range_m(i) - mean) * (range_m(i + lag) - mean)).sum::<f64>() / count
    };
    // The distance of (11, 2, 0.9) and (0, 0, 2.6).
    assert!((mean - (121.0_f64 + 4.0 + 2.89).sqrt()).abs() < 0.003, "{mean}");
    assert!((of_lag(0).sqrt() - 0.04).abs() < 0.002, "{}", of_lag(0).sqrt());
    assert!(of_lag(1).abs() < 0.0001, "{}", of_lag(1));
}

#[test]
fn a_stall_lets_nothing_through_and_then_the_backlog_at_its_pace() {
    let ages = ages_s(&[Fault::new(4.0, 6.0, What::Stall { pace: 3.0 })], 20.0);
    assert_eq!(ages.len(), 200, "nothing is lost");
    assert!(ages.windows(2).all(|w| w[0].0 <= w[1].0), "in order");
    assert!(!ages.iter().any(|(at, _)| (4.0..10.0).contains(at)));
    let between = |from: f64, to: f64| ages.iter().filter(|(at, _)| (from..to).contains(at)).count();
    assert!((29..=31).contains(&between(10.0, 11.0)), "{}", between(10.0, 11.0));
    // Caught up after 6 s / (3 - 1) of backlog.
    assert!(ages.iter().filter(|(at, _)| *at < 4.0 || *at > 13.1).all(|(_, age)| *age < 0.03));
    let at_once = ages_s(&[Fault::new(4.0, 6.0, What::Stall { pace: f64::INFINITY })], 20.0);
    assert_eq!(at_once.iter().filter(|(at, _)| (at - 10.0).abs() < 1e-9).count(), 60);
}

#[test]
fn old_frames_come_again_as_they_were() {
    let script =
        Script::new(kit(Layout::Counter), &[Fault::new(12.0, 3.0, What::Resend { age_s: 8.0 })], 20.0);
    let steps = script.steps();
    assert_eq!(steps.len(), 200);
    for (i, step) in steps.iter().enumerate() {
        let again = (120..150).contains(&i);
        let original = if again { &steps[i - 80] } else { step };
        assert_eq!((&step.todo, step.measured_us), (&original.todo, original.measured_us), "{i}");
    }
}

#[test]
fn hung_modules_differ_in_what_runs_on() {
    let sent = |layout, what| -> Vec<Vec<u8>> {
        let steps = Script::new(kit(layout), &[Fault::new(1.0, f64::INFINITY, what)], 3.0).steps();
        steps
            .into_iter()
            .filter_map(|s| if let Do::Send(bytes) = s.todo { Some(bytes) } else { None })
            .collect()
    };
    for layout in LAYOUTS {
        let frames = sent(layout, What::SameFrame);
        assert!(frames[10..].iter().all(|f| *f == frames[9]), "{layout:?}");
        assert_ne!(frames[8], frames[9]);
    }
    let frames = sent(Layout::CounterAndClock, What::SameRanges);
    assert!(frames[10..].windows(2).all(|w| w[0][2..8] != w[1][2..8] && w[0][8..24] == w[1][8..24]));
    let frames = sent(Layout::Counter, What::HeldRange { anchor: 2 });
    let held = |f: &Vec<u8>| f[7..9] == frames[9][7..9];
    let next_moves = frames[10..].iter().any(|f| f[9..11] != frames[9][9..11]);
    assert!(frames[10..].iter().all(held) && next_moves);
    assert!(sent(Layout::Counter, What::NoRanges)[10..].iter().all(|f| f[3..19] == [0; 16]));
    let frames = sent(Layout::Counter, What::Noise);
    assert_eq!(frames.iter().filter(|f| f.len() == 1).count(), 250, "a byte every 8 ms for 2 s");
}

#[test]
fn scripts_by_chance_are_the_same_for_a_seed_and_try_everything() {
    let mut kinds = std::collections::BTreeSet::new();
    for seed in 0..300 {
        let script = Script::random(seed, Layout::Counter, 30.0);
        assert_eq!(script.steps(), Script::random(seed, Layout::Counter, 30.0).steps());
        assert_ne!(script.steps(), Script::random(seed + 1, Layout::Counter, 30.0).steps());
        assert!(script.faults.iter().all(|f| f.from_s > 2.5 && f.from_s <= 30.0), "{:?}", script.faults);
        kinds.extend(script.faults.iter().map(|f| format!("{:?}", std::mem::discriminant(&f.what))));
        let orders = |wanted: Do| script.steps().iter().filter(|s| s.todo == wanted).count();
        assert_eq!(orders(Do::Kill), orders(Do::Start), "who is killed is started again");
        assert_eq!(orders(Do::Stop), orders(Do::Continue));
        assert_eq!(orders(Do::Disconnect), orders(Do::Connect));
    }
    assert_eq!(kinds.len(), 12, "all but silence and empty datagrams: {kinds:?}");
}

#[test]
fn the_judge_counts_only_what_may_be_open_while_the_cart_is_outside() {
    let s = |seconds: f64| micros(seconds);
    let mut gate = Gate::default();
    gate.hear_radius(s(0.0), Some(0.2));
    gate.hear_zone(s(1.0), true, s(2.0)); // runs out
    gate.hear_zone(s(3.0), true, s(9.0));
    gate.hear_zone(s(4.0), true, s(4.5)); // the newest counts, though it holds for less
    gate.hear_zone(s(5.0), true, s(9.0));
    gate.hear_zone(s(6.0), false, s(9.0));
    let spans = [(s(1.0), s(2.0)), (s(3.0), s(4.5)), (s(5.0), s(6.0))];
    assert_eq!(gate.opened(s(10.0)), spans);
    for at_us in (0..s(10.0)).step_by(10_000) {
        assert_eq!(gate.is_open(at_us), spans.iter().any(|(from, to)| (*from..*to).contains(&at_us)));
    }
    // Outside from 3.5 s on, at first by no more than the radius.
    let outside_m = |at_us: i64| if at_us < s(3.5) { -1.0 } else { (at_us - s(3.5)) as f64 / 1e6 };
    let found = gate.judge(outside_m, s(10.0));
    let near = |a: f64, b: f64| (a - b).abs() < 0.02;
    assert!(
        near(found.open_s, 3.5) && near(found.inside_s, 3.5) && near(found.rightly_open_s, 1.5),
        "{found:?}"
    );
    assert!(near(found.lies_s, 0.8 + 1.0) && near(found.longest_s, 1.0), "{found:?}");
    assert!(near(found.longest_from_s, 5.0), "{found:?}");
    // Without a radius in the newest position it is half a metre.
    gate.hear_radius(s(3.0), None);
    assert!(near(gate.judge(outside_m, s(10.0)).lies_s, 0.5 + 1.0));
}

#[test]
fn distances_from_the_zones_are_those_of_the_plan() {
    for (place_m, outside_m) in
        [([11.0, 2.0], -2.0), ([11.0, 5.5], 1.5), ([16.0, 8.0], 5.0), ([9.0, 3.0], 0.0)]
    {
        assert!((Zone::Door.outside_m(place_m) - outside_m).abs() < 1e-9, "{place_m:?}");
    }
    assert!((Zone::Post.outside_m([12.0, 9.7]) - 7.2).abs() < 1e-9);
    let drive = Drive::parked([11.0, 2.0]).then(4.0, [11.0, 8.0], 2.0).then(9.0, [11.0, 2.0], 3.0);
    for (at_s, north_m) in
        [(0.0, 2.0), (4.0, 2.0), (5.5, 5.0), (7.0, 8.0), (8.9, 8.0), (10.0, 5.0), (40.0, 2.0)]
    {
        assert!((drive.at(micros(at_s))[1] - north_m).abs() < 1e-9, "{at_s}");
    }
}
