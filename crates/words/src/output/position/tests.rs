//! Reasons for no position: one code and one thing to do for each.

use std::collections::BTreeSet;

use super::*;

const DOUBTS: [Doubt; 5] = [Doubt::Old, Doubt::Repeated, Doubt::Frozen, Doubt::Unsettled, Doubt::UnknownTag];

fn every_reason() -> Vec<NoFixReason> {
    let mut all = vec![
        NoFixReason::NoRanges,
        NoFixReason::TooFewRanges { have: 1, need: 3 },
        NoFixReason::WeakGeometry,
        NoFixReason::TwoPlaces,
        NoFixReason::Inconsistent,
        NoFixReason::NotConverged,
    ];
    all.extend(DOUBTS.map(NoFixReason::NotCurrent));
    all
}

#[test]
fn every_reason_has_its_own_code_and_says_what_to_do() {
    let said: Vec<Said> = every_reason().into_iter().map(no_fix).collect();
    let codes: BTreeSet<&str> = said.iter().map(|s| s.code).collect();
    assert_eq!(codes.len(), said.len());
    assert!(said.iter().all(|s| !s.advice.is_empty() && s.topic == Topic::Position));
    assert_eq!(expired().advice, "", "there is nothing to do about time that went by");
}

#[test]
fn counts_are_told_in_plain_english() {
    let line = |have| no_fix(NoFixReason::TooFewRanges { have, need: 3 }).line();
    assert_eq!(
        line(1),
        "1 usable range where 3 are needed: see /v1/anchors.txt for which anchors are silent"
    );
    assert!(line(2).starts_with("2 usable ranges where 3 are needed: "));
}
