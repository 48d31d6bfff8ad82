//! The link to a kit: why it is not there, and what came over it.

mod counts;
mod reason;

pub use counts::LinkCounts;
pub use reason::{CaptureFault, Holder, LinkReason, TimesProblem};
