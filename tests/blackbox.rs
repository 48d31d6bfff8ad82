//! Tests of the real binary from outside, and of the house rules: one program, so that it is linked once.
//!
//! - `commands`: commands that end by themselves
//! - `daemon`: the running daemon
//! - `service`: who asks it, and who may change it
//! - `site`: site files that do not fit the world
//! - `fresh`: what is old, frozen, repeated or stalled opens no gate
//! - `house`: who may import whom
//! - `support`: a daemon, a line to it, a terminal, and the demo nursery
#![expect(clippy::unwrap_used, reason = "a test stops at the first thing that is not as it must be")]

mod commands;
mod daemon;
mod fresh;
mod house;
mod service;
mod site;
mod support;
