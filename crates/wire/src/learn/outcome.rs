//! What comes out of learning, as facts; the crate `words` says them.

use std::fmt;
use std::ops::Range;

use crate::{FrameSpec, Layout, LayoutError, NoRange, Unit};

/// Of the rest of a capture a proposal must read so much of the share that it reads of its own part.
const REST_READ: f64 = 0.6;
/// How much smoother ranges are within one value of a key than where it changes, for the key to count as a tag's number.
pub const SMOOTHER: f64 = 2.5;
/// Standard deviations by which the two parts may differ in the share that is read, and the share itself.
const PARTS_DIFFER: (f64, f64) = (3.0, 0.08);

/// What can be said about a capture.
#[derive(Clone, Debug, PartialEq)]
pub enum Outcome {
    /// One reading stands out, and it reads its own capture.
    Proposal(Proposal),
    /// Frames, but more than one reading fits, or nothing in them tells ranges from other numbers.
    Undecided(Undecided),
    /// Not a stream of frames.
    NotFrames(NotFrames),
}

/// Which key of the `[frame]` table a layout belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LayoutKey {
    /// `layout`: binary frames.
    Binary,
    /// `layout_text`: delimited lines.
    Text,
    /// `layout_json`: JSON lines.
    Json,
}

impl LayoutKey {
    /// The key as written in a site file.
    pub const fn name(self) -> &'static str {
        match self {
            LayoutKey::Binary => "layout",
            LayoutKey::Text => "layout_text",
            LayoutKey::Json => "layout_json",
        }
    }
}

/// A `[frame]` table. Its `Display` is the table, ready to paste.
#[derive(Clone, Debug, PartialEq)]
pub struct FrameGuess {
    /// The key of the layout.
    pub key: LayoutKey,
    /// The layout in the layout language.
    pub layout: String,
    /// Unit of the ranges.
    pub unit: Unit,
    /// The words that mean "no range"; NaN may be among them.
    pub no_range: Vec<f64>,
}

impl FrameGuess {
    /// The layout, parsed.
    ///
    /// # Errors
    /// None for a guess that came from [`learn`](super::learn): every layout has been parsed before.
    pub fn parse(&self) -> Result<Layout, LayoutError> {
        match self.key {
            LayoutKey::Binary => Layout::parse_binary(&self.layout),
            LayoutKey::Text => Layout::parse_text(&self.layout),
            LayoutKey::Json => Layout::parse_json(&self.layout),
        }
    }

    /// The whole table as the decoder's caller needs it.
    ///
    /// # Errors
    /// As [`FrameGuess::parse`].
    pub fn spec(&self) -> Result<FrameSpec, LayoutError> {
        let no_range = NoRange::new(self.no_range.iter().copied());
        Ok(FrameSpec { layout: self.parse()?, unit: self.unit, no_range })
    }
}

impl fmt::Display for FrameGuess {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let quoted = self.layout.replace('\\', "\\\\").replace('"', "\\\"");
        writeln!(f, "[frame]\n{} = \"{quoted}\"\nunit = \"{}\"", self.key.name(), self.unit)?;
        let numbers: Vec<String> = self.no_range.iter().map(|n| number(*n)).collect();
        match numbers.as_slice() {
            [] => Ok(()),
            [one] => writeln!(f, "no_range = {one}"),
            many => writeln!(f, "no_range = [{}]", many.join(", ")),
        }
    }
}

/// A number as TOML writes it.
fn number(value: f64) -> String {
    if value.is_nan() { "nan".to_owned() } else { format!("{value}") }
}

/// How sure a part of the proposal is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Sureness {
    /// The capture cannot tell; a usual value was put in.
    Open,
    /// It fits, and something else might too.
    Likely,
    /// Nothing else explains the capture.
    Sure,
}

/// One part of a proposal.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// A piece of the layout with its evidence.
    pub what: PartKind,
    /// How sure that is.
    pub sureness: Sureness,
}

/// A piece of a layout, as the capture shows it.
#[derive(Clone, Debug, PartialEq)]
pub enum PartKind {
    /// Every frame has this many bytes.
    FrameLength {
        /// Bytes.
        bytes: usize,
    },
    /// Constant bytes at the start of every frame.
    Preamble {
        /// In the order of the frame.
        bytes: Vec<u8>,
    },
    /// Constant bytes at the end of every frame.
    Trailer {
        /// In the order of the frame.
        bytes: Vec<u8>,
    },
    /// A constant byte or number that may be the number of the tag, a type or a length.
    ConstantField {
        /// Byte of the frame, or number of the line, from 0.
        at: usize,
        /// Its value.
        value: i64,
    },
    /// A number that steps evenly.
    Counter {
        /// Byte of the frame, or number of the line, from 0.
        at: usize,
        /// By how much it grows from frame to frame as a rule.
        step: i64,
        /// Taken as the module's clock, not as the number of the frame.
        is_clock: bool,
    },
    /// A checksum that holds.
    Checksum {
        /// Its name in the layout language.
        name: &'static str,
        /// First byte that it covers.
        from: usize,
        /// Frames that it holds on.
        holds: usize,
        /// Frames that were tried.
        tried: usize,
    },
    /// Numbers that move as ranges to a moving tag do.
    Ranges {
        /// Range fields of the layout.
        fields: usize,
        /// Which of them ever had a range, from 0.
        heard: Vec<usize>,
        /// Bits by which the reading is shorter than the bytes alone; 0 for lines.
        bits: f64,
    },
    /// Unit of the ranges.
    Unit {
        /// That of the raw numbers.
        unit: Unit,
        /// By how many nats it beats the next.
        nats: f64,
    },
    /// Words that mean "no range".
    NoRange {
        /// Raw numbers.
        words: Vec<f64>,
        /// Whether one was seen where ranges were before or after.
        seen: bool,
    },
    /// Text lines with so many numbers.
    Lines {
        /// Numbers a line.
        numbers: usize,
    },
}

/// Another reading of the capture.
#[derive(Clone, Debug, PartialEq)]
pub struct Alternative {
    /// The table that it would be.
    pub frame: FrameGuess,
    /// What is between them, and what to capture to decide.
    pub question: Question,
}

/// What the capture cannot tell.
#[derive(Clone, Debug, PartialEq)]
pub enum Question {
    /// Only one byte of each range moved.
    ByteOrder,
    /// The sizes fit two units.
    Unit {
        /// The farthest range in the likelier unit, metres.
        farthest_m: f64,
        /// The one that the sizes speak for.
        likelier: Unit,
        /// The next one in likelihood.
        other: Unit,
    },
    /// Bytes beside each range are always zero: they may be its upper bytes.
    Width {
        /// Bytes of a range in the likelier reading.
        bytes: usize,
        /// Bytes of a range in the other reading.
        other: usize,
    },
    /// The same ranges, with the frame cut elsewhere.
    FrameStart {
        /// Bytes by which the other start comes later.
        later_by: usize,
    },
    /// Other bytes move like ranges as well.
    WhichNumbers,
    /// The ranges moved too little to tell them from other numbers.
    LittleTravel {
        /// Largest change of any range in its own unit.
        units: f64,
    },
    /// Nothing moves as a range does.
    NothingMoves,
    /// The layout reads too little of its own capture.
    ReadsTooLittle {
        /// Share of the frames, 0 to 1.
        share: f64,
    },
    /// A number with few values beside the ranges: a tag until shown otherwise.
    TagNumber {
        /// Where: `byte 4`, `number 2`, a JSON pointer.
        place: String,
        /// Its values, rising.
        values: Vec<i64>,
        /// How many times smoother the ranges are within one value than where it changes; about 1 when
        /// they do not depend on it.
        smoother: f64,
    },
    /// Something varies, and what it is was not shown.
    NoRole {
        /// Where: `byte 4`, `number 2`, a JSON pointer.
        place: String,
        /// Its commonest values, rising; empty when they are not numbers.
        values: Vec<i64>,
        /// How many different values it takes.
        distinct: usize,
    },
    /// Bytes or lines of another kind come as well.
    OtherFrames {
        /// Their share of the first and of the second half of the capture, 0 to 1.
        halves: [f64; 2],
        /// How the first of them begins, in hex or as text.
        sample: String,
    },
    /// An element that is sometimes left out: what stands behind it has no fixed place.
    LeftOut {
        /// Where: a JSON pointer, or how many numbers a line has.
        place: String,
        /// Fewest and most elements that were seen.
        seen: (usize, usize),
        /// Lines with fewer than most.
        short: usize,
        /// Lines in all.
        lines: usize,
    },
    /// Most ranges jump at once, again and again.
    Jumps {
        /// Share of the frames, 0 to 1.
        share: f64,
    },
    /// All ranges change by one factor from one frame to the next.
    UnitChanges {
        /// The later ranges over the earlier ones.
        factor: f64,
    },
    /// Only the whole capture shows the layout, or nearly all of it: too little is left to test it on.
    NothingToTestOn,
    /// The part of the capture that the proposal was not made from is read far worse, or far better.
    RestUnread {
        /// Share of that part that is read, 0 to 1.
        share: f64,
        /// Share of the part that it was made from, 0 to 1.
        made: f64,
    },
}

impl Undecided {
    /// Whether all doubts come from what the whole capture says, so that no other part of it can help.
    pub(super) fn is_settled(&self) -> bool {
        let by_all = |q: &Question| match q {
            // A byte that was constant in one half, or frames that one half alone shows.
            Question::NoRole { distinct, .. } => *distinct > 2,
            Question::TagNumber { .. }
            | Question::LeftOut { .. }
            | Question::Jumps { .. }
            | Question::UnitChanges { .. }
            | Question::LittleTravel { .. } => true,
            Question::OtherFrames { .. }
            | Question::ByteOrder
            | Question::Unit { .. }
            | Question::Width { .. }
            | Question::FrameStart { .. }
            | Question::WhichNumbers
            | Question::NothingMoves
            | Question::ReadsTooLittle { .. }
            | Question::NothingToTestOn
            | Question::RestUnread { .. } => false,
        };
        !self.alternatives.is_empty() && self.questions.iter().all(by_all)
    }
}

/// What the user should know about a proposal.
#[derive(Clone, Debug, PartialEq)]
pub enum Caution {
    /// Bytes that never change and may be the ranges of anchors that were off.
    SilentBytes {
        /// Places in the frame, each one range wide; for lines the numbers of the fields, from 0.
        places: Vec<Range<usize>>,
        /// How many of them the layout reads as range fields.
        read: usize,
    },
    /// A short preamble and no checksum: other bytes can look like a frame.
    ShortPreamble {
        /// Length of the preamble, bytes.
        bytes: usize,
    },
    /// Bytes were lost or damaged.
    Damaged {
        /// Share of the bytes, or of the lines, that belong to no good frame, 0 to 1.
        share: f64,
    },
    /// The checksum may be another one that gives the same values on these frames.
    ChecksumTwins {
        /// How many others hold as well.
        count: usize,
    },
}

/// The test of a proposal: what it reads of the part of the capture that it was not made from.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Tested {
    /// Share of the capture that the proposal was made from, 0 to 1.
    pub made_from: f64,
    /// Frames read in the rest.
    pub frames: u64,
    /// Share of the rest in these frames, 0 to 1: of its bytes, for lines of its lines.
    pub share: f64,
}

impl Tested {
    /// Frames that the rest must have: with fewer a counter can look like a range, and what changes now and then is not seen.
    const MIN_FRAMES: u64 = 25;

    /// Why the test does not bear a proposal; `made` is the share that is read of the part it was made from.
    pub(super) fn doubt(&self, made: f64) -> Option<Question> {
        if self.frames < Tested::MIN_FRAMES {
            return Some(Question::NothingToTestOn);
        }
        (self.share < REST_READ * made || self.differs(made))
            .then_some(Question::RestUnread { share: self.share, made })
    }

    /// Whether damage that is the same all along leaves so different shares but by chance.
    fn differs(&self, made: f64) -> bool {
        let rest = self.frames as f64 / self.share.max(1e-9);
        let first = rest * self.made_from / (1.0 - self.made_from).max(1e-9);
        let both = (made * first + self.share * rest) / (first + rest);
        // Half a frame, for parts that are read wholly.
        let deviation = (both * (1.0 - both) * (1.0 / first + 1.0 / rest)).sqrt() + 0.5 / first.min(rest);
        let (deviations, share) = PARTS_DIFFER;
        (made - self.share).abs() > (deviations * deviation).max(share)
    }
}

/// One reading that stands out.
#[derive(Clone, Debug, PartialEq)]
pub struct Proposal {
    /// Layout, unit and "no range" words, as the site file has them.
    pub frame: FrameGuess,
    /// What was recognised, and how sure each part is.
    pub parts: Vec<Part>,
    /// Other readings that give the same ranges, or are far less likely.
    pub alternatives: Vec<Alternative>,
    /// What to keep in mind.
    pub cautions: Vec<Caution>,
    /// Frames that the proposal reads in the capture.
    pub frames_read: u64,
    /// Share of the capture's bytes in these frames, 0 to 1; line ends count as read.
    pub share_read: f64,
    /// What it read of the part that it was not made from.
    pub tested: Tested,
    /// Frames a second, from the arrival times; `None` without times.
    pub rate_hz: Option<f64>,
}

/// Frames without a reading that stands out.
#[derive(Clone, Debug, PartialEq)]
pub struct Undecided {
    /// Why, most important first.
    pub questions: Vec<Question>,
    /// What it may be, likeliest first.
    pub alternatives: Vec<Alternative>,
    /// Length of the frames, or of the usual line, in bytes.
    pub frame_bytes: usize,
    /// Frames or lines seen.
    pub frames_seen: usize,
}

/// Why a capture is not a stream of frames.
#[derive(Clone, Debug, PartialEq)]
pub enum NotFrames {
    /// No byte at all.
    Silence,
    /// Too few bytes to tell.
    TooShort {
        /// Bytes in the capture.
        bytes: usize,
    },
    /// One byte over and over.
    ConstantByte {
        /// Its value.
        byte: u8,
    },
    /// Readable text that is no table of numbers.
    ConsoleText {
        /// The first line with anything in it, at most 60 characters.
        sample: String,
    },
    /// Text with too many bytes that are none.
    DamagedText {
        /// Share of bytes that are not text, or of lines unlike all others, 0 to 1.
        share: f64,
    },
    /// Bytes as they come when the line runs at another speed than the port.
    WrongBaud {
        /// Bits by which the stream has to be shifted to make sense; `None` when none does.
        shift: Option<u32>,
    },
    /// Bytes in which nothing repeats.
    Rubbish,
}
