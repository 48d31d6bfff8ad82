//! The last frames of a tag: which came with which counter, so that one that is sent again is known.
//!
//! Kept are the counter (or clock) and a hash of the ranges of some thousand frames, minutes at any pace. A frame that
//! was there before is reported only when its ranges are not those of the newest one: those of a tag at rest may be the
//! same for ever on a coarse kit, and tell nothing.

/// Frames that are remembered: more than what a bridge's buffer of 64 KiB holds.
pub(super) const FRAMES: usize = 4096;

/// See the module's prose.
#[derive(Clone, Debug, Default)]
pub(super) struct Memory {
    /// Key and content, a ring; empty before the first frame, because a kit without either keeps none.
    frames: Box<[(u32, u32)]>,
    next: usize,
    newest: Option<u32>,
}

impl Memory {
    /// Keeps a frame.
    pub(super) fn keep(&mut self, key: u32, content: u32) {
        if self.frames.is_empty() {
            self.frames = vec![(0, 0); FRAMES].into_boxed_slice();
        }
        self.frames[self.next % FRAMES] = (key, content);
        self.next += 1;
        self.newest = Some(content);
    }

    /// Whether one of the last `among` frames had this number, give or take `reach`.
    pub(super) fn has_number(&self, number: u32, reach: u32, among: usize) -> bool {
        let kept = self.next.min(self.frames.len()).min(among);
        let mut newest_first = (1..=kept).map(|back| self.frames[(self.next - back) % FRAMES].0);
        newest_first.any(|kept| kept.abs_diff(number) <= reach)
    }

    /// Whether this frame came before, as far as that can be told.
    pub(super) fn knows(&self, key: u32, content: u32) -> bool {
        let kept = self.next.min(self.frames.len());
        self.newest != Some(content) && self.frames[..kept].contains(&(key, content))
    }
}
