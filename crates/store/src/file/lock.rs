//! The right to write a log: a lock of the operating system on a small file beside it.
//!
//! Whoever can open a file can hold its lock, reading rights are enough. The file is therefore for its owner alone
//! (mode 0600), and one that somebody else owns is not used. The log itself could not be the lock: its group may read it.

use std::fs::{self, File, TryLockError};
use std::io::{self, Seek, Write};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

use hereabout_core::{FileFault, LogFault};
use rustix::fs::OFlags;
use rustix::process::geteuid;

use crate::error::from_fault;
use crate::files::{beside, create_new, flags, look, must_be_own, refused};

/// The lock is for its owner alone.
const LOCK_MODE: u32 = 0o600;
/// How often a file that comes and goes meanwhile, or that is locked, is looked at again.
const TRIES: u32 = 20;
/// A lock may be about to be let go of: by a process that just ends, or by one that is being started and has what its
/// parent had for a moment.
const AGAIN: std::time::Duration = std::time::Duration::from_millis(5);

/// The file that is locked for the log at `path`.
pub(crate) fn lock_path(path: &Path) -> PathBuf {
    beside(path, ".lock")
}

/// Takes the lock beside the log, or says who has it. Nothing in the file is changed before the lock is held.
pub(crate) fn lock_for_writing(path: &Path) -> Result<File, LogFault> {
    let name = lock_path(path);
    let untrusted = |fault| from_fault(path, fault);
    let mut file = None;
    for left in (0..TRIES).rev() {
        let opened = open_lock(&name, path).map_err(untrusted)?;
        match opened.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) if left > 0 => {
                std::thread::sleep(AGAIN);
                continue;
            }
            Err(TryLockError::WouldBlock) => {
                let process = holder(Path::new("/proc"), &opened);
                return Err(LogFault::InUse { path: path.to_path_buf(), process });
            }
            Err(TryLockError::Error(e)) => return Err(untrusted(refused(&name, &e))),
        }
        // A lock on a file that has lost its name keeps nobody out.
        if same_file(&opened, &name) {
            file = Some(opened);
            break;
        }
    }
    let mut file = file.ok_or_else(|| untrusted(comes_and_goes(&name)))?;
    // The number is only a hint for people; the lock is what counts.
    let _ =
        file.set_len(0).and_then(|()| file.rewind()).and_then(|()| writeln!(file, "{}", std::process::id()));
    Ok(file)
}

fn comes_and_goes(name: &Path) -> FileFault {
    FileFault::ComesAndGoes { path: name.to_owned() }
}

fn same_file(file: &File, name: &Path) -> bool {
    let (Ok(open), Ok(named)) = (file.metadata(), fs::symlink_metadata(name)) else { return false };
    (open.dev(), open.ino()) == (named.dev(), named.ino())
}

/// Opens the lock, or makes it.
fn open_lock(name: &Path, log: &Path) -> Result<File, FileFault> {
    for _ in 0..TRIES {
        let opened = match look(name)? {
            Some(meta) => {
                must_be_lock(name, &meta)?;
                let flags = flags(OFlags::NOFOLLOW | OFlags::NONBLOCK);
                File::options().read(true).write(true).custom_flags(flags).open(name)
            }
            None => create_new(name, LOCK_MODE).and_then(|file| give_to_owner(file, log)),
        };
        match opened {
            Ok(file) => {
                let meta = file.metadata().map_err(|e| refused(name, &e))?;
                must_be_lock(name, &meta)?;
                return close_to_others(name, file, meta.mode());
            }
            // It went, or came, in between.
            Err(e) if matches!(e.kind(), io::ErrorKind::NotFound | io::ErrorKind::AlreadyExists) => {
                // The folder may be what is missing.
                fs::symlink_metadata(crate::files::folder_of(name)).map_err(|e| refused(name, &e))?;
            }
            Err(e) => return Err(refused(name, &e)),
        }
    }
    Err(comes_and_goes(name))
}

fn must_be_lock(name: &Path, meta: &fs::Metadata) -> Result<(), FileFault> {
    must_be_own(name, meta)?;
    if meta.nlink() > 1 { Err(FileFault::SecondName { path: name.to_owned() }) } else { Ok(()) }
}

/// When root makes the lock of somebody's log, that user must be able to take it later.
fn give_to_owner(file: File, log: &Path) -> io::Result<File> {
    if geteuid().is_root()
        && let Ok(meta) = fs::symlink_metadata(log)
        && meta.uid() != 0
    {
        std::os::unix::fs::fchown(&file, Some(meta.uid()), Some(meta.gid()))?;
    }
    Ok(file)
}

/// Whoever opened a wider one before may still hold it: then it counts as in use.
fn close_to_others(name: &Path, file: File, mode: u32) -> Result<File, FileFault> {
    if mode & 0o7777 & !LOCK_MODE == 0 {
        return Ok(file);
    }
    let open = || FileFault::Open { path: name.to_owned() };
    file.set_permissions(fs::Permissions::from_mode(LOCK_MODE)).map_err(|_| open())?;
    let left = file.metadata().map_err(|e| refused(name, &e))?.mode();
    if left & 0o077 == 0 { Ok(file) } else { Err(open()) }
}

/// The process that holds the lock: one that has the file open with a lock on it, as far as this user may look
/// into others; else the one that took it, when it lives and can't be looked into. `proc` is `/proc` but for tests.
fn holder(proc: &Path, lock: &File) -> Option<u32> {
    let meta = lock.metadata().ok()?;
    let mut hidden = Vec::new();
    for entry in fs::read_dir(proc).ok()?.filter_map(Result::ok) {
        let Some(pid) = entry.file_name().to_str().and_then(|n| n.parse::<u32>().ok()) else { continue };
        match holds(&entry.path(), &meta) {
            Some(true) => return Some(pid),
            Some(false) => {}
            None => hidden.push(pid),
        }
    }
    let taker = taker(&fs::read_to_string(proc.join("locks")).ok()?, &meta)?;
    hidden.contains(&taker).then_some(taker)
}

/// Whether a process has the file open and locked; `None` when it can't be looked into.
fn holds(process: &Path, lock: &fs::Metadata) -> Option<bool> {
    let links = fs::read_dir(process.join("fd")).ok()?;
    let is_lock = |link: &fs::DirEntry| {
        fs::metadata(link.path()).is_ok_and(|m| (m.dev(), m.ino()) == (lock.dev(), lock.ino()))
    };
    // The kernel lists the locks of an open file beside its position.
    let is_locked = |link: fs::DirEntry| {
        fs::read_to_string(process.join("fdinfo").join(link.file_name()))
            .is_ok_and(|info| info.lines().any(|l| l.starts_with("lock:") && l.contains("FLOCK")))
    };
    Some(links.filter_map(Result::ok).filter(is_lock).any(is_locked))
}

/// Who took the lock, from the text of `/proc/locks`: `1: FLOCK  ADVISORY  WRITE 812 08:02:131077 0 EOF`.
fn taker(locks: &str, lock: &fs::Metadata) -> Option<u32> {
    let (major, minor) = (rustix::fs::major(lock.dev()), rustix::fs::minor(lock.dev()));
    let file = format!("{major:02x}:{minor:02x}:{}", lock.ino());
    locks.lines().find_map(|line| {
        let words: Vec<&str> = line.split_whitespace().collect();
        let is_it = words.get(1) == Some(&"FLOCK") && words.get(5) == Some(&file.as_str());
        is_it.then(|| words.get(4)?.parse().ok()).flatten()
    })
}

#[cfg(test)]
mod tests;
