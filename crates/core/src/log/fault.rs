//! What can go wrong with a log, in facts. The words are made in `words`.

use std::path::PathBuf;

use crate::file_fault::FileFault;
use crate::io_fault::IoFault;

/// Why a log could not be opened, written or read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LogFault {
    /// The folder of the file does not exist, or is not a folder.
    NoFolder {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
        /// Its folder.
        folder: PathBuf,
    },
    /// The file or its folder may not be written (or, when reading, not read).
    Forbidden {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
        /// Its folder.
        folder: PathBuf,
    },
    /// A log to read does not exist.
    NoSuchFile {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
    },
    /// The file holds something else than a SQLite database.
    NotADatabase {
        /// Path of the file, as it was come to.
        path: PathBuf,
    },
    /// The file is a SQLite database of some other program.
    OtherDatabase {
        /// Path of the file, as it was come to.
        path: PathBuf,
    },
    /// A newer program wrote the file.
    NewerSchema {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
        /// Newest schema step in the file.
        found: i64,
        /// Newest schema step of this program.
        known: i64,
    },
    /// An older program wrote the file, and it is open for reading only.
    OlderSchema {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
        /// Newest schema step in the file.
        found: i64,
        /// Newest schema step of this program.
        known: i64,
    },
    /// Another process writes the file, or holds its lock for whatever reason.
    InUse {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
        /// The other one's process id, when it was seen to hold the lock.
        process: Option<u32>,
    },
    /// The file, or what must stand beside it, is not to be trusted or not of the right kind.
    Untrusted {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
        /// What is wrong with which file.
        fault: FileFault,
    },
    /// No room for the file to grow.
    DiskFull {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
    },
    /// Some other program holds a lock on the file.
    Busy {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
    },
    /// The file went from under the writer.
    Gone {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
    },
    /// The disk does not answer.
    NoAnswer {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
        /// How long it was waited for, seconds.
        waited_s: u64,
    },
    /// Content that this schema does not allow, or a file that SQLite calls malformed.
    Damaged {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
        /// What was found.
        damage: LogDamage,
    },
    /// The session that was asked for is not in the file.
    NoSuchSession {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
        /// What was asked for.
        id: i64,
        /// How many sessions there are, at least one.
        count: u64,
        /// Id of the oldest one.
        first: i64,
        /// Id of the newest one.
        last: i64,
    },
    /// The file holds no session at all.
    Empty {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
    },
    /// A session ended with records that could not be written.
    Unwritten {
        /// Frames that were lost at the end.
        frames: u64,
        /// Fixes that were lost at the end.
        fixes: u64,
        /// Events that were lost at the end.
        events: u64,
        /// What stood in the way.
        cause: Box<LogFault>,
    },
    /// The writer's task was cut off before it was done.
    WriterStopped {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
    },
    /// Anything else that the operating system refuses.
    Io {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
        /// What was refused.
        fault: IoFault,
    },
    /// Anything else that SQLite reports.
    Database {
        /// Path of the log, links in its folder resolved where it could be opened.
        path: PathBuf,
        /// What it reports.
        fault: SqliteFault,
    },
}

/// What SQLite reports: its extended result code (<https://www.sqlite.org/rescode.html>).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SqliteFault {
    /// The code; `None` when SQLite answered, and not with what was asked for.
    pub code: Option<i32>,
}

impl SqliteFault {
    /// The primary code: the low byte of the extended one (same page).
    pub fn primary(self) -> Option<i32> {
        self.code.map(|code| code & 0xff)
    }
}

/// What is damaged in a log.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LogDamage {
    /// SQLite calls the file malformed.
    Malformed,
    /// It could be opened, and not be written.
    NotWritable,
    /// A row that the schema does not allow.
    Refused(SqliteFault),
    /// A row comes before any session.
    NoSessionYet,
    /// The steps of its schema are not those of this program.
    Schema,
    /// A frame has a doubt that no program wrote.
    DoubtCode {
        /// The code in the file.
        code: i64,
        /// Number of the frame.
        frame: i64,
    },
    /// A range has a verdict that no program wrote.
    VerdictCode {
        /// The code in the file.
        code: i64,
        /// Number of the frame.
        frame: i64,
    },
    /// A frame has more ranges than one can have.
    TooManyRanges {
        /// Number of the frame.
        frame: i64,
        /// The most that one can have.
        max: usize,
    },
    /// Ranges have no frame, or there are more of them than one can have.
    StrayRanges {
        /// Number of the frame that they name.
        frame: i64,
        /// The most that one can have.
        max: usize,
    },
    /// A position has a code that no program wrote.
    PositionCode,
    /// A position has candidates and is not ambiguous.
    CandidatesOfOne {
        /// Number of its report.
        report: u64,
    },
    /// A position has more than two candidates.
    TooManyCandidates {
        /// Number of its report.
        report: u64,
    },
}
