//! Opening a file that somebody named, without waiting for whoever may be at its other end.

use std::fs::{self, File, Metadata};
use std::io;
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

use hereabout_core::odd_kind;
use rustix::fs::OFlags;

/// Opens a plain file for reading. A named pipe, a device or a folder is refused before it is opened, because opening
/// alone may wait for ever or do something; and once more after, should it have been swapped.
///
/// # Errors
/// What is no plain file, with what it is; what the system says.
pub fn open_plain(path: &Path) -> io::Result<File> {
    open(path, &fs::metadata(path)?, OFlags::empty())
}

/// The same, but a symbolic link is refused as well.
///
/// # Errors
/// As [`open_plain`].
pub fn open_plain_unlinked(path: &Path) -> io::Result<File> {
    open(path, &fs::symlink_metadata(path)?, OFlags::NOFOLLOW)
}

fn open(path: &Path, meta: &Metadata, more: OFlags) -> io::Result<File> {
    refuse_odd(meta)?;
    // Flags of `open` are an int in C; none of these comes near its sign.
    let flags = (OFlags::NONBLOCK | OFlags::NOCTTY | more).bits().cast_signed();
    let file = File::options().read(true).custom_flags(flags).open(path)?;
    refuse_odd(&file.metadata()?)?;
    Ok(file)
}

fn refuse_odd(meta: &Metadata) -> io::Result<()> {
    match odd_kind(meta) {
        Some(kind) => Err(io::Error::other(format!("it is {kind}, not a plain file"))),
        None => Ok(()),
    }
}
