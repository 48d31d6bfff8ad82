//! Sittings and proofs on seeded ranges of a shed with eight boards (invented): offsets come back, bumped and
//! blocked stands are told, the wrong tag is left out.

use super::*;
use arrayvec::ArrayVec;
use hereabout_core::{Anchor, Fence, Micros, RangeReading, SiteDraft, TrackSettings};

use crate::{Engine, Input};

const PLACES_M: [[f64; 3]; 8] = [
    [0.0, 0.0, 2.5],
    [14.0, 0.0, 2.6],
    [14.0, 9.0, 2.4],
    [0.0, 9.0, 2.6],
    [7.0, 0.0, 2.4],
    [7.0, 9.0, 2.5],
    [14.0, 4.5, 2.5],
    [0.0, 4.5, 2.5],
];
const OFFSETS_M: [f64; 8] = [0.12, -0.05, 0.2, 0.0, -0.11, 0.07, 0.3, -0.02];
const SPOTS_M: [[f64; 2]; 5] = [[2.0, 2.0], [12.0, 2.5], [11.5, 7.0], [3.0, 7.5], [7.0, 4.5]];

fn site(anchors: usize) -> Site {
    draft_of(anchors).validate().unwrap().0
}

fn draft_of(anchors: usize) -> SiteDraft {
    let anchor = |(i, at_m): (usize, &[f64; 3])| Anchor {
        id: AnchorId(i as u16),
        name: format!("board {i}"),
        at_m: *at_m,
        range_sigma_m: 0.1,
        slot: None,
        correction: Correction::NONE,
    };
    SiteDraft {
        name: "shed".into(),
        dimension: Dimension::TwoD { tag_height_m: 0.9 },
        fence: Fence::default(),
        range_span_m: [0.01, 100.0],
        anchors: PLACES_M.iter().take(anchors).enumerate().map(anchor).collect(),
        zones: Vec::new(),
        track: TrackSettings::default(),
        range_fields: None,
        required_ce95_m: None,
        tag_height_se_m: None,
        tags: Vec::new(),
        correction_limits: Default::default(),
    }
}

/// Noise that repeats: a sum of twelve uniform numbers has a standard deviation of 1.
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        let mut sum = -6.0;
        for _ in 0..12 {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            sum += (self.0 >> 11) as f64 / (1_u64 << 53) as f64;
        }
        sum
    }
}

fn stamp(s: f64) -> Timestamp {
    Timestamp::default().plus(Micros::from_secs_f64(s))
}

fn spot(k: usize, seconds: f64) -> Spot {
    let from = 100.0 * k as f64;
    let at_m = [SPOTS_M[k][0], SPOTS_M[k][1], 0.9];
    Spot { name: format!("spot {k}"), at_m, from: stamp(from), to: stamp(from + seconds) }
}

/// What the kit says while the tag stands at `at_m` from `from_s` on.
fn epochs(at_m: [f64; 3], from_s: f64, seconds: f64, noise: &mut Noise) -> Vec<Epoch> {
    let n = (seconds * 10.0) as usize;
    let epoch = |i: usize| {
        let reading = |(k, a): (usize, &[f64; 3])| {
            let d = (0..3).map(|c| (at_m[c] - a[c]).powi(2)).sum::<f64>().sqrt();
            let raw_range_m = Some(d + OFFSETS_M[k] + 0.05 * noise.next());
            RangeReading { anchor: AnchorId(k as u16), raw_range_m }
        };
        let readings: ArrayVec<RangeReading, 8> = PLACES_M.iter().enumerate().map(reading).collect();
        let readings = readings.into_iter().collect();
        Epoch::new(stamp(from_s + i as f64 / 10.0), TagId(0), None, readings)
    };
    (0..n).map(epoch).collect()
}

/// A whole sitting; the tag really stands `shift_m(k)` to the east of the stated place.
fn sitting(site: &Site, spots: usize, shift_m: impl Fn(usize, f64) -> f64) -> Sitting {
    let mut noise = Noise(7);
    let mut sitting = Sitting::new(site, None);
    for k in 0..spots {
        let spot = spot(k, 60.0);
        assert!(sitting.begin(spot.clone()));
        for half in [0.0, 30.0] {
            let mut at_m = spot.at_m;
            at_m[0] += shift_m(k, half);
            for epoch in epochs(at_m, 100.0 * k as f64 + half, 30.0, &mut noise) {
                sitting.take(&epoch);
            }
        }
    }
    sitting
}

#[test]
fn five_places_give_every_offset_back() {
    let site = site(8);
    let found = calibrate(&site, &sitting(&site, 5, |_, _| 0.0), ScaleChoice::WhenProven);
    assert_eq!(found.taken().len(), 8);
    for (b, true_m) in found.boards.iter().zip(OFFSETS_M) {
        let o = b.found.unwrap();
        // The project's own bar: five places of 60 s end at 2.2 cm RMS or better; here the room adds nothing.
        assert!((o.offset_m - true_m).abs() < 0.022, "{b:?} is really {true_m}");
        assert!((o.offset_m - true_m).abs() < 3.0 * o.se_m, "{b:?}");
        assert_eq!((b.verdict, b.change_m, o.scale), (BoardVerdict::Good, None, 1.0));
    }
    assert_eq!(found.places_used(), [0, 1, 2, 3, 4]);
}

#[test]
fn a_wrong_coordinate_is_left_out_and_a_bumped_tag_is_told() {
    let site = site(8);
    let wrong =
        calibrate(&site, &sitting(&site, 5, |k, _| if k == 2 { 0.3 } else { 0.0 }), ScaleChoice::Never);
    let named = &wrong.adjustment.as_ref().unwrap().wrong_occupations;
    assert_eq!(named.len(), 1);
    assert_eq!(named[0].candidate, FaultCandidate::OccupationPlace(2));
    assert!((named[0].shift_m[0] - 0.3).abs() < 0.1, "{named:?}");
    assert_eq!(wrong.places_used(), [0, 1, 3, 4]);

    let moved = |k: usize, half: f64| if k == 1 && half > 0.0 { 0.1 } else { 0.0 };
    let bumped = calibrate(&site, &sitting(&site, 5, moved), ScaleChoice::Never);
    assert!(
        matches!(bumped.stands[1].displacement, DisplacementVerdict::Moved { .. }),
        "{:?}",
        bumped.stands[1].displacement
    );
    assert_eq!(bumped.places_used(), [0, 2, 3, 4]);
    assert!(bumped.boards.iter().all(|b| b.found.is_some_and(|o| o.occupations == 4)));
}

/// A sitting in which the path from a board to a place is too long, board by board and place by place.
fn blocked_sitting(site: &Site, spots: usize, blocked: &[(usize, u16, f64)]) -> Sitting {
    let (mut noise, mut sitting) = (Noise(9), Sitting::new(site, None));
    for k in 0..spots {
        let spot = spot(k, 60.0);
        sitting.begin(spot.clone());
        for mut epoch in epochs(spot.at_m, 100.0 * k as f64, 60.0, &mut noise) {
            for r in &mut epoch.readings {
                for (_, _, m) in blocked.iter().filter(|b| (b.0, AnchorId(b.1)) == (k, r.anchor)) {
                    r.raw_range_m = r.raw_range_m.map(|raw| raw + m);
                }
            }
            sitting.take(&epoch);
        }
    }
    sitting
}

#[test]
fn a_board_without_a_direct_path_to_one_place_keeps_the_others() {
    let site = site(8);
    let found = calibrate(&site, &blocked_sitting(&site, 5, &[(1, 3, 0.4)]), ScaleChoice::WhenProven);
    let a = found.adjustment.as_ref().unwrap();
    let [b] = a.blocked[..] else { panic!("{:?} {:?}", a.blocked, a.faults) };
    assert_eq!((b.occupation, b.anchor), (1, 3));
    assert!((b.excess_m - 0.4).abs() < 0.05, "{b:?}");
    assert_eq!(found.places_used(), [0, 1, 2, 3, 4]);
    for (b, true_m) in found.boards.iter().zip(OFFSETS_M) {
        assert_eq!(b.verdict, BoardVerdict::Good);
        assert!((b.found.unwrap().offset_m - true_m).abs() < 0.01, "{b:?} is really {true_m}");
    }
}

#[test]
fn a_board_is_in_doubt_when_everything_that_may_be_wrong_is_about_it() {
    let site = site(8);
    // Four places name nothing; the board's offset would be 10 cm off.
    let found = calibrate(&site, &blocked_sitting(&site, 4, &[(1, 3, 0.4)]), ScaleChoice::WhenProven);
    assert!(found.adjustment.as_ref().unwrap().blocked.is_empty());
    assert_eq!(found.boards[3].verdict, BoardVerdict::InDoubt);
    assert!(!found.boards[3].verdict.is_taken() && found.taken().len() == 7, "{:?}", found.boards);
}

#[test]
fn one_board_needs_no_coordinates() {
    let site = site(1);
    let mut sitting = Sitting::new(&site, None);
    sitting.begin(spot(0, 30.0));
    // The board of the first place, the tag one metre beside it.
    for epoch in epochs([1.0, 0.0, 2.5], 0.0, 30.0, &mut Noise(3)) {
        sitting.take(&epoch);
    }
    let found = calibrate_one(&site, &sitting, 0, 1.0);
    let b = &found.boards[0];
    assert!((b.found.unwrap().offset_m - OFFSETS_M[0]).abs() < 0.01, "{b:?}");
    // One place cannot claim better than what heading and room do to it: 4 to 5 cm, common practice, no source.
    assert!(b.found.unwrap().se_m > 0.04, "{b:?}");
    assert!((slant_m(3.0, 4.0) - 5.0).abs() < 1e-12);
}

#[test]
fn silence_and_short_stands_are_told_apart() {
    let site = site(8);
    let mut sitting = Sitting::new(&site, None);
    sitting.begin(spot(0, 60.0));
    for mut epoch in epochs([2.0, 2.0, 0.9], 0.0, 5.0, &mut Noise(3)) {
        epoch.readings.retain(|r| r.anchor != AnchorId(6));
        sitting.take(&epoch);
    }
    let found = calibrate(&site, &sitting, ScaleChoice::Never);
    assert_eq!(found.boards[6].verdict, BoardVerdict::Silent);
    assert_eq!(found.boards[0].verdict, BoardVerdict::Refused);
    assert!(found.taken().is_empty());
    assert_eq!(found.adjustment, Err(AdjustRefusal::NothingMeasured));
}

#[test]
fn other_tags_are_told_and_left_out() {
    let site = site(8);
    let mut all = Sitting::new(&site, None);
    let mut one = Sitting::new(&site, Some(TagId(4)));
    for s in [&mut all, &mut one] {
        s.begin(spot(0, 60.0));
        for mut epoch in epochs([2.0, 2.0, 0.9], 0.0, 2.0, &mut Noise(3)) {
            s.take(&epoch);
            epoch.tag = TagId(4);
            s.take(&epoch);
        }
    }
    assert_eq!((all.tags(), all.counts()[0]), (&[TagId(0), TagId(4)][..], 40));
    assert_eq!((one.tags(), one.counts()[0]), (&[TagId(4)][..], 20));
    assert_eq!(all.extent(), Some((stamp(0.0), stamp(1.9))));
}

#[test]
fn a_proof_passes_with_good_offsets_and_names_the_wrong_one() {
    let good = site(8).with_corrections(&OFFSETS_M.map(|offset_m| Correction {
        offset_m,
        scale: 1.0,
        offset_se_m: Some(0.02),
    }));
    let mut wrong = OFFSETS_M;
    wrong[2] -= 0.4;
    let wrong = good.clone().with_corrections(&wrong.map(|offset_m| Correction {
        offset_m,
        scale: 1.0,
        offset_se_m: Some(0.02),
    }));
    for (site, names) in [(good, false), (wrong, true)] {
        let mut proof = Proof::new(&site, None);
        let mut engine = Engine::new(site.clone(), None);
        let mut noise = Noise(21);
        for k in 0..5 {
            let spot = spot(k, 30.0);
            proof.begin(spot.clone());
            for epoch in epochs(spot.at_m, 100.0 * k as f64, 30.0, &mut noise) {
                engine.handle(Input::Epoch(&epoch));
                while let Some(output) = engine.poll_output() {
                    proof.take(&output);
                }
            }
        }
        let shown = proof.verify(&site, &[[12.0, 2.5, 0.9]], Some(0.5));
        assert_eq!(
            shown.points.iter().map(|p| p.reused).collect::<Vec<_>>(),
            [None, Some(0), None, None, None]
        );
        if names {
            let FaultIsolation::Named(e) = &shown.faults else { panic!("{:?}", shown.faults) };
            let about = [
                FaultCandidate::AnchorOffset(2),
                FaultCandidate::AnchorPlace(2),
                FaultCandidate::AnchorPlaceAndOffset(2),
            ];
            assert!(about.contains(&e.candidate), "{e:?}");
        } else {
            assert_eq!(shown.faults, FaultIsolation::None);
            let ce95 = shown.ce95.unwrap().observed_m;
            assert!(ce95 > 0.005 && ce95 < 0.15, "{ce95}");
            assert!(proof.counts(0).1 > 250, "{:?}", proof.counts(0));
            let errors = proof.errors_m();
            assert_eq!(errors.len(), (0..5).map(|k| proof.counts(k).1).sum::<usize>());
            assert!((errors[errors.len() - 1] - shown.overall.unwrap().horizontal.max_m).abs() < 1e-9);
        }
    }
}

#[test]
fn a_place_in_centimetres_takes_no_board_and_the_slip_is_named_by_the_ranges() {
    let site = site(8);
    let typed = |change: &dyn Fn([f64; 3]) -> [f64; 3]| {
        let mut s = sitting(&site, 2, |_, _| 0.0);
        s.spots[0].at_m = change(s.spots[0].at_m);
        calibrate(&site, &s, ScaleChoice::WhenProven)
    };
    let [e, n] = SPOTS_M[0];
    assert_eq!(e, n, "swapping them would change nothing");
    let mut implausible = 0;
    for (change, slip) in [
        (
            &(|[e, n, u]: [f64; 3]| [e * 100.0, n * 100.0, u]) as &dyn Fn([f64; 3]) -> [f64; 3],
            Slip::Centimetres,
        ),
        (&|[e, n, u]: [f64; 3]| [-e, n, u], Slip::EastSign),
        (&|[e, n, u]: [f64; 3]| [e, n, u * 100.0], Slip::Centimetres),
    ] {
        let found = typed(change);
        if found.boards.iter().any(|b| b.verdict == BoardVerdict::Implausible) {
            implausible += 1;
            assert!(found.taken().is_empty(), "{:?}", found.boards);
            let doubted = found.doubted_places[0];
            assert_eq!((doubted.spot, doubted.meant.map(|(s, _)| s)), (0, Some(slip)), "{doubted:?}");
            assert_eq!(doubted.meant.unwrap().1[0], e);
        } else {
            // The adjustment left the place out by itself.
            assert_eq!(found.places_used(), [1], "{slip:?}: {found:?}");
        }
    }
    assert!(implausible > 0, "of two places none is left out by itself");
}

#[test]
fn one_place_with_swapped_axes_takes_no_board_and_says_so() {
    let site = site(8);
    let mut s = Sitting::new(&site, None);
    s.begin(Spot { at_m: [SPOTS_M[4][1], SPOTS_M[4][0], 0.9], ..spot(0, 30.0) });
    let mut noise = Noise(7);
    let at_m = [SPOTS_M[4][0], SPOTS_M[4][1], 0.9];
    epochs(at_m, 0.0, 30.0, &mut noise).iter().for_each(|e| s.take(e));
    let found = calibrate(&site, &s, ScaleChoice::WhenProven);
    assert!(found.taken().is_empty(), "{:?}", found.boards);
    assert!(found.boards.iter().all(|b| !b.verdict.is_taken() && b.change_m.is_none()));
    assert_eq!(found.doubted_places, [DoubtedPlace { spot: 0, meant: Some((Slip::SwappedAxes, at_m)) }]);
    // A site whose boards may be that far off takes them, as odd.
    let wide = SiteDraft {
        tags: Vec::new(),
        correction_limits: hereabout_core::plausible::CorrectionLimits {
            max_offset_m: 10.0,
            max_scale_change: 0.1,
        },
        ..draft_of(8)
    };
    let found = calibrate(&wide.validate().unwrap().0, &s, ScaleChoice::WhenProven);
    assert!(found.boards.iter().any(|b| b.verdict == BoardVerdict::Odd), "{:?}", found.boards);
}

#[test]
fn a_taped_distance_in_centimetres_is_not_taken() {
    let site = site(8);
    let s = sitting(&site, 1, |_, _| 0.0);
    let [e, n] = SPOTS_M[0];
    let true_m = (e * e + n * n + (PLACES_M[0][2] - 0.9).powi(2)).sqrt();
    let found = calibrate_one(&site, &s, 0, true_m * 100.0);
    assert_eq!((found.boards[0].verdict, found.taken().len()), (BoardVerdict::Implausible, 0));
    let (slip, meant_m) = found.meant_distance.unwrap();
    assert!(slip == Slip::Centimetres && (meant_m - true_m).abs() < 1e-9);
    assert_eq!(calibrate_one(&site, &s, 0, true_m).meant_distance, None);
}

#[test]
fn a_proof_rests_on_every_position_and_what_finds_no_room_is_counted() {
    let site = site(8);
    let mut engine = Engine::new(site.clone(), None);
    let mut reports = Vec::new();
    for e in epochs([2.0, 2.0, 0.9], 0.0, 5.0, &mut Noise(3)) {
        engine.handle(Input::Epoch(&e));
        while let Some(output) = engine.poll_output() {
            match output {
                Output::Position(p) if p.state == TagState::Located => reports.push(Output::Position(p)),
                _ => {}
            }
        }
    }
    let one = reports.last().unwrap();
    let at = if let Output::Position(p) = one { p.at } else { unreachable!() };
    let whole = Spot { name: "bench".into(), at_m: [2.0, 2.0, 0.9], from: at, to: at };
    let mut proof = Proof::new(&site, None);
    proof.begin(whole.clone());
    (0..25_000).for_each(|_| proof.take(one));
    assert_eq!((proof.counts(0), proof.left_out(0)), ((25_000, 25_000), 0), "nothing stops at 20,000");

    let mut small = Proof::new(&site, None);
    small.most = 10;
    small.begin(whole);
    (0..25).for_each(|_| small.take(one));
    assert_eq!((small.counts(0), small.left_out(0)), ((25, 10), 15));

    let mut heard = Sitting::new(&site, None);
    heard.most = 20;
    heard.begin(spot(0, 5.0));
    epochs([2.0, 2.0, 0.9], 0.0, 5.0, &mut Noise(3)).iter().for_each(|e| heard.take(e));
    assert_eq!(heard.counts().iter().sum::<usize>(), 20);
    assert!(heard.left_out() > 300, "{}", heard.left_out());
}
