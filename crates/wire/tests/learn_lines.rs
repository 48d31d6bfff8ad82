//! The learner on text and JSON lines, and on captures that are no frames.
#![expect(clippy::unwrap_used, reason = "helpers of tests: a failure here is a failed test")]

mod common;

use common::{Harm, Random, Scene, harmed, walk};
use hereabout_core::Timestamp;
use hereabout_wire::learn::{
    Caution, FrameGuess, LayoutKey, LearnOptions, NotFrames, Outcome, Question, learn,
};
use hereabout_wire::{Decoder, Unit};

type Table = Vec<Vec<Option<f64>>>;

fn table(seed: u64, slots: usize, alive: &[usize]) -> Table {
    let mut scene = Scene::usual(slots);
    scene.alive = (0..slots).map(|i| alive.contains(&i)).collect();
    walk(&scene, &mut Random::new(seed))
}

fn propose(bytes: &[u8]) -> FrameGuess {
    match learn(bytes, None, LearnOptions::default()) {
        Outcome::Proposal(proposal) => proposal.frame,
        other => panic!("no proposal: {other:?}"),
    }
}

/// What the guess reads, frame by frame, in whole millimetres.
fn read(guess: &FrameGuess, bytes: &[u8]) -> Vec<Vec<Option<i64>>> {
    let spec = guess.spec().unwrap();
    let mut decoder = Decoder::new(spec.layout.clone());
    let mut rows = Vec::new();
    let mut rest = bytes;
    while !rest.is_empty() {
        rest = &rest[decoder.push(Timestamp::default(), rest)..];
        while let Some(frame) = decoder.next_frame() {
            let mm = |w| spec.range_m(w).map(|m| (m * 1000.0).round() as i64);
            rows.push(frame.words.iter().map(|w| mm(*w)).collect());
        }
    }
    rows
}

/// The truth in steps of `step_mm`.
fn truth(table: &Table, step_mm: i64) -> Vec<Vec<Option<i64>>> {
    let round = |m: f64| (m * 1000.0 / step_mm as f64).round() as i64 * step_mm;
    table.iter().map(|row| row.iter().map(|r| r.map(round)).collect()).collect()
}

fn words(row: &[Option<f64>], separator: &str, word: impl Fn(Option<f64>) -> String) -> String {
    row.iter().map(|r| word(*r)).collect::<Vec<_>>().join(separator)
}

fn cm(range: Option<f64>) -> String {
    range.map_or("0".to_owned(), |m| format!("{:.0}", m * 100.0))
}

#[test]
fn comma_lines_with_a_counter_and_empty_fields() {
    let table = table(1, 5, &[0, 1, 2, 3, 4]);
    let mm = |r: Option<f64>| r.map_or(String::new(), |m| format!("{:.0}", m * 1000.0));
    let line = |(n, row): (usize, &Vec<Option<f64>>)| format!("W,{},{}\r\n", n + 90, words(row, ",", mm));
    let text: String = table.iter().enumerate().map(line).collect();
    let guess = propose(text.as_bytes());
    assert_eq!((guess.key, guess.unit), (LayoutKey::Text, Unit::Mm));
    assert_eq!(guess.layout, "'W,' seq ',' range*5");
    assert_eq!(read(&guess, text.as_bytes()), truth(&table, 1));
}

#[test]
fn labelled_columns_in_metres_between_blanks() {
    let table = table(2, 3, &[0, 1, 2]);
    let m = |i: usize, r: Option<f64>| format!("B{i}: {:>6.2}", r.unwrap_or(-1.0));
    let line = |row: &Vec<Option<f64>>| {
        let fields: Vec<String> = row.iter().enumerate().map(|(i, r)| m(i, *r)).collect();
        format!("near {}\n", fields.join(" "))
    };
    let text: String = table.iter().map(line).collect();
    let guess = propose(text.as_bytes());
    assert_eq!((guess.key, guess.unit), (LayoutKey::Text, Unit::M));
    assert_eq!(guess.no_range, [-1.0]);
    assert_eq!(read(&guess, text.as_bytes()), truth(&table, 10));
}

#[test]
fn range_and_quality_by_turns() {
    let table = table(3, 4, &[0, 1, 2, 3]);
    let mut random = Random::new(33);
    let text: String = table
        .iter()
        .map(|row| {
            let pair = |r: &Option<f64>| format!("{};{:.0}", cm(*r), 40.0 + 3.0 * random.normal());
            format!("{}|\n", row.iter().map(pair).collect::<Vec<_>>().join(";"))
        })
        .collect();
    match learn(text.as_bytes(), None, LearnOptions::default()) {
        Outcome::Proposal(p) => {
            assert_eq!(read(&p.frame, text.as_bytes()), truth(&table, 10), "{}", p.frame.layout);
        }
        Outcome::Undecided(u) => {
            assert!(u.questions.contains(&Question::WhichNumbers), "{:?}", u.questions);
            let right = |a: &FrameGuess| read(a, text.as_bytes()) == truth(&table, 10);
            assert!(u.alternatives.iter().any(|a| right(&a.frame)), "{:?}", u.alternatives);
        }
        Outcome::NotFrames(why) => panic!("{why:?}"),
    }
}

#[test]
fn json_arrays_and_named_members() {
    let table = table(4, 6, &[0, 1, 2, 3, 4, 5]);
    let null = |r: Option<f64>| r.map_or("null".to_owned(), |m| format!("{:.0}", m * 100.0));
    let line = |(n, row): (usize, &Vec<Option<f64>>)| {
        format!("{{\"k\":\"w\",\"n\":{},\"far\":[{}],\"v\":3.71}}\n", n + 5, words(row, ",", null))
    };
    let text: String = table.iter().enumerate().map(line).collect();
    let guess = propose(text.as_bytes());
    assert_eq!((guess.key, guess.unit), (LayoutKey::Json, Unit::Cm));
    assert!(guess.layout.starts_with("seq=/n range=/far/0 range=/far/1"), "{}", guess.layout);
    assert_eq!(read(&guess, text.as_bytes()), truth(&table, 10));

    let line = |(n, row): (usize, &Vec<Option<f64>>)| {
        let member = |(i, r): (usize, &Option<f64>)| format!("\"post{i}\":{{\"d\":{:.3}}}", r.unwrap_or(0.0));
        let members: Vec<String> = row.iter().enumerate().map(member).collect();
        format!("{{\"ms\":{},{}}}\n", 7000 + 100 * n, members.join(","))
    };
    let text: String = table.iter().enumerate().map(line).collect();
    let guess = propose(text.as_bytes());
    assert_eq!((guess.key, guess.unit), (LayoutKey::Json, Unit::M));
    assert!(guess.layout.starts_with("millis=/ms range=/post0/d"), "{}", guess.layout);
    assert_eq!(read(&guess, text.as_bytes()), truth(&table, 1));
}

#[test]
fn absent_anchors_in_lines_are_pointed_out() {
    let table = table(5, 4, &[1]);
    let line = |(n, row): (usize, &Vec<Option<f64>>)| format!("{},{}\n", n, words(row, ",", cm));
    let text: String = table.iter().enumerate().map(line).collect();
    let Outcome::Proposal(p) = learn(text.as_bytes(), None, LearnOptions::default()) else {
        panic!("no proposal")
    };
    assert_eq!(p.frame.layout, "seq ',' range*4");
    let places = [1..2, 3..4, 4..5].to_vec();
    assert!(p.cautions.contains(&Caution::SilentBytes { places, read: 3 }), "{:?}", p.cautions);
}

#[test]
fn damaged_text_is_read_or_called_damaged() {
    for seed in 0..20 {
        let table = table(100 + seed, 4, &[0, 1, 2, 3]);
        let line = |(n, row): (usize, &Vec<Option<f64>>)| format!("Q {} {}\n", n, words(row, " ", cm));
        let text: String = table.iter().enumerate().map(line).collect();
        for harm in [Harm::Flips, Harm::Losses] {
            let bytes = harmed(text.as_bytes(), harm, &mut Random::new(seed));
            match learn(&bytes, None, LearnOptions::default()) {
                Outcome::Proposal(p) => {
                    assert!(p.cautions.iter().any(|c| matches!(c, Caution::Damaged { .. })));
                    assert!(
                        read(&p.frame, text.as_bytes()) == truth(&table, 10),
                        "{harm:?} {seed} {}",
                        p.frame
                    );
                }
                Outcome::NotFrames(NotFrames::DamagedText { .. }) => {}
                Outcome::Undecided(u) => {
                    let right = |a: &FrameGuess| read(a, text.as_bytes()) == truth(&table, 10);
                    assert!(u.alternatives.iter().any(|a| right(&a.frame)), "{harm:?} {seed} {u:?}");
                }
                other => panic!("{harm:?} {seed}: {other:?}"),
            }
        }
    }
}

fn not_frames(bytes: &[u8]) -> NotFrames {
    match learn(bytes, None, LearnOptions::default()) {
        Outcome::NotFrames(why) => why,
        other => panic!("taken for frames: {other:?}"),
    }
}

#[test]
fn silence_a_held_line_and_too_little() {
    assert_eq!(not_frames(b""), NotFrames::Silence);
    assert_eq!(not_frames(b"\x01\x02\x03"), NotFrames::TooShort { bytes: 3 });
    assert_eq!(not_frames(&[0x00; 4000]), NotFrames::ConstantByte { byte: 0 });
    let mut almost = vec![0xFF_u8; 4000];
    almost[77] = 0x3C;
    assert_eq!(not_frames(&almost), NotFrames::ConstantByte { byte: 0xFF });
}

#[test]
fn rubbish_is_called_rubbish() {
    for seed in 0..10 {
        let mut random = Random::new(seed);
        let bytes: Vec<u8> = (0..6000).map(|_| random.below(256) as u8).collect();
        assert_eq!(not_frames(&bytes), NotFrames::Rubbish, "seed {seed}");
    }
}

#[test]
fn a_console_is_no_table() {
    let text = "boot ok, role=post, chan 5\r\n> help\r\n  rate N   frames a second\r\n  start    begin ranging\r\n> ";
    let why = not_frames(text.as_bytes());
    assert!(matches!(&why, NotFrames::ConsoleText { sample } if sample.starts_with("boot ok")), "{why:?}");
    let long: String =
        (0..60).map(|i| format!("line about {} things of kind {}\r\n", i % 7, "abc".repeat(i % 5))).collect();
    assert!(matches!(not_frames(long.as_bytes()), NotFrames::ConsoleText { .. }));
}

#[test]
fn text_with_many_other_bytes_is_damaged() {
    let mut random = Random::new(9);
    let text: Vec<u8> = (0..5000)
        .map(|i| if i % 30 == 29 { 0x80 | random.below(128) as u8 } else { b' ' + random.below(90) as u8 })
        .collect();
    assert!(matches!(not_frames(&text), NotFrames::DamagedText { .. }));
}
