//! Why bytes of the stream did not become a frame.

use std::fmt;

use crate::field_name::FieldName;

/// Why a piece of the stream was left out. Places are byte offsets from the piece's first byte.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rejection {
    /// No frame starts in these bytes.
    NotAFrame,
    /// It begins like a frame, and another literal does not fit: cut short, or run into another.
    WrongLiteral {
        /// Place of the literal in the frame.
        at: usize,
        /// The byte that the layout has there.
        wanted: u8,
        /// The byte that came.
        found: u8,
    },
    /// Every literal fits, and a checksum does not.
    BadChecksum {
        /// Place of the checksum in the frame.
        at: usize,
        /// The checksum of the bytes as they came.
        computed: u32,
        /// The checksum in the frame.
        found: u32,
    },
    /// A line that differs from the layout.
    UnlikeLayout {
        /// Where it starts to differ.
        at: usize,
        /// What the layout has there.
        wanted: Wanted,
    },
    /// A number that its field cannot hold: `tag`, `seq` and `millis` are whole and from 0 to 4294967295.
    NumberTooBig {
        /// Which field.
        field: FieldName,
    },
    /// A line that is not JSON.
    NotJson,
    /// JSON in which none of the layout's pointers leads anywhere.
    NoSuchFields,
    /// JSON in which a pointer leads to something that is not a number.
    NotANumber {
        /// Which field.
        field: FieldName,
    },
    /// A line without an end within the longest length.
    LineTooLong,
    /// The stream ended within these bytes.
    Incomplete,
}

/// What a text layout has at some place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wanted {
    /// A literal.
    Literal,
    /// A number, or nothing.
    Number,
    /// The end of the line.
    LineEnd,
}

impl Rejection {
    /// How much the bytes look like a frame: a higher one opens a piece of its own.
    pub(crate) fn match_rank(self) -> u8 {
        match self {
            Rejection::BadChecksum { .. } => 2,
            Rejection::WrongLiteral { .. } => 1,
            _ => 0,
        }
    }
}

impl fmt::Display for Rejection {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Rejection::NotAFrame => f.write_str("no frame starts here"),
            Rejection::WrongLiteral { at, wanted, found } => {
                write!(f, "begins like a frame, but byte {at} is {found:02x} instead of {wanted:02x}")
            }
            Rejection::BadChecksum { at, computed, found } => {
                write!(
                    f,
                    "bad checksum at byte {at}: the frame says {found:#x}, its bytes give {computed:#x}"
                )
            }
            Rejection::UnlikeLayout { at, wanted } => {
                let wanted = match wanted {
                    Wanted::Literal => "the layout's literal",
                    Wanted::Number => "a number",
                    Wanted::LineEnd => "the end of the line",
                };
                write!(f, "expected {wanted} at byte {at}")
            }
            Rejection::NumberTooBig { field: FieldName::Range } => {
                f.write_str("a range is out of all bounds")
            }
            Rejection::NumberTooBig { field } => {
                write!(f, "`{field}` is not a whole number from 0 to {}", u32::MAX)
            }
            Rejection::NotJson => f.write_str("not a line of JSON"),
            Rejection::NoSuchFields => f.write_str("JSON without any field of the layout"),
            Rejection::NotANumber { field } => write!(f, "`{field}` is not a number"),
            Rejection::LineTooLong => f.write_str("the line is too long"),
            Rejection::Incomplete => f.write_str("the stream ended within a frame"),
        }
    }
}
