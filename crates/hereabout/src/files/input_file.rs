//! Reading a file that people wrote, whole: only a plain file, and only so much of it.

use std::io::{self, Read};
use std::os::unix::fs::MetadataExt;
use std::path::Path;

use hereabout_ingest::{open_plain, open_plain_unlinked};
use hereabout_store::files::{folder_of, is_shared, is_trusted, owner as owner_of};

/// The most bytes of a file that people wrote; a site of sixteen anchors and every zone has some kilobytes.
const MAX_BYTES: u64 = 8 << 20;

/// The bytes of a plain file.
///
/// # Errors
/// What is no plain file, what is larger than 8 MiB, what the system says.
pub fn read(path: &Path) -> io::Result<Vec<u8>> {
    read_open(open_plain(path)?)
}

/// The same for a file that this program writes itself: a symbolic link is refused as well, and a stranger's file in a
/// folder where strangers can put one.
///
/// # Errors
/// As [`read`].
pub fn read_unlinked(path: &Path) -> io::Result<Vec<u8>> {
    let file = open_plain_unlinked(path)?;
    let (owner, folder) = (file.metadata()?.uid(), std::fs::metadata(folder_of(path))?);
    if !is_trusted(owner) && owner != folder.uid() && is_shared(&folder) {
        return Err(io::Error::other(format!(
            "it belongs to {} in a folder that others can write, so it is not trusted: remove it, or take the folder's \
             rights from them",
            hereabout_words::file::owner(&owner_of(owner))
        )));
    }
    read_open(file)
}

fn read_open(file: std::fs::File) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    file.take(MAX_BYTES + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > MAX_BYTES {
        return Err(io::Error::other("it is larger than 8 MiB, so it is not what was meant"));
    }
    Ok(bytes)
}
