//! Simulated boards and tags at known points, and the study of blocked paths that is made with them.

mod blocked_study;
pub(crate) mod simulation;
