//! Frames with every range and its verdict.

use hereabout_core::{Epoch, JudgedEpoch, LogFault};

use crate::read::cursor::{Cursor, Kind, Pages};
use crate::read::heads::next_heads;
use crate::read::ranges::judged_ranges;

/// Reads frames with verdicts. See [`crate::LogReader::frames`].
pub type FrameCursor = Cursor<Frames>;

/// The frames of a session.
#[derive(Clone, Copy, Debug)]
pub struct Frames;

impl Kind for Frames {
    type Item = JudgedEpoch;

    async fn next_page(&self, pages: &mut Pages) -> Result<Vec<JudgedEpoch>, LogFault> {
        let heads = next_heads(pages, false).await?;
        let (Some(&(first, _)), Some(&(last, _))) = (heads.first(), heads.last()) else {
            return Ok(Vec::new());
        };
        let mut judged = judged_ranges(pages, first, last).await?;
        pages.after = last;
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
