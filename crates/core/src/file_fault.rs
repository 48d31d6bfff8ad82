//! Why a file is not touched, in facts. The words are made in `words`.

use std::path::PathBuf;

use crate::io_fault::{FileKind, IoFault};

/// Whose a file is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FileOwner {
    /// Number of the user.
    pub uid: u32,
    /// The user's name, when this computer knows one; control characters are replaced.
    pub name: Option<String>,
}

/// Why a file is not touched.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FileFault {
    /// A link where none is followed.
    Link {
        /// Path of the link itself, not of what it leads to.
        path: PathBuf,
    },
    /// A link of somebody else on the way.
    ForeignLink {
        /// Path of the link itself, not of what it leads to.
        path: PathBuf,
        /// Whose it is.
        owner: FileOwner,
    },
    /// A folder, a pipe, a device or a socket.
    NotPlain {
        /// As it was come to.
        path: PathBuf,
        /// What it is.
        kind: FileKind,
    },
    /// A file of somebody else.
    Foreign {
        /// Path of the file, as it was come to.
        path: PathBuf,
        /// Whose it is.
        owner: FileOwner,
    },
    /// A file with a second name.
    SecondName {
        /// Path of the file, as it was come to.
        path: PathBuf,
    },
    /// A lock that other users can take.
    Open {
        /// Path of the lock beside the log.
        path: PathBuf,
    },
    /// A file that is made and removed by somebody, as often as it is looked at.
    ComesAndGoes {
        /// Path of the file.
        path: PathBuf,
    },
    /// Anything else that the operating system refuses.
    Io {
        /// The path as it was given.
        path: PathBuf,
        /// What was refused.
        fault: IoFault,
    },
}
