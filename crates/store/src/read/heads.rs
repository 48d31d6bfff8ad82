//! Frames without their ranges.

use arrayvec::ArrayVec;
use hereabout_core::{Epoch, LogDamage, LogFault, TagId, Timestamp};

use crate::codes::doubt_from;
use crate::read::cursor::Pages;

/// `number`, `at_us`, `tag`, `frame_seq`, `measured_at_us`, `doubt`, `inherited`.
type HeadCells = (i64, i64, u32, Option<u32>, Option<i64>, Option<i64>, bool);

/// Numbers and heads of the next frames; those that were inherited, which are a session's first ones, or the others.
pub(crate) async fn next_heads(pages: &mut Pages, inherited: bool) -> Result<Vec<(i64, Epoch)>, LogFault> {
    loop {
        let rows: Vec<HeadCells> = pages
            .next_rows(
                "SELECT number, at_us, tag, frame_seq, measured_at_us, doubt, inherited FROM frame \
                 WHERE session = ? AND number > ? ORDER BY number LIMIT ?",
            )
            .await?;
        let Some(last) = rows.last() else { return Ok(Vec::new()) };
        let number = last.0;
        let wanted: Vec<HeadCells> = match inherited {
            true => rows.into_iter().take_while(|row| row.6).collect(),
            false => rows.into_iter().filter(|row| !row.6).collect(),
        };
        if inherited || !wanted.is_empty() {
            return wanted.into_iter().map(|cells| head(pages, cells)).collect();
        }
        pages.after = number;
    }
}

fn head(
    pages: &Pages,
    (number, at, tag, frame_seq, measured_at, doubt, _): HeadCells,
) -> Result<(i64, Epoch), LogFault> {
    let at = Timestamp::from_micros(at);
    let mut epoch = Epoch::new(at, TagId(tag), frame_seq, ArrayVec::new());
    epoch.measured_at = measured_at.map_or(at, Timestamp::from_micros);
    epoch.doubt = doubt.and_then(doubt_from);
    match doubt.filter(|_| epoch.doubt.is_none()) {
        Some(code) => Err(pages.damaged(LogDamage::DoubtCode { code, frame: number })),
        None => Ok((number, epoch)),
    }
}
