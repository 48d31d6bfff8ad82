//! Ranges with what became of each.

use arrayvec::ArrayVec;

use crate::{AnchorId, Doubt, MAX_ANCHORS, Micros, TagId, Timestamp, Verdict};

/// One range with everything that is known about it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct JudgedRange {
    /// Id in the site file.
    pub anchor: AnchorId,
    /// As sent, metres.
    pub raw_range_m: Option<f64>,
    /// After offset and scale, metres; `None` without a usable raw range.
    pub range_m: Option<f64>,
    /// What became of it.
    pub verdict: Verdict,
    /// Measured minus computed from the published place, metres.
    pub residual_m: Option<f64>,
    /// The residual over its own standard deviation (Baarda's w).
    pub standardised_residual: Option<f64>,
    /// Probability of being good; `None` from the plain estimator and before there is a place.
    pub p_good: Option<f64>,
}

/// All ranges of one epoch.
#[derive(Clone, Debug, PartialEq)]
pub struct JudgedEpoch {
    /// When it arrived.
    pub at: Timestamp,
    /// When it was measured, as far as that can be told.
    pub measured_at: Timestamp,
    /// Why it was not taken for the present; `None` when it was.
    pub doubt: Option<Doubt>,
    /// Whose ranges.
    pub tag: TagId,
    /// The module's frame counter.
    pub frame_seq: Option<u32>,
    /// In the order of the epoch's readings.
    pub ranges: ArrayVec<JudgedRange, MAX_ANCHORS>,
}

impl JudgedEpoch {
    /// Moves its stamps by `by`.
    pub fn shift(&mut self, by: Micros) {
        self.at = self.at.plus(by);
        self.measured_at = self.measured_at.plus(by);
    }
}
