//! Offsets of boards, from tags that stand or move at known places.

pub mod adjust;
mod blocked;
pub mod bump;
pub mod known_path;
pub(crate) mod misfit;
pub mod stand;

#[cfg(test)]
mod blocked_study;
#[cfg(test)]
pub(crate) mod calibration_sim;
