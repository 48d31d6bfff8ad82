//! Numbers alone: matrices, least squares, distributions, circles and ellipses.

pub mod distribution;
pub mod geometry;
pub mod least_squares;
pub mod linear;
pub mod metrics;
pub(crate) mod radius;
pub mod robust;
pub(crate) mod small_matrix;
