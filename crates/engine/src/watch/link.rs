//! What the engine cannot see because no frame reaches it: a cable that is out, frames that are damaged.
//!
//! [`KitWatch`] is fed the decoder's totals about twice a second. No byte for [`NO_BYTE`], or a link that has been
//! down for [`LINK_DOWN`], is a cable out: a tag that is off and anchors that are gone leave the primary anchor's frames
//! coming, which is how the three are told apart. Before the first byte of a session the same holds from the first feed on.
//!
//! *Frames cut*: damaged pieces (bad checksums, or skipped bytes in frame lengths, whichever is more) as a
//! share of all pieces of the last minute.

use arrayvec::ArrayVec;
use hereabout_core::{LinkCounts, Micros, Timestamp};

use super::active_findings::ActiveKitFindings;
use crate::output::{KitChange, KitFinding, MAX_KIT_FINDINGS};

/// Without a byte for this long the cable is out.
const NO_BYTE: Micros = Micros::from_millis(2_500);
/// A link that is down is given this long to come back.
const LINK_DOWN: Micros = Micros::from_millis(2_000);
/// Slices of the last minute, and the length of one.
const SLICES: usize = 12;
const SLICE: Micros = Micros::from_millis(5_000);
/// Share of damaged pieces that begins and ends the finding, and the pieces that it takes.
const CUT: f64 = 0.05;
const CUT_OVER: f64 = 0.02;
const CUT_MIN_FRAMES: f64 = 3.0;

/// Damaged pieces and their share of all; `None` without anything to judge.
fn damage(counts: &LinkCounts) -> Option<(f64, f64)> {
    if counts.bytes == 0 {
        return None;
    }
    let good = counts.bytes.saturating_sub(counts.skipped_bytes) as f64;
    // Without a good frame nothing tells how long one is; sixteen bytes are a small one.
    let frame_bytes = if counts.frames > 0 { (good / counts.frames as f64).max(1.0) } else { 16.0 };
    let bad = (counts.bad_checksum as f64).max(counts.skipped_bytes as f64 / frame_bytes);
    let all = bad + counts.frames as f64;
    (all > 0.0).then(|| (bad, bad / all))
}

/// Watches a link; see the module.
#[derive(Clone, Debug, Default)]
pub struct KitWatch {
    last: Option<LinkCounts>,
    /// When the newest byte was seen, or the watch began.
    last_byte: Option<Timestamp>,
    down_since: Option<Timestamp>,
    slices: [LinkCounts; SLICES],
    slice: usize,
    slice_began: Option<Timestamp>,
    active: ActiveKitFindings,
}

impl KitWatch {
    /// A watch that has seen nothing yet.
    pub fn new() -> KitWatch {
        KitWatch::default()
    }

    /// Takes in the totals as they stand at `at`, about every half second, whether anything came or not; gives what
    /// begins and what is over. A stamp before an earlier one counts as that one.
    pub fn feed(
        &mut self,
        at: Timestamp,
        link_up: bool,
        counts: LinkCounts,
    ) -> impl Iterator<Item = KitChange> + use<> {
        let came = counts.since(self.last.as_ref().unwrap_or(&counts));
        self.last = Some(counts);
        if self.last_byte.is_none() || came.bytes > 0 {
            self.last_byte = Some(at);
        }
        self.down_since = if link_up { None } else { Some(self.down_since.unwrap_or(at)) };
        self.turn_slices(at);
        self.slices[self.slice].add(&came);
        let mut changes = ArrayVec::<KitChange, { 2 * MAX_KIT_FINDINGS }>::new();
        let now = self.now(at);
        self.active.become_now(at, now, |change| changes.push(change));
        changes.into_iter()
    }

    /// What lasts.
    pub fn findings(&self) -> &[KitFinding] {
        self.active.list()
    }

    fn turn_slices(&mut self, at: Timestamp) {
        let began = *self.slice_began.get_or_insert(at);
        if at.since(began) >= SLICE {
            self.slice_began = Some(at);
            self.slice = (self.slice + 1) % SLICES;
            self.slices[self.slice] = LinkCounts::default();
        }
    }

    fn now(&self, at: Timestamp) -> ArrayVec<KitFinding, MAX_KIT_FINDINGS> {
        let mut now = ArrayVec::new();
        let quiet = self.last_byte.is_some_and(|t| at.since(t) >= NO_BYTE);
        let down = self.down_since.is_some_and(|t| at.since(t) >= LINK_DOWN);
        if quiet || down {
            now.push(KitFinding::CableOut);
        }
        let mut minute = LinkCounts::default();
        self.slices.iter().for_each(|s| minute.add(s));
        let was = self.findings().iter().any(|f| matches!(f, KitFinding::FramesCut { .. }));
        let limit = if was { CUT_OVER } else { CUT };
        if let Some((bad, share)) = damage(&minute)
            && share >= limit
            && (was || bad >= CUT_MIN_FRAMES)
        {
            now.push(KitFinding::FramesCut { share });
        }
        now
    }
}

#[cfg(test)]
mod tests;
