//! Seeded trials: a tag displaced by 10 cm, a board that changes alone, a tag that stands.

use super::*;
use crate::calibrate::occupation::OccupationRefusal;
use crate::calibrate::tests::simulation::{Kit, rng};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

const ANCHORS: [[f64; 3]; 6] =
    [[0.0, 0.0, 2.4], [10.0, 0.0, 2.5], [10.0, 7.0, 2.3], [0.0, 7.0, 2.5], [5.0, 0.0, 2.4], [5.0, 7.0, 2.4]];

const KIT: Kit = Kit { nlos_share: 0.1, slow_sd_m: 0.01, ..Kit::WHITE };

fn distance(p: [f64; 3], a: [f64; 3]) -> f64 {
    (0..3).map(|c| (p[c] - a[c]).powi(2)).sum::<f64>().sqrt()
}

fn place(rng: &mut ChaCha8Rng) -> [f64; 3] {
    [1.5 + 7.0 * rng.random::<f64>(), 1.5 + 4.0 * rng.random::<f64>(), 0.9]
}

fn shifted(rng: &mut ChaCha8Rng, p: [f64; 3], by_m: f64) -> [f64; 3] {
    let angle = std::f64::consts::TAU * rng.random::<f64>();
    [p[0] + by_m * angle.cos(), p[1] + by_m * angle.sin(), p[2]]
}

/// Changes between two occupations of a minute, the tag at `from`, then at `to`; board 2 longer by `longer_m`.
fn two_occupations(rng: &mut ChaCha8Rng, from: [f64; 3], to: [f64; 3], longer_m: f64) -> Vec<LevelChange> {
    let mut read = |p: [f64; 3], a: [f64; 3], extra: f64| {
        let ranges = KIT.ranges(rng, distance(p, a) - 0.1 + extra);
        measure_occupation(&ranges, &OccupationSettings::default()).unwrap_or_else(|e| e.reading.unwrap())
    };
    let change = |(anchor, a): (usize, &[f64; 3])| {
        let before = read(from, *a, 0.0);
        let after = read(to, *a, if anchor == 2 { longer_m } else { 0.0 });
        let se_m = (before.se_m.powi(2) + after.se_m.powi(2)).sqrt();
        LevelChange { anchor, change_m: after.level_m - before.level_m, se_m }
    };
    ANCHORS.iter().enumerate().map(change).collect()
}

#[test]
fn a_tag_displaced_by_ten_centimetres_is_caught() {
    let mut rng = rng(40);
    let (mut caught, mut steps, mut square) = (0, 0, 0.0);
    for _ in 0..40 {
        let from = place(&mut rng);
        let to = shifted(&mut rng, from, 0.10);
        let changes = two_occupations(&mut rng, from, to, 0.0);
        steps += u32::from(changes.iter().any(|c| c.change_m.abs() > 0.15));
        if let DisplacementVerdict::Moved { shift_m, .. } = compare(&ANCHORS, from, &changes, 2) {
            caught += 1;
            square += (shift_m[0] - to[0] + from[0]).powi(2) + (shift_m[1] - to[1] + from[1]).powi(2);
        }
    }
    println!("caught {caught} of 40, a rule of 15 cm a board {steps}");
    assert!(caught >= 39, "{caught}");
    assert!(steps <= 2, "the displacement must be one that single boards do not show: {steps}");
    assert!((square / f64::from(caught)).sqrt() < 0.03);
}

#[test]
fn standing_still_and_one_board_alone_are_no_displacement() {
    let mut rng = rng(41);
    let (mut still, mut board) = (0, 0);
    for _ in 0..60 {
        let p = place(&mut rng);
        still += u32::from(
            compare(&ANCHORS, p, &two_occupations(&mut rng, p, p, 0.0), 2) == DisplacementVerdict::Still,
        );
        let alone = compare(&ANCHORS, p, &two_occupations(&mut rng, p, p, 0.2), 2);
        board += u32::from(matches!(alone, DisplacementVerdict::OneBoard { anchor: 2, .. }));
    }
    assert!(still >= 58, "{still}");
    assert!(board >= 57, "{board}");
}

#[test]
fn a_displacement_within_a_occupation_is_found_with_its_time() {
    let mut rng = rng(42);
    let settings = OccupationSettings::default();
    let (mut caught, mut falsely, mut refused) = (0, 0, 0);
    for _ in 0..15 {
        let from = place(&mut rng);
        let to = shifted(&mut rng, from, 0.10);
        let lists: Vec<Vec<TimedRange>> = ANCHORS
            .iter()
            .map(|a| {
                let mut list = KIT.ranges(&mut rng, distance(from, *a));
                let by = distance(to, *a) - distance(from, *a);
                let half = list.len() / 2;
                list[half..].iter_mut().for_each(|r| r.raw_range_m += by);
                list
            })
            .collect();
        let slices: Vec<&[TimedRange]> = lists.iter().map(Vec::as_slice).collect();
        let p = measure_boards(&ANCHORS, from, &slices, &settings, 2);
        let in_time = p.displaced_at.is_some_and(|at| (20.0..40.0).contains(&at.unix_secs_f64()));
        caught += u32::from(matches!(p.displacement, DisplacementVerdict::Moved { .. }) && in_time);
        refused += u32::from(p.boards.iter().any(
            |b| matches!(b, Err(e) if e.reasons.iter().any(|r| matches!(r, OccupationRefusal::Stepped { .. }))),
        ));

        let lists: Vec<Vec<TimedRange>> =
            ANCHORS.iter().map(|a| KIT.ranges(&mut rng, distance(from, *a))).collect();
        let slices: Vec<&[TimedRange]> = lists.iter().map(Vec::as_slice).collect();
        let p = measure_boards(&ANCHORS, from, &slices, &settings, 2);
        falsely += u32::from(matches!(p.displacement, DisplacementVerdict::Moved { .. }));
    }
    assert!(caught >= 14, "{caught}");
    assert!(falsely <= 1, "{falsely}");
    assert!(refused <= 1, "single boards should not see a displacement of 10 cm: {refused}");
}

#[test]
fn too_little_to_tell_is_said() {
    let changes = |n: usize| {
        let one = |anchor| LevelChange { anchor, change_m: 0.05, se_m: 0.005 };
        (0..n).map(one).collect::<Vec<_>>()
    };
    let at = [4.0, 3.0, 0.9];
    assert_eq!(compare(&ANCHORS, at, &changes(3), 2), DisplacementVerdict::TooFewBoards);
    assert_eq!(compare(&ANCHORS, at, &changes(4), 3), DisplacementVerdict::TooFewBoards);
    assert_eq!(compare(&ANCHORS[..2], at, &changes(6), 2), DisplacementVerdict::TooFewBoards);
    assert_eq!(compare(&ANCHORS, [f64::NAN; 3], &changes(6), 2), DisplacementVerdict::TooFewBoards);
    // All boards longer at once: neither a shift of the tag nor one board.
    let all = changes(6).into_iter().map(|c| LevelChange { change_m: 0.3, ..c }).collect::<Vec<_>>();
    assert_eq!(compare(&ANCHORS, [5.0, 3.5, 0.9], &all, 2), DisplacementVerdict::Unclear);
    let empty: [&[TimedRange]; 6] = [&[]; 6];
    let p = measure_boards(&ANCHORS, at, &empty, &OccupationSettings::default(), 2);
    assert!(p.boards.iter().all(Result::is_err) && p.displacement == DisplacementVerdict::TooFewBoards);
}
