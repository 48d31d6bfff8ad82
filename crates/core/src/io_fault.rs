//! What the operating system refused, without its words, and what stands where a plain file was expected.

use std::fmt;
use std::fs::Metadata;
use std::io;
use std::os::unix::fs::FileTypeExt;

/// A call that the operating system refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct IoFault {
    /// The kind of refusal.
    pub kind: io::ErrorKind,
    /// The system's number (`man 3 errno`); `None` when no call of the system failed, or the number is lost.
    pub errno: Option<i32>,
}

impl From<&io::Error> for IoFault {
    fn from(error: &io::Error) -> IoFault {
        IoFault { kind: error.kind(), errno: error.raw_os_error() }
    }
}

impl From<io::ErrorKind> for IoFault {
    fn from(kind: io::ErrorKind) -> IoFault {
        IoFault { kind, errno: None }
    }
}

impl From<IoFault> for io::Error {
    fn from(fault: IoFault) -> io::Error {
        fault.errno.map_or_else(|| fault.kind.into(), io::Error::from_raw_os_error)
    }
}

/// What a path leads to. `Display` names it with its article.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FileKind {
    /// A plain file.
    Plain,
    /// A folder.
    Folder,
    /// A symbolic link.
    Link,
    /// A named pipe.
    Pipe,
    /// A socket.
    Socket,
    /// A device.
    Device,
}

impl FileKind {
    /// The kind that the system reports for a path.
    pub fn of(meta: &Metadata) -> FileKind {
        let kind = meta.file_type();
        match () {
            () if kind.is_file() => FileKind::Plain,
            () if kind.is_dir() => FileKind::Folder,
            () if kind.is_symlink() => FileKind::Link,
            () if kind.is_fifo() => FileKind::Pipe,
            () if kind.is_socket() => FileKind::Socket,
            () => FileKind::Device,
        }
    }
}

impl fmt::Display for FileKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            FileKind::Plain => "a plain file",
            FileKind::Folder => "a folder",
            FileKind::Link => "a symbolic link",
            FileKind::Pipe => "a named pipe",
            FileKind::Socket => "a socket",
            FileKind::Device => "a device",
        })
    }
}

/// What is no plain file; `None` for a plain one.
pub fn odd_kind(meta: &Metadata) -> Option<FileKind> {
    Some(FileKind::of(meta)).filter(|kind| *kind != FileKind::Plain)
}
