//! Whatever is sent: it is read, or the reason names the key and what to do, in no library's words.

use proptest::prelude::*;

use super::*;

/// What the JSON library says by itself; none of it may reach a person.
const LIBRARY: [&str; 12] = [
    "missing field",
    "unknown field",
    "duplicate field",
    "invalid type",
    "invalid value",
    "expected ",
    "f64",
    "u16",
    "EOF",
    "struct",
    "trailing",
    "recursion",
];

fn refused(text: &str) -> String {
    let why = read(text.as_bytes()).expect_err(text);
    assert!(why.starts_with("It cannot be read: ") && why.ends_with('.'), "{why}");
    for words in LIBRARY {
        assert!(!why.contains(words), "{text}: {why}");
    }
    why
}

#[test]
fn the_reason_names_the_key_and_what_to_do() {
    for (text, expected) in [
        ("{}", "'anchors' is missing: give the list of anchors"),
        ("7", "the body is the number 7: give an object in braces"),
        ("null", "the body is null: give an object"),
        (r#"{"anchors":{}}"#, "'anchors' is an object: give a list of anchors in brackets"),
        (r#"{"anchors":null}"#, "'anchors' is null"),
        (r#"{"anchors":[],"anchors":[]}"#, "'anchors' is there twice: give it once"),
        (r#"{"anchors":[],"site":"x"}"#, "'site' is not known: leave it out, or write anchors"),
        (r#"{"anchors":["0"]}"#, "'anchors[0]' is the text \"0\": give an object in braces"),
        (r#"{"anchors":[{"offset_m":0.1}]}"#, "'anchors[0].id' is missing: give the anchor's id, a whole"),
        (r#"{"anchors":[{"id":0}]}"#, "'anchors[0].offset_m' is missing: give a number, metres"),
        (r#"{"anchors":[{"id":"0","offset_m":0.1}]}"#, "'anchors[0].id' is the text \"0\": give"),
        (r#"{"anchors":[{"id":-1,"offset_m":0.1}]}"#, "'anchors[0].id' is the number -1: give"),
        (r#"{"anchors":[{"id":65536,"offset_m":0.1}]}"#, "from 0 to 65535"),
        (r#"{"anchors":[{"id":1.5,"offset_m":0.1}]}"#, "'anchors[0].id' is the number 1.5"),
        (
            r#"{"anchors":[{"id":0,"offset_m":0.1},{"id":1,"offset_m":"0,1"}]}"#,
            "'anchors[1].offset_m' is the text \"0,1\": give a number, metres",
        ),
        (r#"{"anchors":[{"id":0,"offset_m":null}]}"#, "'anchors[0].offset_m' is null"),
        (
            r#"{"anchors":[{"id":0,"offset_m":0.1,"scale":null}]}"#,
            "'anchors[0].scale' is null: give a number",
        ),
        (
            r#"{"anchors":[{"id":0,"offset_m":0.1,"offset_se_m":true}]}"#,
            "offset_se_m' is true: give a number",
        ),
        (
            r#"{"anchors":[{"id":0,"offset_m":0.1,"offset":1}]}"#,
            "'anchors[0].offset' is not known: leave it out, or write id, offset_m, scale, offset_se_m",
        ),
        (r#"{"anchors":[{"id":0,"id":1,"offset_m":0.1}]}"#, "'anchors[0].id' is there twice"),
        ("", "nothing was sent as the body"),
        (" \n", "nothing was sent as the body"),
        (r#"{"anchors":["#, "the JSON ends too early, at line 1, column 12"),
        ("{\"anchors\":\n [}", "it is no JSON from line 2, column 3 on"),
        (r#"{"anchors":[]} x"#, "it is no JSON from line 1, column 16 on"),
        (r#"{"anchors":[{"id":0,"offset_m":1e999}]}"#, "it is no JSON from line 1, column"),
        ("anchors=0", "it is no JSON from line 1, column 1 on"),
    ] {
        let why = refused(text);
        assert!(why.contains(expected), "{text}: {why}");
    }
    // Of two faults the one that keeps all from being read, with its own place.
    let both = refused(r#"{"anchors":[{"idd":0}]"#);
    assert!(both.contains("ends too early, at line 1, column 22"), "{both}");
    let deep = "[".repeat(10_000);
    refused(&deep);
    assert!(read(b"\xff\xfe").unwrap_err().contains("no JSON"));
}

#[test]
fn what_is_repeated_is_short_and_moves_no_cursor() {
    let why = refused(&format!("{{\"{}\\u001b[2J\":1}}", "k".repeat(500)));
    assert!(why.len() < 300 && !why.contains('\u{1b}'), "{why}");
}

proptest! {
    /// Something wrong anywhere in a good body.
    #[test]
    fn no_library_speaks(at in 0usize..70, piece in "[\\[\\]{}\",:0-9a-z.\\-]{0,3}") {
        let good = r#"{"anchors":[{"id":0,"offset_m":0.1,"scale":1.0,"offset_se_m":null}]}"#;
        let at = at.min(good.len());
        let text = format!("{}{piece}{}", &good[..at], &good[(at + 1).min(good.len())..]);
        if read(text.as_bytes()).is_err() {
            refused(&text);
        }
    }
}
