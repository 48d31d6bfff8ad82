//! Every kind of finding in words, on both sides of its signs, and with numbers that no kit sends.

use hereabout_core::Micros;
use hereabout_core::{Correction, TagId};
use insta::assert_snapshot;

use super::*;
use crate::site_fit_words::tests::every_doubt;
use crate::tests::fixtures::info;

fn anchors(ids: impl IntoIterator<Item = u16>) -> Vec<Anchor> {
    let anchor = |id: u16| Anchor {
        id: AnchorId(id),
        name: format!("post {id}"),
        at_m: [0.0; 3],
        range_sigma_m: 0.1,
        slot: None,
        correction: Correction { offset_m: 0.0, scale: 1.0, offset_se_m: None },
    };
    ids.into_iter().map(anchor).collect()
}

/// One of each kind, `x` for every length and share.
pub(crate) fn every_finding(x: f64) -> Vec<AnchorFinding> {
    let set = |indices: &[usize]| {
        let mut set = AnchorSet::default();
        indices.iter().for_each(|i| set.insert(*i));
        set
    };
    vec![
        AnchorFinding::TwoBoards { apart_m: 8.0 * x, share: x },
        AnchorFinding::Misplaced { shift_m: [10.0 * x, -3.0 * x, x], explained: 0.97 },
        AnchorFinding::Misplaced { shift_m: [0.0, 0.01 * x, -2.0 * x], explained: 0.97 },
        AnchorFinding::Misplaced { shift_m: [0.0, 0.0, -2.0 * x], explained: 0.97 },
        AnchorFinding::Moved {
            shift_m: [x, x],
            up_m: None,
            size_se_m: 0.1 * x,
            direction_se_deg: Some(15.0 * x),
        },
        AnchorFinding::Moved {
            shift_m: [-x, 0.2 * x],
            up_m: Some(x),
            size_se_m: 0.1 * x,
            direction_se_deg: None,
        },
        AnchorFinding::OffsetChanged { by_m: 0.3 * x, se_m: 0.025 * x },
        AnchorFinding::OffsetChanged { by_m: -0.3 * x, se_m: 0.025 * x },
        AnchorFinding::Moved { shift_m: [0.0; 2], up_m: Some(-x), size_se_m: x, direction_se_deg: None },
        AnchorFinding::ReadsLong { by_m: x },
        AnchorFinding::Changed { by_m: -x },
        AnchorFinding::OneOf { anchors: set(&[1, 3, 4]) },
        AnchorFinding::OneOf { anchors: set(&[0, 1, 2, 3, 4, 5, 6, 7]) },
        AnchorFinding::OneOf { anchors: set(&[]) },
        AnchorFinding::NeverHeard,
        AnchorFinding::Silent,
        AnchorFinding::Held,
        AnchorFinding::Flapping { times: 7, over: Micros::from_secs_f64(600.0) },
        AnchorFinding::OftenLate { share: x, worst_hour_utc: None, worst_direction_deg: None },
        AnchorFinding::OftenLate { share: x, worst_hour_utc: Some(14), worst_direction_deg: Some(44.0) },
        AnchorFinding::OftenLate { share: x, worst_hour_utc: Some(23), worst_direction_deg: None },
        AnchorFinding::Noisy { sigma_m: 0.35 * x, usual_m: 0.12 * x },
        AnchorFinding::Drifting { m_per_day: 0.07 * x, se_m_per_day: 0.01 * x },
        AnchorFinding::Drifting { m_per_day: -0.07 * x, se_m_per_day: 0.01 * x },
        AnchorFinding::Weak { share: x, expected: 0.95 },
    ]
}

pub(crate) fn every_kit_finding(x: f64) -> Vec<KitFinding> {
    let mut all = of_the_kit_alone(x);
    all.extend(every_doubt(x).into_iter().map(|doubt| KitFinding::SiteDoesNotFit { doubt }));
    all
}

/// Those that don't speak of the site.
fn of_the_kit_alone(x: f64) -> Vec<KitFinding> {
    vec![
        KitFinding::TagOff { tag: TagId(0) },
        KitFinding::AnchorsGone,
        KitFinding::NobodyAnswers,
        KitFinding::CableOut,
        KitFinding::FramesCut { share: 0.3 * x },
        KitFinding::Frozen { tag: TagId(u32::MAX) },
        KitFinding::Repeated { tag: TagId(0) },
        KitFinding::OldFrames { tag: TagId(0), age: Micros::from_secs_f64(8.0 * x) },
        KitFinding::AgeUnknown { tag: TagId(0) },
        KitFinding::UnknownTags { count: 99_999, example: TagId(u32::MAX), why: Unsettled::Damaged },
        KitFinding::UnknownTags { count: 99, example: TagId(2), why: Unsettled::OnePlace { like: TagId(1) } },
        KitFinding::UnknownTags { count: 99, example: TagId(2), why: Unsettled::TooSeldom },
        KitFinding::UnlistedTags { count: 1, tags: [Some(TagId(7)), None, None, None] },
        KitFinding::UnlistedTags { count: 99, tags: [1, 2, 3, 4].map(|id| Some(TagId(id))) },
        KitFinding::TagOffset { tag: TagId(7), by_m: 0.3 * x },
        KitFinding::UnevenClock {
            tag: TagId(0),
            usual: Micros::from_millis(100),
            longest: Micros::from_millis(1_400),
            share: 0.2 * x,
        },
    ]
}

pub(crate) fn every_place(x: f64) -> Vec<PlaceAnswer> {
    let mut all = vec![PlaceAnswer::Unchanged { limit_m: 0.7 * x }, PlaceAnswer::Suspect];
    all.extend(every_cannot_tell(x).map(PlaceAnswer::CannotTell));
    all
}

fn every_cannot_tell(x: f64) -> [CannotTell; 7] {
    [
        CannotTell::NoPosition,
        CannotTell::TooLittleTravel { travelled_m: 80.0 * x, needed_m: 100.0 },
        CannotTell::TagStandsStill,
        CannotTell::TravelTooNarrow,
        CannotTell::TooFewAnchors { have: 4, need: 5 },
        CannotTell::AllAlike,
        CannotTell::SiteDoubted,
    ]
}

#[test]
fn every_finding_says_what_the_evidence_and_what_to_do() {
    let anchors = anchors([0, 2, 4, 5, 6, 7, 8, 9]);
    let mut all = String::new();
    let mut tell = |said: Said| {
        let _ = writeln!(all, "{}\n  {}{}", said.words, said.advice, if said.on_site { "" } else { " *" });
    };
    every_finding(0.42).iter().for_each(|f| tell(finding(f, AnchorId(2), &anchors)));
    let site = info().site;
    // What is said of the site as a whole has a snapshot of its own.
    of_the_kit_alone(0.42).iter().for_each(|f| tell(kit(f, (&site).into())));
    for answer in every_place(0.42) {
        let _ = writeln!(all, "{}", place(&answer));
    }
    for why in every_cannot_tell(0.42) {
        let _ = writeln!(all, "  {}", how_to_tell(&why));
    }
    assert_snapshot!("words", all);
}

/// The table indents by five columns and ends at the eightieth. Eight suspects at once may take a second line.
#[test]
fn what_can_happen_fits_a_line_of_the_table() {
    let anchors = anchors([0, 1, 2, 3, 65531, 65532, 65534, 65535]);
    let fits = |text: &str| assert!(text.chars().count() <= 75, "{}: {text}", text.chars().count());
    for x in [0.001, 0.42, 0.999] {
        for f in every_finding(x).iter().filter(|f| !matches!(f, AnchorFinding::OneOf { .. })) {
            let said = finding(f, AnchorId(65535), &anchors);
            fits(&said.words);
            fits(&said.advice);
        }
        let site = info().site;
        for said in of_the_kit_alone(x).iter().map(|k| kit(k, (&site).into())) {
            fits(&said.words);
            fits(&said.advice);
        }
        every_place(x).iter().for_each(|p| fits(&place(p)));
        every_cannot_tell(x).iter().for_each(|w| fits(how_to_tell(w)));
    }
    fits(CAUTION);
    fits(SET_ASIDE);
    fits(STILL_IN_USE);
    fits(NOT_TOLD_WHICH);
}

#[test]
fn numbers_that_no_kit_sends_are_survived() {
    let anchors = anchors([0, 1]);
    for x in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e300, -1e300, 0.0, -0.0, 5e-324] {
        let findings = every_finding(x);
        let texts = findings.iter().map(|f| finding(f, AnchorId(0), &anchors).words);
        let site = info().site;
        for text in texts.chain(every_kit_finding(x).iter().map(|k| kit(k, (&site).into()).words)) {
            assert!(!text.contains("NaN") && !text.contains("inf") && text.len() < 200, "{x}: {text}");
            assert!(!text.contains("-0 ") && !text.contains("-0.00 "), "{x}: {text}");
        }
    }
}

/// Bearings count clockwise from north, as on any chart.
#[test]
fn directions_are_those_of_a_chart() {
    for (shift, bearing, name) in [
        ([0.0, 1.0], 0.0, "north"),
        ([1.0, 1.0], 45.0, "north-east"),
        ([1.0, 0.0], 90.0, "east"),
        ([0.0, -2.0], 180.0, "south"),
        ([-0.3, 0.0], 270.0, "west"),
        ([-1.0, 1.0], 315.0, "north-west"),
    ] {
        let found = bearing_deg(shift).unwrap();
        assert!((found - bearing).abs() < 1e-9, "{shift:?}: {found}");
        assert_eq!(direction(found), name);
    }
    assert_eq!(bearing_deg([0.0, 0.0]), None);
    assert_eq!(bearing_deg([f64::NAN, 1.0]), None);
    // Each name holds for an eighth of a turn around its own direction.
    assert_eq!(direction(22.4), "north");
    assert_eq!(direction(22.6), "north-east");
    assert_eq!(direction(359.0), "north");
    assert_eq!(direction(-90.0), "west");
}

#[test]
fn suspects_are_listed_as_people_say_it() {
    let anchors = anchors([2, 5, 6]);
    let of = |bits| ids(AnchorSet(bits), &anchors);
    assert_eq!([of(0b000), of(0b010), of(0b101), of(0b111)], ["", "5", "2 and 6", "2, 5 and 6"]);
}
