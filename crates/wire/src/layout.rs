//! A frame layout: what the user's text says, checked, and compiled for the decoder and encoder.
//!
//! Three forms, one type: binary frames of a fixed length, delimited text lines, and JSON lines.
//! Whoever holds a [`Layout`] holds a valid one. The language itself is described in the crate's
//! front page; the limits are here.

mod binary;
mod error;
mod json;
mod number;
mod text;

use std::ops::Range;

use arrayvec::ArrayVec;
use hereabout_core::{Frame, MAX_ANCHORS, Timestamp, Word};

use crate::encode::{EncodeError, FrameFields};
use crate::field_name::FieldName;
use crate::rejection::Rejection;

pub(crate) use binary::{BinaryLayout, Judgement};
pub use error::{LayoutError, LayoutErrorKind};
pub(crate) use json::JsonLayout;
pub(crate) use number::read_bits;
pub(crate) use text::TextLayout;

/// The longest binary frame, and the most literal bytes of a text line.
pub const MAX_FRAME_BYTES: usize = 256;
/// The longest layout text.
pub const MAX_SOURCE_BYTES: usize = 4096;
/// The longest line of a delimited text layout, without its end.
pub const MAX_TEXT_LINE_BYTES: usize = 1024;
/// The longest JSON line, without its end.
pub const MAX_JSON_LINE_BYTES: usize = 4096;

/// What numbers a range field can carry.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RangeKind {
    /// Whole numbers from `min` to `max`.
    Integer {
        /// The smallest raw number, no unit applied.
        min: i64,
        /// The greatest raw number, no unit applied.
        max: i64,
    },
    /// A 32 bit floating-point number; can be NaN, cannot be missing.
    Float,
    /// A number written out in a text or JSON line; can be missing.
    Written,
}

/// A valid frame layout.
#[derive(Clone, Debug)]
pub struct Layout {
    source: String,
    field_set: FieldSet,
    form: Form,
}

/// The three forms of layout.
#[derive(Clone, Debug)]
pub(crate) enum Form {
    /// Bytes at fixed places.
    Binary(Box<BinaryLayout>),
    /// One line of delimited text.
    Text(TextLayout),
    /// One line of JSON.
    Json(JsonLayout),
}

/// What is wrong, and where in the text.
type Fault = (Range<usize>, LayoutErrorKind);

impl Layout {
    /// Reads a binary layout, such as `c3 5a seq:u8 range:u16le*8 sum8 0a`.
    ///
    /// # Errors
    /// The first token that is wrong, or what the layout as a whole lacks.
    pub fn parse_binary(source: &str) -> Result<Layout, LayoutError> {
        parse_with(source, |field_set| {
            binary::parse(source, field_set).map(|layout| Form::Binary(Box::new(layout)))
        })
    }

    /// Reads a delimited text layout, such as `'R,' tag ',' seq ',' range*8`.
    ///
    /// # Errors
    /// The first token that is wrong, or what the layout as a whole lacks.
    pub fn parse_text(source: &str) -> Result<Layout, LayoutError> {
        parse_with(source, |field_set| text::parse(source, field_set).map(Form::Text))
    }

    /// Reads a JSON line layout, such as `seq=/n range=/d/0 range=/d/1`.
    ///
    /// # Errors
    /// The first token that is wrong, or what the layout as a whole lacks.
    pub fn parse_json(source: &str) -> Result<Layout, LayoutError> {
        parse_with(source, |field_set| json::parse(source, field_set).map(Form::Json))
    }

    /// The text that the layout was read from.
    pub fn source(&self) -> &str {
        &self.source
    }

    /// Number of range fields, from 1 to [`MAX_ANCHORS`].
    pub fn range_fields(&self) -> usize {
        self.field_set.ranges
    }

    /// Whether frames of this layout carry the field.
    pub fn has(&self, field: FieldName) -> bool {
        match field {
            FieldName::Range => true,
            other => self.field_set.counters.contains(&other),
        }
    }

    /// Length in bytes of the shortest frame: for lines without the line end.
    pub fn min_frame_len(&self) -> usize {
        match &self.form {
            Form::Binary(layout) => layout.len(),
            Form::Text(layout) => layout.min_len(),
            Form::Json(_) => "{}".len(),
        }
    }

    /// Length in bytes of the longest frame: for lines the longest that is read, without the line end.
    pub fn max_frame_len(&self) -> usize {
        match &self.form {
            Form::Binary(layout) => layout.len(),
            Form::Text(_) => MAX_TEXT_LINE_BYTES,
            Form::Json(_) => MAX_JSON_LINE_BYTES,
        }
    }

    /// The greatest value that a counter field can carry; `None` when the layout has no such field,
    /// and for ranges. A counter that passes it starts again at 0.
    pub fn counter_max(&self, field: FieldName) -> Option<u32> {
        if field == FieldName::Range || !self.has(field) {
            return None;
        }
        match &self.form {
            Form::Binary(layout) => layout.counter_max(field),
            Form::Text(_) | Form::Json(_) => Some(u32::MAX),
        }
    }

    /// What the range field at `index` can carry; `None` beyond the last.
    pub fn range_kind(&self, index: usize) -> Option<RangeKind> {
        match &self.form {
            _ if index >= self.field_set.ranges => None,
            Form::Binary(layout) => layout.range_kind(index),
            Form::Text(_) | Form::Json(_) => Some(RangeKind::Written),
        }
    }

    /// The layout in words, one line a part, for people who check it against a data sheet.
    pub fn describe(&self) -> String {
        match &self.form {
            Form::Binary(layout) => layout.describe(),
            Form::Text(layout) => layout.describe(),
            Form::Json(layout) => layout.describe(),
        }
    }

    /// Appends one frame, as a module would send it, to `out`; lines end in LF. On an error `out`
    /// is as it was.
    ///
    /// # Errors
    /// A field of the layout that `fields` has no value for, or a value that does not fit.
    pub fn encode(&self, fields: &FrameFields<'_>, out: &mut Vec<u8>) -> Result<(), EncodeError> {
        if fields.words.len() != self.field_set.ranges {
            return Err(EncodeError::RangeCount { given: fields.words.len(), wanted: self.field_set.ranges });
        }
        let start = out.len();
        let done = match &self.form {
            Form::Binary(layout) => layout.encode(fields, out),
            Form::Text(layout) => layout.encode(fields, out),
            Form::Json(layout) => layout.encode(fields, out),
        };
        if done.is_err() {
            out.truncate(start);
        }
        done
    }

    pub(crate) fn form(&self) -> &Form {
        &self.form
    }
}

fn parse_with(
    source: &str,
    form: impl FnOnce(&mut FieldSet) -> Result<Form, Fault>,
) -> Result<Layout, LayoutError> {
    let mut field_set = FieldSet::default();
    let parsed = if source.len() > MAX_SOURCE_BYTES {
        Err((0..0, LayoutErrorKind::SourceTooLong { bytes: source.len() }))
    } else if source.trim().is_empty() {
        Err((source.len()..source.len(), LayoutErrorKind::Empty))
    } else {
        form(&mut field_set)
    };
    let parsed = parsed.and_then(|form| match field_set.ranges {
        0 => Err((source.len()..source.len(), LayoutErrorKind::NoRange)),
        _ => Ok(form),
    });
    match parsed {
        Ok(form) => Ok(Layout { source: source.to_owned(), field_set, form }),
        Err((span, kind)) => Err(LayoutError { source_text: source.to_owned(), span, kind }),
    }
}

/// Which fields have been named so far.
#[derive(Clone, Debug, Default)]
struct FieldSet {
    ranges: usize,
    counters: ArrayVec<FieldName, 3>,
}

impl FieldSet {
    /// Enters `count` fields of one name.
    fn add(&mut self, field: FieldName, count: usize) -> Result<(), LayoutErrorKind> {
        if field == FieldName::Range {
            self.ranges = self.ranges.saturating_add(count);
            if self.ranges > MAX_ANCHORS {
                return Err(LayoutErrorKind::TooManyRanges { count: self.ranges });
            }
            return Ok(());
        }
        if count != 1 {
            return Err(LayoutErrorKind::RepeatNotAllowed);
        }
        // Three names, each entered once: the list cannot overflow.
        if self.counters.contains(&field) || self.counters.try_push(field).is_err() {
            return Err(LayoutErrorKind::FieldTwice { field });
        }
        Ok(())
    }
}

/// The tokens between blanks, each with its place.
fn blank_tokens(source: &str) -> impl Iterator<Item = (Range<usize>, &str)> {
    source.split_ascii_whitespace().map(move |token| {
        // Both point into the same text, so the difference is the offset.
        let start = token.as_ptr().addr() - source.as_ptr().addr();
        (start..start + token.len(), token)
    })
}

/// Splits `head*N`; without `*` the count is 1 and `false` is returned.
fn split_repeat(token: &str) -> Result<(&str, usize, bool), LayoutErrorKind> {
    let Some((head, count)) = token.split_once('*') else { return Ok((token, 1, false)) };
    let digits = !count.is_empty() && count.bytes().all(|b| b.is_ascii_digit());
    match count.parse::<usize>() {
        Ok(n) if digits && n > 0 => Ok((head, n, true)),
        _ => Err(LayoutErrorKind::BadRepeat { count: count.to_owned() }),
    }
}

/// A frame with nothing in it.
pub(crate) fn blank_frame() -> Frame {
    Frame {
        received_at: Timestamp::default(),
        empty_at: None,
        skipped_bytes: 0,
        tag: None,
        seq: None,
        millis: None,
        words: ArrayVec::new(),
    }
}

/// Takes everything out of a frame but the stamp, which the decoder sets when it hands the frame out.
fn clear(frame: &mut Frame) {
    (frame.tag, frame.seq, frame.millis) = (None, None, None);
    frame.words.clear();
}

/// Puts one number where it belongs.
fn set_field(frame: &mut Frame, field: FieldName, word: Word) -> Result<(), Rejection> {
    let slot = match field {
        FieldName::Range => {
            // The field_set allows no more range fields than the list has room for.
            return frame.words.try_push(word).map_err(|_| Rejection::NumberTooBig { field });
        }
        FieldName::Tag => &mut frame.tag,
        FieldName::Seq => &mut frame.seq,
        FieldName::Millis => &mut frame.millis,
    };
    *slot = match word {
        Word::Missing => None,
        Word::Int(value) => Some(u32::try_from(value).map_err(|_| Rejection::NumberTooBig { field })?),
        Word::Float(_) => return Err(Rejection::NumberTooBig { field }),
    };
    Ok(())
}

#[cfg(test)]
mod tests;
