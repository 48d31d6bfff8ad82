//! Domain types of hereabout: time, ids, the validated site, and the border types that pass
//! from one stage to the next.
//!
//! Everything here is plain data with units in the names. There is no I/O, no clock and no
//! logging: [`Timestamp`] has no `now()`, because time comes with the data and a replay must see
//! exactly what the live run saw.
//!
//! The way of the data, with the crate that makes each type:
//!
//! ```text
//! Chunk (ingest) -> Frame (wire) -> Epoch (engine) -> Solution (solve) -> reports (engine)
//! ```
#![forbid(unsafe_code)]

mod anchor_set;
mod correction_limits;
mod epoch;
mod file_fault;
mod frame;
pub mod geometry;
mod ids;
mod io_fault;
mod link;
mod log;
mod plain_text;
pub mod plausible;
mod report;
pub mod series;
mod site;
mod time;
mod verdict;

pub use anchor_set::AnchorSet;
pub use epoch::{Epoch, RangeReading};
pub use file_fault::{FileFault, FileOwner};
pub use frame::{Frame, Word};
pub use ids::{AnchorId, TagId};
pub use io_fault::{FileKind, IoFault, odd_kind};
pub use link::{CaptureFault, Holder, LinkCounts, LinkReason, SourceFault, TimesProblem};
pub use log::{LogDamage, LogFault, LogNote, LogProblem, SqliteFault};
pub use plain_text::{escaped, escaped_lines, is_plain};
pub use report::{JudgedEpoch, JudgedRange, Location, Place, PositionReport, RejectedRange, TagPlace};
pub use site::{
    Anchor, Correction, Dimension, Estimator, Fence, KeyStep, MirrorSide, NeverKnown, OtherSite, Severity,
    Site, SiteDraft, SiteFinding, SiteProblem, SiteTag, TrackSettings, Zone, ZoneRule, ZoneShape,
};
pub use time::{Micros, Timestamp};
pub use verdict::{
    AnchorState, Doubt, NoFixReason, RejectReason, SILENT_AFTER, TagState, Verdict, ZoneState,
};

/// The most anchors that one site may have, and the most range fields of one frame.
///
/// The stated kit has eight; twice that leaves room and keeps every table on the stack.
pub const MAX_ANCHORS: usize = 16;

/// The most tags that are kept apart at a time, and the most that a site may list. A kit has a handful.
pub const MAX_TAGS: usize = 32;

/// The most zones that one site may have. Each is judged with every position of every tag.
pub const MAX_ZONES: usize = 64;

/// The most corners that one site may have, over its area, its zones and what is cut out of them.
pub const MAX_CORNERS: usize = 1_000;
