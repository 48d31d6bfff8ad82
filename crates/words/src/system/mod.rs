//! What the operating system refused.

pub mod io;
