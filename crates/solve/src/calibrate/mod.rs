//! Offsets of boards, from tags that stand or move at known places.

pub mod adjust;
mod blocked;
pub mod displacement;
pub(crate) mod fault;
pub mod known_path;
pub mod occupation;

#[cfg(test)]
pub(crate) mod tests;
