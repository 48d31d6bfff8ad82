//! What a technician is told about an anchor, from its health row.
//!
//! The engine's findings come first. Where it has none, figures of the last 10 s that look bad are a remark
//! and no more: a misfit tells that something is wrong, not with which anchor, and ten seconds may be one path of the tag.
//! So a remark sends nobody to an anchor. The limits of a remark are
//! common practice, no source. They only choose words; nothing is computed from them.

use hereabout_core::{Anchor, AnchorId};
use hereabout_engine::{AnchorFinding, AnchorHealth, AnchorState, KitFinding};

use crate::phrases::{Said, instant};
use crate::words;

/// Heard in fewer of the frames than this: weak.
const WEAK_SHARE: f64 = 0.5;
/// More of its ranges left out than this: something is in the way.
const REJECTED_SHARE: f64 = 0.25;
/// A mean residual above this is no noise, metres.
const MEAN_RESIDUAL_M: f64 = 0.15;

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
            true => Said { advice: "see what is said of the kit as a whole first".to_owned(), ..said },
            false => said,
        }
    }

    /// Why no anchor can be heard, whatever it does itself; `None` when there is no such reason.
    pub(crate) fn nothing_is_heard(&self) -> Option<&'static str> {
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
            return Some("nothing is heard at all: see to the link first (/v1/status)");
        }
        if self.overdue {
            return Some("nothing newer was said of any anchor: see /v1/status first");
        }
        self.kit
            .iter()
            .chain(self.by_bytes)
            .any(all)
            .then_some("it is not alone: see what is said of the kit as a whole first")
    }
}

/// What is the matter with one anchor.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Diagnosis {
    /// Worst first, each with its words.
    pub(crate) findings: Vec<(AnchorFinding, Said)>,
    /// What its figures suggest when nothing is found.
    remark: Option<(u8, Said)>,
    /// How positions treat it for that; `None` when they use it like any other.
    pub(crate) treated: Option<&'static str>,
}

impl Diagnosis {
    /// `health` is `None` before the engine's first report.
    pub(crate) fn of(anchor: AnchorId, health: Option<&AnchorHealth>, around: Around<'_>) -> Diagnosis {
        let found = found(health);
        let remark = health.filter(|_| found.is_empty()).and_then(remark);
        let remark = remark.map(|(rank, said)| (rank, around.of_the_site(said)));
        let treated = words::treated(&found, health.is_some_and(|h| h.set_aside));
        let said = |f: AnchorFinding| (f, said(f, anchor, health, around));
        Diagnosis { findings: found.into_iter().map(said).collect(), remark, treated }
    }

    /// 0 for the worst.
    pub(crate) fn rank(&self) -> u8 {
        match (self.findings.first(), &self.remark) {
            (Some((finding, _)), _) => finding.rank(),
            (None, Some((rank, _))) => *rank,
            (None, None) => u8::MAX,
        }
    }

    /// All that is said, worst first.
    pub(crate) fn said(&self) -> impl Iterator<Item = &Said> {
        self.findings.iter().map(|(_, said)| said).chain(self.remark.iter().map(|(_, said)| said))
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
        let place = found.iter().position(|f| f.rank() > missing.rank()).unwrap_or(found.len());
        found.insert(place, missing);
    }
    found
}

fn said(finding: AnchorFinding, anchor: AnchorId, health: Option<&AnchorHealth>, around: Around<'_>) -> Said {
    let mut said = words::finding(&finding, anchor, around.anchors);
    if matches!(finding, AnchorFinding::Silent | AnchorFinding::NeverHeard) {
        if let (AnchorFinding::Silent, Some(since)) = (finding, health.and_then(|h| h.since)) {
            said.words = format!("silent since {}", instant(since));
        }
        if let Some(why) = around.nothing_is_heard() {
            why.clone_into(&mut said.advice);
            said.on_site = false;
        }
    }
    said
}

/// What the figures of the last 10 s suggest, with its rank.
fn remark(h: &AnchorHealth) -> Option<(u8, Said)> {
    let said = |words: String, advice: &str| Said { words, advice: advice.to_owned(), on_site: false };
    let percent = |share: f64| format!("{:.0} %", share * 100.0);
    let rejected = h.rejected_share.filter(|s| *s > REJECTED_SHARE).map(|share| {
        let words = format!("{} of its ranges do not fit at present; the cause is not found", percent(share));
        (100, said(words, "look again when the tag has moved on"))
    });
    let weak = h.share.filter(|s| *s < WEAK_SHARE).map(|share| {
        let words = format!("a range in only {} of the frames at present", percent(share));
        (101, said(words, "look again when the tag has moved on"))
    });
    let biased = h.mean_residual_m.filter(|m| m.abs() > MEAN_RESIDUAL_M).map(|m| {
        let way = if m > 0.0 { "long" } else { "short" };
        let words = format!("reads {:.2} m {way} at present; the cause is not found", m.abs());
        (102, said(words, "look again when the tag has moved on"))
    });
    rejected.or(weak).or(biased)
}

#[cfg(test)]
#[path = "health_tests.rs"]
mod tests;
