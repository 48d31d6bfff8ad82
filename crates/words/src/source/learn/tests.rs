//! Every question, part, caution and reason on one line as it was always written, with its code and facts.

use super::*;

fn every_question() -> Vec<Question> {
    let place = || "byte 4".to_owned();
    vec![
        Question::ByteOrder,
        Question::Unit { farthest_m: 24.0, likelier: Unit::Cm, other: Unit::Mm },
        Question::Width { bytes: 2, other: 4 },
        Question::FrameStart { later_by: 3 },
        Question::WhichNumbers,
        Question::LittleTravel { units: 7.0 },
        Question::NothingMoves,
        Question::ReadsTooLittle { share: 0.4 },
        Question::TagNumber { place: place(), values: vec![1, 2, 3], smoother: 4.0 },
        Question::TagNumber { place: place(), values: vec![1, 2], smoother: 1.0 },
        Question::NoRole { place: place(), values: vec![3, 9], distinct: 5 },
        Question::NoRole { place: place(), values: Vec::new(), distinct: 5 },
        Question::OtherFrames { halves: [0.1, 0.2], sample: "c3 5b".to_owned() },
        Question::LeftOut { place: "/ranges".to_owned(), seen: (3, 4), short: 7, lines: 90 },
        Question::Jumps { share: 0.3 },
        Question::UnitChanges { factor: 10.0 },
        Question::NothingToTestOn,
        Question::RestUnread { share: 0.2, made: 0.9 },
    ]
}

/// The texts of before there were rows, so that a capture is reported with the same words.
#[test]
fn questions_read_as_one_line() {
    let lines: Vec<String> = every_question().iter().map(|q| question(q).line()).collect();
    let expected = [
        "only the low byte moves, so the byte order is open: capture again and walk 3 m further",
        "cm or mm? The farthest range would be 24.0 m in cm. Move the tag 1 m: the reading changes by about 100 (cm) or \
         1000 (mm); or tell the farthest distance with --farthest",
        "the bytes beside each range are always zero: 2 or 4 bytes a range? The ranges are the same; switch an anchor off \
         and capture again to see which bytes say \"no range\"",
        "the frame may start 3 bytes later: the same ranges, but a wrong cut completes one frame late. Keep the arrival \
         times with the capture: the idle gap tells the start",
        "other numbers move like ranges too (a signal strength may follow the distance): stand still for 10 s, then move \
         the tag by 1 m",
        "no reading changed by more than 7 units: capture again and move the tag by some metres",
        "frames come in, but nothing in them moves as a range does: switch the anchors on and move the tag",
        "the layout reads only 40 % of the frames: bytes are lost or damaged, or frames are of more than one kind. Check \
         cable and baud rate, capture again",
        "byte 4 takes the values 1, 2 and 3: a tag number? The ranges are 4 times smoother within one value than where it \
         changes. Switch all tags off but one and capture again: one value says a tag's number, and the layout with `tag` \
         is right; several values say a group of anchors or a state. If you know it, take the layout below with `tag` or \
         with `skip` there",
        "byte 4 takes the values 1 and 2: a tag number? The ranges do not tell: they are as smooth either way. Switch all \
         tags off but one and capture again: one value says a tag's number, and the layout with `tag` is right; several \
         values say a group of anchors or a state. If you know it, take the layout below with `tag` or with `skip` there",
        "byte 4 takes 5 different values (mostly 3 and 9), and nothing shows what it is: a battery, a status, a number of \
         the tag? Look it up, or change one thing at a time (another tag, an anchor off) and capture again; if it may be \
         ignored, take the layout below",
        "byte 4 takes 5 different values, and nothing shows what it is: a battery, a status, a number of the tag? Look it \
         up, or change one thing at a time (another tag, an anchor off) and capture again; if it may be ignored, take \
         the layout below",
        "something else comes as well, beginning with c3 5b: 10 % of the first half of the capture, 20 % of the second. \
         Switch status messages off, or give the layout by hand if they may be passed over; if the module was changed \
         meanwhile, capture again",
        "/ranges has 3 to 4 elements (fewer than 4 in 7 of 90 lines): what stands behind one that is left out has no fixed \
         place. Let the module send all of them always, with a word for \"no range\"",
        "ranges jump (30 % of the frames), as those of several tags or of groups of anchors in turn do: switch all tags \
         off but one, and capture again",
        "all ranges change by a factor of 10.00 from one frame to the next: the unit or the layout changed during the \
         capture. Capture again without changing anything at the module",
        "too few frames are left to test the layout on that it was not made from: capture twice as long, with the tag moving",
        "the layout reads 90 % of the part of the capture that it was made from and 20 % of the rest: the line failed for \
         a time, or something was changed at the module. Check cable and baud rate, and capture again without changing \
         anything",
    ];
    assert_eq!(lines, expected);
}

#[test]
fn questions_have_codes_facts_and_a_short_form() {
    let every = every_question();
    let codes: Vec<&str> = every.iter().map(|q| question(q).code).collect();
    assert_eq!(
        codes.join(" "),
        "byte_order unit width frame_start which_numbers little_travel nothing_moves reads_too_little tag_number tag_number \
         no_role no_role other_frames left_out jumps unit_changes nothing_to_test_on rest_unread"
    );
    assert!(every.iter().all(|q| question_in_short(q).len() > 20 && !question(q).advice.is_empty()));
    let facts = |n: usize| question(&every[n]).facts;
    let place = ("place", Fact::Text("byte 4".into()));
    assert_eq!(
        facts(8),
        [place.clone(), ("values", Fact::Wholes(vec![1, 2, 3])), ("times_smoother", Fact::Number(4.0))]
    );
    assert_eq!(
        facts(10),
        [place, ("values", Fact::Wholes(vec![3, 9])), ("different_values", Fact::Whole(5))]
    );
    assert_eq!(
        facts(12),
        [("share_of_halves", Fact::Numbers(vec![0.1, 0.2])), ("begins_with", Fact::Text("c3 5b".into()))]
    );
    assert_eq!(
        facts(13),
        [
            ("place", Fact::Text("/ranges".into())),
            ("elements", Fact::Wholes(vec![3, 4])),
            ("short_lines", Fact::Whole(7)),
            ("lines", Fact::Whole(90)),
        ]
    );
}

#[test]
fn what_is_no_stream_of_frames_says_why_and_where_it_can_what_to_do() {
    let told = |why: NotFrames| {
        let said = not_frames(&why);
        (said.code, said.line())
    };
    let sample = "ready>".to_owned();
    for (why, code, line) in [
        (
            NotFrames::Silence,
            "silence",
            "nothing came: check power, that the module's transmit line is the one connected, and the port",
        ),
        (
            NotFrames::TooShort { bytes: 9 },
            "too_short",
            "only 9 bytes: capture at least 20 s with the tag moving",
        ),
        (
            NotFrames::ConstantByte { byte: 0 },
            "constant_byte",
            "only the byte 00 over and over: a line that is held, or a baud rate far off",
        ),
        (
            NotFrames::ConsoleText { sample },
            "console_text",
            "a command console or log, not a table of numbers (\"ready>\"): the module waits for a command to send ranges",
        ),
        (
            NotFrames::DamagedText { share: 0.125 },
            "damaged_text",
            "text, but damaged (12.5 % of it): check cable, ground and baud rate, then capture again",
        ),
        (
            NotFrames::WrongBaud { shift: Some(2) },
            "wrong_baud",
            "the bits are shifted by 2: wrong baud rate or byte format",
        ),
        (
            NotFrames::WrongBaud { shift: None },
            "wrong_baud",
            "the bytes look like those of a wrong baud rate: try others (9600 to 921600)",
        ),
        (
            NotFrames::Rubbish,
            "rubbish",
            "nothing repeats in these bytes: noise, an encrypted stream, or a wrong baud rate",
        ),
    ] {
        assert_eq!(told(why), (code, line.to_owned()));
    }
}

#[test]
fn cautions_and_parts_have_codes() {
    let silent = Caution::SilentBytes { places: vec![4..5, 8..10], read: 1 };
    let told = |c: &Caution| (caution(c).code, caution(c).line());
    assert_eq!(
        told(&silent),
        (
            "silent_bytes",
            "may be ranges of anchors that are off: 4, 8-9 (places in the frame, from 0; 1 of them are read as range \
             fields): switch all anchors on, or one off and on, and capture again"
                .to_owned()
        )
    );
    assert_eq!(
        told(&Caution::Damaged { share: 0.031 }),
        ("damaged", "3.1 % belong to no good frame: check cable and baud rate".to_owned())
    );
    assert_eq!(told(&Caution::ShortPreamble { bytes: 1 }).0, "short_preamble");
    assert_eq!(told(&Caution::ChecksumTwins { count: 2 }).0, "checksum_twins");
    let part_of = |p: PartKind| (part(&p).code, part(&p).line());
    assert_eq!(
        part_of(PartKind::NoRange { words: vec![0.0, f64::NAN], seen: false }),
        ("no_range", "no range: 0, nan (not seen, assumed)".to_owned())
    );
    assert_eq!(
        part_of(PartKind::Counter { at: 2, step: 100, is_clock: true }),
        ("clock", "a millisecond clock at 2, step about 100".to_owned())
    );
    assert_eq!(
        part_of(PartKind::Preamble { bytes: vec![0xc3, 0x5a] }),
        ("preamble", "every frame begins with c3 5a".to_owned())
    );
}
