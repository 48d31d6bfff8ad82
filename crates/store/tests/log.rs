//! The log from outside: what goes in comes out, and every refusal is reported in words.
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::path::Path;
use std::time::{Duration, Instant};

use arrayvec::ArrayVec;
use hereabout_core::{
    AnchorId, Doubt, Epoch, JudgedEpoch, JudgedRange, Location, LogFault, LogProblem, Micros, NoFixReason,
    PositionReport, RangeReading, TagId, TagState, Timestamp, Verdict,
};
use hereabout_engine::{AnchorTable, Output};
use hereabout_store::{
    EventNumbers, LastEnd, LogReader, Record, SessionPick, SessionStart, SessionWriter, Store, WriterOptions,
};
use hereabout_words::log::{fault, problem};
use proptest::prelude::*;
use sqlx::Connection;

mod support;
use support::{START_US, at, outputs, place, position, ranges};

fn start() -> SessionStart {
    SessionStart {
        site_text: "[site]\nname = \"Larkfield nursery\"\n".into(),
        calibration_text: Some("# none yet\n".into()),
        frame_layout: "c3 5a seq:u8 range:u16le*8 sum8 0a".into(),
        other_sites: Some("[{\"file\":\"north.toml\"}]".into()),
        ..support::start()
    }
}

/// A report made by a timer: the tag has been silent too long.
fn lost(seq: u64, at: Timestamp) -> PositionReport {
    PositionReport {
        location: Location::Lost,
        at,
        received_at: at,
        used: Default::default(),
        rejected: Default::default(),
        no_fix: Some(NoFixReason::TooFewRanges { have: 2, need: 3 }),
        ..position(seq)
    }
}

fn record(output: &Output) -> Record {
    Record::from_output(output).unwrap()
}

fn epoch_of(judged: &JudgedEpoch) -> Epoch {
    let readings =
        judged.ranges.iter().map(|r| RangeReading { anchor: r.anchor, raw_range_m: r.raw_range_m }).collect();
    let mut epoch = Epoch {
        measured_at: judged.measured_at,
        doubt: judged.doubt,
        ..Epoch::new(judged.at, judged.tag, judged.frame_seq, readings)
    };
    for (i, range) in judged.ranges.iter().enumerate() {
        if range.verdict == Verdict::Held {
            epoch.hold(i);
        }
    }
    epoch
}

type Bits = ([Timestamp; 2], Option<Doubt>, u16, TagId, Option<u32>, Vec<(AnchorId, Option<u64>)>);

/// An epoch with every number as its bits: `==` on floats takes -0.0 for 0.0.
fn bits(epoch: &Epoch) -> Bits {
    let readings = epoch.readings.iter().map(|r| (r.anchor, r.raw_range_m.map(f64::to_bits)));
    let times = [epoch.at, epoch.measured_at];
    (times, epoch.doubt, epoch.held, epoch.tag, epoch.frame_seq, readings.collect())
}

fn any_real() -> impl Strategy<Value = Option<f64>> {
    let number = any::<u64>().prop_map(f64::from_bits).prop_filter("a number", |v| !v.is_nan());
    let handy = prop_oneof![Just(0.0), Just(5.0), Just(f64::MIN_POSITIVE / 3.0), 0.0..60.0f64];
    // SQLite keeps no sign of zero: see the test below.
    let unsigned_zero = |v: f64| v + 0.0;
    prop::option::weighted(0.85, prop_oneof![number, handy].prop_map(unsigned_zero))
}

fn any_verdict() -> impl Strategy<Value = Verdict> {
    prop::sample::select(&Verdict::ALL[..])
}

fn any_doubt() -> impl Strategy<Value = Doubt> {
    prop::sample::select(&Doubt::ALL[..])
}

prop_compose! {
    fn any_range()(anchor in any::<u16>(), raw_range_m in any_real(), range_m in any_real(), verdict in any_verdict(),
                   residual_m in any_real(), standardised_residual in any_real(),
                   p_good in prop::option::of(0.0..=1.0f64)) -> JudgedRange {
        let anchor = AnchorId(anchor);
        JudgedRange { anchor, raw_range_m, range_m, verdict, residual_m, standardised_residual, p_good }
    }
}

prop_compose! {
    fn any_epoch()(at in any::<i64>(), age in any::<u16>(), doubt in prop::option::of(any_doubt()), tag in any::<u32>(), frame_seq in any::<Option<u32>>(),
                   ranges in prop::collection::vec(any_range(), 0..=16)) -> JudgedEpoch {
        let at = Timestamp::from_micros(at);
        let measured_at = at.plus(Micros::from_micros(-i64::from(age)));
        JudgedEpoch { at, measured_at, doubt, tag: TagId(tag), frame_seq, ranges: ranges.into_iter().collect() }
    }
}

fn block_on<T>(future: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(future)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(48) })]
    #[test]
    fn epochs_come_back_bit_for_bit(epochs in prop::collection::vec(any_epoch(), 0..40)) {
        let (read, judged) = block_on(async {
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("larkfield.db");
            let writer = Store::open(&path).await.unwrap().begin_session(start()).await.unwrap();
            epochs.iter().for_each(|e| writer.push(record(&Output::Ranges(e.clone()))));
            let id = writer.session().unwrap();
            writer.finish(at(1)).await.unwrap();
            let log = LogReader::open(&path).await.unwrap();
            let epochs = log.epochs(id).await.unwrap().next_batch().await.unwrap();
            (epochs, log.frames(id).await.unwrap().next_batch().await.unwrap())
        });
        let fed: Vec<Bits> = epochs.iter().map(|e| bits(&epoch_of(e))).collect();
        prop_assert_eq!(read.iter().map(bits).collect::<Vec<_>>(), fed);
        prop_assert_eq!(judged, epochs);
    }
}

/// SQLite stores whole numbers of a REAL column as integers (<https://www.sqlite.org/datatype3.html>, section 2),
/// so the one value that does not come back bit for bit is the negative zero.
#[tokio::test]
async fn a_negative_zero_comes_back_as_zero() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    let writer = Store::open(&path).await.unwrap().begin_session(start()).await.unwrap();
    let mut epoch = ranges(1);
    epoch.ranges[0].raw_range_m = Some(-0.0);
    writer.push(record(&Output::Ranges(epoch)));
    writer.finish(at(2)).await.unwrap();
    let log = LogReader::open(&path).await.unwrap();
    let read = log.epochs(1).await.unwrap().next_batch().await.unwrap();
    assert_eq!(read[0].readings[0].raw_range_m.map(f64::to_bits), Some(0));
}

#[tokio::test]
async fn a_session_comes_back_with_all_that_was_said() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    let writer = Store::open(&path).await.unwrap().begin_session(start()).await.unwrap();
    let mut reports = vec![position(1), position(2), lost(3, at(40)), position(4)];
    reports[1].location = Location::Ambiguous(ArrayVec::from([place(1.0), place(2.0)]));
    for report in &reports {
        if report.state() != TagState::Lost {
            writer.push(record(&Output::Ranges(ranges(report.seq))));
        }
        writer.push(record(&Output::Position(report.clone())));
    }
    writer.push(Record::event(1, at(9), "link", "waiting: the port is gone"));
    let stats = writer.finish(at(50)).await.unwrap();
    assert_eq!((stats.written_frames, stats.written_fixes, stats.written_events), (3, 4, 1));

    let log = LogReader::open(&path).await.unwrap();
    let info = log.session(SessionPick::Latest).await.unwrap();
    assert_eq!((info.frames, info.fixes, info.events), (3, 4, 1));
    assert_eq!((info.started_at, info.ended_at), (Timestamp::from_micros(START_US), Some(at(50))));
    assert_eq!(info.site_text, start().site_text);
    assert_eq!(info.calibration_text, start().calibration_text);
    assert_eq!(info.frame_layout, start().frame_layout);
    assert_eq!(info.other_sites, start().other_sites);
    let fixes = log.fixes(info.id).await.unwrap().next_batch().await.unwrap();
    assert_eq!(fixes.iter().map(|f| f.frame).collect::<Vec<_>>(), [Some(1), Some(2), None, Some(3)]);
    assert_eq!(fixes.into_iter().map(|f| f.report).collect::<Vec<_>>(), reports);
    let events = log.events(info.id).await.unwrap().next_batch().await.unwrap();
    assert_eq!((events[0].kind.as_str(), events[0].detail.as_str()), ("link", "waiting: the port is gone"));
}

#[test]
fn health_tables_are_not_logged() {
    let table = AnchorTable { at: at(1), rows: ArrayVec::new(), kit: ArrayVec::new() };
    assert!(Record::from_output(&Output::Anchors(table.into())).is_none());
}

#[tokio::test]
async fn long_sessions_are_read_in_bounded_batches_and_sessions_stay_apart() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    for frames in [3, 5000] {
        let writer = Store::open(&path).await.unwrap().begin_session(start()).await.unwrap();
        for n in 1..=frames {
            writer.push_wait(record(&Output::Ranges(ranges(n)))).await;
        }
        writer.finish(at(frames)).await.unwrap();
    }
    let log = LogReader::open(&path).await.unwrap();
    let sessions = log.sessions().await.unwrap();
    assert_eq!(sessions.iter().map(|s| (s.id, s.frames)).collect::<Vec<_>>(), [(1, 3), (2, 5000)]);
    let mut cursor = log.epochs(2).await.unwrap();
    let (mut batches, mut n) = (0, 0);
    loop {
        let batch = cursor.next_batch().await.unwrap();
        if batch.is_empty() {
            break;
        }
        batches += 1;
        // How long a page is follows the disk, up to this.
        assert!(batch.len() <= 4096, "{} epochs at once", batch.len());
        for epoch in batch {
            n += 1;
            assert_eq!(epoch, epoch_of(&ranges(n)));
        }
    }
    assert!(batches >= 2 && n == 5000, "{n} epochs in {batches} batches");
    let error = fault(&log.session(SessionPick::Id(7)).await.unwrap_err()).line();
    assert!(error.contains("no session 7") && error.contains("2 sessions, 1 to 2"), "{error:?}");
}

/// Waits until `holds`; a minute is far beyond what any machine needs.
async fn until(what: &str, mut holds: impl FnMut() -> bool) {
    let begun = Instant::now();
    while !holds() {
        assert!(begun.elapsed() < Duration::from_secs(60), "{what} did not happen");
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
}

#[tokio::test]
async fn a_live_session_commits_once_a_second_and_can_be_read_meanwhile() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    let writer = Store::open(&path).await.unwrap().begin_session(start()).await.unwrap();
    let (begun, mut n) = (Instant::now(), 0);
    until("the second commit", || {
        n += 1;
        outputs(n).iter().for_each(|o| writer.push(record(o)));
        writer.stats().commits >= 2
    })
    .await;
    let stats = writer.stats();
    let seconds = begun.elapsed().as_secs();
    assert!(stats.commits <= seconds, "{} commits in {seconds} whole seconds", stats.commits);
    assert!(stats.last_commit_at > Some(at(1)) && stats.last_commit_at <= Some(at(n)));

    let log = LogReader::open(&path).await.unwrap();
    let info = log.session(SessionPick::Latest).await.unwrap();
    assert_eq!(info.ended_at, None);
    assert!(info.frames >= stats.written_frames);
    let read = log.epochs(info.id).await.unwrap().next_batch().await.unwrap();
    assert!(read.len() as u64 >= info.frames);
    assert_eq!(read[0], epoch_of(&ranges(1)));
    let stats = writer.finish(at(n)).await.unwrap();
    assert_eq!((stats.written_frames, stats.queued, stats.dropped()), (n, 0, 0));
}

#[tokio::test]
async fn a_locked_file_costs_only_what_the_queue_cannot_hold() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    let options = WriterOptions { capacity: 100, commit_every: Duration::from_millis(20) };
    let writer = Store::open(&path).await.unwrap().begin_session_with(start(), options).await.unwrap();
    // A SQLite shell in a transaction.
    let mut shell = open_raw(&path).await;
    sqlx::query("BEGIN IMMEDIATE").execute(&mut shell).await.unwrap();
    for n in 1..=90 {
        outputs(n).iter().for_each(|o| writer.push(record(o)));
    }
    let full = writer.stats();
    assert_eq!((full.queued as u64 + full.written_frames + full.written_fixes, full.dropped()), (100, 80));
    assert_eq!((full.dropped_frames, full.dropped_fixes), (40, 40));
    until("the word about the lock", || {
        writer.stats().last_error.is_some_and(|e| problem(&e).line().contains("locked"))
    })
    .await;
    sqlx::query("ROLLBACK").execute(&mut shell).await.unwrap();
    until("recovery", || writer.stats().queued == 0).await;
    assert_eq!(writer.stats().last_error, None);
    let stats = writer.finish(at(90)).await.unwrap();
    assert_eq!((stats.written_frames, stats.written_fixes, stats.dropped_frames), (50, 50, 40));
    let log = LogReader::open(&path).await.unwrap();
    let info = log.session(SessionPick::Latest).await.unwrap();
    assert_eq!((info.frames, info.dropped_frames, info.dropped_fixes), (50, 40, 40));
    let read = log.epochs(info.id).await.unwrap().next_batch().await.unwrap();
    assert_eq!(read[0].at, at(41), "the oldest were dropped");
}

async fn open_raw(path: &Path) -> sqlx::SqliteConnection {
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(path).create_if_missing(true);
    sqlx::SqliteConnection::connect_with(&options).await.unwrap()
}

async fn run_raw(path: &Path, sql: &'static str) {
    let mut db = open_raw(path).await;
    sqlx::raw_sql(sql).execute(&mut db).await.unwrap();
    db.close().await.unwrap();
}

#[tokio::test]
async fn a_waiting_push_loses_nothing_through_a_small_queue() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    let options = WriterOptions { capacity: 16, commit_every: Duration::from_secs(1) };
    let writer = Store::open(&path).await.unwrap().begin_session_with(start(), options).await.unwrap();
    for n in 1..=300 {
        for output in outputs(n) {
            writer.push_wait(record(&output)).await;
        }
    }
    let stats = writer.finish(at(300)).await.unwrap();
    assert_eq!((stats.written_frames, stats.written_fixes, stats.dropped()), (300, 300, 0));
}

#[tokio::test]
async fn two_writers_of_one_file_are_refused_also_by_another_name() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    let first = Store::open(&path).await.unwrap();
    let way = folder.path().join("way");
    std::os::unix::fs::symlink(folder.path(), &way).unwrap();
    let link = way.join("larkfield.db");
    for name in [&path, &link] {
        match Store::open(name).await {
            Err(LogFault::InUse { process, .. }) => assert_eq!(process, Some(std::process::id())),
            other => panic!("{other:?}"),
        }
    }
    first.close().await;
    Store::open(&link).await.unwrap().close().await;
}

#[tokio::test]
async fn files_that_are_no_logs_are_refused_and_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let text = folder.path().join("notes.txt");
    std::fs::write(&text, "Seedlings are in the glasshouse. ".repeat(100)).unwrap();
    assert!(matches!(Store::open(&text).await, Err(LogFault::NotADatabase { .. })));
    assert!(matches!(LogReader::open(&text).await, Err(LogFault::NotADatabase { .. })));
    assert!(std::fs::read_to_string(&text).unwrap().starts_with("Seedlings"));

    let other = folder.path().join("stock.db");
    run_raw(&other, "CREATE TABLE plants (name TEXT)").await;
    let before = std::fs::read(&other).unwrap();
    assert!(matches!(Store::open(&other).await, Err(LogFault::OtherDatabase { .. })));
    assert!(matches!(LogReader::open(&other).await, Err(LogFault::OtherDatabase { .. })));
    assert_eq!(std::fs::read(&other).unwrap(), before);
}

#[tokio::test]
async fn a_newer_schema_is_refused_with_both_versions() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    Store::open(&path).await.unwrap().close().await;
    run_raw(
        &path,
        "INSERT INTO _sqlx_migrations (version, description, success, checksum, execution_time) \
         VALUES (9000, 'from the future', 1, x'00', 0)",
    )
    .await;
    let expected =
        |e: LogFault| assert!(matches!(e, LogFault::NewerSchema { found: 9000, known: 1.., .. }), "{e:?}");
    expected(Store::open(&path).await.unwrap_err());
    expected(LogReader::open(&path).await.unwrap_err());
}

#[tokio::test]
async fn places_where_no_log_can_be_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("a-file");
    std::fs::write(&file, "").unwrap();
    for path in [file.join("larkfield.db"), folder.path().join("nowhere/larkfield.db")] {
        let error = Store::open(&path).await.unwrap_err();
        assert!(matches!(error, LogFault::NoFolder { .. }), "{error:?}");
        assert!(fault(&error).line().contains("choose another [log] path"));
    }
    let error = Store::open(folder.path()).await.unwrap_err();
    assert!(matches!(error, LogFault::Untrusted { .. }), "{error:?}");
    assert!(fault(&error).line().contains("is a folder, not a plain file"), "{error:?}");
    let missing = LogReader::open(folder.path().join("larkfield.db")).await.unwrap_err();
    assert!(matches!(missing, LogFault::NoSuchFile { .. }));
}

#[tokio::test]
async fn an_empty_log_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    Store::open(&path).await.unwrap().close().await;
    let log = LogReader::open(&path).await.unwrap();
    assert!(matches!(log.session(SessionPick::Latest).await, Err(LogFault::Empty { .. })));
}

#[tokio::test]
async fn the_views_put_codes_and_times_into_words() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    let writer = Store::open(&path).await.unwrap().begin_session(start()).await.unwrap();
    outputs(1).iter().for_each(|o| writer.push(record(o)));
    writer.finish(at(2)).await.unwrap();
    let mut db = open_raw(&path).await;
    let words: (String, String) = sqlx::query_as("SELECT time, verdict FROM range_in_words WHERE anchor = 3")
        .fetch_one(&mut db)
        .await
        .unwrap();
    assert_eq!(words, ("2026-05-04T09:00:00.100Z".into(), "too long".into()));
    let state: String =
        sqlx::query_scalar("SELECT state FROM fix_in_words").fetch_one(&mut db).await.unwrap();
    assert_eq!(state, "located");
}

/// A log in a new folder.
fn new_log() -> (tempfile::TempDir, std::path::PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("larkfield.db");
    (folder, path)
}

/// A daemon's writer.
async fn kept_writer(path: &Path) -> (SessionWriter, EventNumbers) {
    let store = Store::open(path).await.unwrap();
    let numbers = EventNumbers::starting_at(store.first_event_number());
    let writer = store.begin_kept_session(path.to_owned(), start(), None, numbers.clone()).await.unwrap();
    (writer, numbers)
}

#[tokio::test]
async fn an_event_is_in_the_file_at_once() {
    let (_folder, path) = new_log();
    let (writer, numbers) = kept_writer(&path).await;
    writer.push(record(&Output::Ranges(ranges(1))));
    writer.push(Record::event(numbers.give(), at(1), "zone", r#"{"words":"inside"}"#));
    let until = Instant::now() + Duration::from_secs(20);
    while writer.stats().written_events == 0 && Instant::now() < until {
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    // It is there for another reader, with the frame that came before it.
    let log = LogReader::open(&path).await.unwrap();
    let info = log.session(SessionPick::Latest).await.unwrap();
    assert_eq!((info.events, info.frames), (1, 1));
    let events = log.events(info.id).await.unwrap().next_batch().await.unwrap();
    assert_eq!((events[0].seq, events[0].at, events[0].kind.as_str()), (1, at(1), "zone"));
    writer.finish(at(2)).await.unwrap();
}

#[tokio::test]
async fn numbers_of_events_grow_from_session_to_session() {
    let (_folder, path) = new_log();
    let mut given = Vec::new();
    for session in 0..3 {
        let (writer, numbers) = kept_writer(&path).await;
        for i in 0..=session {
            given.push(numbers.give());
            writer.push(Record::event(given[given.len() - 1], at(i), "mark", &format!("{session} {i}")));
        }
        writer.finish(at(9)).await.unwrap();
    }
    assert!(given.is_sorted_by(|a, b| a < b), "{given:?}");
    let mut store = Store::open(&path).await.unwrap();
    let stored = store.newest_events(100).await.unwrap();
    assert_eq!(stored.iter().map(|e| e.seq).collect::<Vec<_>>(), given);
    assert_eq!(store.newest_events(2).await.unwrap(), stored[4..]);
    assert!(store.first_event_number() > given[5]);
    assert_eq!(store.last_end().await.unwrap(), Some(LastEnd { cut_off: false, dropped_events: 0 }));
    store.close().await;
    let log = LogReader::open(&path).await.unwrap();
    assert_eq!(log.events(2).await.unwrap().next_batch().await.unwrap(), stored[1..3]);
}

#[tokio::test]
async fn a_log_that_can_not_be_opened_is_kept_as_soon_as_it_can() {
    let (_folder, path) = new_log();
    // A folder in the file's place.
    std::fs::create_dir(&path).unwrap();
    let refused = Store::open(&path).await.unwrap_err();
    let options = WriterOptions { commit_every: Duration::from_millis(10), ..WriterOptions::default() };
    let numbers = EventNumbers::starting_at(7);
    let writer = SessionWriter::keep(path.clone(), start(), options, numbers.clone(), &refused);
    assert_eq!(writer.stats().last_error, Some(LogProblem::Failed(refused)));
    writer.push(record(&Output::Ranges(ranges(1))));
    writer.push(Record::event(numbers.give(), at(1), "mark", "early"));
    tokio::time::sleep(Duration::from_millis(100)).await;
    assert_eq!(writer.stats().written_events, 0);
    std::fs::remove_dir(&path).unwrap();
    let until = Instant::now() + Duration::from_secs(20);
    while writer.stats().written_events == 0 && Instant::now() < until {
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    assert_eq!(writer.stats().last_error, None);
    writer.finish(at(2)).await.unwrap();
    let log = LogReader::open(&path).await.unwrap();
    let info = log.session(SessionPick::Latest).await.unwrap();
    assert_eq!((info.frames, info.events, info.started_at), (1, 1, start().started_at));
}

#[tokio::test]
async fn an_end_that_loses_something_is_an_error() {
    let (_folder, path) = new_log();
    std::fs::create_dir(&path).unwrap();
    let refused = Store::open(&path).await.unwrap_err();
    let numbers = EventNumbers::starting_at(7);
    let writer = SessionWriter::keep(path.clone(), start(), WriterOptions::default(), numbers, &refused);
    writer.push(record(&Output::Ranges(ranges(1))));
    (7..17).for_each(|seq| writer.push(Record::event(seq, at(1), "mark", "never written")));
    let error = writer.finish(at(2)).await.unwrap_err();
    assert!(matches!(error, LogFault::Unwritten { frames: 1, events: 10, .. }), "{error:?}");
}

#[tokio::test]
async fn events_of_an_older_log_are_numbered_in_their_order() {
    let (folder, path) = new_log();
    let old = folder.path().join("migrations");
    std::fs::create_dir(&old).unwrap();
    let all = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../migrations");
    for name in ["0001_log.sql", "0002_tracker.sql"] {
        std::fs::copy(all.join(name), old.join(name)).unwrap();
    }
    let mut db = open_raw(&path).await;
    sqlx::migrate::Migrator::new(old).await.unwrap().run(&mut db).await.unwrap();
    for id in [1, 2] {
        sqlx::query("INSERT INTO session (id, started_at_us, site_text, frame_layout, source, program_version, events) VALUES (?, 0, '', '', '', '', 2)")
            .bind(id).execute(&mut db).await.unwrap();
        for seq in [1, 2] {
            sqlx::query("INSERT INTO event (session, seq, at_us, kind, detail) VALUES (?, ?, 5, 'link', ?)")
                .bind(id)
                .bind(seq)
                .bind(format!("{id} {seq}"))
                .execute(&mut db)
                .await
                .unwrap();
        }
    }
    db.close().await.unwrap();
    let mut store = Store::open(&path).await.unwrap();
    let read = store.newest_events(10).await.unwrap();
    let read: Vec<_> = read.iter().map(|e| (e.seq, e.detail.as_str())).collect();
    assert_eq!(read, [(1, "1 1"), (2, "1 2"), (3, "2 1"), (4, "2 2")]);
    assert_eq!(store.first_event_number(), 5);
    store.close().await;
}
