//! The plain estimator: every epoch on its own, weighted least squares with an outlier gate
//! (`hereabout_solve::locate`).
//!
//! *Model.* The tag's place is unknown before each epoch; ranges are independent with the standard
//! deviations of the site file. What the gate leaves out is not believed at all.
//!
//! *Ranges that come one at a time.* When an epoch has fields for fewer anchors than the site has, the
//! newest range of each other anchor is taken along while it is younger than [`GATHER_WITHIN`]; its
//! standard deviation grows by [`DRIFT_SD_MPS`] a second of age, because the tag may have moved since.
//!
//! *Without a fix* the last place is kept with a covariance that grows the same way (coasting), until
//! its 95 % radius or its age passes the limit of the site file (lost). The tag has no velocity here,
//! so [`DRIFT_SD_MPS`] stands for how far a cart or a person gets; common practice, no source.

use arrayvec::ArrayVec;
use hereabout_core::{MAX_ANCHORS, Micros, NoFixReason, Site, TagState, Timestamp};
use hereabout_solve::{GateSettings, RangeObs, Residual, Solution, locate, radius95_m};

use crate::estimate::{Estimate, LastFix, Obs, ObsVerdict};
use crate::report::Place;

/// Ranges of other anchors that are younger than this complete a partial epoch.
const GATHER_WITHIN: Micros = Micros::from_millis(600);
/// Standard deviation of the tag's unknown speed, metres per second and axis.
const DRIFT_SD_MPS: f64 = 0.5;

/// State of the plain estimator for one tag.
#[derive(Clone, Debug, Default)]
pub(crate) struct Plain {
    /// Newest range of each anchor.
    recent: [Option<(Timestamp, f64)>; MAX_ANCHORS],
    last_fix: Option<LastFix>,
}

impl Plain {
    /// Takes in an epoch. `complete` says that it had a field for every anchor of the site.
    pub(crate) fn update(&mut self, at: Timestamp, obs: &[Obs], complete: bool, site: &Site) -> Estimate {
        if obs.is_empty() {
            // Older ranges of other anchors were used when they came: nothing here is fresh.
            return self.predict(at, site);
        }
        for o in obs {
            self.recent[o.anchor] = Some((at, o.range_m));
        }
        let mut anchors = ArrayVec::<usize, MAX_ANCHORS>::new();
        let mut ranges = ArrayVec::<RangeObs, MAX_ANCHORS>::new();
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
        match locate(&ranges, site.dimension(), site.fence(), &GateSettings::default()) {
            Solution::Fix(fix) => {
                let place = Place { position_m: fix.position_m, covariance_m2: fix.covariance_m2 };
                self.last_fix = Some(LastFix { at, place });
                Estimate {
                    state: TagState::Located,
                    place: Some(place),
                    candidates: ArrayVec::new(),
                    radius95_m: Some(radius95_m(&fix.covariance_m2, site.dimension())),
                    protection_radius_m: None,
                    checked: fix.checked,
                    velocity_mps: None,
                    dop: [Some(fix.dop.hdop), fix.dop.vdop, fix.dop.pdop],
                    verdicts: verdicts(&anchors, &fix.residuals),
                    no_fix: None,
                }
            }
            Solution::NoFix { reason, candidates, .. } => {
                let mut estimate = self.predict(at, site);
                estimate.no_fix = Some(reason);
                if reason == NoFixReason::TwoPlaces {
                    estimate.state = TagState::Ambiguous;
                    estimate.place = None;
                    estimate.radius95_m = None;
                    let place = |c: &hereabout_solve::PlaceEstimate| Place {
                        position_m: c.position_m,
                        covariance_m2: c.covariance_m2,
                    };
                    estimate.candidates = candidates.iter().map(place).collect();
                }
                estimate
            }
        }
    }

    /// The place at a later instant without new ranges.
    pub(crate) fn predict(&self, at: Timestamp, site: &Site) -> Estimate {
        let mut estimate = Estimate::lost(NoFixReason::NoRanges);
        let Some(last) = self.last_fix else { return estimate };
        let age = at.since(last.at);
        let drift_m = DRIFT_SD_MPS * age.secs_f64();
        let mut place = last.place;
        for axis in 0..site.dimension().unknowns() {
            place.covariance_m2[axis][axis] += drift_m * drift_m;
        }
        let radius_m = radius95_m(&place.covariance_m2, site.dimension());
        if age < site.track().lost_after && radius_m <= site.track().lost_radius95_m {
            estimate.state = TagState::Coasting;
            estimate.place = Some(place);
            estimate.radius95_m = Some(radius_m);
        }
        estimate
    }

    /// When a tag that hears nothing more is lost for its age.
    pub(crate) fn lost_at(&self, site: &Site) -> Option<Timestamp> {
        Some(self.last_fix?.at.plus(site.track().lost_after))
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
            rejected: r.rejected,
        })
        .collect()
}
