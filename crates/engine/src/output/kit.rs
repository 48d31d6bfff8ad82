//! What is the matter with the kit as a whole.

use hereabout_core::{Micros, TagId, Timestamp};
use hereabout_solve::fit::SiteDoubt;

/// What is the matter with the kit as a whole.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum KitFinding {
    /// Frames come, but none of the anchors has a range of this tag any more, all at once: the tag is off.
    TagOff {
        /// The number that the kit gives the tag.
        tag: TagId,
    },
    /// Frames come, and the anchors fell silent one after the other, or all but the primary one.
    AnchorsGone,
    /// Frames come without ranges, and nothing tells the tag from the anchors.
    NobodyAnswers,
    /// No byte comes at all.
    CableOut,
    /// Many frames are cut or damaged on their way.
    FramesCut {
        /// Share of the frames of the last minute that were lost.
        share: f64,
    },
    /// The frames of a tag come unevenly.
    UnevenClock {
        /// Which tag's.
        tag: TagId,
        /// Median time between two frames.
        usual: Micros,
        /// The longest gap of the last minute.
        longest: Micros,
        /// Share of the gaps that are off by more than half.
        share: f64,
    },
    /// Frames come whose ranges are bit for bit those of before: the module hangs.
    Frozen {
        /// Which tag's.
        tag: TagId,
    },
    /// Frames come that came before: the counter stands still, or old ones are sent again.
    Repeated {
        /// Which tag's.
        tag: TagId,
    },
    /// Frames come that were measured too long ago.
    OldFrames {
        /// Which tag's.
        tag: TagId,
        /// How long ago, at least.
        age: Micros,
    },
    /// Frames come, and nobody can say how old they are: the pace is not the kit's own.
    AgeUnknown {
        /// Which tag's.
        tag: TagId,
    },
    /// The ranges and the site file do not belong to each other: a wrong setting, or a wrong place.
    SiteDoesNotFit {
        /// What speaks against it, and the likely cause.
        doubt: SiteDoubt,
    },
    /// Frames come with tag numbers that never settle: damaged on their way, or several tags at one place.
    UnknownTags {
        /// Such frames within the last minute.
        count: u32,
        /// The newest of these numbers, or the one that the reason is about.
        example: TagId,
        /// Why they never settle.
        why: Unsettled,
    },
    /// Tags are heard that the site does not list; they are not tracked.
    UnlistedTags {
        /// How many of the last minute.
        count: u32,
        /// Some of them.
        tags: [Option<TagId>; NAMED_TAGS],
    },
    /// All anchors read longer or shorter by one length to this tag, but not to the others: the tag's own offset.
    TagOffset {
        /// The number that the kit gives the tag.
        tag: TagId,
        /// By how much, metres; positive when they read long.
        by_m: f64,
    },
}

/// Why numbers never settle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Unsettled {
    /// They come now and then at the place of a tag: damaged on their way.
    Damaged,
    /// It comes about as often as another number, from the same place: two tags there.
    OnePlace {
        /// The other number.
        like: TagId,
    },
    /// They come too seldom to be told from damaged ones yet.
    TooSeldom,
}

/// Tags that are named at a time.
pub const NAMED_TAGS: usize = 4;

/// Findings about the kit that last at the same time.
pub const MAX_KIT_FINDINGS: usize = 8;

/// Something was found about the kit, or is over.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KitChange {
    /// In the time scale of the session.
    pub at: Timestamp,
    /// With its evidence of that instant.
    pub finding: KitFinding,
    /// It is over.
    pub over: bool,
}
