//! Tests of `parser_words`.

use super::*;

/// Texts that are no TOML, and what belongs into the words about each.
const BROKEN: [(&str, &str); 12] = [
    ("x = [1, 2", "a list is"),
    ("x = [1 2]", "with commas between"),
    ("name = \"yard", "double quotes"),
    ("name = yard", "double quotes"),
    ("[site", "in brackets"),
    ("[[site]", "in brackets"),
    ("x = ", "behind the equals sign"),
    ("x = 1\nx = 2", "is there twice"),
    ("x = 007", "no leading zero"),
    ("x = { a = 1", "both braces"),
    ("x = 1\n[x]", "is there twice"),
    ("x y", "a line is key = value"),
];

#[test]
fn what_is_no_toml_is_told_in_our_words() {
    for (text, part) in BROKEN {
        let error = toml::from_str::<toml::Table>(text).unwrap_err();
        let words = parser_words(error.message(), text);
        assert!(words.contains(part), "{text:?}: {words} (from {})", error.message());
        assert!(!words.contains(error.message()), "{text:?}: {words}");
    }
}

#[test]
fn a_missing_key_and_a_wrong_type_are_told_in_our_words() {
    let good = "x = 1";
    assert_eq!(parser_words("missing field `rate_hz`", good), "the key rate_hz is missing");
    assert_eq!(parser_words("invalid type: string \"a\", expected f64", good), "\"a\" is a text");
    assert_eq!(parser_words("must be above 0", good), "must be above 0", "our own words stay");
}
