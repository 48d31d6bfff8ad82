//! The one place that knows the order of the stages: frame → of a tag or not → fresh or not → epoch → corrected ranges → solution →
//! published report and anchor health.
//!
//! The engine is a state machine: [`Engine::handle`] takes an [`Input`], [`Engine::poll_output`]
//! gives what came of it, [`Engine::poll_deadline`] says when it wants to be woken next. It reads no
//! clock. Before an input at t every deadline at or before t fires in order, stamped with its own
//! due time; so a replay that feeds the same inputs gets the same outputs, bit for bit, however late
//! the live run was woken.
#![forbid(unsafe_code)]

mod engine;
mod epoch;
mod estimate;
mod fit_input;
mod freshness;
mod input;
mod judging;
mod output;
mod roster;
mod start;
mod tag;
mod watch;
mod zones;

pub use engine::Engine;
pub use epoch::{epoch_by_field, epoch_from_frame};
pub use fit_input::{fit_ranges, fit_setup};
pub use freshness::frozen_is_detectable;
pub use input::Input;
pub use output::{
    AnchorChange, AnchorFinding, AnchorFindingKind, AnchorHealth, AnchorMinute, AnchorTable, CannotTell,
    FindingChange, KitChange, KitFinding, MAX_FINDINGS, MAX_KIT_FINDINGS, NAMED_TAGS, Output, PlaceAnswer,
    TagChange, TagLife, Unsettled, ZoneReport, ZoneWhy,
};
pub use start::{InheritedAnchor, InheritedTag, StartState};
pub use watch::KitWatch;
