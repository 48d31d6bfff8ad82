//! Who holds a lock is found in a folder like `/proc`, also where processes can't be looked into.

use std::os::unix::fs::symlink;

use super::*;

/// A folder like `/proc` and a lock.
fn machine() -> (tempfile::TempDir, File, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let name = folder.path().join("larkfield.db.lock");
    let lock = File::create(&name).unwrap();
    fs::create_dir(folder.path().join("proc")).unwrap();
    (folder, lock, name)
}

fn process(proc: &Path, pid: u32, open: Option<(&Path, bool)>) {
    let home = proc.join(pid.to_string());
    fs::create_dir_all(home.join("fdinfo")).unwrap();
    let Some((to, locked)) = open else { return };
    fs::create_dir(home.join("fd")).unwrap();
    symlink(to, home.join("fd/7")).unwrap();
    let lock = if locked { "lock:\t1: FLOCK  ADVISORY  WRITE 7 00:18:9 0 EOF\n" } else { "" };
    fs::write(home.join("fdinfo/7"), format!("pos:\t0\n{lock}")).unwrap();
}

fn table(proc: &Path, pid: u32, lock: &File) {
    let meta = lock.metadata().unwrap();
    let (major, minor) = (rustix::fs::major(meta.dev()), rustix::fs::minor(meta.dev()));
    let line = format!("1: FLOCK  ADVISORY  WRITE {pid} {major:02x}:{minor:02x}:{} 0 EOF\n", meta.ino());
    fs::write(proc.join("locks"), line).unwrap();
}

#[test]
fn the_process_with_the_locked_file_open_is_the_holder_whoever_took_the_lock() {
    let (folder, lock, name) = machine();
    let proc = folder.path().join("proc");
    table(&proc, 40, &lock);
    process(&proc, 40, Some((folder.path(), true)));
    process(&proc, 41, Some((&name, false)));
    assert_eq!(holder(&proc, &lock), None, "the taker lives and has it no more");
    process(&proc, 42, Some((&name, true)));
    assert_eq!(holder(&proc, &lock), Some(42));
}

#[test]
fn who_took_it_is_named_only_while_it_lives_and_cannot_be_looked_into() {
    let (folder, lock, _) = machine();
    let proc = folder.path().join("proc");
    assert_eq!(holder(&proc, &lock), None);
    table(&proc, 40, &lock);
    assert_eq!(holder(&proc, &lock), None, "it has ended");
    process(&proc, 40, None);
    assert_eq!(holder(&proc, &lock), Some(40));
    // A lock on another file says nothing.
    table(&proc, 40, &File::open(folder.path()).unwrap());
    assert_eq!(holder(&proc, &lock), None);
}
