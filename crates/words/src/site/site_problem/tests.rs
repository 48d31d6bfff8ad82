//! Every problem has words of its own, a code of its own, and something to do.

use std::collections::BTreeSet;

use hereabout_core::{AnchorId, TagId};

use super::*;

fn every_problem() -> Vec<SiteProblem> {
    let (id, tag) = (AnchorId(7), TagId(7));
    vec![
        SiteProblem::BadName,
        SiteProblem::NotPlain { sign: '\u{202e}' },
        SiteProblem::TooManyZones { have: 99 },
        SiteProblem::TooManyCorners { have: 999 },
        SiteProblem::NoAnchors,
        SiteProblem::TooManyAnchors { have: 17 },
        SiteProblem::DuplicateAnchorId { id, first: 0 },
        SiteProblem::AnchorsAtOnePlace { other: id, apart_m: 0.01 },
        SiteProblem::NotFinite,
        SiteProblem::OutOfLimits { value: 7.0, min: 0.0, max: 1.0 },
        SiteProblem::WrongOrder { low: 2.0, high: 1.0 },
        SiteProblem::LikelyUnitSlip { value_m: 2400.0, limit_m: 1000.0 },
        SiteProblem::AnchorsOnOneLine { mirror: MirrorSide::Open },
        SiteProblem::AnchorsOnOneLine { mirror: MirrorSide::Excluded },
        SiteProblem::AnchorsOnOnePlane { mirror: MirrorSide::Open },
        SiteProblem::AnchorsOnOnePlane { mirror: MirrorSide::Excluded },
        SiteProblem::TooFewAnchors { have: 2, need: 3 },
        SiteProblem::SpareRangeFields { fields: 8, anchors: 5 },
        SiteProblem::NoFieldForAnchor { id, fields: 4 },
        SiteProblem::DuplicateSlot { slot: 1, first: id },
        SiteProblem::SlotsInFileOrder,
        SiteProblem::PolygonTooSmall { corners: 2 },
        SiteProblem::PolygonCrossed,
        SiteProblem::HoleNotInside,
        SiteProblem::HolesMeet { other: 1 },
        SiteProblem::ZoneNeverKnown { why: NeverKnown::TooFewAnchors { have: 3, need: 4 } },
        SiteProblem::ZoneNeverKnown { why: NeverKnown::NoProtectionRadius },
        SiteProblem::DelayedNeedsTracker,
        SiteProblem::TooManyTags { have: 99 },
        SiteProblem::DuplicateTagId { id: tag, first: 0 },
        SiteProblem::UnlistedTag { id: tag },
        SiteProblem::ForgottenBeforeLost { lost_after_s: 60.0 },
        SiteProblem::DuplicateZoneName { first: 0 },
        SiteProblem::UnknownAnchor { id },
    ]
}

#[test]
fn every_problem_has_a_code_and_says_what_to_do() {
    let mut codes = BTreeSet::new();
    let mut words = BTreeSet::new();
    let every = every_problem();
    for problem in &every {
        let said = found(problem);
        assert!(said.words.len() > 10 && said.advice.len() > 10, "{problem:?}: {said:?}");
        assert!(
            !said.words.contains('{') && said.code.chars().all(|c| c.is_ascii_lowercase() || c == '_'),
            "{said:?}"
        );
        codes.insert(said.code);
        assert!(
            words.insert((said.words.clone(), said.advice)),
            "{problem:?} is told like another: {}",
            said.words
        );
    }
    // Three of the kinds are reported in two ways.
    assert_eq!(codes.len(), every.len() - 3, "{codes:?}");
    assert!(!codes.contains("other"));
}

#[test]
fn a_slip_of_the_unit_says_which_and_what_was_meant() {
    let advice = |value_m| found(&SiteProblem::LikelyUnitSlip { value_m, limit_m: 1000.0 }).advice;
    assert_eq!(advice(2400.0), "places are in metres; probably written in centimetres: 2400 cm = 24 m");
    assert_eq!(advice(24000.0), "places are in metres; probably written in millimetres: 24000 mm = 24 m");
}
