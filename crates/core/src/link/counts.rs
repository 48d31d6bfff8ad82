//! What came over the link, counted.

/// What the decoder made of the bytes since the daemon began, all sessions together.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LinkCounts {
    /// Bytes that came in.
    pub bytes: u64,
    /// Good frames.
    pub frames: u64,
    /// Frames with a wrong checksum.
    pub bad_checksum: u64,
    /// Bytes that belonged to no good frame.
    pub skipped_bytes: u64,
}

impl LinkCounts {
    /// What came since `earlier`; totals that went back began anew.
    #[must_use]
    pub fn since(&self, earlier: &LinkCounts) -> LinkCounts {
        let since = |now: u64, then: u64| if now >= then { now - then } else { now };
        LinkCounts {
            bytes: since(self.bytes, earlier.bytes),
            frames: since(self.frames, earlier.frames),
            bad_checksum: since(self.bad_checksum, earlier.bad_checksum),
            skipped_bytes: since(self.skipped_bytes, earlier.skipped_bytes),
        }
    }

    /// Adds what came besides.
    pub fn add(&mut self, more: &LinkCounts) {
        self.bytes = self.bytes.saturating_add(more.bytes);
        self.frames = self.frames.saturating_add(more.frames);
        self.bad_checksum = self.bad_checksum.saturating_add(more.bad_checksum);
        self.skipped_bytes = self.skipped_bytes.saturating_add(more.skipped_bytes);
    }
}
