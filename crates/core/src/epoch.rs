//! Ranges of one instant, in metres, one per anchor.

use arrayvec::ArrayVec;

use crate::{AnchorId, MAX_ANCHORS, TagId, Timestamp};

/// What one frame said about one anchor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RangeReading {
    /// Which anchor.
    pub anchor: AnchorId,
    /// The distance as sent, in metres, before any correction; `None` when the frame said "no range".
    pub raw_range_m: Option<f64>,
}

/// The ranges of one tag at one instant, before corrections.
#[derive(Clone, Debug, PartialEq)]
pub struct Epoch {
    /// Arrival time of the frame, or the row's own time in a table.
    pub at: Timestamp,
    /// Whose ranges these are.
    pub tag: TagId,
    /// The module's frame counter, when the layout has one.
    pub frame_seq: Option<u32>,
    /// One reading for every range field that belongs to an anchor of the site, with no anchor twice.
    pub readings: ArrayVec<RangeReading, MAX_ANCHORS>,
}
