//! One tag: its estimator and the instants at which its state changes without an input.

use arrayvec::ArrayVec;
use hereabout_core::{
    Doubt, Epoch, Estimator, Location, Micros, NoFixReason, Place, Site, TagId, TagState, Timestamp,
};
use hereabout_solve::tracker::AnchorStats;

use crate::estimate::gather::PROTECTION_SIGMAS;
use crate::estimate::plain::Plain;
use crate::estimate::tracked::{SnapshotState, TrackerState};
use crate::estimate::{Estimate, Obs};
use crate::zones::TagZones;
use hereabout_core::series::push_newest;

/// A report holds for at least this long, five frames of a kit that sends ten a second, and at most for the second.
const VALID_FOR: [Micros; 2] = [Micros::from_millis(500), Micros::from_millis(2_000)];
/// And for so many intervals between two frames of the tag: one may be missing.
const VALID_FOR_INTERVALS: f64 = 1.5;
/// Intervals that the tag's pace is the median of.
const INTERVALS: usize = 9;

/// How often frames of a tag come: the median of its last intervals.
#[derive(Clone, Debug, Default)]
struct Rhythm {
    last: Option<Timestamp>,
    intervals_us: ArrayVec<i64, INTERVALS>,
}

impl Rhythm {
    /// A frame that arrived at `at`. Several of one read are no interval.
    fn hear(&mut self, at: Timestamp) {
        let interval_us = self.last.map(|last| at.since(last).micros());
        self.last = Some(at);
        if let Some(us) = interval_us.filter(|us| *us > 1_000) {
            push_newest(&mut self.intervals_us, us);
        }
    }

    /// How long a report holds.
    fn valid_for(&self) -> Micros {
        let mut sorted = self.intervals_us.clone();
        sorted.sort_unstable();
        let usual_us = sorted.get(sorted.len() / 2).map_or(0.0, |us| *us as f64);
        let holds = Micros::from_micros((VALID_FOR_INTERVALS * usual_us).round() as i64);
        holds.clamp(VALID_FOR[0], VALID_FOR[1])
    }
}

/// The estimators behind one face.
#[derive(Clone, Debug)]
#[expect(clippy::large_enum_variant, reason = "one for each tag, and tags are boxed")]
enum Method {
    Plain(Plain),
    Snapshot(SnapshotState),
    Tracker(TrackerState),
}

impl Method {
    fn new(site: &Site) -> Method {
        match site.track().estimator {
            Estimator::Plain => Method::Plain(Plain::default()),
            Estimator::Snapshot => Method::Snapshot(SnapshotState::default()),
            Estimator::Tracker => Method::Tracker(TrackerState::new(site)),
        }
    }

    /// Takes in an epoch. `complete` says that it had a field for every anchor of the site.
    fn update(&mut self, at: Timestamp, obs: &[Obs], complete: bool, site: &Site) -> Estimate {
        match self {
            Method::Plain(plain) => plain.update(at, obs, complete, site),
            Method::Snapshot(snapshot) => snapshot.update(at, obs, complete, site),
            Method::Tracker(tracker) => tracker.update(at, obs, site),
        }
    }

    /// The place at a later instant without new ranges.
    fn predict(&self, at: Timestamp, site: &Site) -> Estimate {
        match self {
            Method::Plain(plain) => plain.predict(at, site),
            Method::Snapshot(snapshot) => snapshot.predict(at, site),
            Method::Tracker(tracker) => tracker.predict(at, site),
        }
    }

    /// When a tag that hears nothing more is lost for its age.
    fn lost_at(&self, site: &Site) -> Option<Timestamp> {
        match self {
            Method::Plain(plain) => plain.lost_at(site),
            Method::Snapshot(snapshot) => snapshot.lost_at(site),
            Method::Tracker(tracker) => tracker.lost_at(site),
        }
    }
}

/// Standard deviation of what comes on top of a place's error from one instant to another, in the direction in which
/// it is largest, metres. (The Frobenius norm is never smaller than the largest eigenvalue.)
fn spread_m(before: &Place, then: &Place) -> f64 {
    let mut square = 0.0;
    for (a, b) in before.covariance_m2.iter().flatten().zip(then.covariance_m2.iter().flatten()) {
        square += (b - a) * (b - a);
    }
    square.sqrt().sqrt()
}

#[derive(Clone, Debug)]
pub(crate) struct Tag {
    pub(crate) id: TagId,
    method: Method,
    /// What was last published.
    state: TagState,
    /// The doubt that was last told as the reason for having no position.
    reported_doubt: Option<Doubt>,
    /// Frames of unknown age in a row.
    unsettled: u32,
    rhythm: Rhythm,
    /// The newest instant of measurement that the estimator was fed with.
    measured_at: Option<Timestamp>,
    /// When to speak although nothing came; `None` when there is nothing more to say.
    pub(crate) speak_at: Option<Timestamp>,
    pub(crate) zones: TagZones,
}

impl Tag {
    /// A tag that is heard for the first time.
    pub(crate) fn new(id: TagId, at: Timestamp, site: &Site) -> Tag {
        let zones = TagZones::new(id, at, site);
        Tag {
            id,
            method: Method::new(site),
            state: TagState::Lost,
            reported_doubt: None,
            unsettled: 0,
            rhythm: Rhythm::default(),
            measured_at: None,
            speak_at: None,
            zones,
        }
    }

    /// Feeds the estimator with an epoch. `None` when the epoch was not measured after the one before, or is too old
    /// to say anything about the present.
    pub(crate) fn update(
        &mut self,
        epoch: &Epoch,
        obs: &[Obs],
        complete: bool,
        site: &Site,
    ) -> Option<Estimate> {
        let at = epoch.measured_at;
        if epoch.doubt.is_some() {
            if self.measured_at.is_none_or(|last| at > last) {
                self.measured_at = Some(at);
                self.method.update(at, obs, complete, site);
            }
            return None;
        }
        self.rhythm.hear(epoch.at);
        self.measured_at = Some(self.measured_at.map_or(at, |last| last.max(at)));
        let mut estimate = self.method.update(at, obs, complete, site);
        self.hold(at, &mut estimate, site);
        (self.reported_doubt, self.unsettled) = (None, 0);
        self.published(at, epoch.at, &estimate, site);
        Some(estimate)
    }

    /// What there is to say at `at` for whoever goes on from handed-on ranges: the place that they lead to expect, and
    /// that the track is another one. Zones have to be earned again.
    pub(crate) fn begin(&mut self, at: Timestamp, site: &Site) -> Estimate {
        self.zones.begin_again(at);
        let lost = self.state == TagState::Lost;
        let mut estimate = self.fire(at, site);
        if lost {
            estimate =
                Estimate::lost(self.reported_doubt.map_or(NoFixReason::NoRanges, NoFixReason::NotCurrent));
            self.published(at, at, &estimate, site);
        }
        estimate.restarted = true;
        estimate
    }

    /// Takes back what was said, for a doubt that reaches back (`frozen`, `unsettled`), or gives the reason for having
    /// no position. Whether there is something to say: each reason is reported once.
    pub(crate) fn retract(&mut self, at: Timestamp, doubt: Doubt, lost: &Estimate, site: &Site) -> bool {
        if doubt == Doubt::Unsettled {
            self.rhythm.hear(at);
            self.unsettled += 1;
        }
        // A single frame out of row may be a bit error, and says nothing about the others.
        let reaches_back = doubt == Doubt::Frozen || (doubt == Doubt::Unsettled && self.unsettled > 1);
        let speaks =
            if self.state == TagState::Lost { self.reported_doubt != Some(doubt) } else { reaches_back };
        if speaks {
            self.reported_doubt = Some(doubt);
            self.published(at, at, lost, site);
        }
        speaks
    }

    /// Widens the protection radius by what the tag may do until the report runs out: by how far it is expected to move,
    /// and by what is not known of that. The latter is independent of what was not known before, so squares add up. When
    /// the tag would be lost by then, nothing can be promised.
    fn hold(&self, at: Timestamp, estimate: &mut Estimate, site: &Site) {
        let state = estimate.state();
        let Some(held) = estimate.location.tag_place_mut() else { return };
        let Some(radius_m) = held.protection_radius_m else { return };
        let place = held.place;
        let lost_at = self.method.lost_at(site).map(|t| t.plus(Micros::from_micros(-1)));
        let until = self.valid_until(at, state);
        let until = lost_at.map_or(until, |t| until.min(t)).max(at);
        let then = self.method.predict(until, site);
        held.protection_radius_m = then.place().map(|goes| {
            let square: f64 = (0..3).map(|k| (goes.position_m[k] - place.position_m[k]).powi(2)).sum();
            let grown_m = PROTECTION_SIGMAS * spread_m(&place, &goes);
            square.sqrt() + (radius_m * radius_m + grown_m * grown_m).sqrt()
        });
        // What nothing can be promised of is not called checked either.
        held.checked &= held.protection_radius_m.is_some();
    }

    /// The report that is due at `at` because no epoch came.
    pub(crate) fn fire(&mut self, at: Timestamp, site: &Site) -> Estimate {
        let mut estimate = self.method.predict(at, site);
        if let Location::Located(place) = estimate.location {
            // Nothing came for as long as the last report holds: whatever the age of the last good
            // range, this place is a prediction.
            estimate.location = Location::Coasting(place);
        }
        estimate.no_fix = Some(NoFixReason::NoRanges);
        self.hold(at, &mut estimate, site);
        self.published(at, at, &estimate, site);
        estimate
    }

    /// The next delayed report that is due at `now`. A lost tag's last ones come at once.
    pub(crate) fn delayed(&mut self, now: Timestamp, site: &Site) -> Option<(Timestamp, Estimate)> {
        let end = self.state == TagState::Lost;
        match &mut self.method {
            Method::Tracker(tracker) => tracker.delayed(now, end, site),
            Method::Plain(_) | Method::Snapshot(_) => None,
        }
    }

    /// What this tag's tracker learned about an anchor.
    pub(crate) fn anchor_stats(&self, anchor: usize) -> Option<AnchorStats> {
        match &self.method {
            Method::Tracker(tracker) => tracker.anchor_stats(anchor),
            Method::Plain(_) | Method::Snapshot(_) => None,
        }
    }

    /// How long a report about the instant `at` holds. A lost tag has nothing to hold.
    pub(crate) fn valid_until(&self, at: Timestamp, state: TagState) -> Timestamp {
        if state == TagState::Lost { at } else { at.plus(self.rhythm.valid_for()) }
    }

    /// A tag that is lost has said so and keeps quiet; any other speaks again when its report about `at` runs
    /// out, and at the latest when it is lost, but not before `now`.
    fn published(&mut self, at: Timestamp, now: Timestamp, estimate: &Estimate, site: &Site) {
        self.state = estimate.state();
        let runs_out = self.valid_until(at, estimate.state());
        let lost_at = self.method.lost_at(site).filter(|t| *t > now);
        self.speak_at = match estimate.state() {
            TagState::Lost => None,
            _ => Some(lost_at.map_or(runs_out, |t| t.min(runs_out)).max(now)),
        };
    }
}
