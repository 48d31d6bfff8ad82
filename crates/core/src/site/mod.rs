//! The site: anchors, where the tag can be, zones, settings. Only [`SiteDraft::validate`] makes a
//! [`Site`], so whoever holds one need not check it again.
//!
//! Findings carry facts and the path of the key they are about; the site file's reader turns them
//! into file, line, column and words.

mod anchor;
mod draft;
mod fence;
mod finding;
mod track;
mod zone;

pub use anchor::{Anchor, Correction, Dimension};
pub use draft::SiteDraft;
pub use fence::Fence;
pub use finding::{KeyStep, MirrorSide, NeverKnown, Severity, SiteFinding, SiteProblem};
pub use track::{Estimator, TrackSettings};
pub use zone::{Zone, ZoneRule, ZoneShape};

use crate::correction_limits::CorrectionLimits;
use crate::{AnchorId, MAX_ANCHORS, Micros, TagId};

/// A tag that the site lists.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SiteTag {
    /// Its number, as frames carry it.
    pub id: TagId,
    /// What people call it.
    pub name: String,
}

/// Another site whose file lies beside this one's, and which might be the one that is meant.
#[derive(Clone, Debug, PartialEq)]
pub struct OtherSite {
    /// Name of its file, without folders.
    pub file: String,
    /// Name of the site.
    pub name: String,
    /// Where it puts the board that each anchor of this site stands for, in this site's order, metres; `None` where it has
    /// none.
    pub at_m: Vec<Option<[f64; 3]>>,
    /// Its height of the tag, metres; `None` in 3D.
    pub tag_height_m: Option<f64>,
    /// Metres by the other file per metre by this one: 0.1 where this one says cm and the other one mm.
    pub unit_ratio: f64,
}

/// A validated site. See [`SiteDraft::validate`].
#[derive(Clone, Debug, PartialEq)]
pub struct Site {
    draft: SiteDraft,
    slots: [Option<usize>; MAX_ANCHORS],
    range_units_per_m: Option<f64>,
    others: Vec<OtherSite>,
}

impl Site {
    /// Name of the site.
    pub fn name(&self) -> &str {
        &self.draft.name
    }
    /// 2D with height, or 3D.
    pub fn dimension(&self) -> Dimension {
        self.draft.dimension
    }
    /// Where the tag can be.
    pub fn fence(&self) -> &Fence {
        &self.draft.fence
    }
    /// Shortest and longest believable range, metres.
    pub fn range_span_m(&self) -> [f64; 2] {
        self.draft.range_span_m
    }
    /// The anchors in file order, at most [`crate::MAX_ANCHORS`], ids unique.
    pub fn anchors(&self) -> &[Anchor] {
        &self.draft.anchors
    }
    /// The zones in file order, names unique.
    pub fn zones(&self) -> &[Zone] {
        &self.draft.zones
    }
    /// Limits of the track.
    pub fn track(&self) -> &TrackSettings {
        &self.draft.track
    }
    /// CE95 that a verification must reach, metres; `None` when nothing is required.
    pub fn required_ce95_m(&self) -> Option<f64> {
        self.draft.required_ce95_m
    }
    /// Standard error of the tag's height in 2D, metres; `None` in 3D, and when nobody stated it.
    pub fn tag_height_se_m(&self) -> Option<f64> {
        matches!(self.draft.dimension, Dimension::TwoD { .. }).then_some(self.draft.tag_height_se_m).flatten()
    }
    /// What a correction of a board can be.
    pub fn correction_limits(&self) -> CorrectionLimits {
        self.draft.correction_limits
    }
    /// The listed tags in file order, at most [`crate::MAX_TAGS`], ids unique; empty when any tag that settles is tracked.
    pub fn tags(&self) -> &[SiteTag] {
        &self.draft.tags
    }
    /// What people call a tag; `None` for one that is not listed.
    pub fn tag_name(&self, id: TagId) -> Option<&str> {
        self.draft.tags.iter().find(|t| t.id == id).map(|t| t.name.as_str())
    }
    /// Index of the anchor with this id.
    pub fn anchor_index(&self, id: AnchorId) -> Option<usize> {
        self.draft.anchors.iter().position(|a| a.id == id)
    }
    /// Index of the anchor that range field `slot` of a frame belongs to; `None` for a spare field.
    pub fn anchor_of_slot(&self, slot: usize) -> Option<usize> {
        self.slots.get(slot).copied().flatten()
    }
    /// How many of the unit of `[frame]` make a metre: 100 for centimetres. `None` where ranges come in metres by
    /// themselves (tables), and where nobody said it.
    pub fn range_units_per_m(&self) -> Option<f64> {
        self.range_units_per_m
    }
    /// Other sites that might be meant, in the order of their files.
    pub fn others(&self) -> &[OtherSite] {
        &self.others
    }
    /// The same site with the unit that its ranges come in; see [`Site::range_units_per_m`].
    #[must_use]
    pub fn with_range_unit(mut self, units_per_m: Option<f64>) -> Site {
        self.range_units_per_m = units_per_m.filter(|u| u.is_finite() && *u > 0.0);
        self
    }
    /// The same site with other sites that might be meant. One without a place for any of its anchors is left out.
    #[must_use]
    pub fn with_others(mut self, others: Vec<OtherSite>) -> Site {
        let anchors = self.draft.anchors.len();
        self.others = others
            .into_iter()
            .filter(|o| o.at_m.len() == anchors && o.at_m.iter().any(Option::is_some))
            .collect();
        self
    }
    /// The same site with another estimator (`replay --estimator`); only the tracker has a delayed stream.
    #[must_use]
    pub fn with_estimator(mut self, estimator: Estimator) -> Site {
        self.draft.track.estimator = estimator;
        if estimator != Estimator::Tracker {
            self.draft.track.delayed = None;
        }
        self
    }
    /// The same site with a delayed stream of this lag.
    #[must_use]
    pub fn with_delayed(mut self, lag: Micros) -> Site {
        self.draft.track.delayed = Some(lag);
        self
    }
    /// The same site with other corrections, in anchor order; anchors beyond the list keep theirs.
    #[must_use]
    pub fn with_corrections(mut self, corrections: &[Correction]) -> Site {
        for (anchor, c) in self.draft.anchors.iter_mut().zip(corrections) {
            anchor.correction = *c;
        }
        self
    }
}

#[cfg(test)]
mod tests;
