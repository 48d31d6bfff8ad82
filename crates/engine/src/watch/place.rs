//! The place watch of `hereabout_solve` in the engine's terms: which anchor is suspect, and what follows from it.
//!
//! **The rule for doubted.** An anchor that is named (moved, offset changed, reads long, two boards) is *excluded*, that
//! is, its ranges take no part in positions, only while at least dimension + 2 other anchors without suspicion were
//! heard within the last second: enough for a checked fix without it. Else it stays in use, and as long as any
//! suspect (named, or one of several) is in use beside fewer than that many others, no position is called checked. A range
//! of an anchor that is excluded still feeds the watch, which is how it can be well again.

use arrayvec::ArrayVec;
use hereabout_core::{MAX_ANCHORS, MAX_TAGS, Site, TagId, TagState, Timestamp, Verdict};
use hereabout_solve::watch::{
    Change, LIMIT_M, NEEDED_M, PlaceWatch, Standing, TagWindow, WatchedAnchor, WatchedRange,
};

use super::{Learned, Seen};
use crate::output::{AnchorFinding, CannotTell, PlaceAnswer};

/// A drift from this on is reported, metres per day, and until it is below the second; in standard errors the same.
const DRIFT: [f64; 2] = [0.05, 0.03];
const DRIFT_SES: [f64; 2] = [4.0, 2.0];
/// The direction of a move is reported when one and a half standard errors are within this, metres.
const ARROW_M: f64 = 0.08;
/// σ of a good range of an estimator that learns none, when the site says nothing better. Metres.
const SIGMA_M: f64 = 0.1;

#[derive(Clone, Debug)]
pub(crate) struct Places {
    watch: PlaceWatch,
    /// By the tag's slot, with its id once it was heard.
    windows: ArrayVec<(Option<TagId>, Box<TagWindow>), MAX_TAGS>,
    need: usize,
    located: bool,
}

impl Places {
    pub(crate) fn new(site: &Site) -> Places {
        let anchor = |a: &hereabout_core::Anchor| WatchedAnchor {
            at_m: a.at_m,
            offset_se_m: a.correction.offset_se_m,
        };
        let anchors: ArrayVec<WatchedAnchor, MAX_ANCHORS> =
            site.anchors().iter().take(MAX_ANCHORS).map(anchor).collect();
        Places {
            watch: PlaceWatch::new(site.dimension(), &anchors),
            windows: ArrayVec::new(),
            need: site.dimension().unknowns() + 2,
            located: false,
        }
    }

    /// Takes in an epoch. Whether answers may have changed.
    pub(crate) fn take(&mut self, seen: &Seen, site: &Site, learned: Learned) -> bool {
        while self.windows.len() <= seen.tag && !self.windows.is_full() {
            self.windows.push((None, Box::new(TagWindow::new())));
        }
        let Some((id, window)) = self.windows.get_mut(seen.tag) else { return false };
        *id = Some(seen.tag_id);
        if seen.estimate.restarted || seen.estimate.state() == TagState::Lost {
            window.clear();
        }
        let Some(place) = seen.estimate.place().filter(|_| seen.estimate.state() == TagState::Located) else {
            return false;
        };
        self.located = true;
        let mut ranges: ArrayVec<WatchedRange, MAX_ANCHORS> = ArrayVec::new();
        for (index, r) in seen.judged {
            let usable = matches!(r.verdict, Verdict::Used | Verdict::Rejected(_) | Verdict::AnchorExcluded);
            if let (Some(anchor), Some(range_m), true) = (*index, r.range_m, usable) {
                ranges.push(WatchedRange { anchor, range_m });
            }
        }
        let sigma_m = |i: usize| match learned(i) {
            Some(stats) => stats.sigma_m,
            None => site.anchors().get(i).map_or(SIGMA_M, |a| a.range_sigma_m),
        };
        let evaluated = self.watch.take(window, seen.at, place.position_m, &ranges, sigma_m);
        self.judge_common();
        evaluated
    }

    /// The slot's tag was retired.
    pub(crate) fn forget(&mut self, slot: usize) {
        if let Some((id, window)) = self.windows.get_mut(slot) {
            (*id, **window) = (None, TagWindow::new());
        }
        self.judge_common();
    }

    /// What all ranges have in common is the anchors' affair only when it is so for every tag that went far enough to tell.
    fn judge_common(&mut self) {
        let mut told = self.windows.iter().filter(|(id, w)| id.is_some() && w.tells_common()).peekable();
        let alike = told.peek().is_some() && told.all(|(_, w)| w.is_alike());
        self.watch.set_all_alike(alike);
    }

    /// Tags to which all anchors read long or short alike, while to others they don't: by how much, metres.
    pub(crate) fn tag_offsets(&self) -> ArrayVec<(TagId, f64), MAX_TAGS> {
        let told = || self.windows.iter().filter(|(_, w)| w.tells_common());
        let others_fit = told().any(|(_, w)| w.is_clear());
        let off = told().filter(|(_, w)| others_fit && w.is_alike());
        off.filter_map(|(id, w)| Some(((*id)?, w.common_m()))).collect()
    }

    /// Whether the anchor is named as changed.
    pub(crate) fn is_named(&self, anchor: usize) -> bool {
        self.watch.is_named(anchor)
    }

    /// Whether it is one of several doubted.
    pub(crate) fn is_one_of(&self, at: Timestamp, anchor: usize) -> bool {
        matches!(self.watch.standing(at, anchor), Standing::OneOf(_))
    }

    /// Anchors that a checked fix needs.
    pub(crate) fn need(&self) -> usize {
        self.need
    }

    /// What is the matter with its place, if anything.
    pub(crate) fn finding(&self, at: Timestamp, anchor: usize) -> Option<AnchorFinding> {
        match self.watch.standing(at, anchor) {
            Standing::Named(change) => Some(in_words_of_engine(change)),
            Standing::OneOf(set) => Some(AnchorFinding::OneOf { anchors: set }),
            _ => None,
        }
    }

    /// Whether its offset wanders; `was` says that the finding lasts.
    pub(crate) fn drifting(&self, anchor: usize, was: bool) -> Option<AnchorFinding> {
        let drift = self.watch.drift(anchor)?;
        let limit = usize::from(was);
        let found = drift.m_per_day.abs() >= DRIFT[limit]
            && drift.m_per_day.abs() >= DRIFT_SES[limit] * drift.se_m_per_day;
        found.then_some(AnchorFinding::Drifting {
            m_per_day: drift.m_per_day,
            se_m_per_day: drift.se_m_per_day,
        })
    }

    /// Whether it stands where the site file says.
    pub(crate) fn answer(&self, at: Timestamp, anchor: usize) -> PlaceAnswer {
        let cannot = PlaceAnswer::CannotTell;
        match self.watch.standing(at, anchor) {
            Standing::Unchanged => PlaceAnswer::Unchanged { limit_m: LIMIT_M },
            Standing::Suspect | Standing::Named(_) | Standing::OneOf(_) => PlaceAnswer::Contradicted,
            _ if !self.located => cannot(CannotTell::NoPosition),
            Standing::NoPosition => cannot(CannotTell::NoPosition),
            Standing::TooLittleTravel(travelled_m) => {
                cannot(CannotTell::TooLittleTravel { travelled_m, needed_m: NEEDED_M })
            }
            Standing::StandsStill => cannot(CannotTell::TagStandsStill),
            Standing::TooNarrow => cannot(CannotTell::TravelTooNarrow),
            Standing::TooFewAnchors(have) => cannot(CannotTell::TooFewAnchors { have, need: self.need + 1 }),
            Standing::AllAlike => cannot(CannotTell::AllAlike),
        }
    }
}

fn in_words_of_engine(change: Change) -> AnchorFinding {
    match change {
        Change::Moved { shift_m, from_start: true, explained_share: explained, .. } => {
            AnchorFinding::Misplaced { shift_m, explained }
        }
        Change::Moved { shift_m: [e, n, up], size_se_m, across_se_m, .. } => {
            let size = (e * e + n * n).sqrt();
            let sure = 1.5 * size_se_m.max(across_se_m) <= ARROW_M && size > up.abs();
            let direction_se_deg = sure.then(|| across_se_m.atan2(size).to_degrees());
            let up_m = (up.abs() > 0.0).then_some(up);
            AnchorFinding::Moved { shift_m: [e, n], up_m, size_se_m, direction_se_deg }
        }
        Change::Offset { by_m, se_m } => AnchorFinding::OffsetChanged { by_m, se_m },
        Change::ReadsLong { by_m } => AnchorFinding::ReadsLong { by_m },
        Change::Changed { by_m } => AnchorFinding::Changed { by_m },
    }
}
