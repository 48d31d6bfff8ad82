//! The picture shows what it is given, where it is, and nothing that people wrote breaks out of it.

use super::*;
use hereabout_core::{Anchor, AnchorId, Correction, Dimension, Fence, SiteDraft, Zone, ZoneRule};
use hereabout_solve::verify::site_check::{SiteCheckSettings, check_site};

fn site(name: &str) -> Site {
    let place = |(i, [e, n]): (usize, [f64; 2])| Anchor {
        id: AnchorId(i as u16),
        name: format!("{name} {i}"),
        at_m: [e, n, 2.5],
        range_sigma_m: 0.1,
        slot: None,
        correction: Correction::NONE,
    };
    let corners = vec![[0.0, 0.0], [20.0, 0.0], [20.0, 10.0], [0.0, 10.0]];
    let draft = SiteDraft {
        name: name.to_owned(),
        dimension: Dimension::TwoD { tag_height_m: 1.0 },
        fence: Fence { area_m: corners.clone(), up_span_m: None },
        range_span_m: [0.01, 100.0],
        anchors: corners.into_iter().enumerate().map(place).collect(),
        zones: vec![Zone {
            name: format!("{name} zone"),
            shape: ZoneShape::Polygon {
                outline_m: vec![[4.0, 4.0], [6.0, 4.0], [6.0, 6.0]],
                holes_m: Vec::new(),
            },
            rule: ZoneRule::default(),
        }],
        range_fields: None,
        ..hereabout_fixtures::draft(&[])
    };
    draft.validate().unwrap().0
}

#[test]
fn the_plan_keeps_its_shape_and_names_everything() {
    let site = site("bed");
    let check = check_site(&site, &[], &SiteCheckSettings::default());
    let svg = SitePicture::new(&site, "HDOP of the beds").with_hdop(&check.grid, check.hdop).to_svg();
    for text in [
        "HDOP of the beds",
        "0 bed 0",
        "3 bed 3",
        "bed zone",
        "5 m; east is right",
        "red cross",
        "no position",
    ] {
        assert!(svg.contains(text), "{text}: {svg}");
    }
    // The area is twice as wide as high, corner by corner.
    let points = svg.split("<polygon points=\"").nth(1).unwrap().split('"').next().unwrap();
    let xy: Vec<Vec<f64>> =
        points.split(' ').map(|p| p.split(',').map(|v| v.parse().unwrap()).collect()).collect();
    let (w, h) = (xy[1][0] - xy[0][0], xy[0][1] - xy[2][1]);
    assert!(w > 300.0 && (w / h - 2.0).abs() < 0.01, "{points}");
    assert!(xy.iter().flatten().all(|v| (0.0..=640.0).contains(v)), "{points}");
}

#[test]
fn arrows_are_exaggerated_by_a_round_number_that_is_told() {
    let site = site("bed");
    let arrow = |name: &str, error_m| ErrorArrow { name: name.into(), at_m: [5.0, 5.0], error_m };
    let arrows = vec![arrow("a", Some([0.03, 0.04])), arrow("b", None)];
    let picture = SitePicture::new(&site, "errors").with_arrows(arrows);
    // 12 % of about 22 m over 5 cm is 52: fifty is the round number below.
    assert!((picture.exaggeration() - 50.0).abs() < 1e-9, "{}", picture.exaggeration());
    assert!(picture.to_svg().contains("drawn 50 times as long"));
    let none = SitePicture::new(&site, "none").with_arrows(vec![arrow("b", None)]);
    assert!(!none.to_svg().contains("NaN"));
}

#[test]
fn what_people_wrote_stays_text() {
    let site = site("<b onload=\"x\">&");
    let svg = SitePicture::new(&site, "<script>\u{1}").to_svg();
    assert!(!svg.contains("<b") && !svg.contains("<script") && !svg.contains('\u{1}'), "{svg}");
    assert!(svg.contains("&lt;b onload=&quot;x&quot;&gt;&amp;"), "{svg}");
    // Nothing is fetched: the only address is the name space.
    assert_eq!(svg.matches("http").count(), 1);
}
