//! A log among strangers: who may read it, whose links and locks are trusted, and that a slow reader costs no disk.
#![cfg(unix)]
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::ffi::OsString;
use std::fs::{self, File, Permissions};
use std::os::unix::fs::{MetadataExt, PermissionsExt, chown, symlink};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use hereabout_core::LogFault;
use hereabout_engine::{InheritedTag, StartState};
use hereabout_store::{LogReader, Record, SessionPick, SessionStart, Store, WriterOptions};
use hereabout_words::log::fault;
use sqlx::Connection;

mod support;
use support::{at, outputs, ranges, start};

/// Somebody else: the overflow id, "nobody" by convention (from memory of `/proc/sys/kernel/overflowuid`).
const NOBODY: u32 = 65_534;

fn beside(path: &Path, end: &str) -> PathBuf {
    let mut name = OsString::from(path);
    name.push(end);
    name.into()
}

fn mode(path: &Path) -> u32 {
    fs::symlink_metadata(path).unwrap().mode() & 0o7777
}

fn set_mode(path: &Path, mode: u32) {
    fs::set_permissions(path, Permissions::from_mode(mode)).unwrap();
}

fn new_log() -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    (folder, path)
}

/// Whether files can be given to somebody else here.
fn is_superuser() -> bool {
    let is = fs::metadata("/proc/self").is_ok_and(|m| m.uid() == 0);
    if !is {
        println!("skipped: only the superuser can give files to somebody else");
    }
    is
}

async fn refused(path: &Path) -> String {
    fault(&Store::open(path).await.expect_err("must be refused")).line()
}

/// A session that is being written, so that everything that SQLite makes is there.
async fn writing(path: &Path) -> hereabout_store::SessionWriter {
    let options = WriterOptions { commit_every: Duration::from_millis(10), ..WriterOptions::default() };
    let writer = Store::open(path).await.unwrap().begin_session_with(start(), options).await.unwrap();
    outputs(1).iter().filter_map(Record::from_output).for_each(|r| writer.push(r));
    until(|| writer.stats().commits > 0).await;
    writer
}

async fn until(mut done: impl FnMut() -> bool) {
    for _ in 0..6_000 {
        if done() {
            return;
        }
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    panic!("waited in vain");
}

/// Every file of the log that is there, with what its rights are.
fn all_modes(path: &Path) -> Vec<(PathBuf, u32)> {
    let folder = fs::read_dir(path.parent().unwrap()).unwrap();
    folder.map(|e| e.unwrap().path()).map(|p| (p.clone(), mode(&p))).collect()
}

#[tokio::test]
async fn no_stranger_may_read_a_new_log_or_what_stands_beside_it() {
    let (_folder, path) = new_log();
    let writer = writing(&path).await;
    let found = all_modes(&path);
    assert!(found.len() >= 4, "the log, its -wal, -shm and lock: {found:?}");
    for (file, mode) in &found {
        assert_eq!(mode & !0o640, 0, "{} has mode {mode:04o}", file.display());
    }
    assert_eq!(mode(&beside(&path, ".lock")), 0o600);
    writer.finish(at(1)).await.unwrap();
}

#[tokio::test]
async fn a_log_that_strangers_could_read_is_tightened_with_all_that_stands_beside_it() {
    let (_folder, path) = new_log();
    Store::open(&path).await.unwrap().close().await;
    // A reader keeps -wal and -shm there; an older version made them as wide as the log.
    let mut shell =
        sqlx::SqliteConnection::connect_with(&sqlx::sqlite::SqliteConnectOptions::new().filename(&path))
            .await
            .unwrap();
    sqlx::query("SELECT count(*) FROM session").execute(&mut shell).await.unwrap();
    for file in [path.clone(), beside(&path, "-wal"), beside(&path, "-shm"), beside(&path, ".lock")] {
        set_mode(&file, 0o666);
    }
    let store = Store::open(&path).await.unwrap();
    for (file, mode) in all_modes(&path) {
        assert_eq!(mode & !0o640, 0, "{} has mode {mode:04o}", file.display());
    }
    assert_eq!(mode(&beside(&path, ".lock")), 0o600);
    store.close().await;
    shell.close().await.unwrap();
}

#[tokio::test]
async fn what_is_no_log_keeps_its_rights() {
    let (_folder, path) = new_log();
    fs::write(&path, "Seedlings are in the glasshouse. ".repeat(100)).unwrap();
    set_mode(&path, 0o644);
    assert!(refused(&path).await.contains("is not a SQLite database"));
    assert_eq!(mode(&path), 0o644);
}

#[tokio::test]
async fn a_lock_that_is_a_link_is_refused_and_what_it_leads_to_is_untouched() {
    let (folder, path) = new_log();
    let victim = folder.path().join("order-book.txt");
    fs::write(&victim, "400 trays of lavender").unwrap();
    let lock = beside(&path, ".lock");
    for second_name in [false, true] {
        if second_name {
            fs::hard_link(&victim, &lock).unwrap();
        } else {
            symlink(&victim, &lock).unwrap();
        }
        let told = refused(&path).await;
        assert!(told.contains("larkfield.db.lock") && told.contains("link"), "{told}");
        assert_eq!(fs::read_to_string(&victim).unwrap(), "400 trays of lavender");
        fs::remove_file(&lock).unwrap();
    }
    assert!(!path.exists(), "nothing is made for a log that is refused");
}

#[tokio::test]
async fn a_log_that_is_a_link_is_refused_and_its_folder_may_be_one() {
    let (folder, path) = new_log();
    let link = folder.path().join("link.db");
    symlink(&path, &link).unwrap();
    // Dangling and not.
    assert!(refused(&link).await.contains("symbolic link"));
    assert!(!path.exists());
    Store::open(&path).await.unwrap().close().await;
    assert!(refused(&link).await.contains("symbolic link"));

    let way = folder.path().join("way");
    symlink(folder.path(), &way).unwrap();
    let first = Store::open(&path).await.unwrap();
    // Two ways to one log lead to one lock.
    assert!(matches!(Store::open(way.join("larkfield.db")).await, Err(LogFault::InUse { .. })));
    first.close().await;
    Store::open(way.join("larkfield.db")).await.unwrap().close().await;
    for end in ["-wal", "-shm"] {
        symlink(folder.path().join("elsewhere"), beside(&path, end)).unwrap();
        assert!(refused(&path).await.contains("symbolic link"));
        fs::remove_file(beside(&path, end)).unwrap();
    }
}

#[tokio::test]
async fn files_of_somebody_else_are_refused_with_the_name_of_their_owner() {
    if !is_superuser() {
        return;
    }
    let (folder, path) = new_log();
    Store::open(&path).await.unwrap().close().await;
    for end in [".lock", "", "-wal"] {
        let file = beside(&path, end);
        let was_there = file.exists();
        File::options().create(true).append(true).open(&file).unwrap();
        chown(&file, Some(NOBODY), None).unwrap();
        let told = refused(&path).await;
        assert!(told.contains(file.to_str().unwrap()) && told.contains("65534"), "{told}");
        chown(&file, Some(0), None).unwrap();
        if !was_there {
            fs::remove_file(&file).unwrap();
        }
    }
    Store::open(&path).await.unwrap().close().await;

    // Somebody else's link on the way could lead anywhere.
    let way = folder.path().join("way");
    symlink(folder.path(), &way).unwrap();
    std::os::unix::fs::lchown(&way, Some(NOBODY), None).unwrap();
    let told = refused(&way.join("larkfield.db")).await;
    assert!(told.contains("way") && told.contains("65534"), "{told}");
    assert!(!path.parent().unwrap().join("way.lock").exists());
}

#[tokio::test]
async fn the_superuser_may_help_with_the_log_of_the_daemons_user() {
    if !is_superuser() {
        return;
    }
    let (folder, path) = new_log();
    Store::open(&path).await.unwrap().close().await;
    fs::remove_file(beside(&path, ".lock")).unwrap();
    chown(folder.path(), Some(NOBODY), Some(NOBODY)).unwrap();
    chown(&path, Some(NOBODY), Some(NOBODY)).unwrap();
    Store::open(&path).await.unwrap().close().await;
    // Its own user can take the lock afterwards.
    assert_eq!(fs::metadata(beside(&path, ".lock")).unwrap().uid(), NOBODY);
    Store::open(&path).await.unwrap().close().await;
}

/// A process that ends with the test, however that ends.
struct Ends(Child);

impl Drop for Ends {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// A process that holds the lock of the log, which nobody else has open.
fn holder_of(lock: &Path) -> Ends {
    let file = File::options().create(true).read(true).write(true).truncate(false).open(lock).unwrap();
    set_mode(lock, 0o600);
    file.lock().unwrap();
    Ends(Command::new("sleep").arg("600").stdin(Stdio::from(file)).stdout(Stdio::null()).spawn().unwrap())
}

#[tokio::test]
async fn who_holds_the_lock_is_named_and_never_one_that_has_ended() {
    let (_folder, path) = new_log();
    let lock = beside(&path, ".lock");
    let mut ended = Command::new("true").spawn().unwrap();
    ended.wait().unwrap();
    fs::write(&lock, format!("{}\n", ended.id())).unwrap();
    let holder = holder_of(&lock);
    let error = Store::open(&path).await.unwrap_err();
    let named = match &error {
        LogFault::InUse { process, .. } => *process,
        other => panic!("{other:?}"),
    };
    assert_eq!(named, Some(holder.0.id()), "{error:?}");
    assert_eq!(fs::read_to_string(&lock).unwrap(), format!("{}\n", ended.id()), "the lock is as it was");
    drop(holder);
    // The dead process's number alone refuses nobody.
    Store::open(&path).await.unwrap().close().await;
}

#[tokio::test]
async fn what_is_no_plain_file_is_refused_without_waiting_for_its_other_end() {
    for end in ["", ".lock", "-wal"] {
        let (_folder, path) = new_log();
        let fifo = beside(&path, end);
        assert!(Command::new("mkfifo").arg(&fifo).status().unwrap().success());
        let told = tokio::time::timeout(Duration::from_secs(60), refused(&path)).await.expect("an answer");
        assert!(told.contains(fifo.to_str().unwrap()) && told.contains("named pipe"), "{told}");
        if end.is_empty() {
            let reader = tokio::time::timeout(Duration::from_secs(60), LogReader::open(&path));
            let told = fault(&reader.await.expect("an answer").unwrap_err()).line();
            assert!(told.contains("named pipe"), "{told}");
        }
    }
}

async fn checkpoint(path: &Path) -> (i64, i64, i64) {
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(path);
    let mut db = sqlx::SqliteConnection::connect_with(&options).await.unwrap();
    let done = sqlx::query_as("PRAGMA wal_checkpoint(TRUNCATE)").fetch_one(&mut db).await.unwrap();
    db.close().await.unwrap();
    done
}

#[tokio::test]
async fn readers_that_stop_in_the_middle_keep_no_write_ahead_log_from_being_worked_off() {
    let (_folder, path) = new_log();
    let options = WriterOptions { commit_every: Duration::from_millis(10), ..WriterOptions::default() };
    let writer = Store::open(&path).await.unwrap().begin_session_with(start(), options).await.unwrap();
    for n in 1..=6_000 {
        for record in outputs(n).iter().filter_map(Record::from_output) {
            writer.push_wait(record).await;
        }
    }
    until(|| writer.stats().queued == 0).await;
    let log = LogReader::open(&path).await.unwrap();
    let id = log.session(SessionPick::Latest).await.unwrap().id;
    let (mut epochs, mut frames) = (log.epochs(id).await.unwrap(), log.frames(id).await.unwrap());
    let mut fixes = log.fixes(id).await.unwrap();
    // In the middle of the session, all three of them.
    assert!((1..6_000).contains(&epochs.next_batch().await.unwrap().len()));
    assert!((1..6_000).contains(&frames.next_batch().await.unwrap().len()));
    assert!((1..6_000).contains(&fixes.next_batch().await.unwrap().len()));
    for n in 6_001..=12_000 {
        for record in outputs(n).iter().filter_map(Record::from_output) {
            writer.push_wait(record).await;
        }
    }
    until(|| writer.stats().queued == 0).await;
    let (busy, _, _) = checkpoint(&path).await;
    assert_eq!(busy, 0, "somebody reads");
    assert_eq!(fs::metadata(beside(&path, "-wal")).unwrap().len(), 0);
    // They go on where they were.
    let mut seen = 0;
    loop {
        let batch = epochs.next_batch().await.unwrap();
        if batch.is_empty() {
            break;
        }
        seen += batch.len();
    }
    assert!(seen > 6_000, "{seen}");
    writer.finish(at(12_000)).await.unwrap();
}

#[tokio::test]
async fn what_a_long_session_began_with_is_found_without_reading_the_session() {
    let (_folder, path) = new_log();
    let mut store = Store::open(&path).await.unwrap();
    let epoch = |n| {
        let judged = ranges(n);
        hereabout_core::Epoch::new(judged.at, judged.tag, judged.frame_seq, Default::default())
    };
    let inherited: Vec<_> = (1..=1_800).map(epoch).collect();
    let tag = |(tag, n)| InheritedTag { tag: hereabout_core::TagId(tag), last_heard: at(n) };
    let tags: Vec<_> = [(9, 1_700), (u32::MAX, 3), (4, 1_800)].map(tag).into();
    store.inherit(StartState {
        at: at(1_800),
        seq: 7,
        delayed_seq: 0,
        zone_seq: 0,
        tags: tags.clone(),
        anchors: Default::default(),
        epochs: inherited.clone(),
    });
    let writer = store.begin_session(start()).await.unwrap();
    for n in 1_801..=4_000 {
        writer.push_wait(Record::from_output(&outputs(n)[0]).unwrap()).await;
    }
    writer.finish(at(4_000)).await.unwrap();
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(&path).foreign_keys(false);
    let mut db = sqlx::SqliteConnection::connect_with(&options).await.unwrap();
    // Whoever reads on beyond the first rows that are not inherited comes across this one and fails.
    sqlx::query("PRAGMA ignore_check_constraints = 1").execute(&mut db).await.unwrap();
    sqlx::query("UPDATE frame SET inherited = 1, doubt = 99 WHERE number = 3900")
        .execute(&mut db)
        .await
        .unwrap();
    db.close().await.unwrap();
    let log = LogReader::open(&path).await.unwrap();
    let found = log.start_state(1).await.unwrap().expect("an inheritance");
    assert_eq!(found.tags, tags, "in the order of their slots");
    assert_eq!(found.epochs.len(), inherited.len());
}
