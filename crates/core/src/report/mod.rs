//! What is said of positions and ranges: made by the engine, taken by whoever judges, stores or serves it.

mod position;
mod range;

pub use position::{Location, Place, PositionReport, RejectedRange, TagPlace};
pub use range::{JudgedEpoch, JudgedRange};
