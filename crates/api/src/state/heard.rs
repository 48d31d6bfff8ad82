//! The newest stamps of what was published: the engine's own time, frames, frames for the present, and ranges.

use std::collections::BTreeMap;

use hereabout_core::{AnchorId, Doubt, JudgedEpoch, Micros, Timestamp};

/// The newest stamps of what was published.
#[derive(Clone, Debug, Default)]
pub(crate) struct Heard {
    /// How far the engine's time has come; `None` when nobody reports it.
    pub(crate) engine_at: Option<Timestamp>,
    /// When the newest good frame came.
    pub(crate) epoch_at: Option<Timestamp>,
    /// Since when no frame may be taken for the present, and why the newest may not.
    pub(crate) doubted: Option<(Timestamp, Doubt)>,
    /// The newest range of each anchor.
    anchors: BTreeMap<AnchorId, Timestamp>,
}

impl Heard {
    /// The engine's time has come to `at`.
    pub(crate) fn alive(&mut self, at: Timestamp) {
        self.engine_at = Some(at);
    }

    /// Takes in the stamps of an epoch, its doubt, and of each anchor that answered.
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
