//! `calibration.toml`, what it does to a site, and what forbids new offsets.

mod apply;
pub mod calibration_file;
pub(crate) mod fit_test;
pub(crate) mod place_checks;

pub(crate) use apply::{Strictness, with_calibration};
