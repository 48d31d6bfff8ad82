//! Reading a log, also while a daemon writes it.
//!
//! Every cursor has a connection of its own and hands out bounded batches, so a day's log is read in a few megabytes. It
//! looks up where it stopped by key; it ends where the log ends at that moment, and later gives what has come since.
//!
//! While a statement runs, SQLite's write-ahead log can't start anew and grows (<https://www.sqlite.org/wal.html>). So a page
//! is read whole before anybody sees a row, and is shorter on a slow disk: a reader that takes its time holds nothing.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use arrayvec::ArrayVec;
use futures_util::TryStreamExt;
use hereabout_core::{AnchorId, Epoch, MAX_ANCHORS, Micros, RangeReading, TagId, Timestamp, Verdict};
use hereabout_engine::{
    InheritedAnchor, InheritedTag, JudgedEpoch, JudgedRange, PositionReport, RejectedRange, StartState,
};
use sqlx::sqlite::{SqliteConnectOptions, SqliteRow};
use sqlx::{ConnectOptions, Row, SqliteConnection};

use crate::StoreError;
use crate::error::from_sqlx;
use crate::files::{FileFault, odd_kind};
use crate::page::{Page, reading};
use crate::record::{doubt_from, no_fix_from, place_from, state_from, verdict_from};
use crate::schema::{newest_schema, refuse_other_databases};

/// Which session of a log is meant.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum SessionPick {
    /// The one that began last.
    #[default]
    Latest,
    /// The one with this id.
    Id(i64),
}

/// One session, as its row says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SessionInfo {
    /// From 1, in the order in which sessions began.
    pub id: i64,
    /// Its start, on the time scale of the data.
    pub started_at: Timestamp,
    /// Its end; `None` while it runs and when it was cut off.
    pub ended_at: Option<Timestamp>,
    /// Stamp of its newest record; `None` while it has none.
    pub last_at: Option<Timestamp>,
    /// The site file as it was run.
    pub site_text: String,
    /// The calibration file as it was run.
    pub calibration_text: Option<String>,
    /// The frame layout; empty when the source had none.
    pub frame_layout: String,
    /// Where the data came from.
    pub source: String,
    /// Version of the program that wrote it.
    pub program_version: String,
    /// What was known of other sites, as JSON; `None` when nothing was, and in sessions of before.
    pub other_sites: Option<String>,
    /// Frames in the log.
    pub frames: u64,
    /// Position reports in the log.
    pub fixes: u64,
    /// Events in the log.
    pub events: u64,
    /// Frames that were lost before they could be written.
    pub dropped_frames: u64,
    /// Position reports that were lost.
    pub dropped_fixes: u64,
    /// Events that were lost.
    pub dropped_events: u64,
}

/// A position report, as it was published.
#[derive(Clone, Debug, PartialEq)]
pub struct StoredFix {
    /// The report. `used` and `rejected` are in the order of the frame's ranges.
    pub report: PositionReport,
    /// Number of its frame in the session; `None` when a timer made it, or its frame was dropped.
    pub frame: Option<i64>,
}

/// An event, as it was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoredEvent {
    /// Its number ([`crate::EventNumbers`]); in logs of before from 1 without gaps.
    pub seq: u64,
    /// When it happened.
    pub at: Timestamp,
    /// What kind it is.
    pub kind: String,
    /// More about it.
    pub detail: String,
}

/// A log that is open for reading. It changes nothing.
#[derive(Clone, Debug)]
pub struct LogReader {
    path: PathBuf,
    options: SqliteConnectOptions,
}

impl LogReader {
    /// Opens the log and makes sure that it is one, of a schema that this program reads.
    pub async fn open(path: impl AsRef<Path>) -> Result<LogReader, StoreError> {
        let path = path.as_ref().to_path_buf();
        match std::fs::metadata(&path).ok().map(|meta| odd_kind(&meta)) {
            Some(None) => {}
            Some(Some(kind)) => {
                let fault = FileFault::NotPlain { path: path.clone(), kind };
                return Err(StoreError::Untrusted { path, fault });
            }
            None => return Err(StoreError::NoSuchFile { path }),
        }
        let options = SqliteConnectOptions::new()
            .filename(&path)
            .read_only(true)
            .busy_timeout(Duration::from_secs(5))
            .row_buffer_size(1024)
            .disable_statement_logging();
        let mut reader = LogReader { path, options };
        match reader.check().await {
            // In a folder that may not be written SQLite cannot set up what it shares with a writer. Without a
            // write-ahead log beside the file there is no writer, and the file may be read as it stands.
            Err(StoreError::Forbidden { .. }) if !reader.has_write_ahead_log() => {
                reader.options = reader.options.immutable(true);
                reader.check().await?;
            }
            other => other?,
        }
        Ok(reader)
    }

    fn has_write_ahead_log(&self) -> bool {
        let mut name = self.path.as_os_str().to_owned();
        name.push("-wal");
        Path::new(&name).exists()
    }

    async fn check(&self) -> Result<(), StoreError> {
        let mut db = self.connect().await?;
        refuse_other_databases(&self.path, &mut db).await?;
        let tables: i64 =
            sqlx::query_scalar("SELECT count(*) FROM sqlite_schema WHERE name = '_sqlx_migrations'")
                .fetch_one(&mut db)
                .await
                .map_err(|e| from_sqlx(&self.path, &e))?;
        if tables == 0 {
            return Err(StoreError::Empty { path: self.path.clone() });
        }
        let found: i64 = sqlx::query_scalar("SELECT coalesce(max(version), 0) FROM _sqlx_migrations")
            .fetch_one(&mut db)
            .await
            .map_err(|e| from_sqlx(&self.path, &e))?;
        let (path, known) = (self.path.clone(), newest_schema());
        match found.cmp(&known) {
            std::cmp::Ordering::Equal => Ok(()),
            std::cmp::Ordering::Greater => Err(StoreError::NewerSchema { path, found, known }),
            std::cmp::Ordering::Less => Err(StoreError::OlderSchema { path, found, known }),
        }
    }

    async fn connect(&self) -> Result<SqliteConnection, StoreError> {
        self.options.connect().await.map_err(|e| from_sqlx(&self.path, &e))
    }

    /// All sessions, oldest first.
    pub async fn sessions(&self) -> Result<Vec<SessionInfo>, StoreError> {
        let mut db = self.connect().await?;
        let rows = sqlx::query(
            "SELECT id, started_at_us, ended_at_us, last_at_us, site_text, calibration_text, frame_layout, source, \
             program_version, frames, fixes, events, dropped_frames, dropped_fixes, dropped_events, \
             other_sites FROM session ORDER BY id",
        )
        .fetch_all(&mut db)
        .await
        .map_err(|e| from_sqlx(&self.path, &e))?;
        rows.iter().map(|row| session_from(row).map_err(|e| from_sqlx(&self.path, &e))).collect()
    }

    /// One session, or [`StoreError::NoSuchSession`] with the ids that there are, or [`StoreError::Empty`].
    pub async fn session(&self, pick: SessionPick) -> Result<SessionInfo, StoreError> {
        let mut all = self.sessions().await?;
        let Some(newest) = all.pop() else {
            return Err(StoreError::Empty { path: self.path.clone() });
        };
        let SessionPick::Id(id) = pick else {
            return Ok(newest);
        };
        all.push(newest);
        let have = match all.as_slice() {
            [only] => format!("session {}", only.id),
            [first, .., last] => format!("{} sessions, {} to {}", all.len(), first.id, last.id),
            [] => String::new(),
        };
        let found = all.into_iter().find(|s| s.id == id);
        found.ok_or_else(|| StoreError::NoSuchSession { path: self.path.clone(), id, have })
    }

    /// What the engine was fed in `session`, in order. For replays.
    pub async fn epochs(&self, session: i64) -> Result<EpochCursor, StoreError> {
        Ok(EpochCursor { place: self.cursor(session).await?, inherited: false })
    }

    /// What `session` began with; `None` for one that inherited nothing.
    pub async fn start_state(&self, session: i64) -> Result<Option<StartState>, StoreError> {
        let mut db = self.connect().await?;
        let told = |e: sqlx::Error| from_sqlx(&self.path, &e);
        let numbers = sqlx::query_as::<_, (i64, i64, i64, i64)>(
            "SELECT at_us, position_seq, delayed_seq, zone_seq FROM inherited_numbers WHERE session = ?",
        )
        .bind(session)
        .fetch_optional(&mut db)
        .await
        .map_err(told)?;
        let Some((at, seq, delayed_seq, zone_seq)) = numbers else { return Ok(None) };
        let anchors = sqlx::query_as::<_, (u16, bool, i64, i64, Option<f64>)>(
            "SELECT anchor, silent, since_us, last_heard_us, last_range_m FROM inherited_anchor \
             WHERE session = ? ORDER BY anchor",
        )
        .bind(session)
        .fetch_all(&mut db)
        .await
        .map_err(told)?;
        let anchor = |(id, silent, since, last_heard, last_range_m)| InheritedAnchor {
            anchor: AnchorId(id),
            silent,
            since: Timestamp::from_micros(since),
            last_heard: Timestamp::from_micros(last_heard),
            last_range_m,
        };
        let tags = sqlx::query_as::<_, (u32, i64)>(
            "SELECT tag, last_heard_us FROM inherited_tag WHERE session = ? ORDER BY slot",
        )
        .bind(session)
        .fetch_all(&mut db)
        .await
        .map_err(told)?;
        let tag = |(id, last_heard)| InheritedTag {
            tag: TagId(id),
            last_heard: Timestamp::from_micros(last_heard),
        };
        let mut cursor = EpochCursor { place: self.cursor(session).await?, inherited: true };
        let mut epochs = Vec::new();
        loop {
            let batch = cursor.next_batch().await?;
            if batch.is_empty() {
                break;
            }
            epochs.extend(batch);
        }
        Ok(Some(StartState {
            at: Timestamp::from_micros(at),
            seq: seq.unsigned_abs(),
            delayed_seq: delayed_seq.unsigned_abs(),
            zone_seq: zone_seq.unsigned_abs(),
            tags: tags.into_iter().map(tag).collect(),
            anchors: anchors.into_iter().map(anchor).collect(),
            epochs,
        }))
    }

    /// How the time scale of `session` maps to UTC: from when on, and UTC minus the session's time; in order.
    pub async fn clock(&self, session: i64) -> Result<Vec<(Timestamp, Micros)>, StoreError> {
        let mut db = self.connect().await?;
        let rows = sqlx::query_as::<_, (i64, i64)>(
            "SELECT at_us, utc_minus_session_us FROM clock WHERE session = ? ORDER BY at_us",
        )
        .bind(session)
        .fetch_all(&mut db)
        .await
        .map_err(|e| from_sqlx(&self.path, &e))?;
        let row = |(at, minus)| (Timestamp::from_micros(at), Micros::from_micros(minus));
        Ok(rows.into_iter().map(row).collect())
    }

    /// Every range of `session` with its verdict, frame by frame.
    pub async fn frames(&self, session: i64) -> Result<FrameCursor, StoreError> {
        Ok(FrameCursor(self.cursor(session).await?))
    }

    /// The position reports of `session`, in order.
    pub async fn fixes(&self, session: i64) -> Result<FixCursor, StoreError> {
        Ok(FixCursor(self.cursor(session).await?))
    }

    /// The events of `session`, in order.
    pub async fn events(&self, session: i64) -> Result<EventCursor, StoreError> {
        Ok(EventCursor(self.cursor(session).await?))
    }

    async fn cursor(&self, session: i64) -> Result<Place, StoreError> {
        let db = self.connect().await?;
        Ok(Place { db, path: self.path.clone(), session, after: 0, page: Page::first() })
    }
}

/// Where a cursor stands.
#[derive(Debug)]
struct Place {
    db: SqliteConnection,
    path: PathBuf,
    session: i64,
    after: i64,
    page: Page,
}

impl Place {
    fn told(&self, error: &sqlx::Error) -> StoreError {
        from_sqlx(&self.path, error)
    }

    fn damaged(&self, detail: String) -> StoreError {
        StoreError::Damaged { path: self.path.clone(), detail }
    }

    /// Numbers and heads of the next frames; those that were inherited, which are a session's first ones, or the others.
    async fn heads(&mut self, inherited: bool) -> Result<Vec<(i64, Epoch)>, StoreError> {
        loop {
            let began = Instant::now();
            let rows = sqlx::query_as::<_, HeadCells>(
                "SELECT number, at_us, tag, frame_seq, measured_at_us, doubt, inherited FROM frame \
                 WHERE session = ? AND number > ? ORDER BY number LIMIT ?",
            )
            .bind(self.session)
            .bind(self.after)
            .bind(self.page.rows())
            .fetch_all(&mut self.db)
            .await
            .map_err(|e| self.told(&e))?;
            self.page.learn(began.elapsed());
            let Some(last) = rows.last() else { return Ok(Vec::new()) };
            let number = last.0;
            let wanted: Vec<HeadCells> = match inherited {
                true => rows.into_iter().take_while(|row| row.6).collect(),
                false => rows.into_iter().filter(|row| !row.6).collect(),
            };
            if inherited || !wanted.is_empty() {
                return wanted.into_iter().map(|cells| self.head(cells)).collect();
            }
            self.after = number;
        }
    }

    fn head(
        &self,
        (number, at, tag, frame_seq, measured_at, doubt, _): HeadCells,
    ) -> Result<(i64, Epoch), StoreError> {
        let at = Timestamp::from_micros(at);
        let mut epoch = Epoch::new(at, TagId(tag), frame_seq, ArrayVec::new());
        epoch.measured_at = measured_at.map_or(at, Timestamp::from_micros);
        epoch.doubt = doubt.and_then(doubt_from);
        match doubt.filter(|_| epoch.doubt.is_none()) {
            Some(code) => Err(self.damaged(format!("doubt code {code} in frame {number}"))),
            None => Ok((number, epoch)),
        }
    }

    /// Every range of the frames `from..=to`, by frame, with its verdict.
    async fn judged(&mut self, from: i64, to: i64) -> Result<BTreeMap<i64, Ranges>, StoreError> {
        let began = Instant::now();
        let rows = sqlx::query_as::<_, RangeCells>(
            "SELECT frame, anchor, raw_range_m, range_m, verdict, residual_m, standardised_residual, p_good \
             FROM range WHERE session = ? AND frame BETWEEN ? AND ? ORDER BY frame, position",
        )
        .bind(self.session)
        .bind(from)
        .bind(to)
        .fetch_all(&mut self.db)
        .await
        .map_err(|e| self.told(&e))?;
        self.page.learn(began.elapsed());
        let mut frames = BTreeMap::<i64, Ranges>::new();
        for (frame, anchor, raw_range_m, range_m, verdict, residual_m, standardised_residual, p_good) in rows
        {
            let verdict = verdict_from(verdict)
                .ok_or_else(|| self.damaged(format!("verdict code {verdict} in frame {frame}")))?;
            let anchor = AnchorId(anchor);
            let range = JudgedRange {
                anchor,
                raw_range_m,
                range_m,
                verdict,
                residual_m,
                standardised_residual,
                p_good,
            };
            let ranges = frames.entry(frame).or_default();
            ranges.try_push(range).map_err(|_| self.too_many(frame))?;
        }
        Ok(frames)
    }

    fn too_many(&self, frame: i64) -> StoreError {
        self.damaged(format!("frame {frame} has more than {MAX_ANCHORS} ranges"))
    }
}

/// `number`, `at_us`, `tag`, `frame_seq`, `measured_at_us`, `doubt`, `inherited`.
type HeadCells = (i64, i64, u32, Option<u32>, Option<i64>, Option<i64>, bool);
type Ranges = ArrayVec<JudgedRange, MAX_ANCHORS>;
type RangeCells = (i64, u16, Option<f64>, Option<f64>, i64, Option<f64>, Option<f64>, Option<f64>);

/// Reads epochs. See [`LogReader::epochs`].
#[derive(Debug)]
pub struct EpochCursor {
    place: Place,
    inherited: bool,
}

impl EpochCursor {
    /// The next epochs, 4096 at most; empty at the end of what is written.
    pub async fn next_batch(&mut self) -> Result<Vec<Epoch>, StoreError> {
        let _reading = reading().await;
        let (place, inherited) = (&mut self.place, self.inherited);
        let mut heads = place.heads(inherited).await?;
        let (Some(&(first, _)), Some(&(last, _))) = (heads.first(), heads.last()) else {
            return Ok(Vec::new());
        };
        let began = Instant::now();
        let mut rows = sqlx::query(
            "SELECT frame, anchor, raw_range_m, verdict FROM range WHERE session = ? AND frame BETWEEN ? AND ? \
             ORDER BY frame, position",
        )
        .bind(place.session)
        .bind(first)
        .bind(last)
        .fetch(&mut place.db);
        let mut i = 0;
        let done = loop {
            match rows.try_next().await.and_then(|row| row.as_ref().map(reading_from).transpose()) {
                Ok(Some((frame, reading, held))) => {
                    // Both lists are in frame order: they advance together.
                    while heads.get(i).is_some_and(|(number, _)| *number < frame) {
                        i += 1;
                    }
                    let head = heads.get_mut(i).filter(|(number, _)| *number == frame);
                    if head.is_none_or(|(_, epoch)| take_reading(epoch, reading, held).is_none()) {
                        break Err(Odd::Frame(frame));
                    }
                }
                Ok(None) => break Ok(()),
                Err(e) => break Err(Odd::Sql(e)),
            }
        };
        drop(rows);
        place.page.learn(began.elapsed());
        done.map_err(|odd| match odd {
            Odd::Sql(e) => place.told(&e),
            Odd::Frame(frame) => {
                place.damaged(format!("frame {frame} has ranges without a frame, or more than {MAX_ANCHORS}"))
            }
        })?;
        place.after = last;
        Ok(heads.into_iter().map(|(_, epoch)| epoch).collect())
    }
}

/// What can be odd about a row of ranges.
enum Odd {
    Sql(sqlx::Error),
    Frame(i64),
}

/// Frame, reading, and whether it is a held one.
fn reading_from(row: &SqliteRow) -> Result<(i64, RangeReading, bool), sqlx::Error> {
    let reading = RangeReading { anchor: AnchorId(row.try_get(1)?), raw_range_m: row.try_get(2)? };
    let held = verdict_from(row.try_get(3)?) == Some(Verdict::Held);
    Ok((row.try_get(0)?, reading, held))
}

/// Adds a reading to its epoch; `None` when there are too many.
fn take_reading(epoch: &mut Epoch, reading: RangeReading, held: bool) -> Option<()> {
    if held {
        epoch.hold(epoch.readings.len());
    }
    epoch.readings.try_push(reading).ok()
}

/// Reads frames with verdicts. See [`LogReader::frames`].
#[derive(Debug)]
pub struct FrameCursor(Place);

impl FrameCursor {
    /// The next frames, 4096 at most; empty at the end of what is written.
    pub async fn next_batch(&mut self) -> Result<Vec<JudgedEpoch>, StoreError> {
        let _reading = reading().await;
        let place = &mut self.0;
        let heads = place.heads(false).await?;
        let (Some(&(first, _)), Some(&(last, _))) = (heads.first(), heads.last()) else {
            return Ok(Vec::new());
        };
        let mut judged = place.judged(first, last).await?;
        place.after = last;
        let with_ranges = |(number, head): (i64, Epoch)| JudgedEpoch {
            at: head.at,
            measured_at: head.measured_at,
            doubt: head.doubt,
            tag: head.tag,
            frame_seq: head.frame_seq,
            ranges: judged.remove(&number).unwrap_or_default(),
        };
        Ok(heads.into_iter().map(with_ranges).collect())
    }
}

/// Reads position reports. See [`LogReader::fixes`].
#[derive(Debug)]
pub struct FixCursor(Place);

impl FixCursor {
    /// The next reports, 4096 at most; empty at the end of what is written.
    pub async fn next_batch(&mut self) -> Result<Vec<StoredFix>, StoreError> {
        let _reading = reading().await;
        let place = &mut self.0;
        let began = Instant::now();
        let rows = sqlx::query(
            "SELECT seq, at_us, valid_until_us, tag, state, frame, east_m, north_m, up_m, cov_ee_m2, cov_en_m2, \
             cov_eu_m2, cov_nn_m2, cov_nu_m2, cov_uu_m2, radius95_m, protection_radius_m, velocity_east_mps, \
             velocity_north_mps, velocity_up_mps, hdop, vdop, pdop, checked, no_fix, no_fix_have, no_fix_need, restarted, \
             coalesce(received_at_us, at_us) \
             FROM fix WHERE session = ? AND seq > ? ORDER BY seq LIMIT ?",
        )
        .bind(place.session)
        .bind(place.after)
        .bind(place.page.rows())
        .fetch_all(&mut place.db)
        .await
        .map_err(|e| place.told(&e))?;
        place.page.learn(began.elapsed());
        let mut fixes = Vec::with_capacity(rows.len());
        for row in &rows {
            let fix = fix_from(row).map_err(|e| place.told(&e))?;
            fixes.push(fix.ok_or_else(|| place.damaged("a code in `fix` that means nothing".into()))?);
        }
        add_ranges(place, &mut fixes).await?;
        add_candidates(place, &mut fixes).await?;
        if let Some(last) = rows.last() {
            place.after = last.try_get(0).map_err(|e| place.told(&e))?;
        }
        Ok(fixes)
    }
}

/// Fills in who was used and who was rejected.
///
/// Where fixes were dropped, or never made, the frames of a batch can lie far apart: they are looked up in windows.
async fn add_ranges(place: &mut Place, fixes: &mut [StoredFix]) -> Result<(), StoreError> {
    let mut rest = fixes;
    while let Some(from) = rest.iter().find_map(|f| f.frame) {
        let to = from.saturating_add(place.page.rows());
        let end = rest.iter().position(|f| f.frame.is_some_and(|n| !(from..=to).contains(&n)));
        let (window, later) = rest.split_at_mut(end.unwrap_or(rest.len()));
        let judged = place.judged(from, to).await?;
        for fix in window {
            if let Some(ranges) = fix.frame.and_then(|number| judged.get(&number)) {
                add_used_and_rejected(&mut fix.report, ranges);
            }
        }
        rest = later;
    }
    Ok(())
}

fn add_used_and_rejected(report: &mut PositionReport, ranges: &Ranges) {
    for r in ranges {
        match (r.verdict, r.residual_m) {
            (Verdict::Used, _) => report.used.push(r.anchor),
            (Verdict::Rejected(why), Some(residual_m)) => {
                report.rejected.push(RejectedRange { anchor: r.anchor, residual_m, why, p_good: r.p_good });
            }
            _ => {}
        }
    }
}

/// Fills in both places of ambiguous reports.
async fn add_candidates(place: &mut Place, fixes: &mut [StoredFix]) -> Result<(), StoreError> {
    let (Some(first), Some(last)) = (fixes.first(), fixes.last()) else {
        return Ok(());
    };
    let rows = sqlx::query(
        "SELECT seq, east_m, north_m, up_m, cov_ee_m2, cov_en_m2, cov_eu_m2, cov_nn_m2, cov_nu_m2, cov_uu_m2 \
         FROM candidate WHERE session = ? AND seq BETWEEN ? AND ? ORDER BY seq, rank",
    )
    .bind(place.session)
    .bind(i64::try_from(first.report.seq).unwrap_or(i64::MAX))
    .bind(i64::try_from(last.report.seq).unwrap_or(i64::MAX))
    .fetch_all(&mut place.db)
    .await
    .map_err(|e| place.told(&e))?;
    for row in &rows {
        let (seq, cells) = candidate_from(row).map_err(|e| place.told(&e))?;
        if let Ok(i) = fixes.binary_search_by_key(&seq, |f| f.report.seq) {
            let added = fixes[i].report.candidates.try_push(place_from(cells));
            added.map_err(|_| place.damaged(format!("report {seq} has more than two candidates")))?;
        }
    }
    Ok(())
}

/// Reads events. See [`LogReader::events`].
#[derive(Debug)]
pub struct EventCursor(Place);

impl EventCursor {
    /// The next events, 4096 at most; empty at the end of what is written.
    pub async fn next_batch(&mut self) -> Result<Vec<StoredEvent>, StoreError> {
        let _reading = reading().await;
        let place = &mut self.0;
        let rows = sqlx::query_as::<_, EventCells>(
            "SELECT seq, at_us, kind, detail FROM event WHERE session = ? AND seq > ? ORDER BY seq LIMIT ?",
        )
        .bind(place.session)
        .bind(place.after)
        .bind(place.page.rows())
        .fetch_all(&mut place.db)
        .await
        .map_err(|e| place.told(&e))?;
        place.after = rows.last().map_or(place.after, |row| row.0);
        Ok(rows.into_iter().map(StoredEvent::from).collect())
    }
}

/// `seq`, `at_us`, `kind`, `detail`.
pub(crate) type EventCells = (i64, i64, String, String);

impl From<EventCells> for StoredEvent {
    fn from((seq, at, kind, detail): EventCells) -> StoredEvent {
        // The schema lets no number be below 1.
        StoredEvent { seq: seq.unsigned_abs(), at: Timestamp::from_micros(at), kind, detail }
    }
}

fn session_from(row: &SqliteRow) -> Result<SessionInfo, sqlx::Error> {
    let stamp = |us: i64| Timestamp::from_micros(us);
    Ok(SessionInfo {
        id: row.try_get(0)?,
        started_at: stamp(row.try_get(1)?),
        ended_at: row.try_get::<Option<i64>, _>(2)?.map(stamp),
        last_at: row.try_get::<Option<i64>, _>(3)?.map(stamp),
        site_text: row.try_get(4)?,
        calibration_text: row.try_get(5)?,
        frame_layout: row.try_get(6)?,
        source: row.try_get(7)?,
        program_version: row.try_get(8)?,
        frames: count(row, 9)?,
        fixes: count(row, 10)?,
        events: count(row, 11)?,
        dropped_frames: count(row, 12)?,
        dropped_fixes: count(row, 13)?,
        dropped_events: count(row, 14)?,
        other_sites: row.try_get(15)?,
    })
}

/// A count; the schema lets none be negative.
fn count(row: &SqliteRow, column: usize) -> Result<u64, sqlx::Error> {
    Ok(row.try_get::<i64, _>(column)?.unsigned_abs())
}

fn candidate_from(row: &SqliteRow) -> Result<(u64, [f64; 9]), sqlx::Error> {
    let mut cells = [0.0; 9];
    for (cell, column) in cells.iter_mut().zip(1..) {
        *cell = row.try_get::<f64, usize>(column)?;
    }
    Ok((count(row, 0)?, cells))
}

/// A report without `used`, `rejected` and `candidates`; `None` when a code means nothing.
fn fix_from(row: &SqliteRow) -> Result<Option<StoredFix>, sqlx::Error> {
    let no_fix: Option<i64> = row.try_get(24)?;
    let no_fix =
        no_fix.map(|code| Ok::<_, sqlx::Error>(no_fix_from(code, row.try_get(25)?, row.try_get(26)?)));
    let (state, no_fix) = match (state_from(row.try_get(4)?), no_fix.transpose()?) {
        (None, _) | (_, Some(None)) => return Ok(None),
        (Some(state), no_fix) => (state, no_fix.flatten()),
    };
    let report = PositionReport {
        seq: count(row, 0)?,
        at: Timestamp::from_micros(row.try_get(1)?),
        received_at: Timestamp::from_micros(row.try_get(28)?),
        valid_until: Timestamp::from_micros(row.try_get(2)?),
        tag: TagId(row.try_get(3)?),
        state,
        place: reals::<9>(row, 6)?.map(place_from),
        candidates: ArrayVec::new(),
        radius95_m: row.try_get(15)?,
        protection_radius_m: row.try_get(16)?,
        checked: row.try_get(23)?,
        restarted: row.try_get(27)?,
        velocity_mps: reals::<3>(row, 17)?,
        hdop: row.try_get(20)?,
        vdop: row.try_get(21)?,
        pdop: row.try_get(22)?,
        used: ArrayVec::new(),
        rejected: ArrayVec::new(),
        no_fix,
    };
    Ok(Some(StoredFix { report, frame: row.try_get(5)? }))
}

/// `N` columns from `first` on, or `None` when one is NULL (the schema has all or none NULL).
fn reals<const N: usize>(row: &SqliteRow, first: usize) -> Result<Option<[f64; N]>, sqlx::Error> {
    let mut cells = [0.0; N];
    for (cell, column) in cells.iter_mut().zip(first..) {
        match row.try_get::<Option<f64>, usize>(column)? {
            Some(value) => *cell = value,
            None => return Ok(None),
        }
    }
    Ok(Some(cells))
}
