//! A daemon that is killed: what it had committed is there, and the file opens clean.

use std::io::{BufRead, BufReader};
use std::process::{Command, Stdio};
use std::time::Duration;

use hereabout_store::{LogReader, Record, SessionPick, SessionStart, Store};
use sqlx::Connection;

mod support;
use support::{at, outputs, ranges, start};

const LOG: &str = "HEREABOUT_TEST_CUT_OFF_LOG";

/// The process that will be killed.
#[tokio::test]
#[ignore = "runs inside the test below, which kills it"]
async fn victim() {
    let path = std::env::var_os(LOG).expect("the name of a log in the environment");
    let writer = Store::open(path).await.unwrap().begin_session(start()).await.unwrap();
    // Bounded, should the parent have gone.
    for n in 1..6000 {
        outputs(n).iter().filter_map(Record::from_output).for_each(|r| writer.push(r));
        let stats = writer.stats();
        eprintln!("pushed {n} commits {} safe {}", stats.commits, stats.written_frames);
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
}

#[tokio::test]
async fn a_killed_daemon_leaves_a_whole_file_with_all_that_was_committed() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "victim", "--ignored", "--nocapture"])
        .env(LOG, &path)
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let (mut pushed, mut safe) = (0, 0);
    for line in BufReader::new(child.stderr.take().unwrap()).lines() {
        let line = line.unwrap();
        let numbers: Vec<u64> = line.split(' ').filter_map(|w| w.parse().ok()).collect();
        if let [n, commits, written] = numbers[..] {
            (pushed, safe) = (n, written);
            // Killed in mid-second, with records that are not safe yet.
            if commits >= 2 && pushed > safe + 20 {
                break;
            }
        }
    }
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(safe > 0 && pushed > safe, "{pushed} pushed, {safe} safe");

    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(&path);
    let mut db = sqlx::SqliteConnection::connect_with(&options).await.unwrap();
    let word: String = sqlx::query_scalar("PRAGMA integrity_check").fetch_one(&mut db).await.unwrap();
    assert_eq!(word, "ok");
    assert!(sqlx::query("PRAGMA foreign_key_check").fetch_all(&mut db).await.unwrap().is_empty());
    db.close().await.unwrap();

    let log = LogReader::open(&path).await.unwrap();
    let info = log.session(SessionPick::Latest).await.unwrap();
    assert!(info.frames >= safe, "{} frames, {safe} were safe", info.frames);
    assert_eq!((info.fixes, info.ended_at), (info.frames, None));
    assert_eq!(info.last_at, Some(at(info.frames)));
    let read = log.frames(info.id).await.unwrap().next_batch().await.unwrap();
    assert_eq!(read, (1..=info.frames).map(ranges).collect::<Vec<_>>());

    // The lock went with the process: the next daemon takes over at once, as a session of its own.
    let next = Store::open(&path).await.unwrap().begin_session(start()).await.unwrap();
    assert_eq!(next.session(), Some(info.id + 1));
    next.finish(at(pushed)).await.unwrap();
}
