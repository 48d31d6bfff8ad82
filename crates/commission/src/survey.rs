//! A survey session: a tag stands at known places, and raw ranges are gathered by place and board.
//!
//! Memory is bounded: [`MAX_SPOTS`] places and [`MAX_RANGES`] ranges. What finds no room is counted
//! ([`SurveySession::left_out`]) and reported.

use hereabout_core::{AnchorId, Epoch, Site, TagId, Timestamp};
use hereabout_solve::calibrate::occupation::{OccupationSettings, TimedRange};

/// Most places of one session.
pub const MAX_SPOTS: usize = 200;
/// Most ranges of one session, and most positions of one proof: eight boards at ten a second for 14 hours.
pub const MAX_RANGES: usize = 4_000_000;
/// Tags that are told apart when none was asked for.
const MAX_SURVEY_TAGS: usize = 8;

/// A known place where the tag stands, and when.
#[derive(Clone, Debug, PartialEq)]
pub struct Spot {
    /// What people call it.
    pub name: String,
    /// East, north, up of the tag's antenna, metres.
    pub at_m: [f64; 3],
    /// From this instant on, included.
    pub from: Timestamp,
    /// Until this instant, included.
    pub to: Timestamp,
}

impl Spot {
    pub(crate) fn holds(&self, at: Timestamp) -> bool {
        self.from <= at && at <= self.to
    }
}

/// Slant distance from antenna to antenna, from one taped along the floor and the difference in height, metres.
pub fn slant_m(along_floor_m: f64, height_difference_m: f64) -> f64 {
    (along_floor_m * along_floor_m + height_difference_m * height_difference_m).sqrt()
}

/// Raw ranges by place and board.
#[derive(Clone, Debug)]
pub struct SurveySession {
    anchors: Vec<AnchorId>,
    wanted: Option<TagId>,
    tags: Vec<TagId>,
    spots: Vec<Spot>,
    /// By spot, then by anchor.
    ranges: Vec<Vec<Vec<TimedRange>>>,
    /// Ranges in all of it, how many there may be, and how many found no room.
    kept: usize,
    most: usize,
    left_out: usize,
    extent: Option<(Timestamp, Timestamp)>,
}

impl SurveySession {
    /// Nothing heard yet. Ranges of `tag` only, or of the only tag there is.
    pub fn new(site: &Site, tag: Option<TagId>) -> SurveySession {
        SurveySession::with_room(site, tag, MAX_RANGES)
    }

    /// The same with room for `most` ranges.
    pub(crate) fn with_room(site: &Site, tag: Option<TagId>, most: usize) -> SurveySession {
        let anchors = site.anchors().iter().map(|a| a.id).collect();
        SurveySession {
            anchors,
            wanted: tag,
            tags: Vec::new(),
            spots: Vec::new(),
            ranges: Vec::new(),
            kept: 0,
            most,
            left_out: 0,
            extent: None,
        }
    }

    /// Another place; beyond [`MAX_SPOTS`] it is left out and `false` comes back.
    pub fn begin(&mut self, spot: Spot) -> bool {
        let room = self.spots.len() < MAX_SPOTS;
        if room {
            self.spots.push(spot);
            self.ranges.push(vec![Vec::new(); self.anchors.len()]);
        }
        room
    }

    /// Takes the ranges of an epoch that fall into a place's time.
    pub fn take(&mut self, epoch: &Epoch) {
        self.extent =
            Some(self.extent.map_or((epoch.at, epoch.at), |(a, b)| (a.min(epoch.at), b.max(epoch.at))));
        if self.wanted.is_some_and(|tag| tag != epoch.tag) {
            return;
        }
        if !self.tags.contains(&epoch.tag) && self.tags.len() < MAX_SURVEY_TAGS {
            self.tags.push(epoch.tag);
        }
        for (_, boards) in self.spots.iter().zip(&mut self.ranges).filter(|(s, _)| s.holds(epoch.at)) {
            for reading in &epoch.readings {
                let index = self.anchors.iter().position(|a| *a == reading.anchor);
                let (Some(i), Some(raw_range_m)) = (index, reading.raw_range_m) else { continue };
                if self.kept < self.most {
                    self.kept += 1;
                    boards[i].push(TimedRange { at: epoch.at, raw_range_m });
                } else {
                    self.left_out += 1;
                }
            }
        }
    }

    /// Tags that were heard (of the one asked for, when one was).
    pub fn tags(&self) -> &[TagId] {
        &self.tags
    }

    /// The places so far.
    pub fn spots(&self) -> &[Spot] {
        &self.spots
    }

    /// First and last stamp of anything that came in.
    pub fn extent(&self) -> Option<(Timestamp, Timestamp)> {
        self.extent
    }

    /// Ranges that found no room: there may be [`MAX_RANGES`] in all.
    pub fn left_out(&self) -> usize {
        self.left_out
    }

    /// How many ranges of each board the newest place has, in anchor order.
    pub fn counts(&self) -> Vec<usize> {
        self.ranges.last().map_or_else(Vec::new, |boards| boards.iter().map(Vec::len).collect())
    }

    /// Mean of the newest ranges of a board at the newest place, metres, to watch: ten at most.
    pub fn glance_m(&self, anchor: usize) -> Option<f64> {
        let board = self.ranges.last()?.get(anchor)?;
        let newest = &board[board.len().saturating_sub(10)..];
        let sum: f64 = newest.iter().map(|r| r.raw_range_m).sum();
        (!newest.is_empty()).then(|| sum / newest.len() as f64)
    }

    pub(crate) fn boards(&self, spot: usize) -> Vec<&[TimedRange]> {
        self.ranges.get(spot).map_or_else(Vec::new, |boards| boards.iter().map(Vec::as_slice).collect())
    }
}

/// Limits of an occupation for this site: its expected scatter is that of its widest board.
pub fn occupation_settings(site: &Site) -> OccupationSettings {
    let widest = site.anchors().iter().map(|a| a.range_sigma_m).fold(0.0, f64::max);
    OccupationSettings { expected_sigma_m: widest, ..OccupationSettings::default() }
}

#[cfg(test)]
mod tests;
