//! The one place that knows the order of the stages: frame → of a tag or not → fresh or not → epoch → corrected ranges → solution →
//! published report and anchor health.
//!
//! The engine is a state machine: [`Engine::handle`] takes an [`Input`], [`Engine::poll_output`]
//! gives what came of it, [`Engine::poll_deadline`] says when it wants to be woken next. It reads no
//! clock. Before an input at t every deadline at or before t fires in order, stamped with its own
//! due time; so a replay that feeds the same inputs gets the same outputs, bit for bit, however late
//! the live run was woken.
#![forbid(unsafe_code)]

pub mod accuracy;
pub mod commission;
mod engine;
mod epoch;
mod estimate;
mod fit_input;
mod freshness;
mod gather;
pub mod hearing;
mod outputs;
pub mod picture;
mod plain;
mod report;
mod roster;
mod series;
mod shift;
mod start;
mod tag;
pub mod tally;
mod tracked;
mod watch;
mod zones;

pub use engine::Engine;
pub use epoch::epoch_from_frame;
pub use fit_input::{fit_ranges, fit_setup};
pub use freshness::frozen_can_be_told;
pub use hereabout_core::MAX_TAGS;
pub use report::{
    AnchorChange, AnchorFinding, AnchorHealth, AnchorMinute, AnchorSet, AnchorState, AnchorTable, CannotTell,
    FindingChange, Input, JudgedEpoch, JudgedRange, KitChange, KitFinding, MAX_FINDINGS, MAX_KIT_FINDINGS,
    NAMED_TAGS, Output, Place, PlaceAnswer, PositionReport, RejectedRange, TagChange, TagLife, Unsettled,
    ZoneReport, ZoneWhy,
};
pub use start::{InheritedAnchor, InheritedTag, StartState};
pub use watch::{KitWatch, SILENT_AFTER};
