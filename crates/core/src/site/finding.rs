//! What the check of a site finds: facts, and the path of the key that each is about.

use crate::{AnchorId, TagId};

/// One step of the way to a key of the site file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum KeyStep {
    /// A table key.
    Key(&'static str),
    /// An index into an array, from 0.
    Index(usize),
}

/// Whether a finding stops the program.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Severity {
    /// The site is refused.
    Error,
    /// The site works, with a limit that people should know.
    Warning,
}

/// Which side of the anchors' line or plane the fence leaves open.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MirrorSide {
    /// The fence keeps the mirror place out.
    Excluded,
    /// Both places are possible.
    Open,
}

/// Why a zone can never be known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NeverKnown {
    /// Too few anchors for a range that is left over to check with, and the zone does not allow unchecked positions.
    TooFewAnchors {
        /// How many there are.
        have: usize,
        /// How many a checked position needs.
        need: usize,
    },
    /// The estimator gives no protection radius.
    NoProtectionRadius,
}

/// What is wrong or weak, in facts.
#[derive(Clone, Debug, PartialEq)]
pub enum SiteProblem {
    /// A site name of no or too many characters (1 to 120).
    BadName,
    /// A name with a character that moves a cursor or turns the direction of writing.
    NotPlain {
        /// The first such character.
        sign: char,
    },
    /// More than [`crate::MAX_ZONES`].
    TooManyZones {
        /// How many there are.
        have: usize,
    },
    /// More than [`crate::MAX_CORNERS`] in the area, the zones and what is cut out of them.
    TooManyCorners {
        /// How many there are.
        have: usize,
    },
    /// No anchor at all.
    NoAnchors,
    /// More than [`crate::MAX_ANCHORS`].
    TooManyAnchors {
        /// How many there are.
        have: usize,
    },
    /// Two anchors with one id.
    DuplicateAnchorId {
        /// The id.
        id: AnchorId,
        /// File index of the first one.
        first: usize,
    },
    /// Two anchors less than 5 cm apart.
    AnchorsAtOnePlace {
        /// The other one.
        other: AnchorId,
        /// Distance, metres.
        apart_m: f64,
    },
    /// A number that is NaN or infinite.
    NotFinite,
    /// A number outside its limits.
    OutOfLimits {
        /// What was given.
        value: f64,
        /// Smallest allowed.
        min: f64,
        /// Largest allowed.
        max: f64,
    },
    /// A place that is a hundred or a thousand times too far off: centimetres or millimetres, as a rule.
    LikelyUnitSlip {
        /// The offending coordinate or distance, as read (metres).
        value_m: f64,
        /// The largest believable one.
        limit_m: f64,
    },
    /// Every anchor within 10 cm of one line.
    AnchorsOnOneLine {
        /// What the fence does about the mirror place.
        mirror: MirrorSide,
    },
    /// 3D with every anchor within 10 cm of one plane: above and below look alike.
    AnchorsOnOnePlane {
        /// What the fence does about the mirror place.
        mirror: MirrorSide,
    },
    /// Not enough anchors for a position.
    TooFewAnchors {
        /// How many there are.
        have: usize,
        /// How many a position needs.
        need: usize,
    },
    /// More range fields than anchors: the spare fields are ignored.
    SpareRangeFields {
        /// Range fields of the frame.
        fields: usize,
        /// Anchors of the site.
        anchors: usize,
    },
    /// An anchor that no range field belongs to.
    NoFieldForAnchor {
        /// Id in the site file.
        id: AnchorId,
        /// Range fields of the frame.
        fields: usize,
    },
    /// Two anchors that claim one range field.
    DuplicateSlot {
        /// The field, from 0.
        slot: usize,
        /// The anchor that had it first.
        first: AnchorId,
    },
    /// Ids do not fit the fields, so fields are taken in file order.
    SlotsInFileOrder,
    /// A polygon with fewer than three corners.
    PolygonTooSmall {
        /// How many corners it has.
        corners: usize,
    },
    /// A polygon without area, or whose edges cross or touch.
    PolygonCrossed,
    /// A part to cut out of a zone that does not lie wholly inside of its outline.
    HoleNotInside,
    /// Two parts to cut out of a zone that cross, touch, or lie in each other.
    HolesMeet {
        /// File index of the other one.
        other: usize,
    },
    /// A zone that goes by the position, on a site whose positions can never be checked, or whose estimator gives
    /// no protection radius: it will always be unknown.
    ZoneNeverKnown {
        /// What keeps it from ever being known.
        why: NeverKnown,
    },
    /// A delayed stream with an estimator that has no memory to smooth over.
    DelayedNeedsTracker,
    /// More than [`crate::MAX_TAGS`].
    TooManyTags {
        /// How many there are.
        have: usize,
    },
    /// Two listed tags with one id.
    DuplicateTagId {
        /// The id.
        id: TagId,
        /// File index of the first one.
        first: usize,
    },
    /// A zone about a tag that the site's list does not have.
    UnlistedTag {
        /// The id.
        id: TagId,
    },
    /// A tag would be forgotten before it is lost.
    ForgottenBeforeLost {
        /// When it is lost, seconds.
        lost_after_s: f64,
    },
    /// Two zones with one name.
    DuplicateZoneName {
        /// File index of the first one.
        first: usize,
    },
    /// A zone near an anchor that does not exist.
    UnknownAnchor {
        /// The id.
        id: AnchorId,
    },
    /// `leave_m` smaller than `enter_m`, or a span upside down.
    WrongOrder {
        /// What should be the smaller one.
        low: f64,
        /// What should be the larger one.
        high: f64,
    },
}

/// A problem, where it is, and whether it stops the program.
#[derive(Clone, Debug, PartialEq)]
pub struct SiteFinding {
    /// The key it is about.
    pub path: Vec<KeyStep>,
    /// What is wrong, with the numbers that show it.
    pub problem: SiteProblem,
    /// Error or warning.
    pub severity: Severity,
}

/// Findings while they are gathered.
pub(super) struct Findings(pub(super) Vec<SiteFinding>);

impl Findings {
    pub(super) fn error(&mut self, path: &[KeyStep], problem: SiteProblem) {
        self.0.push(SiteFinding { path: path.to_vec(), problem, severity: Severity::Error });
    }
    pub(super) fn warn(&mut self, path: &[KeyStep], problem: SiteProblem) {
        self.0.push(SiteFinding { path: path.to_vec(), problem, severity: Severity::Warning });
    }
    pub(super) fn limits(&mut self, path: &[KeyStep], value: f64, min: f64, max: f64) {
        if !value.is_finite() {
            self.error(path, SiteProblem::NotFinite);
        } else if value < min || value > max {
            self.error(path, SiteProblem::OutOfLimits { value, min, max });
        }
    }
    pub(super) fn any_error(&self) -> bool {
        self.0.iter().any(|f| f.severity == Severity::Error)
    }
}
