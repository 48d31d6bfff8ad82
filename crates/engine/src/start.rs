//! What a session hands on to the next one when the configuration changes.
//!
//! **Kept is what is still true**: which tags are admitted, which anchors were heard, the numbers of the messages, and the raw ranges of the last
//! [`KEPT_FOR`]. The engine of the new configuration takes those in without a word. So its tracks, what it learned of the
//! anchors, and the metres that the watch counts are those that *its* offsets and places give, not those of before,
//! which may be wrong now. Zones are unknown until they are earned again; the first position says `restarted`.
//!
//! All of it stands in the new session's first rows, so that the session replays by itself.

use std::collections::VecDeque;

use arrayvec::ArrayVec;
use hereabout_core::{AnchorId, Epoch, MAX_ANCHORS, Micros, TagId, Timestamp};

/// Ranges that are handed on: as many metres of a cart as the watch needs, and more.
const KEPT_FOR: Micros = Micros::from_millis(180_000);
/// And so many epochs at most.
const KEPT: usize = 1200;

/// What an engine begins with.
#[derive(Clone, Debug, PartialEq)]
pub struct StartState {
    /// The instant up to which it was known.
    pub at: Timestamp,
    /// Numbers of the last position, delayed position and zone report.
    pub seq: u64,
    /// See `seq`.
    pub delayed_seq: u64,
    /// See `seq`.
    pub zone_seq: u64,
    /// The admitted tags, in the order of their slots. Those of a log of before are not known: its epochs admit them.
    pub tags: Vec<InheritedTag>,
    /// Anchors that have been heard.
    pub anchors: ArrayVec<InheritedAnchor, MAX_ANCHORS>,
    /// The last epochs, oldest first.
    pub epochs: Vec<Epoch>,
}

/// What was known of an admitted tag.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct InheritedTag {
    /// The number that the kit gives the tag.
    pub tag: TagId,
    /// Stamp of its last frame.
    pub last_heard: Timestamp,
}

impl StartState {
    /// The same without what is held against an anchor that was mended: the ranges of before are another board's or come from
    /// another place. Its evidence begins anew; the others' is what the last epochs give.
    pub fn mended(mut self, anchor: AnchorId) -> StartState {
        for epoch in &mut self.epochs {
            epoch.readings.retain(|r| r.anchor != anchor);
        }
        self
    }
}

/// What was known of an anchor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct InheritedAnchor {
    /// Id in the site file.
    pub anchor: AnchorId,
    /// It had fallen silent.
    pub silent: bool,
    /// Since when it was heard, or silent.
    pub since: Timestamp,
    /// Stamp of its last range.
    pub last_heard: Timestamp,
    /// Its last range after the correction of then, metres.
    pub last_range_m: Option<f64>,
}

/// The last epochs, for whoever comes next.
#[derive(Clone, Debug, Default)]
pub(crate) struct Recent(VecDeque<Epoch>);

impl Recent {
    /// Keeps an epoch; its room is made with the first one.
    pub(crate) fn keep(&mut self, epoch: &Epoch) {
        if self.0.capacity() == 0 {
            self.0.reserve_exact(KEPT);
        }
        if self.0.len() >= KEPT {
            self.0.pop_front();
        }
        self.0.push_back(epoch.clone());
    }

    /// Those that are not too old at `at`, oldest first.
    pub(crate) fn at(&self, at: Timestamp) -> Vec<Epoch> {
        self.0.iter().filter(|e| at.since(e.at) <= KEPT_FOR).cloned().collect()
    }
}
