//! Serial ports, TCP, UDP, files and feeders: bytes with arrival time, reconnected when they fall away.
//!
//! One task, [`run`], owns the source. It reads, stamps what it read right after the read, and sends
//! it on a bounded channel; about every 20 ms, whatever is read, it sends a [`Feed::Tick`]. Because
//! bytes and ticks come from the same task and take their stamps from the same [`Clock`], stamps in
//! the channel never go backward, and whoever reads the channel needs no clock of its own.
//!
//! How long bytes had waited on this machine before they were read is reported as well: each chunk says when the
//! input was last found empty ([`Chunk::empty_at`]).
//!
//! When the channel is full the task waits for room and keeps the order: for live sources the
//! operating system's buffer holds what comes meanwhile (about 4 KiB on a serial line, so a reader
//! that stalls for longer than that loses bytes there, not here).
//!
//! A source that falls away is reported with its reason ([`LinkStatus`]) and tried again, at most half a
//! second after the last try, so that it is back within a second of its return.
//!
//! [`CaptureWriter`] and [`CaptureReader`] are the files: `NAME.bin` with the raw bytes, and beside
//! it `NAME.times.csv` with one row per read.
#![forbid(unsafe_code)]

mod capture;
mod clock;
mod feed;
mod feed_sender;
mod link;
mod plain;
mod run;
mod source;

pub use capture::{CaptureReader, CaptureStep, CaptureTime, CaptureTimes, CaptureWriter};
pub use clock::Clock;
pub use feed::{Chunk, ClockChange, Feed, FeedStep, Feeder, LinkState, LinkStatus};
pub use feed_sender::RunEnd;
pub use link::latency::{latency_matters, latency_timer_ms};
pub use plain::{open_plain, open_plain_unlinked};
pub use run::{idle, run};
pub use source::{Pace, Source, SourceText};

/// The most bytes that one [`Chunk`] holds.
pub const MAX_CHUNK: usize = 4096;
