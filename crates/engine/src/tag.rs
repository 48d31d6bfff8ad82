//! One tag: its estimator and the instants at which its state changes without an input.

use hereabout_core::{Estimator, Micros, NoFixReason, Site, TagId, TagState, Timestamp};
use hereabout_solve::tracker::AnchorStats;

use crate::estimate::{Estimate, Obs};
use crate::plain::Plain;
use crate::tracked::{SnapshotState, TrackerState};
use crate::zones::TagZones;

/// A report holds for this long; five frames of a kit that sends ten a second.
const VALID_FOR: Micros = Micros::from_millis(500);

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

#[derive(Clone, Debug)]
pub(crate) struct Tag {
    pub(crate) id: TagId,
    method: Method,
    /// What was last published.
    state: TagState,
    /// When to speak although nothing came; `None` when there is nothing more to say.
    pub(crate) speak_at: Option<Timestamp>,
    pub(crate) zones: TagZones,
}

impl Tag {
    /// A tag that is heard for the first time.
    pub(crate) fn new(id: TagId, at: Timestamp, site: &Site) -> Tag {
        let zones = TagZones::new(id, at, site);
        Tag { id, method: Method::new(site), state: TagState::Lost, speak_at: None, zones }
    }

    pub(crate) fn update(&mut self, at: Timestamp, obs: &[Obs], complete: bool, site: &Site) -> Estimate {
        let estimate = self.method.update(at, obs, complete, site);
        self.published(at, &estimate, site);
        estimate
    }

    /// The report that is due at `at` because no epoch came.
    pub(crate) fn fire(&mut self, at: Timestamp, site: &Site) -> Estimate {
        let mut estimate = self.method.predict(at, site);
        if estimate.state == TagState::Located {
            // Nothing came for as long as the last report holds: whatever the age of the last good
            // range, this place is a prediction.
            estimate.state = TagState::Coasting;
        }
        estimate.no_fix = Some(NoFixReason::NoRanges);
        self.published(at, &estimate, site);
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

    /// How long a report made at `at` holds. A lost tag has nothing to hold.
    pub(crate) fn valid_until(at: Timestamp, state: TagState) -> Timestamp {
        if state == TagState::Lost { at } else { at.plus(VALID_FOR) }
    }

    /// A tag that is lost has said so and keeps quiet; any other speaks again when its report runs
    /// out, and at the latest when it is lost.
    fn published(&mut self, at: Timestamp, estimate: &Estimate, site: &Site) {
        self.state = estimate.state;
        let runs_out = Tag::valid_until(at, estimate.state);
        let lost_at = self.method.lost_at(site).filter(|t| *t > at);
        self.speak_at = match estimate.state {
            TagState::Lost => None,
            _ => Some(lost_at.map_or(runs_out, |t| t.min(runs_out))),
        };
    }
}
