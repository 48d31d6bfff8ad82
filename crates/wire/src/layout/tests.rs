//! The language: what is accepted, what is refused, and where the message points. Spans and
//! diagrams were counted out by hand.

use hereabout_core::Word;

use super::*;
use crate::rejection::Wanted;

type Parser = fn(&str) -> Result<Layout, LayoutError>;

/// The token pointed at, and the kind.
fn refused(parse: Parser, source: &str) -> (Range<usize>, LayoutErrorKind) {
    let error = parse(source).expect_err(source);
    assert_eq!(error.source_text, source);
    (error.span, error.kind)
}

fn owned(text: &str) -> String {
    text.to_owned()
}

#[test]
fn the_design_examples_are_read() {
    let binary = Layout::parse_binary("c3 5a seq:u8 range:u16le*8 sum8 0a").unwrap();
    // 2 literals, 1 counter, 8 words of 2 bytes, 1 sum, 1 literal.
    assert_eq!((binary.min_frame_len(), binary.max_frame_len()), (21, 21));
    assert_eq!(binary.range_fields(), 8);
    assert!(binary.has(FieldName::Seq) && binary.has(FieldName::Range));
    assert!(!binary.has(FieldName::Tag) && !binary.has(FieldName::Millis));
    assert_eq!(binary.source(), "c3 5a seq:u8 range:u16le*8 sum8 0a");

    let text = Layout::parse_text("'R,' tag ',' seq ',' range*8").unwrap();
    assert_eq!(text.range_fields(), 8);
    // R, and one comma each between the ten fields.
    assert_eq!(text.min_frame_len(), 11);
    assert_eq!(text.max_frame_len(), MAX_TEXT_LINE_BYTES);

    let json = Layout::parse_json("seq=/n range=/d/0 range=/d/1").unwrap();
    assert_eq!(json.range_fields(), 2);
    assert!(json.has(FieldName::Seq) && !json.has(FieldName::Tag));
}

#[test]
fn binary_faults_point_at_their_token() {
    use LayoutErrorKind as K;
    let cases = [
        ("c3 range:u17le", 3..14, K::UnknownType { name: owned("u17le") }),
        ("c3  dist:u16le", 4..14, K::UnknownField { name: owned("dist") }),
        ("0xc3 range:u8", 0..4, K::UnknownToken),
        ("c35a range:u8", 0..4, K::UnknownToken),
        ("c3 range", 3..8, K::MissingType { field: FieldName::Range }),
        ("c3 range:u8 crc-16", 12..18, K::UnknownChecksum { name: owned("crc-16") }),
        ("c3 range:u8 sum8@x", 12..18, K::BadChecksumSuffix { suffix: owned("@x") }),
        ("c3 range:u8 sum8@", 12..17, K::BadChecksumSuffix { suffix: owned("@") }),
        ("c3 range:u8 crc-16/arc:le:be", 12..28, K::BadChecksumSuffix { suffix: owned(":be") }),
        ("c3 range:u8 sum8:le", 12..19, K::OrderOfOneByte),
        ("c3 range:u8 sum8@2", 12..18, K::ChecksumCoversNothing { from: 2, at: 2 }),
        ("sum8 range:u8", 0..4, K::ChecksumCoversNothing { from: 0, at: 0 }),
        ("c3 range:u8*0", 3..13, K::BadRepeat { count: owned("0") }),
        ("c3 range:u8*", 3..12, K::BadRepeat { count: owned("") }),
        ("c3 range:u8*-1", 3..14, K::BadRepeat { count: owned("-1") }),
        ("c3*2 range:u8", 0..4, K::RepeatNotAllowed),
        ("c3 seq:u8*2 range:u8", 3..11, K::RepeatNotAllowed),
        ("c3 range:u8 sum8*2", 12..18, K::RepeatNotAllowed),
        ("c3 tag:f32le range:u8", 3..12, K::CounterNotUnsigned { field: FieldName::Tag }),
        ("c3 seq:i8 range:u8", 3..9, K::CounterNotUnsigned { field: FieldName::Seq }),
        ("c3 tag:u8 range:u8 tag:u8", 19..25, K::FieldTwice { field: FieldName::Tag }),
        ("c3 range:u8*17", 3..14, K::TooManyRanges { count: 17 }),
        ("c3 range:u8*9 range:u8*8", 14..24, K::TooManyRanges { count: 17 }),
        ("c3 range:u8 skip*255", 12..20, K::FrameTooLong { bytes: 257 }),
        (
            "c3 range:u8 skip*99999999999999999999",
            12..37,
            K::BadRepeat { count: owned("99999999999999999999") },
        ),
        ("c3 5a sum8", 10..10, K::NoRange),
        ("range:u16le*4", 0..13, K::CannotSynchronise),
        ("", 0..0, K::Empty),
        (" \t ", 3..3, K::Empty),
    ];
    for (source, span, kind) in cases {
        assert_eq!(refused(Layout::parse_binary, source), (span, kind), "{source}");
    }
    let long = "skip ".repeat(820);
    assert_eq!(refused(Layout::parse_binary, &long), (0..0, K::SourceTooLong { bytes: 4100 }));
}

#[test]
fn text_faults_point_at_their_token() {
    use LayoutErrorKind as K;
    let cases = [
        ("'R,' tag ', range*8", 9..19, K::UnclosedLiteral),
        ("'' range", 0..2, K::EmptyLiteral),
        ("'R\\n' range", 2..3, K::BadEscape),
        ("'R\n' range", 2..3, K::LineEndInLiteral),
        ("tag range*8", 4..11, K::NoDelimiter),
        ("range*2'0'", 7..10, K::LiteralLooksLikeNumber),
        ("range '.' seq", 6..9, K::LiteralLooksLikeNumber),
        ("range*4 by seq", 8..14, K::MisplacedBy),
        ("range by ';'", 6..12, K::MisplacedBy),
        ("by ',' range", 0..2, K::MisplacedBy),
        ("range*4 by", 8..10, K::MisplacedBy),
        ("'R,' distance", 5..13, K::UnknownField { name: owned("distance") }),
        ("'R,' range*x", 5..12, K::BadRepeat { count: owned("x") }),
        ("seq ',' seq ',' range", 8..11, K::FieldTwice { field: FieldName::Seq }),
        ("range*17", 0..8, K::TooManyRanges { count: 17 }),
        ("range ',' skip*300", 10..18, K::FrameTooLong { bytes: 300 }),
        ("'R,' seq", 8..8, K::NoRange),
    ];
    for (source, span, kind) in cases {
        assert_eq!(refused(Layout::parse_text, source), (span, kind), "{source}");
    }
}

#[test]
fn json_faults_point_at_their_token() {
    use LayoutErrorKind as K;
    let cases = [
        ("seq=/n range", 7..12, K::BadPair),
        ("seq=/n dist=/d", 7..14, K::UnknownField { name: owned("dist") }),
        ("range=d/0", 0..9, K::BadPointer),
        ("range=", 0..6, K::BadPointer),
        ("range=/d~2", 0..10, K::BadPointer),
        ("range=/d~", 0..9, K::BadPointer),
        ("range=/d range=/d/0", 9..19, K::PointerClash { other: owned("/d") }),
        ("range=/d/0 range=/d/0", 11..21, K::PointerClash { other: owned("/d/0") }),
        ("seq=/n seq=/m range=/d", 7..13, K::FieldTwice { field: FieldName::Seq }),
        ("seq=/n", 6..6, K::NoRange),
    ];
    for (source, span, kind) in cases {
        assert_eq!(refused(Layout::parse_json, source), (span, kind), "{source}");
    }
}

#[test]
fn the_diagram_puts_carets_under_the_token() {
    let error = Layout::parse_binary("c3 5a\n seq:u8 range:u17le\n sum8").unwrap_err();
    assert_eq!(error.diagram(), " seq:u8 range:u17le\n        ^^^^^^^^^^^");
    assert_eq!((error.token(), error.span.start), ("range:u17le", 14));
    // Characters are counted, not bytes; something missing at the end gets one caret behind it.
    let error = Layout::parse_text("'é,' seq").unwrap_err();
    assert_eq!(error.diagram(), "'é,' seq\n        ^");
    assert_eq!(error.token(), "end");
    let error = Layout::parse_text("'é,' ströng").unwrap_err();
    assert_eq!(error.diagram(), "'é,' ströng\n     ^^^^^^");
}

#[test]
fn counters_know_where_they_wrap() {
    let layout = Layout::parse_binary("c3 seq:u24be tag:u8 range:i16be range:f32le").unwrap();
    assert_eq!(layout.counter_max(FieldName::Seq), Some(0xFF_FFFF));
    assert_eq!(layout.counter_max(FieldName::Tag), Some(255));
    assert_eq!(layout.counter_max(FieldName::Millis), None);
    assert_eq!(layout.counter_max(FieldName::Range), None);
    assert_eq!(layout.range_kind(0), Some(RangeKind::Integer { min: -32768, max: 32767 }));
    assert_eq!(layout.range_kind(1), Some(RangeKind::Float));
    assert_eq!(layout.range_kind(2), None);
}

#[test]
fn a_layout_is_described_part_by_part() {
    let binary = Layout::parse_binary("c3 seq:u16be skip*3 range:u16le*2 crc-16/modbus@1 0a").unwrap();
    let expected = "\
binary frame of 13 bytes
  byte 0        always c3
  bytes 1-2     seq, u16be
  bytes 3-5     ignored
  bytes 6-7     range 1, u16le
  bytes 8-9     range 2, u16le
  bytes 10-11   crc-16/modbus of bytes 1-9
  byte 12       always 0a
";
    assert_eq!(binary.describe(), expected);
    let text = Layout::parse_text("'R;' tag ' ' skip ';' range*2").unwrap();
    let expected = "\
one line of text a frame
  always        \"R;\"
  number        tag
  always        \" \"
  any text      ignored
  always        \";\"
  number        range 1
  always        \";\"
  number        range 2
";
    assert_eq!(text.describe(), expected);
    let json = Layout::parse_json("tag=/t range=/d/0").unwrap();
    assert_eq!(json.describe(), "one line of JSON a frame\n  tag           at /t\n  range 1       at /d/0\n");
}

fn encoded(layout: &Layout, fields: &FrameFields<'_>) -> Result<Vec<u8>, EncodeError> {
    let mut out = b"before".to_vec();
    let done = layout.encode(fields, &mut out);
    assert!(out.starts_with(b"before"));
    assert!(done.is_ok() || out.len() == 6, "an error leaves the output alone");
    done.map(|()| out.split_off(6))
}

#[test]
fn binary_frames_are_written_byte_for_byte() {
    // Payload words: check vector V7 (ranges of a made-up site in millimetres, low byte first).
    let words = [5440, 8500, 9963, 7316, 3655, 7805, 6560, 4417].map(Word::Int);
    let layout = Layout::parse_binary("c3 5a seq:u8 range:u16le*8 sum8 0a").unwrap();
    let bytes = encoded(&layout, &FrameFields { seq: Some(7), words: &words, ..Default::default() }).unwrap();
    let payload =
        [0x40, 0x15, 0x34, 0x21, 0xEB, 0x26, 0x94, 0x1C, 0x47, 0x0E, 0x7D, 0x1E, 0xA0, 0x19, 0x41, 0x11];
    assert_eq!(bytes[..3], [0xC3, 0x5A, 0x07]);
    assert_eq!(bytes[3..19], payload);
    // 0x124 for the first three bytes and 0x466 for the words, added up outside of this program.
    assert_eq!(bytes[19..], [0x8A, 0x0A]);
}

#[test]
fn checksum_bytes_stand_in_the_order_of_the_algorithm() {
    // A request of the Modbus protocol with its CRC, low byte first (an example of the protocol's
    // literature, from memory): 01 03 00 00 00 0a c5 cd.
    let zero = [Word::Int(0)];
    let modbus = |token: &str| {
        let layout = Layout::parse_binary(&format!("01 03 range:u16be 00 0a {token}")).unwrap();
        encoded(&layout, &FrameFields { words: &zero, ..Default::default() }).unwrap().split_off(6)
    };
    assert_eq!(modbus("crc-16/modbus"), [0xC5, 0xCD]);
    assert_eq!(modbus("CRC-16/MODBUS:be"), [0xCD, 0xC5]);
    // Catalogue check values; "123456789" as eight literals and one range.
    let digits = |tail: &str| {
        let layout = Layout::parse_binary(&format!("ff 31 32 33 34 35 36 37 38 range:u8 {tail}")).unwrap();
        let fields = FrameFields { words: &[Word::Int(0x39)], ..Default::default() };
        encoded(&layout, &fields).unwrap().split_off(10)
    };
    assert_eq!(digits("crc-16/xmodem@1"), [0x31, 0xC3]);
    assert_eq!(digits("crc-16/xmodem:le@1"), [0xC3, 0x31]);
    assert_eq!(digits("crc-32/iso-hdlc@1 0a"), [0x26, 0x39, 0xF4, 0xCB, 0x0A]);
    assert_eq!(digits("crc-32/bzip2@1"), [0xFC, 0x89, 0x19, 0x18]);
    assert_eq!(digits("sum8@1 xor8@1"), [0xDD, 0x31 ^ 0xDD]);
}

#[test]
fn numbers_of_every_type_stand_as_they_should() {
    let layout = Layout::parse_binary(
        "c3 range:u8 range:i8 range:u16be range:i16le range:i16be range:u24le range:u24be range:u32le range:u32be \
         range:f32le range:f32be",
    )
    .unwrap();
    let words = [
        Word::Int(255),
        Word::Int(-2),
        Word::Int(0x1234),
        Word::Int(-3),
        Word::Int(-32768),
        Word::Int(0x0001_0203),
        Word::Int(0x0001_0203),
        Word::Int(0xFFFF_FFFE),
        Word::Int(1),
        // IEEE 754: 1.5 is 3fc00000, -2 is c0000000.
        Word::Float(1.5),
        Word::Float(-2.0),
    ];
    let bytes = encoded(&layout, &FrameFields { words: &words, ..Default::default() }).unwrap();
    let expected = [
        0xC3, 0xFF, 0xFE, 0x12, 0x34, 0xFD, 0xFF, 0x80, 0x00, 0x03, 0x02, 0x01, 0x01, 0x02, 0x03, 0xFE, 0xFF,
        0xFF, 0xFF, 0x00, 0x00, 0x00, 0x01, 0x00, 0x00, 0xC0, 0x3F, 0xC0, 0x00, 0x00, 0x00,
    ];
    assert_eq!(bytes, expected);
    let Form::Binary(binary) = layout.form() else { panic!("a binary layout") };
    assert!(matches!(binary.judge(&bytes), Judgement::Frame));
    let mut frame = blank_frame();
    binary.read(&bytes, &mut frame);
    assert_eq!(frame.words.as_slice(), words);
}

#[test]
fn values_that_do_not_fit_are_refused() {
    let layout = Layout::parse_binary("c3 seq:u8 range:u16le range:f32le").unwrap();
    let with = |seq, words: &[Word]| encoded(&layout, &FrameFields { seq, words, ..Default::default() });
    let range = |word| Err(EncodeError::DoesNotFit { field: FieldName::Range, word });
    let good = Word::Float(1.0);
    assert!(with(Some(255), &[Word::Int(65535), good]).is_ok());
    assert_eq!(
        with(Some(256), &[Word::Int(0), good]),
        Err(EncodeError::DoesNotFit { field: FieldName::Seq, word: Word::Int(256) })
    );
    assert_eq!(with(None, &[Word::Int(0), good]), Err(EncodeError::Missing { field: FieldName::Seq }));
    assert_eq!(with(Some(0), &[Word::Missing, good]), Err(EncodeError::Missing { field: FieldName::Range }));
    for word in [Word::Int(-1), Word::Int(65536), Word::Float(3.0)] {
        assert_eq!(with(Some(0), &[word, good]), range(word));
    }
    assert_eq!(with(Some(0), &[Word::Int(0), Word::Float(1e300)]), range(Word::Float(1e300)));
    assert_eq!(with(Some(0), &[Word::Int(0)]), Err(EncodeError::RangeCount { given: 1, wanted: 2 }));

    let json = Layout::parse_json("range=/d").unwrap();
    let nan = encoded(&json, &FrameFields { words: &[Word::Float(f64::NAN)], ..Default::default() });
    assert!(matches!(nan, Err(EncodeError::DoesNotFit { .. })), "JSON has no NaN (RFC 8259)");
    let spaced = Layout::parse_text("range*2 by ' '").unwrap();
    let gap = FrameFields { words: &[Word::Missing, Word::Int(1)], ..Default::default() };
    assert_eq!(encoded(&spaced, &gap), Err(EncodeError::Missing { field: FieldName::Range }));
}

#[test]
fn lines_are_written_as_a_module_would() {
    let words = [Word::Int(320), Word::Missing, Word::Float(4.0)];
    let fields = FrameFields { tag: Some(2), seq: Some(99), millis: None, words: &words };
    let text = Layout::parse_text("'R,' tag ',' seq ' mm: ' range*3 by ' ; ' ' end'").unwrap();
    assert_eq!(
        encoded(&text, &fields),
        Err(EncodeError::Missing { field: FieldName::Range }),
        "an empty field beside a space could not be read back"
    );
    let text = Layout::parse_text("'R,' tag ',' seq ',' millis ',' skip ',' range*3 '\\'s\\t\\\\'").unwrap();
    assert_eq!(encoded(&text, &fields).unwrap(), b"R,2,99,,,320,,4.0's\t\\\n");

    let json =
        Layout::parse_json("tag=/t seq=/h/n millis=/h/ms range=/d/1 range=/d/0 range=/e/~01~1x").unwrap();
    let line = encoded(&json, &fields).unwrap();
    assert_eq!(line, b"{\"d\":[null,320],\"e\":{\"~1/x\":4.0},\"h\":{\"ms\":null,\"n\":99},\"t\":2}\n");
    // An index beyond any sensible array becomes a member's name; so does one beside a name.
    let json = Layout::parse_json("range=/9999999 range=/a/0 range=/a/b").unwrap();
    assert_eq!(encoded(&json, &fields).unwrap(), b"{\"9999999\":320,\"a\":{\"0\":null,\"b\":4.0}}\n");
}

fn read(layout: &Layout, line: &str) -> Result<Frame, Rejection> {
    let mut frame = blank_frame();
    let parsed = match layout.form() {
        Form::Text(layout) => layout.parse_line(line.as_bytes(), &mut frame),
        Form::Json(layout) => layout.parse_line(line.as_bytes(), &mut frame),
        Form::Binary(_) => panic!("not a line layout"),
    };
    parsed.map(|()| frame)
}

fn words(layout: &Layout, line: &str) -> Vec<Word> {
    read(layout, line).expect(line).words.to_vec()
}

#[test]
fn text_numbers_are_read_in_all_their_forms() {
    let layout = Layout::parse_text("'R,' range*4").unwrap();
    assert_eq!(
        words(&layout, "R, 320 ,\t-1,, 4.25 \t"),
        [Word::Int(320), Word::Int(-1), Word::Missing, Word::Float(4.25)]
    );
    assert_eq!(
        words(&layout, "R,+3,1e2,.5,5."),
        [Word::Int(3), Word::Float(100.0), Word::Float(0.5), Word::Float(5.0)]
    );
    assert!(matches!(words(&layout, "R,NaN,1,2,3")[0], Word::Float(v) if v.is_nan()));

    let differs = |at, wanted| Err(Rejection::UnlikeLayout { at, wanted });
    assert_eq!(read(&layout, "R,1,2,3"), differs(7, Wanted::Literal));
    assert_eq!(read(&layout, "R,1,2,3,4,5"), differs(9, Wanted::LineEnd));
    assert_eq!(read(&layout, "R,1,2,x,4"), differs(6, Wanted::Literal));
    assert_eq!(read(&layout, "R,1,2,inf,4"), differs(6, Wanted::Literal));
    assert_eq!(read(&layout, "R,1,2,1e999,4"), differs(6, Wanted::Number));
    assert_eq!(read(&layout, "R,1,2,99999999999999999999,4"), differs(6, Wanted::Number));
    assert_eq!(read(&layout, "Q,1,2,3,4"), differs(0, Wanted::Literal));
}

#[test]
fn text_counters_are_whole_and_fit_32_bits() {
    let layout = Layout::parse_text("tag ',' seq ',' millis ',' range").unwrap();
    let frame = read(&layout, "4294967295,,7,1").unwrap();
    assert_eq!((frame.tag, frame.seq, frame.millis), (Some(u32::MAX), None, Some(7)));
    for (line, field) in
        [("4294967296,1,1,1", FieldName::Tag), ("1,-1,1,1", FieldName::Seq), ("1,1,1.0,1", FieldName::Millis)]
    {
        assert_eq!(read(&layout, line), Err(Rejection::NumberTooBig { field }));
    }
}

#[test]
fn separators_follow_the_literal_before_or_are_named() {
    let two = [Word::Int(1), Word::Int(2)];
    for (layout, line) in [
        ("'R;' range*2", "R;1;2"),
        ("'R|' range*2", "R|1| 2"),
        ("'R\\t' range*2", "R\t1\t2"),
        ("'R:' range*2", "R:1,2"),
        ("range*2", "1,2"),
        ("'R ' range*2 by ' '", "R 1 2"),
        ("'R ' range*2 by ' '", "R   1    2  "),
        ("range*2 by ' m; ' ' m'", "1 m; 2 m"),
        ("range*2 by '-'", "1-2"),
        ("'a' 'b' range*2 by'/'", "ab1/2"),
        ("range ',' skip*2 ',' range ',' skip", "1,x y,,2,rest, of it"),
    ] {
        assert_eq!(words(&Layout::parse_text(layout).unwrap(), line), two, "{layout}");
    }
    // An empty field between tabs is empty, although a tab is a blank.
    let tabs = Layout::parse_text("range*3 by '\\t'").unwrap();
    assert_eq!(words(&tabs, "1\t\t 3"), [Word::Int(1), Word::Missing, Word::Int(3)]);
}

#[test]
fn json_values_are_numbers_or_missing() {
    let layout = Layout::parse_json("seq=/n tag=/t range=/d/0 range=/d/1 range=/d/2 range=/d/3").unwrap();
    let frame = read(&layout, r#" {"n":7,"d":[320,4.5,null],"other":{"x":[true]}} "#).unwrap();
    assert_eq!((frame.seq, frame.tag), (Some(7), None));
    assert_eq!(frame.words.as_slice(), [Word::Int(320), Word::Float(4.5), Word::Missing, Word::Missing]);

    assert_eq!(read(&layout, r#"{"n":7,"d":[1,2"#), Err(Rejection::NotJson));
    assert_eq!(read(&layout, r#"{"status":"well"}"#), Err(Rejection::NoSuchFields));
    assert_eq!(read(&layout, "[1]"), Err(Rejection::NoSuchFields));
    assert_eq!(read(&layout, r#"{"d":["320"]}"#), Err(Rejection::NotANumber { field: FieldName::Range }));
    assert_eq!(read(&layout, r#"{"n":-7}"#), Err(Rejection::NumberTooBig { field: FieldName::Seq }));
    // RFC 6901: the same path leads through members whose names are digits.
    assert_eq!(words(&layout, r#"{"d":{"1":5}}"#)[1], Word::Int(5));
}
