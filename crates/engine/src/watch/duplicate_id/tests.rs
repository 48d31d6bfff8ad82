use super::*;

/// Numbers that look random, the same everywhere: uniform in 0..1.
struct Dice(u64);

impl Dice {
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) as f64 / (1u64 << 31) as f64
    }
    fn noise(&mut self) -> f64 {
        0.08 * ((0..12).map(|_| self.unit()).sum::<f64>() - 6.0)
    }
    fn delay(&mut self) -> f64 {
        0.2 - 0.6 * self.unit().max(1e-9).ln()
    }
}

fn at(frame: u32) -> Timestamp {
    Timestamp::from_micros(i64::from(frame) * 100_000)
}

/// Ranges of a moving tag to two places, of which the second answers `share` of the frames, with late stretches.
fn run(seconds: u32, share: f64, apart_m: f64, late: f64, seed: u64) -> Option<(f64, Found)> {
    let mut dice = Dice(seed);
    let mut duplicates = DuplicateId::default();
    let mut delay: Option<f64> = None;
    for k in 0..10 * seconds {
        delay = match delay {
            None => (dice.unit() < 0.1 * late / (1.0 - late)).then(|| dice.delay()),
            Some(_) if dice.unit() < 0.1 => None,
            Some(d) => Some(d + 0.6 * dice.noise()),
        };
        let t = f64::from(k) / 10.0;
        let other = dice.unit() < share;
        let way = 9.0 + 4.0 * (0.1 * t).sin();
        let range_m = if other { way + apart_m + 0.5 * (0.07 * t).cos() } else { way };
        duplicates.hear(at(k), range_m + dice.noise() + delay.unwrap_or(0.0));
        if let Some(found) = duplicates.found() {
            return Some((t, found));
        }
    }
    None
}

#[test]
fn two_boards_are_found_within_fifteen_seconds_at_the_median() {
    let mut times: Vec<f64> = (1..=40).filter_map(|seed| Some(run(120, 0.5, 3.0, 0.1, seed)?.0)).collect();
    assert_eq!(times.len(), 40, "all of them");
    times.sort_by(f64::total_cmp);
    assert!(times[20] < 15.0, "{times:?}");
    let (_, found) = run(120, 0.3, 3.0, 0.0, 7).expect("found");
    assert!((found.apart_m - 3.3).abs() < 0.6 && (0.2..0.5).contains(&found.share), "{found:?}");
}

#[test]
fn late_stretches_are_no_second_board() {
    for seed in 1..=8 {
        assert_eq!(run(3_600, 0.0, 3.0, 0.3, seed), None, "seed {seed}");
    }
}

#[test]
fn boards_less_than_half_a_metre_apart_cannot_be_told() {
    let mut duplicates = DuplicateId::default();
    let mut dice = Dice(3);
    for k in 0..2_000 {
        duplicates.hear(at(k), 8.0 + dice.noise() + if k % 2 == 0 { 0.3 } else { 0.0 });
    }
    assert_eq!(duplicates.found(), None);
}

#[test]
fn it_stays_until_the_second_board_has_been_off_for_minutes() {
    let mut duplicates = DuplicateId::default();
    let mut dice = Dice(5);
    let mut k = 0;
    while k < 400 {
        duplicates.hear(at(k), 8.0 + dice.noise() + if dice.unit() < 0.5 { 2.0 } else { 0.0 });
        k += 1;
    }
    assert!(duplicates.found().is_some());
    while k < 400 + 2_900 {
        duplicates.hear(at(k), 8.0 + dice.noise());
        assert!(duplicates.found().is_some(), "frame {k}");
        k += 1;
    }
    while k < 400 + 3_200 {
        duplicates.hear(at(k), 8.0 + dice.noise());
        k += 1;
    }
    assert_eq!(duplicates.found(), None);
}

/// A tag on a round way, with a rest of 20 s in each minute, in a yard with one anchor, of which `share` of the ranges come
/// from a second board 4 m away.
#[derive(Clone, Copy)]
struct Rounds {
    rate_hz: f64,
    speed_mps: f64,
    share: f64,
    late: f64,
}

/// Seconds until two boards are found, within so many.
fn rounds(way: Rounds, seconds: f64, seed: u64) -> Option<f64> {
    let mut dice = Dice(seed.wrapping_mul(7_919));
    let mut duplicates = DuplicateId::default();
    let mut delay: Option<f64> = None;
    let round_m = (4.0 * way.speed_mps).max(8.0);
    let (start, turn) = (dice.unit() * std::f64::consts::TAU, dice.unit() * std::f64::consts::TAU);
    let first = [round_m + 6.0, 0.0];
    let second = [first[0] + 4.0 * turn.cos(), 4.0 * turn.sin()];
    // Stretches of 1.5 s on average; a late range wanders by 5 cm in a tenth of a second.
    let leave = (1.0 / (1.5 * way.rate_hz)).min(1.0);
    let wander = 0.625 * (10.0 / way.rate_hz).sqrt();
    for k in 0..(seconds * way.rate_hz) as i64 {
        let t = k as f64 / way.rate_hz;
        delay = match delay {
            None => (dice.unit() < leave * way.late / (1.0 - way.late)).then(|| dice.delay()),
            Some(_) if dice.unit() < leave => None,
            Some(d) => Some((d + wander * dice.noise()).max(0.1)),
        };
        let minute = (t / 60.0).floor();
        let driven_s = 40.0 * minute + (t - 60.0 * minute).min(40.0);
        let phase = start + driven_s * way.speed_mps / round_m;
        let from = if dice.unit() < way.share { second } else { first };
        let (dx, dy) = (round_m * phase.cos() - from[0], round_m * phase.sin() - from[1]);
        let wild = dice.unit() < 0.002;
        let range_m = (dx * dx + dy * dy + 2.9).sqrt() + dice.noise() + delay.unwrap_or(0.0);
        let range_m = if wild { 60.0 * dice.unit() } else { range_m };
        duplicates.hear(Timestamp::from_micros((t * 1e6).round() as i64), range_m);
        if duplicates.found().is_some() {
            return Some(t);
        }
    }
    None
}

#[test]
fn two_boards_that_share_the_ranges_are_found_at_any_pace() {
    // Found of forty within five minutes at least, and the median of those, seconds. A tag that stands may stand as far from
    // the one as from the other, and at one a second a tag that goes faster than 0.3 m/s is not promised.
    let cases = [
        (1.0, 0.0, 26, 120.0),
        (1.0, 0.3, 30, 120.0),
        (2.0, 0.0, 30, 45.0),
        (2.0, 1.0, 38, 45.0),
        (2.0, 5.0, 30, 120.0),
        (10.0, 0.0, 30, 8.0),
        (10.0, 1.0, 40, 8.0),
        (10.0, 5.0, 40, 10.0),
        (40.0, 0.0, 30, 3.0),
        (40.0, 1.0, 40, 3.0),
        (40.0, 5.0, 40, 3.0),
    ];
    for (rate_hz, speed_mps, least, median_s) in cases {
        let way = Rounds { rate_hz, speed_mps, share: 0.5, late: 0.1 };
        let mut times: Vec<f64> = (1..=40).filter_map(|seed| rounds(way, 300.0, seed)).collect();
        times.sort_by(f64::total_cmp);
        assert!(times.len() >= least, "{rate_hz} Hz, {speed_mps} m/s: {} of 40", times.len());
        assert!(times[times.len() / 2] <= median_s, "{rate_hz} Hz, {speed_mps} m/s: {times:?}");
    }
}

#[test]
fn one_board_with_late_stretches_is_one_at_any_pace() {
    for rate_hz in [1.0, 2.0, 10.0, 40.0] {
        for speed_mps in [0.0, 0.3, 1.0, 5.0] {
            for late in [0.1, 0.3] {
                let way = Rounds { rate_hz, speed_mps, share: 0.0, late };
                for seed in 101..=103 {
                    let found = rounds(way, 3_600.0, seed);
                    assert_eq!(found, None, "{rate_hz} Hz, {speed_mps} m/s, late {late}, seed {seed}");
                }
            }
        }
    }
}

#[test]
fn a_pause_is_no_pace() {
    // Ten a second; after a pause of a minute the times are those of ten a second again within seconds.
    let mut duplicates = DuplicateId::default();
    for k in 0..100 {
        duplicates.hear(at(k), 8.0);
    }
    for k in 700..760 {
        duplicates.hear(at(k), 8.0);
    }
    assert!((0.09..0.15).contains(&duplicates.interval_s), "{}", duplicates.interval_s);
}
