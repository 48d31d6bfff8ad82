//! The estimators of `hereabout_solve` that weigh every range by its probability of being good, in the
//! engine's terms: the snapshot (each epoch on its own) and the tracker (over time).
//!
//! A range is *used* when it is more probably good than not. Otherwise it is too long, too short, or,
//! when it is longer than any late range is believed to be, not credible; the probability goes along.

use arrayvec::ArrayVec;
use hereabout_core::{
    Location, MAX_ANCHORS, NoFixReason, Place, RejectReason, Site, TagPlace, TagState, Timestamp,
};
use hereabout_solve::model::dop::dop;
use hereabout_solve::radius95_m;
use hereabout_solve::snapshot::{RangeJudgement, SnapshotMode, SnapshotSettings, snapshot};
use hereabout_solve::tracker::smoother::Smoother;
use hereabout_solve::tracker::{
    AnchorStats, PlaceCandidate, Support, Track, TrackEstimate, TrackRange, Tracker, TrackerAnchor,
    TrackerSettings,
};

use super::gather::{Coast, Gather};
use super::{Estimate, Obs, ObsVerdict};

/// A range that is longer than computed by more than this is no late range any more: the delay model
/// (0.2 m plus an exponential of mean 0.6 m) gives it less than 10⁻⁵. Metres.
const LATEST_M: f64 = 7.0;

/// Snapshot over the epoch, completed by the newest ranges of other anchors when it is a partial one.
#[derive(Clone, Debug, Default)]
pub(crate) struct SnapshotState {
    gather: Gather,
    coast: Coast,
}

impl SnapshotState {
    pub(crate) fn update(&mut self, at: Timestamp, obs: &[Obs], complete: bool, site: &Site) -> Estimate {
        if obs.is_empty() {
            return self.predict(at, site);
        }
        let (anchors, ranges) = self.gather.take(at, obs, complete, site);
        let s = snapshot(&ranges, site.dimension(), site.fence(), &SnapshotSettings::default());
        let found = match s.place {
            Ok(found) => found,
            Err(reason) => {
                let mut estimate = self.predict(at, site);
                estimate.no_fix = Some(reason);
                if reason == NoFixReason::TwoPlaces {
                    let place =
                        |m: &SnapshotMode| Place { position_m: m.position_m, covariance_m2: m.covariance_m2 };
                    estimate.location = Location::Ambiguous(s.modes.iter().take(2).map(place).collect());
                }
                return estimate;
            }
        };
        let place = Place { position_m: found.position_m, covariance_m2: found.covariance_m2 };
        self.coast.remember(at, place, Some(found.protection_radius_m));
        let verdicts: ArrayVec<ObsVerdict, MAX_ANCHORS> =
            anchors.iter().zip(&s.ranges).filter_map(|(anchor, j)| Some(verdict(*anchor, (*j)?))).collect();
        let [hdop, vdop, pdop] = dop_of(&verdicts, found.position_m, site);
        let place = TagPlace {
            protection_radius_m: Some(found.protection_radius_m),
            checked: found.checked,
            hdop,
            vdop,
            pdop,
            ..TagPlace::of(place, radius95_m(&found.covariance_m2, site.dimension()))
        };
        Estimate::located(place, verdicts)
    }

    pub(crate) fn predict(&self, at: Timestamp, site: &Site) -> Estimate {
        self.coast.predict(at, site)
    }

    pub(crate) fn lost_at(&self, site: &Site) -> Option<Timestamp> {
        self.coast.lost_at(site)
    }
}

/// The tracker of one tag, with the smoother behind it when the site asks for a delayed stream.
#[derive(Clone, Debug)]
pub(crate) struct TrackerState {
    tracker: Tracker,
    smoother: Option<Smoother>,
}

impl TrackerState {
    pub(crate) fn new(site: &Site) -> TrackerState {
        let track = site.track();
        let usual = TrackerSettings::default();
        let settings = TrackerSettings {
            lost_after: track.lost_after,
            lost_radius95_m: track.lost_radius95_m,
            slow_error_m: track.slow_error_m.unwrap_or(usual.slow_error_m),
            tag_offset_m: track.tag_offset_m.unwrap_or(usual.tag_offset_m),
            ..usual
        };
        let anchors: ArrayVec<TrackerAnchor, MAX_ANCHORS> = site
            .anchors()
            .iter()
            .map(|a| TrackerAnchor {
                at_m: a.at_m,
                range_sigma_m: a.range_sigma_m,
                offset_se_m: a.correction.offset_se_m,
            })
            .collect();
        let motion = settings.motion;
        TrackerState {
            tracker: Tracker::new(settings, site.dimension(), site.fence(), &anchors),
            smoother: site.track().delayed.map(|lag| Smoother::new(lag, motion, site.dimension())),
        }
    }

    pub(crate) fn update(&mut self, at: Timestamp, obs: &[Obs], site: &Site) -> Estimate {
        let ranges: ArrayVec<TrackRange, MAX_ANCHORS> =
            obs.iter().map(|o| TrackRange { anchor_index: o.anchor, range_m: o.range_m }).collect();
        let track = self.tracker.update(at, &ranges);
        if let Some(smoother) = &mut self.smoother {
            smoother.push(&track);
        }
        let mut estimate = in_words_of_engine(&track, site);
        if matches!(estimate.state(), TagState::Lost | TagState::Coasting) {
            estimate.no_fix = Some(why_none(obs.len(), site));
        }
        estimate
    }

    pub(crate) fn predict(&self, at: Timestamp, site: &Site) -> Estimate {
        in_words_of_engine(&self.tracker.predict(at), site)
    }

    pub(crate) fn lost_at(&self, site: &Site) -> Option<Timestamp> {
        Some(self.tracker.last_good_at()?.plus(site.track().lost_after))
    }

    pub(crate) fn anchor_stats(&self, anchor: usize) -> Option<AnchorStats> {
        self.tracker.anchor_stats(anchor)
    }

    /// The next smoothed place that has waited long enough at `now`, with its own instant; with `end`
    /// however short it has waited.
    pub(crate) fn delayed(
        &mut self,
        now: Timestamp,
        end: bool,
        site: &Site,
    ) -> Option<(Timestamp, Estimate)> {
        let smoother = self.smoother.as_mut()?;
        let track = smoother.poll(now).or_else(|| if end { smoother.finish() } else { None })?;
        Some((track.at, in_words_of_engine(&track, site)))
    }
}

fn in_words_of_engine(estimate: &TrackEstimate, site: &Site) -> Estimate {
    let verdicts: ArrayVec<ObsVerdict, MAX_ANCHORS> =
        estimate.ranges.iter().filter_map(|r| Some(verdict(r.anchor_index, r.judgement?))).collect();
    let place = |c: &PlaceCandidate| Place { position_m: c.position_m, covariance_m2: c.covariance_m2 };
    let (location, no_fix) = match &estimate.track {
        None => (Location::Lost, Some(NoFixReason::NoRanges)),
        Some(track) => match &track.support {
            Support::Located => (Location::Located(tag_place(track, &verdicts, site)), None),
            Support::Coasting => {
                (Location::Coasting(tag_place(track, &verdicts, site)), Some(NoFixReason::NoRanges))
            }
            Support::Ambiguous(candidates) => {
                (Location::Ambiguous(candidates.iter().map(place).collect()), Some(NoFixReason::TwoPlaces))
            }
        },
    };
    Estimate { location, verdicts, no_fix, restarted: estimate.restarted }
}

fn tag_place(track: &Track, verdicts: &[ObsVerdict], site: &Site) -> TagPlace {
    let [hdop, vdop, pdop] = dop_of(verdicts, track.position_m, site);
    TagPlace {
        place: Place { position_m: track.position_m, covariance_m2: track.covariance_m2 },
        radius95_m: track.radius95_m,
        protection_radius_m: Some(track.protection_radius_m).filter(|r| r.is_finite()),
        checked: track.checked,
        velocity_mps: Some(track.velocity_mps),
        hdop,
        vdop,
        pdop,
    }
}

/// Why a tracker without a fresh place has none.
fn why_none(have: usize, site: &Site) -> NoFixReason {
    let need = site.dimension().unknowns() + usize::from(site.fence().is_open());
    match have {
        0 => NoFixReason::NoRanges,
        _ if have < need => NoFixReason::TooFewRanges { have, need },
        _ => NoFixReason::Inconsistent,
    }
}

fn verdict(anchor: usize, judgement: RangeJudgement) -> ObsVerdict {
    let rejected = (judgement.p_good < 0.5).then_some(match judgement.residual_m {
        r if r > LATEST_M => RejectReason::NotCredible,
        r if r > 0.0 => RejectReason::TooLong,
        _ => RejectReason::TooShort,
    });
    ObsVerdict {
        anchor,
        residual_m: judgement.residual_m,
        standardised: Some(judgement.standardised).filter(|w| w.is_finite()),
        p_good: Some(judgement.p_good),
        rejected,
    }
}

/// Dilution of precision of the anchors that were used; none of a single range or a straight line.
fn dop_of(verdicts: &[ObsVerdict], position_m: [f64; 3], site: &Site) -> [Option<f64>; 3] {
    let places = verdicts.iter().filter(|v| v.rejected.is_none()).map(|v| site.anchors()[v.anchor].at_m);
    match dop(places, position_m, site.dimension()) {
        Some(d) => [Some(d.hdop), d.vdop, d.pdop],
        None => [None; 3],
    }
}
