//! What the operating system refused, what is wrong with a file, and what is wrong with the log.

pub mod file;
pub mod io;
pub mod log;
