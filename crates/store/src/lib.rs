//! The log: sessions, ranges with verdicts, fixes and events in one SQLite file.
//!
//! - [`Store::open`] makes or opens the file, brings its schema up to date and takes the writer's lock.
//! - [`Store::begin_session`] starts the one task that writes. [`SessionWriter::push`] hands it a [`Record`] and
//!   never waits: the queue is bounded, and when the disk is stuck the oldest records go, counted
//!   ([`WriterStats`]). A replay, which can wait, uses [`SessionWriter::push_wait`] and loses nothing.
//! - Records are committed together once a second, events at once. A cut-off process therefore loses the last second
//!   of ranges and fixes at most, and the file stays whole.
//! - Events come with numbers ([`EventNumbers`]) that are given once, whatever becomes of files and power: they grow
//!   from session to session, with gaps between runs.
//! - A daemon's writer ([`Store::begin_kept_session`], [`SessionWriter::keep`]) never ends because of its file: it waits,
//!   makes a deleted one anew, and goes on beside a damaged one.
//! - [`LogReader`] reads, also while a daemon writes. Its [`EpochCursor`] gives back what the engine was fed,
//!   bit for bit; that is what makes a replay equal to the live run. (Only -0.0 comes back as 0.0: SQLite keeps
//!   no sign of zero.)
//!
//! The schema is in `migrations/`, commented column by column. Ranges are stored one a row. Measured against one
//! JSON text a frame (release, two cores, 8 ranges a frame, 1000 rows a statement): 760 thousand ranges/s and
//! 390 MB a day against 850 thousand and 500 MB. Rows are quick enough, smaller, and open to plain SQL. With
//! frames and fixes a day at 10 Hz takes about 510 MB and, as fast as it goes, under 20 s.
#![forbid(unsafe_code)]

mod codes;
mod error;
mod file;
pub mod files;
mod read;
mod schema;
mod write;

pub use file::reopen::Found;
pub use file::store::{LastEnd, Store};
pub use read::epochs::EpochCursor;
pub use read::events::{EventCursor, StoredEvent};
pub use read::fixes::{FixCursor, StoredFix};
pub use read::frames::FrameCursor;
pub use read::page::between_pages;
pub use read::reader::LogReader;
pub use read::session::{SessionInfo, SessionPick};
pub use write::numbers::{EventNumbers, clock_number};
pub use write::queue::WriterStats;
pub use write::record::Record;
pub use write::session::{SessionStart, WriterOptions};
pub use write::writer::{SessionWriter, StatsHandle};
