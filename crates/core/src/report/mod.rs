//! What is said of positions and ranges: made by the engine, taken by whoever judges, stores or serves it.

mod position;
mod range;

pub use position::{Place, PositionReport, RejectedRange};
pub use range::{JudgedEpoch, JudgedRange};
