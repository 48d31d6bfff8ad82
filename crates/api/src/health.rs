//! What a technician reads about an anchor, from its health row.
//!
//! The engine's findings come first. Where it has none, figures of the last 10 s that look bad are a remark
//! ([`anchor::remark`]) and no more.

use hereabout_core::{Anchor, AnchorId, AnchorState};
use hereabout_engine::{AnchorFinding, AnchorHealth, KitFinding};
use hereabout_words::Said;
use hereabout_words::anchor::{self, LookFirst};

/// What an anchor is seen with.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Around<'a> {
    /// The anchors of the site, in its order.
    pub(crate) anchors: &'a [Anchor],
    /// What is the matter with the kit as a whole.
    pub(crate) kit: &'a [KitFinding],
    /// The same, as far as the bytes alone tell it.
    pub(crate) by_bytes: &'a [KitFinding],
    pub(crate) link_is_up: bool,
    /// The engine says nothing of anchors although it should.
    pub(crate) overdue: bool,
}

impl Around<'_> {
    /// A remark about one anchor, which is none of its own while nothing fits.
    fn of_the_site(&self, said: Said) -> Said {
        let all = |k: &KitFinding| matches!(k, KitFinding::SiteDoesNotFit { doubt } if doubt.all);
        match self.kit.iter().any(all) {
            true => said.look_first(LookFirst::Kit),
            false => said,
        }
    }

    /// Why no anchor can be heard, whatever it does itself; `None` when there is no such reason.
    pub(crate) fn nothing_is_heard(&self) -> Option<LookFirst> {
        // With these the anchors are heard all the same.
        let some = |k: &KitFinding| {
            matches!(
                k,
                KitFinding::FramesCut { .. }
                    | KitFinding::UnevenClock { .. }
                    | KitFinding::SiteDoesNotFit { .. }
                    | KitFinding::UnknownTags { .. }
                    | KitFinding::UnlistedTags { .. }
                    | KitFinding::TagOffset { .. }
            )
        };
        let all = |k: &KitFinding| !some(k);
        if !self.link_is_up {
            return Some(LookFirst::Link);
        }
        if self.overdue {
            return Some(LookFirst::Status);
        }
        self.kit.iter().chain(self.by_bytes).any(all).then_some(LookFirst::NotAlone)
    }
}

/// What is the matter with one anchor.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Diagnosis {
    /// Worst first, each with its words.
    pub(crate) findings: Vec<(AnchorFinding, Said)>,
    /// What its figures suggest when nothing is found.
    remark: Option<Said>,
    /// How positions treat it for that; `None` when they use it like any other.
    pub(crate) treated: Option<&'static str>,
}

impl Diagnosis {
    /// `health` is `None` before the engine's first report.
    pub(crate) fn of(id: AnchorId, health: Option<&AnchorHealth>, around: Around<'_>) -> Diagnosis {
        let found = found(health);
        let remark = health.filter(|_| found.is_empty()).and_then(anchor::remark);
        let remark = remark.map(|said| around.of_the_site(said));
        let treated = anchor::treated(&found, health.is_some_and(|h| h.excluded));
        let said = |f: AnchorFinding| (f, said(f, id, health, around));
        Diagnosis { findings: found.into_iter().map(said).collect(), remark, treated }
    }

    /// 0 for the worst.
    pub(crate) fn rank(&self) -> u8 {
        self.said().next().and_then(|said| said.rank).unwrap_or(u8::MAX)
    }

    /// All that is said, worst first.
    pub(crate) fn said(&self) -> impl Iterator<Item = &Said> {
        self.findings.iter().map(|(_, said)| said).chain(&self.remark)
    }

    /// What to do about the worst of it; `None` when there is nothing to do.
    pub(crate) fn advice(&self) -> Option<&str> {
        self.said().next().map(|said| said.advice.as_str())
    }
}

/// The engine's findings, and silence where a row shows it and no finding says it.
fn found(health: Option<&AnchorHealth>) -> Vec<AnchorFinding> {
    let Some(h) = health else { return vec![AnchorFinding::NeverHeard] };
    let mut found = h.findings.to_vec();
    let missing = match h.state {
        AnchorState::Heard => None,
        AnchorState::Silent => Some(AnchorFinding::Silent),
        AnchorState::NeverHeard => Some(AnchorFinding::NeverHeard),
    };
    let flaps = |f: &AnchorFinding| matches!(f, AnchorFinding::Flapping { .. });
    // An anchor that comes and goes is no case for the advice for one that is away.
    if let Some(missing) = missing.filter(|m| !found.contains(m) && !found.iter().any(flaps)) {
        let place = found.iter().position(|f| f.kind() > missing.kind()).unwrap_or(found.len());
        found.insert(place, missing);
    }
    found
}

fn said(finding: AnchorFinding, id: AnchorId, health: Option<&AnchorHealth>, around: Around<'_>) -> Said {
    let mut said = anchor::found(&finding, id, around.anchors);
    if matches!(finding, AnchorFinding::Silent | AnchorFinding::NeverHeard) {
        if let (AnchorFinding::Silent, Some(since)) = (finding, health.and_then(|h| h.since)) {
            said = said.silent_since(since);
        }
        if let Some(place) = around.nothing_is_heard() {
            said = said.look_first(place);
        }
    }
    said
}

#[cfg(test)]
mod tests;
