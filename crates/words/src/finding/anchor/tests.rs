//! Every kind of finding in words, on both sides of its signs, and with numbers that no kit sends.

use hereabout_core::Correction;
use insta::assert_snapshot;

use super::*;
use crate::samples::{
    Yard, every_cannot_tell, every_finding, every_kit_finding, every_place, of_the_kit_alone,
};
use crate::{CAUTION, kit, place};

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

#[test]
fn every_finding_says_what_the_evidence_and_what_to_do() {
    let anchors = anchors([0, 2, 4, 5, 6, 7, 8, 9]);
    let mut all = String::new();
    let mut tell = |said: Said| {
        let _ = writeln!(all, "{}\n  {}{}", said.words, said.advice, if said.on_site { "" } else { " *" });
    };
    every_finding(0.42).iter().for_each(|f| tell(found(f, AnchorId(2), &anchors)));
    let yard = Yard::new();
    // What is said of the site as a whole has a snapshot of its own.
    of_the_kit_alone(0.42).iter().for_each(|f| tell(kit::found(f, yard.names())));
    for answer in every_place(0.42) {
        let _ = writeln!(all, "{}", place::answer(&answer).words);
    }
    for why in every_cannot_tell(0.42) {
        let _ = writeln!(all, "  {}", place::cannot_tell(&why).advice);
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
            let said = found(f, AnchorId(65535), &anchors);
            fits(&said.words);
            fits(&said.advice);
        }
        let yard = Yard::new();
        for said in of_the_kit_alone(x).iter().map(|k| kit::found(k, yard.names())) {
            fits(&said.words);
            fits(&said.advice);
        }
        every_place(x).iter().for_each(|p| fits(&place::answer(p).words));
        every_cannot_tell(x).iter().for_each(|w| fits(&place::cannot_tell(w).advice));
    }
    fits(CAUTION);
    fits(NOT_USED);
    fits(STILL_IN_USE);
    fits(NOT_TOLD_WHICH);
}

#[test]
fn numbers_that_no_kit_sends_are_survived() {
    let anchors = anchors([0, 1]);
    for x in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e300, -1e300, 0.0, -0.0, 5e-324] {
        let findings = every_finding(x);
        let texts = findings.iter().map(|f| found(f, AnchorId(0), &anchors).words);
        let yard = Yard::new();
        for text in texts.chain(every_kit_finding(x).iter().map(|k| kit::found(k, yard.names()).words)) {
            assert!(!text.contains("NaN") && !text.contains("inf") && text.len() < 200, "{x}: {text}");
            assert!(!text.contains("-0 ") && !text.contains("-0.00 "), "{x}: {text}");
        }
    }
}

#[test]
fn suspects_are_listed_as_people_say_it() {
    let anchors = anchors([2, 5, 6]);
    let of = |bits| ids(AnchorSet::from_bits(bits), &anchors);
    assert_eq!([of(0b000), of(0b010), of(0b101), of(0b111)], ["", "5", "2 and 6", "2, 5 and 6"]);
}

/// Programs go by these: they stay. A remark is no finding and has a code of its own.
#[test]
fn codes_and_ranks_are_one_for_each_kind_and_remarks_stand_behind() {
    let mut kinds: Vec<(u8, &str)> = every_finding(0.42)
        .iter()
        .map(|f| found(f, AnchorId(0), &[]))
        .map(|said| (said.rank.expect("ranked"), said.code))
        .collect();
    kinds.sort_unstable();
    kinds.dedup();
    assert_eq!(kinds.len(), hereabout_engine::AnchorFindingKind::COUNT);
    let codes: Vec<&str> = kinds.iter().map(|k| k.1).collect();
    assert_eq!(
        codes.join(" "),
        "two_boards misplaced moved offset_changed reads_long changed one_of held silent never_heard flapping often_late noisy \
         drifting weak"
    );
    for finding in every_finding(0.42) {
        assert_eq!(code(&finding), found(&finding, AnchorId(7), &Yard::new().anchors).code);
    }
    assert!(kinds.iter().all(|k| k.0 < FIRST_REMARK));
}
