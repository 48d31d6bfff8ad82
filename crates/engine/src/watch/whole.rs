//! The test of the whole against the site (`hereabout_solve::fit`) in the engine's terms.
//!
//! It is fed with what the kit said of every fresh epoch, before offset and scale, whatever the estimator made of it: also
//! ranges beyond the site's span, for a wrong unit puts all of them there. Ranges that are known to be none (held, or of a
//! doubted frame) take no part, and of two readings of one anchor in one epoch only the first.
//!
//! **What follows from a doubt.** Where positions may be wrong altogether ([`SiteDoubt::all`]), none is checked, every zone is
//! unknown, and nothing is said of single anchors' places and views: all that would rest on the same wrong settings. Where one
//! or two anchors are to blame, they are suspects like those of `place`, by the same rule.

use arrayvec::ArrayVec;
use hereabout_core::{Dimension, MAX_ANCHORS, Site, Verdict};
use hereabout_solve::fit::{
    Cause, FitAnchor, FitAnswer, FitRange, FitSetup, OtherPlaces, SiteDoubt, SiteFit,
};

use super::Seen;
use crate::report::{AnchorFinding, AnchorSet, JudgedRange, KitFinding};

/// See the module.
#[derive(Clone, Debug)]
pub(crate) struct Whole {
    fit: SiteFit,
    doubt: Option<SiteDoubt>,
}

impl Whole {
    pub(crate) fn new(site: &Site, others: &[OtherPlaces]) -> Whole {
        Whole { fit: SiteFit::new(setup(site, others)), doubt: None }
    }

    /// Takes in an epoch. Whether what is said of the whole may have changed.
    pub(crate) fn take(&mut self, seen: &Seen) -> bool {
        if seen.doubt.is_some() {
            return false;
        }
        let ranges = told(seen.judged.iter().map(|(anchor, range)| (*anchor, range)));
        let changed = self.fit.take(seen.tag, seen.measured_at, &ranges);
        if changed {
            self.doubt = match self.fit.answer() {
                FitAnswer::Doubted(doubt) => Some(doubt),
                FitAnswer::TooEarly { .. } | FitAnswer::Fits { .. } => None,
            };
        }
        changed
    }

    /// Whether positions may be wrong altogether.
    pub(crate) fn doubts_all(&self) -> bool {
        self.doubt.is_some_and(|d| d.all)
    }

    /// What is said of the kit as a whole. A wrong place of one or two anchors is said of these.
    pub(crate) fn kit_finding(&self) -> Option<KitFinding> {
        let doubt = self.doubt?;
        let of_anchors = places(doubt.cause?) != Places::default();
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
        Some(AnchorFinding::Misplaced { shift_m, explained: doubt.explained_then })
    }

    /// The anchors that positions should do without, as long as not everything is in doubt.
    pub(crate) fn accused(&self) -> AnchorSet {
        let mut set = AnchorSet::default();
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

/// What the kit said, as far as it can be what it seems.
fn told<'a>(
    judged: impl Iterator<Item = (Option<usize>, &'a JudgedRange)>,
) -> ArrayVec<FitRange, MAX_ANCHORS> {
    let mut out: ArrayVec<FitRange, MAX_ANCHORS> = ArrayVec::new();
    for (anchor, range) in judged {
        let (Some(anchor), Some(raw_range_m)) = (anchor, range.raw_range_m) else { continue };
        let known = out.iter().any(|r| r.anchor == anchor);
        if known || !raw_range_m.is_finite() || range.verdict == Verdict::Held {
            continue;
        }
        // As many readings as an epoch can hold.
        let _ = out.try_push(FitRange { anchor, raw_range_m });
    }
    out
}

/// What the site states, as the test wants it.
pub(crate) fn setup(site: &Site, others: &[OtherPlaces]) -> FitSetup {
    let anchor = |a: &hereabout_core::Anchor| FitAnchor {
        at_m: a.at_m,
        offset_m: a.correction.offset_m,
        scale: a.correction.scale,
        offset_se_m: a.correction.offset_se_m,
    };
    let dimension: Dimension = site.dimension();
    FitSetup {
        dimension,
        fence: site.fence().clone(),
        anchors: site.anchors().iter().take(MAX_ANCHORS).map(anchor).collect(),
        others: others.to_vec(),
    }
}
