//! What the hub keeps of the recent past: the minutes of each anchor, and where each tag was.
//!
//! Both are bounded whatever comes in: an hour of minutes, and of each tag as many points of its last minute
//! as a drawing can show. A trail breaks where the tag was lost or jumped, so that no line is drawn where
//! nobody knows that it went.

use std::{
    collections::{BTreeMap, VecDeque},
    sync::Arc,
};

use hereabout_core::{AnchorId, Micros, PositionReport, TagId, Timestamp};
use hereabout_engine::AnchorMinute;

use super::{MAX_REMEMBERED_TAGS, make_room};

/// How far back the minutes go.
const HOUR: Micros = Micros::from_millis(3_600_000);
/// Most minutes that are kept of one anchor: those of an hour.
const MAX_MINUTES: usize = 60;
/// How much of its way a tag leaves behind.
pub(crate) const TRAIL: Micros = Micros::from_millis(60_000);
/// Two points of a trail are at least this far apart in time; a minute of them is what is kept at most.
const SPACING: Micros = Micros::from_millis(250);
const MAX_POINTS: usize = 241;

/// A place on a tag's way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct TrailPoint {
    pub(crate) at: Timestamp,
    /// East and north, metres.
    pub(crate) at_m: [f64; 2],
    /// Nobody knows how the tag came here from the point before.
    pub(crate) starts: bool,
}

/// One tag: its latest report and its way there, oldest point first.
#[derive(Clone, Debug)]
pub(crate) struct TagPast {
    pub(crate) latest: Arc<PositionReport>,
    pub(crate) trail: VecDeque<TrailPoint>,
    broken: bool,
}

/// The recent past: minutes by anchor, trails by tag.
#[derive(Debug, Default)]
pub(crate) struct History {
    minutes: BTreeMap<AnchorId, VecDeque<AnchorMinute>>,
    tags: BTreeMap<TagId, TagPast>,
}

impl History {
    pub(crate) fn minute(&mut self, minute: &AnchorMinute) {
        let kept = self.minutes.entry(minute.anchor).or_default();
        kept.push_back(*minute);
        while kept.len() > MAX_MINUTES || kept.front().is_some_and(|m| minute.from.since(m.from) >= HOUR) {
            kept.pop_front();
        }
    }

    /// The full minutes of the hour before `now`, oldest first.
    pub(crate) fn minutes_of(&self, anchor: AnchorId, now: Timestamp) -> Vec<AnchorMinute> {
        let kept = self.minutes.get(&anchor).into_iter().flatten();
        kept.filter(|m| now.since(m.from) <= HOUR).copied().collect()
    }

    pub(crate) fn position(&mut self, report: &Arc<PositionReport>) {
        make_room(&mut self.tags, &report.tag, MAX_REMEMBERED_TAGS, |past| past.latest.at);
        let past = self.tags.entry(report.tag).or_insert_with(|| TagPast {
            latest: report.clone(),
            trail: VecDeque::new(),
            broken: false,
        });
        past.add(report);
    }

    /// Forgets the tags that do not stay.
    pub(crate) fn keep_tags(&mut self, stays: impl Fn(&TagId) -> bool) {
        self.tags.retain(|id, _| stays(id));
    }

    /// All tags, each with the part of its trail that is not older than [`TRAIL`] at `now`.
    pub(crate) fn tags_at(&self, now: Timestamp) -> BTreeMap<TagId, TagPast> {
        let mut tags = self.tags.clone();
        for past in tags.values_mut() {
            past.trail.retain(|p| now.since(p.at) <= TRAIL);
        }
        tags
    }

    /// Moves all stamps by `by`.
    pub(crate) fn shift(&mut self, by: Micros) {
        self.minutes.values_mut().flatten().for_each(|minute| minute.shift(by));
        for past in self.tags.values_mut() {
            Arc::make_mut(&mut past.latest).shift(by);
            past.trail.iter_mut().for_each(|point| point.at = point.at.plus(by));
        }
    }
}

impl TagPast {
    fn add(&mut self, report: &Arc<PositionReport>) {
        self.latest = report.clone();
        self.broken |= report.restarted;
        match known_place(report) {
            None => self.broken = true,
            Some(at_m) => {
                let soon = self.trail.back().is_some_and(|p| report.at.since(p.at) < SPACING);
                if self.broken || !soon {
                    let starts = std::mem::take(&mut self.broken) || self.trail.is_empty();
                    self.trail.push_back(TrailPoint { at: report.at, at_m, starts });
                }
            }
        }
        while self.trail.len() > MAX_POINTS
            || self.trail.front().is_some_and(|p| report.at.since(p.at) > TRAIL)
        {
            self.trail.pop_front();
        }
    }
}

/// East and north of a tag whose place is known.
pub(crate) fn known_place(report: &PositionReport) -> Option<[f64; 2]> {
    let [east, north, _] = report.place()?.position_m;
    (east.is_finite() && north.is_finite()).then_some([east, north])
}

#[cfg(test)]
mod tests;
