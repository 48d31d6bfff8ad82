//! The learner against invented layouts.
#![expect(clippy::unwrap_used, reason = "helpers of tests: a failure here is a failed test")]

mod common;

use common::{Absent, Harm, Kit, Number, Piece, Random, Scene, Stream, harmed, walk};
use hereabout_core::Timestamp;
use hereabout_wire::learn::{
    Caution, FrameGuess, LearnOptions, NotFrames, Outcome, Proposal, Question, learn,
};
use hereabout_wire::{Decoder, Unit, checksum_algorithms};

/// Ranges of one frame that are there, rounded to a tenth of a millimetre.
type Row = Vec<i64>;

fn present(row: impl IntoIterator<Item = Option<f64>>) -> Row {
    row.into_iter().flatten().map(|m| (m * 10_000.0).round() as i64).collect()
}

/// What the guess reads in undamaged bytes.
fn read(guess: &FrameGuess, bytes: &[u8]) -> Vec<Row> {
    let spec = guess.spec().unwrap();
    let mut decoder = Decoder::new(spec.layout.clone());
    let mut rows = Vec::new();
    let mut rest = bytes;
    while !rest.is_empty() {
        let count = decoder.push(Timestamp::default(), rest);
        rest = &rest[count..];
        while let Some(frame) = decoder.next_frame() {
            rows.push(present(frame.words.iter().map(|w| spec.range_m(*w))));
        }
    }
    decoder.finish();
    while let Some(frame) = decoder.next_frame() {
        rows.push(present(frame.words.iter().map(|w| spec.range_m(*w))));
    }
    rows
}

/// Whether the guess reads the true ranges, in order, frame by frame, but for a few at the ends.
fn is_right(guess: &FrameGuess, clean: &Stream) -> bool {
    let truth: Vec<Row> = clean.ranges.iter().map(|r| present(r.iter().copied())).collect();
    let rows = read(guess, &clean.bytes);
    // A later cut loses the first frame.
    let equal = |skip: usize| truth[skip..].iter().zip(&rows).filter(|(a, b)| a == b).count();
    let best = equal(0).max(equal(1));
    best * 100 >= truth.len() * 97
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Grade {
    Right,
    Undecided,
    /// Undecided, and the truth is not among the alternatives.
    Lost,
    Wrong,
}

fn grade(outcome: &Outcome, clean: &Stream) -> Grade {
    match outcome {
        Outcome::Proposal(p) if is_right(&p.frame, clean) => Grade::Right,
        Outcome::Proposal(_) => Grade::Wrong,
        Outcome::Undecided(u) if u.alternatives.iter().any(|a| is_right(&a.frame, clean)) => Grade::Undecided,
        _ => Grade::Lost,
    }
}

fn random_case(seed: u64) -> (Kit, Scene, Stream) {
    let mut random = Random::new(seed);
    let slots = 1 + random.below(8);
    let kit = Kit::invent(&mut random, slots);
    let heard = 1 + random.below(slots);
    let mut scene = Scene::usual(slots);
    while scene.alive.iter().filter(|a| **a).count() > heard {
        let off = random.below(slots);
        scene.alive[off] = false;
    }
    scene.noise_m = random.between(0.03, 0.09);
    scene.speed_mps = random.between(0.4, 1.3);
    scene.rate_hz = random.pick(&[5.0, 10.0, 10.0, 20.0]);
    scene.size_m = (random.between(6.0, 24.0), random.between(5.0, 14.0));
    let rows = walk(&scene, &mut random);
    let stream = kit.stream(&rows, scene.rate_hz, &mut random);
    (kit, scene, stream)
}

/// Counts of right, undecided, lost and wrong.
fn survey(seeds: std::ops::Range<u64>, harm: Harm) -> [usize; 4] {
    let mut counts = [0; 4];
    for seed in seeds {
        let (kit, _, stream) = random_case(seed);
        let bytes = harmed(&stream.bytes, harm, &mut Random::new(seed + 1_000_000));
        let outcome = learn(&bytes, None, LearnOptions::default());
        let grade = grade(&outcome, &stream);
        counts[grade as usize] += 1;
        assert_ne!(grade, Grade::Wrong, "{harm:?} seed {seed}: {kit:?} {outcome:?}");
    }
    println!(
        "{harm:?}: right {}, undecided {}, lost {}, wrong {}",
        counts[0], counts[1], counts[2], counts[3]
    );
    counts
}

#[test]
fn random_layouts_are_right_or_honestly_undecided() {
    let [right, _, lost, _] = survey(0..200, Harm::None);
    assert!(right >= 190 && lost == 0);
}

#[test]
fn random_layouts_with_flipped_bits() {
    let [right, _, lost, _] = survey(0..200, Harm::Flips);
    assert!(right >= 188 && lost <= 2);
}

#[test]
fn random_layouts_with_lost_bytes() {
    let [right, _, lost, _] = survey(0..200, Harm::Losses);
    assert!(right >= 188 && lost <= 2);
}

/// An invented kit by its pieces.
fn kit(pieces: Vec<Piece>, number: Number, big_endian: bool, unit: Unit, absent: Absent) -> Kit {
    Kit { pieces, number, big_endian, unit, absent, slots: 0 }
}

fn mark(bytes: &[u8]) -> Vec<Piece> {
    bytes.iter().map(|b| Piece::Byte(*b)).collect()
}

fn sum(name: &str, from: usize) -> Piece {
    let row = checksum_algorithms().iter().position(|a| a.name() == name).unwrap();
    Piece::Sum { row, from }
}

/// The kinds that the learner promises to know, one of each and mixed.
fn twelve() -> Vec<Kit> {
    use Absent::{MinusOne, Nan, Ones, Zero};
    use Number::{F32, U16, U24, U32};
    let ranges = |quality| Piece::Ranges { quality };
    let with = |start: &[u8], rest: Vec<Piece>| mark(start).into_iter().chain(rest).collect::<Vec<_>>();
    let tail = |byte| Piece::Byte(byte);
    vec![
        kit(
            with(&[0x9D, 0x31], vec![Piece::Seq(1), ranges(false), sum("sum8", 0)]),
            U16,
            false,
            Unit::Cm,
            Zero,
        ),
        kit(with(&[0x9D, 0x31], vec![ranges(false), sum("xor8", 2)]), U16, true, Unit::Mm, Ones),
        kit(
            with(&[0xE7], vec![Piece::Seq(2), ranges(false), sum("crc-16/kermit", 0)]),
            U16,
            false,
            Unit::Mm,
            Zero,
        ),
        kit(
            with(&[0x4B, 0xD2, 0x66], vec![ranges(false), tail(0x0D), tail(0x0A)]),
            U24,
            false,
            Unit::Mm,
            Ones,
        ),
        kit(with(&[0x4B, 0xD2, 0x66, 0x19], vec![Piece::Seq(1), ranges(false)]), U24, true, Unit::Cm, Zero),
        kit(
            with(&[0x72, 0xB8], vec![tail(0x01), ranges(false), sum("crc-8/darc", 0)]),
            U32,
            false,
            Unit::Mm,
            Zero,
        ),
        kit(
            with(&[0x72, 0xB8], vec![Piece::Millis(4), ranges(false), sum("crc-32/bzip2", 0)]),
            U32,
            true,
            Unit::Cm,
            Ones,
        ),
        kit(with(&[0xA1, 0x5C], vec![ranges(false), sum("sum8", 0), tail(0xB7)]), F32, false, Unit::M, Nan),
        kit(with(&[0xA1, 0x5C, 0x2E], vec![Piece::Seq(1), ranges(false)]), F32, true, Unit::M, MinusOne),
        kit(
            with(&[0x36, 0xF1], vec![tail(0x93), ranges(false), tail(0x58), sum("crc-16/dnp", 2)]),
            U16,
            true,
            Unit::Cm,
            Ones,
        ),
        kit(
            with(&[0x36, 0xF1], vec![Piece::Seq(1), ranges(true), sum("xor8", 0)]),
            U16,
            false,
            Unit::Mm,
            Zero,
        ),
        kit(
            with(&[0xC9], vec![ranges(false), sum("crc-16/xmodem", 1), tail(0x0A)]),
            U16,
            true,
            Unit::Mm,
            Zero,
        ),
    ]
}

#[test]
fn twelve_kinds_with_one_to_eight_anchors_heard() {
    let (mut right, mut total) = (0, 0);
    for (index, kit) in twelve().iter().enumerate() {
        for heard in 1..=8 {
            for harm in [Harm::None, Harm::Flips, Harm::Losses] {
                let mut random = Random::new((index * 100 + heard) as u64);
                let mut scene = Scene::usual(8);
                while scene.alive.iter().filter(|a| **a).count() > heard {
                    let off = random.below(8);
                    scene.alive[off] = false;
                }
                let rows = walk(&scene, &mut random);
                let stream = kit.stream(&rows, scene.rate_hz, &mut random);
                let outcome = learn(&harmed(&stream.bytes, harm, &mut random), None, LearnOptions::default());
                let grade = grade(&outcome, &stream);
                assert_ne!(grade, Grade::Wrong, "kind {index}, {heard} heard, {harm:?}: {outcome:?}");
                right += usize::from(grade == Grade::Right);
                total += 1;
            }
        }
    }
    println!("twelve kinds: right {right} of {total}");
    assert!(right * 100 >= total * 95, "{right} of {total}");
}

fn proposal(outcome: Outcome) -> Proposal {
    match outcome {
        Outcome::Proposal(proposal) => proposal,
        other => panic!("no proposal: {other:?}"),
    }
}

#[test]
fn absent_anchors_are_pointed_out_byte_by_byte() {
    let mut scene = Scene::usual(8);
    scene.alive = vec![false, false, true, false, false, false, false, false];
    let kit = &twelve()[0];
    let mut random = Random::new(7);
    let stream = kit.stream(&walk(&scene, &mut random), 10.0, &mut random);
    let proposal = proposal(learn(&stream.bytes, None, LearnOptions::default()));
    assert_eq!(proposal.frame.layout, "9d 31 seq:u8 range:u16le*8 sum8");
    let places = [0, 1, 3, 4, 5, 6, 7].map(|i| 3 + 2 * i..5 + 2 * i).to_vec();
    assert!(proposal.cautions.contains(&Caution::SilentBytes { places, read: 7 }), "{:?}", proposal.cautions);
    assert!(proposal.share_read > 0.99 && proposal.frames_read == 200);
}

#[test]
fn the_idle_gap_tells_where_frames_start() {
    // Nothing in the bytes says whether b7 ends a frame or begins one.
    let pieces =
        vec![Piece::Byte(0x6E), Piece::Byte(0x91), Piece::Ranges { quality: false }, Piece::Byte(0xB7)];
    let kit = kit(pieces, Number::U16, false, Unit::Cm, Absent::Zero);
    let mut random = Random::new(3);
    let stream = kit.stream(&walk(&Scene::usual(4), &mut random), 10.0, &mut random);
    let blind = proposal(learn(&stream.bytes, None, LearnOptions::default()));
    assert!(is_right(&blind.frame, &stream));
    let times: Vec<(u64, Timestamp)> = stream
        .starts
        .iter()
        .enumerate()
        .flat_map(|(n, &at)| {
            let us = 100_000 * n as i64;
            [(at as u64, Timestamp::from_micros(us)), (at as u64 + 5, Timestamp::from_micros(us + 900))]
        })
        .collect();
    let timed = proposal(learn(&stream.bytes, Some(&times), LearnOptions::default()));
    assert_eq!(timed.frame.layout, "6e 91 range:u16le*4 b7");
    let rate = timed.rate_hz.unwrap();
    assert!((rate - 10.0).abs() < 0.2, "{rate}");
}

#[test]
fn a_standing_tag_leaves_it_open_and_says_what_to_do() {
    let mut scene = Scene::usual(3);
    scene.speed_mps = 0.0;
    scene.late = 0.0;
    let mut random = Random::new(5);
    let stream = twelve()[0].stream(&walk(&scene, &mut random), 10.0, &mut random);
    let Outcome::Undecided(undecided) = learn(&stream.bytes, None, LearnOptions::default()) else {
        panic!("believed without a move")
    };
    assert!(
        undecided
            .questions
            .iter()
            .any(|q| matches!(q, Question::LittleTravel { .. } | Question::NothingMoves)),
        "{:?}",
        undecided.questions
    );
}

#[test]
fn the_farthest_distance_decides_the_unit() {
    // A desk: ranges of 0.3 m to 2 m in millimetres, or of 3 m to 20 m in centimetres with coarse noise?
    let mut scene = Scene::usual(4);
    (scene.size_m, scene.noise_m, scene.speed_mps) = ((17.0, 14.0), 0.16, 1.7);
    let mut random = Random::new(12);
    let stream = twelve()[0].stream(&walk(&scene, &mut random), 10.0, &mut random);
    let Outcome::Undecided(undecided) = learn(&stream.bytes, None, LearnOptions::default()) else {
        panic!("believed one of two units")
    };
    assert!(
        undecided.questions.iter().any(|q| matches!(q, Question::Unit { .. })),
        "{:?}",
        undecided.questions
    );
    let units: Vec<Unit> = undecided.alternatives.iter().map(|a| a.frame.unit).collect();
    assert!(units.contains(&Unit::Cm) && units.contains(&Unit::Mm));
    let told = LearnOptions { farthest_m: Some(22.0), ..LearnOptions::default() };
    assert!(is_right(&proposal(learn(&stream.bytes, None, told)).frame, &stream));
}

/// What a port set to `ratio` times the line's speed makes of bytes: 8 data bits low bit first, one
/// start and one stop bit, idle after each frame; a missing stop bit is passed over.
fn at_another_speed(stream: &Stream, ratio: f64) -> Vec<u8> {
    let mut line: Vec<bool> = Vec::new();
    for (index, &byte) in stream.bytes.iter().enumerate() {
        if stream.starts.contains(&index) {
            line.extend([true; 200]);
        }
        line.push(false);
        line.extend((0..8).map(|bit| byte >> bit & 1 == 1));
        line.push(true);
    }
    let level = |t: f64| line.get(t as usize).copied().unwrap_or(true);
    let mut out = Vec::new();
    let (mut t, step) = (0.0, 1.0 / ratio);
    while t < line.len() as f64 {
        if level(t) {
            t += step / 8.0;
            continue;
        }
        let bit = |n: i32| level(t + (f64::from(n) + 1.5) * step);
        out.push((0..8).fold(0, |byte, n| byte | (u8::from(bit(n)) << n)));
        t += 9.5 * step;
    }
    out
}

#[test]
fn a_wrong_baud_rate_is_never_taken_for_frames() {
    let mut random = Random::new(21);
    let stream = twelve()[2].stream(&walk(&Scene::usual(6), &mut random), 10.0, &mut random);
    for ratio in [0.5, 2.0, 4.0, 8.0, 12.0] {
        let bytes = at_another_speed(&stream, ratio);
        let outcome = learn(&bytes, None, LearnOptions::default());
        match outcome {
            Outcome::NotFrames(NotFrames::WrongBaud { .. }) => {}
            // Sampled too slowly, it may still come in pieces of one length, with nothing like ranges.
            Outcome::Undecided(u) if ratio < 1.0 => assert!(u.alternatives.is_empty(), "{ratio}: {u:?}"),
            other => panic!("{ratio}: {other:?}"),
        }
    }
}

#[test]
fn shifted_bits_are_named() {
    let mut random = Random::new(22);
    for kind in [0, 1, 2, 9] {
        let stream = twelve()[kind].stream(&walk(&Scene::usual(6), &mut random), 10.0, &mut random);
        for bits in [1, 3, 5] {
            let shifted: Vec<u8> =
                stream.bytes.windows(2).map(|w| (w[0] << bits) | (w[1] >> (8 - bits))).collect();
            match learn(&shifted, None, LearnOptions::default()) {
                Outcome::NotFrames(NotFrames::WrongBaud { shift: Some(_) }) => {}
                other => panic!("kind {kind}, {bits} bits: {other:?}"),
            }
        }
    }
}

mod properties {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(60) })]

        #[test]
        fn any_bytes_get_an_answer_in_words(
            unit in prop::collection::vec(any::<u8>(), 0..40),
            noise in prop::collection::vec(any::<u8>(), 0..600),
            times in 0_usize..80,
        ) {
            let mut bytes = unit.repeat(times);
            bytes.extend(noise);
            match learn(&bytes, Some(&[(u64::MAX, Timestamp::MIN), (3, Timestamp::default())]), LearnOptions::default()) {
                Outcome::Proposal(p) => prop_assert!(p.frame.parse().is_ok()),
                Outcome::Undecided(u) => {
                    prop_assert!(!u.questions.is_empty());
                    prop_assert!(u.alternatives.iter().all(|a| a.frame.parse().is_ok()));
                }
                Outcome::NotFrames(_) => {}
            }
        }
    }
}
