//! HDOP against closed forms, and one site for every fact.

use super::*;
use hereabout_core::{Anchor, Correction, Fence, SiteDraft, TrackSettings};

const GOOD: Correction = Correction { offset_m: 0.1, scale: 1.0, offset_se_m: Some(0.01) };

fn site(dimension: Dimension, places: &[[f64; 3]], fence: Fence, correction: Correction) -> Site {
    let anchor = |(i, at_m): (usize, &[f64; 3])| Anchor {
        id: AnchorId(i as u16),
        name: format!("post {i}"),
        at_m: *at_m,
        range_sigma_m: 0.1,
        slot: None,
        correction,
    };
    let draft = SiteDraft {
        name: "Larkfield nursery".to_owned(),
        dimension,
        fence,
        range_span_m: [0.05, 100.0],
        anchors: places.iter().enumerate().map(anchor).collect(),
        zones: Vec::new(),
        track: TrackSettings::default(),
        range_fields: None,
        required_ce95_m: None,
        tag_height_se_m: None,
        tags: Vec::new(),
        correction_limits: Default::default(),
    };
    draft.validate().unwrap().0
}

fn area(corners: [[f64; 2]; 4], up_span_m: Option<[f64; 2]>) -> Fence {
    Fence { area_m: corners.to_vec(), up_span_m }
}

const FLAT: Dimension = Dimension::TwoD { tag_height_m: 1.0 };
const BOX: [[f64; 2]; 4] = [[0.0, 0.0], [12.0, 0.0], [12.0, 9.0], [0.0, 9.0]];
const CORNERS: [[f64; 3]; 4] = [[0.0, 0.0, 1.0], [12.0, 0.0, 1.0], [12.0, 9.0, 1.0], [0.0, 9.0, 1.0]];

fn check(site: &Site) -> SiteCheck {
    check_site(site, &[], &SiteCheckSettings { cells: 33, ..SiteCheckSettings::default() })
}

#[test]
fn a_rectangle_s_centre_has_the_closed_form() {
    // HDOP at the centre of a W×H rectangle with four corner anchors: (W² + H²)/(2WH) = 1.0416666667 for 12×9
    // (derived from Σuuᵀ by hand; check value D7 of the project's list).
    let c = check(&site(FLAT, &CORNERS, area(BOX, None), GOOD));
    assert_eq!((c.grid.columns, c.grid.rows), (33, 25));
    let centre = c.grid.cells[12 * 33 + 16];
    assert!(matches!(centre, Cell::Hdop(h) if (h - 1.041_666_666_7).abs() < 1e-3), "{centre:?}");
    let middle = c.grid.middle_m(12 * 33 + 16);
    assert!((middle[0] - 6.0).abs() < 1e-9 && (middle[1] - 4.5).abs() < 0.1 && middle[2] == 1.0);
    let h = c.hdop.unwrap();
    assert!(
        h.min_hdop <= h.median_hdop && h.median_hdop <= h.worst_hdop && (1.0..1.1).contains(&h.min_hdop),
        "{h:?}"
    );
    // The worst place hugs the middle of a wall or a corner, never the centre.
    assert!((h.worst_at_m[0] - 6.0).abs() > 1.0 || (h.worst_at_m[1] - 4.5).abs() > 1.0);
    assert_eq!(c.vdop, None);
    assert!(c.area_stated);
    let long = |f: &SiteFact| matches!(f, SiteFact::LongLink { stretch: Stretch::NeedsSight, .. });
    assert_eq!(
        c.facts.iter().filter(|f| long(f)).count(),
        4,
        "the far corners are 15 m apart: {:?}",
        c.facts
    );
    assert_eq!(c.facts.len(), 4);
}

#[test]
fn a_row_of_anchors_is_reported_with_its_mirror() {
    let row = [[0.0, 0.0, 1.0], [4.0, 0.3, 1.0], [8.0, 0.0, 1.0], [12.0, 0.4, 1.0]];
    let line = |c: &SiteCheck| {
        c.facts.iter().find_map(|f| match f {
            SiteFact::NearlyOnLine { across_m, along_m, mirror } => Some((*across_m, *along_m, *mirror)),
            _ => None,
        })
    };
    let north = [[0.0, 0.7], [12.0, 0.7], [12.0, 9.0], [0.0, 9.0]];
    let (across, along, mirror) = line(&check(&site(FLAT, &row, area(north, None), GOOD))).unwrap();
    assert!((along - 12.0).abs() < 0.1 && (0.3..0.5).contains(&across));
    assert_eq!(mirror, MirrorSide::Excluded);
    let both = [[0.0, -5.0], [12.0, -5.0], [12.0, 5.0], [0.0, 5.0]];
    let c = check(&site(FLAT, &row, area(both, None), GOOD));
    assert_eq!(line(&c).unwrap().2, MirrorSide::Open);
    assert!(c.facts.iter().any(|f| matches!(f, SiteFact::WeakHdop { share, .. } if *share > 0.1)));
    assert_eq!(line(&check(&site(FLAT, &CORNERS, area(BOX, None), GOOD))), None);
}

#[test]
fn heights_matter_in_three_dimensions() {
    let ceiling = [[0.0, 0.0, 3.0], [12.0, 0.0, 3.2], [12.0, 9.0, 3.0], [0.0, 9.0, 3.1], [6.0, 4.0, 3.0]];
    let facts =
        |places: &[[f64; 3]], span| check(&site(Dimension::ThreeD, places, area(BOX, span), GOOD)).facts;
    let under = facts(&ceiling, Some([0.0, 2.0]));
    assert!(
        under.iter().any(|f| matches!(f, SiteFact::AllAbove { least_m } if (*least_m - 1.0).abs() < 1e-9))
    );
    assert!(
        under.iter().any(|f| matches!(f, SiteFact::LittleHeightSpread { spread_m, .. } if *spread_m < 0.3))
    );
    let plane = |facts: &[SiteFact]| {
        facts.iter().find_map(|f| match f {
            SiteFact::NearlyOnPlane { mirror, .. } => Some(*mirror),
            _ => None,
        })
    };
    assert_eq!(plane(&under), Some(MirrorSide::Excluded));
    assert_eq!(plane(&facts(&ceiling, None)), Some(MirrorSide::Open));
    let low: Vec<[f64; 3]> = ceiling.iter().map(|p| [p[0], p[1], p[2] - 3.0]).collect();
    let over = facts(&low, Some([1.0, 3.0]));
    assert!(
        over.iter().any(|f| matches!(f, SiteFact::AllBelow { least_m } if (*least_m - 0.8).abs() < 1e-9))
    );
    // Two heights, a tag between them: nothing to say about heights.
    let mixed = [[0.0, 0.0, 0.3], [12.0, 0.0, 3.2], [12.0, 9.0, 0.3], [0.0, 9.0, 3.1], [6.0, 9.0, 3.0]];
    let c = check(&site(Dimension::ThreeD, &mixed, area(BOX, Some([0.5, 2.0])), GOOD));
    assert!(c.vdop.is_some());
    assert!(c.facts.iter().all(|f| matches!(f, SiteFact::LongLink { .. } | SiteFact::WeakHdop { .. })));
}

#[test]
fn a_large_yard_is_beyond_the_radio() {
    let far = CORNERS.map(|p| [p[0] * 3.0, p[1] * 3.0, 1.0]);
    let yard = area(BOX.map(|p| [p[0] * 3.0, p[1] * 3.0]), None);
    let c = check(&site(FLAT, &far, yard, GOOD));
    let out = |f: &SiteFact| matches!(f, SiteFact::LongLink { stretch: Stretch::OutOfReach, .. });
    assert_eq!(c.facts.iter().filter(|f| out(f)).count(), 4);
    assert!(c.facts.iter().any(
        |f| matches!(f, SiteFact::FewInSight { have, need: 3, share, .. } if *have < 3 && *share > 0.9)
    ));
    // One anchor: ranges and health are served, and nowhere is a position.
    let c = check(&site(FLAT, &CORNERS[..1], area(BOX, None), GOOD));
    assert!(c.facts.iter().any(|f| matches!(f, SiteFact::NoPosition { share, .. } if *share == 1.0)));
    assert_eq!(c.hdop, None);
}

#[test]
fn offsets_are_judged_one_by_one() {
    let facts = |correction, ages: &[Option<Micros>]| {
        let site = site(FLAT, &CORNERS, Fence::default(), correction);
        let c = check_site(&site, ages, &SiteCheckSettings::default());
        assert!(!c.area_stated);
        c.facts.into_iter().filter(|f| !matches!(f, SiteFact::LongLink { .. })).collect::<Vec<_>>()
    };
    let all = |make: fn(AnchorId) -> SiteFact| (0..4).map(|i| make(AnchorId(i))).collect::<Vec<_>>();
    assert_eq!(facts(GOOD, &[]), []);
    assert_eq!(facts(Correction::NONE, &[]), all(|anchor| SiteFact::OffsetMissing { anchor }));
    let odd = Correction { offset_m: -0.7, ..GOOD };
    assert_eq!(facts(odd, &[]), all(|anchor| SiteFact::OffsetOdd { anchor, offset_m: -0.7 }));
    let rough = Correction { offset_se_m: Some(0.06), ..GOOD };
    assert_eq!(facts(rough, &[]), all(|anchor| SiteFact::OffsetRough { anchor, se_m: 0.06 }));
    let age = Micros::from_micros(200 * 86_400 * 1_000_000);
    let old = SiteFact::OffsetOld { anchor: AnchorId(1), age };
    assert_eq!(facts(GOOD, &[Some(Micros::ZERO), Some(age), None]), [old]);
}
