//! Codes that programs go by, and the topic of each row.

use super::*;
use crate::samples::{Yard, every_finding, every_kit_finding, every_place};
use crate::{anchor, place};

#[test]
fn codes_about_the_kit_stay() {
    let yard = Yard::new();
    let mut codes: Vec<&str> = every_kit_finding(0.42).iter().map(|k| found(k, yard.names()).code).collect();
    codes.sort_unstable();
    codes.dedup();
    assert_eq!(
        codes.join(" "),
        "age_unknown anchors_gone cable_out frames_cut frozen nobody_answers old_frames repeated site_does_not_fit tag_off \
         tag_offset uneven_clock unknown_tags unlisted_tags"
    );
}

#[test]
fn a_row_says_what_it_is_about() {
    let yard = Yard::new();
    let of_anchors =
        every_finding(0.42).into_iter().map(|f| anchor::found(&f, yard.anchors[0].id, &yard.anchors));
    assert!(of_anchors.map(|said| said.topic).all(|topic| topic == Topic::Anchor));
    let of_kit = every_kit_finding(0.42).into_iter().map(|k| found(&k, yard.names()).topic);
    assert!(
        of_kit.into_iter().all(|topic| topic == Topic::Kit),
        "a site that does not fit is told among the kit's"
    );
    let of_places = every_place(0.42).into_iter().map(|p| place::answer(&p));
    let codes: Vec<&str> = of_places.map(|said| said.code).collect();
    assert_eq!(
        codes.join(" "),
        "unchanged suspect no_position too_little_travel tag_stands_still travel_too_narrow too_few_anchors all_alike \
         site_doubted"
    );
}
