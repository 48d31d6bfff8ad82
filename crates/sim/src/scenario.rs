//! What a scenario says, and whether it makes sense.
//!
//! Every struct has a `Default` and public fields, so that studies build theirs in code; the file
//! form is the same with the same names. Times are seconds after the start.

use std::fmt;

use hereabout_core::{MAX_ANCHORS, Timestamp};
use serde::de::{self, Deserializer, Visitor};
use serde::{Deserialize, de::SeqAccess};
use thiserror::Error;

/// Where a scenario without `start` begins: 2026-05-04T09:00:00Z. Fixed, so that runs repeat.
pub const TEXT_START: &str = "2026-05-04T09:00:00Z";
const DEFAULT_START: Timestamp = Timestamp::from_micros(1_777_885_200_000_000);

/// A simulated kit and its surroundings.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Scenario {
    /// Same seed, same numbers.
    pub seed: u64,
    /// Stamp of second 0: RFC 3339 or Unix seconds in the file.
    #[serde(deserialize_with = "start_text")]
    pub start: Timestamp,
    /// Frames per second and tag.
    pub frame_rate_hz: f64,
    /// Frames come up to this much early or late, uniformly, seconds.
    pub jitter_s: f64,
    /// Ends after this long, seconds; without it the kit runs for ever.
    pub duration_s: Option<f64>,
    /// Anchors farther away than this do not answer, metres.
    pub max_range_m: f64,
    /// How ranges become bytes; may be absent when only epochs are wanted.
    pub frame: Option<FrameText>,
    /// The boards in file order: without slots, anchor and range field go by it.
    #[serde(rename = "anchor")]
    pub anchors: Vec<SimAnchor>,
    /// The tags.
    #[serde(rename = "tag")]
    pub tags: Vec<SimTag>,
    /// Blocked and reflected ranges.
    #[serde(rename = "late")]
    pub nlos: Nlos,
    /// What breaks.
    #[serde(rename = "fault")]
    pub faults: Vec<Fault>,
}

impl Default for Scenario {
    fn default() -> Scenario {
        Scenario {
            seed: 1,
            start: DEFAULT_START,
            frame_rate_hz: 10.0,
            jitter_s: 0.0,
            duration_s: None,
            max_range_m: 40.0,
            frame: None,
            anchors: Vec::new(),
            tags: Vec::new(),
            nlos: Nlos::default(),
            faults: Vec::new(),
        }
    }
}

/// The frame, as in a site file.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FrameText {
    /// Binary layout; exactly one of the three is given.
    pub layout: Option<String>,
    /// Layout of delimited text lines.
    pub layout_text: Option<String>,
    /// Layout of JSON lines.
    pub layout_json: Option<String>,
    /// `m`, `dm`, `cm` or `mm`.
    pub unit: String,
    /// Words that mean "no range": a number, `nan`, or a list. Empty: 0, or an empty field of a line.
    #[serde(default, deserialize_with = "one_or_many")]
    pub no_range: Vec<f64>,
}

/// A board.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SimAnchor {
    /// The id that the board is set to.
    pub id: u16,
    /// East, north, up, metres.
    pub at_m: [f64; 3],
    /// The board reads this much too long, metres.
    pub offset_m: f64,
    /// The board's metre; 1 is right.
    pub scale: f64,
    /// Standard deviation of a range in line of sight, metres.
    pub sigma_m: f64,
    /// Range field of the frame; without it as in a site file: by id, else in file order.
    pub slot: Option<usize>,
}

impl Default for SimAnchor {
    fn default() -> SimAnchor {
        SimAnchor { id: 0, at_m: [0.0; 3], offset_m: 0.0, scale: 1.0, sigma_m: 0.06, slot: None }
    }
}

/// What a tag does at its last waypoint.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum WayEnd {
    /// Goes straight to the first one and round again.
    #[default]
    Loop,
    /// Stays.
    Stop,
}

/// A tag and its way.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SimTag {
    /// Its id.
    pub id: u32,
    /// Height of waypoints that have none, metres.
    pub height_m: Option<f64>,
    /// Waypoints: east and north, or east, north and up, metres.
    pub path_m: Vec<Vec<f64>>,
    /// Speed between waypoints, m/s.
    pub speed_mps: f64,
    /// Pause at a waypoint, seconds: one number for all, or a list with one for each.
    #[serde(deserialize_with = "one_or_many")]
    pub pause_s: Vec<f64>,
    /// At the last waypoint.
    pub end: WayEnd,
}

impl Default for SimTag {
    fn default() -> SimTag {
        SimTag {
            id: 0,
            height_m: None,
            path_m: Vec::new(),
            speed_mps: 0.8,
            pause_s: Vec::new(),
            end: WayEnd::Loop,
        }
    }
}

impl SimTag {
    /// Waypoint `i` with its height; `None` when it is not two or three numbers or has no height.
    pub fn place_m(&self, i: usize) -> Option<[f64; 3]> {
        match (self.path_m.get(i)?.as_slice(), self.height_m) {
            (&[e, n, u], _) | (&[e, n], Some(u)) => Some([e, n, u]),
            _ => None,
        }
    }

    /// Pause at waypoint `i`, seconds.
    pub fn pause_at_s(&self, i: usize) -> f64 {
        match self.pause_s.as_slice() {
            [] => 0.0,
            [all] => *all,
            each => each.get(i).copied().unwrap_or(0.0),
        }
    }
}

/// Nlos ranges: too long by `minimum_m` plus an exponential of mean `mean_m`.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Nlos {
    /// Share of the ranges that are late, 0 to below 1.
    pub share: f64,
    /// Mean length of a stretch in which a range stays late by the same amount, seconds; 0 draws
    /// every range for itself.
    pub stretch_s: f64,
    /// Least excess, metres.
    pub minimum_m: f64,
    /// Mean of what comes on top, metres.
    pub mean_m: f64,
}

impl Default for Nlos {
    fn default() -> Nlos {
        Nlos { share: 0.0, stretch_s: 1.5, minimum_m: 0.2, mean_m: 0.6 }
    }
}

/// Something that breaks, from `from_s` (0 without it) to before `to_s` (for good without it).
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Fault {
    /// A board loses its power; after it returns it takes `start_up_s` until it answers.
    AnchorOff {
        /// Id in the scenario.
        anchor: u16,
        /// Off from here.
        from_s: f64,
        /// Power again.
        to_s: f64,
        /// Seconds from power to the first range; boards take two to three (common practice, no source).
        #[serde(default = "default_start_up_s")]
        start_up_s: f64,
    },
    /// A board is knocked to another place.
    AnchorMoved {
        /// Id in the scenario.
        anchor: u16,
        /// By this much, metres.
        by_m: [f64; 3],
        /// From.
        #[serde(default)]
        from_s: f64,
        /// To.
        to_s: Option<f64>,
    },
    /// A second board with the same id answers a share of the frames.
    DuplicateId {
        /// The id that both have.
        anchor: u16,
        /// Where the second one is, metres.
        at_m: [f64; 3],
        /// Share of the frames that it answers, 0 to 1.
        share: f64,
        /// From.
        #[serde(default)]
        from_s: f64,
        /// To.
        to_s: Option<f64>,
    },
    /// Single ranges go missing.
    Dropouts {
        /// Which board; without it every one.
        anchor: Option<u16>,
        /// Share of the ranges, 0 to 1.
        share: f64,
        /// From.
        #[serde(default)]
        from_s: f64,
        /// To.
        to_s: Option<f64>,
    },
    /// Frames end early.
    CutFrames {
        /// Share of the frames, 0 to 1.
        share: f64,
        /// From.
        #[serde(default)]
        from_s: f64,
        /// To.
        to_s: Option<f64>,
    },
    /// One bit of a frame is wrong.
    FlippedBits {
        /// Share of the frames, 0 to 1.
        share: f64,
        /// From.
        #[serde(default)]
        from_s: f64,
        /// To.
        to_s: Option<f64>,
    },
    /// A tag is lifted from its way and set down beside it, and goes on from there.
    TagJump {
        /// Its number on the kit.
        tag: u32,
        /// By this much, metres.
        by_m: [f64; 3],
        /// From.
        #[serde(default)]
        from_s: f64,
        /// To.
        to_s: Option<f64>,
    },
}

fn default_start_up_s() -> f64 {
    2.5
}

impl Fault {
    /// First second, and the second from which it is over (a board's start-up included).
    pub fn span_s(&self) -> [f64; 2] {
        match *self {
            Fault::AnchorOff { from_s, to_s, start_up_s, .. } => [from_s, to_s + start_up_s],
            Fault::AnchorMoved { from_s, to_s, .. }
            | Fault::DuplicateId { from_s, to_s, .. }
            | Fault::Dropouts { from_s, to_s, .. }
            | Fault::CutFrames { from_s, to_s, .. }
            | Fault::FlippedBits { from_s, to_s, .. }
            | Fault::TagJump { from_s, to_s, .. } => [from_s, to_s.unwrap_or(f64::INFINITY)],
        }
    }

    /// Whether it is at work `at_s` seconds after the start.
    pub fn is_on(&self, at_s: f64) -> bool {
        let [from_s, to_s] = self.span_s();
        (from_s..to_s).contains(&at_s)
    }
}

/// What is wrong with a scenario, in facts.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum Problem {
    /// A number outside its limits, or not a number.
    #[error("{value} is not between {min} and {max}")]
    OutOfLimits {
        /// As given.
        value: f64,
        /// Smallest allowed.
        min: f64,
        /// Largest allowed.
        max: f64,
    },
    /// No anchor, or more than a kit has.
    #[error("{have} anchors: a kit has 1 to {MAX_ANCHORS}")]
    AnchorCount {
        /// How many there are.
        have: usize,
    },
    /// No tag, or too many.
    #[error("{have} tags: give 1 to 64")]
    TagCount {
        /// How many there are.
        have: usize,
    },
    /// Two anchors or two tags with one id; a second board is a fault of kind `duplicate_id`.
    #[error("the id {id} is taken already (two boards with one id are a [[fault]] of kind \"duplicate_id\")")]
    DuplicateId {
        /// The id.
        id: u32,
    },
    /// A fault about an anchor that is not there.
    #[error("there is no anchor {id}")]
    UnknownAnchor {
        /// The id.
        id: u16,
    },
    /// A fault about a tag that is not there.
    #[error("there is no tag {id}")]
    UnknownTag {
        /// The id.
        id: u32,
    },
    /// A tag without a way.
    #[error("a tag needs at least one waypoint, such as [[3.0, 2.0]]")]
    NoWaypoint,
    /// A waypoint that is no place.
    #[error("waypoint {index} needs [east, north] and height_m, or [east, north, up]")]
    BadWaypoint {
        /// From 0.
        index: usize,
    },
    /// A list of pauses that does not fit the waypoints.
    #[error("{pauses} pauses for {waypoints} waypoints: give one number, or one for each")]
    PauseCount {
        /// Pauses given.
        pauses: usize,
        /// Waypoints given.
        waypoints: usize,
    },
    /// A fault that ends before it begins.
    #[error("it ends at {to_s} s, not after it begins at {from_s} s")]
    EndsEarly {
        /// Begin.
        from_s: f64,
        /// End.
        to_s: f64,
    },
    /// None or several of the three layouts.
    #[error("give exactly one of layout, layout_text and layout_json")]
    LayoutCount,
    /// The layout's text is wrong.
    #[error("the layout is not understood at its byte {} (`{}`)", .0.span.start, .0.token())]
    Layout(Box<hereabout_wire::LayoutError>),
    /// A unit that is not known.
    #[error("`{}` is not a unit of range: write m, dm, cm or mm", .0.0)]
    Unit(hereabout_wire::UnitError),
    /// More anchors than range fields, or a slot beyond them, or taken twice.
    #[error("anchor {id} has no range field of its own among the {fields} of the layout")]
    NoField {
        /// Of the anchor in the scenario.
        id: u16,
        /// Range fields of the layout.
        fields: usize,
    },
    /// The fields are too small for the distances.
    #[error(
        "a range field of this layout carries at most {most_m} m: lower max_range_m, or use a wider type"
    )]
    FieldTooSmall {
        /// The largest distance, metres.
        most_m: f64,
    },
    /// A "no range" word that the field can't carry.
    #[error("a range field of this layout can't carry the no_range word {word}")]
    NoRangeWord {
        /// As given.
        word: f64,
    },
    /// Several tags, or an id other than 0, and frames that can't tell them apart.
    #[error("the layout has no tag field that carries {id}, so frames of this tag can't be told apart")]
    NoTagField {
        /// The tag that can't be sent.
        id: u32,
    },
    /// Bytes were asked for without a frame.
    #[error("[frame] is missing: bytes need a layout and a unit")]
    NoFrame,
}

/// A problem and the key it is about.
#[derive(Clone, Debug, PartialEq, Error)]
#[error("{key}: {problem}")]
pub struct ScenarioProblem {
    /// Path of the key, such as `fault[1].anchor`.
    pub key: String,
    /// What is wrong there.
    pub problem: Problem,
}

pub(crate) fn at<T>(key: impl Into<String>, problem: Problem) -> Result<T, ScenarioProblem> {
    Err(ScenarioProblem { key: key.into(), problem })
}

fn within(key: impl Into<String>, value: f64, min: f64, max: f64) -> Result<(), ScenarioProblem> {
    // A NaN is in no span.
    if (min..=max).contains(&value) { Ok(()) } else { at(key, Problem::OutOfLimits { value, min, max }) }
}

/// Longest time that a scenario may speak of, seconds (over three years).
const MAX_S: f64 = 1e8;
/// Farthest place, metres.
const MAX_M: f64 = 1e4;

impl Scenario {
    /// Checks everything but the frame, which [`crate::Kit::new`] checks.
    ///
    /// # Errors
    /// The first problem, with its key.
    pub fn check(&self) -> Result<(), ScenarioProblem> {
        within("frame_rate_hz", self.frame_rate_hz, 0.01, 1000.0)?;
        // Half a frame's share of time at most, or frames would overtake each other.
        let slot_s = 1.0 / (self.frame_rate_hz * self.tags.len().max(1) as f64);
        within("jitter_s", self.jitter_s, 0.0, 0.49 * slot_s)?;
        within("max_range_m", self.max_range_m, 0.1, MAX_M)?;
        if let Some(duration_s) = self.duration_s {
            within("duration_s", duration_s, 0.0, MAX_S)?;
        }
        within("late.share", self.nlos.share, 0.0, 0.95)?;
        within("late.minimum_m", self.nlos.minimum_m, 0.0, MAX_M)?;
        within("late.mean_m", self.nlos.mean_m, 0.0, MAX_M)?;
        within("late.stretch_s", self.nlos.stretch_s, 0.0, MAX_S)?;
        self.check_anchors()?;
        self.check_tags()?;
        self.faults.iter().enumerate().try_for_each(|(i, fault)| self.check_fault(i, fault))
    }

    fn check_anchors(&self) -> Result<(), ScenarioProblem> {
        if self.anchors.is_empty() || self.anchors.len() > MAX_ANCHORS {
            return at("anchor", Problem::AnchorCount { have: self.anchors.len() });
        }
        for (i, anchor) in self.anchors.iter().enumerate() {
            let key = |k: &str| format!("anchor[{i}].{k}");
            for v in anchor.at_m {
                within(key("at_m"), v, -MAX_M, MAX_M)?;
            }
            within(key("offset_m"), anchor.offset_m, -100.0, 100.0)?;
            within(key("scale"), anchor.scale, 0.5, 2.0)?;
            within(key("sigma_m"), anchor.sigma_m, 0.0, 100.0)?;
            if self.anchors[..i].iter().any(|earlier| earlier.id == anchor.id) {
                return at(key("id"), Problem::DuplicateId { id: u32::from(anchor.id) });
            }
        }
        Ok(())
    }

    fn check_tags(&self) -> Result<(), ScenarioProblem> {
        if !(1..=64).contains(&self.tags.len()) {
            return at("tag", Problem::TagCount { have: self.tags.len() });
        }
        for (i, tag) in self.tags.iter().enumerate() {
            let key = |k: &str| format!("tag[{i}].{k}");
            if self.tags[..i].iter().any(|earlier| earlier.id == tag.id) {
                return at(key("id"), Problem::DuplicateId { id: tag.id });
            }
            within(key("speed_mps"), tag.speed_mps, 1e-3, 100.0)?;
            if tag.path_m.is_empty() {
                return at(key("path_m"), Problem::NoWaypoint);
            }
            for index in 0..tag.path_m.len() {
                let Some(place) = tag.place_m(index) else {
                    return at(key("path_m"), Problem::BadWaypoint { index });
                };
                for v in place {
                    within(key("path_m"), v, -MAX_M, MAX_M)?;
                }
            }
            let (pauses, waypoints) = (tag.pause_s.len(), tag.path_m.len());
            if pauses > 1 && pauses != waypoints {
                return at(key("pause_s"), Problem::PauseCount { pauses, waypoints });
            }
            tag.pause_s.iter().try_for_each(|&pause| within(key("pause_s"), pause, 0.0, MAX_S))?;
        }
        Ok(())
    }

    fn check_fault(&self, i: usize, fault: &Fault) -> Result<(), ScenarioProblem> {
        let key = |k: &str| format!("fault[{i}].{k}");
        let [from_s, to_s] = fault.span_s();
        within(key("from_s"), from_s, 0.0, MAX_S)?;
        if to_s.is_nan() || to_s <= from_s {
            return at(key("to_s"), Problem::EndsEarly { from_s, to_s });
        }
        let anchor = match fault {
            Fault::AnchorOff { anchor, to_s, start_up_s, .. } => {
                within(key("start_up_s"), *start_up_s, 0.0, 3600.0)?;
                if to_s.is_nan() || *to_s < from_s {
                    return at(key("to_s"), Problem::EndsEarly { from_s, to_s: *to_s });
                }
                Some(*anchor)
            }
            Fault::AnchorMoved { anchor, .. } | Fault::DuplicateId { anchor, .. } => Some(*anchor),
            Fault::Dropouts { anchor, .. } => *anchor,
            Fault::TagJump { tag, .. } => {
                if !self.tags.iter().any(|t| t.id == *tag) {
                    return at(key("tag"), Problem::UnknownTag { id: *tag });
                }
                None
            }
            Fault::CutFrames { .. } | Fault::FlippedBits { .. } => None,
        };
        if let Some(id) = anchor.filter(|id| !self.anchors.iter().any(|a| a.id == *id)) {
            return at(key("anchor"), Problem::UnknownAnchor { id });
        }
        match fault {
            Fault::AnchorMoved { by_m: place, .. } | Fault::TagJump { by_m: place, .. } => {
                place.iter().try_for_each(|&v| within(key("by_m"), v, -MAX_M, MAX_M))
            }
            Fault::DuplicateId { at_m, share, .. } => {
                within(key("share"), *share, 0.0, 1.0)?;
                at_m.iter().try_for_each(|&v| within(key("at_m"), v, -MAX_M, MAX_M))
            }
            Fault::Dropouts { share, .. }
            | Fault::CutFrames { share, .. }
            | Fault::FlippedBits { share, .. } => within(key("share"), *share, 0.0, 1.0),
            Fault::AnchorOff { .. } => Ok(()),
        }
    }
}

/// One number, or a list of them.
fn one_or_many<'de, D: Deserializer<'de>>(from: D) -> Result<Vec<f64>, D::Error> {
    struct Numbers;
    impl<'de> Visitor<'de> for Numbers {
        type Value = Vec<f64>;
        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            f.write_str("a number or a list of numbers")
        }
        fn visit_i64<E>(self, v: i64) -> Result<Vec<f64>, E> {
            Ok(vec![v as f64])
        }
        fn visit_u64<E>(self, v: u64) -> Result<Vec<f64>, E> {
            Ok(vec![v as f64])
        }
        fn visit_f64<E>(self, v: f64) -> Result<Vec<f64>, E> {
            Ok(vec![v])
        }
        fn visit_str<E: de::Error>(self, v: &str) -> Result<Vec<f64>, E> {
            if v == "nan" { Ok(vec![f64::NAN]) } else { Err(E::invalid_value(de::Unexpected::Str(v), &self)) }
        }
        fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<Vec<f64>, A::Error> {
            let mut all = Vec::new();
            while let Some(OneNumber(v)) = list.next_element()? {
                all.push(v);
            }
            Ok(all)
        }
    }
    from.deserialize_any(Numbers)
}

/// An element of such a list; `nan` may stand as text there too.
struct OneNumber(f64);

impl<'de> Deserialize<'de> for OneNumber {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<OneNumber, D::Error> {
        match one_or_many(from)?.as_slice() {
            [one] => Ok(OneNumber(*one)),
            _ => Err(de::Error::custom("a list inside of the list")),
        }
    }
}

/// RFC 3339, or Unix seconds.
fn start_text<'de, D: Deserializer<'de>>(from: D) -> Result<Timestamp, D::Error> {
    struct Start;
    impl Visitor<'_> for Start {
        type Value = Timestamp;
        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            write!(f, "a time such as \"{TEXT_START}\", or Unix seconds")
        }
        fn visit_i64<E: de::Error>(self, v: i64) -> Result<Timestamp, E> {
            self.visit_f64(v as f64)
        }
        fn visit_f64<E: de::Error>(self, v: f64) -> Result<Timestamp, E> {
            Timestamp::from_unix_secs_f64(v).ok_or_else(|| E::invalid_value(de::Unexpected::Float(v), &self))
        }
        fn visit_str<E: de::Error>(self, v: &str) -> Result<Timestamp, E> {
            let time: jiff::Timestamp =
                v.parse().map_err(|_| E::invalid_value(de::Unexpected::Str(v), &self))?;
            Ok(Timestamp::from_micros(time.as_microsecond()))
        }
    }
    from.deserialize_any(Start)
}
