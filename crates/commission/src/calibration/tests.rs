//! Calibrations on seeded ranges of a shed with eight boards: offsets come back, displaced and blocked places are reported.

use hereabout_core::SiteDraft;
use hereabout_fixtures::{Noise, SHED_M};

use super::*;
use crate::survey::{Spot, slant_m};
use crate::survey_kit::*;

#[test]
fn five_places_give_every_offset_back() {
    let site = site(8);
    let found = calibrate(&site, &session(&site, 5, |_, _| 0.0), ScaleChoice::WhenProven);
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
        calibrate(&site, &session(&site, 5, |k, _| if k == 2 { 0.3 } else { 0.0 }), ScaleChoice::Never);
    let named = &wrong.adjustment.as_ref().unwrap().wrong_occupations;
    assert_eq!(named.len(), 1);
    assert_eq!(named[0].candidate, FaultCandidate::OccupationPlace(2));
    assert!((named[0].shift_m[0] - 0.3).abs() < 0.1, "{named:?}");
    assert_eq!(wrong.places_used(), [0, 1, 3, 4]);

    let moved = |k: usize, half: f64| if k == 1 && half > 0.0 { 0.1 } else { 0.0 };
    let displaced = calibrate(&site, &session(&site, 5, moved), ScaleChoice::Never);
    assert!(
        matches!(displaced.occupations[1].displacement, DisplacementVerdict::Moved { .. }),
        "{:?}",
        displaced.occupations[1].displacement
    );
    assert_eq!(displaced.places_used(), [0, 2, 3, 4]);
    assert!(displaced.boards.iter().all(|b| b.found.is_some_and(|o| o.occupations == 4)));
}

#[test]
fn a_board_without_a_direct_path_to_one_place_keeps_the_others() {
    let site = site(8);
    let found = calibrate(&site, &blocked_session(&site, 5, &[(1, 3, 0.4)]), ScaleChoice::WhenProven);
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
    let found = calibrate(&site, &blocked_session(&site, 4, &[(1, 3, 0.4)]), ScaleChoice::WhenProven);
    assert!(found.adjustment.as_ref().unwrap().blocked.is_empty());
    assert_eq!(found.boards[3].verdict, BoardVerdict::InDoubt);
    assert!(!found.boards[3].verdict.is_taken() && found.taken().len() == 7, "{:?}", found.boards);
}

#[test]
fn one_board_needs_no_coordinates() {
    let site = site(1);
    let mut session = SurveySession::new(&site, None);
    session.begin(spot(0, 30.0));
    // The board of the first place, the tag one metre beside it.
    for epoch in epochs([1.0, 0.0, 2.5], 0.0, 30.0, &mut Noise(3)) {
        session.take(&epoch);
    }
    let found = calibrate_one(&site, &session, 0, 1.0);
    let b = &found.boards[0];
    assert!((b.found.unwrap().offset_m - OFFSETS_M[0]).abs() < 0.01, "{b:?}");
    // One place cannot claim better than what heading and room do to it: 4 to 5 cm, common practice, no source.
    assert!(b.found.unwrap().se_m > 0.04, "{b:?}");
    assert!((slant_m(3.0, 4.0) - 5.0).abs() < 1e-12);
}

#[test]
fn silence_and_short_stands_are_told_apart() {
    let site = site(8);
    let mut session = SurveySession::new(&site, None);
    session.begin(spot(0, 60.0));
    for mut epoch in epochs([2.0, 2.0, 0.9], 0.0, 5.0, &mut Noise(3)) {
        epoch.readings.retain(|r| r.anchor != AnchorId(6));
        session.take(&epoch);
    }
    let found = calibrate(&site, &session, ScaleChoice::Never);
    assert_eq!(found.boards[6].verdict, BoardVerdict::Silent);
    assert_eq!(found.boards[0].verdict, BoardVerdict::Refused);
    assert!(found.taken().is_empty());
    assert_eq!(found.adjustment, Err(AdjustRefusal::NothingMeasured));
}

#[test]
fn a_place_in_centimetres_takes_no_board_and_the_slip_is_named_by_the_ranges() {
    let site = site(8);
    let typed = |change: &dyn Fn([f64; 3]) -> [f64; 3]| {
        let s = session_as_typed(&site, 2, |_, _| 0.0, |k, at_m| if k == 0 { change(at_m) } else { at_m });
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
    let mut s = SurveySession::new(&site, None);
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
    let s = session(&site, 1, |_, _| 0.0);
    let [e, n] = SPOTS_M[0];
    let true_m = (e * e + n * n + (SHED_M[0][2] - 0.9).powi(2)).sqrt();
    let found = calibrate_one(&site, &s, 0, true_m * 100.0);
    assert_eq!((found.boards[0].verdict, found.taken().len()), (BoardVerdict::Implausible, 0));
    let (slip, meant_m) = found.meant_distance.unwrap();
    assert!(slip == Slip::Centimetres && (meant_m - true_m).abs() < 1e-9);
    assert_eq!(calibrate_one(&site, &s, 0, true_m).meant_distance, None);
}
