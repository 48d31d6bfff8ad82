//! Why a source is not there, in facts. The words are made in `words`.

use std::path::PathBuf;

use crate::io_fault::{FileKind, IoFault};

/// How the service of the operating system that tries serial ports for modems calls itself
/// (common practice, no source).
const MODEM_SERVICE: &str = "ModemManager";

/// A process that has a serial port open.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Holder {
    /// Process id.
    pub pid: u32,
    /// What it calls itself, at most 15 characters; control characters are replaced.
    pub name: String,
    /// Whether it was seen to hold the port; `false` for a guess.
    pub seen: bool,
}

impl Holder {
    /// Whether it is a service that tries serial ports for modems and lets go by itself.
    pub fn probes_modems(&self) -> bool {
        self.name.starts_with(MODEM_SERVICE)
    }
}

/// Why the link is waiting. Paths and addresses are as configured, files joined to the site file's folder.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LinkReason {
    /// No such serial port.
    SerialAbsent {
        /// The device.
        path: PathBuf,
    },
    /// The port is there, this user may not open it.
    SerialDenied {
        /// The device.
        path: PathBuf,
        /// The group that owns the device, when it has a name.
        group: Option<String>,
    },
    /// Another program holds the port.
    SerialBusy {
        /// The device.
        path: PathBuf,
        /// The other program, as far as this user may know.
        holder: Option<Holder>,
    },
    /// The path leads to something else.
    NotSerial {
        /// The device.
        path: PathBuf,
        /// What is there.
        found: FileKind,
    },
    /// The port refused its settings or failed in another way.
    SerialFailed {
        /// The device.
        path: PathBuf,
        /// Symbols per second.
        baud: u32,
        /// What was refused; `InvalidInput` stands for settings that the port does not take.
        fault: IoFault,
    },
    /// It was open and went away.
    Unplugged {
        /// The device.
        path: PathBuf,
        /// What reading it was refused with; `None` when it just ended.
        fault: Option<IoFault>,
    },
    /// Nobody listens there.
    TcpRefused {
        /// `host:port`.
        addr: String,
    },
    /// No way to the host.
    TcpUnreachable {
        /// `host:port`.
        addr: String,
        /// What connecting was refused with; without a number of the system, the host's name is not known.
        fault: IoFault,
    },
    /// No answer in time.
    TcpNoAnswer {
        /// `host:port`.
        addr: String,
        /// How long was waited, whole seconds.
        waited_s: u64,
    },
    /// The other side ended the connection.
    TcpClosed {
        /// `host:port`.
        addr: String,
    },
    /// The connection broke.
    TcpBroken {
        /// `host:port`.
        addr: String,
        /// What reading was refused with.
        fault: IoFault,
    },
    /// The address to listen on could not be taken.
    UdpBind {
        /// `address:port`.
        addr: String,
        /// What taking it was refused with.
        fault: IoFault,
    },
    /// No such file.
    FileMissing {
        /// The capture.
        path: PathBuf,
    },
    /// The system gives out no more open files: nothing is known of the device.
    TooManyFiles {
        /// The device or address.
        what: String,
        /// All programs together have too many (`ENFILE`), not this one (`EMFILE`).
        whole_system: bool,
    },
    /// A file or a feeder has nothing more.
    Ended,
    /// The file is there and can't be read.
    FileUnreadable {
        /// The capture.
        path: PathBuf,
        /// What is wrong with it or with its times file.
        fault: CaptureFault,
    },
}

/// What is wrong with a capture: `NAME.bin` with the bytes, `NAME.times.csv` with their times.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum CaptureFault {
    /// A file can't be opened, read or written.
    Io {
        /// The file of the two.
        path: PathBuf,
        /// What was refused.
        fault: IoFault,
    },
    /// The `.bin` is a folder, a pipe or a device.
    NotAFile {
        /// The `.bin`.
        path: PathBuf,
        /// What is there.
        kind: FileKind,
    },
    /// A row of the times file.
    Times {
        /// The times file.
        path: PathBuf,
        /// From 1, the header.
        line: u64,
        /// What is wrong with the row.
        problem: TimesProblem,
    },
    /// A pace was asked for, and no times file is there.
    NoTimes {
        /// Where it was looked for.
        path: PathBuf,
    },
}

/// What is wrong with a row of a times file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum TimesProblem {
    /// The first line is no header of a times file.
    Header {
        /// The header that was expected.
        expected: &'static str,
        /// The line, its beginning if it is long.
        found: String,
    },
    /// Not an offset and a time.
    NotARow {
        /// The line, its beginning if it is long.
        found: String,
    },
    /// The byte offset is not above the one before.
    OffsetNotUp,
    /// The time is before the one before.
    TimeBackward,
    /// The first read does not start at byte offset 0.
    FirstNotZero,
}
