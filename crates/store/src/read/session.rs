//! Sessions as their rows say, and which one is meant.

use hereabout_core::Timestamp;
use sqlx::Row;
use sqlx::sqlite::SqliteRow;

use crate::read::cells::count;

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

/// One row of `session`, its columns in the order of the reader's statement.
pub(crate) fn session_from(row: &SqliteRow) -> Result<SessionInfo, sqlx::Error> {
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
