//! Failing writes: whichever write fails, what was committed stays, the file stays whole, and once the disk is
//! well again nothing is missing.

use std::path::Path;

use super::*;
use crate::{LogReader, SessionPick};
use hereabout_core::LogFault;

#[path = "../../../tests/support/mod.rs"]
mod support;
use support::{at, outputs, position, ranges};

const OPTIONS: WriterOptions = WriterOptions { capacity: 64, commit_every: Duration::from_millis(10) };

fn start() -> SessionStart {
    SessionStart { started_at: at(0), site_text: "site".into(), ..support::start() }
}

/// A writer that is not running yet, on a fresh session.
async fn writer(store: Store, options: WriterOptions) -> Writer {
    let mut open = Open { db: store.db, file: store.file };
    let id = insert_session(&mut open.db, &start(), None).await.unwrap();
    let mut writer = Writer::new(options, None);
    writer.run_in(open);
    writer.kept = WriteState::of_session(id, Arc::new(start()));
    writer.now = writer.kept.clone();
    writer
}

/// A daemon's writer that is not running yet, without a file so far.
fn keeping(path: &Path, first: u64) -> Writer {
    let numbers = EventNumbers::starting_at(first);
    let writer = Writer::new(OPTIONS, Some(Keeping { path: path.to_owned(), numbers }));
    writer.queue.push(Record::session(SessionBegin::new(start(), None)));
    writer
}

/// Numbers and details of all events in a log, whatever their session.
async fn events_in(path: &Path) -> Vec<(u64, String)> {
    let mut store = Store::open(path).await.unwrap();
    let events = store.newest_events(10_000).await.unwrap();
    store.close().await;
    events.into_iter().map(|e| (e.seq, e.detail)).collect()
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

/// What people read is wrong.
fn problem_words(stats: &WriterStats) -> String {
    hereabout_words::log::problem(stats.last_error.as_ref().unwrap()).line()
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
        let from = 6 * nth.unsigned_abs() + 1;
        for n in 1..=6 {
            both(n).for_each(|r| w.queue.push(r));
            w.queue.push(Record::event(from + n - 1, at(n), "mark", &n.to_string()));
            if n % 2 == 0 {
                w.round(true).await;
                assert_whole(&path).await;
            }
        }
        let session = w.kept.session.unwrap();
        let stats = w.end(Ending::Finished(at(7))).await.unwrap();
        assert_eq!((stats.written_frames, stats.written_fixes, stats.dropped(), stats.queued), (6, 6, 0, 0));
        let log = LogReader::open(&path).await.unwrap();
        assert_eq!(log.session(SessionPick::Id(session)).await.unwrap().ended_at, Some(at(7)));
        let read = log.frames(session).await.unwrap().next_batch().await.unwrap();
        assert_eq!(read, (1..=6).map(ranges).collect::<Vec<_>>(), "with write {nth} failing");
        let events = log.events(session).await.unwrap().next_batch().await.unwrap();
        assert!(events.iter().map(|e| e.seq).eq(from..from + 6), "with write {nth} failing: {events:?}");
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
    assert!(problem_words(&stats).contains("is full"));
    assert_whole(&path).await;
    let session = w.kept.session.unwrap();
    let error = w.end(Ending::Finished(at(pushed))).await.unwrap_err();
    assert!(matches!(error, LogFault::Unwritten { frames: 1.., .. }), "{error:?}");
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
async fn a_deleted_log_is_reported_and_a_returned_one_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let (path, aside) = (folder.path().join("larkfield.db"), folder.path().join("aside.db"));
    let mut w = writer(Store::open(&path).await.unwrap(), OPTIONS).await;
    both(1).for_each(|r| w.queue.push(r));
    w.round(true).await;
    std::fs::rename(&path, &aside).unwrap();
    both(2).for_each(|r| w.queue.push(r));
    w.round(true).await;
    let stats = w.queue.stats();
    assert!(problem_words(&stats).contains("moved or deleted"));
    assert_eq!((stats.written_frames, stats.queued), (1, 2));
    std::fs::rename(&aside, &path).unwrap();
    w.round(true).await;
    assert_eq!(w.queue.stats().written_frames, 2);
    assert_eq!(w.queue.stats().last_error, None);
    w.end(Ending::Abandoned).await.unwrap();
    assert_whole(&path).await;
}

#[tokio::test]
async fn a_daemon_makes_a_deleted_log_anew_and_the_moved_one_has_all_up_to_then() {
    for folder_too in [false, true] {
        let top = tempfile::tempdir().unwrap();
        let (folder, aside) = (top.path().join("logs"), top.path().join("aside"));
        std::fs::create_dir(&folder).unwrap();
        let (path, moved) = (folder.join("larkfield.db"), aside.join("larkfield.db"));
        let mut w = keeping(&path, 1);
        both(1).for_each(|r| w.queue.push(r));
        w.queue.push(Record::event(1, at(1), "mark", "before"));
        w.round(true).await;
        if folder_too {
            std::fs::rename(&folder, &aside).unwrap();
        } else {
            std::fs::create_dir(&aside).unwrap();
            std::fs::rename(&path, &moved).unwrap();
        }
        both(2).for_each(|r| w.queue.push(r));
        w.queue.push(Record::event(2, at(2), "mark", "after"));
        w.round(true).await;
        let stats = w.queue.stats();
        assert_eq!((stats.written_frames, stats.written_events, stats.queued), (2, 2, 0), "over both files");
        assert_eq!((stats.last_error, stats.note), (None, None));
        w.end(Ending::Finished(at(3))).await.unwrap();
        for (path, seq, detail, n) in [(&moved, 1, "before", 1), (&path, 2, "after", 2)] {
            assert_whole(path).await;
            assert_eq!(events_in(path).await, [(seq, detail.to_owned())]);
            let log = LogReader::open(path).await.unwrap();
            let info = log.session(SessionPick::Latest).await.unwrap();
            assert_eq!((info.frames, info.site_text.as_str()), (1, "site"));
            assert_eq!(log.frames(info.id).await.unwrap().next_batch().await.unwrap(), [ranges(n)]);
        }
    }
}

/// Writes over the middle of every page but the first, as a dying card does.
fn damage(path: &Path) {
    let mut bytes = std::fs::read(path).unwrap();
    for page in bytes.chunks_mut(4096).skip(1) {
        page[..2_000].fill(0xa5);
    }
    std::fs::write(path, bytes).unwrap();
}

#[tokio::test]
async fn a_log_that_turns_out_damaged_is_left_and_goes_on_beside_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    let mut w = keeping(&path, 1);
    both(1).for_each(|r| w.queue.push(r));
    w.round(true).await;
    let open = w.open.as_mut().unwrap();
    sqlx::query("PRAGMA wal_checkpoint(TRUNCATE)").execute(&mut open.db).await.unwrap();
    damage(&path);
    // What SQLite holds in its memory of the pages is as before.
    sqlx::query("PRAGMA shrink_memory").execute(&mut open.db).await.unwrap();
    let damaged = std::fs::read(&path).unwrap();
    for n in 2..=3 {
        both(n).for_each(|r| w.queue.push(r));
        w.round(true).await;
    }
    let stats = w.queue.stats();
    assert_eq!((stats.written_frames, stats.queued, stats.last_error), (3, 0, None), "nothing is lost");
    let beside = folder.path().join("larkfield.2.db");
    assert_eq!(stats.path.as_deref(), Some(&*std::fs::canonicalize(&beside).unwrap()));
    let note = hereabout_words::log::note(&stats.note.unwrap()).line();
    assert!(note.contains("larkfield.db is damaged") && note.contains("larkfield.2.db"), "{note}");
    w.end(Ending::Finished(at(4))).await.unwrap();
    assert_eq!(std::fs::read(&path).unwrap(), damaged, "it is left as it is");
    assert_whole(&beside).await;
}

#[tokio::test]
async fn sessions_follow_each_other_in_the_queue_while_the_disk_fails() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    let mut w = keeping(&path, 1);
    both(1).for_each(|r| w.queue.push(r));
    w.before_write = Some(Box::new(|| Err(disk_full())));
    for n in 2..=3 {
        w.round(true).await;
        let begin = SessionBegin::new(SessionStart { started_at: at(n), ..start() }, None);
        w.queue.push(Record::session(begin));
        both(n).for_each(|r| w.queue.push(r));
    }
    assert!(problem_words(&w.queue.stats()).contains("is full"));
    w.before_write = None;
    w.round(true).await;
    let stats = w.queue.stats();
    assert_eq!((stats.written_frames, stats.written_fixes, stats.dropped(), stats.queued), (3, 3, 0, 0));
    w.end(Ending::Finished(at(9))).await.unwrap();
    let log = LogReader::open(&path).await.unwrap();
    for (id, ends) in [(1, 2), (2, 3), (3, 9)] {
        let info = log.session(SessionPick::Id(id)).await.unwrap();
        assert_eq!((info.frames, info.fixes, info.ended_at), (1, 1, Some(at(ends))));
        let frames = log.frames(id).await.unwrap().next_batch().await.unwrap();
        assert_eq!(frames, [ranges(id.unsigned_abs())]);
    }
    assert_whole(&path).await;
}

/// What is on the disk for sure at any moment: the log as it was, and its write-ahead log cut off anywhere after what was
/// synced. SQLite passes over what is not whole (<https://www.sqlite.org/walformat.html>).
#[tokio::test]
async fn after_a_loss_of_power_no_number_is_given_twice() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    let wal = |path: &Path| path.with_extension("db-wal");
    let mut first = 1;
    let mut cuts = 0;
    for run in 0..4 {
        let mut w = keeping(&path, first);
        w.round(true).await;
        let numbers = w.numbers.clone().unwrap();
        let synced = std::fs::metadata(wal(&path)).unwrap().len();
        let on_disk = std::fs::read(&path).unwrap();
        let mut reported = 0;
        for n in 0..=4 * run {
            reported = numbers.give();
            w.queue.push(Record::event(reported, at(n), "mark", "reported"));
            w.round(true).await;
        }
        let log = std::fs::read(wal(&path)).unwrap();
        assert_eq!(std::fs::read(&path).unwrap(), on_disk, "no checkpoint yet");
        let after = folder.path().join("after.db");
        for cut in (synced as usize..=log.len()).step_by(1_000) {
            std::fs::write(&after, &on_disk).unwrap();
            std::fs::write(wal(&after), &log[..cut]).unwrap();
            let store = Store::open(&after).await.unwrap();
            assert!(store.first_event_number() > reported, "{reported} was reported, cut at {cut}");
            store.close().await;
            cuts += 1;
        }
        w.end(Ending::Abandoned).await.unwrap();
        let store = Store::open(&path).await.unwrap();
        first = store.first_event_number();
        assert!(first > reported);
        store.close().await;
    }
    assert!(cuts > 20, "{cuts}");
}

#[tokio::test]
async fn numbers_are_set_aside_before_they_run_out_whichever_write_fails() {
    let folder = tempfile::tempdir().unwrap();
    for nth in 0..8 {
        let path = folder.path().join(format!("{nth}.db"));
        let mut w = keeping(&path, 1);
        let numbers = w.numbers.clone().unwrap();
        let mut left: i64 = nth;
        w.before_write = Some(Box::new(move || {
            left -= 1;
            if left == -1 { Err(disk_full()) } else { Ok(()) }
        }));
        let mut reported = 0;
        for n in 0..40 {
            for _ in 0..10 {
                reported = numbers.give();
            }
            w.queue.push(Record::event(reported, at(n), "mark", ""));
            w.round(true).await;
            w.round(true).await;
        }
        drop(w);
        // A kill: nothing was ended.
        let store = Store::open(&path).await.unwrap();
        assert!(
            store.first_event_number() > reported + 40,
            "with write {nth} failing, {reported} was reported"
        );
        store.close().await;
    }
}

#[tokio::test]
async fn a_reader_that_does_not_let_go_is_reported_and_forgotten_when_it_does() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    let options = WriterOptions { capacity: 32_768, ..OPTIONS };
    let keeping = Keeping { path: path.clone(), numbers: EventNumbers::starting_at(1) };
    let mut w = Writer::new(options, Some(keeping));
    w.queue.push(Record::session(SessionBegin::new(start(), None)));
    both(1).for_each(|r| w.queue.push(r));
    w.round(true).await;
    // Another program, in the middle of reading.
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(&path);
    let mut other = SqliteConnection::connect_with(&options).await.unwrap();
    sqlx::raw_sql("BEGIN; SELECT count(*) FROM frame").execute(&mut other).await.unwrap();
    let mut n = 1;
    while w.queue.stats().overgrown_wal.is_none() && n < 400_000 {
        for _ in 0..8_000 {
            n += 1;
            both(n).for_each(|r| w.queue.push(r));
        }
        w.round(true).await;
    }
    let bytes = w.queue.stats().overgrown_wal.unwrap();
    assert!(bytes >= OVERGROWN_WAL && w.queue.stats().last_error.is_none());
    sqlx::raw_sql("COMMIT").execute(&mut other).await.unwrap();
    other.close().await.unwrap();
    let db = &mut w.open.as_mut().unwrap().db;
    sqlx::query("PRAGMA wal_checkpoint(TRUNCATE)").execute(db).await.unwrap();
    w.round(true).await;
    assert_eq!(w.queue.stats().overgrown_wal, None);
    w.end(Ending::Finished(at(n))).await.unwrap();
}

/// What a run that is killed in the test below gets in its environment.
const KILLED_LOG: &str = "HEREABOUT_TEST_KILLED_LOG";
const KILLED_AT: &str = "HEREABOUT_TEST_KILLED_AT";

/// The process that ends without a word at a chosen write.
#[tokio::test]
#[ignore = "runs inside the test below, in a process of its own"]
async fn killed_at_a_write() {
    let path = std::env::var_os(KILLED_LOG).expect("the name of a log in the environment");
    let at_write: u64 = std::env::var(KILLED_AT).unwrap().parse().unwrap();
    let store = Store::open(&path).await.unwrap();
    let first = store.first_event_number();
    store.close().await;
    let mut w = keeping(Path::new(&path), first);
    let numbers = w.numbers.clone().unwrap();
    let mut left = at_write;
    w.before_write = Some(Box::new(move || {
        if left == 0 {
            std::process::abort();
        }
        left -= 1;
        Ok(())
    }));
    w.round(true).await;
    for n in 0..3 {
        // Told first, as a daemon does.
        for _ in 0..2 {
            let seq = numbers.give();
            eprintln!("told {seq}");
            w.queue.push(Record::event(seq, at(n), "mark", &seq.to_string()));
        }
        both(n).for_each(|r| w.queue.push(r));
        w.round(true).await;
    }
    w.end(Ending::Finished(at(9))).await.unwrap();
    eprintln!("ended");
}

#[tokio::test]
async fn a_run_that_is_killed_at_any_step_leaves_its_numbers_behind() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    let (mut reported, mut kept_of_cut_off, mut ended) = (Vec::new(), 0, false);
    let mut at_write = 0;
    while !ended {
        assert!(at_write < 100, "the steps never ended");
        let output = std::process::Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "write::writer::tests::killed_at_a_write", "--ignored", "--nocapture"])
            .env(KILLED_LOG, &path)
            .env(KILLED_AT, at_write.to_string())
            .output()
            .unwrap();
        let words = String::from_utf8(output.stderr).unwrap();
        let new: Vec<u64> = words.lines().filter_map(|l| l.strip_prefix("told ")?.parse().ok()).collect();
        ended = words.contains("ended");
        assert!(
            new.iter().all(|seq| reported.last().is_none_or(|last| seq > last)),
            "{new:?} after {reported:?}"
        );
        reported.extend(&new);
        assert_whole(&path).await;
        let events = events_in(&path).await;
        // Whatever is kept is what was reported under that number.
        assert!(
            events.iter().all(|(seq, detail)| reported.contains(seq) && *detail == seq.to_string()),
            "{events:?}"
        );
        kept_of_cut_off += usize::from(!ended && new.iter().any(|seq| events.iter().any(|e| e.0 == *seq)));
        let store = Store::open(&path).await.unwrap();
        assert!(
            reported.last().is_none_or(|last| store.first_event_number() > *last),
            "killed at {at_write}"
        );
        store.close().await;
        at_write += 1;
    }
    assert!(at_write > 15 && kept_of_cut_off > 5, "{at_write} steps, {kept_of_cut_off}");
}

#[tokio::test]
async fn damage_that_shows_only_when_it_is_written_leads_beside_it_too() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    for run in 0..2 {
        let mut w = keeping(&path, 1 + 1_000 * run);
        for n in 1..=20 {
            both(n).for_each(|r| w.queue.push(r));
            w.round(true).await;
        }
        if run == 0 {
            let open = w.open.as_mut().unwrap();
            sqlx::query("PRAGMA wal_checkpoint(TRUNCATE)").execute(&mut open.db).await.unwrap();
            // The tables of frames and ranges; what is read to open the file stays.
            let roots =
                "SELECT rootpage FROM sqlite_schema WHERE name IN ('frame', 'range') AND type = 'table'";
            let pages: Vec<i64> = sqlx::query_scalar(roots).fetch_all(&mut open.db).await.unwrap();
            let mut bytes = std::fs::read(&path).unwrap();
            for page in pages {
                let at = 4096 * (page as usize - 1);
                bytes[at..at + 4096].fill(0x5a);
            }
            std::fs::write(&path, bytes).unwrap();
            sqlx::query("PRAGMA shrink_memory").execute(&mut open.db).await.unwrap();
        }
        for n in 21..=40 {
            both(n).for_each(|r| w.queue.push(r));
            w.round(true).await;
        }
        let stats = w.queue.stats();
        assert_eq!((stats.written_frames, stats.queued, stats.last_error), (40, 0, None), "run {run}");
        assert!(stats.path.unwrap().ends_with("larkfield.2.db") && stats.note.is_some(), "run {run}");
        w.end(Ending::Finished(at(41))).await.unwrap();
    }
    assert_whole(&folder.path().join("larkfield.2.db")).await;
    assert!(!folder.path().join("larkfield.3.db").exists());
}

#[tokio::test]
async fn a_log_that_is_moved_while_another_program_reads_it_loses_no_row() {
    let folder = tempfile::tempdir().unwrap();
    let (path, aside) = (folder.path().join("larkfield.db"), folder.path().join("aside.db"));
    let mut w = keeping(&path, 1);
    both(1).for_each(|r| w.queue.push(r));
    w.round(true).await;
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(&path);
    let mut other = SqliteConnection::connect_with(&options).await.unwrap();
    sqlx::raw_sql("BEGIN; SELECT count(*) FROM frame").execute(&mut other).await.unwrap();
    std::fs::rename(&path, &aside).unwrap();
    for n in 2..=3 {
        both(n).for_each(|r| w.queue.push(r));
        w.round(true).await;
    }
    let stats = w.queue.stats();
    assert_eq!((stats.written_frames, stats.queued, stats.last_error), (3, 0, None));
    let note = hereabout_words::log::note(&stats.note.unwrap()).line();
    assert!(note.contains("larkfield.db-wal.left-1"), "{note}");
    w.end(Ending::Finished(at(4))).await.unwrap();
    drop(other);
    // What the note says.
    std::fs::rename(folder.path().join("larkfield.db-wal.left-1"), folder.path().join("aside.db-wal"))
        .unwrap();
    for (path, frames) in [(&aside, 1), (&path, 2)] {
        let log = LogReader::open(path).await.unwrap();
        assert_eq!(log.session(SessionPick::Latest).await.unwrap().frames, frames, "{}", path.display());
        assert_whole(path).await;
    }
}

#[tokio::test]
async fn a_file_made_anew_maps_to_utc_as_the_one_before_and_counts_its_own_drops() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    let mut w = keeping(&path, 1);
    let day = hereabout_core::Micros::from_secs_f64(86_400.0);
    w.queue.push(Record::clock(at(1), day));
    both(1).for_each(|r| w.queue.push(r));
    // Stamps of events are in UTC.
    w.queue.push(Record::event(1, at(1).plus(day), "clock", "{}"));
    w.round(true).await;
    std::fs::remove_file(&path).unwrap();
    // More than the queue holds, and a session that begins after that.
    (2..=60).flat_map(both).for_each(|r| w.queue.push(r));
    let dropped = w.queue.stats().dropped();
    assert!(dropped > 0);
    w.queue.push(Record::session(SessionBegin::new(SessionStart { started_at: at(61), ..start() }, None)));
    both(61).for_each(|r| w.queue.push(r));
    w.round(true).await;
    w.round(true).await;
    let all = w.queue.stats().dropped();
    w.end(Ending::Finished(at(62))).await.unwrap();
    let log = LogReader::open(&path).await.unwrap();
    let [first, second] = [1, 2].map(|id| log.session(SessionPick::Id(id)));
    let (first, second) = (first.await.unwrap(), second.await.unwrap());
    assert_eq!(first.started_at, at(1), "where the file before ended, on the session's own scale");
    // All that was dropped is of the first one, some of it while the second one waited already.
    assert!(all > dropped);
    assert_eq!(first.dropped_frames + first.dropped_fixes, all, "{first:?}");
    assert_eq!(first.frames + first.dropped_frames, 59);
    assert_eq!(second.dropped_frames + second.dropped_fixes + second.dropped_events, 0, "{second:?}");
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(&path);
    let mut db = SqliteConnection::connect_with(&options).await.unwrap();
    let clocks: Vec<(i64, i64)> =
        sqlx::query_as("SELECT session, utc_minus_session_us FROM clock").fetch_all(&mut db).await.unwrap();
    assert_eq!(clocks, [(1, day.micros())]);
}

#[tokio::test]
async fn what_is_dropped_before_a_session_could_begin_is_its_own() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    std::fs::create_dir(&path).unwrap();
    let mut w = keeping(&path, 1);
    w.round(true).await;
    (1..=100).flat_map(both).for_each(|r| w.queue.push(r));
    w.round(true).await;
    std::fs::remove_dir(&path).unwrap();
    w.round(true).await;
    let stats = w.queue.stats();
    assert!(stats.dropped_frames > 60 && stats.last_error.is_none());
    w.end(Ending::Finished(at(101))).await.unwrap();
    let log = LogReader::open(&path).await.unwrap();
    let info = log.session(SessionPick::Latest).await.unwrap();
    assert_eq!((info.dropped_frames, info.dropped_fixes), (stats.dropped_frames, stats.dropped_fixes));
    assert_eq!(info.frames + info.dropped_frames, 100);
}
