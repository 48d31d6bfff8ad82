//! Where a tag is, or that this is not known.

use arrayvec::ArrayVec;

use crate::{AnchorId, MAX_ANCHORS, Micros, NoFixReason, RejectReason, TagId, TagState, Timestamp};

/// A place with its uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    /// East, north, up, metres. In 2D up is the known tag height.
    pub position_m: [f64; 3],
    /// Covariance, m², row-major, east north up; zero rows for what is not estimated. In 2D the variance of the height is
    /// that of the site's `tag_height_se_m`, and 0 where the site states none: nobody knows it then.
    pub covariance_m2: [[f64; 3]; 3],
}

/// A range that the gate left out of a position.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RejectedRange {
    /// Which anchor.
    pub anchor: AnchorId,
    /// Measured minus computed, metres.
    pub residual_m: f64,
    /// Why.
    pub why: RejectReason,
    /// Probability of being good all the same; `None` from the plain estimator.
    pub p_good: Option<f64>,
}

/// Where one tag is.
#[derive(Clone, Debug, PartialEq)]
pub struct PositionReport {
    /// Number of this report in the session, from 1, without gaps, over all tags.
    pub seq: u64,
    /// Which tag.
    pub tag: TagId,
    /// The instant that the position is for: when its ranges were measured, or when a time ran out.
    pub at: Timestamp,
    /// The engine's instant: when the frame behind it arrived, or when a time ran out. Never before `at`.
    pub received_at: Timestamp,
    /// Who hears nothing newer until then must treat the position as unknown.
    pub valid_until: Timestamp,
    /// How far it can be trusted.
    pub state: TagState,
    /// The place; `None` when lost or ambiguous.
    pub place: Option<Place>,
    /// Both places when ambiguous, likelier first; else empty.
    pub candidates: ArrayVec<Place, 2>,
    /// Radius that holds the truth with 95 %, metres: a circle in 2D, a sphere in 3D.
    pub radius95_m: Option<f64>,
    /// Radius that the distance of the tag from `place` passes with a probability of at most 10⁻³ at any instant
    /// until `valid_until`, metres; `None` until an estimator gives it.
    pub protection_radius_m: Option<f64>,
    /// Whether a range was left over to check the fix with, and nothing that is known speaks against it: the place is not
    /// beyond the site's fence, and no finding about the anchors or the site puts it in doubt.
    pub checked: bool,
    /// The track was given up for another place: the position may have jumped.
    pub restarted: bool,
    /// Metres per second; `None` when the estimator has none.
    pub velocity_mps: Option<[f64; 3]>,
    /// Horizontal dilution of precision.
    pub hdop: Option<f64>,
    /// Vertical dilution of precision (3D).
    pub vdop: Option<f64>,
    /// Dilution of precision in space (3D).
    pub pdop: Option<f64>,
    /// Anchors whose ranges took part.
    pub used: ArrayVec<AnchorId, MAX_ANCHORS>,
    /// Anchors whose ranges were left out by the gate.
    pub rejected: ArrayVec<RejectedRange, MAX_ANCHORS>,
    /// Why this epoch gave no fix; `None` for a fix.
    pub no_fix: Option<NoFixReason>,
}

impl PositionReport {
    /// Moves its stamps by `by`.
    pub fn shift(&mut self, by: Micros) {
        self.at = self.at.plus(by);
        self.received_at = self.received_at.plus(by);
        self.valid_until = self.valid_until.plus(by);
    }
}
