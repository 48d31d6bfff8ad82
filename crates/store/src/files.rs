//! Files among other users: what is made is not open to them, and no link, file or lock of theirs is trusted.
//!
//! A log may lie in a folder that others can write too. Whoever can put a link, a file or a named pipe where the daemon
//! will look could turn its writing against another file, read along, or keep it waiting for ever. So every file is
//! looked at before it is opened and again once it is open, and a new one is made with `O_EXCL`, which follows
//! no link (`man 2 open`).

use std::collections::VecDeque;
use std::ffi::OsString;
use std::fs::{self, File, Metadata};
use std::io;
use std::os::unix::fs::{MetadataExt, OpenOptionsExt, PermissionsExt};
use std::path::{Component, Path, PathBuf};

use hereabout_core::{FileFault, FileOwner, odd_kind};
use rustix::fs::OFlags;
use rustix::process::{getegid, geteuid};

/// Rights of a file that is made: the owner writes, the group reads, nobody else does anything.
pub const FILE_MODE: u32 = 0o640;
/// Links on the way to a file before it counts as a ring, as Linux has it (`man 7 path_resolution`).
const MAX_LINKS: u32 = 40;

/// What the operating system refuses at `path`. A link where none is followed is one (`ELOOP`, `man 2 open`).
pub fn refused(path: &Path, error: &io::Error) -> FileFault {
    let path = path.to_owned();
    match error.raw_os_error() {
        Some(code) if code == rustix::io::Errno::LOOP.raw_os_error() => FileFault::Link { path },
        _ => FileFault::Io { path, fault: error.into() },
    }
}

/// Whose a file is, by the names of this computer.
pub fn owner(uid: u32) -> FileOwner {
    let users = fs::read_to_string("/etc/passwd").unwrap_or_default();
    let has_uid = |l: &&str| l.split(':').nth(2).is_some_and(|n| n.parse() == Ok(uid));
    let name = users.lines().find(has_uid).and_then(|l| l.split(':').next());
    FileOwner { uid, name: name.map(|name| name.replace(char::is_control, "?")) }
}

/// Whether files of this owner can be trusted: this user's own and root's.
pub fn is_trusted(uid: u32) -> bool {
    uid == 0 || uid == geteuid().as_raw()
}

/// Whether others than this user and root may put files into a folder.
pub fn is_shared(folder: &Metadata) -> bool {
    folder.mode() & 0o022 != 0 || !is_trusted(folder.uid())
}

/// The folder that `path` lies in; `.` for a bare name.
pub fn folder_of(path: &Path) -> PathBuf {
    match path.parent() {
        Some(p) if !p.as_os_str().is_empty() => p.to_path_buf(),
        _ => PathBuf::from("."),
    }
}

/// `path` with the links in its folder resolved, so that all ways to one file give one name. Its last name stays,
/// whatever it is. A link is followed when `follows` says so of it and of the folder that it lies in.
///
/// # Errors
/// [`FileFault::ForeignLink`], or what the system says.
pub fn settle(path: &Path, follows: fn(&Metadata, &Path) -> bool) -> Result<PathBuf, FileFault> {
    let failed = |e: io::Error| refused(path, &e);
    let Some(name) = path.file_name() else {
        return Err(failed(io::ErrorKind::IsADirectory.into()));
    };
    let whole = std::path::absolute(folder_of(path)).map_err(failed)?;
    let mut todo = VecDeque::new();
    put_first(&mut todo, &whole);
    let (mut at, mut links) = (PathBuf::from("/"), 0);
    while let Some(part) = todo.pop_front() {
        if part == ".." {
            at.pop();
            continue;
        }
        let next = at.join(&part);
        let meta = fs::symlink_metadata(&next).map_err(failed)?;
        if !meta.is_symlink() {
            at = next;
            continue;
        }
        links += 1;
        if links > MAX_LINKS {
            return Err(failed(io::ErrorKind::TooManyLinks.into()));
        }
        if !follows(&meta, &at) {
            return Err(FileFault::ForeignLink { path: next, owner: owner(meta.uid()) });
        }
        let to = fs::read_link(&next).map_err(failed)?;
        if to.is_absolute() {
            at = PathBuf::from("/");
        }
        put_first(&mut todo, &to);
    }
    Ok(at.join(name))
}

/// Puts the names of `path` before those that are still to be walked.
fn put_first(todo: &mut VecDeque<OsString>, path: &Path) {
    for part in path.components().rev() {
        if matches!(part, Component::Normal(_) | Component::ParentDir) {
            todo.push_front(part.as_os_str().to_owned());
        }
    }
}

/// For [`settle`]: only links of this user and of root.
pub fn only_own_links(link: &Metadata, _: &Path) -> bool {
    is_trusted(link.uid())
}

/// What stands at `path` itself, no link followed; `None` for nothing.
///
/// # Errors
/// What the system says.
pub fn look(path: &Path) -> Result<Option<Metadata>, FileFault> {
    match fs::symlink_metadata(path) {
        Ok(meta) => Ok(Some(meta)),
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(e) => Err(refused(path, &e)),
    }
}

/// Whether `path` may be used as a file of one's own: no link, a plain file, of this user or of root; and root may help
/// with a file whose owner has the folder as well.
///
/// # Errors
/// What is against it.
pub(crate) fn must_be_own(path: &Path, meta: &Metadata) -> Result<(), FileFault> {
    let path = path.to_owned();
    if meta.is_symlink() {
        return Err(FileFault::Link { path });
    }
    if let Some(kind) = odd_kind(meta) {
        return Err(FileFault::NotPlain { path, kind });
    }
    let uid = meta.uid();
    let helps = geteuid().is_root() && fs::metadata(folder_of(&path)).is_ok_and(|folder| folder.uid() == uid);
    if is_trusted(uid) || helps { Ok(()) } else { Err(FileFault::Foreign { path, owner: owner(uid) }) }
}

/// Makes a file that was not there, no link followed, with `mode` less the umask and the group of this process.
///
/// # Errors
/// What the system says, `AlreadyExists` among it.
pub fn create_new(path: &Path, mode: u32) -> io::Result<File> {
    let flags = flags(OFlags::NOFOLLOW);
    let file =
        File::options().read(true).write(true).create_new(true).mode(mode).custom_flags(flags).open(path)?;
    let group = getegid();
    let meta = file.metadata()?;
    // A folder may give its own group to what is made in it, and its members are other users.
    if meta.gid() != group.as_raw() && rustix::fs::fchown(&file, None, Some(group)).is_err() {
        file.set_permissions(fs::Permissions::from_mode(meta.mode() & 0o600))?;
    }
    Ok(file)
}

pub(crate) fn flags(flags: OFlags) -> i32 {
    // The flags of `open` are an int in C; none that is used here comes near its sign.
    flags.bits().cast_signed()
}

/// Takes rights that are not in `mode` away from the file at `path`, no link followed; the old rights when there were
/// any to take.
///
/// # Errors
/// What the system says.
pub(crate) fn tighten(path: &Path, mode: u32) -> Result<Option<u32>, FileFault> {
    let failed = |e: io::Error| refused(path, &e);
    // A plain descriptor may not be closed here: that would drop the locks that SQLite has on the file in this
    // process (`man 2 fcntl`). One of this kind holds none.
    let handle =
        rustix::fs::open(path, OFlags::PATH | OFlags::NOFOLLOW | OFlags::CLOEXEC, rustix::fs::Mode::empty())
            .map_err(|e| failed(e.into()))?;
    let name = format!("/proc/self/fd/{}", std::os::fd::AsRawFd::as_raw_fd(&handle));
    let meta = fs::metadata(&name).map_err(failed)?;
    let rights = meta.mode() & 0o7777;
    if !meta.is_file() || rights & !mode == 0 {
        return Ok(None);
    }
    fs::set_permissions(&name, fs::Permissions::from_mode(rights & mode)).map_err(failed)?;
    let left = fs::metadata(&name).map_err(failed)?.mode() & 0o7777;
    if left & !mode == 0 { Ok(Some(rights)) } else { Err(FileFault::Open { path: path.to_owned() }) }
}

/// The path of what stands beside the log with this end of its name.
pub(crate) fn beside(path: &Path, end: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(end);
    name.into()
}
