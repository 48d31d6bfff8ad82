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
    let mut doubles = Doubles::default();
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
        doubles.hear(at(k), range_m + dice.noise() + delay.unwrap_or(0.0));
        if let Some(found) = doubles.found() {
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
    let mut doubles = Doubles::default();
    let mut dice = Dice(3);
    for k in 0..2_000 {
        doubles.hear(at(k), 8.0 + dice.noise() + if k % 2 == 0 { 0.3 } else { 0.0 });
    }
    assert_eq!(doubles.found(), None);
}

#[test]
fn it_stays_until_the_second_board_has_been_off_for_minutes() {
    let mut doubles = Doubles::default();
    let mut dice = Dice(5);
    let mut k = 0;
    while k < 400 {
        doubles.hear(at(k), 8.0 + dice.noise() + if dice.unit() < 0.5 { 2.0 } else { 0.0 });
        k += 1;
    }
    assert!(doubles.found().is_some());
    while k < 400 + 2_900 {
        doubles.hear(at(k), 8.0 + dice.noise());
        assert!(doubles.found().is_some(), "frame {k}");
        k += 1;
    }
    while k < 400 + 3_200 {
        doubles.hear(at(k), 8.0 + dice.noise());
        k += 1;
    }
    assert_eq!(doubles.found(), None);
}
