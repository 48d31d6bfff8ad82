//! What has been reported: a finding begins once and is over once, whatever its figures do meanwhile.
//!
//! Findings about an anchor's place are one matter, of which one stands at a time: "one of these", "changed", "moved"
//! report the same truth more and more sharply. The next begins *instead of* the one before, and only the last of them is
//! over.

use arrayvec::ArrayVec;
use hereabout_core::{AnchorId, Timestamp};

use crate::output::{
    AnchorFinding, AnchorFindingKind, FindingChange, KitChange, KitFinding, MAX_FINDINGS, MAX_KIT_FINDINGS,
};

/// At most one finding of each kind, worst first.
pub(crate) type FindingsByKind = [Option<AnchorFinding>; AnchorFindingKind::COUNT];

/// The findings of one anchor that have begun and are not over.
#[derive(Clone, Debug, Default)]
pub(crate) struct ActiveFindings(FindingsByKind);

impl ActiveFindings {
    /// The finding of a kind, while it lasts.
    pub(crate) fn get(&self, kind: AnchorFindingKind) -> Option<AnchorFinding> {
        self.0[usize::from(kind.rank())]
    }

    /// Whether a finding of a kind lasts.
    pub(crate) fn has(&self, kind: AnchorFindingKind) -> bool {
        self.get(kind).is_some()
    }

    /// What is said of the anchor's place.
    pub(crate) fn about_place(&self) -> Option<AnchorFinding> {
        self.0.iter().flatten().find(|f| f.is_about_place()).copied()
    }

    /// Takes over what is the case now; reports what begins and what is over.
    pub(crate) fn become_now(
        &mut self,
        at: Timestamp,
        anchor: AnchorId,
        now: &FindingsByKind,
        mut report: impl FnMut(FindingChange),
    ) {
        let place_now = now.iter().flatten().find(|f| f.is_about_place());
        let place_was = self.about_place();
        for (was, now) in self.0.iter_mut().zip(now) {
            let change = |finding, over, instead_of| FindingChange { at, anchor, finding, over, instead_of };
            match (&was, now) {
                (Some(finding), None) if !(finding.is_about_place() && place_now.is_some()) => {
                    report(change(*finding, true, None));
                }
                (None, Some(finding)) => {
                    let instead_of = place_was.filter(|_| finding.is_about_place());
                    report(change(*finding, false, instead_of));
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
        // One for all tags.
        (
            KitFinding::AnchorsGone
            | KitFinding::NobodyAnswers
            | KitFinding::CableOut
            | KitFinding::FramesCut { .. }
            | KitFinding::SiteDoesNotFit { .. }
            | KitFinding::UnknownTags { .. }
            | KitFinding::UnlistedTags { .. }
            // One for each tag, beside one of another kind.
            | KitFinding::TagOff { .. }
            | KitFinding::UnevenClock { .. }
            | KitFinding::TagOffset { .. }
            | KitFinding::Frozen { .. }
            | KitFinding::Repeated { .. }
            | KitFinding::AgeUnknown { .. }
            | KitFinding::OldFrames { .. },
            _,
        ) => std::mem::discriminant(a) == std::mem::discriminant(b),
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
pub(crate) struct ActiveKitFindings(ArrayVec<KitFinding, MAX_KIT_FINDINGS>);

impl ActiveKitFindings {
    /// What lasts.
    pub(crate) fn list(&self) -> &ArrayVec<KitFinding, MAX_KIT_FINDINGS> {
        &self.0
    }

    /// Takes over what is the case now; reports what begins and what is over.
    pub(crate) fn become_now(
        &mut self,
        at: Timestamp,
        now: ArrayVec<KitFinding, MAX_KIT_FINDINGS>,
        mut report: impl FnMut(KitChange),
    ) {
        for was in self.0.iter().filter(|w| !now.iter().any(|n| same(w, n))) {
            report(KitChange { at, finding: *was, over: true });
        }
        // A cause that becomes known is reported anew, without taking back what is still true.
        let known = |n: &KitFinding| self.0.iter().any(|w| same(w, n) && !sharper(w, n));
        for begun in now.iter().filter(|n| !known(n)) {
            report(KitChange { at, finding: *begun, over: false });
        }
        self.0 = now;
    }
}
