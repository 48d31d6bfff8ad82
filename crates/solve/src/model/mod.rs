//! Ranges, their errors, and what a layout of anchors can tell.

pub mod congruence;
pub mod dop;
pub mod error_model;
pub(crate) mod mixture;
pub mod protection;
pub(crate) mod range_obs;
