//! What comes out of the engine, by subject. Internal types: `api` owns the bodies that leave over HTTP, `store` owns
//! the rows. Positions and ranges are those of `core`.

mod anchor;
mod kit;
mod queue;
mod shift;
mod tag;
mod zone;

use std::sync::Arc;

use hereabout_core::{JudgedEpoch, PositionReport, TagId, Timestamp};

pub use anchor::{
    AnchorChange, AnchorFinding, AnchorFindingKind, AnchorHealth, AnchorMinute, AnchorTable, CannotTell,
    FindingChange, MAX_FINDINGS, PlaceAnswer,
};
pub use kit::{KitChange, KitFinding, MAX_KIT_FINDINGS, NAMED_TAGS, Unsettled};
pub(crate) use queue::{Outputs, TableRoom};
pub use tag::{TagChange, TagLife};
pub use zone::{ZoneReport, ZoneWhy};

/// What the engine says.
#[derive(Clone, Debug, PartialEq)]
#[expect(
    clippy::large_enum_variant,
    reason = "outputs are made and used up at once: a box for each would only add work"
)]
pub enum Output {
    /// Every range of one epoch with its verdict. Comes before the position of the same epoch.
    Ranges(JudgedEpoch),
    /// Where a tag is, or that this is not known.
    Position(PositionReport),
    /// Where a tag was a moment ago, smoothed with what came after; only when the site asks for it.
    /// Numbered on its own.
    Delayed(PositionReport),
    /// Health of all anchors: once a second of data time while anything is heard, and at once when
    /// the state of an anchor changes.
    Anchors(Arc<AnchorTable>),
    /// An anchor was heard again or fell silent. Comes before the table that shows it.
    AnchorChanged(AnchorChange),
    /// Something was found about an anchor, or is over. Comes before the table that shows it.
    FindingChanged(FindingChange),
    /// The same about the kit as a whole.
    KitChanged(KitChange),
    /// One anchor's last full minute of data time.
    Minute(AnchorMinute),
    /// A tag and a zone: after every position of the tag, and when a time runs out.
    Zone(ZoneReport),
    /// An input older than the one before it was left out.
    OutOfOrder {
        /// Its stamp.
        at: Timestamp,
        /// The newest stamp before it.
        newest: Timestamp,
    },
    /// A tag was admitted or retired. An admission comes before the first ranges that are taken for the tag's.
    TagChanged(TagChange),
    /// A frame of a tag beyond the number that is kept apart was left out.
    TooManyTags {
        /// The frame's stamp.
        at: Timestamp,
        /// The tag that has no room.
        tag: TagId,
    },
}
