//! What the operating system refused, in words of our own: no library's text and no number reaches a person, but for a
//! number that has no words here.

use std::io;

use hereabout_core::IoFault;

/// What was refused, as the end of a sentence: "the disk is full".
///
/// An error that a program made itself keeps its own words.
pub fn error_words(error: &io::Error) -> String {
    match (error.raw_os_error(), error.get_ref()) {
        (None, Some(own)) if error.kind() == io::ErrorKind::Other => own.to_string(),
        _ => words(IoFault::from(error)),
    }
}

/// The same for a fact: "the disk is full".
pub fn words(fault: IoFault) -> String {
    match (of_kind(fault.kind).or_else(|| of_errno(fault.errno?)), fault.errno) {
        (Some(words), _) => words.to_owned(),
        (None, Some(errno)) => format!("the system refuses it with its error {errno}"),
        (None, None) => "the system refuses it and gives no reason".to_owned(),
    }
}

/// Kinds that the standard library tells apart.
fn of_kind(kind: io::ErrorKind) -> Option<&'static str> {
    use io::ErrorKind as K;
    Some(match kind {
        K::NotFound => "there is no such file or folder",
        K::PermissionDenied => "permission denied",
        K::ConnectionRefused => "the connection was refused",
        K::ConnectionReset | K::ConnectionAborted | K::BrokenPipe => "the other side closed the connection",
        K::HostUnreachable => "there is no way to that host",
        K::NetworkUnreachable => "there is no way to that network",
        K::NetworkDown => "the network is down",
        K::NotConnected => "there is no connection",
        K::AddrInUse => "another program uses that address",
        K::AddrNotAvailable => "that is no address of this machine",
        K::AlreadyExists => "it exists already",
        K::WouldBlock => "it would have to be waited for",
        K::NotADirectory => "a part of the path is not a folder",
        K::IsADirectory => "it is a folder",
        K::DirectoryNotEmpty => "the folder is not empty",
        K::ReadOnlyFilesystem => "the file system is read-only",
        K::StaleNetworkFileHandle => "the network drive has lost the file",
        K::InvalidInput => "it does not take these settings",
        K::InvalidData => "what it holds is damaged, or is no text",
        K::TimedOut => "no answer came in time",
        K::WriteZero => "it takes no more",
        K::StorageFull => "the disk is full",
        K::QuotaExceeded => "this user's share of the disk is used up",
        K::FileTooLarge => "the file is larger than the system allows",
        K::ResourceBusy | K::ExecutableFileBusy => "another program uses it",
        K::Deadlock => "two programs wait for each other",
        K::CrossesDevices => "the two names are on different disks",
        K::TooManyLinks => "too many links lead to it",
        K::InvalidFilename => "the name is too long or has a character that is not allowed",
        K::ArgumentListTooLong => "the command is too long",
        K::Interrupted => "it was interrupted",
        K::Unsupported => "this system can't do that",
        K::UnexpectedEof => "it ended too early",
        K::OutOfMemory => "the memory is full",
        _ => return None,
    })
}

/// What the standard library has no kind for, by its number on Linux (`errno(3)`).
fn of_errno(errno: i32) -> Option<&'static str> {
    Some(match errno {
        5 => "the device does not answer (a read or write failed)",
        6 | 19 => "there is no such device",
        23 => "this computer has too many files open",
        24 => "this program has too many files open",
        25 => "it is not that kind of device",
        40 => "too many links lead to it",
        71 => "the device answers with something else than expected",
        88 => "it is not a socket",
        112 => "the other machine is down",
        _ => return None,
    })
}

#[cfg(test)]
mod tests;
