//! Ranges of one instant, in metres, one per anchor.

use arrayvec::ArrayVec;

use crate::{AnchorId, Doubt, MAX_ANCHORS, TagId, Timestamp};

/// What one frame said about one anchor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RangeReading {
    /// Id in the site file.
    pub anchor: AnchorId,
    /// The distance as sent, in metres, before any correction; `None` when the frame said "no range".
    pub raw_range_m: Option<f64>,
}

/// The ranges of one tag at one instant, before corrections.
///
/// It has two times. The arrival moves the engine and every deadline; the instant of measurement is what the
/// ranges are for: it feeds the filter and says until when a position holds.
#[derive(Clone, Debug, PartialEq)]
pub struct Epoch {
    /// When it arrived, or the row's own time in a table.
    pub at: Timestamp,
    /// When it was measured, as far as that can be told; never after `at`.
    pub measured_at: Timestamp,
    /// Whose ranges these are.
    pub tag: TagId,
    /// The module's frame counter, when the layout has one.
    pub frame_seq: Option<u32>,
    /// Why it must not be taken for the present; `None` when nothing speaks against it.
    pub doubt: Option<Doubt>,
    /// Readings that are an anchor's last range held on to, not a new one: bit i for `readings[i]`.
    pub held: u16,
    /// One reading for every range field that belongs to an anchor of the site, with no anchor twice.
    pub readings: ArrayVec<RangeReading, MAX_ANCHORS>,
}

impl Epoch {
    /// Ranges that were measured when they arrived, with nothing that speaks against them.
    pub fn new(
        at: Timestamp,
        tag: TagId,
        frame_seq: Option<u32>,
        readings: ArrayVec<RangeReading, MAX_ANCHORS>,
    ) -> Epoch {
        Epoch { at, measured_at: at, tag, frame_seq, doubt: None, held: 0, readings }
    }

    /// Whether reading `i` is a held one.
    pub fn is_held(&self, i: usize) -> bool {
        i < MAX_ANCHORS && self.held & (1 << i) != 0
    }

    /// Marks reading `i` as a held one.
    pub fn hold(&mut self, i: usize) {
        if i < MAX_ANCHORS {
            self.held |= 1 << i;
        }
    }
}
