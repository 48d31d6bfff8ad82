//! The log, in facts: why it can't be opened, written or read, and what is wrong with it just now.

mod fault;
mod problem;

pub use fault::{LogDamage, LogFault, SqliteFault};
pub use problem::{LogNote, LogProblem};
