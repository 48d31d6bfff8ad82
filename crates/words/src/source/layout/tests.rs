use std::collections::BTreeSet;

use hereabout_wire::Layout;

use super::*;

#[test]
fn a_refused_layout_is_told_with_its_token_and_what_to_write() {
    let error = Layout::parse_binary("c3 5a\n seq:u8 range:u17le\n sum8").unwrap_err();
    assert_eq!(
        error_words(&error),
        "no type is called `u17le`: the types are u8 i8 u16le u16be i16le i16be u24le u24be u32le u32be f32le f32be \
         (at `range:u17le`, byte 14)"
    );
    assert_eq!(kind_code(&error.kind), "unknown_type");
}

#[test]
fn an_unknown_checksum_is_answered_with_its_family() {
    let words = error_words(&Layout::parse_binary("c3 range:u8 CRC32").unwrap_err());
    assert!(words.contains("crc-32/iso-hdlc") && words.contains("crc-32/xfer"), "{words}");
    assert!(!words.contains("crc-16/"), "{words}");
    let words = error_words(&Layout::parse_binary("c3 range:u8 md5x").unwrap_err());
    assert!(!words.is_empty());
}

#[test]
fn every_refusal_has_words_and_a_code_of_its_own() {
    let texts = [
        "",
        "c3",
        "c3 hello",
        "c3 colour:u8",
        "c3 seq range:u8",
        "c3 range:u9",
        "c3 range:u8 crc-99/x",
        "c3 range:u8 sum8:le",
        "c3 range:u8 crc-16/modbus@99",
        "c3 range:u8*0",
        "c3*2 range:u8",
        "c3 seq:i8 range:u8",
        "c3 tag:u8 tag:u8 range:u8",
        "c3 range:u8*99",
        "c3 range:u8 skip*9999",
        "range:u8",
    ];
    let mut codes = BTreeSet::new();
    for text in texts {
        let error = Layout::parse_binary(text).unwrap_err();
        let words = error_words(&error);
        assert!(words.len() > 20 && !words.contains("  "), "{text}: {words}");
        codes.insert(kind_code(&error.kind));
    }
    assert!(codes.len() >= 14, "{codes:?}");
}

#[test]
fn a_rejected_piece_is_told_with_its_place() {
    let reason = Rejection::WrongLiteral { at: 12, wanted: 0x0A, found: 0x0B };
    assert_eq!(rejection_words(reason), "begins like a frame, but byte 12 is 0b instead of 0a");
    assert_eq!(rejection_code(reason), "wrong_literal");
    let sum = Rejection::BadChecksum { at: 11, computed: 0x1c, found: 0x5c };
    assert_eq!(rejection_words(sum), "bad checksum at byte 11: the frame says 0x5c, its bytes give 0x1c");
    let line = Rejection::UnlikeLayout { at: 3, wanted: Wanted::LineEnd };
    assert_eq!(rejection_words(line), "expected the end of the line at byte 3");
}

#[test]
fn a_text_that_is_no_unit_is_named_with_those_that_are() {
    let error = "feet".parse::<hereabout_wire::Unit>().unwrap_err();
    assert_eq!(unit_words(&error), "`feet` is not a unit of range: write m, dm, cm or mm");
}
