//! From the bytes of an unknown module to a frame layout, or to plain words for why there is none.
//!
//! A pure function: captured bytes (and, when kept, the arrival times of the reads) go in, an
//! [`Outcome`] comes out. Description length decides: a reading of the bytes is believed for the bits
//! that it saves against reading every byte alone. What is left undecided is reported as
//! [`Alternative`]s, each with what to capture to decide it. The steps, one module each:
//!
//! 1. `triage`: nothing, one byte only, text, or bytes.
//! 2. `bytes::period`: the frame length, from equal bytes at a fixed distance.
//! 3. `bytes::fold`: the frames laid under one another, over lost and damaged bytes.
//! 4. `bytes::columns`: constant bytes and counters. `bytes::sums`: a checksum that holds.
//! 5. `bytes::words`, `bytes::arrays`: which bytes move together as numbers, and at what spacing they repeat.
//! 6. `series`: unit and "no range" words, from what a tag can do. `lines`, `json`: the same for text.
//! 7. `binary`: puts the layout together, and lets it read its own capture with the real decoder.
//! 8. `review`: holds it against the whole capture. A proposal is made from one half, the first in time
//!    (the second when the first shows none), and must read and explain the other as well; what varies
//!    without a role that was shown leaves it undecided.
//!
//! No module's layout is known here: whatever is proposed comes from the capture alone.

mod binary;
mod bytes;
mod fields;
mod json;
mod lines;
mod outcome;
mod proof;
mod review;
mod series;
mod shifted;
mod triage;

use hereabout_core::Timestamp;

pub use outcome::{
    Alternative, Caution, FrameGuess, LayoutKey, NotFrames, Outcome, Part, PartKind, Proposal, Question,
    SMOOTHER, Sureness, Tested, Undecided,
};

/// How much of a capture is studied; all of it is read back as proof.
const STUDY_BYTES: usize = 64 * 1024;
/// The frame rate that is assumed when neither times nor options tell it.
const USUAL_RATE_HZ: f64 = 10.0;

/// What the user knows beforehand.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LearnOptions {
    /// The farthest that the tag was from any anchor, in metres: decides the unit.
    pub farthest_m: Option<f64>,
    /// Frames a second, when known; else it is taken from the arrival times.
    pub rate_hz: Option<f64>,
}

/// Proposes a layout for `capture`.
///
/// `times` has one row a read: the offset in the capture of the read's first byte, and its arrival.
/// Rows out of order or beyond the capture are passed over.
pub fn learn(capture: &[u8], times: Option<&[(u64, Timestamp)]>, options: LearnOptions) -> Outcome {
    let times = times.unwrap_or_default();
    match triage::triage(capture) {
        triage::Kind::Nothing(why) => Outcome::NotFrames(why),
        triage::Kind::Text { damaged } => lines::learn(capture, damaged, times, options, json::learn),
        triage::Kind::Bytes => binary::learn(capture, times, options),
    }
}
