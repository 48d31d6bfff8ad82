//! What the operating system refused, what is wrong with a file, what is wrong with the log, and why the service can't
//! listen.

pub mod file;
pub mod io;
pub mod listen;
pub mod log;
