//! Anchor liveness: who was heard, when, how often.
//!
//! Counts are kept in ten buckets of one second of data time. The first input after a start or a
//! long gap sets where the buckets begin; every second the oldest one falls off and a table is due.
//! When all ten are empty nothing can change any more, and the ticking stops until the next input:
//! a gap of a year costs as much as one of eleven seconds.
//!
//! An anchor that was heard is silent once a second has passed without a range of it. That moment is
//! a deadline of its own, so that the change carries the instant it happened and not the one at which
//! somebody looked.

use arrayvec::ArrayVec;
use hereabout_core::{AnchorId, AnchorState, MAX_ANCHORS, Micros, SILENT_AFTER, Timestamp};

use crate::output::{AnchorChange, AnchorHealth, AnchorTable, CannotTell, PlaceAnswer};
use crate::start::InheritedAnchor;

/// Buckets of one second that rates and shares are taken over.
const BUCKETS: usize = 10;
const BUCKET: Micros = Micros::from_millis(1_000);

/// Counts of one second, or sums of them.
#[derive(Clone, Copy, Debug, Default)]
struct HeardCounts {
    frames: u32,
    ranges: u32,
    rejected: u32,
    used: u32,
    residual_sum_m: f64,
}

impl HeardCounts {
    fn add(&mut self, other: &HeardCounts) {
        self.frames += other.frames;
        self.ranges += other.ranges;
        self.rejected += other.rejected;
        self.used += other.used;
        self.residual_sum_m += other.residual_sum_m;
    }
}

#[derive(Clone, Debug)]
struct Watched {
    id: AnchorId,
    state: AnchorState,
    since: Option<Timestamp>,
    last_heard: Option<Timestamp>,
    last_range_m: Option<f64>,
    buckets: [HeardCounts; BUCKETS],
}

/// What one epoch said about one anchor, for the tallies.
pub(crate) struct Heard {
    /// Index of the anchor in the site.
    pub(crate) anchor: usize,
    /// The corrected range, when there was a usable one.
    pub(crate) range_m: Option<f64>,
    /// Whether the gate left it out.
    pub(crate) rejected: bool,
    /// Residual of a used range, metres.
    pub(crate) used_residual_m: Option<f64>,
}

/// The liveness of all anchors of a site.
#[derive(Clone, Debug)]
pub(crate) struct Liveness {
    anchors: ArrayVec<Watched, MAX_ANCHORS>,
    /// When the running bucket ends; `None` while nothing was heard for so long that all are empty.
    bucket_ends: Option<Timestamp>,
    /// Index of the running bucket.
    bucket: usize,
    /// Full buckets beside the running one.
    full: usize,
}

impl Liveness {
    pub(crate) fn new(ids: impl Iterator<Item = AnchorId>) -> Liveness {
        let fresh = |id| Watched {
            id,
            state: AnchorState::NeverHeard,
            since: None,
            last_heard: None,
            last_range_m: None,
            buckets: [HeardCounts::default(); BUCKETS],
        };
        Liveness {
            anchors: ids.take(MAX_ANCHORS).map(fresh).collect(),
            bucket_ends: None,
            bucket: 0,
            full: 0,
        }
    }

    /// Takes over what was known of the anchors that are here.
    pub(crate) fn inherit(&mut self, anchors: &[InheritedAnchor]) {
        for of in anchors {
            let Some(anchor) = self.anchors.iter_mut().find(|a| a.id == of.anchor) else { continue };
            anchor.state = if of.silent { AnchorState::Silent } else { AnchorState::Heard };
            (anchor.since, anchor.last_heard) = (Some(of.since), Some(of.last_heard));
            anchor.last_range_m = of.last_range_m;
        }
    }

    /// What is known of each anchor that was heard.
    pub(crate) fn hand_on(&self) -> ArrayVec<InheritedAnchor, MAX_ANCHORS> {
        let one = |a: &Watched| {
            Some(InheritedAnchor {
                anchor: a.id,
                silent: a.state == AnchorState::Silent,
                since: a.since?,
                last_heard: a.last_heard?,
                last_range_m: a.last_range_m,
            })
        };
        self.anchors.iter().filter_map(one).collect()
    }

    /// Whether the anchor has been heard and fell silent.
    pub(crate) fn is_silent(&self, anchor: usize) -> bool {
        self.anchors.get(anchor).is_some_and(|a| a.state == AnchorState::Silent)
    }

    /// State of an anchor, and when it was last heard.
    pub(crate) fn state(&self, anchor: usize) -> Option<(AnchorState, Option<Timestamp>)> {
        self.anchors.get(anchor).map(|a| (a.state, a.last_heard))
    }

    /// How many anchors of those that `which` picks by index are heard at present.
    pub(crate) fn heard(&self, which: impl Fn(usize) -> bool) -> usize {
        let heard = |(i, a): &(usize, &Watched)| a.state == AnchorState::Heard && which(*i);
        self.anchors.iter().enumerate().filter(heard).count()
    }

    /// Stamp of the newest range of any anchor but this one.
    pub(crate) fn others_last_heard(&self, anchor: usize) -> Option<Timestamp> {
        self.anchors.iter().enumerate().filter(|(i, _)| *i != anchor).filter_map(|(_, a)| a.last_heard).max()
    }

    /// The next instant at which something changes without an input.
    pub(crate) fn deadline(&self) -> Option<Timestamp> {
        let silent = self.anchors.iter().filter_map(Watched::silent_at).min();
        [silent, self.bucket_ends].into_iter().flatten().min()
    }

    /// Starts counting at `at` if nothing is being counted.
    pub(crate) fn wake(&mut self, at: Timestamp) {
        if self.bucket_ends.is_none() {
            self.bucket_ends = Some(at.plus(BUCKET));
            self.bucket = 0;
            self.full = 0;
        }
    }

    /// Takes in what an epoch at `at` said about an anchor; gives the change of state, if any.
    pub(crate) fn hear(&mut self, at: Timestamp, heard: &Heard) -> Option<AnchorChange> {
        let bucket = self.bucket;
        let anchor = self.anchors.get_mut(heard.anchor)?;
        let tally = &mut anchor.buckets[bucket];
        tally.frames += 1;
        let range_m = heard.range_m?;
        tally.ranges += 1;
        tally.rejected += u32::from(heard.rejected);
        if let Some(residual_m) = heard.used_residual_m {
            tally.used += 1;
            tally.residual_sum_m += residual_m;
        }
        anchor.last_heard = Some(at);
        anchor.last_range_m = Some(range_m);
        anchor.enter(at, AnchorState::Heard)
    }

    /// The anchors that have fallen silent by `at`, and whether a table is due.
    pub(crate) fn fire(&mut self, at: Timestamp) -> (ArrayVec<AnchorChange, MAX_ANCHORS>, bool) {
        let mut changes = ArrayVec::new();
        for anchor in &mut self.anchors {
            if anchor.silent_at().is_some_and(|due| due <= at) {
                changes.extend(anchor.enter(at, AnchorState::Silent));
            }
        }
        let due = self.bucket_has_ended(at) || !changes.is_empty();
        (changes, due)
    }

    /// The table as it stands.
    pub(crate) fn table(&self, at: Timestamp) -> AnchorTable {
        let running = self.bucket_ends.map_or(0.0, |ends| 1.0 - ends.since(at).secs_f64().clamp(0.0, 1.0));
        // In the first second a rate over the time so far would jump; a whole second is assumed.
        let seconds = (self.full as f64 + running).max(1.0);
        AnchorTable {
            at,
            rows: self.anchors.iter().map(|a| a.health(seconds)).collect(),
            kit: ArrayVec::new(),
        }
    }

    /// Begins the next second when one has ended by `at`, forgetting the oldest; stops when all are empty.
    pub(crate) fn roll(&mut self, at: Timestamp) {
        if !self.bucket_has_ended(at) {
            return;
        }
        self.bucket = (self.bucket + 1) % BUCKETS;
        self.full = (self.full + 1).min(BUCKETS - 1);
        let bucket = self.bucket;
        for anchor in &mut self.anchors {
            anchor.buckets[bucket] = HeardCounts::default();
        }
        let all_empty = self.anchors.iter().all(|a| a.buckets.iter().all(|b| b.frames == 0));
        self.bucket_ends = (!all_empty).then(|| at.plus(BUCKET));
    }

    /// Whether a second has ended by `at`.
    pub(crate) fn bucket_has_ended(&self, at: Timestamp) -> bool {
        self.bucket_ends.is_some_and(|due| due <= at)
    }
}

impl Watched {
    fn silent_at(&self) -> Option<Timestamp> {
        (self.state == AnchorState::Heard).then_some(())?;
        Some(self.last_heard?.plus(SILENT_AFTER))
    }

    fn enter(&mut self, at: Timestamp, state: AnchorState) -> Option<AnchorChange> {
        if self.state == state {
            return None;
        }
        let was = std::mem::replace(&mut self.state, state);
        self.since = Some(at);
        Some(AnchorChange { at, anchor: self.id, was, now: state })
    }

    fn health(&self, seconds: f64) -> AnchorHealth {
        let mut sum = HeardCounts::default();
        self.buckets.iter().for_each(|b| sum.add(b));
        let share = |part: u32, of: u32| (of > 0).then(|| f64::from(part) / f64::from(of));
        AnchorHealth {
            anchor: self.id,
            state: self.state,
            since: self.since,
            last_heard: self.last_heard,
            last_range_m: self.last_range_m,
            rate_hz: f64::from(sum.ranges) / seconds,
            share: share(sum.ranges, sum.frames),
            rejected_share: share(sum.rejected, sum.ranges),
            mean_residual_m: (sum.used > 0).then(|| sum.residual_sum_m / f64::from(sum.used)),
            sigma_m: None,
            nlos_share: None,
            findings: ArrayVec::new(),
            place: PlaceAnswer::CannotTell(CannotTell::NoPosition),
            excluded: false,
        }
    }
}
