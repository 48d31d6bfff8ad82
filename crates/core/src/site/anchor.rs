//! An anchor, what its ranges are corrected by, and the dimension of a site.

use crate::AnchorId;

/// Two-dimensional with a known tag height, or three-dimensional.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Dimension {
    /// East and north are estimated; the tag moves at one known height.
    TwoD {
        /// Height of the tag's antenna in the site frame, metres.
        tag_height_m: f64,
    },
    /// East, north and up are estimated.
    ThreeD,
}

impl Dimension {
    /// Number of unknown coordinates.
    pub const fn unknowns(self) -> usize {
        match self {
            Dimension::TwoD { .. } => 2,
            Dimension::ThreeD => 3,
        }
    }
}

/// What calibration found for one board: `true range = (raw - offset) / scale`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Correction {
    /// Constant part in metres; positive when the board reads long.
    pub offset_m: f64,
    /// Proportional part, 1 when the board's metre is a metre.
    pub scale: f64,
    /// Standard error of the offset, metres; `None` when the board was never calibrated.
    pub offset_se_m: Option<f64>,
}

impl Correction {
    /// A board that is taken as it is.
    pub const NONE: Correction = Correction { offset_m: 0.0, scale: 1.0, offset_se_m: None };

    /// The corrected range in metres.
    pub fn apply(&self, raw_range_m: f64) -> f64 {
        (raw_range_m - self.offset_m) / self.scale
    }
}

/// A fixed board whose place is known.
#[derive(Clone, Debug, PartialEq)]
pub struct Anchor {
    /// The id the board is set to.
    pub id: AnchorId,
    /// What people call it.
    pub name: String,
    /// East, north, up in the site frame, metres: the antenna, not the bracket.
    pub at_m: [f64; 3],
    /// Standard deviation of one good range, metres.
    pub range_sigma_m: f64,
    /// Which range field of a frame is this anchor's, when the site file says so.
    pub slot: Option<usize>,
    /// From the calibration file.
    pub correction: Correction,
}
