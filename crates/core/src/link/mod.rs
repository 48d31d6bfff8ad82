//! The link to a kit: why it is not there, and what came over it.

mod counts;
mod reason;
mod source_fault;

pub use counts::LinkCounts;
pub use reason::{CaptureFault, Holder, LinkReason, TimesProblem};
pub use source_fault::SourceFault;
