//! Tests of `say`.

use hereabout_wire::Unit;
use hereabout_wire::learn::{Caution, LayoutKey, NotFrames, Part, PartKind, Sureness, Tested};

use super::*;

fn guess() -> FrameGuess {
    let layout = "c3 5a range:u16le*4".to_owned();
    FrameGuess { key: LayoutKey::Binary, layout, unit: Unit::Cm, no_range: vec![0.0] }
}

#[test]
fn everything_that_is_told_has_its_code() {
    let rival = || vec![Alternative { frame: guess(), question: Question::ByteOrder }];
    let proposal = json(&Outcome::Proposal(Proposal {
        frame: guess(),
        parts: vec![Part { what: PartKind::FrameLength { bytes: 10 }, sureness: Sureness::Sure }],
        alternatives: rival(),
        cautions: vec![Caution::Damaged { share: 0.01 }],
        frames_read: 100,
        share_read: 0.99,
        tested: Tested::default(),
        rate_hz: None,
    }));
    assert_eq!(
        proposal["parts"],
        json!([{ "code": "frame_length", "what": "frames of 10 bytes", "sureness": "sure" }])
    );
    assert_eq!(proposal["notes"], json!([{ "code": "damaged", "words": proposal["cautions"][0] }]));
    assert_eq!(proposal["alternatives"][0]["code"], "byte_order");
    let question = Question::NoRole { place: "byte 4".to_owned(), values: vec![1, 2], distinct: 5 };
    let undecided = Undecided {
        questions: vec![question, Question::NothingMoves],
        alternatives: rival(),
        frame_bytes: 10,
        frames_seen: 100,
    };
    let undecided = json(&Outcome::Undecided(undecided));
    let words = &undecided["questions"];
    assert_eq!(
        undecided["reasons"],
        json!([
            { "code": "no_role", "words": words[0], "place": "byte 4", "values": [1, 2], "different_values": 5 },
            { "code": "nothing_moves", "words": words[1] },
        ])
    );
    let silence = json(&Outcome::NotFrames(NotFrames::Silence));
    assert_eq!((&silence["code"], &silence["kind"]), (&json!("silence"), &json!("silence")));
}
