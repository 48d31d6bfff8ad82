//! The stream decoder: push bytes, pull frames.
//!
//! **State.** A buffer of at most [`BUFFER_BYTES`], of which `buf[taken..]` has not been handed out.
//! Binary: `buf[taken..scan]` is an open piece in which no frame starts, `buf[scan..]` is still to be
//! judged. Lines: `buf[taken..scan]` is known to hold no line end.
//!
//! **Resynchronisation.** A place that fails is passed by one byte (or to the next place that the
//! first literal allows), never by a frame length, so a frame that lies cannot take the next good one
//! with it. Failed bytes are handed out in pieces: one for each thing that looked like a frame, and
//! one for each stretch of other bytes.
//!
//! **Chunks.** Every decision rests on the bytes of the stream alone; how they were cut shows in the
//! stamps and nowhere else.

use std::collections::VecDeque;
use std::ops::Range;

use hereabout_core::{Frame, Timestamp};
use memchr::memchr2;

use crate::layout::{Form, Judgement, Layout, MAX_FRAME_BYTES, blank_frame};
use crate::rejection::Rejection;

/// The most bytes that a decoder holds.
pub const BUFFER_BYTES: usize = 16 * 1024;

/// What a decoder has seen since it was made.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Bytes taken in.
    pub bytes: u64,
    /// Frames whose literals and checksums all fit.
    pub frames_good: u64,
    /// Binary frames that fit but for a checksum.
    pub bad_checksum: u64,
    /// Binary frames that began well and had another literal wrong; lines that are not as the layout says.
    pub bad_frames: u64,
    /// Lines without an end within the longest length.
    pub long_lines: u64,
    /// Bytes that belong to no good frame. Line ends and blank lines belong to neither.
    pub skipped_bytes: u64,
}

/// One piece of the stream, good or not.
#[derive(Debug)]
#[expect(clippy::large_enum_variant, reason = "frames live on the stack: no allocation for each")]
pub enum Item<'a> {
    /// A good frame.
    Frame {
        /// Its values.
        frame: Frame,
        /// Its bytes, for lines without the end.
        bytes: &'a [u8],
    },
    /// Bytes that are no frame.
    Rejected {
        /// What told that they are none.
        reason: Rejection,
        /// As they came, from where the search stood up to where it goes on.
        bytes: &'a [u8],
    },
}

/// Cuts a byte stream into frames.
#[derive(Clone, Debug)]
pub struct Decoder {
    layout: Layout,
    buf: Vec<u8>,
    /// Place of `buf[0]` in the stream.
    base: u64,
    taken: usize,
    scan: usize,
    /// The open piece of a binary stream.
    piece: Option<Piece>,
    /// Whether the line that `taken` stands in began before it, and was too long.
    mid_line: bool,
    ended: bool,
    /// Where each chunk ends in the stream, and its stamps; oldest first.
    chunks: VecDeque<(u64, Arrival)>,
    counts: Counts,
    /// `counts.skipped_bytes` at the last good frame.
    skipped_before: u64,
}

/// When a chunk arrived.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Arrival {
    /// The clock right after the read.
    pub at: Timestamp,
    /// When the reader last found nothing to read before that; `None` when that is not known.
    pub empty_at: Option<Timestamp>,
}

/// Bytes in which no frame starts.
#[derive(Clone, Copy, Debug)]
struct Piece {
    reason: Rejection,
    /// How many more bytes it may have.
    room: usize,
}

/// An item by places in the buffer.
enum Step {
    Frame(Range<usize>),
    Rejected(Rejection, Range<usize>),
}

impl Decoder {
    /// A decoder at the start of a stream.
    pub fn new(layout: Layout) -> Decoder {
        Decoder {
            layout,
            buf: Vec::with_capacity(BUFFER_BYTES),
            base: 0,
            taken: 0,
            scan: 0,
            piece: None,
            mid_line: false,
            ended: false,
            chunks: VecDeque::new(),
            counts: Counts::default(),
            skipped_before: 0,
        }
    }

    /// Takes bytes that arrived at `at`, and returns how many. Less than all means that the buffer
    /// is full: drain it with [`Decoder::next_frame`] and push the rest. A drained decoder always
    /// takes at least one byte.
    pub fn push(&mut self, at: Timestamp, bytes: &[u8]) -> usize {
        self.push_arrived(Arrival { at, empty_at: None }, bytes)
    }

    /// The same for a chunk of which it is known when the reader last found nothing to read.
    pub fn push_arrived(&mut self, arrival: Arrival, bytes: &[u8]) -> usize {
        self.drop_handed_out();
        let count = bytes.len().min(BUFFER_BYTES - self.buf.len());
        if count == 0 {
            return 0;
        }
        self.ended = false;
        self.buf.extend_from_slice(&bytes[..count]);
        self.counts.bytes += count as u64;
        let end = self.base + self.buf.len() as u64;
        match self.chunks.back_mut() {
            Some((last, stamp)) if *stamp == arrival => *last = end,
            _ => self.chunks.push_back((end, arrival)),
        }
        count
    }

    /// The stream ended here (file at its end, port gone): what is left is handed out by the calls
    /// that follow, a last line without its end as a line, a part of a frame as rejected. Drain the
    /// decoder before the next push, which begins a new stream.
    pub fn finish(&mut self) {
        self.ended = true;
    }

    /// The stream broke off here: a part of a frame or line that waits for more is thrown away, because what comes next
    /// is another stream. Drain the decoder before; returns how many bytes were thrown away.
    pub fn cut(&mut self) -> usize {
        let rest = self.buf.len() - self.scan.max(self.taken);
        let waiting = self.buffered();
        self.counts.skipped_bytes += if self.piece.is_some() { rest } else { waiting } as u64;
        self.base += self.buf.len() as u64;
        self.buf.clear();
        (self.taken, self.scan, self.piece, self.mid_line) = (0, 0, None, false);
        self.chunks.clear();
        waiting
    }

    /// The next good frame; `None` when more bytes are needed.
    pub fn next_frame(&mut self) -> Option<Frame> {
        let mut frame = blank_frame();
        while let Step::Rejected(..) = self.step(&mut frame)? {}
        Some(frame)
    }

    /// The next piece of the stream, good or not; `None` when more bytes are needed.
    pub fn next_item(&mut self) -> Option<Item<'_>> {
        let mut frame = blank_frame();
        Some(match self.step(&mut frame)? {
            Step::Frame(place) => Item::Frame { frame, bytes: &self.buf[place] },
            Step::Rejected(reason, place) => Item::Rejected { reason, bytes: &self.buf[place] },
        })
    }

    /// What has been seen so far.
    pub fn counts(&self) -> Counts {
        self.counts
    }

    /// Number of bytes that wait for more; at most [`BUFFER_BYTES`].
    pub fn buffered(&self) -> usize {
        self.buf.len() - self.taken
    }

    /// The layout that frames are cut by.
    pub fn layout(&self) -> &Layout {
        &self.layout
    }

    fn drop_handed_out(&mut self) {
        if self.taken == 0 {
            return;
        }
        self.buf.drain(..self.taken);
        self.base += self.taken as u64;
        self.scan -= self.taken;
        self.taken = 0;
        // Every chunk that is left has a byte in the buffer, which bounds the list.
        while self.chunks.front().is_some_and(|&(end, _)| end <= self.base) {
            self.chunks.pop_front();
        }
    }

    /// The next item; the values of a good frame go into `frame`, so that they are not moved about.
    fn step(&mut self, frame: &mut Frame) -> Option<Step> {
        match self.layout.form() {
            Form::Binary(_) => self.step_binary(frame),
            Form::Text(_) | Form::Json(_) => self.step_line(frame),
        }
    }

    fn step_binary(&mut self, frame: &mut Frame) -> Option<Step> {
        loop {
            if self.piece.is_some_and(|piece| piece.room == 0) {
                return self.close_piece();
            }
            let Form::Binary(layout) = self.layout.form() else { return None };
            match layout.judge(&self.buf[self.scan..]) {
                Judgement::NeedMore if self.ended => return self.give_up(),
                Judgement::NeedMore => return None,
                Judgement::Skip(count) => self.pass(Rejection::NotAFrame, count),
                Judgement::Reject(reason) => {
                    if self.piece.is_some_and(|piece| piece.reason.match_rank() < reason.match_rank()) {
                        return self.close_piece();
                    }
                    self.pass(reason, 1);
                }
                Judgement::Frame => {
                    if self.piece.is_some() {
                        return self.close_piece();
                    }
                    layout.read(&self.buf[self.scan..], frame);
                    let place = self.scan..self.scan + layout.len();
                    return Some(self.good(frame, place.clone(), place.end));
                }
            }
        }
    }

    /// Moves over `count` bytes (fewer when the open piece has no room) in which no frame starts.
    fn pass(&mut self, reason: Rejection, count: usize) {
        let room = if reason.match_rank() == 0 { MAX_FRAME_BYTES } else { self.layout.max_frame_len() };
        if self.piece.is_none() {
            match reason {
                Rejection::BadChecksum { .. } => self.counts.bad_checksum += 1,
                Rejection::WrongLiteral { .. } => self.counts.bad_frames += 1,
                _ => {}
            }
        }
        let piece = self.piece.get_or_insert(Piece { reason, room });
        let count = count.min(piece.room);
        piece.room -= count;
        self.scan += count;
        self.counts.skipped_bytes += count as u64;
    }

    fn close_piece(&mut self) -> Option<Step> {
        let piece = self.piece.take()?;
        let place = self.taken..self.scan;
        self.taken = self.scan;
        Some(Step::Rejected(piece.reason, place))
    }

    /// At the end of the stream: what waits for more bytes will not get them.
    fn give_up(&mut self) -> Option<Step> {
        if self.piece.is_none() && self.scan < self.buf.len() {
            // Shorter than a frame, so it fits into one piece.
            self.pass(Rejection::Incomplete, self.buf.len() - self.scan);
        }
        self.close_piece()
    }

    fn step_line(&mut self, frame: &mut Frame) -> Option<Step> {
        let longest = self.layout.max_frame_len();
        loop {
            // One byte more than the longest line, for its end.
            let seen = self.buf.len().min(self.taken + longest + 1);
            let step = match memchr2(b'\n', b'\r', &self.buf[self.scan..seen]) {
                Some(n) => self.take_line(self.scan + n, self.scan + n + 1, frame),
                None if seen - self.taken > longest => Some(self.shorten_line(seen, longest / 2)),
                None if self.ended && seen > self.taken => self.take_line(seen, seen, frame),
                None => {
                    self.scan = seen;
                    self.mid_line &= !self.ended;
                    return None;
                }
            };
            if step.is_some() {
                return step;
            }
        }
    }

    /// Leaves out the first `count` bytes of a line that is too long. The rest is kept, because a
    /// good frame may be glued to the end of rubbish.
    fn shorten_line(&mut self, seen: usize, count: usize) -> Step {
        self.counts.long_lines += u64::from(!self.mid_line);
        self.counts.skipped_bytes += count as u64;
        self.mid_line = true;
        self.scan = seen;
        let place = self.taken..self.taken + count;
        self.taken = place.end;
        Step::Rejected(Rejection::LineTooLong, place)
    }

    /// Judges the line `taken..end`, after which the stream goes on at `next`. `None` when there is
    /// nothing to say about it yet: it was blank, or begins anew within.
    fn take_line(&mut self, end: usize, next: usize, frame: &mut Frame) -> Option<Step> {
        let start = self.taken;
        let line = &self.buf[start..end];
        let whole = !self.mid_line;
        self.mid_line = false;
        if whole && line.trim_ascii().is_empty() {
            (self.taken, self.scan) = (next, next);
            return None;
        }
        let parsed = if whole { parse_line(&self.layout, line, frame) } else { Err(Rejection::LineTooLong) };
        let reason = match parsed {
            Ok(()) => return Some(self.good(frame, start..end, next)),
            Err(reason) => reason,
        };
        self.counts.bad_frames += u64::from(whole);
        let bad = match rescue(&self.layout, line, usize::from(whole)) {
            Some(count) => {
                (self.taken, self.scan) = (start + count, end);
                count
            }
            None => {
                (self.taken, self.scan) = (next, next);
                end - start
            }
        };
        self.counts.skipped_bytes += bad as u64;
        (bad > 0).then(|| Step::Rejected(reason, start..start + bad))
    }

    /// Hands out a frame, after which the stream goes on at `next`.
    fn good(&mut self, frame: &mut Frame, place: Range<usize>, next: usize) -> Step {
        let arrival = self.stamp_of(next - 1);
        (frame.received_at, frame.empty_at) = (arrival.at, arrival.empty_at);
        let skipped = self.counts.skipped_bytes - self.skipped_before;
        frame.skipped_bytes = u32::try_from(skipped).unwrap_or(u32::MAX);
        self.skipped_before = self.counts.skipped_bytes;
        (self.taken, self.scan) = (next, next);
        self.counts.frames_good += 1;
        Step::Frame(place)
    }

    /// Stamp of the chunk that holds the byte at `index` of the buffer. Chunks before it are
    /// forgotten: frames come in the order of the stream.
    fn stamp_of(&mut self, index: usize) -> Arrival {
        let place = self.base + index as u64;
        while self.chunks.len() > 1 && self.chunks.front().is_some_and(|&(end, _)| end <= place) {
            self.chunks.pop_front();
        }
        self.chunks.front().map(|&(_, stamp)| stamp).unwrap_or_default()
    }
}

fn parse_line(layout: &Layout, line: &[u8], frame: &mut Frame) -> Result<(), Rejection> {
    match layout.form() {
        Form::Text(layout) => layout.parse_line(line, frame),
        Form::Json(layout) => layout.parse_line(line, frame),
        // Binary streams have no lines.
        Form::Binary(_) => Err(Rejection::NotAFrame),
    }
}

fn rescue(layout: &Layout, line: &[u8], from: usize) -> Option<usize> {
    match layout.form() {
        Form::Text(layout) => layout.rescue(line, from),
        Form::Json(layout) => layout.rescue(line, from),
        Form::Binary(_) => None,
    }
}
