//! Who asks the daemon, and who may change it.
//!
//! - `acting`: the examples for people who act
//! - `anchors`: the table of a running daemon, and who else may answer
//! - `page`: the live page in a browser (needs chromium, run by `.ci/run`)
//! - `rights`: who may change a running daemon, and that nobody starves it of files

mod acting;
mod anchors;
mod page;
mod rights;
