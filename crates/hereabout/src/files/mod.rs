//! Files that people name on a command line: read whole, written whole, never one over the other.

pub mod input_file;
pub mod outputs;
pub mod paths;
