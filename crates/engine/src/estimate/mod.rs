//! The estimators as the engine feeds them, and what every one of them gives, whichever way it was computed.

pub(crate) mod gather;
pub(crate) mod plain;
pub(crate) mod tracked;

use arrayvec::ArrayVec;
use hereabout_core::{Location, MAX_ANCHORS, NoFixReason, Place, RejectReason, TagPlace, TagState};

/// One range that an estimator is given: corrected, believable, of a known anchor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Obs {
    /// Index of the anchor in the site.
    pub(crate) anchor: usize,
    /// Corrected range, metres.
    pub(crate) range_m: f64,
}

/// What an estimator says about one range that took part in its thinking.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct ObsVerdict {
    /// Index of the anchor in the site.
    pub(crate) anchor: usize,
    /// Measured minus computed, metres.
    pub(crate) residual_m: f64,
    /// The residual over its own standard deviation, where that exists.
    pub(crate) standardised: Option<f64>,
    /// Probability of being good, from the estimators that have one.
    pub(crate) p_good: Option<f64>,
    /// `None` when it was used.
    pub(crate) rejected: Option<RejectReason>,
}

/// What an estimator says of a tag at one instant.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Estimate {
    pub(crate) location: Location,
    pub(crate) verdicts: ArrayVec<ObsVerdict, MAX_ANCHORS>,
    /// Why there is no fix of this instant.
    pub(crate) no_fix: Option<NoFixReason>,
    /// The track was given up for another place with this epoch.
    pub(crate) restarted: bool,
}

impl Estimate {
    /// A fix of this instant.
    pub(crate) fn located(place: TagPlace, verdicts: ArrayVec<ObsVerdict, MAX_ANCHORS>) -> Estimate {
        Estimate { location: Location::Located(place), verdicts, no_fix: None, restarted: false }
    }

    /// No fix of this instant, for a reason; what is known all the same is in `location`.
    pub(crate) fn without_fix(location: Location, reason: NoFixReason) -> Estimate {
        Estimate { location, verdicts: ArrayVec::new(), no_fix: Some(reason), restarted: false }
    }

    /// No position, for a reason.
    pub(crate) fn lost(reason: NoFixReason) -> Estimate {
        Estimate::without_fix(Location::Lost, reason)
    }

    pub(crate) fn state(&self) -> TagState {
        self.location.state()
    }

    pub(crate) fn place(&self) -> Option<Place> {
        self.location.tag_place().map(|p| p.place)
    }
}
