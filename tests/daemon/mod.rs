//! The running daemon: its source, its log, its files, its events.
//!
//! - `end_to_end`: `run` over pseudo-terminals, HTTP and WebSocket
//! - `clock`: the wall clock is set while the daemon runs
//! - `events`: numbered events, resuming, kills and restarts
//! - `files`: inputs, outputs and the files of a daemon among strangers and on disks that hang
//! - `ghosts`: damaged tag numbers become no tags
//! - `log_fails`: what people act on goes on whatever becomes of the log
//! - `replay_equals_live`: what was published is what a replay gives
//! - `zones`: answers over HTTP and live, and their replay

mod clock;
mod end_to_end;
mod events;
mod files;
mod ghosts;
mod log_fails;
mod replay_equals_live;
mod zones;
