//! What has been told: a finding begins once and is over once, whatever its figures do meanwhile.
//!
//! Findings about an anchor's place are one matter, of which one stands at a time: "one of these", "changed", "moved"
//! tell the same truth more and more sharply. The next begins *instead of* the one before, and only the last of them is
//! over.

use arrayvec::ArrayVec;
use hereabout_core::{AnchorId, Timestamp};

use crate::output::{AnchorFinding, FindingChange, KitChange, KitFinding, MAX_FINDINGS, MAX_KIT_FINDINGS};

/// The findings of one anchor that have begun and are not over.
#[derive(Clone, Debug, Default)]
pub(crate) struct Shown([Option<AnchorFinding>; AnchorFinding::KINDS]);

impl Shown {
    /// The finding of the sample's kind, while it lasts; the sample's figures are of no account.
    pub(crate) fn get(&self, sample: &AnchorFinding) -> Option<&AnchorFinding> {
        self.0[usize::from(sample.rank())].as_ref()
    }

    /// What is said of the anchor's place.
    pub(crate) fn about_place(&self) -> Option<AnchorFinding> {
        self.0.iter().flatten().find(|f| f.is_about_place()).copied()
    }

    /// Takes over what is the case now; tells what begins and what is over.
    pub(crate) fn become_now(
        &mut self,
        at: Timestamp,
        anchor: AnchorId,
        now: &[Option<AnchorFinding>; AnchorFinding::KINDS],
        mut tell: impl FnMut(FindingChange),
    ) {
        let place_now = now.iter().flatten().find(|f| f.is_about_place());
        let place_was = self.about_place();
        for (was, now) in self.0.iter_mut().zip(now) {
            let change = |finding, over, instead_of| FindingChange { at, anchor, finding, over, instead_of };
            match (&was, now) {
                (Some(finding), None) if !(finding.is_about_place() && place_now.is_some()) => {
                    tell(change(*finding, true, None));
                }
                (None, Some(finding)) => {
                    let instead_of = place_was.filter(|_| finding.is_about_place());
                    tell(change(*finding, false, instead_of));
                }
                _ => {}
            }
            *was = *now;
        }
    }

    /// Worst first.
    pub(crate) fn list(&self) -> ArrayVec<AnchorFinding, MAX_FINDINGS> {
        self.0.iter().flatten().copied().take(MAX_FINDINGS).collect()
    }
}

/// Whether two findings about the kit are of one kind, about one tag.
fn same(a: &KitFinding, b: &KitFinding) -> bool {
    match (a, b) {
        (KitFinding::TagOff { tag: a }, KitFinding::TagOff { tag: b })
        | (KitFinding::UnevenClock { tag: a, .. }, KitFinding::UnevenClock { tag: b, .. })
        | (KitFinding::TagOffset { tag: a, .. }, KitFinding::TagOffset { tag: b, .. })
        | (KitFinding::Frozen { tag: a }, KitFinding::Frozen { tag: b })
        | (KitFinding::Repeated { tag: a }, KitFinding::Repeated { tag: b })
        | (KitFinding::AgeUnknown { tag: a }, KitFinding::AgeUnknown { tag: b })
        | (KitFinding::OldFrames { tag: a, .. }, KitFinding::OldFrames { tag: b, .. }) => a == b,
        _ => std::mem::discriminant(a) == std::mem::discriminant(b),
    }
}

/// Whether a finding that is one of kind with `was` says something else that people must hear of: another cause.
fn sharper(was: &KitFinding, now: &KitFinding) -> bool {
    let cause = |f: &KitFinding| match f {
        KitFinding::SiteDoesNotFit { doubt } => doubt.cause,
        _ => None,
    };
    cause(now).is_some_and(|now| !cause(was).is_some_and(|was| was.is_same(&now)))
}

/// The findings about the kit that have begun and are not over.
#[derive(Clone, Debug, Default)]
pub(crate) struct KitShown(ArrayVec<KitFinding, MAX_KIT_FINDINGS>);

impl KitShown {
    /// What lasts.
    pub(crate) fn list(&self) -> &ArrayVec<KitFinding, MAX_KIT_FINDINGS> {
        &self.0
    }

    /// Takes over what is the case now; tells what begins and what is over.
    pub(crate) fn become_now(
        &mut self,
        at: Timestamp,
        now: ArrayVec<KitFinding, MAX_KIT_FINDINGS>,
        mut tell: impl FnMut(KitChange),
    ) {
        for was in self.0.iter().filter(|w| !now.iter().any(|n| same(w, n))) {
            tell(KitChange { at, finding: *was, over: true });
        }
        // A cause that becomes known is told anew, without taking back what is still true.
        let known = |n: &KitFinding| self.0.iter().any(|w| same(w, n) && !sharper(w, n));
        for begun in now.iter().filter(|n| !known(n)) {
            tell(KitChange { at, finding: *begun, over: false });
        }
        self.0 = now;
    }
}
