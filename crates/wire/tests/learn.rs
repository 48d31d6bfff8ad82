//! The learner against invented layouts.
#![expect(clippy::unwrap_used, reason = "helpers of tests: a failure here is a failed test")]

mod common;

use common::{Absent, Harm, Kit, Number, Piece, Random, Scene, Stream, harmed, walk};
use hereabout_core::Timestamp;
use hereabout_wire::learn::{FrameGuess, LearnOptions, Outcome, learn};
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

#[test]
fn survey_of_random_layouts() {
    let verbose = std::env::var_os("LEARN_VERBOSE").is_some();
    let only: Option<u64> = std::env::var("LEARN_SEED").ok().map(|s| s.parse().unwrap());
    for harm in [Harm::None, Harm::Flips, Harm::Losses] {
        let mut counts = [0; 4];
        for seed in std::env::var("LEARN_FROM").map_or(0, |f| f.parse().unwrap()).. {
            if counts.iter().sum::<i32>() == 200 { break; }
            if only.is_some_and(|o| o != seed || format!("{harm:?}") != std::env::var("LEARN_HARM").unwrap_or("None".into())) { continue; }
            let (kit, scene, stream) = random_case(seed);
            let bytes = harmed(&stream.bytes, harm, &mut Random::new(seed + 1_000_000));
            let outcome = learn(&bytes, None, LearnOptions::default());
            let grade = grade(&outcome, &stream);
            counts[grade as usize] += 1;
            if verbose && grade != Grade::Right {
                println!("{harm:?} seed {seed} {grade:?}\n  {kit:?}\n  alive {:?} noise {:.3} speed {:.2} rate {} size {:?}", scene.alive, scene.noise_m, scene.speed_mps, scene.rate_hz, scene.size_m);
                match outcome {
                    Outcome::Proposal(p) => println!("  {}\n {:?}", p.frame, p.parts),
                    Outcome::Undecided(u) => { println!("  which right: {:?}", u.alternatives.iter().map(|a| is_right(&a.frame, &stream)).collect::<Vec<_>>()); println!("  {u:?}") }
                    other => println!("  {other:?}"),
                }
            }
        }
        println!("{harm:?}: right {} undecided {} lost {} wrong {}", counts[0], counts[1], counts[2], counts[3]);
    }
}
