//! The estimators as the engine feeds them, and what every one of them gives, whichever way it was computed.

pub(crate) mod gather;
pub(crate) mod plain;
pub(crate) mod tracked;

use arrayvec::ArrayVec;
use hereabout_core::{MAX_ANCHORS, NoFixReason, Place, RejectReason, TagState};

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

/// A tag's place as an estimator sees it at one instant.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Estimate {
    pub(crate) state: TagState,
    pub(crate) place: Option<Place>,
    pub(crate) candidates: ArrayVec<Place, 2>,
    pub(crate) radius95_m: Option<f64>,
    pub(crate) protection_radius_m: Option<f64>,
    pub(crate) checked: bool,
    pub(crate) velocity_mps: Option<[f64; 3]>,
    /// Horizontal, vertical, space.
    pub(crate) dop: [Option<f64>; 3],
    pub(crate) verdicts: ArrayVec<ObsVerdict, MAX_ANCHORS>,
    pub(crate) no_fix: Option<NoFixReason>,
    /// The track was given up for another place with this epoch.
    pub(crate) restarted: bool,
}

impl Estimate {
    /// A place and nothing more yet.
    pub(crate) fn located(place: Place) -> Estimate {
        Estimate {
            state: TagState::Located,
            place: Some(place),
            no_fix: None,
            ..Estimate::lost(NoFixReason::NoRanges)
        }
    }

    /// Two places fit: none of them is published as *the* place.
    pub(crate) fn be_ambiguous(&mut self, candidates: ArrayVec<Place, 2>) {
        self.state = TagState::Ambiguous;
        self.place = None;
        self.radius95_m = None;
        self.protection_radius_m = None;
        self.candidates = candidates;
    }

    /// No position, for a reason.
    pub(crate) fn lost(reason: NoFixReason) -> Estimate {
        Estimate {
            state: TagState::Lost,
            place: None,
            candidates: ArrayVec::new(),
            radius95_m: None,
            protection_radius_m: None,
            checked: false,
            velocity_mps: None,
            dop: [None; 3],
            verdicts: ArrayVec::new(),
            no_fix: Some(reason),
            restarted: false,
        }
    }
}
