//! Tests of `terminal`.

use super::*;

#[test]
fn long_text_breaks_at_blanks() {
    assert_eq!(wrap("one two three four", 9, "  "), ["one two", "  three", "  four"]);
    assert_eq!(wrap("short", 20, "  "), ["short"]);
    assert_eq!(wrap("averylongwordindeed x", 5, ""), ["averylongwordindeed", "x"]);
    assert_eq!(wrap("", 5, ""), [""]);
}
