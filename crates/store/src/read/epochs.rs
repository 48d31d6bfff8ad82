//! What the engine was fed, for replays.

use std::time::Instant;

use futures_util::TryStreamExt;
use hereabout_core::{AnchorId, Epoch, LogDamage, LogFault, MAX_ANCHORS, RangeReading, Verdict};
use sqlx::Row;
use sqlx::sqlite::SqliteRow;

use crate::codes::verdict_from;
use crate::read::cursor::{Cursor, Kind, Pages};
use crate::read::heads::next_heads;

/// Reads epochs. See [`crate::LogReader::epochs`].
pub type EpochCursor = Cursor<Epochs>;

/// The epochs of a session.
#[derive(Clone, Copy, Debug)]
pub struct Epochs {
    /// Those that it inherited, not those that were heard in it.
    pub(crate) inherited: bool,
}

impl Kind for Epochs {
    type Item = Epoch;

    async fn next_page(&self, pages: &mut Pages) -> Result<Vec<Epoch>, LogFault> {
        let mut heads = next_heads(pages, self.inherited).await?;
        let (Some(&(first, _)), Some(&(last, _))) = (heads.first(), heads.last()) else {
            return Ok(Vec::new());
        };
        let began = Instant::now();
        let mut rows = sqlx::query(
            "SELECT frame, anchor, raw_range_m, verdict FROM range WHERE session = ? AND frame BETWEEN ? AND ? \
             ORDER BY frame, position",
        )
        .bind(pages.session)
        .bind(first)
        .bind(last)
        .fetch(&mut pages.db);
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
        pages.page.learn(began.elapsed());
        done.map_err(|odd| match odd {
            Odd::Sql(e) => pages.failed(&e),
            Odd::Frame(frame) => pages.damaged(LogDamage::StrayRanges { frame, max: MAX_ANCHORS }),
        })?;
        pages.after = last;
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
