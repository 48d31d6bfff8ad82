//! Why a file is not touched: which file, whose, and what to do.

use std::path::Path;

use hereabout_core::{FileFault, FileOwner};

use crate::said::{Said, Topic};
use crate::system::io;

/// Whose a file is: `user larkfield (1001)`, or the number alone.
pub fn owner(owner: &FileOwner) -> String {
    match &owner.name {
        Some(name) => format!("user {name} ({})", owner.uid),
        None => format!("user {}", owner.uid),
    }
}

/// What is wrong with a file, and what to do.
pub fn fault(fault: &FileFault) -> Said {
    match fault {
        FileFault::Link { path } => row(
            "link",
            path,
            "is a symbolic link, and none is followed there, because it may lead to a file of somebody else",
            "Remove it, or give the file's own path",
        ),
        FileFault::ForeignLink { path, owner: of } => row(
            "link_of_others",
            path,
            &format!(
                "on the way to it is a symbolic link of {}, and only links of this user and of root are followed",
                owner(of)
            ),
            "Give the path without that link",
        ),
        FileFault::NotPlain { path, kind } => {
            row("not_plain", path, &format!("is {kind}, not a plain file"), "Remove it, or give another path")
        }
        FileFault::Foreign { path, owner: of } => row(
            "file_of_others",
            path,
            &format!(
                "belongs to {}, so it is not used: that user could read along or stop it at will",
                owner(of)
            ),
            "Run as that user, remove the file, or choose another folder",
        ),
        FileFault::SecondName { path } => row(
            "second_name",
            path,
            "has a second name (a hard link), so it may be a file of some other use",
            "Remove that name; it is made anew",
        ),
        FileFault::Open { path } => Said::new(
            Topic::Log,
            "open_to_others",
            format!(
                "other users may open {} and hold it, and its rights can't be taken away on this file system",
                path.display()
            ),
            "Choose a folder on a file system with owners and rights",
        )
        .joined_by(". "),
        FileFault::ComesAndGoes { path } => row(
            "comes_and_goes",
            path,
            "is made and removed all the time by somebody",
            "Stop the program that does it, or choose another folder",
        ),
        FileFault::Io { path, fault } => {
            Said::new(Topic::Log, "refused", format!("{}: {}", path.display(), io::words(*fault)), "")
        }
    }
}

fn row(code: &'static str, path: &Path, words: &str, advice: &str) -> Said {
    Said::new(Topic::Log, code, format!("{} {words}", path.display()), advice).joined_by(". ")
}

#[cfg(test)]
mod tests;
