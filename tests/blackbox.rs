//! Tests of the real binary from outside, and of the house rules: one program, so that it is linked once.
//!
//! - `acting`: the examples for people who act
//! - `anchors`: the table of a running daemon, and who else may answer
//! - `cli`: the commands that end by themselves
//! - `clock`: the wall clock is set while the daemon runs
//! - `commissioning`: calibrate, verify, report, and a calibration that a running daemon takes over
//! - `daemon`: `run` over pseudo-terminals, HTTP and WebSocket
//! - `events`: numbered events, resuming, kills and restarts
//! - `files`: inputs, outputs and the files of a daemon among strangers and on disks that hang
//! - `fresh`: what is old, frozen, repeated or stalled opens no gate
//! - `ghosts`: damaged tag numbers become no tags
//! - `hearing`: learn, listen and start, also on terminals
//! - `log_fails`: what people act on goes on whatever becomes of the log
//! - `plausible`: numbers that no board and no tag can have, and going back from a first calibration
//! - `page`: the live page in a browser (needs chromium, run by `.ci/run`)
//! - `replay_equals_live`: what was published is what a replay gives
//! - `runnable`: `check` refuses what `run` refuses; names that move a cursor reach no terminal
//! - `rights`: who may change a running daemon, and that nobody starves it of files
//! - `site_fit`: ranges and a site file that do not belong to each other
//! - `wrong_sites`: wrong settings and places are named before anyone acts on them
//! - `zones`: answers over HTTP and live, and their replay
//! - `datasets`: real data sets with ground truth, when they are there
//! - `house`: who may import whom
#![expect(clippy::unwrap_used, reason = "a test stops at the first thing that is not as it must be")]

mod acting;
mod anchors;
mod cli;
mod clock;
mod commissioning;
mod daemon;
mod datasets;
mod events;
mod files;
mod fresh;
mod ghosts;
mod hearing;
mod house;
mod log_fails;
mod nursery;
mod page;
mod plausible;
mod replay_equals_live;
mod rights;
mod runnable;
mod site_fit;
mod support;
mod wrong_sites;
mod zones;
