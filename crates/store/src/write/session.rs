//! A session as it begins: what is known of it, its rows, and the numbers that are reserved for it.

use std::path::PathBuf;
use std::time::Duration;

use hereabout_core::Timestamp;
use hereabout_engine::StartState;
use sqlx::{Connection, SqliteConnection};

use crate::write::numbers::EventNumbers;

/// What a session is, as it begins.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SessionStart {
    /// On the time scale of the data.
    pub started_at: Timestamp,
    /// The site file word for word.
    pub site_text: String,
    /// The calibration file word for word, when there is one.
    pub calibration_text: Option<String>,
    /// The frame layout; empty when the source has none.
    pub frame_layout: String,
    /// Where the data come from, as in the site file.
    pub source: String,
    /// Version of this program.
    pub program_version: String,
    /// What is known of other sites, as JSON; `None` when nothing is.
    pub other_sites: Option<String>,
}

/// How the writer works. The default is right for a daemon.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WriterOptions {
    /// The most records in memory, written ones not counted. Default 32 768: about 27 minutes of one tag at
    /// 10 Hz, at most 12 MB. Below 4 counts as 4.
    pub capacity: usize,
    /// Time between commits. Default 1 s. A commit comes earlier only when half of the queue is waiting for it,
    /// which is a replay at full speed.
    pub commit_every: Duration,
}

impl Default for WriterOptions {
    fn default() -> WriterOptions {
        WriterOptions { capacity: 32_768, commit_every: Duration::from_secs(1) }
    }
}

/// What a daemon's writer needs to go on whatever becomes of the file.
#[derive(Clone, Debug)]
pub(crate) struct Keeping {
    /// Where the log belongs.
    pub(crate) path: PathBuf,
    pub(crate) numbers: EventNumbers,
}

/// Sets numbers of events aside, synced.
pub(crate) async fn reserve_numbers(db: &mut SqliteConnection, until: u64) -> Result<(), sqlx::Error> {
    sqlx::raw_sql("PRAGMA synchronous = FULL").execute(&mut *db).await?;
    let done = sqlx::query("UPDATE event_reserve SET reserved_until = max(reserved_until, ?)")
        .bind(i64::try_from(until).unwrap_or(i64::MAX))
        .execute(&mut *db)
        .await;
    sqlx::raw_sql("PRAGMA synchronous = NORMAL").execute(&mut *db).await?;
    done.map(|_| ())
}

/// Writes the session's row, and numbers and anchors that it inherits, all or nothing; gives its id.
pub(crate) async fn insert_alone(
    db: &mut SqliteConnection,
    start: &SessionStart,
    inherited: Option<&StartState>,
) -> Result<i64, sqlx::Error> {
    let mut all = db.begin().await?;
    let id = insert_session(&mut all, start, inherited).await?;
    all.commit().await?;
    Ok(id)
}

/// The same inside a transaction that is open.
pub(crate) async fn insert_session(
    db: &mut SqliteConnection,
    start: &SessionStart,
    inherited: Option<&StartState>,
) -> Result<i64, sqlx::Error> {
    let id: i64 = sqlx::query_scalar(
        "INSERT INTO session (started_at_us, site_text, calibration_text, frame_layout, source, program_version, other_sites) \
         VALUES (?, ?, ?, ?, ?, ?, ?) RETURNING id",
    )
    .bind(start.started_at.micros())
    .bind(&*start.site_text)
    .bind(start.calibration_text.as_deref())
    .bind(&*start.frame_layout)
    .bind(&*start.source)
    .bind(&*start.program_version)
    .bind(start.other_sites.as_deref())
    .fetch_one(&mut *db)
    .await?;
    let Some(state) = inherited else { return Ok(id) };
    let number = |n: u64| i64::try_from(n).unwrap_or(i64::MAX);
    sqlx::query("INSERT INTO inherited_numbers VALUES (?, ?, ?, ?, ?)")
        .bind(id)
        .bind(state.at.micros())
        .bind(number(state.seq))
        .bind(number(state.delayed_seq))
        .bind(number(state.zone_seq))
        .execute(&mut *db)
        .await?;
    for anchor in &state.anchors {
        sqlx::query("INSERT INTO inherited_anchor VALUES (?, ?, ?, ?, ?, ?)")
            .bind(id)
            .bind(anchor.anchor.0)
            .bind(anchor.silent)
            .bind(anchor.since.micros())
            .bind(anchor.last_heard.micros())
            .bind(anchor.last_range_m)
            .execute(&mut *db)
            .await?;
    }
    for (slot, tag) in state.tags.iter().enumerate() {
        sqlx::query("INSERT INTO inherited_tag VALUES (?, ?, ?, ?)")
            .bind(id)
            .bind(i64::try_from(slot).unwrap_or(i64::MAX))
            .bind(tag.tag.0)
            .bind(tag.last_heard.micros())
            .execute(&mut *db)
            .await?;
    }
    Ok(id)
}
