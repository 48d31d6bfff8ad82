//! Is a frame fresh? Old, repeated and frozen frames are told from the present before anything rests on them.
//!
//! **Question.** A frame arrives at r. When was it measured, and does it say anything new? Bytes may have waited in this
//! machine's buffers (a stopped process, a busy machine), before them (a bridge, an adapter, a radio link), or may be
//! sent again; a module that hangs sends the same ranges for ever.
//!
//! | part | tells | from |
//! |---|---|---|
//! | `order` | repeated, sent again, started anew | the frame's counter, its clock, a memory of the last frames |
//! | `delay` | how long ago it was measured, and whether that is known | clock; else counter; else the learned pace |
//! | `frozen` | frozen frames, anchors whose last range is held | the chance that new ranges would be bit-identical |
//!
//! **State** is kept for each admitted tag, because each has its own pace (and may have its own counter). It is made when the
//! tag is admitted, and goes when it is retired; nothing is allocated in between. Its last frames from before that are
//! looked at then, so that being admitted costs no time.
//!
//! **What can't be seen.** Without a clock in the frame a constant delay since the start looks like none, and a delay
//! that begins and then stays constant looks like a pause of the module. A slow drain (below a tenth faster than the usual pace)
//! looks like the usual pace.
//!
//! A replay of a log does not come here: the log keeps what was said (`Epoch::measured_at`, `doubt`, `held`). So the
//! rules may change without changing what a logged session replays to.

mod delay;
mod frozen;
mod memory;
mod order;

use std::collections::VecDeque;

use arrayvec::ArrayVec;
use hereabout_core::{Doubt, Epoch, Frame, MAX_TAGS, Micros, TagId, Timestamp, Word};
use hereabout_wire::{FieldName, FrameSpec};

use delay::Delay;
use frozen::Frozen;
pub use frozen::frozen_is_detectable;
use order::{Order, Sequence, Turns};

/// Frames of tags that are not admitted yet, which are looked at once they are.
const WAITING: usize = 64;

/// Judges frames as they come.
#[derive(Clone, Debug)]
pub(crate) struct Freshness {
    max_age_s: f64,
    turns: Turns,
    /// Bytes of a frame, at least.
    frame_len: usize,
    tags: ArrayVec<Box<TagFreshness>, MAX_TAGS>,
    /// The last frames of tags that were not admitted, with the engine's instant.
    waiting: VecDeque<(Timestamp, Frame)>,
}

#[derive(Clone, Debug)]
struct TagFreshness {
    id: TagId,
    order: Order,
    delay: Delay,
    frozen: Frozen,
    /// Stamps of measurement never go backward.
    measured_at: Option<Timestamp>,
}

impl Freshness {
    /// Nothing heard yet. What is measured longer than `max_age` before it arrives is old.
    pub(crate) fn new(spec: Option<&FrameSpec>, max_age: Micros) -> Freshness {
        let turn = |field| Some(u64::from(spec?.layout.counter_max(field)?) + 1);
        Freshness {
            max_age_s: max_age.secs_f64(),
            turns: Turns { seq: turn(FieldName::Seq), millis: turn(FieldName::Millis) },
            frame_len: spec.map_or(1, |s| s.layout.min_frame_len().max(1)),
            tags: ArrayVec::new(),
            waiting: VecDeque::with_capacity(WAITING),
        }
    }

    /// The same with another limit.
    pub(crate) fn with_max_age(self, max_age: Micros) -> Freshness {
        Freshness { max_age_s: max_age.secs_f64(), ..self }
    }

    /// The link was opened or fell away: what comes next need not follow on what came before.
    pub(crate) fn link_changed(&mut self) {
        self.tags.iter_mut().for_each(|t| t.delay.link_changed());
    }

    /// Says of the epoch that `frame` gave when it was measured, what speaks against it, and which readings are held.
    /// `epoch.at` is the engine's instant, at or after the frame's arrival.
    pub(crate) fn judge(&mut self, frame: &Frame, epoch: &mut Epoch) {
        let (max_age_s, turns, frame_len) = (self.max_age_s, self.turns, self.frame_len);
        // A tag beyond those that are kept apart is refused by the engine.
        let Some(tag) = self.tag(epoch.tag) else { return };
        let content = content(&frame.words);
        let waited_s = epoch.at.since(frame.received_at).secs_f64().max(0.0);
        let arrival = delay::Arrival {
            at: frame.received_at,
            empty_at: frame.empty_at,
            lost: frame.skipped_bytes.div_ceil(frame_len as u32),
            max_age_s,
        };
        let place = tag.order.place(frame, content, &turns, &tag.delay);
        let age = match place {
            Sequence::Repeated => {
                epoch.doubt = Some(Doubt::Repeated);
                return;
            }
            Sequence::Stray => {
                epoch.doubt = Some(Doubt::Unsettled);
                return;
            }
            Sequence::Anew => tag.delay.anew(&arrival, frame.millis),
            Sequence::Next { counts, clock_ms } => tag.delay.next(&arrival, counts, clock_ms),
        };
        let frozen = tag.frozen.take(epoch);
        let measured_at = frame.received_at.plus(Micros::from_secs_f64(-age.delay_s));
        let measured_at = tag.measured_at.map_or(measured_at, |last| measured_at.max(last)).min(epoch.at);
        tag.measured_at = Some(measured_at);
        epoch.measured_at = measured_at;
        epoch.doubt = if frozen {
            Some(Doubt::Frozen)
        } else if !age.is_known {
            Some(Doubt::Unsettled)
        } else if age.delay_s + waited_s > max_age_s {
            Some(Doubt::Old)
        } else {
            None
        };
    }

    /// Keeps a frame of a tag that is not admitted, for when it is.
    pub(crate) fn wait(&mut self, at: Timestamp, frame: &Frame) {
        if self.waiting.len() >= WAITING {
            self.waiting.pop_front();
        }
        self.waiting.push_back((at, frame.clone()));
    }

    /// A tag was admitted: what its frames so far tell of its pace and its order counts. `epoch` reads a frame.
    pub(crate) fn catch_up(&mut self, tag: TagId, epoch: impl Fn(&Frame) -> Epoch) {
        for _ in 0..self.waiting.len() {
            let Some((at, frame)) = self.waiting.pop_front() else { return };
            let mut epoch = epoch(&frame);
            if epoch.tag == tag {
                epoch.at = at;
                self.judge(&frame, &mut epoch);
            } else {
                self.waiting.push_back((at, frame));
            }
        }
    }

    /// Forgets the tags that do not stay.
    pub(crate) fn keep(&mut self, stays: impl Fn(TagId) -> bool) {
        self.tags.retain(|t| stays(t.id));
    }

    fn tag(&mut self, id: TagId) -> Option<&mut TagFreshness> {
        let place = self.tags.iter().position(|t| t.id == id);
        let place = place.or_else(|| {
            let fresh = TagFreshness {
                id,
                order: Order::default(),
                delay: Delay::default(),
                frozen: Frozen::default(),
                measured_at: None,
            };
            self.tags.try_push(Box::new(fresh)).ok()?;
            Some(self.tags.len() - 1)
        });
        self.tags.get_mut(place?).map(|t| &mut **t)
    }
}

/// What the ranges of a frame say, in 32 bits (FNV-1a, <https://www.rfc-editor.org/rfc/rfc9923>, from memory).
fn content(words: &[Word]) -> u32 {
    let mut hash: u64 = 0xcbf2_9ce4_8422_2325;
    let mut add = |bits: u64| {
        for byte in bits.to_le_bytes() {
            hash = (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3);
        }
    };
    for word in words {
        match word {
            Word::Int(v) => add(*v as u64),
            Word::Float(v) => add(v.to_bits()),
            Word::Missing => add(u64::MAX),
        }
    }
    (hash ^ (hash >> 32)) as u32
}

#[cfg(test)]
mod tests;
