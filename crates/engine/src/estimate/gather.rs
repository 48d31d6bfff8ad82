//! What the estimators without a memory share: partial epochs completed by recent ranges, and the last
//! place kept for a while when there is no fix.
//!
//! *Ranges that come one at a time.* When an epoch has fields for fewer anchors than the site has, the
//! newest range of each other anchor is taken along while it is younger than [`GATHER_WITHIN`]; its
//! standard deviation grows by [`DRIFT_SD_MPS`] a second of age, because the tag may have moved since.
//!
//! *Without a fix* the last place is kept with a covariance that grows the same way (coasting), until
//! its 95 % radius or its age passes the limit of the site file (lost). There is no velocity here, so
//! [`DRIFT_SD_MPS`] stands for how far a cart or a person gets; common practice, no source.

use arrayvec::ArrayVec;
use hereabout_core::{Location, MAX_ANCHORS, Micros, NoFixReason, Place, Site, TagPlace, Timestamp};
use hereabout_solve::{RangeObs, radius95_m};

use super::{Estimate, Obs};

/// Ranges of other anchors that are younger than this complete a partial epoch.
const GATHER_WITHIN: Micros = Micros::from_millis(600);
/// Standard deviation of the tag's unknown speed, metres per second and axis.
const DRIFT_SD_MPS: f64 = 0.5;

/// Newest range of each anchor.
#[derive(Clone, Debug, Default)]
pub(crate) struct Gather {
    recent: [Option<(Timestamp, f64)>; MAX_ANCHORS],
}

impl Gather {
    /// Takes in an epoch and gives what to compute with: indices of the anchors and their ranges.
    /// `complete` says that the epoch had a field for every anchor of the site.
    pub(crate) fn take(
        &mut self,
        at: Timestamp,
        obs: &[Obs],
        complete: bool,
        site: &Site,
    ) -> (ArrayVec<usize, MAX_ANCHORS>, ArrayVec<RangeObs, MAX_ANCHORS>) {
        for o in obs {
            self.recent[o.anchor] = Some((at, o.range_m));
        }
        let mut anchors = ArrayVec::new();
        let mut ranges = ArrayVec::new();
        for (i, anchor) in site.anchors().iter().enumerate() {
            let Some((heard_at, range_m)) = self.recent[i] else { continue };
            let age = at.since(heard_at);
            if age > GATHER_WITHIN || (complete && age > Micros::ZERO) {
                continue;
            }
            let drift_m = DRIFT_SD_MPS * age.secs_f64();
            let sigma_m = (anchor.range_sigma_m * anchor.range_sigma_m + drift_m * drift_m).sqrt();
            anchors.push(i);
            ranges.push(RangeObs { anchor_m: anchor.at_m, range_m, sigma_m });
        }
        (anchors, ranges)
    }
}

/// A Gaussian drift passes so many standard deviations with a probability of 10⁻³: √(2 ln 1000) in 2D, 4.03 in 3D
/// (χ² with two and three degrees of freedom, by `hereabout_solve::distribution`).
pub(crate) const PROTECTION_SIGMAS: f64 = 4.04;

/// The last place.
#[derive(Clone, Debug, Default)]
pub(crate) struct Coast {
    /// When, where, and the protection radius then.
    last: Option<(Timestamp, Place, Option<f64>)>,
}

impl Coast {
    pub(crate) fn remember(&mut self, at: Timestamp, place: Place, protection_radius_m: Option<f64>) {
        self.last = Some((at, place, protection_radius_m));
    }

    /// The last place at a later instant, or lost.
    pub(crate) fn predict(&self, at: Timestamp, site: &Site) -> Estimate {
        let lost = Estimate::lost(NoFixReason::NoRanges);
        let Some((last_at, mut place, protection_radius_m)) = self.last else { return lost };
        let age = at.since(last_at);
        let drift_m = DRIFT_SD_MPS * age.secs_f64();
        for axis in 0..site.dimension().unknowns() {
            place.covariance_m2[axis][axis] += drift_m * drift_m;
        }
        let radius_m = radius95_m(&place.covariance_m2, site.dimension());
        if age < site.track().lost_after && radius_m <= site.track().lost_radius95_m {
            let protection_radius_m = protection_radius_m.map(|r| r + PROTECTION_SIGMAS * drift_m);
            let place = TagPlace { protection_radius_m, ..TagPlace::of(place, radius_m) };
            return Estimate::without_fix(Location::Coasting(place), NoFixReason::NoRanges);
        }
        lost
    }

    /// When a tag that hears nothing more is lost for its age.
    pub(crate) fn lost_at(&self, site: &Site) -> Option<Timestamp> {
        Some(self.last?.0.plus(site.track().lost_after))
    }
}
