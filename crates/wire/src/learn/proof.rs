//! A layout reads its own capture, with the decoder that will read the live stream.

use arrayvec::ArrayVec;
use hereabout_core::{MAX_ANCHORS, Timestamp, Word};

use crate::{Decoder, Item, Layout};

/// Rows of words that are kept for a look at the values.
const KEPT_ROWS: usize = 4000;

/// What a layout read.
#[derive(Clone, Debug, Default)]
pub(super) struct ReadBack {
    /// Frames read.
    pub(super) frames: u64,
    /// Bytes in them; for lines without the ends.
    pub(super) bytes: u64,
    /// Bytes left out.
    pub(super) skipped: u64,
    /// For binary layouts: where the first frames start.
    pub(super) starts: Vec<usize>,
    /// The ranges of the first frames.
    pub(super) rows: Vec<ArrayVec<Word, MAX_ANCHORS>>,
}

/// Reads all of `capture`.
pub(super) fn read_back(layout: &Layout, capture: &[u8]) -> ReadBack {
    let mut decoder = Decoder::new(layout.clone());
    let mut out = ReadBack::default();
    let mut rest = capture;
    let mut at = 0;
    while !rest.is_empty() {
        let count = decoder.push(Timestamp::default(), rest);
        drain(&mut decoder, &mut at, &mut out);
        rest = &rest[count..];
    }
    decoder.finish();
    drain(&mut decoder, &mut at, &mut out);
    out.skipped = decoder.counts().skipped_bytes;
    out
}

fn drain(decoder: &mut Decoder, at: &mut usize, out: &mut ReadBack) {
    while let Some(item) = decoder.next_item() {
        let bytes = match item {
            Item::Rejected { bytes, .. } => bytes,
            Item::Frame { frame, bytes } => {
                out.frames += 1;
                out.bytes += bytes.len() as u64;
                if out.rows.len() < KEPT_ROWS {
                    out.starts.push(*at);
                    out.rows.push(frame.words);
                }
                bytes
            }
        };
        *at += bytes.len();
    }
}
