//! Whether anything comes that positions can be made of: the engine's own time, frames, and frames for the present.
//!
//! A tag that is lost while good frames come is the tag's affair; here is what is wrong with all of them at once. The
//! stamps are those of what was published. How long is too long is the caller's: the grace of the link, and
//! [`ENGINE_ANSWERS`] for the engine.

use std::collections::BTreeMap;

use hereabout_core::{AnchorId, Doubt, Micros, Timestamp};
use hereabout_engine::JudgedEpoch;

use crate::{current::Current, hub::LinkState, v1::doubted, words};

/// The engine's time is told twice a second, and may be behind by this much.
const ENGINE_ANSWERS: Micros = Micros::from_millis(2_000);

/// The newest stamps of what was published.
#[derive(Clone, Debug, Default)]
pub(crate) struct Heard {
    /// How far the engine's time has come; `None` when nobody tells.
    engine_at: Option<Timestamp>,
    /// When the newest good frame came.
    epoch_at: Option<Timestamp>,
    /// Since when no frame may be taken for the present, and why the newest may not.
    doubted: Option<(Timestamp, Doubt)>,
    /// The newest range of each anchor.
    anchors: BTreeMap<AnchorId, Timestamp>,
}

impl Heard {
    /// The engine's time has come to `at`.
    pub(crate) fn alive(&mut self, at: Timestamp) {
        self.engine_at = Some(at);
    }

    /// Takes in an epoch.
    pub(crate) fn epoch(&mut self, epoch: &JudgedEpoch) {
        self.epoch_at = self.epoch_at.max(Some(epoch.at));
        self.doubted = epoch.doubt.map(|doubt| (self.doubted.map_or(epoch.at, |(since, _)| since), doubt));
        for range in epoch.ranges.iter().filter(|r| r.verdict.is_heard()) {
            self.anchors.insert(range.anchor, epoch.at);
        }
    }

    /// Forgets anchors that are not there any more.
    pub(crate) fn keep_anchors(&mut self, stays: impl Fn(AnchorId) -> bool) {
        self.anchors.retain(|id, _| stays(*id));
    }

    /// When the newest range of an anchor came; `None` when none did.
    pub(crate) fn anchor_at(&self, anchor: AnchorId) -> Option<Timestamp> {
        self.anchors.get(&anchor).copied()
    }

    /// Moves its stamps by `by`.
    pub(crate) fn shift(&mut self, by: Micros) {
        let doubted = self.doubted.iter_mut().map(|(since, _)| since);
        let stamps = self.engine_at.iter_mut().chain(&mut self.epoch_at).chain(doubted);
        stamps.chain(self.anchors.values_mut()).for_each(|at| *at = at.plus(by));
    }
}

/// Why no positions are to be expected just now; `None` when they are.
pub(crate) fn not_ready(current: &Current<'_>, source: &str, grace: Micros) -> Option<String> {
    let (now, clock) = (current.now, current.clock);
    let link_reason = now.link.reason.as_deref().unwrap_or("no reason known");
    if let Some(behind) = now.heard.engine_at.map(|at| clock.since(at)).filter(|b| *b > ENGINE_ANSWERS) {
        return Some(format!(
            "The engine does not answer: its time is {:.1} s behind. See the load of this computer; start the daemon \
             again if that lasts.",
            behind.secs_f64()
        ));
    }
    if !now.ever_connected {
        return Some(format!("The link to {source} was not connected yet: {link_reason}."));
    }
    if let Some(waiting) = current.waiting_for().filter(|w| *w > grace) {
        let s = waiting.secs_f64();
        return Some(format!("The link to {source} has been waiting for {s:.0} s: {link_reason}."));
    }
    if now.anchors.is_none() && now.tags.is_empty() && now.counts.epochs == 0 {
        return Some(format!(
            "Nothing usable was heard from {source} yet: see the decoder's counters in /v1/status, and [frame]."
        ));
    }
    frames_of_now(current, source, grace).or_else(|| site_in_doubt(current))
}

/// What speaks against every position: the ranges and the site file do not fit each other.
fn site_in_doubt(current: &Current<'_>) -> Option<String> {
    let said = words::kit(current.now.site_in_doubt()?, current.site.into());
    let caution = if said.on_site { format!(" {}", words::CAUTION) } else { String::new() };
    Some(format!("No position can be trusted: {}. To do: {}.{caution}", said.words, said.advice))
}

/// What is wrong with the frames of a connected link: none come, or none that may be taken for the present.
fn frames_of_now(current: &Current<'_>, source: &str, grace: Micros) -> Option<String> {
    let (now, clock) = (current.now, current.clock);
    if now.link.state != LinkState::Connected {
        return None; // it is waiting, for less than the grace
    }
    // A link that was opened again has the grace anew.
    let silent = now.heard.epoch_at.map(|at| clock.since(at.max(now.link.since)));
    if let Some(silent) = silent.filter(|s| *s > grace) {
        return Some(format!(
            "No good frame was heard from {source} for {:.0} s, although the link is connected: see the kit in /v1/anchors \
             and the decoder's counters in /v1/status.",
            silent.secs_f64()
        ));
    }
    let (since, doubt) = now.heard.doubted?;
    let for_so_long = clock.since(since);
    (for_so_long > grace).then(|| {
        format!(
            "No frame from {source} could be taken for the present for {:.0} s: {}.",
            for_so_long.secs_f64(),
            doubted(doubt).1
        )
    })
}

#[cfg(test)]
#[path = "heard_tests.rs"]
mod tests;
