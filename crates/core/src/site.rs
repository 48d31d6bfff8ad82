//! The site: anchors, where the tag can be, zones, settings. Only [`SiteDraft::validate`] makes a
//! [`Site`], so whoever holds one need not check it again.
//!
//! Findings carry facts and the path of the key they are about; the site file's reader turns them
//! into file, line, column and words.

use crate::correction_limits::CorrectionLimits;
use crate::{AnchorId, MAX_ANCHORS, MAX_CORNERS, MAX_TAGS, MAX_ZONES, Micros, TagId, is_plain};

/// Two-dimensional with a known tag height, or three-dimensional.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Dimension {
    /// East and north are estimated; the tag moves at one known height.
    TwoD {
        /// Height of the tag's antenna in the site frame, metres.
        tag_height_m: f64,
    },
    /// East, north and up are estimated.
    ThreeD,
}

impl Dimension {
    /// Number of unknown coordinates.
    pub const fn unknowns(self) -> usize {
        match self {
            Dimension::TwoD { .. } => 2,
            Dimension::ThreeD => 3,
        }
    }
}

/// What calibration found for one board: `true range = (raw - offset) / scale`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Correction {
    /// Constant part in metres; positive when the board reads long.
    pub offset_m: f64,
    /// Proportional part, 1 when the board's metre is a metre.
    pub scale: f64,
    /// Standard error of the offset, metres; `None` when the board was never calibrated.
    pub offset_se_m: Option<f64>,
}

impl Correction {
    /// A board that is taken as it is.
    pub const NONE: Correction = Correction { offset_m: 0.0, scale: 1.0, offset_se_m: None };

    /// The corrected range in metres.
    pub fn apply(&self, raw_range_m: f64) -> f64 {
        (raw_range_m - self.offset_m) / self.scale
    }
}

/// A fixed board whose place is known.
#[derive(Clone, Debug, PartialEq)]
pub struct Anchor {
    /// The id the board is set to.
    pub id: AnchorId,
    /// What people call it.
    pub name: String,
    /// East, north, up in the site frame, metres: the antenna, not the bracket.
    pub at_m: [f64; 3],
    /// Standard deviation of one good range, metres.
    pub range_sigma_m: f64,
    /// Which range field of a frame is this anchor's, when the site file says so.
    pub slot: Option<usize>,
    /// From the calibration file.
    pub correction: Correction,
}

/// Where the tag can be: a soft fence that excludes mirror places.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Fence {
    /// Corners of the area, east and north in metres; empty when the site file has none.
    pub area_m: Vec<[f64; 2]>,
    /// Lowest and highest the tag can be, metres (three-dimensional sites).
    pub up_span_m: Option<[f64; 2]>,
}

impl Fence {
    /// Distance in metres from `at_m` to the fence when outside of it; 0 inside or without a fence.
    ///
    /// The horizontal and the vertical excess are combined as a Euclidean distance.
    pub fn excess_m(&self, at_m: [f64; 3]) -> f64 {
        let flat = if self.area_m.len() < 3 || inside(&self.area_m, [at_m[0], at_m[1]]) {
            0.0
        } else {
            edges(&self.area_m)
                .map(|(a, b)| distance_to_segment(a, b, [at_m[0], at_m[1]]))
                .fold(f64::INFINITY, f64::min)
        };
        let up = self.up_span_m.map_or(0.0, |[lo, hi]| (lo - at_m[2]).max(at_m[2] - hi).max(0.0));
        (flat * flat + up * up).sqrt()
    }

    /// Whether a place is so far outside that one of the two must be wrong: a metre, because the line is drawn by hand
    /// and a tag may lean over it. Chosen, not from a source.
    pub fn contradicts(&self, at_m: [f64; 3]) -> bool {
        self.excess_m(at_m) > 1.0
    }

    /// Whether the fence says anything at all.
    pub fn is_open(&self) -> bool {
        self.area_m.len() < 3 && self.up_span_m.is_none()
    }
}

/// Which estimator turns epochs into positions.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Estimator {
    /// A bank of hypotheses over time: which anchors are late, whether the tag moves.
    #[default]
    Tracker,
    /// Every epoch on its own, summed over which ranges are good.
    Snapshot,
    /// Every epoch on its own: weighted least squares with an outlier gate.
    Plain,
}

/// Limits of the track.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrackSettings {
    /// Which estimator.
    pub estimator: Estimator,
    /// Without a fix for this long a tag is lost.
    pub lost_after: Micros,
    /// With a 95 % radius above this a tag is lost, metres.
    pub lost_radius95_m: f64,
    /// A second stream of positions, this much later and smoothed; `None` for none.
    pub delayed: Option<Micros>,
    /// Spread of the part of a range error that stays for seconds (multipath of a place, heading of the tag), metres;
    /// `None` for what the tracker takes for any kit.
    pub slow_error_m: Option<f64>,
    /// The same for the part that all ranges of a tag have in common, metres.
    pub tag_offset_m: Option<f64>,
    /// Ranges that were measured longer ago than this are never published as a position.
    pub max_age: Micros,
    /// Without a frame for this long a tag is retired.
    pub tag_forgotten_after: Micros,
}

impl Default for TrackSettings {
    fn default() -> TrackSettings {
        TrackSettings {
            estimator: Estimator::default(),
            lost_after: Micros::from_millis(3_000),
            lost_radius95_m: 2.0,
            delayed: None,
            slow_error_m: None,
            tag_offset_m: None,
            max_age: Micros::from_millis(300),
            tag_forgotten_after: Micros::from_millis(600_000),
        }
    }
}

/// A named place that someone acts on.
#[derive(Clone, Debug, PartialEq)]
pub struct Zone {
    /// What people call it; unique.
    pub name: String,
    /// Where it is.
    pub shape: ZoneShape,
    /// When a tag counts as inside or outside.
    pub rule: ZoneRule,
}

/// When a tag counts as inside or outside of a zone, and when nobody can say.
#[derive(Clone, Debug, PartialEq)]
pub struct ZoneRule {
    /// Hysteresis: to be outside again a tag must be farther out than this, metres.
    pub margin_m: f64,
    /// How long it must look inside before it counts as inside.
    pub enter_after: Micros,
    /// How long it must look outside before it counts as outside.
    pub leave_after: Micros,
    /// With a larger protection radius the answer is unknown, metres.
    pub max_protection_radius_m: f64,
    /// Whether a position that no further range has checked may decide.
    pub allow_unchecked: bool,
    /// The tags that the zone is about, in file order; empty for every tag.
    pub tags: Vec<TagId>,
}

impl Default for ZoneRule {
    fn default() -> ZoneRule {
        ZoneRule {
            margin_m: 0.25,
            enter_after: Micros::from_millis(400),
            leave_after: Micros::from_millis(400),
            max_protection_radius_m: 2.0,
            allow_unchecked: false,
            tags: Vec::new(),
        }
    }
}

/// The outline of a zone.
#[derive(Clone, Debug, PartialEq)]
pub enum ZoneShape {
    /// An area with corners.
    Polygon {
        /// Corners of the outline, east and north in metres.
        outline_m: Vec<[f64; 2]>,
        /// Corners of each part that is cut out of it, metres.
        holes_m: Vec<Vec<[f64; 2]>>,
    },
    /// A round area.
    Circle {
        /// Its middle, east and north in metres.
        at_m: [f64; 2],
        /// Its radius, metres.
        radius_m: f64,
    },
    /// Within a distance of one anchor; works from one range.
    Near {
        /// Which anchor.
        anchor: AnchorId,
        /// Inside at this horizontal distance, metres.
        enter_m: f64,
        /// Outside again beyond this one, metres; not smaller than `enter_m`.
        leave_m: f64,
    },
}

/// A tag that the site lists.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SiteTag {
    /// Its number, as frames carry it.
    pub id: TagId,
    /// What people call it.
    pub name: String,
}

/// What a person wrote, not yet believed.
#[derive(Clone, Debug, PartialEq)]
pub struct SiteDraft {
    /// Name of the site.
    pub name: String,
    /// 2D with height, or 3D.
    pub dimension: Dimension,
    /// Where the tag can be.
    pub fence: Fence,
    /// Ranges outside this span (metres) are not ranges.
    pub range_span_m: [f64; 2],
    /// The boards, in file order.
    pub anchors: Vec<Anchor>,
    /// The zones, in file order.
    pub zones: Vec<Zone>,
    /// Limits of the track.
    pub track: TrackSettings,
    /// Number of range fields of a frame; `None` when the site has no `[frame]` (tables, logs).
    pub range_fields: Option<usize>,
    /// CE95 that a verification must reach, metres; `None` when nothing is required.
    pub required_ce95_m: Option<f64>,
    /// Standard error of the tag's height in 2D, metres; `None` when nobody stated it.
    pub tag_height_se_m: Option<f64>,
    /// The tags of the site, in file order; empty when any tag that settles is tracked.
    pub tags: Vec<SiteTag>,
    /// What a correction of a board can be.
    pub correction_limits: CorrectionLimits,
}

/// Another site whose file lies beside this one's, and which might be the one that is meant.
#[derive(Clone, Debug, PartialEq)]
pub struct OtherSite {
    /// Name of its file, without folders.
    pub file: String,
    /// Name of the site.
    pub name: String,
    /// Where it puts the board that each anchor of this site stands for, in this site's order, metres; `None` where it has
    /// none.
    pub at_m: Vec<Option<[f64; 3]>>,
    /// Its height of the tag, metres; `None` in 3D.
    pub tag_height_m: Option<f64>,
    /// Metres by the other file per metre by this one: 0.1 where this one says cm and the other one mm.
    pub unit_ratio: f64,
}

/// A validated site. See [`SiteDraft::validate`].
#[derive(Clone, Debug, PartialEq)]
pub struct Site {
    draft: SiteDraft,
    slots: [Option<usize>; MAX_ANCHORS],
    range_units_per_m: Option<f64>,
    others: Vec<OtherSite>,
}

impl Site {
    /// Name of the site.
    pub fn name(&self) -> &str {
        &self.draft.name
    }
    /// 2D with height, or 3D.
    pub fn dimension(&self) -> Dimension {
        self.draft.dimension
    }
    /// Where the tag can be.
    pub fn fence(&self) -> &Fence {
        &self.draft.fence
    }
    /// Shortest and longest believable range, metres.
    pub fn range_span_m(&self) -> [f64; 2] {
        self.draft.range_span_m
    }
    /// The anchors in file order, at most [`MAX_ANCHORS`], ids unique.
    pub fn anchors(&self) -> &[Anchor] {
        &self.draft.anchors
    }
    /// The zones in file order, names unique.
    pub fn zones(&self) -> &[Zone] {
        &self.draft.zones
    }
    /// Limits of the track.
    pub fn track(&self) -> &TrackSettings {
        &self.draft.track
    }
    /// CE95 that a verification must reach, metres; `None` when nothing is required.
    pub fn required_ce95_m(&self) -> Option<f64> {
        self.draft.required_ce95_m
    }
    /// Standard error of the tag's height in 2D, metres; `None` in 3D, and when nobody stated it.
    pub fn tag_height_se_m(&self) -> Option<f64> {
        matches!(self.draft.dimension, Dimension::TwoD { .. }).then_some(self.draft.tag_height_se_m).flatten()
    }
    /// What a correction of a board can be.
    pub fn correction_limits(&self) -> CorrectionLimits {
        self.draft.correction_limits
    }
    /// The listed tags in file order, at most [`MAX_TAGS`], ids unique; empty when any tag that settles is tracked.
    pub fn tags(&self) -> &[SiteTag] {
        &self.draft.tags
    }
    /// What people call a tag; `None` for one that is not listed.
    pub fn tag_name(&self, id: TagId) -> Option<&str> {
        self.draft.tags.iter().find(|t| t.id == id).map(|t| t.name.as_str())
    }
    /// Index of the anchor with this id.
    pub fn anchor_index(&self, id: AnchorId) -> Option<usize> {
        self.draft.anchors.iter().position(|a| a.id == id)
    }
    /// Index of the anchor that range field `slot` of a frame belongs to; `None` for a spare field.
    pub fn anchor_of_slot(&self, slot: usize) -> Option<usize> {
        self.slots.get(slot).copied().flatten()
    }
    /// How many of the unit of `[frame]` make a metre: 100 for centimetres. `None` where ranges come in metres by
    /// themselves (tables), and where nobody said it.
    pub fn range_units_per_m(&self) -> Option<f64> {
        self.range_units_per_m
    }
    /// Other sites that might be meant, in the order of their files.
    pub fn others(&self) -> &[OtherSite] {
        &self.others
    }
    /// The same site with the unit that its ranges come in; see [`Site::range_units_per_m`].
    #[must_use]
    pub fn with_range_unit(mut self, units_per_m: Option<f64>) -> Site {
        self.range_units_per_m = units_per_m.filter(|u| u.is_finite() && *u > 0.0);
        self
    }
    /// The same site with other sites that might be meant. One without a place for any of its anchors is left out.
    #[must_use]
    pub fn with_others(mut self, others: Vec<OtherSite>) -> Site {
        let anchors = self.draft.anchors.len();
        self.others = others
            .into_iter()
            .filter(|o| o.at_m.len() == anchors && o.at_m.iter().any(Option::is_some))
            .collect();
        self
    }
    /// The same site with another estimator (`replay --estimator`); only the tracker has a delayed stream.
    #[must_use]
    pub fn with_estimator(mut self, estimator: Estimator) -> Site {
        self.draft.track.estimator = estimator;
        if estimator != Estimator::Tracker {
            self.draft.track.delayed = None;
        }
        self
    }
    /// The same site with a delayed stream of this lag.
    #[must_use]
    pub fn with_delayed(mut self, lag: Micros) -> Site {
        self.draft.track.delayed = Some(lag);
        self
    }
    /// The same site with other corrections, in anchor order; anchors beyond the list keep theirs.
    #[must_use]
    pub fn with_corrections(mut self, corrections: &[Correction]) -> Site {
        for (anchor, c) in self.draft.anchors.iter_mut().zip(corrections) {
            anchor.correction = *c;
        }
        self
    }
}

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
    /// More than [`MAX_ZONES`].
    TooManyZones {
        /// How many there are.
        have: usize,
    },
    /// More than [`MAX_CORNERS`] in the area, the zones and what is cut out of them.
    TooManyCorners {
        /// How many there are.
        have: usize,
    },
    /// No anchor at all.
    NoAnchors,
    /// More than [`MAX_ANCHORS`].
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
        /// Which anchor.
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
        /// Why.
        why: NeverKnown,
    },
    /// A delayed stream with an estimator that has no memory to smooth over.
    DelayedNeedsTracker,
    /// More than [`MAX_TAGS`].
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
    /// What.
    pub problem: SiteProblem,
    /// Error or warning.
    pub severity: Severity,
}

/// Anchors nearer to each other than this are one place, metres.
const ONE_PLACE_M: f64 = 0.05;
/// Anchors nearer to a common line or plane than this (root mean square is not used: the worst one), metres.
const ONE_LINE_M: f64 = 0.10;
/// No post of a small kit is higher, metres.
const MAX_UP_M: f64 = 60.0;
/// No kit of one primary anchor spans more, metres (radios reach 25-30 m at best: common practice, no source).
const MAX_SPAN_M: f64 = 300.0;
/// Local coordinates: farther from the origin, `f64` metres are fine but people's eyes are not, metres.
const MAX_COORDINATE_M: f64 = 10_000.0;

/// No board is off by more, metres: what a site may state as its limit.
const MAX_MAX_OFFSET_M: f64 = 10.0;
/// Hysteresis and dwell of zones beyond these are slips, metres and seconds.
const MAX_MARGIN_M: f64 = 50.0;
const MAX_DWELL_S: f64 = 600.0;

struct Findings(Vec<SiteFinding>);

impl Findings {
    fn error(&mut self, path: &[KeyStep], problem: SiteProblem) {
        self.0.push(SiteFinding { path: path.to_vec(), problem, severity: Severity::Error });
    }
    fn warn(&mut self, path: &[KeyStep], problem: SiteProblem) {
        self.0.push(SiteFinding { path: path.to_vec(), problem, severity: Severity::Warning });
    }
    fn limits(&mut self, path: &[KeyStep], value: f64, min: f64, max: f64) {
        if !value.is_finite() {
            self.error(path, SiteProblem::NotFinite);
        } else if value < min || value > max {
            self.error(path, SiteProblem::OutOfLimits { value, min, max });
        }
    }
    fn any_error(&self) -> bool {
        self.0.iter().any(|f| f.severity == Severity::Error)
    }
}

use KeyStep::{Index, Key};

impl SiteDraft {
    /// Checks everything that can be checked without a clock or a port.
    ///
    /// All findings come at once, errors and warnings, in file order of their checks.
    ///
    /// # Errors
    /// The findings, when at least one of them is an error.
    pub fn validate(self) -> Result<(Site, Vec<SiteFinding>), Vec<SiteFinding>> {
        let mut out = Findings(Vec::new());
        self.check_sizes(&mut out);
        if out.any_error() {
            // What follows compares corners with each other: never more of them than are allowed.
            return Err(out.0);
        }
        check_name(&[Key("site"), Key("name")], &self.name, &mut out);
        self.check_settings(&mut out);
        self.check_anchors(&mut out);
        self.check_tags(&mut out);
        self.check_zones(&mut out);
        let slots = self.assign_slots(&mut out);
        if !out.any_error() {
            self.check_geometry(&mut out);
        }
        if out.any_error() {
            Err(out.0)
        } else {
            Ok((Site { draft: self, slots, range_units_per_m: None, others: Vec::new() }, out.0))
        }
    }

    fn check_sizes(&self, out: &mut Findings) {
        if self.zones.len() > MAX_ZONES {
            out.error(&[Key("zone"), Index(MAX_ZONES)], SiteProblem::TooManyZones { have: self.zones.len() });
        }
        let corners = |z: &Zone| match &z.shape {
            ZoneShape::Polygon { outline_m, holes_m } => {
                outline_m.len() + holes_m.iter().map(Vec::len).sum::<usize>()
            }
            ZoneShape::Circle { .. } | ZoneShape::Near { .. } => 0,
        };
        let have = self.fence.area_m.len() + self.zones.iter().map(corners).sum::<usize>();
        if have > MAX_CORNERS {
            let most = self.zones.iter().enumerate().max_by_key(|(_, z)| corners(z));
            let problem = SiteProblem::TooManyCorners { have };
            match most.filter(|(_, z)| corners(z) > self.fence.area_m.len()) {
                Some((i, _)) => out.error(&[Key("zone"), Index(i), Key("polygon_m")], problem),
                None => out.error(&[Key("site"), Key("area_m")], problem),
            }
        }
    }

    fn check_settings(&self, out: &mut Findings) {
        out.limits(
            &[Key("site"), Key("max_offset_m")],
            self.correction_limits.max_offset_m,
            0.05,
            MAX_MAX_OFFSET_M,
        );
        if let Some(se_m) = self.tag_height_se_m {
            out.limits(&[Key("site"), Key("tag_height_se_m")], se_m, 0.001, 10.0);
        }
        if let Dimension::TwoD { tag_height_m } = self.dimension {
            out.limits(&[Key("site"), Key("tag_height_m")], tag_height_m, -MAX_UP_M, MAX_UP_M);
        }
        let [near, far] = self.range_span_m;
        out.limits(&[Key("site"), Key("range_span_m")], near, 0.0, 10_000.0);
        out.limits(&[Key("site"), Key("range_span_m")], far, 0.0, 10_000.0);
        if near >= far {
            out.error(&[Key("site"), Key("range_span_m")], SiteProblem::WrongOrder { low: near, high: far });
        }
        if let Some(required) = self.required_ce95_m {
            out.limits(&[Key("site"), Key("required_ce95_m")], required, 0.01, 100.0);
        }
        let track = &self.track;
        out.limits(&[Key("track"), Key("lost_after_s")], track.lost_after.secs_f64(), 0.5, 600.0);
        let forgotten = [Key("track"), Key("tag_forgotten_after_s")];
        out.limits(&forgotten, track.tag_forgotten_after.secs_f64(), 10.0, 30.0 * 86_400.0);
        if track.tag_forgotten_after <= track.lost_after {
            let lost_after_s = track.lost_after.secs_f64();
            out.error(&forgotten, SiteProblem::ForgottenBeforeLost { lost_after_s });
        }
        out.limits(&[Key("track"), Key("max_age_s")], track.max_age.secs_f64(), 0.05, 2.0);
        out.limits(&[Key("track"), Key("lost_radius95_m")], track.lost_radius95_m, 0.05, 100.0);
        for (name, value_m) in [("slow_error_m", track.slow_error_m), ("tag_offset_m", track.tag_offset_m)] {
            if let Some(value_m) = value_m {
                out.limits(&[Key("track"), Key(name)], value_m, 0.0, 1.0);
            }
        }
        if let Some(delayed) = track.delayed {
            out.limits(&[Key("track"), Key("delayed_s")], delayed.secs_f64(), 0.1, 10.0);
            if track.estimator != Estimator::Tracker {
                out.error(&[Key("track"), Key("delayed_s")], SiteProblem::DelayedNeedsTracker);
            }
        }
        if !self.fence.area_m.is_empty() {
            check_polygon(&[Key("site"), Key("area_m")], &self.fence.area_m, out);
        }
        if let Some([low, high]) = self.fence.up_span_m {
            out.limits(&[Key("site"), Key("up_span_m")], low, -MAX_UP_M, MAX_UP_M);
            out.limits(&[Key("site"), Key("up_span_m")], high, -MAX_UP_M, MAX_UP_M);
            if low >= high {
                out.error(&[Key("site"), Key("up_span_m")], SiteProblem::WrongOrder { low, high });
            }
        }
    }

    fn check_anchors(&self, out: &mut Findings) {
        if self.anchors.is_empty() {
            out.error(&[Key("anchor")], SiteProblem::NoAnchors);
        }
        if self.anchors.len() > MAX_ANCHORS {
            out.error(&[Key("anchor")], SiteProblem::TooManyAnchors { have: self.anchors.len() });
        }
        for (i, anchor) in self.anchors.iter().enumerate() {
            let key = |k| [Key("anchor"), Index(i), Key(k)];
            check_plain(&key("name"), &anchor.name, out);
            out.limits(&key("range_sigma_m"), anchor.range_sigma_m, 0.001, 5.0);
            check_place(&key("at_m"), anchor.at_m, out);
            for (j, earlier) in self.anchors[..i].iter().enumerate() {
                if earlier.id == anchor.id {
                    out.error(&key("id"), SiteProblem::DuplicateAnchorId { id: anchor.id, first: j });
                }
                let apart_m = distance_m(earlier.at_m, anchor.at_m);
                if apart_m < ONE_PLACE_M {
                    out.error(&key("at_m"), SiteProblem::AnchorsAtOnePlace { other: earlier.id, apart_m });
                } else if apart_m > MAX_SPAN_M && anchor.at_m[2].abs() <= MAX_UP_M {
                    out.error(
                        &key("at_m"),
                        SiteProblem::LikelyUnitSlip { value_m: apart_m, limit_m: MAX_SPAN_M },
                    );
                    break;
                }
            }
        }
    }

    fn check_tags(&self, out: &mut Findings) {
        if self.tags.len() > MAX_TAGS {
            out.error(&[Key("tag"), Index(MAX_TAGS)], SiteProblem::TooManyTags { have: self.tags.len() });
        }
        for (i, tag) in self.tags.iter().enumerate() {
            check_name(&[Key("tag"), Index(i), Key("name")], &tag.name, out);
            if let Some(first) = self.tags[..i].iter().position(|t| t.id == tag.id) {
                let problem = SiteProblem::DuplicateTagId { id: tag.id, first };
                out.error(&[Key("tag"), Index(i), Key("id")], problem);
            }
        }
    }

    fn check_zones(&self, out: &mut Findings) {
        for (i, zone) in self.zones.iter().enumerate() {
            check_name(&[Key("zone"), Index(i), Key("name")], &zone.name, out);
            if let Some(first) = self.zones[..i].iter().position(|z| z.name == zone.name) {
                out.error(&[Key("zone"), Index(i), Key("name")], SiteProblem::DuplicateZoneName { first });
            }
            self.check_zone_rule(i, zone, out);
            match &zone.shape {
                ZoneShape::Polygon { outline_m, holes_m } => check_outline(i, outline_m, holes_m, out),
                ZoneShape::Circle { at_m, radius_m } => {
                    let key = |k| [Key("zone"), Index(i), Key("circle"), Key(k)];
                    out.limits(&key("radius_m"), *radius_m, 0.05, MAX_SPAN_M);
                    for coordinate in at_m {
                        out.limits(&key("at_m"), *coordinate, -MAX_COORDINATE_M, MAX_COORDINATE_M);
                    }
                }
                ZoneShape::Near { anchor, enter_m, leave_m } => {
                    let key = |k| [Key("zone"), Index(i), Key("near"), Key(k)];
                    out.limits(&key("enter_m"), *enter_m, 0.05, MAX_SPAN_M);
                    out.limits(&key("leave_m"), *leave_m, 0.05, MAX_SPAN_M);
                    if leave_m < enter_m {
                        out.error(&key("leave_m"), SiteProblem::WrongOrder { low: *enter_m, high: *leave_m });
                    }
                    if !self.anchors.iter().any(|a| a.id == *anchor) {
                        out.error(&key("anchor"), SiteProblem::UnknownAnchor { id: *anchor });
                    }
                }
            }
        }
    }

    fn check_zone_rule(&self, i: usize, zone: &Zone, out: &mut Findings) {
        let rule = &zone.rule;
        let key = |k| [Key("zone"), Index(i), Key(k)];
        out.limits(&key("margin_m"), rule.margin_m, 0.0, MAX_MARGIN_M);
        out.limits(&key("enter_after_s"), rule.enter_after.secs_f64(), 0.0, MAX_DWELL_S);
        out.limits(&key("leave_after_s"), rule.leave_after.secs_f64(), 0.0, MAX_DWELL_S);
        out.limits(&key("max_protection_radius_m"), rule.max_protection_radius_m, 0.05, 100.0);
        if !self.tags.is_empty() {
            let unlisted = rule.tags.iter().filter(|id| !self.tags.iter().any(|t| t.id == **id));
            unlisted.for_each(|id| out.error(&key("tags"), SiteProblem::UnlistedTag { id: *id }));
        }
        if matches!(zone.shape, ZoneShape::Near { .. }) {
            return;
        }
        let (have, need) = (self.anchors.len(), self.dimension.unknowns() + 2);
        let why = if self.track.estimator == Estimator::Plain {
            Some(NeverKnown::NoProtectionRadius)
        } else if have < need && !rule.allow_unchecked {
            Some(NeverKnown::TooFewAnchors { have, need })
        } else {
            None
        };
        if let Some(why) = why {
            out.warn(&key("name"), SiteProblem::ZoneNeverKnown { why });
        }
    }

    /// Which anchor each range field belongs to: the anchor's `slot`, else its id when every id
    /// without a slot is a field number, else file order.
    fn assign_slots(&self, out: &mut Findings) -> [Option<usize>; MAX_ANCHORS] {
        let mut slots = [None; MAX_ANCHORS];
        let Some(fields) = self.range_fields else { return slots };
        let ids_fit = self.anchors.iter().all(|a| a.slot.is_some() || usize::from(a.id.0) < fields);
        if !ids_fit && self.anchors.len() <= fields {
            out.warn(&[Key("frame"), Key("layout")], SiteProblem::SlotsInFileOrder);
        }
        for (i, anchor) in self.anchors.iter().enumerate().take(MAX_ANCHORS) {
            let slot = anchor.slot.unwrap_or(if ids_fit { usize::from(anchor.id.0) } else { i });
            let key = [Key("anchor"), Index(i), Key(if anchor.slot.is_some() { "slot" } else { "id" })];
            if slot >= fields || slot >= MAX_ANCHORS {
                out.error(&key, SiteProblem::NoFieldForAnchor { id: anchor.id, fields });
            } else if let Some(first) = slots[slot] {
                let first: &Anchor = &self.anchors[first];
                if first.id != anchor.id {
                    out.error(&key, SiteProblem::DuplicateSlot { slot, first: first.id });
                }
            } else {
                slots[slot] = Some(i);
            }
        }
        if fields > self.anchors.len() {
            let problem = SiteProblem::SpareRangeFields { fields, anchors: self.anchors.len() };
            out.warn(&[Key("frame"), Key("layout")], problem);
        }
        slots
    }

    fn check_geometry(&self, out: &mut Findings) {
        let need = self.dimension.unknowns() + 1;
        let have = self.anchors.len();
        if have < need {
            out.warn(&[Key("anchor")], SiteProblem::TooFewAnchors { have, need });
        }
        let places: Vec<[f64; 3]> = self.anchors.iter().map(|a| a.at_m).collect();
        let flat: Vec<[f64; 3]> = places.iter().map(|p| [p[0], p[1], 0.0]).collect();
        match self.dimension {
            Dimension::TwoD { .. } if have >= 3 => {
                if let Some((a, along)) = common_line(&flat) {
                    let normal = [-along[1], along[0], 0.0];
                    self.report_mirror(
                        a,
                        normal,
                        |mirror| SiteProblem::AnchorsOnOneLine { mirror },
                        true,
                        out,
                    );
                }
            }
            Dimension::ThreeD if have >= 3 && common_line(&places).is_some() => {
                let problem = SiteProblem::AnchorsOnOneLine { mirror: MirrorSide::Open };
                out.error(&[Key("anchor")], problem);
            }
            Dimension::ThreeD if have >= 4 => {
                if let Some((a, normal)) = common_plane(&places) {
                    self.report_mirror(
                        a,
                        normal,
                        |mirror| SiteProblem::AnchorsOnOnePlane { mirror },
                        false,
                        out,
                    );
                }
            }
            _ => {}
        }
    }

    /// A line of anchors (2D) is an error unless the fence excludes the mirror; a plane (3D) is
    /// how anchors on a ceiling are, so it is only ever a warning.
    fn report_mirror(
        &self,
        on_m: [f64; 3],
        normal: [f64; 3],
        problem: impl Fn(MirrorSide) -> SiteProblem,
        strict: bool,
        out: &mut Findings,
    ) {
        let excluded = self.fence_corners().is_some_and(|corners| {
            let side = |p: &[f64; 3]| dot(sub(*p, on_m), normal);
            corners.iter().all(|p| side(p) >= -1e-9) || corners.iter().all(|p| side(p) <= 1e-9)
        });
        let mirror = if excluded { MirrorSide::Excluded } else { MirrorSide::Open };
        if strict && !excluded {
            out.error(&[Key("anchor")], problem(mirror));
        } else {
            out.warn(&[Key("anchor")], problem(mirror));
        }
    }

    /// Corner points of the fenced volume; `None` when the fence leaves a needed direction open.
    fn fence_corners(&self) -> Option<Vec<[f64; 3]>> {
        let spans = match self.dimension {
            Dimension::TwoD { .. } => [0.0, 0.0],
            Dimension::ThreeD => self.fence.up_span_m?,
        };
        if self.fence.area_m.len() < 3 {
            // Without an area, a height span alone still excludes the mirror of a level ceiling.
            let far = 1e6;
            let square = [[-far, -far], [far, -far], [far, far], [-far, far]];
            return (self.dimension == Dimension::ThreeD)
                .then(|| square.iter().flat_map(|c| spans.map(|up| [c[0], c[1], up])).collect());
        }
        Some(self.fence.area_m.iter().flat_map(|c| spans.map(|up| [c[0], c[1], up])).collect())
    }
}

fn check_name(path: &[KeyStep], name: &str, out: &mut Findings) {
    if name.trim().is_empty() || name.chars().count() > 120 {
        out.error(path, SiteProblem::BadName);
    }
    check_plain(path, name, out);
}

fn check_plain(path: &[KeyStep], name: &str, out: &mut Findings) {
    if let Some(sign) = name.chars().find(|c| !is_plain(*c)) {
        out.error(path, SiteProblem::NotPlain { sign });
    }
}

fn check_place(path: &[KeyStep], at_m: [f64; 3], out: &mut Findings) {
    if at_m.iter().any(|v| !v.is_finite()) {
        out.error(path, SiteProblem::NotFinite);
    } else if at_m[2].abs() > MAX_UP_M {
        out.error(path, SiteProblem::LikelyUnitSlip { value_m: at_m[2], limit_m: MAX_UP_M });
    } else if let Some(v) = at_m[..2].iter().find(|v| v.abs() > MAX_COORDINATE_M) {
        out.error(
            path,
            SiteProblem::OutOfLimits { value: *v, min: -MAX_COORDINATE_M, max: MAX_COORDINATE_M },
        );
    }
}

fn check_polygon(path: &[KeyStep], corners: &[[f64; 2]], out: &mut Findings) {
    if corners.iter().flatten().any(|v| !v.is_finite()) {
        out.error(path, SiteProblem::NotFinite);
    } else if corners.len() < 3 {
        out.error(path, SiteProblem::PolygonTooSmall { corners: corners.len() });
    } else if signed_area_m2(corners).abs() < 1e-6 || crosses_itself(corners) {
        out.error(path, SiteProblem::PolygonCrossed);
    }
}

fn sub(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}

fn dot(a: [f64; 3], b: [f64; 3]) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

fn cross(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
}

fn unit(a: [f64; 3]) -> Option<[f64; 3]> {
    let len = dot(a, a).sqrt();
    (len > 1e-9).then(|| a.map(|v| v / len))
}

fn distance_m(a: [f64; 3], b: [f64; 3]) -> f64 {
    let d = sub(a, b);
    dot(d, d).sqrt()
}

/// The line (point, unit direction) through the two farthest places, when all lie on it.
fn common_line(places: &[[f64; 3]]) -> Option<([f64; 3], [f64; 3])> {
    let mut best = (0.0, [0.0; 3], [0.0; 3]);
    for (i, a) in places.iter().enumerate() {
        for b in &places[i + 1..] {
            let d = distance_m(*a, *b);
            if d > best.0 {
                best = (d, *a, *b);
            }
        }
    }
    let along = unit(sub(best.2, best.1))?;
    let off = |p: &[f64; 3]| {
        let c = cross(sub(*p, best.1), along);
        dot(c, c).sqrt()
    };
    places.iter().all(|p| off(p) <= ONE_LINE_M).then_some((best.1, along))
}

/// The plane (point, unit normal) of the three places that span the largest triangle, when all lie on it.
fn common_plane(places: &[[f64; 3]]) -> Option<([f64; 3], [f64; 3])> {
    let mut best = (0.0, [0.0; 3], [0.0; 3]);
    for (i, a) in places.iter().enumerate() {
        for (j, b) in places.iter().enumerate().skip(i + 1) {
            for c in &places[j + 1..] {
                let n = cross(sub(*b, *a), sub(*c, *a));
                let size = dot(n, n);
                if size > best.0 {
                    best = (size, *a, n);
                }
            }
        }
    }
    let normal = unit(best.2)?;
    places.iter().all(|p| dot(sub(*p, best.1), normal).abs() <= ONE_LINE_M).then_some((best.1, normal))
}

fn edges(corners: &[[f64; 2]]) -> impl Iterator<Item = ([f64; 2], [f64; 2])> + '_ {
    (0..corners.len()).map(|i| (corners[i], corners[(i + 1) % corners.len()]))
}

/// Even-odd rule; points exactly on an edge may fall on either side, which a soft fence may do.
fn inside(corners: &[[f64; 2]], p: [f64; 2]) -> bool {
    let mut odd = false;
    for (a, b) in edges(corners) {
        if (a[1] > p[1]) != (b[1] > p[1]) && p[0] < (b[0] - a[0]) * (p[1] - a[1]) / (b[1] - a[1]) + a[0] {
            odd = !odd;
        }
    }
    odd
}

fn distance_to_segment(a: [f64; 2], b: [f64; 2], p: [f64; 2]) -> f64 {
    let d = [b[0] - a[0], b[1] - a[1]];
    let len2 = d[0] * d[0] + d[1] * d[1];
    let t =
        if len2 > 0.0 { (((p[0] - a[0]) * d[0] + (p[1] - a[1]) * d[1]) / len2).clamp(0.0, 1.0) } else { 0.0 };
    let off = [a[0] + t * d[0] - p[0], a[1] + t * d[1] - p[1]];
    (off[0] * off[0] + off[1] * off[1]).sqrt()
}

fn signed_area_m2(corners: &[[f64; 2]]) -> f64 {
    edges(corners).map(|(a, b)| a[0] * b[1] - b[0] * a[1]).sum::<f64>() / 2.0
}

/// Whether two edges that are no neighbours cross or touch, or two neighbours run back over each other. A corner that is
/// given twice in a row (a ring that is closed by hand) does no harm.
fn crosses_itself(corners: &[[f64; 2]]) -> bool {
    let rim: Vec<([f64; 2], [f64; 2])> = edges(corners).filter(|(a, b)| a != b).collect();
    let n = rim.len();
    for i in 0..n {
        for j in i + 1..n {
            let crossed = if j == i + 1 {
                runs_back(rim[i], rim[j])
            } else if i == 0 && j == n - 1 {
                runs_back(rim[j], rim[i])
            } else {
                edges_meet(rim[i], rim[j])
            };
            if crossed {
                return true;
            }
        }
    }
    false
}

/// Whether the second of two edges that follow each other goes back along the first.
fn runs_back((a, b): ([f64; 2], [f64; 2]), (_, c): ([f64; 2], [f64; 2])) -> bool {
    let ahead = (b[0] - a[0]) * (c[0] - b[0]) + (b[1] - a[1]) * (c[1] - b[1]);
    side(a, b, c) == 0.0 && ahead < 0.0
}

/// Twice the area of a triangle, m²: positive when `c` lies to the left of the way from `a` to `b`.
fn side(a: [f64; 2], b: [f64; 2], c: [f64; 2]) -> f64 {
    (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
}

/// Whether two edges cross or touch.
fn edges_meet((a, b): ([f64; 2], [f64; 2]), (c, d): ([f64; 2], [f64; 2])) -> bool {
    let (c_side, d_side) = (side(a, b, c), side(a, b, d));
    let (a_side, b_side) = (side(c, d, a), side(c, d, b));
    let apart = |x: f64, y: f64| (x > 0.0 && y > 0.0) || (x < 0.0 && y < 0.0);
    if apart(c_side, d_side) || apart(a_side, b_side) {
        return false;
    }
    // On one line they meet only where their spans do.
    let spans_meet = |i: usize| a[i].min(b[i]) <= c[i].max(d[i]) && c[i].min(d[i]) <= a[i].max(b[i]);
    spans_meet(0) && spans_meet(1)
}

/// An outline with the parts that are cut out of it.
fn check_outline(i: usize, outline: &[[f64; 2]], holes: &[Vec<[f64; 2]>], out: &mut Findings) {
    let before = out.0.len();
    check_polygon(&[Key("zone"), Index(i), Key("polygon_m")], outline, out);
    for (k, hole) in holes.iter().enumerate() {
        check_polygon(&[Key("zone"), Index(i), Key("holes_m"), Index(k)], hole, out);
    }
    if out.0.len() > before {
        return;
    }
    let meet = |a: &[[f64; 2]], b: &[[f64; 2]]| edges(a).any(|e| edges(b).any(|f| edges_meet(e, f)));
    for (k, hole) in holes.iter().enumerate() {
        let path = [Key("zone"), Index(i), Key("holes_m"), Index(k)];
        if meet(outline, hole) || !inside(outline, hole[0]) {
            out.error(&path, SiteProblem::HoleNotInside);
        }
        let other = holes[..k].iter().position(|o| meet(o, hole) || inside(o, hole[0]) || inside(hole, o[0]));
        if let Some(other) = other {
            out.error(&path, SiteProblem::HolesMeet { other });
        }
    }
}

#[cfg(test)]
#[path = "site_tests.rs"]
mod tests;
