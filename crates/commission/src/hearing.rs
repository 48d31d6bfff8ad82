//! What a kit sounds like before any position: who is heard, how often, how steadily, and what is odd.
//!
//! For the person with the screwdriver: [`Hearing`] takes the epochs of a live stream (and is told of
//! bytes that were no frame) and gives a [`HearingTable`] for any instant. All figures are over the
//! last 10 s of data time, except the picture of the last minute. Tags are kept apart, since two tags
//! have two distances to one anchor.
//!
//! - **Rate, share**: ranges a second, and the share of the frames that had one.
//! - **Spread**: standard deviation of one range without the tag's movement, from second differences
//!   `x[i-1] - 2 x[i] + x[i+1]`: a steady walk cancels, and white noise of deviation σ gives them the
//!   variance (1 + 4 + 1) σ² = 6 σ². The median of their sizes over 0.6745, the third quartile of the
//!   normal distribution, is that deviation, and single late ranges do not move it.
//! - **Two values**: see `two_values`.
//! - **Uneven**: arrival intervals more than half their median away from it.
//!
//! Bounded: [`HEARD_TAGS`] tags with at most `WINDOW_FRAMES` frames each; a faster stream is judged
//! over less than 10 s.

mod minute;
mod two_values;

use std::collections::VecDeque;

use arrayvec::ArrayVec;
use hereabout_core::series::upper_median;
use hereabout_core::{AnchorId, AnchorState, Epoch, MAX_ANCHORS, Micros, SILENT_AFTER, TagId, Timestamp};

pub use minute::MINUTE_S;
use minute::Minute;
pub use two_values::TwoValues;

/// Tags that are kept apart; frames of further ones are counted and otherwise passed over.
pub const HEARD_TAGS: usize = 8;
/// Figures are over this much data time.
const WINDOW: Micros = Micros::from_millis(10_000);
/// The most frames of one tag that are kept: 10 s at 100 frames a second.
const WINDOW_FRAMES: usize = 1_000;
/// An anchor counts as missing, and damage as a habit, only after this much of a session.
const SETTLED: Micros = Micros::from_millis(3_000);
/// A tag without a frame for this long has stopped, which is not the anchors' fault.
const STOPPED: Micros = Micros::from_millis(2_000);
/// Gone for less than this, an anchor may just be starting up.
const JUST_GONE: Micros = Micros::from_millis(10_000);
/// Damaged pieces, or lost frames, in the window before they are worth a word, and their share.
const WORTH_A_WORD: (usize, f64) = (3, 0.02);
/// Share of uneven intervals that is worth a word, and the intervals that it takes to judge.
const UNEVEN: (f64, usize) = (0.10, 20);
/// Steps of a frame counter from 2 to this are lost frames; longer ones are restarts.
const MAX_LOST_FRAMES: u32 = 20;
/// Third quartile of the standard normal distribution (NIST/SEMATECH e-Handbook, 1.3.6.7.1).
const QUARTILE: f64 = 0.674_49;

/// Something odd in what is heard. Facts only; the words are made where people read them.
#[derive(Clone, Debug, PartialEq)]
pub enum HearingWarning {
    /// A tag's frames have stopped.
    TagStopped {
        /// The number that the kit gives the tag.
        tag: TagId,
        /// Since its last frame.
        ago: Micros,
    },
    /// These anchors have never had a range of this tag.
    NeverHeard {
        /// Whose ranges.
        tag: TagId,
        /// Which anchors.
        anchors: ArrayVec<AnchorId, MAX_ANCHORS>,
    },
    /// An anchor fell silent some seconds ago: it may be starting up.
    JustVanished {
        /// Whose ranges.
        tag: TagId,
        /// Id in the site file; without a site the number of the range field.
        anchor: AnchorId,
        /// Since its last range.
        ago: Micros,
    },
    /// An anchor has been silent for longer than a board takes to start.
    Silent {
        /// Whose ranges.
        tag: TagId,
        /// Id in the site file; without a site the number of the range field.
        anchor: AnchorId,
        /// Since its last range.
        ago: Micros,
    },
    /// The ranges of one anchor jump between two values.
    TwoValues {
        /// Whose ranges.
        tag: TagId,
        /// Id in the site file; without a site the number of the range field.
        anchor: AnchorId,
        /// The two values.
        values: TwoValues,
    },
    /// Pieces of the stream were no good frames.
    Damaged {
        /// Pieces of the last 10 s.
        pieces: usize,
        /// Their share of good frames and pieces together.
        share: f64,
    },
    /// The frame counter left numbers out.
    FramesLost {
        /// Whose frames.
        tag: TagId,
        /// Numbers left out in the last 10 s.
        frames: u32,
    },
    /// Frames do not arrive at an even pace.
    Uneven {
        /// Whose frames.
        tag: TagId,
        /// The usual interval.
        usual: Micros,
        /// The longest of the last 10 s.
        longest: Micros,
    },
    /// Bytes come in, and none of them has ever been a frame.
    NoFrames {
        /// Bytes so far.
        bytes: u64,
    },
}

impl HearingWarning {
    /// The tag and the anchor that it is about, if it is about one.
    pub fn about(&self) -> (Option<TagId>, Option<AnchorId>) {
        match self {
            HearingWarning::TagStopped { tag, .. }
            | HearingWarning::NeverHeard { tag, .. }
            | HearingWarning::FramesLost { tag, .. }
            | HearingWarning::Uneven { tag, .. } => (Some(*tag), None),
            HearingWarning::JustVanished { tag, anchor, .. }
            | HearingWarning::Silent { tag, anchor, .. }
            | HearingWarning::TwoValues { tag, anchor, .. } => (Some(*tag), Some(*anchor)),
            HearingWarning::Damaged { .. } | HearingWarning::NoFrames { .. } => (None, None),
        }
    }
}

/// One anchor as one tag's frames tell it.
#[derive(Clone, Debug, PartialEq)]
pub struct HeardAnchor {
    /// Whose ranges.
    pub tag: TagId,
    /// Which anchor, or which range field.
    pub anchor: AnchorId,
    /// Heard, silent, never heard.
    pub state: AnchorState,
    /// Its last range as sent, metres.
    pub range_m: Option<f64>,
    /// Since its last range.
    pub ago: Option<Micros>,
    /// Ranges a second.
    pub rate_hz: f64,
    /// Share of the tag's frames that had a range of it; `None` without frames.
    pub share: Option<f64>,
    /// Standard deviation of one range, metres; `None` with fewer than five in a row.
    pub spread_m: Option<f64>,
    /// Nearest and farthest range of the last minute's second means, metres.
    pub span_m: Option<[f64; 2]>,
    /// Mean range of each second of the last minute, metres, oldest first.
    pub minute_m: [Option<f64>; MINUTE_S],
}

/// All that is heard, for one instant.
#[derive(Clone, Debug, PartialEq)]
pub struct HearingTable {
    /// The instant.
    pub at: Timestamp,
    /// Frames a second, of all tags.
    pub frames_hz: f64,
    /// By tag, then in the order of the anchors.
    pub rows: Vec<HeardAnchor>,
    /// What is odd.
    pub warnings: Vec<HearingWarning>,
}

/// One frame of a tag.
#[derive(Clone, Copy, Debug)]
struct HeardFrame {
    at: Timestamp,
    seq: Option<u32>,
    ranges_m: [Option<f64>; MAX_ANCHORS],
}

#[derive(Clone, Debug)]
struct HeardTag {
    tag: TagId,
    first: Timestamp,
    frames: VecDeque<HeardFrame>,
    /// Last range of each anchor.
    last: [Option<(Timestamp, f64)>; MAX_ANCHORS],
    minutes: [Minute; MAX_ANCHORS],
}

/// Takes in a stream; see the module.
#[derive(Clone, Debug)]
pub struct Hearing {
    anchors: ArrayVec<AnchorId, MAX_ANCHORS>,
    tags: ArrayVec<Box<HeardTag>, HEARD_TAGS>,
    /// Stamps of pieces that were no frame.
    damaged: VecDeque<Timestamp>,
    frames: u64,
    bytes: u64,
    began: Option<Timestamp>,
}

impl Hearing {
    /// Nothing heard yet of these anchors.
    pub fn new(anchors: impl IntoIterator<Item = AnchorId>) -> Hearing {
        Hearing {
            anchors: anchors.into_iter().take(MAX_ANCHORS).collect(),
            tags: ArrayVec::new(),
            damaged: VecDeque::new(),
            frames: 0,
            bytes: 0,
            began: None,
        }
    }

    /// So many bytes came in; whether they are frames is told by the other two.
    pub fn bytes(&mut self, at: Timestamp, count: usize) {
        self.began.get_or_insert(at);
        self.bytes += count as u64;
    }

    /// A piece of the stream was no good frame. Before the first good frame it does not count: a port
    /// is opened in the middle of one.
    pub fn damaged(&mut self, at: Timestamp) {
        if self.frames == 0 {
            return;
        }
        if self.damaged.len() == WINDOW_FRAMES {
            self.damaged.pop_front();
        }
        self.damaged.push_back(at);
    }

    /// A good frame.
    pub fn hear(&mut self, epoch: &Epoch) {
        self.frames += 1;
        self.began.get_or_insert(epoch.at);
        let known = self.tags.iter().position(|t| t.tag == epoch.tag);
        if known.is_none() && !self.tags.is_full() {
            self.tags.push(Box::new(HeardTag::new(epoch.tag, epoch.at)));
            self.tags.sort_by_key(|t| t.tag);
        }
        let anchors = &self.anchors;
        let Some(tag) = self.tags.iter_mut().find(|t| t.tag == epoch.tag) else { return };
        tag.hear(epoch, anchors);
    }

    /// Everything as it stands at `at`.
    pub fn table(&self, at: Timestamp) -> HearingTable {
        let mut table = HearingTable { at, frames_hz: 0.0, rows: Vec::new(), warnings: Vec::new() };
        for tag in &self.tags {
            let window = tag.window(at);
            table.frames_hz += window.len() as f64 / tag.span_s(at);
            for (i, anchor) in self.anchors.iter().enumerate() {
                table.rows.push(tag.row(at, i, *anchor, &window));
            }
            tag.warnings(at, &self.anchors, &window, &mut table.warnings);
        }
        self.stream_warnings(at, &mut table.warnings);
        table
    }

    fn stream_warnings(&self, at: Timestamp, out: &mut Vec<HearingWarning>) {
        let settled = self.began.is_some_and(|began| at.since(began) >= SETTLED);
        if !settled {
            return;
        }
        if self.frames == 0 && self.bytes > 0 {
            out.push(HearingWarning::NoFrames { bytes: self.bytes });
        }
        let pieces = self.damaged.iter().filter(|t| at.since(**t) < WINDOW).count();
        let good: usize = self.tags.iter().map(|t| t.window(at).len()).sum();
        let share = pieces as f64 / (pieces + good).max(1) as f64;
        if pieces >= WORTH_A_WORD.0 && share >= WORTH_A_WORD.1 {
            out.push(HearingWarning::Damaged { pieces, share });
        }
    }
}

impl HeardTag {
    fn new(tag: TagId, first: Timestamp) -> HeardTag {
        HeardTag {
            tag,
            first,
            frames: VecDeque::new(),
            last: [None; MAX_ANCHORS],
            minutes: std::array::from_fn(|_| Minute::default()),
        }
    }

    fn hear(&mut self, epoch: &Epoch, anchors: &[AnchorId]) {
        let mut frame = HeardFrame { at: epoch.at, seq: epoch.frame_seq, ranges_m: [None; MAX_ANCHORS] };
        for reading in &epoch.readings {
            let place = anchors.iter().position(|a| *a == reading.anchor);
            let (Some(i), Some(range_m)) = (place, reading.raw_range_m.filter(|r| r.is_finite())) else {
                continue;
            };
            frame.ranges_m[i] = Some(range_m);
            self.last[i] = Some((epoch.at, range_m));
            self.minutes[i].add(epoch.at, range_m);
        }
        let old = |f: &HeardFrame| epoch.at.since(f.at) >= WINDOW;
        while self.frames.len() >= WINDOW_FRAMES || self.frames.front().is_some_and(old) {
            self.frames.pop_front();
        }
        self.frames.push_back(frame);
    }

    /// The frames that count at `at`. The very first one only opens the first interval.
    fn window(&self, at: Timestamp) -> Vec<&HeardFrame> {
        self.frames.iter().filter(|f| at.since(f.at) < WINDOW && f.at > self.first).collect()
    }

    /// Seconds that the window covers; at least one, or the first figures would jump.
    fn span_s(&self, at: Timestamp) -> f64 {
        let full = self.frames.len() == WINDOW_FRAMES;
        let from = self.frames.front().filter(|_| full).map_or(self.first, |f| f.at);
        at.since(from).min(WINDOW).secs_f64().max(1.0)
    }

    fn state(&self, at: Timestamp, anchor: usize) -> AnchorState {
        match self.last[anchor] {
            None => AnchorState::NeverHeard,
            Some((heard, _)) if at.since(heard) < SILENT_AFTER => AnchorState::Heard,
            Some(_) => AnchorState::Silent,
        }
    }

    fn row(&self, at: Timestamp, i: usize, anchor: AnchorId, window: &[&HeardFrame]) -> HeardAnchor {
        let ranges = window.iter().filter(|f| f.ranges_m[i].is_some()).count();
        let minute_m = self.minutes[i].means(at);
        let seen = || minute_m.iter().flatten().copied();
        HeardAnchor {
            tag: self.tag,
            anchor,
            state: self.state(at, i),
            range_m: self.last[i].map(|(_, range_m)| range_m),
            ago: self.last[i].map(|(heard, _)| at.since(heard)),
            rate_hz: ranges as f64 / self.span_s(at),
            share: (!window.is_empty()).then(|| ranges as f64 / window.len() as f64),
            spread_m: spread_m(window.iter().map(|f| f.ranges_m[i])),
            span_m: seen().reduce(f64::min).zip(seen().reduce(f64::max)).map(|(low, high)| [low, high]),
            minute_m,
        }
    }

    fn warnings(
        &self,
        at: Timestamp,
        anchors: &[AnchorId],
        window: &[&HeardFrame],
        out: &mut Vec<HearingWarning>,
    ) {
        let tag = self.tag;
        let ago = self.frames.back().map_or(Micros::ZERO, |f| at.since(f.at));
        if ago >= STOPPED {
            out.push(HearingWarning::TagStopped { tag, ago });
            return;
        }
        let mut never = ArrayVec::new();
        for (i, anchor) in anchors.iter().copied().enumerate() {
            let ago = self.last[i].map_or(Micros::ZERO, |(heard, _)| at.since(heard));
            match self.state(at, i) {
                AnchorState::NeverHeard => never.push(anchor),
                AnchorState::Silent if ago < JUST_GONE => {
                    out.push(HearingWarning::JustVanished { tag, anchor, ago });
                }
                AnchorState::Silent => out.push(HearingWarning::Silent { tag, anchor, ago }),
                AnchorState::Heard => {}
            }
            if let Some(values) = two_values::find(window.iter().filter_map(|f| f.ranges_m[i])) {
                out.push(HearingWarning::TwoValues { tag, anchor, values });
            }
        }
        if !never.is_empty() && at.since(self.first) >= SETTLED {
            out.push(HearingWarning::NeverHeard { tag, anchors: never });
        }
        if let Some(frames) = frames_lost(window) {
            out.push(HearingWarning::FramesLost { tag, frames });
        }
        if let Some([usual, longest]) = uneven(window) {
            out.push(HearingWarning::Uneven { tag, usual, longest });
        }
    }
}

/// Standard deviation of one range, from second differences of ranges in a row.
fn spread_m(ranges: impl Iterator<Item = Option<f64>>) -> Option<f64> {
    let ranges: Vec<Option<f64>> = ranges.collect();
    let bend = |w: &[Option<f64>]| Some((w[0]? - 2.0 * w[1]? + w[2]?).abs());
    let mut bends: Vec<f64> = ranges.windows(3).filter_map(bend).collect();
    if bends.len() < 3 {
        return None;
    }
    Some(upper_median(&mut bends)? / QUARTILE / 6.0_f64.sqrt())
}

/// Numbers that the frame counter left out, when it usually steps by one.
fn frames_lost(window: &[&HeardFrame]) -> Option<u32> {
    let step = |w: &[&HeardFrame]| {
        let (before, now) = (w[0].seq?, w[1].seq?);
        // The width of the counter shows in its last value before it starts again.
        let turn = if before <= 0xFF { 0x100 } else { 0x1_0000 };
        Some(if now >= before { now - before } else { (now + turn).saturating_sub(before) })
    };
    let steps: Vec<u32> = window.windows(2).filter_map(step).collect();
    let by_one = steps.iter().filter(|s| **s == 1).count();
    let lost: u32 = steps.iter().filter(|s| (2..=MAX_LOST_FRAMES).contains(*s)).map(|s| s - 1).sum();
    let few = (lost as usize) < WORTH_A_WORD.0 || f64::from(lost) < WORTH_A_WORD.1 * steps.len() as f64;
    (!few && by_one * 2 > steps.len()).then_some(lost)
}

/// The usual and the longest interval, when too many are far from the usual one.
fn uneven(window: &[&HeardFrame]) -> Option<[Micros; 2]> {
    let intervals: Vec<f64> = window.windows(2).map(|w| w[1].at.since(w[0].at).secs_f64()).collect();
    if intervals.len() < UNEVEN.1 {
        return None;
    }
    let usual = upper_median(&mut intervals.clone())?;
    let odd = intervals.iter().filter(|i| (*i - usual).abs() > usual / 2.0).count();
    let longest = intervals.iter().copied().fold(0.0, f64::max);
    (odd as f64 > UNEVEN.0 * intervals.len() as f64).then(|| [usual, longest].map(Micros::from_secs_f64))
}

#[cfg(test)]
mod tests;
