//! What the decoder hands on: raw words, still in the module's own unit.

use arrayvec::ArrayVec;

use crate::{MAX_ANCHORS, Timestamp};

/// One raw number of a frame, as the module sent it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Word {
    /// An integer field or a text number without a point.
    Int(i64),
    /// A floating-point field or a text number with a point or exponent; may be NaN.
    Float(f64),
    /// A text or JSON field that was empty or `null`.
    Missing,
}

impl Word {
    /// The number as `f64`; `None` when missing or NaN. Integers beyond 2^53 round.
    pub fn number(self) -> Option<f64> {
        match self {
            Word::Int(v) => Some(v as f64),
            Word::Float(v) => (!v.is_nan()).then_some(v),
            Word::Missing => None,
        }
    }
}

/// One frame of the primary anchor, cut from the stream and checked, not yet interpreted.
#[derive(Clone, Debug, PartialEq)]
pub struct Frame {
    /// Arrival of the chunk that held the frame's last byte.
    pub received_at: Timestamp,
    /// An instant at which the reader found nothing to read before that chunk came: on this machine the frame is no
    /// older than that. `None` when that is not known.
    pub empty_at: Option<Timestamp>,
    /// Bytes since the frame before that belong to no good frame: frames that were damaged on their way.
    pub skipped_bytes: u32,
    /// The `tag` field, when the layout has one and it was not empty.
    pub tag: Option<u32>,
    /// The `seq` field, when the layout has one.
    pub seq: Option<u32>,
    /// The `millis` field: the module's own millisecond clock, when the layout has one.
    pub millis: Option<u32>,
    /// The `range` fields in layout order.
    pub words: ArrayVec<Word, MAX_ANCHORS>,
}
