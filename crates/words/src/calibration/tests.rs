//! Refusals and explanations with their codes, what they are about, and how much too long a range is.

use hereabout_core::{Anchor, Correction, Dimension, Fence, SiteDraft, Timestamp, TrackSettings};

use super::*;

fn site() -> Site {
    let anchor = |(id, at_m): (u16, [f64; 3])| Anchor {
        id: AnchorId(id),
        name: format!("post {id}"),
        at_m,
        range_sigma_m: 0.1,
        slot: None,
        correction: Correction { offset_m: 0.0, scale: 1.0, offset_se_m: None },
    };
    let places_m = [[0.0, 0.0, 2.6], [24.0, 0.0, 2.4], [24.0, 14.0, 2.8], [0.0, 14.0, 2.2]];
    let draft = SiteDraft {
        name: "yard".into(),
        dimension: Dimension::TwoD { tag_height_m: 0.9 },
        fence: Fence::default(),
        range_span_m: [0.01, 200.0],
        anchors: [4, 5, 6, 7].into_iter().zip(places_m).map(anchor).collect(),
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

fn spots() -> Vec<Spot> {
    let spot = |name: &str| Spot {
        name: name.into(),
        at_m: [1.0, 2.0, 0.9],
        from: Timestamp::MIN,
        to: Timestamp::default(),
    };
    vec![spot("bench"), spot("gate")]
}

fn explained(suspect: FaultCandidate) -> Explanation {
    Explanation {
        candidate: suspect,
        shift_m: [0.3, -0.1, 0.0],
        shift_se_m: [0.02; 3],
        offset_m: 0.25,
        scale_change: 0.012,
        chance_probability: 1e-6,
    }
}

fn fact<'a>(said: &'a Said, name: &str) -> Option<&'a Fact> {
    said.facts.iter().find(|(known, _)| *known == name).map(|(_, fact)| fact)
}

#[test]
fn every_refusal_of_a_stand_has_a_code_a_board_and_something_to_do() {
    let refusals = [
        OccupationRefusal::TooFewRanges { have: 0, need: 24 },
        OccupationRefusal::TooFewRanges { have: 5, need: 24 },
        OccupationRefusal::TooManyNlos { share: 0.6, limit_share: 0.4 },
        OccupationRefusal::TooNoisy { sigma_m: 0.5, limit_m: 0.3 },
        OccupationRefusal::Stepped { by_m: -0.2, limit_m: 0.05, at: Timestamp::default() },
        OccupationRefusal::TooUncertain { se_m: 0.04, limit_m: 0.02 },
    ];
    let said: Vec<Said> = refusals.iter().map(|r| refusal(r, "bench: ", AnchorId(5))).collect();
    let codes: Vec<&str> = said.iter().map(|s| s.code).collect();
    assert_eq!(
        codes,
        ["not_heard", "too_few_ranges", "too_many_late", "too_noisy", "stepped", "too_uncertain"]
    );
    let on_site: Vec<&str> = said.iter().filter(|s| s.on_site).map(|s| s.code).collect();
    assert_eq!(on_site, ["not_heard"], "the others are measured again from the floor");
    assert_eq!(
        said[2].words,
        "bench: anchor 5 is refused: 60 % of its ranges are blocked or reflected (at most 40 %)"
    );
    assert_eq!(
        said[5].words,
        "bench: anchor 5 is refused: its level is known to ± 4.0 cm only (at most 2.0 cm)"
    );
    assert!(
        said.iter().all(|s| fact(s, "anchor") == Some(&Fact::Whole(5)) && s.advice.len() > 20),
        "{said:#?}"
    );
}

#[test]
fn every_explanation_says_what_where_by_how_much_and_what_to_do() {
    let (site, spots) = (site(), spots());
    let told = |suspect| explanation(&explained(suspect), &site, &spots);
    let every = [
        (
            FaultCandidate::OccupationPlace(1),
            "wrong_spot",
            "the tag did not stand at gate as stated, but +0.30 m east, -0.10 m north of it",
        ),
        (
            FaultCandidate::AnchorPlace(0),
            "wrong_anchor_place",
            "anchor 4 (post 4) is not where the site file says, but +0.30 m east, -0.10 m north of it",
        ),
        (
            FaultCandidate::AnchorPlaceAndOffset(1),
            "wrong_anchor_place",
            "anchor 5 (post 5) is not where the site file says, but +0.30 m east, -0.10 m north of it",
        ),
        (
            FaultCandidate::AnchorOffset(2),
            "wrong_offset",
            "anchor 6 (post 6) reads +0.25 m longer than its offset says",
        ),
        (FaultCandidate::AllOffsets, "all_offsets", "all boards read +0.25 m longer than their offsets say"),
        (FaultCandidate::AllScales, "all_scales", "all boards read +1.2 % longer than stated"),
        (
            FaultCandidate::Path { occupation: 0, anchor: 3 },
            "no_direct_path",
            "anchor 7 (post 7) has no direct path to bench and reads 0.25 m too long there",
        ),
    ];
    for (suspect, code, words) in every {
        let said = told(suspect);
        assert_eq!((said.code, said.words.as_str()), (code, words));
        assert!(said.advice.len() > 20, "{said:?}");
        assert_eq!(said.on_site, ["wrong_anchor_place", "wrong_offset"].contains(&code), "{said:?}");
        let perhaps = faults(&FaultIsolation::Undecided(vec![explained(suspect)]), &site, &spots);
        assert_eq!(perhaps[0].code, "undecided");
        assert_eq!(
            (perhaps[1].code, &perhaps[1].words),
            (&*format!("perhaps_{code}"), &format!("perhaps: {words}"))
        );
    }
    let path = told(FaultCandidate::Path { occupation: 0, anchor: 3 });
    assert_eq!(fact(&path, "spot"), Some(&Fact::Text("bench".into())));
    assert_eq!((fact(&path, "excess_m"), fact(&path, "excess_se_m")), (Some(&Fact::Number(0.25)), None));
    let up = Explanation { shift_m: [0.0, 0.0, -0.4], ..explained(FaultCandidate::AnchorPlace(0)) };
    assert!(explanation(&up, &site, &spots).words.contains("+0.00 m north, -0.40 m up of it"));
    let left_out = wrong_stand(&explained(FaultCandidate::OccupationPlace(1)), &site, &spots);
    assert!(left_out.code == "wrong_spot" && left_out.words.ends_with("of it: the place is left out"));
}

#[test]
fn a_spot_that_is_given_later_counts_and_none_leaves_it() {
    let note = reused_place("gate", "bench").at_spot(None);
    assert_eq!(fact(&note, "spot"), Some(&Fact::Text("gate".into())));
    assert_eq!(note.at_spot(Some("door")).facts, [("spot", Fact::Text("door".into()))]);
}
