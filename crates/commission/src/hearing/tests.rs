use hereabout_core::RangeReading;

use super::*;

/// Uniform in 0..1: a linear congruential generator with the constants of MMIX (Knuth, The Art of
/// Computer Programming, volume 2, section 3.3.4, table 1; from memory).
struct Chance(u64);

impl Chance {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Normal to a good approximation: the sum of twelve uniforms has variance one.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.next()).sum::<f64>() - 6.0
    }

    fn exponential(&mut self) -> f64 {
        -(1.0 - self.next()).ln()
    }
}

fn at(ms: i64) -> Timestamp {
    Timestamp::from_micros(1_700_000_000_000_000).plus(Micros::from_millis(ms))
}

fn epoch(ms: i64, tag: u32, ranges: &[Option<f64>]) -> Epoch {
    let reading =
        |(i, r): (usize, &Option<f64>)| RangeReading { anchor: AnchorId(i as u16), raw_range_m: *r };
    let readings = ranges.iter().enumerate().map(reading).collect();
    Epoch::new(at(ms), TagId(tag), Some((ms / 100 % 256) as u32), readings)
}

fn hearing(anchors: u16) -> Hearing {
    Hearing::new((0..anchors).map(AnchorId))
}

/// Ten frames a second for `seconds` of one anchor with these ranges.
fn heard(seconds: i64, mut range_m: impl FnMut(f64) -> f64) -> HearingTable {
    let mut h = hearing(1);
    for i in 0..=seconds * 10 {
        h.hear(&epoch(i * 100, 0, &[Some(range_m(i as f64 / 10.0))]));
    }
    h.table(at(seconds * 1000))
}

/// A short name for each kind of warning.
fn kind(warning: &HearingWarning) -> &'static str {
    match warning {
        HearingWarning::TagStopped { .. } => "tag_stopped",
        HearingWarning::NeverHeard { .. } => "never_heard",
        HearingWarning::JustVanished { .. } => "just_vanished",
        HearingWarning::Silent { .. } => "silent",
        HearingWarning::TwoValues { .. } => "two_values",
        HearingWarning::Damaged { .. } => "damaged",
        HearingWarning::FramesLost { .. } => "frames_lost",
        HearingWarning::Uneven { .. } => "uneven",
        HearingWarning::NoFrames { .. } => "no_frames",
    }
}

fn topics(table: &HearingTable) -> Vec<&'static str> {
    table.warnings.iter().map(kind).collect()
}

#[test]
fn a_well_kit_has_its_figures_and_no_warning() {
    let mut h = hearing(2);
    for i in 0..=300 {
        h.hear(&epoch(i * 100, 0, &[Some(4.2), (i % 4 != 0).then_some(7.0)]));
    }
    let table = h.table(at(30_000));
    assert_eq!(topics(&table), [] as [&str; 0]);
    assert!((table.frames_hz - 10.0).abs() < 0.01, "{}", table.frames_hz);
    let [near, far] = &table.rows[..] else { panic!("two rows") };
    assert_eq!((near.state, near.range_m, near.share), (AnchorState::Heard, Some(4.2), Some(1.0)));
    assert!((near.rate_hz - 10.0).abs() < 0.01 && (far.rate_hz - 7.5).abs() < 0.11, "{}", far.rate_hz);
    assert!((far.share.unwrap() - 0.75).abs() < 0.01);
    assert_eq!(near.spread_m, Some(0.0));
    // 31 seconds with a range, the running one included.
    assert_eq!(near.minute_m.iter().flatten().count(), 31);
    assert!(near.minute_m.iter().flatten().all(|m| (m - 4.2).abs() < 1e-9), "{:?}", near.minute_m);
    assert!(near.span_m.unwrap().iter().all(|m| (m - 4.2).abs() < 1e-9));
}

#[test]
fn the_spread_is_that_of_the_noise_and_not_of_the_walk() {
    for sigma in [0.03, 0.1] {
        for walk_mps in [0.0, 1.2] {
            let mut chance = Chance(7);
            let table = heard(20, |t| 5.0 + walk_mps * t + sigma * chance.normal());
            let spread = table.rows[0].spread_m.unwrap();
            // About 33 independent triples in 10 s: a standard error near 20 %; three of them.
            assert!((spread / sigma - 1.0).abs() < 0.6, "{sigma} m at {walk_mps} m/s: {spread} m");
        }
    }
}

#[test]
fn two_boards_with_one_id_are_told_and_where_each_is() {
    for share in [0.15, 0.3, 0.5] {
        let mut chance = Chance(42);
        let table = heard(12, |_| {
            let base = if chance.next() < share { 9.0 } else { 4.0 };
            base + 0.06 * chance.normal()
        });
        let Some(HearingWarning::TwoValues { values, .. }) = table.warnings.first() else {
            panic!("share {share}: {:?}", table.warnings)
        };
        assert!((values.near_m - 4.0).abs() < 0.3 && (values.far_m - 9.0).abs() < 0.3, "{values:?}");
    }
}

#[test]
fn two_boards_are_told_while_the_tag_walks() {
    let mut chance = Chance(3);
    let table = heard(10, |t| {
        let base = if chance.next() < 0.4 { 12.0 + 0.8 * t } else { 4.0 + 0.6 * t };
        base + 0.06 * chance.normal()
    });
    assert_eq!(topics(&table), ["two_values"]);
}

#[test]
fn people_in_the_way_noise_and_a_walk_are_not_two_boards() {
    let mut told = 0;
    for seed in 0..200 {
        let mut chance = Chance(seed);
        // A tenth of the ranges late by 0.2 m and more, each by its own amount.
        let late = heard(12, |_| {
            let excess = if chance.next() < 0.1 { 0.2 + 0.6 * chance.exponential() } else { 0.0 };
            6.0 + 0.06 * chance.normal() + excess
        });
        // The same in stretches of a second and a half.
        let (mut left, mut excess) = (0, 0.0);
        let stretches = heard(12, |_| {
            left -= 1;
            if left <= 0 {
                let is_late = chance.next() < 0.2;
                excess = if is_late { 0.2 + 0.6 * chance.exponential() } else { 0.0 };
                left = 15;
            }
            6.0 + 0.06 * chance.normal() + excess
        });
        let noise = heard(12, |_| 6.0 + 0.5 * chance.normal());
        let walk = heard(12, |t| 3.0 + (1.5 * t).min(10.0) + 0.06 * chance.normal());
        for table in [late, stretches, noise, walk] {
            told += topics(&table).iter().filter(|t| **t == "two_values").count();
        }
    }
    assert!(told <= 4, "{told} false alarms in 800");
}

#[test]
fn two_tags_have_two_distances() {
    let mut h = hearing(1);
    for i in 0..=200 {
        h.hear(&epoch(i * 100, (i % 2) as u32, &[Some(if i % 2 == 0 { 3.0 } else { 9.0 })]));
    }
    let table = h.table(at(20_000));
    assert_eq!(
        table.rows.iter().map(|r| (r.tag.0, r.range_m)).collect::<Vec<_>>(),
        [(0, Some(3.0)), (1, Some(9.0))]
    );
    assert!(!topics(&table).contains(&"two_values"));
}

#[test]
fn an_anchor_that_goes_is_first_vanished_and_then_silent() {
    let mut h = hearing(3);
    let run = |h: &mut Hearing, from: i64, to: i64, second: bool| {
        for i in from..=to {
            h.hear(&epoch(i * 100, 0, &[Some(4.0), second.then_some(5.0), None]));
        }
        h.table(at(to * 100))
    };
    let table = run(&mut h, 0, 20, true);
    assert_eq!(topics(&table), [] as [&str; 0], "too early to miss anybody");
    let table = run(&mut h, 21, 40, true);
    assert_eq!(topics(&table), ["never_heard"]);
    let table = run(&mut h, 41, 60, false);
    let gone = Micros::from_millis(2_000);
    assert_eq!(
        table.warnings[0],
        HearingWarning::JustVanished { tag: TagId(0), anchor: AnchorId(1), ago: gone }
    );
    let table = run(&mut h, 61, 150, false);
    assert_eq!(topics(&table), ["silent", "never_heard"]);
    assert_eq!(table.rows[1].state, AnchorState::Silent);
    // When everything stops it is not the anchors.
    assert_eq!(topics(&h.table(at(18_000))), ["tag_stopped"]);
}

#[test]
fn damage_losses_and_an_uneven_pace_are_told() {
    let mut h = hearing(1);
    h.damaged(at(0));
    for i in 0..=100 {
        if i % 10 == 3 {
            h.damaged(at(i * 100));
        } else {
            h.hear(&epoch(i * 100, 0, &[Some(4.0)]));
        }
    }
    let table = h.table(at(10_000));
    // 10 pieces and 89 frames, the first of which only opens the first interval.
    let Some(HearingWarning::Damaged { pieces: 10, share }) = table.warnings.last() else {
        panic!("{:?}", table.warnings)
    };
    assert!((share - 0.1).abs() < 0.005, "{share}");
    assert!(table.warnings.contains(&HearingWarning::FramesLost { tag: TagId(0), frames: 10 }));

    let mut h = hearing(1);
    for i in 0..=100_i64 {
        // In pairs, as from a buffer that is emptied every 200 ms.
        h.hear(&epoch(i / 2 * 200 + i % 2 * 5, 0, &[Some(4.0)]));
    }
    assert!(topics(&h.table(at(10_000))).contains(&"uneven"));
}

#[test]
fn the_counter_may_turn_and_start_again() {
    let mut h = hearing(1);
    for (i, seq) in (200_u32..256).chain(0..20).chain(0..20).enumerate() {
        h.hear(&Epoch { frame_seq: Some(seq), ..epoch(i as i64 * 100, 0, &[Some(4.0)]) });
    }
    assert_eq!(topics(&h.table(at(9_600))), [] as [&str; 0]);
}

#[test]
fn bytes_that_are_no_frames_are_told_after_a_while() {
    let mut h = hearing(1);
    h.bytes(at(0), 100);
    assert_eq!(topics(&h.table(at(1_000))), [] as [&str; 0]);
    h.bytes(at(4_000), 100);
    assert_eq!(h.table(at(4_000)).warnings, [HearingWarning::NoFrames { bytes: 200 }]);
}

#[test]
fn a_storm_of_tags_frames_and_nonsense_stays_within_bounds() {
    let mut h = hearing(16);
    let mut chance = Chance(1);
    for i in 0..60_000_i64 {
        let wild = [f64::NAN, f64::INFINITY, -1.0e300, 1.0e300, 0.0][i as usize % 5];
        h.hear(&epoch(i, (i % 40) as u32, &[Some(wild), Some(chance.next())]));
        h.damaged(at(i));
    }
    let table = h.table(at(60_000));
    assert_eq!(table.rows.len(), HEARD_TAGS * 16);
    assert!(h.tags.iter().all(|t| t.frames.len() <= WINDOW_FRAMES) && h.damaged.len() <= WINDOW_FRAMES);
    let finite = |v: Option<f64>| v.is_none_or(f64::is_finite);
    assert!(table.rows.iter().all(|r| finite(r.range_m) && finite(r.spread_m) && finite(r.share)));
}
