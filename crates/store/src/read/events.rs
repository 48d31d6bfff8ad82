//! Events, as they were written.

use hereabout_core::{LogFault, Timestamp};

use crate::read::cursor::{Cursor, Kind, Pages};

/// An event, as it was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoredEvent {
    /// Its number ([`crate::EventNumbers`]); in logs of before from 1 without gaps.
    pub seq: u64,
    /// When it happened.
    pub at: Timestamp,
    /// A name of the daemon's events, 1 to 64 characters; programs rely on it.
    pub kind: String,
    /// More about it.
    pub detail: String,
}

/// Reads events. See [`crate::LogReader::events`].
pub type EventCursor = Cursor<Events>;

/// The events of a session.
#[derive(Clone, Copy, Debug)]
pub struct Events;

impl Kind for Events {
    type Item = StoredEvent;

    async fn next_page(&self, pages: &mut Pages) -> Result<Vec<StoredEvent>, LogFault> {
        let rows: Vec<EventCells> = pages
            .next_rows(
                "SELECT seq, at_us, kind, detail FROM event WHERE session = ? AND seq > ? ORDER BY seq LIMIT ?",
            )
            .await?;
        pages.after = rows.last().map_or(pages.after, |row| row.0);
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
