use super::KeyStep::{Index, Key};
use super::*;

fn anchor(id: u16, at_m: [f64; 3]) -> Anchor {
    Anchor {
        id: AnchorId(id),
        name: format!("anchor {id}"),
        at_m,
        range_sigma_m: 0.1,
        slot: None,
        correction: Correction::NONE,
    }
}

fn draft(places: &[[f64; 3]]) -> SiteDraft {
    SiteDraft {
        name: "yard".into(),
        dimension: Dimension::TwoD { tag_height_m: 0.9 },
        fence: Fence::default(),
        range_span_m: [0.01, 200.0],
        anchors: places.iter().enumerate().map(|(i, p)| anchor(i as u16, *p)).collect(),
        zones: Vec::new(),
        track: TrackSettings::default(),
        range_fields: Some(places.len()),
        required_ce95_m: None,
        tag_height_se_m: None,
        tags: Vec::new(),
        correction_limits: Default::default(),
    }
}

fn yard() -> SiteDraft {
    draft(&[[0.0, 0.0, 2.6], [24.0, 0.0, 2.4], [24.0, 14.0, 2.8], [0.0, 14.0, 2.2]])
}

fn errors(d: SiteDraft) -> Vec<SiteProblem> {
    d.validate().expect_err("must be refused").into_iter().map(|f| f.problem).collect()
}

fn warnings(d: SiteDraft) -> Vec<SiteProblem> {
    d.validate().expect("must pass").1.into_iter().map(|f| f.problem).collect()
}

fn outline(outline_m: Vec<[f64; 2]>) -> ZoneShape {
    ZoneShape::Polygon { outline_m, holes_m: Vec::new() }
}

#[test]
fn a_plain_yard_passes_without_a_word() {
    assert_eq!(warnings(yard()), []);
}

#[test]
fn centimetres_are_recognised_as_a_unit_slip() {
    let mut d = yard();
    d.anchors[1].at_m = [2400.0, 0.0, 2.4];
    assert!(matches!(errors(d)[..], [SiteProblem::LikelyUnitSlip { .. }, ..]));
    let mut d = yard();
    d.anchors[0].at_m[2] = 2400.0;
    assert!(matches!(errors(d)[..], [SiteProblem::LikelyUnitSlip { value_m: 2400.0, .. }, ..]));
}

#[test]
fn duplicate_ids_and_places_are_refused() {
    let mut d = yard();
    d.anchors[2].id = AnchorId(0);
    assert_eq!(errors(d)[0], SiteProblem::DuplicateAnchorId { id: AnchorId(0), first: 0 });
    let mut d = yard();
    d.anchors[2].at_m = [0.0, 0.01, 2.6];
    assert!(matches!(errors(d)[0], SiteProblem::AnchorsAtOnePlace { other: AnchorId(0), .. }));
}

#[test]
fn a_line_of_anchors_is_refused_unless_the_fence_excludes_the_mirror() {
    let line = [[0.0, 0.0, 2.0], [6.0, 0.05, 2.0], [12.0, 0.0, 2.0]];
    assert_eq!(errors(draft(&line)), [SiteProblem::AnchorsOnOneLine { mirror: MirrorSide::Open }]);
    let mut d = draft(&line);
    d.fence.area_m = vec![[0.0, 0.0], [12.0, 0.0], [12.0, 8.0], [0.0, 8.0]];
    assert_eq!(warnings(d), [SiteProblem::AnchorsOnOneLine { mirror: MirrorSide::Excluded }]);
    let mut d = draft(&line);
    d.fence.area_m = vec![[0.0, -1.0], [12.0, -1.0], [12.0, 8.0], [0.0, 8.0]];
    assert_eq!(errors(d), [SiteProblem::AnchorsOnOneLine { mirror: MirrorSide::Open }]);
}

#[test]
fn a_ceiling_of_anchors_is_a_warning_in_3d() {
    let mut d = draft(&[[0.0, 0.0, 3.0], [8.0, 0.0, 3.0], [8.0, 6.0, 3.0], [0.0, 6.0, 3.0]]);
    d.dimension = Dimension::ThreeD;
    assert_eq!(warnings(d.clone()), [SiteProblem::AnchorsOnOnePlane { mirror: MirrorSide::Open }]);
    d.fence.up_span_m = Some([0.0, 2.2]);
    assert_eq!(warnings(d), [SiteProblem::AnchorsOnOnePlane { mirror: MirrorSide::Excluded }]);
}

#[test]
fn the_smallest_kit_is_valid_and_says_what_it_cannot_do() {
    let d = draft(&[[0.0, 0.0, 2.0]]);
    assert_eq!(warnings(d), [SiteProblem::TooFewAnchors { have: 1, need: 3 }]);
}

#[test]
fn range_fields_go_by_slot_then_id_then_file_order() {
    let mut d = yard();
    d.anchors[3].id = AnchorId(6);
    d.range_fields = Some(8);
    let (site, notes) = d.clone().validate().expect("valid");
    assert_eq!([0, 1, 2, 3, 6].map(|s| site.anchor_of_slot(s)), [Some(0), Some(1), Some(2), None, Some(3)]);
    assert_eq!(notes[0].problem, SiteProblem::SpareRangeFields { fields: 8, anchors: 4 });

    d.anchors[3].id = AnchorId(105);
    let (site, notes) = d.clone().validate().expect("valid");
    assert_eq!(site.anchor_of_slot(3), Some(3));
    assert_eq!(notes[0].problem, SiteProblem::SlotsInFileOrder);

    d.anchors[3].slot = Some(7);
    let (site, _) = d.clone().validate().expect("valid");
    assert_eq!([3, 7].map(|s| site.anchor_of_slot(s)), [None, Some(3)]);

    d.anchors[3].slot = Some(2);
    assert_eq!(errors(d)[0], SiteProblem::DuplicateSlot { slot: 2, first: AnchorId(2) });
    let mut d = yard();
    d.range_fields = Some(3);
    assert!(matches!(errors(d)[..], [SiteProblem::NoFieldForAnchor { fields: 3, .. }]));
}

#[test]
fn zones_are_checked() {
    let mut d = yard();
    d.zones.push(Zone {
        name: "door".into(),
        shape: outline(vec![[0.0, 0.0], [1.0, 0.0]]),
        rule: ZoneRule::default(),
    });
    let bow = vec![[0.0, 0.0], [2.0, 2.0], [2.0, 0.0], [0.0, 2.5]];
    d.zones.push(Zone { name: "door".into(), shape: outline(bow), rule: ZoneRule::default() });
    let near = ZoneShape::Near { anchor: AnchorId(9), enter_m: 2.0, leave_m: 1.0 };
    d.zones.push(Zone { name: "charger".into(), shape: near, rule: ZoneRule::default() });
    let found = errors(d);
    assert!(found.contains(&SiteProblem::PolygonTooSmall { corners: 2 }));
    assert!(found.contains(&SiteProblem::DuplicateZoneName { first: 0 }));
    assert!(found.contains(&SiteProblem::PolygonCrossed));
    assert!(found.contains(&SiteProblem::UnknownAnchor { id: AnchorId(9) }));
    assert!(found.contains(&SiteProblem::WrongOrder { low: 2.0, high: 1.0 }));
}

fn with_zone(shape: ZoneShape, rule: ZoneRule) -> SiteDraft {
    let mut d = yard();
    d.zones.push(Zone { name: "door".into(), shape, rule });
    d
}

fn with_shape(shape: ZoneShape) -> SiteDraft {
    with_zone(shape, ZoneRule::default())
}

/// The outlines of `polygons.json` (own; see the solver's test data): all of them are simple, whichever way round.
#[test]
fn simple_outlines_pass_and_crossed_ones_do_not() {
    let good: [&[[f64; 2]]; 6] = [
        &[[0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [0.0, 4.0]],
        &[[0.0, 0.0], [6.0, 0.0], [6.0, 2.0], [2.0, 2.0], [2.0, 5.0], [0.0, 5.0]],
        &[[3.0, 0.0], [6.0, 3.0], [3.0, 6.0], [0.0, 3.0]],
        &[[0.0, 0.0], [10.0, 0.0], [10.0, 4.0], [5.0, 0.5], [0.0, 4.0]],
        &[[0.0, 0.0], [0.0, 9.0], [12.0, 9.0], [12.0, 0.0]],
        // Closed by hand, and with a corner on a straight edge.
        &[[0.0, 0.0], [2.0, 0.0], [4.0, 0.0], [4.0, 4.0], [0.0, 4.0], [0.0, 0.0]],
    ];
    for corners in good {
        assert_eq!(warnings(with_shape(outline(corners.to_vec()))), [], "{corners:?}");
    }
    let bad: [&[[f64; 2]]; 6] = [
        // A bow, a bow whose middle is a corner, a square twice round, an edge there and back, a corner that touches an
        // edge, all corners on one line.
        &[[0.0, 0.0], [4.0, 4.0], [4.0, 0.0], [0.0, 5.0]],
        &[[0.0, 0.0], [4.0, 0.0], [2.0, 2.0], [4.0, 4.0], [0.0, 4.0], [2.0, 2.0]],
        &[[0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [0.0, 4.0], [0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [0.0, 4.0]],
        &[[0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [4.0, 7.0], [4.0, 4.0], [0.0, 4.0]],
        &[[0.0, 0.0], [10.0, 0.0], [10.0, 4.0], [5.0, 0.0], [0.0, 4.0]],
        &[[0.0, 0.0], [1.0, 1.0], [3.0, 3.0]],
    ];
    for corners in bad {
        assert_eq!(
            errors(with_shape(outline(corners.to_vec()))),
            [SiteProblem::PolygonCrossed],
            "{corners:?}"
        );
    }
}

#[test]
fn holes_lie_inside_and_apart() {
    let square = |e: f64, n: f64, w: f64| vec![[e, n], [e + w, n], [e + w, n + w], [e, n + w]];
    let with_holes = |holes_m: Vec<Vec<[f64; 2]>>| {
        with_shape(ZoneShape::Polygon { outline_m: square(0.0, 0.0, 10.0), holes_m })
    };
    assert_eq!(warnings(with_holes(vec![square(3.0, 3.0, 4.0)])), []);
    assert_eq!(warnings(with_holes(vec![square(1.0, 1.0, 2.0), square(5.0, 5.0, 2.0)])), []);
    for hole in
        [square(12.0, 3.0, 2.0), square(8.0, 3.0, 4.0), square(0.0, 3.0, 2.0), square(-5.0, -5.0, 30.0)]
    {
        assert_eq!(errors(with_holes(vec![hole])), [SiteProblem::HoleNotInside]);
    }
    for other in [square(4.0, 4.0, 3.0), square(3.5, 3.5, 0.5), square(2.0, 2.0, 6.0), square(5.0, 3.0, 1.0)]
    {
        assert_eq!(
            errors(with_holes(vec![square(3.0, 3.0, 2.0), other])),
            [SiteProblem::HolesMeet { other: 0 }]
        );
    }
    assert_eq!(errors(with_holes(vec![vec![[1.0, 1.0]]])), [SiteProblem::PolygonTooSmall { corners: 1 }]);
}

#[test]
fn rules_of_zones_have_limits() {
    let door = || outline(vec![[0.0, 0.0], [4.0, 0.0], [4.0, 4.0]]);
    let usual = ZoneRule::default;
    let secs = Micros::from_secs_f64;
    let bad = [
        ZoneRule { margin_m: -0.1, ..usual() },
        ZoneRule { margin_m: f64::NAN, ..usual() },
        ZoneRule { enter_after: secs(-1.0), ..usual() },
        ZoneRule { leave_after: secs(1e9), ..usual() },
        ZoneRule { max_protection_radius_m: 0.0, ..usual() },
        ZoneRule { max_protection_radius_m: f64::INFINITY, ..usual() },
    ];
    for rule in bad {
        let found = errors(with_zone(door(), rule.clone()));
        assert!(
            matches!(found[..], [SiteProblem::OutOfLimits { .. } | SiteProblem::NotFinite]),
            "{rule:?}: {found:?}"
        );
    }
    let tags = vec![TagId(3), TagId(3), TagId(900)];
    let rule = ZoneRule { margin_m: 0.0, enter_after: Micros::ZERO, tags, ..usual() };
    assert_eq!(warnings(with_zone(door(), rule)), []);
    for at_m in [[f64::NAN, 0.0], [0.0, f64::INFINITY]] {
        assert_eq!(errors(with_shape(ZoneShape::Circle { at_m, radius_m: 1.0 })), [SiteProblem::NotFinite]);
    }
}

#[test]
fn a_zone_that_can_never_be_known_is_told() {
    let door = || outline(vec![[0.0, 0.0], [4.0, 0.0], [4.0, 4.0]]);
    let three = |rule: ZoneRule, shape: ZoneShape| {
        let mut d = with_zone(shape, rule);
        d.anchors.pop();
        d.range_fields = Some(3);
        warnings(d)
    };
    let why = NeverKnown::TooFewAnchors { have: 3, need: 4 };
    assert_eq!(three(ZoneRule::default(), door()), [SiteProblem::ZoneNeverKnown { why }]);
    assert_eq!(three(ZoneRule { allow_unchecked: true, ..ZoneRule::default() }, door()), []);
    let near = ZoneShape::Near { anchor: AnchorId(0), enter_m: 1.0, leave_m: 2.0 };
    assert_eq!(three(ZoneRule::default(), near), []);
    let mut d = with_shape(door());
    d.track.estimator = Estimator::Plain;
    assert_eq!(warnings(d), [SiteProblem::ZoneNeverKnown { why: NeverKnown::NoProtectionRadius }]);
}

#[test]
fn the_fence_measures_how_far_outside_a_place_is() {
    let fence =
        Fence { area_m: vec![[0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [0.0, 4.0]], up_span_m: Some([0.0, 2.0]) };
    assert_eq!(fence.excess_m([2.0, 2.0, 1.0]), 0.0);
    assert_eq!(fence.excess_m([7.0, 8.0, 1.0]), 5.0);
    assert_eq!(fence.excess_m([2.0, 2.0, 2.5]), 0.5);
    assert_eq!(Fence::default().excess_m([1e9, 0.0, 0.0]), 0.0);
}

#[test]
fn zones_and_corners_have_a_limit_and_are_told_where_they_pass_it() {
    let round = |n: usize, middle_m: f64| -> Vec<[f64; 2]> {
        let corner = |i: usize| (i as f64 / n as f64 * std::f64::consts::TAU).sin_cos();
        (0..n).map(corner).map(|(s, c)| [middle_m + 3.0 * c, 6.0 + 3.0 * s]).collect()
    };
    let zones = |n: usize| -> Vec<Zone> {
        let shape = || ZoneShape::Circle { at_m: [5.0, 5.0], radius_m: 1.0 };
        (0..n).map(|i| Zone { name: format!("bed {i}"), shape: shape(), rule: ZoneRule::default() }).collect()
    };
    assert!(SiteDraft { zones: zones(64), ..yard() }.validate().is_ok());
    let many = SiteDraft { zones: zones(65), ..yard() }.validate().unwrap_err();
    assert_eq!(many[0].problem, SiteProblem::TooManyZones { have: 65 });
    assert_eq!(many[0].path, [Key("zone"), Index(64)]);

    let with = |outline: usize, hole: usize, area: usize| {
        let holes_m = if hole > 0 {
            vec![
                round(hole, 6.0)
                    .iter()
                    .map(|[e, n]| [6.0 + (e - 6.0) / 2.0, 6.0 + (n - 6.0) / 2.0])
                    .collect(),
            ]
        } else {
            Vec::new()
        };
        let mut d = with_shape(ZoneShape::Polygon { outline_m: round(outline, 6.0), holes_m });
        d.fence.area_m = round(area, 12.0);
        d.validate()
    };
    assert!(with(500, 300, 200).is_ok(), "a thousand in all");
    let many = with(500, 301, 200).unwrap_err();
    assert_eq!(many[0].problem, SiteProblem::TooManyCorners { have: 1001 });
    assert_eq!(many[0].path, [Key("zone"), Index(0), Key("polygon_m")]);
    let many = with(10, 0, 991).unwrap_err();
    assert_eq!(many[0].path, [Key("site"), Key("area_m")]);
    // However many there are, the answer comes at once: nothing compares them with each other.
    assert_eq!(with(1_000_000, 0, 10).unwrap_err().len(), 1);
}

#[test]
fn names_that_move_a_cursor_or_turn_the_writing_are_refused() {
    for bad in ["yard\u{1b}[2J", "yard\ngate", "\u{202e}yard", "yard\u{9b}2J"] {
        assert!(matches!(
            errors(SiteDraft { name: bad.into(), ..yard() })[..],
            [SiteProblem::NotPlain { .. }]
        ));
        let mut d = yard();
        d.anchors[2].name = bad.into();
        assert!(matches!(errors(d)[..], [SiteProblem::NotPlain { .. }]), "{bad:?}");
        let mut d = with_shape(ZoneShape::Circle { at_m: [5.0, 5.0], radius_m: 1.0 });
        d.zones[0].name = bad.into();
        assert!(matches!(errors(d)[..], [SiteProblem::NotPlain { .. }]), "{bad:?}");
    }
}

#[test]
fn the_limit_of_offsets_and_the_error_of_the_height_have_limits_themselves() {
    let limits = |max_offset_m| CorrectionLimits { max_offset_m, ..Default::default() };
    for bad in [0.0001, 12.0, f64::NAN] {
        assert_eq!(errors(SiteDraft { correction_limits: limits(bad), ..yard() }).len(), 1, "{bad}");
        assert_eq!(errors(SiteDraft { tag_height_se_m: Some(bad), ..yard() }).len(), 1, "{bad}");
    }
    let site = SiteDraft { tag_height_se_m: Some(0.02), correction_limits: limits(1.0), ..yard() }
        .validate()
        .unwrap()
        .0;
    assert_eq!((site.tag_height_se_m(), site.correction_limits().max_offset_m), (Some(0.02), 1.0));
}

#[test]
fn listed_tags_have_plain_names_and_ids_of_their_own_and_zones_keep_to_them() {
    let tag = |id, name: &str| SiteTag { id: TagId(id), name: name.into() };
    let good = SiteDraft { tags: vec![tag(3, "potting cart"), tag(0, "barrow")], ..yard() };
    let (site, _) = good.clone().validate().expect("a valid site");
    assert_eq!((site.tag_name(TagId(3)), site.tag_name(TagId(7))), (Some("potting cart"), None));
    let twice = SiteDraft { tags: vec![tag(3, "a"), tag(4, "b"), tag(3, "c")], ..yard() };
    let found = errors(twice);
    assert_eq!(found.len(), 1);
    assert_eq!(found[0], SiteProblem::DuplicateTagId { id: TagId(3), first: 0 });
    assert_eq!(errors(SiteDraft { tags: vec![tag(3, "a\u{202e}b")], ..yard() }).len(), 1);
    let many = (0..40).map(|id| tag(id, "cart")).collect();
    assert_eq!(errors(SiteDraft { tags: many, ..yard() }).len(), 1);
    let mut zone = Zone {
        name: "charger".into(),
        shape: ZoneShape::Circle { at_m: [3.0, 3.0], radius_m: 1.0 },
        rule: ZoneRule { tags: vec![TagId(3)], ..ZoneRule::default() },
    };
    assert!(SiteDraft { zones: vec![zone.clone()], ..good.clone() }.validate().is_ok());
    zone.rule.tags = vec![TagId(3), TagId(7)];
    let found = errors(SiteDraft { zones: vec![zone.clone()], ..good });
    assert_eq!(found[0], SiteProblem::UnlistedTag { id: TagId(7) });
    assert!(SiteDraft { zones: vec![zone], ..yard() }.validate().is_ok(), "without a list any tag will do");
}

#[test]
fn a_tag_is_not_forgotten_before_it_is_lost() {
    let after =
        |ms| TrackSettings { tag_forgotten_after: Micros::from_millis(ms), ..TrackSettings::default() };
    for bad in [3_000, 9_000, 31 * 86_400_000] {
        assert!(!errors(SiteDraft { track: after(bad), ..yard() }).is_empty(), "{bad}");
    }
    assert!(SiteDraft { track: after(60_000), ..yard() }.validate().is_ok());
}
