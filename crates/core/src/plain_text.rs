//! Text that people or strangers wrote, made safe for a terminal.
//!
//! A name may hold signs that move a cursor, clear a screen or turn the direction of writing. Names of the site file
//! are refused for them ([`is_plain`]); whatever else reaches a terminal (file names, lines of a broken file, what
//! another program calls itself) goes through [`escaped`] at the edge. The escape is that of JSON, so a JSON document
//! stays the same document.

use std::borrow::Cow;
use std::fmt::Write as _;

/// Whether a character does nothing but stand there: neither a control character (of ASCII or of ISO 6429's second set)
/// nor one of Unicode's invisible ones for the direction of writing, nor a separator of lines, nor a byte order mark.
pub const fn is_plain(c: char) -> bool {
    !matches!(
        c,
        '\0'..='\u{1f}'
            | '\u{7f}'..='\u{9f}'
            | '\u{61c}'
            | '\u{200e}'
            | '\u{200f}'
            | '\u{2028}'..='\u{202e}'
            | '\u{2066}'..='\u{2069}'
            | '\u{feff}'
    )
}

/// The text with each character that is not plain as `\u001b`; new lines and tabs too.
pub fn escaped(text: &str) -> Cow<'_, str> {
    escaped_but(text, |_| false)
}

/// The same for a text of several lines: new lines and tabs stay.
pub fn escaped_lines(text: &str) -> Cow<'_, str> {
    escaped_but(text, |c| c == '\n' || c == '\t')
}

fn escaped_but(text: &str, stays: impl Fn(char) -> bool) -> Cow<'_, str> {
    let harmless = |c: char| is_plain(c) || stays(c);
    if text.chars().all(harmless) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + 16);
    for c in text.chars() {
        if harmless(c) {
            out.push(c);
        } else {
            // All of them lie in the basic plane, so four digits do; writing into a String does not fail.
            let _ = write!(out, "\\u{:04x}", u32::from(c));
        }
    }
    Cow::Owned(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_moves_a_cursor_or_turns_the_writing_is_spelt_out() {
        assert_eq!(escaped("shed \u{1b}[2J\ncorner"), "shed \\u001b[2J\\u000acorner");
        assert_eq!(escaped_lines("shed \u{1b}[2J\n\tcorner\r"), "shed \\u001b[2J\n\tcorner\\u000d");
        assert_eq!(escaped("\u{202e}terces\u{202c}"), "\\u202eterces\\u202c");
        for c in ['\u{7f}', '\u{85}', '\u{9b}', '\u{200f}', '\u{2028}', '\u{2066}', '\u{feff}', '\u{61c}'] {
            assert!(!is_plain(c), "{c:?}");
        }
    }

    #[test]
    fn names_of_any_script_stay_as_they_are() {
        for name in ["Gärtnerei №7", "温室の北西", "زاوية السقيفة", "o\u{301}", "👷‍♀️ ladder", "O'Hara\\n"]
        {
            assert!(matches!(escaped(name), Cow::Borrowed(same) if same == name));
        }
    }
}
