//! What an estimate of one place is made from.

/// One measured range.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RangeObs {
    /// The anchor's place, metres.
    pub anchor_m: [f64; 3],
    /// Measured slant range, metres, corrections applied.
    pub range_m: f64,
    /// Its standard deviation, metres.
    pub sigma_m: f64,
}
