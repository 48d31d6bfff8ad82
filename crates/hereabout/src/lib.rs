//! The hereabout daemon and its commands: command line, site file, wiring, shutdown. No arithmetic:
//! that lives in `solve`, its order in `engine`.
//!
//! `main` parses the command line and calls [`commands`]; tests drive the same functions.
#![forbid(unsafe_code)]

// First, because its macros hold for the modules below it.
#[macro_use]
pub mod said;

mod adapter;
pub mod calibration_file;
mod clerk;
pub mod cli;
pub mod commands;
pub mod exit;
mod fit_test;
pub mod input_file;
pub mod keeper;
pub mod key_file;
pub mod kit_feeder;
pub mod kit_file;
mod link_log;
pub mod losses;
pub mod open_files;
mod other_sites;
pub mod outputs;
mod place_checks;
pub mod pump;
pub mod recording;
mod reload_pace;
mod rows;
pub mod runnable;
mod site_calibration;
pub mod site_file;
mod site_picture;
pub mod sitting;
pub mod socket_file;
mod source;
mod sparkline;
pub mod spots;
pub mod tables;
mod terminal;
pub mod toml_doc;
mod track_picture;
pub mod wall_clock;
