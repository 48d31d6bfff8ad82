//! The test of the whole against the site (`hereabout_solve::fit`) in the engine's terms.
//!
//! It is fed with what the kit said of every fresh epoch (`fit_input`), whatever the estimator made of it.
//!
//! **What follows from a doubt.** Where positions may be wrong altogether ([`SiteDoubt::all`]), none is checked, every zone is
//! unknown, and nothing is said of single anchors' places and views: all that would rest on the same wrong settings. Where one
//! or two anchors are to blame, they are doubted like those of `place`, by the same rule.

use arrayvec::ArrayVec;
use hereabout_core::AnchorSet;
use hereabout_core::Site;
use hereabout_solve::fit::{Cause, FitAnswer, SiteDoubt, SiteFit};

use super::Seen;
use crate::fit_input::fit_setup;
use crate::output::{AnchorFinding, KitFinding};

/// See the module.
#[derive(Clone, Debug)]
pub(crate) struct Whole {
    fit: SiteFit,
    doubt: Option<SiteDoubt>,
}

impl Whole {
    pub(crate) fn new(site: &Site) -> Whole {
        Whole { fit: SiteFit::new(fit_setup(site)), doubt: None }
    }

    /// Takes in an epoch. Whether what is said of the whole may have changed.
    pub(crate) fn take(&mut self, seen: &Seen) -> bool {
        let changed = !seen.fit_ranges.is_empty() && self.fit.take(seen.tag, seen.at, seen.fit_ranges);
        if changed {
            self.doubt = match self.fit.answer() {
                FitAnswer::Doubted(doubt) => Some(doubt),
                FitAnswer::TooEarly { .. } | FitAnswer::Fits { .. } => None,
            };
        }
        changed
    }

    /// A tag was retired. What was found with its ranges stays found.
    pub(crate) fn forget(&mut self, slot: usize) {
        self.fit.forget(slot);
    }

    /// Whether positions may be wrong altogether.
    pub(crate) fn doubts_all(&self) -> bool {
        self.doubt.is_some_and(|d| d.all)
    }

    /// Whether it is known what is wrong.
    pub(crate) fn has_cause(&self) -> bool {
        self.doubt.is_some_and(|d| d.cause.is_some())
    }

    /// Whether nothing should rest on positions: they may be wrong altogether, or it is being looked into whether they are.
    pub(crate) fn is_open(&self) -> bool {
        self.doubts_all() || self.fit.is_suspected()
    }

    /// What is said of the kit as a whole. A wrong place of one or two anchors is said of these.
    pub(crate) fn kit_finding(&self) -> Option<KitFinding> {
        let doubt = self.doubt?;
        let of_anchors = doubt.cause.is_some_and(|cause| !places(cause).is_empty());
        (doubt.all || !of_anchors).then_some(KitFinding::SiteDoesNotFit { doubt })
    }

    /// Whether the ranges of this anchor are those of another one.
    pub(crate) fn is_swapped(&self, anchor: usize) -> bool {
        let cause = self.doubt.and_then(|d| d.cause);
        matches!(cause, Some(Cause::Swapped { anchors }) if anchors.contains(&anchor))
    }

    /// What is said of one anchor.
    pub(crate) fn misplaced(&self, anchor: usize) -> Option<AnchorFinding> {
        let doubt = self.doubt?;
        let stated_m = self.fit.setup().anchors.get(anchor)?.at_m;
        let at_m = places(doubt.cause?).into_iter().find(|(i, _)| *i == anchor)?.1;
        let at_m = at_m.or_height(stated_m);
        let shift_m = std::array::from_fn(|k| at_m[k] - stated_m[k]);
        Some(AnchorFinding::Misplaced { shift_m, explained: doubt.explained_then_share })
    }

    /// The anchors that positions should do without, as long as not everything is in doubt.
    pub(crate) fn faulty(&self) -> AnchorSet {
        let mut set = AnchorSet::EMPTY;
        let Some(doubt) = self.doubt.filter(|d| !d.all) else { return set };
        match doubt.cause {
            Some(Cause::Swapped { anchors }) => anchors.into_iter().for_each(|i| set.insert(i)),
            Some(cause) => places(cause).into_iter().for_each(|(i, _)| set.insert(i)),
            None => {}
        }
        set
    }
}

/// Where an anchor fits: a place, or a height over the stated place.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Fits {
    At([f64; 3]),
    Up(f64),
}

impl Fits {
    fn or_height(self, stated_m: [f64; 3]) -> [f64; 3] {
        match self {
            Fits::At(at_m) => at_m,
            Fits::Up(up_m) => [stated_m[0], stated_m[1], up_m],
        }
    }
}

type Places = ArrayVec<(usize, Fits), 2>;

/// The anchors whose places a cause is about.
fn places(cause: Cause) -> Places {
    match cause {
        Cause::Place { anchor, at_m } => [(anchor, Fits::At(at_m))].into_iter().collect(),
        Cause::TwoPlaces { anchors: [a, b], at_m: [at_a_m, at_b_m] } => {
            Places::from([(a, Fits::At(at_a_m)), (b, Fits::At(at_b_m))])
        }
        Cause::AnchorHeight { anchor, up_m } => [(anchor, Fits::Up(up_m))].into_iter().collect(),
        Cause::Unit { .. }
        | Cause::Scale { .. }
        | Cause::Swapped { .. }
        | Cause::Reversed
        | Cause::Order { .. }
        | Cause::TagHeight { .. }
        | Cause::MirroredHeights
        | Cause::OtherSite { .. } => Places::default(),
    }
}
