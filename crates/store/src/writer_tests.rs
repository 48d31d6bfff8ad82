//! Failing writes: whichever write fails, what was committed stays, the file stays whole, and once the disk is
//! well again nothing is missing.

use std::path::Path;

use super::*;
use crate::{LogReader, SessionPick};

#[path = "../tests/support/mod.rs"]
mod support;
use support::{at, outputs, position, ranges};

const OPTIONS: WriterOptions = WriterOptions { capacity: 64, commit_every: Duration::from_millis(10) };

/// A writer that is not running yet, on a fresh session.
async fn writer(store: Store, options: WriterOptions) -> Writer {
    let mut store = store;
    let id = sqlx::query_scalar(
        "INSERT INTO session (started_at_us, site_text, frame_layout, source, program_version) \
         VALUES (0, '', '', '', '') RETURNING id",
    )
    .fetch_one(&mut store.db)
    .await
    .unwrap();
    Writer::new(store, id, options)
}

fn both(n: u64) -> impl Iterator<Item = Record> {
    outputs(n).into_iter().filter_map(|o| Record::from_output(&o))
}

/// Every page in order, every reference kept, every counter equal to its rows.
async fn assert_whole(path: &Path) {
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(path);
    let mut db = SqliteConnection::connect_with(&options).await.unwrap();
    let word: String = sqlx::query_scalar("PRAGMA integrity_check").fetch_one(&mut db).await.unwrap();
    assert_eq!(word, "ok");
    let orphans = sqlx::query("PRAGMA foreign_key_check").fetch_all(&mut db).await.unwrap();
    assert!(orphans.is_empty(), "{} rows without a parent", orphans.len());
    let off: i64 = sqlx::query_scalar(
        "SELECT count(*) FROM session s WHERE frames <> (SELECT count(*) FROM frame WHERE session = s.id) \
         OR fixes <> (SELECT count(*) FROM fix WHERE session = s.id) \
         OR events <> (SELECT count(*) FROM event WHERE session = s.id)",
    )
    .fetch_one(&mut db)
    .await
    .unwrap();
    assert_eq!(off, 0, "a session's counters differ from its rows");
    db.close().await.unwrap();
}

fn disk_full() -> sqlx::Error {
    sqlx::Error::Io(std::io::ErrorKind::StorageFull.into())
}

#[tokio::test]
async fn whichever_write_fails_nothing_is_lost() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    let (mut nth, mut struck) = (0, true);
    while struck {
        let mut w = writer(Store::open(&path).await.unwrap(), OPTIONS).await;
        let hit = Arc::new(std::sync::atomic::AtomicBool::new(false));
        let seen = Arc::clone(&hit);
        let mut left: i64 = nth;
        w.before_write = Some(Box::new(move || {
            left -= 1;
            if left == -1 {
                seen.store(true, std::sync::atomic::Ordering::Relaxed);
                return Err(disk_full());
            }
            Ok(())
        }));
        let (sender, told) = std::sync::mpsc::channel();
        w.sink = Some(Box::new(move |event: StoredEvent| sender.send(event).unwrap()));
        for n in 1..=6 {
            both(n).for_each(|r| w.queue.push(r));
            w.queue.push(Record::event(at(n), "mark", &n.to_string()));
            if n % 2 == 0 {
                w.round(true).await;
                assert_whole(&path).await;
            }
        }
        let session = w.session;
        let stats = w.end(Ending::Finished(at(7))).await.unwrap();
        assert_eq!((stats.written_frames, stats.written_fixes, stats.dropped(), stats.queued), (6, 6, 0, 0));
        let log = LogReader::open(&path).await.unwrap();
        assert_eq!(log.session(SessionPick::Id(session)).await.unwrap().ended_at, Some(at(7)));
        let read = log.frames(session).await.unwrap().next_batch().await.unwrap();
        assert_eq!(read, (1..=6).map(ranges).collect::<Vec<_>>(), "with write {nth} failing");
        let told: Vec<StoredEvent> = told.iter().collect();
        let from = 6 * (nth as u64) + 1;
        assert!(told.iter().map(|e| e.seq).eq(from..from + 6), "with write {nth} failing: {told:?}");
        assert_eq!(told, log.events(session).await.unwrap().next_batch().await.unwrap());
        struck = hit.load(std::sync::atomic::Ordering::Relaxed);
        nth += 1;
    }
    assert_whole(&path).await;
    // Three rounds of BEGIN, inserts, UPDATE and COMMIT, and the end: the loop must have met them all.
    assert!(nth > 12, "only {nth} writes were failed");
}

#[tokio::test]
async fn a_full_disk_costs_what_the_queue_cannot_hold_and_no_more() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    Store::open(&path).await.unwrap().close().await;
    // SQLite's own limit on the file gives a real SQLITE_FULL: https://www.sqlite.org/pragma.html#pragma_max_page_count
    let store = Store::open_tuned(&path, |o| o.pragma("max_page_count", "60")).await.unwrap();
    let mut w = writer(store, OPTIONS).await;
    let mut pushed = 0;
    while w.queue.stats().dropped() == 0 {
        pushed += 1;
        assert!(pushed < 10_000, "the limit never showed");
        both(pushed).for_each(|r| w.queue.push(r));
        w.round(true).await;
        let stats = w.queue.stats();
        assert_eq!(
            stats.written_frames + stats.written_fixes + stats.queued as u64 + stats.dropped(),
            2 * pushed
        );
    }
    let stats = w.queue.stats();
    assert!(stats.written_frames > 0);
    assert!(stats.last_error.unwrap().contains("is full"));
    assert_whole(&path).await;
    let session = w.session;
    let error = w.end(Ending::Finished(at(pushed))).await.unwrap_err();
    assert!(matches!(error, StoreError::Unwritten { frames: 1.., .. }), "{error}");
    assert_whole(&path).await;
    let log = LogReader::open(&path).await.unwrap();
    let info = log.session(SessionPick::Id(session)).await.unwrap();
    assert_eq!((info.frames, info.ended_at), (stats.written_frames, None));
}

#[tokio::test]
async fn a_record_that_the_schema_refuses_does_not_hold_up_the_others() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    let mut w = writer(Store::open(&path).await.unwrap(), OPTIONS).await;
    let again = hereabout_engine::Output::Position(position(2));
    (1..=3).flat_map(both).for_each(|r| w.queue.push(r));
    w.queue.push(Record::from_output(&again).unwrap());
    both(4).for_each(|r| w.queue.push(r));
    w.round(true).await;
    let stats = w.queue.stats();
    assert_eq!((stats.written_frames, stats.written_fixes), (4, 4));
    assert_eq!((stats.dropped_fixes, stats.queued, stats.last_error), (1, 0, None));
    assert!(!w.one_by_one, "the next batch is written together again");
    w.end(Ending::Abandoned).await.unwrap();
    assert_whole(&path).await;
}

#[tokio::test]
async fn a_deleted_log_is_told_and_a_returned_one_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let (path, aside) = (folder.path().join("larkfield.db"), folder.path().join("aside.db"));
    let mut w = writer(Store::open(&path).await.unwrap(), OPTIONS).await;
    both(1).for_each(|r| w.queue.push(r));
    w.round(true).await;
    std::fs::rename(&path, &aside).unwrap();
    both(2).for_each(|r| w.queue.push(r));
    w.round(true).await;
    let told = w.queue.stats();
    assert!(told.last_error.unwrap().contains("moved or deleted"));
    assert_eq!((told.written_frames, told.queued), (1, 2));
    std::fs::rename(&aside, &path).unwrap();
    w.round(true).await;
    assert_eq!(w.queue.stats().written_frames, 2);
    assert_eq!(w.queue.stats().last_error, None);
    w.end(Ending::Abandoned).await.unwrap();
    assert_whole(&path).await;
}
