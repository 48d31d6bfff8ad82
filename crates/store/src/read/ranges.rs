//! Ranges with their verdicts, by frame.

use std::collections::BTreeMap;

use arrayvec::ArrayVec;
use hereabout_core::{AnchorId, JudgedRange, LogDamage, LogFault, MAX_ANCHORS};

use crate::codes::verdict_from;
use crate::read::cursor::Pages;

/// The ranges of one frame.
pub(crate) type Ranges = ArrayVec<JudgedRange, MAX_ANCHORS>;

/// `frame`, `anchor`, `raw_range_m`, `range_m`, `verdict`, `residual_m`, `standardised_residual`, `p_good`.
type RangeCells = (i64, u16, Option<f64>, Option<f64>, i64, Option<f64>, Option<f64>, Option<f64>);

/// Every range of the frames `from..=to`, by frame, with its verdict.
pub(crate) async fn judged_ranges(
    pages: &mut Pages,
    from: i64,
    to: i64,
) -> Result<BTreeMap<i64, Ranges>, LogFault> {
    let rows: Vec<RangeCells> = pages
        .rows(
            "SELECT frame, anchor, raw_range_m, range_m, verdict, residual_m, standardised_residual, p_good \
             FROM range WHERE session = ? AND frame BETWEEN ? AND ? ORDER BY frame, position",
            from,
            to,
        )
        .await?;
    let mut frames = BTreeMap::<i64, Ranges>::new();
    for (frame, anchor, raw_range_m, range_m, verdict, residual_m, standardised_residual, p_good) in rows {
        let verdict = verdict_from(verdict)
            .ok_or_else(|| pages.damaged(LogDamage::VerdictCode { code: verdict, frame }))?;
        let anchor = AnchorId(anchor);
        let range =
            JudgedRange { anchor, raw_range_m, range_m, verdict, residual_m, standardised_residual, p_good };
        let ranges = frames.entry(frame).or_default();
        ranges
            .try_push(range)
            .map_err(|_| pages.damaged(LogDamage::TooManyRanges { frame, max: MAX_ANCHORS }))?;
    }
    Ok(frames)
}
