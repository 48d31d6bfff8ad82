//! The way back: a frame's values to the bytes that a module would send. The simulator uses it.

use hereabout_core::Word;

use crate::field_name::FieldName;

/// What one frame shall say.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct FrameFields<'a> {
    /// The tag; may be `None` when the layout has no such field, or writes lines.
    pub tag: Option<u32>,
    /// The frame counter; as above.
    pub seq: Option<u32>,
    /// The module's millisecond clock; as above.
    pub millis: Option<u32>,
    /// The raw ranges in layout order, one a range field.
    pub words: &'a [Word],
}

impl FrameFields<'_> {
    /// The value of a counter field; nothing for ranges.
    pub(crate) fn counter(&self, field: FieldName) -> Option<u32> {
        match field {
            FieldName::Range => None,
            FieldName::Tag => self.tag,
            FieldName::Seq => self.seq,
            FieldName::Millis => self.millis,
        }
    }

    /// The value of a counter field, or the next range.
    pub(crate) fn word<'w>(&self, field: FieldName, ranges: &mut impl Iterator<Item = &'w Word>) -> Word {
        if field == FieldName::Range {
            return ranges.next().copied().unwrap_or(Word::Missing);
        }
        self.counter(field).map_or(Word::Missing, |value| Word::Int(i64::from(value)))
    }
}

/// Values that the layout cannot carry.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum EncodeError {
    /// More or fewer ranges than the layout has fields.
    RangeCount {
        /// Ranges given.
        given: usize,
        /// Range fields of the layout.
        wanted: usize,
    },
    /// Nothing to put into a field that cannot be empty.
    Missing {
        /// As the layout names it.
        field: FieldName,
    },
    /// A number that the field cannot carry.
    DoesNotFit {
        /// As the layout names it.
        field: FieldName,
        /// What was to be written, in raw units of the frame.
        word: Word,
    },
}
