use super::*;

const POSTS: [[f64; 3]; 8] = [
    [0.0, 0.0, 0.3],
    [16.0, 0.0, 3.4],
    [16.0, 10.0, 0.5],
    [0.0, 10.0, 3.2],
    [8.0, 10.0, 0.4],
    [8.0, 0.0, 3.5],
    [0.0, 5.0, 3.3],
    [16.0, 5.0, 0.2],
];

/// Numbers that look random, the same everywhere: about Gaussian with unit variance.
struct Dice(u64);

impl Dice {
    fn gauss(&mut self) -> f64 {
        let mut unit = || {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (self.0 >> 33) as f64 / (1u64 << 31) as f64
        };
        (0..12).map(|_| unit()).sum::<f64>() - 6.0
    }
}

/// How the tag goes: place after so many metres.
type Way = fn(f64) -> [f64; 3];

fn round(m: f64) -> [f64; 3] {
    let p = m / 5.0;
    [8.0 + 6.5 * (0.9 * p).sin(), 5.0 + 3.8 * (1.37 * p).cos(), 1.2 + 0.5 * (0.6 * p).sin()]
}

/// Back and forth on two metres.
fn corridor(m: f64) -> [f64; 3] {
    [8.0 + (m % 4.0 - 2.0).abs(), 5.0, 1.2]
}

fn run(
    dimension: Dimension,
    way: Way,
    metres: f64,
    error_m: impl Fn(usize, f64, [f64; 3]) -> f64,
) -> PlaceWatch {
    run_with(
        &POSTS.map(|at_m| WatchedAnchor { at_m, offset_se_m: Some(0.02) }),
        dimension,
        way,
        metres,
        error_m,
    )
}

fn run_with(
    anchors: &[WatchedAnchor],
    dimension: Dimension,
    way: Way,
    metres: f64,
    error_m: impl Fn(usize, f64, [f64; 3]) -> f64,
) -> PlaceWatch {
    let mut watch = PlaceWatch::new(dimension, anchors);
    let mut tag = TagWindow::new();
    let mut dice = Dice(11);
    for k in 0..(metres / 0.07) as i64 {
        let m = 0.07 * k as f64;
        let mut here = way(m);
        if let Dimension::TwoD { tag_height_m } = dimension {
            here[2] = tag_height_m;
        }
        // The path that is published is off by centimetres, the same way for a while.
        let off = [0.03 * (0.7 * m).sin(), 0.03 * (0.5 * m).cos(), 0.0];
        let published = [here[0] + off[0], here[1] + off[1], here[2]];
        let ranges: Vec<WatchedRange> = (0..8)
            .map(|i| {
                let range_m = length(minus(here, POSTS[i])) + 0.08 * dice.gauss() + error_m(i, m, here);
                WatchedRange { anchor: i, range_m }
            })
            .collect();
        watch.take(&mut tag, stamp(k), published, &ranges, |_| 0.08);
    }
    watch
}

fn stamp(k: i64) -> Timestamp {
    Timestamp::from_micros(100_000 * k)
}

const FLAT: Dimension = Dimension::TwoD { tag_height_m: 1.2 };

/// What the range of an anchor that has moved by `d` changes by.
fn shifted(i: usize, here: [f64; 3], d: [f64; 3]) -> f64 {
    let moved = [POSTS[i][0] + d[0], POSTS[i][1] + d[1], POSTS[i][2] + d[2]];
    length(minus(here, moved)) - length(minus(here, POSTS[i]))
}

#[test]
fn a_move_is_reported_with_its_shift_in_the_plane_and_in_space() {
    for dimension in [FLAT, Dimension::ThreeD] {
        let watch = run(dimension, round, 400.0, |i, m, here| {
            if i == 4 && m > 150.0 { shifted(4, here, [0.4, -0.1, 0.0]) } else { 0.0 }
        });
        let Standing::Named(Change::Moved { shift_m: [e, n, _], size_se_m, .. }) =
            watch.standing(stamp(5_715), 4)
        else {
            panic!("{dimension:?}: {:?}", watch.standing(stamp(5_715), 4));
        };
        assert!((e - 0.4).abs() < 0.06 && (n + 0.1).abs() < 0.08, "{dimension:?}: {e} {n}");
        assert!(size_se_m > 0.001 && size_se_m < 0.04);
        for i in [0, 1, 2, 3, 5, 6, 7] {
            assert_eq!(watch.standing(stamp(5_715), i), Standing::Unchanged, "{dimension:?}: anchor {i}");
        }
    }
}

#[test]
fn an_offset_is_no_move() {
    let watch = run(FLAT, round, 400.0, |i, m, _| if i == 2 && m > 150.0 { -0.3 } else { 0.0 });
    let Standing::Named(Change::Offset { by_m, se_m }) = watch.standing(stamp(5_715), 2) else {
        panic!("{:?}", watch.standing(stamp(5_715), 2));
    };
    assert!((by_m + 0.3).abs() < 0.05 && se_m < 0.03, "{by_m} {se_m}");
}

#[test]
fn a_place_that_is_wrong_from_the_start_is_named_as_such_near_and_far() {
    for (dimension, d) in [
        (FLAT, [0.3, 0.1, 0.0]),
        (FLAT, [-2.0, 3.0, 0.0]),
        (Dimension::ThreeD, [0.4, 0.3, 0.0]),
        (Dimension::ThreeD, [2.0, -1.0, 1.5]),
    ] {
        let watch = run(dimension, round, 250.0, |i, _, here| if i == 4 { shifted(4, here, d) } else { 0.0 });
        let Standing::Named(Change::Moved { shift_m, from_start, .. }) = watch.standing(stamp(3_571), 4)
        else {
            panic!("{dimension:?} {d:?}: {:?}", watch.standing(stamp(3_571), 4));
        };
        let flat = ((shift_m[0] - d[0]).powi(2) + (shift_m[1] - d[1]).powi(2)).sqrt();
        // All ways lie in one storey: up is known less well, and a level anchor's not at all well.
        let up = (shift_m[2] - d[2]).abs();
        assert!(from_start && flat < 0.15 && up < 0.5, "{dimension:?} {d:?}: {shift_m:?}");
    }
}

#[test]
fn a_board_that_hangs_lower_is_a_matter_of_its_height() {
    let watch =
        run(FLAT, round, 250.0, |i, _, here| if i == 6 { shifted(6, here, [0.0, 0.0, -2.0]) } else { 0.0 });
    let Standing::Named(Change::Moved { shift_m: [e, n, up], .. }) = watch.standing(stamp(3_571), 6) else {
        panic!("{:?}", watch.standing(stamp(3_571), 6));
    };
    // 3.3 m up, the tag at 1.2 m: 1.3 m and 1.1 m read alike.
    assert!(e == 0.0 && n == 0.0 && ((up + 2.0).abs() < 0.2 || (up + 2.2).abs() < 0.2), "{up}");
}

#[test]
fn what_was_reported_stays_reported_until_it_is_mended() {
    let away = |m: f64| m > 150.0 && m < 750.0;
    for metres in [300.0, 450.0, 600.0, 740.0] {
        let watch = run(FLAT, round, metres, |i, m, here| {
            if i == 1 && away(m) { shifted(1, here, [-0.6, 0.8, 0.0]) } else { 0.0 }
        });
        let standing = watch.standing(stamp((metres / 0.07) as i64), 1);
        assert!(matches!(standing, Standing::Named(Change::Moved { .. })), "{metres} m: {standing:?}");
    }
    let mended =
        run(
            FLAT,
            round,
            900.0,
            |i, m, here| {
                if i == 1 && away(m) { shifted(1, here, [-0.6, 0.8, 0.0]) } else { 0.0 }
            },
        );
    assert_eq!(mended.standing(stamp(12_857), 1), Standing::Unchanged);
}

#[test]
fn a_constant_of_a_board_that_was_never_calibrated_is_no_move() {
    for by_m in [-0.4, 0.4] {
        let mut anchors = POSTS.map(|at_m| WatchedAnchor { at_m, offset_se_m: Some(0.02) });
        anchors[2].offset_se_m = None;
        let watch = run_with(&anchors, FLAT, round, 300.0, |i, _, _| if i == 2 { by_m } else { 0.0 });
        let standing = watch.standing(stamp(4_285), 2);
        assert!(!matches!(standing, Standing::Named(Change::Moved { .. })), "{by_m}: {standing:?}");
    }
}

#[test]
fn an_nlos_anchor_reads_long_and_a_calm_one_is_unchanged() {
    let watch = run(FLAT, round, 400.0, |i, m, _| if i == 6 && m > 150.0 { 0.35 } else { 0.0 });
    let named = watch.standing(stamp(5_715), 6);
    assert!(matches!(named, Standing::Named(Change::ReadsLong { .. } | Change::Offset { .. })), "{named:?}");
    assert_eq!(run(FLAT, round, 200.0, |_, _, _| 0.0).standing(stamp(2_857), 6), Standing::Unchanged);
}

#[test]
fn a_change_that_all_share_is_nobodys() {
    let watch = run(FLAT, round, 300.0, |_, _, _| 0.3);
    for i in 0..8 {
        assert_eq!(watch.standing(stamp(4_285), i), Standing::AllAlike);
    }
}

#[test]
fn a_corridor_is_too_narrow_to_tell() {
    let watch = run(FLAT, corridor, 200.0, |_, _, _| 0.0);
    assert_eq!(watch.standing(stamp(2_857), 0), Standing::TooNarrow);
}

#[test]
fn nonsense_is_survived() {
    let anchors =
        [[0.0; 3], [1e9, 0.0, f64::NAN], [0.0; 3]].map(|at_m| WatchedAnchor { at_m, offset_se_m: None });
    let mut watch = PlaceWatch::new(Dimension::ThreeD, &anchors);
    let mut tag = TagWindow::new();
    let wild = [0.0, -1.0, f64::NAN, f64::INFINITY, 1e300, 5.0];
    for k in 0..5_000_usize {
        let place = [k as f64 * 0.1 % 50.0, wild[k % 6].min(3.0), if k % 7 == 0 { f64::NAN } else { 1.0 }];
        let ranges: Vec<WatchedRange> =
            (0..4).map(|anchor| WatchedRange { anchor, range_m: wild[(k + anchor) % 6] }).collect();
        watch.take(&mut tag, stamp(k as i64), place, &ranges, |i| wild[(k + i) % 6]);
        for i in 0..5 {
            match watch.standing(stamp(k as i64), i) {
                Standing::Named(Change::Offset { by_m, se_m }) => {
                    assert!(by_m.is_finite() && se_m.is_finite());
                }
                Standing::Named(Change::Moved { shift_m, size_se_m, across_se_m, .. }) => {
                    assert!(shift_m.into_iter().chain([size_se_m, across_se_m]).all(f64::is_finite));
                }
                _ => {}
            }
        }
    }
}
