//! What boards and tags can have passes, what they can't is refused, and a slip is named only where undoing it helps. The
//! limits are the project's own (common practice, no source).

use super::*;
use crate::{Anchor, Fence, SiteDraft, TrackSettings};

fn correction(offset_m: f64, scale: f64, offset_se_m: Option<f64>) -> Correction {
    Correction { offset_m, scale, offset_se_m }
}

fn judged(c: Correction) -> Vec<Implausible> {
    CorrectionLimits::default().judge(&c).collect()
}

/// A yard of 24 m by 14 m.
fn yard(dimension: Dimension, area: bool) -> Site {
    let anchor = |(i, at_m): (usize, [f64; 3])| Anchor {
        id: AnchorId(i as u16),
        name: format!("anchor {i}"),
        at_m,
        range_sigma_m: 0.1,
        slot: None,
        correction: Correction::NONE,
    };
    let places = [[0.0, 0.0, 2.6], [24.0, 0.0, 2.4], [24.0, 14.0, 4.8], [0.0, 14.0, 2.2]];
    let corners = vec![[0.0, 0.0], [24.0, 0.0], [24.0, 14.0], [0.0, 14.0]];
    let draft = SiteDraft {
        name: "yard".into(),
        dimension,
        fence: Fence { area_m: if area { corners } else { Vec::new() }, up_span_m: Some([0.0, 3.0]) },
        range_span_m: [0.01, 200.0],
        anchors: places.into_iter().enumerate().map(anchor).collect(),
        zones: Vec::new(),
        track: TrackSettings::default(),
        range_fields: None,
        required_ce95_m: None,
        tag_height_se_m: None,
        tags: Vec::new(),
        correction_limits: CorrectionLimits::default(),
    };
    draft.validate().expect("a good site").0
}

const FLAT: Dimension = Dimension::TwoD { tag_height_m: 0.9 };

#[test]
fn what_boards_have_passes_to_the_limit_and_no_further() {
    for (offset_m, scale, se) in
        [(0.0, 1.0, None), (0.5, 1.1, Some(0.0)), (-0.5, 0.9, Some(0.5)), (0.112, 1.0, Some(0.01))]
    {
        assert_eq!(judged(correction(offset_m, scale, se)), [], "{offset_m} {scale}");
    }
    for (offset_m, scale, se) in [
        (0.5001, 1.0, None),
        (f64::NAN, 1.0, None),
        (0.0, 1.1001, None),
        (0.0, 0.8999, None),
        (0.0, f64::INFINITY, None),
        (0.0, 1.0, Some(-0.001)),
        (0.0, 1.0, Some(f64::NAN)),
    ] {
        assert_eq!(judged(correction(offset_m, scale, se)).len(), 1, "{offset_m} {scale} {se:?}");
    }
    assert_eq!(judged(correction(-292.6, 2.0, Some(3.0))).len(), 3, "all of it is told");
    let wide = CorrectionLimits { max_offset_m: 1.0, ..CorrectionLimits::default() };
    assert_eq!(wide.judge(&correction(0.8, 1.0, None)).count(), 0, "the site's own limit counts");
}

#[test]
fn the_slip_is_named_where_undoing_it_gives_what_boards_have() {
    let offset = |value_m: f64| match judged(correction(value_m, 1.0, None))[..] {
        [Implausible::Offset { slip, limit_m: MAX_OFFSET_M, .. }] => slip,
        ref other => panic!("{other:?}"),
    };
    assert_eq!(offset(12.0), Some(Slip::Centimetres));
    assert_eq!(offset(-29.0), Some(Slip::Centimetres));
    assert_eq!(offset(112.0), Some(Slip::Millimetres));
    assert_eq!(offset(-292.6), Some(Slip::Millimetres));
    assert_eq!(offset(5e4), None);
    assert_eq!(offset(f64::INFINITY), None);
    let scale = |value: f64| match judged(correction(0.0, value, None))[..] {
        [Implausible::Scale { slip, .. }] => slip,
        ref other => panic!("{other:?}"),
    };
    assert_eq!(scale(101.5), Some(Slip::Percent));
    assert_eq!(scale(0.015), Some(Slip::ScaleChange));
    assert_eq!(scale(-0.02), Some(Slip::ScaleChange));
    assert_eq!(scale(3.0), None);
}

#[test]
fn places_in_the_yard_pass_and_those_beyond_are_told_from_each_other() {
    let flat = yard(FLAT, true);
    for at_m in [[4.0, 3.0, 0.9], [-4.9, 0.0, 0.9], [24.0, 18.9, 1.5], [12.0, 7.0, -29.0]] {
        assert_eq!(judge_place(&flat, at_m), None, "{at_m:?}");
    }
    assert!(matches!(judge_place(&flat, [f64::NAN, 0.0, 0.9]), Some(PlaceDoubt::NotFinite)));
    assert!(
        matches!(judge_place(&flat, [3.5, 20.0, 0.9]), Some(PlaceDoubt::OutsideArea { by_m }) if by_m == 6.0)
    );
    assert!(matches!(judge_place(&flat, [12.0, 7.0, 90.0]), Some(PlaceDoubt::Height { .. })));
    let far = judge_place(&flat, [320.0, 410.0, 0.9]);
    assert!(
        matches!(far, Some(PlaceDoubt::BeyondReach { nearest: AnchorId(2), limit_m: REACH_M, .. })),
        "{far:?}"
    );
    // Without an area only the reach counts.
    assert_eq!(judge_place(&yard(FLAT, false), [3.5, 20.0, 0.9]), None);
    // In 3D the stated heights count.
    let tall = yard(Dimension::ThreeD, false);
    assert_eq!(judge_place(&tall, [4.0, 3.0, 3.9]), None);
    assert!(matches!(
        judge_place(&tall, [4.0, 3.0, 4.1]),
        Some(PlaceDoubt::Height { limits_m: [-1.0, 4.0], .. })
    ));
}

#[test]
fn the_slip_of_a_place_is_named_with_the_place_that_was_meant() {
    let site = yard(FLAT, true);
    let meant = |at_m| place_slip(at_m, |p| is_likely_place(&site, p));
    assert_eq!(meant([3.5, 20.0, 0.9]), Some((Slip::SwappedAxes, [20.0, 3.5, 0.9])));
    assert_eq!(meant([320.0, 410.0, 0.9]), Some((Slip::Centimetres, [3.2, 4.1, 0.9])));
    assert_eq!(meant([3200.0, 4100.0, 900.0]), Some((Slip::Millimetres, [3.2, 4.1, 0.9])));
    assert_eq!(meant([320.0, 410.0, 90.0]), Some((Slip::Centimetres, [3.2, 4.1, 0.9])));
    assert_eq!(meant([12.0, 7.0, 90.0]), Some((Slip::Centimetres, [12.0, 7.0, 0.9])));
    assert_eq!(meant([-20.0, 3.0, 0.9]), Some((Slip::EastSign, [20.0, 3.0, 0.9])));
    assert_eq!(meant([20.0, -12.0, 0.9]), Some((Slip::NorthSign, [20.0, 12.0, 0.9])));
    assert_eq!(meant([1e7, 1e7, 0.9]), None);
    // Without an area the usual reach and the tag's height tell the units apart.
    let open = yard(FLAT, false);
    let meant = |at_m| place_slip(at_m, |p| is_likely_place(&open, p));
    assert_eq!(meant([8000.0, 3500.0, 0.9]), Some((Slip::Millimetres, [8.0, 3.5, 0.9])));
    assert_eq!(meant([8000.0, 3500.0, 900.0]), Some((Slip::Millimetres, [8.0, 3.5, 0.9])));
    assert_eq!(place_slip([5.0, 5.0, 0.9], |p| p == [5.0, 5.0, 0.9]), None, "swapping changes nothing there");
}

#[test]
fn a_height_contradicts_a_flat_site_beyond_a_decimetre() {
    let site = yard(FLAT, true);
    for fine in [0.9, 1.0, 0.8] {
        assert_eq!(contradicted_height_m(&site, fine), None, "{fine}");
    }
    for other in [1.01, 0.79, 2.0, f64::INFINITY] {
        assert_eq!(contradicted_height_m(&site, other), Some(0.9), "{other}");
    }
    assert_eq!(contradicted_height_m(&yard(Dimension::ThreeD, true), 2.0), None);
}
