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
    /// Id in the site file.
    pub anchor: AnchorId,
    /// Measured minus computed, metres.
    pub residual_m: f64,
    /// Too long, too short, or not credible either way.
    pub why: RejectReason,
    /// Probability of being good all the same; `None` from the plain estimator.
    pub p_good: Option<f64>,
}

/// The place of a tag with all that is known of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TagPlace {
    /// Where, and how uncertain that is.
    pub place: Place,
    /// Radius that holds the truth with 95 %, metres: a circle in 2D, a sphere in 3D.
    pub radius95_m: f64,
    /// Radius that the distance of the tag from `place` passes with a probability of at most 10⁻³ at any instant
    /// until the report's `valid_until`, metres; `None` until an estimator gives it.
    pub protection_radius_m: Option<f64>,
    /// Whether a range was left over to check the fix with, and nothing that is known speaks against it: the place is not
    /// beyond the site's fence, and no finding about the anchors or the site puts it in doubt.
    pub checked: bool,
    /// Metres per second; `None` when the estimator has none.
    pub velocity_mps: Option<[f64; 3]>,
    /// Horizontal dilution of precision.
    pub hdop: Option<f64>,
    /// Vertical dilution of precision (3D).
    pub vdop: Option<f64>,
    /// Dilution of precision in space (3D).
    pub pdop: Option<f64>,
}

impl TagPlace {
    /// A place that nothing more is known of.
    pub fn of(place: Place, radius95_m: f64) -> TagPlace {
        TagPlace {
            place,
            radius95_m,
            protection_radius_m: None,
            checked: false,
            velocity_mps: None,
            hdop: None,
            vdop: None,
            pdop: None,
        }
    }
}

/// What is known of where a tag is.
#[derive(Clone, Debug, PartialEq)]
pub enum Location {
    /// Supported by ranges of this instant.
    Located(TagPlace),
    /// Predicted from an earlier fix; no fresh range supports it.
    Coasting(TagPlace),
    /// Two places fit, likelier first; neither is published as the place.
    Ambiguous(ArrayVec<Place, 2>),
    /// Unknown.
    Lost,
}

impl Location {
    /// How far it can be trusted.
    pub fn state(&self) -> TagState {
        match self {
            Location::Located(_) => TagState::Located,
            Location::Coasting(_) => TagState::Coasting,
            Location::Ambiguous(_) => TagState::Ambiguous,
            Location::Lost => TagState::Lost,
        }
    }

    /// The place with all that is known of it; `None` when ambiguous or lost.
    pub fn tag_place(&self) -> Option<&TagPlace> {
        match self {
            Location::Located(place) | Location::Coasting(place) => Some(place),
            Location::Ambiguous(_) | Location::Lost => None,
        }
    }

    /// The same to change.
    pub fn tag_place_mut(&mut self) -> Option<&mut TagPlace> {
        match self {
            Location::Located(place) | Location::Coasting(place) => Some(place),
            Location::Ambiguous(_) | Location::Lost => None,
        }
    }

    /// Both places when ambiguous, likelier first; else empty.
    pub fn candidates(&self) -> &[Place] {
        match self {
            Location::Ambiguous(places) => places,
            Location::Located(_) | Location::Coasting(_) | Location::Lost => &[],
        }
    }
}

/// Where one tag is.
#[derive(Clone, Debug, PartialEq)]
pub struct PositionReport {
    /// Number of this report in the session, from 1, without gaps, over all tags.
    pub seq: u64,
    /// The number that the kit gives the tag.
    pub tag: TagId,
    /// The instant that the position is for: when its ranges were measured, or when a time ran out.
    pub at: Timestamp,
    /// The engine's instant: when the frame behind it arrived, or when a time ran out. Never before `at`.
    pub received_at: Timestamp,
    /// Who hears nothing newer until then must treat the position as unknown.
    pub valid_until: Timestamp,
    /// What is known of its place.
    pub location: Location,
    /// The track was given up for another place: the position may have jumped.
    pub restarted: bool,
    /// Anchors whose ranges took part.
    pub used: ArrayVec<AnchorId, MAX_ANCHORS>,
    /// Anchors whose ranges were left out by the gate.
    pub rejected: ArrayVec<RejectedRange, MAX_ANCHORS>,
    /// Why this epoch gave no fix; `None` for a fix.
    pub no_fix: Option<NoFixReason>,
}

impl PositionReport {
    /// How far it can be trusted.
    pub fn state(&self) -> TagState {
        self.location.state()
    }

    /// The place; `None` when lost or ambiguous.
    pub fn place(&self) -> Option<Place> {
        self.location.tag_place().map(|p| p.place)
    }

    /// Both places when ambiguous, likelier first; else empty.
    pub fn candidates(&self) -> &[Place] {
        self.location.candidates()
    }

    /// Radius that holds the truth with 95 %, metres; `None` without a place.
    pub fn radius95_m(&self) -> Option<f64> {
        self.location.tag_place().map(|p| p.radius95_m)
    }

    /// See [`TagPlace::protection_radius_m`].
    pub fn protection_radius_m(&self) -> Option<f64> {
        self.location.tag_place()?.protection_radius_m
    }

    /// See [`TagPlace::checked`]; not without a place.
    pub fn checked(&self) -> bool {
        self.location.tag_place().is_some_and(|p| p.checked)
    }

    /// Metres per second; `None` when it is not known.
    pub fn velocity_mps(&self) -> Option<[f64; 3]> {
        self.location.tag_place()?.velocity_mps
    }

    /// Horizontal and vertical dilution of precision, and that in space.
    pub fn dop(&self) -> [Option<f64>; 3] {
        self.location.tag_place().map_or([None; 3], |p| [p.hdop, p.vdop, p.pdop])
    }

    /// Moves its stamps by `by`.
    pub fn shift(&mut self, by: Micros) {
        self.at = self.at.plus(by);
        self.received_at = self.received_at.plus(by);
        self.valid_until = self.valid_until.plus(by);
    }
}
