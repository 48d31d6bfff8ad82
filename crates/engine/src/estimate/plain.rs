//! The plain estimator: every epoch on its own, weighted least squares with an outlier gate
//! (`hereabout_solve::locate`).
//!
//! *Model.* The tag's place is unknown before each epoch; ranges are independent with the standard
//! deviations of the site file. What the gate leaves out is not believed at all. Partial epochs and
//! coasting: see `gather`.

use arrayvec::ArrayVec;
use hereabout_core::{Location, MAX_ANCHORS, NoFixReason, Place, Site, TagPlace, Timestamp};
use hereabout_solve::{GateSettings, PlaceEstimate, Residual, Solution, locate, radius95_m};

use super::gather::{Coast, Gather};
use super::{Estimate, Obs, ObsVerdict};

/// State of the plain estimator for one tag.
#[derive(Clone, Debug, Default)]
pub(crate) struct Plain {
    gather: Gather,
    coast: Coast,
}

impl Plain {
    pub(crate) fn update(&mut self, at: Timestamp, obs: &[Obs], complete: bool, site: &Site) -> Estimate {
        if obs.is_empty() {
            // Older ranges of other anchors were used when they came: nothing here is fresh.
            return self.predict(at, site);
        }
        let (anchors, ranges) = self.gather.take(at, obs, complete, site);
        match locate(&ranges, site.dimension(), site.fence(), &GateSettings::default()) {
            Solution::Fix(fix) => {
                let place = Place { position_m: fix.position_m, covariance_m2: fix.covariance_m2 };
                self.coast.remember(at, place, None);
                let place = TagPlace {
                    checked: fix.checked,
                    hdop: Some(fix.dop.hdop),
                    vdop: fix.dop.vdop,
                    pdop: fix.dop.pdop,
                    ..TagPlace::of(place, radius95_m(&fix.covariance_m2, site.dimension()))
                };
                Estimate::located(place, verdicts(&anchors, &fix.residuals))
            }
            Solution::NoFix { reason, candidates, .. } => {
                let mut estimate = self.predict(at, site);
                estimate.no_fix = Some(reason);
                if reason == NoFixReason::TwoPlaces {
                    let place = |c: &PlaceEstimate| Place {
                        position_m: c.position_m,
                        covariance_m2: c.covariance_m2,
                    };
                    estimate.location = Location::Ambiguous(candidates.iter().map(place).collect());
                }
                estimate
            }
        }
    }

    pub(crate) fn predict(&self, at: Timestamp, site: &Site) -> Estimate {
        self.coast.predict(at, site)
    }

    pub(crate) fn lost_at(&self, site: &Site) -> Option<Timestamp> {
        self.coast.lost_at(site)
    }
}

fn verdicts(anchors: &[usize], residuals: &[Residual]) -> ArrayVec<ObsVerdict, MAX_ANCHORS> {
    anchors
        .iter()
        .zip(residuals)
        .map(|(anchor, r)| ObsVerdict {
            anchor: *anchor,
            residual_m: r.residual_m,
            standardised: r.standardised,
            p_good: None,
            rejected: r.rejected,
        })
        .collect()
}
