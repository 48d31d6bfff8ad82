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
mod calibration_words;
mod clerk;
pub mod cli;
pub mod commands;
pub mod exit;
mod fit_test;
mod hearing_words;
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
pub mod runnable;
mod site_calibration;
mod site_facts;
pub mod site_file;
mod site_words;
pub mod sitting;
pub mod socket_file;
mod source;
mod sparkline;
pub mod spots;
pub mod tables;
mod terminal;
pub mod toml_doc;
pub mod wall_clock;
