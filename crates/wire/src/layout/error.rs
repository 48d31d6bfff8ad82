//! What can be wrong with a layout text, where, and what to write instead.

use std::fmt;
use std::ops::Range;

use hereabout_core::MAX_ANCHORS;
use thiserror::Error;

use super::{FieldName, MAX_FRAME_BYTES, MAX_SOURCE_BYTES};
use crate::checksum::checksum_algorithms;

/// A layout that was refused: which part of its text, and why.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error("{kind} (at `{}`, byte {})", self.token(), self.span.start)]
pub struct LayoutError {
    /// The whole layout text.
    pub source_text: String,
    /// The bad token in it, as byte offsets. Empty at the end of the text when something is missing.
    pub span: Range<usize>,
    /// What is wrong with it.
    pub kind: LayoutErrorKind,
}

impl LayoutError {
    /// The bad token itself; `end` when something is missing at the end.
    pub fn token(&self) -> &str {
        match self.source_text.get(self.span.clone()) {
            Some(token) if !token.is_empty() => token,
            _ => "end",
        }
    }

    /// Two lines: the line of the layout that holds the token, and carets under the token.
    pub fn diagram(&self) -> String {
        let text = &self.source_text;
        let start = text[..self.span.start].rfind('\n').map_or(0, |i| i + 1);
        let end = text[self.span.start..].find('\n').map_or(text.len(), |i| self.span.start + i);
        // Tabs stay tabs, so that the carets stand right whatever a terminal makes of them.
        let indent: String =
            text[start..self.span.start].chars().map(|c| if c == '\t' { '\t' } else { ' ' }).collect();
        let width = text[self.span.start..self.span.end.min(end)].chars().count().max(1);
        format!("{}\n{indent}{}", &text[start..end], "^".repeat(width))
    }
}

/// What is wrong with a layout.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LayoutErrorKind {
    /// No token at all.
    Empty,
    /// The text is longer than any layout can need.
    SourceTooLong {
        /// Its length in bytes.
        bytes: usize,
    },
    /// Neither a literal, a field, a skip nor a checksum.
    UnknownToken,
    /// `name:type` or `name=pointer` with a name that no frame has.
    UnknownField {
        /// The name as written.
        name: String,
    },
    /// A field name without a type.
    MissingType {
        /// Which field.
        field: FieldName,
    },
    /// `name:type` with a type that does not exist.
    UnknownType {
        /// The type as written.
        name: String,
    },
    /// A checksum that is not in the table.
    UnknownChecksum {
        /// The name as written.
        name: String,
    },
    /// After a checksum's name stands something other than `@k`, `:le` or `:be`.
    BadChecksumSuffix {
        /// The suffix as written.
        suffix: String,
    },
    /// `:le` or `:be` on a checksum of one byte.
    OrderOfOneByte,
    /// A checksum that starts at or after its own place.
    ChecksumCoversNothing {
        /// First byte it would cover.
        from: usize,
        /// Its own place in the frame.
        at: usize,
    },
    /// What follows `*` is not a count from 1 up.
    BadRepeat {
        /// The count as written.
        count: String,
    },
    /// `*` on something that stands once.
    RepeatNotAllowed,
    /// `tag`, `seq` and `millis` are counts: unsigned integers.
    CounterNotUnsigned {
        /// Which field.
        field: FieldName,
    },
    /// A field other than `range` that stands twice.
    FieldTwice {
        /// Which field.
        field: FieldName,
    },
    /// No `range` field.
    NoRange,
    /// More range fields than a frame can have.
    TooManyRanges {
        /// How many there are.
        count: usize,
    },
    /// A frame longer than the decoder takes.
    FrameTooLong {
        /// Its length up to and with this token, in bytes.
        bytes: usize,
    },
    /// Neither a literal nor a checksum: a frame's start could not be told from any other byte.
    CannotSynchronise,
    /// A quote that is not closed.
    UnclosedLiteral,
    /// Nothing between the quotes.
    EmptyLiteral,
    /// A backslash before something other than `\`, `'` or `t`.
    BadEscape,
    /// A line end inside a literal: lines end a text frame.
    LineEndInLiteral,
    /// Two fields with no literal between them.
    NoDelimiter,
    /// A literal after a field that begins with a digit or a point, which would be read as part of the number.
    LiteralLooksLikeNumber,
    /// `by` that does not stand between a repeated field and a literal.
    MisplacedBy,
    /// A JSON token that is not `name=/pointer`.
    BadPair,
    /// Not a JSON pointer (RFC 6901) that starts with `/`, with `~` only in `~0` and `~1`.
    BadPointer,
    /// Two pointers of which one names a part of the other, or the same place.
    PointerClash {
        /// The other pointer.
        other: String,
    },
}

impl fmt::Display for LayoutErrorKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        use LayoutErrorKind as K;
        match self {
            K::Empty => f.write_str("the layout is empty: describe at least one `range` field"),
            K::SourceTooLong { bytes } => {
                write!(f, "the layout text has {bytes} bytes, the most is {MAX_SOURCE_BYTES}")
            }
            K::UnknownToken => f.write_str(
                "not a token: write a literal byte as two hex digits (0a), a field as name:type (seq:u8), skip*N, or a checksum (sum8)",
            ),
            K::UnknownField { name } => {
                write!(f, "no field is called `{name}`: the names are range, tag, seq, millis")
            }
            K::MissingType { field } => write!(f, "`{field}` needs a type: write {field}:u16le for example"),
            K::UnknownType { name } => write!(
                f,
                "no type is called `{name}`: the types are u8 i8 u16le u16be i16le i16be u24le u24be u32le u32be f32le f32be"
            ),
            K::UnknownChecksum { name } => unknown_checksum(f, name),
            K::BadChecksumSuffix { suffix } => write!(
                f,
                "`{suffix}` means nothing after a checksum: `@2` starts it at byte 2, `:le` or `:be` sets its byte order"
            ),
            K::OrderOfOneByte => f.write_str("a checksum of one byte has no byte order: leave :le or :be out"),
            K::ChecksumCoversNothing { from, at } => write!(
                f,
                "the checksum stands at byte {at} and would start at byte {from}: it must start before its own place"
            ),
            K::BadRepeat { count } => write!(f, "`{count}` is not a repeat count: write a number from 1 up"),
            K::RepeatNotAllowed => {
                f.write_str("only range and skip can be repeated: write everything else once for every time it stands")
            }
            K::CounterNotUnsigned { field } => {
                write!(f, "`{field}` is a count: its type must be u8, u16le, u16be, u24le, u24be, u32le or u32be")
            }
            K::FieldTwice { field } => {
                write!(f, "`{field}` stands twice: only range may; use skip for bytes to ignore")
            }
            K::NoRange => f.write_str("the layout has no `range` field: without ranges there is nothing to position"),
            K::TooManyRanges { count } => write!(f, "{count} range fields: the most is {MAX_ANCHORS}"),
            K::FrameTooLong { bytes } => {
                write!(f, "the frame has {bytes} bytes or more: the most is {MAX_FRAME_BYTES}")
            }
            K::CannotSynchronise => f.write_str(
                "neither a literal byte nor a checksum: the start of a frame cannot be told from any other byte; add the bytes that every frame begins or ends with",
            ),
            K::UnclosedLiteral => f.write_str("the quote is not closed: end the literal with '"),
            K::EmptyLiteral => f.write_str("nothing stands between the quotes: write the text that stands in the line"),
            K::BadEscape => f.write_str("a backslash may only stand in \\\\ \\' and \\t"),
            K::LineEndInLiteral => {
                f.write_str("a literal cannot hold a line end: a text frame is one line, and its end is understood")
            }
            K::NoDelimiter => {
                f.write_str("nothing separates this field from the one before: put a literal such as ',' between them")
            }
            K::LiteralLooksLikeNumber => f.write_str(
                "a literal after a field may not begin with a digit or a point: it would be read as part of the number",
            ),
            K::MisplacedBy => f.write_str("`by` stands after a repeated field and before a literal: range*8 by ';'"),
            K::BadPair => f.write_str("write name=/pointer, for example range=/d/0"),
            K::BadPointer => {
                f.write_str("not a JSON pointer: it begins with `/`, and `~` stands only in ~0 (for ~) and ~1 (for /)")
            }
            K::PointerClash { other } => {
                write!(f, "this pointer and `{other}` name the same place or one a part of the other")
            }
        }
    }
}

/// Names the checksums of the family that the writer seems to mean, so that the message stays short.
fn unknown_checksum(f: &mut fmt::Formatter<'_>, name: &str) -> fmt::Result {
    let lower = name.to_ascii_lowercase();
    let family = ["crc-8", "crc-16", "crc-32"]
        .into_iter()
        .find(|family| lower.starts_with(family) || lower.starts_with(&family.replace('-', "")));
    write!(f, "no checksum is called `{name}`: ")?;
    let Some(family) = family else {
        return f.write_str("write sum8, xor8, or a CRC by its catalogue name such as crc-16/modbus");
    };
    f.write_str("the catalogue has")?;
    for algorithm in checksum_algorithms().iter().filter(|a| a.name().split('/').next() == Some(family)) {
        write!(f, " {}", algorithm.name())?;
    }
    Ok(())
}
