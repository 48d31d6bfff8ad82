//! What is wrong just now with a log that is being written, and where it goes on.

use std::path::PathBuf;

use crate::log::fault::LogFault;

/// Why nothing can be written just now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LogProblem {
    /// The last try failed.
    Failed(LogFault),
    /// A write is under way, and the disk does not answer.
    Slow {
        /// For how long so far, whole seconds.
        waited_s: u64,
    },
    /// The task that writes has come to an unforeseen end.
    WriterBroke,
    /// Another program reads the log and does not let go, so its write-ahead log grows. Nothing is lost by it.
    Overgrown {
        /// Size of the write-ahead log.
        wal_bytes: u64,
    },
}

/// What a person should know of a log that is not, or not whole, where it was.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LogNote {
    /// The file is damaged, and the log goes on in another one.
    GoesOnIn {
        /// What is wrong with the file that was asked for.
        damage: LogFault,
        /// The file that is written instead.
        path: PathBuf,
    },
    /// The file was moved while another program was reading it, so its last rows are in a write-ahead log beside it.
    RowsLeft {
        /// That write-ahead log, renamed.
        path: PathBuf,
    },
}
