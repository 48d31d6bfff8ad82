//! Why bytes of the stream did not become a frame.

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
        /// The byte that stands in the stream there.
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
        /// As the layout names it.
        field: FieldName,
    },
    /// A line that is not JSON.
    NotJson,
    /// JSON in which none of the layout's pointers leads anywhere.
    NoSuchFields,
    /// JSON in which a pointer leads to something that is not a number.
    NotANumber {
        /// As the layout names it.
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
