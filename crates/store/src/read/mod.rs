//! Reading a log, also while a daemon writes it.
//!
//! Every cursor has a connection of its own and hands out bounded batches, so a day's log is read in a few megabytes. It
//! looks up where it stopped by key; it ends where the log ends at that moment, and later gives what has come since.
//!
//! While a statement runs, SQLite's write-ahead log can't start anew and grows (<https://www.sqlite.org/wal.html>). So a page
//! is read whole before anybody sees a row, and is shorter on a slow disk: a reader that takes its time holds nothing.

mod cells;
mod cursor;
pub(crate) mod epochs;
pub(crate) mod events;
pub(crate) mod fixes;
pub(crate) mod frames;
mod heads;
pub(crate) mod page;
mod ranges;
pub(crate) mod reader;
pub(crate) mod session;
