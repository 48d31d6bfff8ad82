//! A log that may be read but not written: a technician's copy on a stick, the daemon's own folder.
#![cfg(unix)]
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::fs::Permissions;
use std::io::ErrorKind;
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::os::unix::process::CommandExt;
use std::process::Command;

use hereabout_core::LogFault;
use hereabout_store::{LogReader, Record, SessionPick, SessionStart, Store};

mod support;
use support::{at, outputs, ranges, start};

const LOG: &str = "HEREABOUT_TEST_RIGHTS_LOG";
/// Whom permission bits bind, when the tests run as the superuser: the overflow id, "nobody" by convention
/// (from memory of `/proc/sys/kernel/overflowuid`).
const NOBODY: u32 = 65_534;

async fn write_log(path: &std::path::Path) {
    let writer = Store::open(path).await.unwrap().begin_session(start()).await.unwrap();
    outputs(1).iter().filter_map(Record::from_output).for_each(|r| writer.push(r));
    writer.finish(at(1)).await.unwrap();
}

#[tokio::test]
#[ignore = "runs inside the test below, as somebody without rights"]
async fn reader_without_rights() {
    let path = std::env::var_os(LOG).expect("the name of a log in the environment");
    let refused = Store::open(&path).await.unwrap_err();
    assert!(matches!(refused, LogFault::Forbidden { .. }), "{refused:?}");
    let log = LogReader::open(&path).await.unwrap();
    let id = log.session(SessionPick::Latest).await.unwrap().id;
    assert_eq!(log.frames(id).await.unwrap().next_batch().await.unwrap(), [ranges(1)]);
}

#[tokio::test]
async fn a_log_in_a_read_only_folder_is_read_but_not_written() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    write_log(&path).await;
    std::fs::set_permissions(folder.path(), Permissions::from_mode(0o555)).unwrap();
    for entry in std::fs::read_dir(folder.path()).unwrap() {
        std::fs::set_permissions(entry.unwrap().path(), Permissions::from_mode(0o444)).unwrap();
    }
    let mut child = Command::new(std::env::current_exe().unwrap());
    child.args(["--exact", "reader_without_rights", "--ignored"]).env(LOG, &path).current_dir("/");
    if std::fs::metadata("/proc/self").is_ok_and(|m| m.uid() == 0) {
        child.uid(NOBODY).gid(NOBODY);
    }
    let ended = child.output();
    std::fs::set_permissions(folder.path(), Permissions::from_mode(0o755)).unwrap();
    match ended {
        Ok(ended) => assert!(ended.status.success(), "{}", String::from_utf8_lossy(&ended.stdout)),
        Err(e) if e.kind() == ErrorKind::PermissionDenied => {
            println!("skipped: the test program lies in a folder that nobody else may enter");
        }
        Err(e) => panic!("{e:?}"),
    }
}
