//! Tags and zones.

use hereabout_core::{TagId, Timestamp, ZoneState};

/// Why a zone is in its state.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ZoneWhy {
    /// The probability decides.
    Probability,
    /// The range to the anchor decides (zones near an anchor).
    Range,
    /// Too close to the border so far to say either; it comes from unknown.
    Undecided,
    /// The position speaks against the last answer, with too few anchors that agree or for too short a time to decide
    /// the other way.
    Contradicted,
    /// The ranges to the anchor have become longer than the distance for leaving, which is no proof that the tag left: they
    /// may be late (zones near an anchor).
    RangeBeyond,
    /// The tag has never been heard.
    NeverHeard,
    /// Nothing was heard of the tag for as long as its last position holds.
    NoData,
    /// The tag is lost.
    Lost,
    /// Two places fit.
    Ambiguous,
    /// The position is a prediction without fresh ranges.
    Coasting,
    /// No range was left over to check the position with, or it rests on anchors that are in doubt.
    Unchecked,
    /// The position is more than a metre outside of where the site file says that tags can be.
    OutsideFence,
    /// The protection radius is larger than the zone allows, or not known.
    ProtectionRadius {
        /// As it is, metres; `None` when the estimator gives none.
        radius_m: Option<f64>,
        /// As allowed, metres.
        limit_m: f64,
    },
    /// Two boards answer to the id of the anchor that the zone is near.
    DuplicateId,
    /// The ranges and the site file do not belong to each other ([`super::KitFinding::SiteDoesNotFit`]).
    SiteDoubted,
    /// The configuration was changed: every zone has to be earned again.
    Changed,
    /// The kit was switched on a moment ago: a zone near an anchor settles first.
    Settling {
        /// When it is armed.
        until: Timestamp,
    },
}

/// One tag and one zone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ZoneReport {
    /// Number of this report in the session, from 1, without gaps, over all zones and tags.
    pub seq: u64,
    /// Index of the zone in the site.
    pub zone: usize,
    /// The number that the kit gives the tag.
    pub tag: TagId,
    /// The instant it is for.
    pub at: Timestamp,
    /// Who hears nothing newer until then must treat the zone as unknown.
    pub valid_until: Timestamp,
    /// Inside, outside, or nobody can say.
    pub state: ZoneState,
    /// What it was before this report.
    pub was: ZoneState,
    /// Since when it is in this state.
    pub since: Timestamp,
    /// What decided it.
    pub why: ZoneWhy,
    /// Probability that the tag is inside, with one and a half times the position's covariance and 3 cm on top; `None`
    /// without a position and for zones near an anchor.
    pub probability: Option<f64>,
    /// Distance from the border, metres, positive inside; `None` without a position. Near an anchor from the distance for
    /// entering, by the last ranges.
    pub depth_m: Option<f64>,
    /// When the tag will cross the border if it goes on like this; `None` when it will not within a minute.
    pub eta_s: Option<f64>,
}

impl ZoneReport {
    /// Whether this report changes the state: what makes an event.
    pub fn changed(&self) -> bool {
        self.state != self.was
    }
}
