//! Commands that end by themselves.
//!
//! - `cli`: what they print and how they end
//! - `hearing`: learn, listen and start, also on terminals
//! - `commissioning`: calibrate, verify, report, and a calibration that a running daemon takes over
//! - `plausible`: numbers that no board and no tag can have, and going back from a first calibration
//! - `runnable`: `check` refuses what `run` refuses; names that move a cursor reach no terminal
//! - `datasets`: real data sets with ground truth, when they are there

mod cli;
mod commissioning;
mod datasets;
pub(crate) mod hearing;
mod plausible;
mod runnable;
