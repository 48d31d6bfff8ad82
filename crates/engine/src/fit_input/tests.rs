use arrayvec::ArrayVec;
use hereabout_core::{
    Anchor, AnchorId, Correction, Dimension, Doubt, OtherSite, RangeReading, SiteDraft, TagId, Timestamp,
};

use super::*;

fn site() -> Site {
    let anchor = |(i, at_m): (u16, [f64; 3])| Anchor {
        id: AnchorId(10 + i),
        name: format!("post {i}"),
        at_m,
        range_sigma_m: 0.1,
        slot: None,
        correction: Correction { offset_m: 0.1 * f64::from(i), scale: 1.0, offset_se_m: Some(0.02) },
    };
    let places = [[0.0, 0.0, 2.5], [24.0, 0.0, 2.5], [24.0, 14.0, 2.5], [0.0, 14.0, 2.5]];
    let draft = SiteDraft {
        range_span_m: [0.01, 100.0],
        anchors: (0..).zip(places).map(anchor).collect(),
        range_fields: None,
        ..hereabout_fixtures::draft(&[])
    };
    draft.validate().unwrap().0
}

#[test]
fn the_setup_has_all_that_the_site_states() {
    let other = OtherSite {
        file: "north.toml".into(),
        name: "north yard".into(),
        at_m: vec![Some([1.0, 2.0, 3.0]), None, None, None],
        tag_height_m: Some(1.2),
        unit_ratio: 0.1,
    };
    let wrong = OtherSite { at_m: vec![None; 3], ..other.clone() };
    let empty = OtherSite { at_m: vec![None; 4], ..other.clone() };
    let setup = fit_setup(&site().with_others(vec![other, wrong, empty]));
    assert_eq!(
        (setup.anchors.len(), setup.anchors[3].offset_m, setup.anchors[3].offset_se_m),
        (4, 0.30000000000000004, Some(0.02))
    );
    assert_eq!(setup.dimension, Dimension::TwoD { tag_height_m: 0.9 });
    assert_eq!(setup.others.len(), 1, "an other site that has none of the anchors is none");
    assert_eq!((setup.others[0].at_m[0], setup.others[0].at_m[1]), (Some([1.0, 2.0, 3.0]), None));
    assert_eq!((setup.others[0].tag_height_m, setup.others[0].unit_ratio), (Some(1.2), 0.1));
}

#[test]
fn only_what_speaks_of_the_present_is_tested() {
    let reading = |id: u16, m: Option<f64>| RangeReading { anchor: AnchorId(id), raw_range_m: m };
    let readings: ArrayVec<RangeReading, MAX_ANCHORS> = [
        reading(12, Some(7.5)),
        reading(10, Some(f64::NAN)),
        reading(11, None),
        reading(12, Some(9.0)),
        reading(99, Some(1.0)),
        reading(13, Some(900.0)),
    ]
    .into_iter()
    .collect();
    let mut epoch = Epoch::new(Timestamp::from_micros(1), TagId(0), None, readings);
    let of = |epoch: &Epoch| -> Vec<(usize, f64)> {
        fit_ranges(epoch, &site()).iter().map(|r| (r.anchor, r.raw_range_m)).collect()
    };
    assert_eq!(of(&epoch), [(2, 7.5), (3, 900.0)], "a range beyond the span counts, too: a unit shows by it");
    epoch.hold(0);
    assert_eq!(of(&epoch), [(2, 9.0), (3, 900.0)]);
    epoch.doubt = Some(Doubt::Frozen);
    assert_eq!(of(&epoch), []);
}
