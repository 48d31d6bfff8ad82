//! What can be wrong with a layout text, and where. The words are made in `words`.

use std::ops::Range;

use super::FieldName;

/// A layout that was refused: which part of its text, and why.
#[derive(Clone, Debug, PartialEq, Eq)]
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
        /// As the layout names it.
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
        /// As the layout names it.
        field: FieldName,
    },
    /// A field other than `range` that stands twice.
    FieldTwice {
        /// As the layout names it.
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
        /// The earlier pointer, as written.
        other: String,
    },
}
