//! What an estimate of one place is made from.

/// One measured range with all that the solver needs to know of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RangeObs {
    /// East, north, up of the anchor's antenna, metres.
    pub anchor_m: [f64; 3],
    /// Measured slant range, metres, corrections applied.
    pub range_m: f64,
    /// Standard deviation of a good range of this anchor, metres, above 0.
    pub sigma_m: f64,
}
