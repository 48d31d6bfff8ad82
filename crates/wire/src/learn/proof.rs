//! A layout reads its own capture, with the decoder that will read the live stream.

use std::collections::VecDeque;
use std::ops::Range;

use arrayvec::ArrayVec;
use hereabout_core::{MAX_ANCHORS, Timestamp, Word};

use crate::{Decoder, Item, Layout};

/// Rows of words that are kept for a look at the values, from the start and from the end each.
const KEPT_ROWS: usize = 4000;
/// Pieces that no frame explains that are kept.
const KEPT_PIECES: usize = 4000;

/// Ranges of one frame.
pub(super) type Row = ArrayVec<Word, MAX_ANCHORS>;

/// What a layout read.
#[derive(Clone, Debug, Default)]
pub(super) struct ReadBack {
    /// Frames read.
    pub(super) frames: u64,
    /// Bytes in them; for lines without the ends.
    pub(super) bytes: u64,
    /// Bytes left out.
    pub(super) skipped: u64,
    /// For binary layouts: where the frames start.
    pub(super) starts: Vec<usize>,
    /// The ranges of the first frames.
    pub(super) rows: Vec<Row>,
    /// The ranges of the last frames after those.
    pub(super) late_rows: VecDeque<Row>,
    /// Bytes between frames that belong to none; for binary layouts neighbours are one piece.
    pub(super) unread: Vec<Range<usize>>,
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
            Item::Rejected { bytes, .. } => {
                let piece = *at..*at + bytes.len();
                let is_full = out.unread.len() == KEPT_PIECES;
                match out.unread.last_mut() {
                    Some(last) if last.end == piece.start => last.end = piece.end,
                    _ if !is_full => out.unread.push(piece),
                    _ => {}
                }
                bytes
            }
            Item::Frame { frame, bytes } => {
                out.frames += 1;
                out.bytes += bytes.len() as u64;
                out.starts.push(*at);
                if out.rows.len() < KEPT_ROWS {
                    out.rows.push(frame.words);
                } else {
                    if out.late_rows.len() == KEPT_ROWS {
                        out.late_rows.pop_front();
                    }
                    out.late_rows.push_back(frame.words);
                }
                bytes
            }
        };
        *at += bytes.len();
    }
}

/// Bytes that are pushed at once when the place of a line matters.
const STEP: usize = 512;

/// The lines that a layout of lines does not read, without their ends, and about where in the capture each
/// stands (0 to 1); at most so many as are kept.
pub(super) fn unread_lines(layout: &Layout, capture: &[u8]) -> Vec<(Vec<u8>, f64)> {
    let mut decoder = Decoder::new(layout.clone());
    let mut out = Vec::new();
    let mut drain = |decoder: &mut Decoder, at: usize| {
        while let Some(item) = decoder.next_item() {
            if let Item::Rejected { bytes, .. } = item
                && out.len() < KEPT_PIECES
            {
                out.push((bytes.to_vec(), at as f64 / capture.len().max(1) as f64));
            }
        }
    };
    let mut at = 0;
    while at < capture.len() {
        at += decoder.push(Timestamp::default(), &capture[at..capture.len().min(at + STEP)]);
        drain(&mut decoder, at);
    }
    decoder.finish();
    drain(&mut decoder, at);
    out
}
