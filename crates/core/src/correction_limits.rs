//! How far from a perfect board a site's boards can be; judged by [`crate::plausible`].

/// What boards read too long or short at most, metres, when the site says nothing else: 5 cm long to 30 cm short as they
/// come (common practice, no source).
pub const MAX_OFFSET_M: f64 = 0.5;
/// A board's metre differs from a metre by this share at most (common practice, no source).
pub const MAX_SCALE_CHANGE: f64 = 0.1;

/// What a site's boards can have.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CorrectionLimits {
    /// Largest size of an offset and of its standard error, metres.
    pub max_offset_m: f64,
    /// Largest difference of a scale from 1.
    pub max_scale_change: f64,
}

impl Default for CorrectionLimits {
    fn default() -> CorrectionLimits {
        CorrectionLimits { max_offset_m: MAX_OFFSET_M, max_scale_change: MAX_SCALE_CHANGE }
    }
}
