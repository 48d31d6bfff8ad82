//! The hereabout daemon and its commands: command line, site file, wiring, shutdown. No arithmetic:
//! that lives in `solve`, its order in `engine`.
//!
//! `main` parses the command line and calls [`commands`]; tests drive the same functions.
#![forbid(unsafe_code)]

// First, because its macros hold for the modules below it.
#[macro_use]
pub mod terminal;

pub mod access;
pub mod calibration;
pub mod cli;
pub mod commands;
pub mod daemon;
pub mod exit;
pub mod files;
mod picture;
pub mod recording;
pub mod site_file;
pub mod source;
pub mod survey;
pub mod toml_doc;
