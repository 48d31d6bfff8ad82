//! Health of the anchors: states, findings with their evidence, minutes.

use arrayvec::ArrayVec;
use hereabout_core::{AnchorId, AnchorSet, AnchorState, MAX_ANCHORS, Micros, Timestamp};

use super::kit::{KitFinding, MAX_KIT_FINDINGS};

/// Health of one anchor.
#[derive(Clone, Debug, PartialEq)]
pub struct AnchorHealth {
    /// Id in the site file.
    pub anchor: AnchorId,
    /// Heard, silent, never heard.
    pub state: AnchorState,
    /// Since when it has been in that state; `None` for never heard.
    pub since: Option<Timestamp>,
    /// Stamp of its last range.
    pub last_heard: Option<Timestamp>,
    /// Its last range after correction, metres.
    pub last_range_m: Option<f64>,
    /// Ranges per second over the last 10 s (less at the start of a session).
    pub rate_hz: f64,
    /// Share of the frames of the last 10 s that had a range of this anchor; `None` without frames.
    pub share: Option<f64>,
    /// Ranges of the last 10 s that the gate left out, as a share of its ranges; `None` without ranges.
    pub rejected_share: Option<f64>,
    /// Mean residual of the used ranges of the last 10 s, metres; `None` without any.
    pub mean_residual_m: Option<f64>,
    /// Standard deviation of its good ranges, as the tracker learned it, metres.
    pub sigma_m: Option<f64>,
    /// Share of its recent ranges that were late, as the tracker learned it.
    pub nlos_share: Option<f64>,
    /// What is the matter with it, worst first; empty when nothing is.
    pub findings: ArrayVec<AnchorFinding, MAX_FINDINGS>,
    /// Whether it stands where the site file says, as far as its ranges tell.
    pub place: PlaceAnswer,
    /// Its ranges take no part in positions at present, by the rule for doubted.
    pub excluded: bool,
}

/// Findings that one anchor can have at a time.
pub const MAX_FINDINGS: usize = 6;

/// What is the matter with one anchor, with the evidence.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum AnchorFinding {
    /// Two boards answer to its id.
    DuplicateId {
        /// Distance between the two levels that its ranges jump between, metres.
        apart_m: f64,
        /// Share of the ranges that the rarer one answers.
        share: f64,
    },
    /// It stands elsewhere than the site file says.
    Moved {
        /// By how much, east and north, metres.
        shift_m: [f64; 2],
        /// And up, metres, where that can be told: in 3D, and in the plane when the height alone is off. There the mirror image
        /// about the tag's height reads alike; the smaller change is given.
        up_m: Option<f64>,
        /// Standard error of the size, metres.
        size_se_m: f64,
        /// Standard error of the direction, degrees; `None` when only the size is known well enough.
        direction_se_deg: Option<f64>,
    },
    /// The ranges fit another place, and the anchor has stood there for as long as it was heard: the site file is wrong, or
    /// it moved before the start.
    Misplaced {
        /// From the stated place to the one that fits: east, north, up, metres.
        shift_m: [f64; 3],
        /// Share of the ranges of all anchors that fit then.
        explained: f64,
    },
    /// It reads longer or shorter by a constant than its calibration says. A move straight towards the tag's ways looks
    /// the same while the tag keeps to one side.
    OffsetChanged {
        /// By how much, metres.
        by_m: f64,
        /// Standard error, metres.
        se_m: f64,
    },
    /// It reads long everywhere: moved away, or something stands in front of it.
    ReadsLong {
        /// By how much, metres.
        by_m: f64,
    },
    /// It reads otherwise than its place and its calibration say; not told yet which of the two is wrong.
    Changed {
        /// By how much in the middle, metres.
        by_m: f64,
    },
    /// One of these anchors has moved or changed; the ranges don't tell which.
    OneOf {
        /// The doubted, this one among them.
        anchors: AnchorSet,
    },
    /// Never heard in this session.
    NeverHeard,
    /// The module goes on sending its last range, bit for bit, for longer than chance allows.
    Held,
    /// It answers no more.
    Silent,
    /// It falls silent again and again.
    Flapping {
        /// How often within `over`.
        times: u32,
        /// The span that was looked at.
        over: Micros,
    },
    /// Its ranges are late very often: something is in the way.
    OftenNlos {
        /// Share of late ranges within the last minute.
        share: f64,
        /// The hour of the day (UTC) in which it is worst, when the log of hours shows one.
        worst_hour_utc: Option<u8>,
        /// The direction from the anchor in which it is worst, degrees clockwise from north, when there is one.
        worst_direction_deg: Option<f64>,
    },
    /// Its good ranges scatter more than they should.
    Noisy {
        /// Standard deviation now, metres.
        sigma_m: f64,
        /// What the others (or its own past) lead to expect, metres.
        usual_m: f64,
    },
    /// Its offset wanders slowly.
    Drifting {
        /// Metres per day.
        m_per_day: f64,
        /// Standard error, metres per day.
        se_m_per_day: f64,
    },
    /// It answers less often than its distance leads to expect.
    Weak {
        /// Share of the frames with a range of it.
        share: f64,
        /// What its distance leads to expect.
        expected: f64,
    },
}

impl AnchorFinding {
    /// What kind of finding it is.
    pub fn kind(&self) -> AnchorFindingKind {
        match self {
            AnchorFinding::DuplicateId { .. } => AnchorFindingKind::DuplicateId,
            AnchorFinding::Misplaced { .. } => AnchorFindingKind::Misplaced,
            AnchorFinding::Moved { .. } => AnchorFindingKind::Moved,
            AnchorFinding::OffsetChanged { .. } => AnchorFindingKind::OffsetChanged,
            AnchorFinding::ReadsLong { .. } => AnchorFindingKind::ReadsLong,
            AnchorFinding::Changed { .. } => AnchorFindingKind::Changed,
            AnchorFinding::OneOf { .. } => AnchorFindingKind::OneOf,
            AnchorFinding::Held => AnchorFindingKind::Held,
            AnchorFinding::Silent => AnchorFindingKind::Silent,
            AnchorFinding::NeverHeard => AnchorFindingKind::NeverHeard,
            AnchorFinding::Flapping { .. } => AnchorFindingKind::Flapping,
            AnchorFinding::OftenNlos { .. } => AnchorFindingKind::OftenNlos,
            AnchorFinding::Noisy { .. } => AnchorFindingKind::Noisy,
            AnchorFinding::Drifting { .. } => AnchorFindingKind::Drifting,
            AnchorFinding::Weak { .. } => AnchorFindingKind::Weak,
        }
    }

    /// Whether it says that the anchor does not read as its place and calibration say. All these are one matter, told more or
    /// less sharply: one takes the place of another without an end in between.
    pub fn is_about_place(&self) -> bool {
        matches!(
            self,
            AnchorFinding::Misplaced { .. }
                | AnchorFinding::Moved { .. }
                | AnchorFinding::OffsetChanged { .. }
                | AnchorFinding::ReadsLong { .. }
                | AnchorFinding::Changed { .. }
                | AnchorFinding::OneOf { .. }
        )
    }
}

/// The kinds of findings about an anchor, worst first: what gives wrong positions stands before what gives none, and that
/// before what gives worse ones.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[expect(missing_docs, reason = "each is the variant of `AnchorFinding` with the same name")]
pub enum AnchorFindingKind {
    DuplicateId,
    Misplaced,
    Moved,
    OffsetChanged,
    ReadsLong,
    Changed,
    OneOf,
    Held,
    Silent,
    NeverHeard,
    Flapping,
    OftenNlos,
    Noisy,
    Drifting,
    Weak,
}

impl AnchorFindingKind {
    /// All of them, worst first.
    pub const ALL: [AnchorFindingKind; 15] = [
        AnchorFindingKind::DuplicateId,
        AnchorFindingKind::Misplaced,
        AnchorFindingKind::Moved,
        AnchorFindingKind::OffsetChanged,
        AnchorFindingKind::ReadsLong,
        AnchorFindingKind::Changed,
        AnchorFindingKind::OneOf,
        AnchorFindingKind::Held,
        AnchorFindingKind::Silent,
        AnchorFindingKind::NeverHeard,
        AnchorFindingKind::Flapping,
        AnchorFindingKind::OftenNlos,
        AnchorFindingKind::Noisy,
        AnchorFindingKind::Drifting,
        AnchorFindingKind::Weak,
    ];
    /// How many there are.
    pub const COUNT: usize = AnchorFindingKind::ALL.len();

    /// How bad it is: 0 is the worst.
    pub fn rank(self) -> u8 {
        self as u8
    }
}

/// Whether an anchor stands where the site file says, as far as its ranges tell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum PlaceAnswer {
    /// Nothing speaks for a change; smaller moves than `limit_m` would not have been seen.
    Unchanged {
        /// The smallest move that can be promised to show, metres.
        limit_m: f64,
    },
    /// See its findings.
    Contradicted,
    /// Nobody can say.
    CannotTell(CannotTell),
}

/// Why nobody can say whether an anchor has moved.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum CannotTell {
    /// No position rests on at least three other anchors.
    NoPosition,
    /// The tag has not travelled far enough since the start or since the last change.
    TooLittleTravel {
        /// So far, metres.
        travelled_m: f64,
        /// Needed, metres.
        needed_m: f64,
    },
    /// The tag stands still.
    TagStandsStill,
    /// All ways of the tag look at the anchor from about the same side.
    TravelTooNarrow,
    /// Too few anchors to tell which one is wrong.
    TooFewAnchors {
        /// Heard at present.
        have: usize,
        /// Needed.
        need: usize,
    },
    /// All anchors are shifted alike: the tag's own offset, or the whole frame.
    AllAlike,
    /// The ranges and the site file do not belong to each other.
    SiteDoubted,
}

/// Something was found about an anchor, or is over.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FindingChange {
    /// In the time scale of the session.
    pub at: Timestamp,
    /// Id in the site file.
    pub anchor: AnchorId,
    /// With its evidence of that instant.
    pub finding: AnchorFinding,
    /// It is over.
    pub over: bool,
    /// The finding that it takes the place of, when it is the same matter told more sharply; that one is not told as over.
    pub instead_of: Option<AnchorFinding>,
}

/// One anchor within one minute of data time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AnchorMinute {
    /// Start of the minute.
    pub from: Timestamp,
    /// Id in the site file.
    pub anchor: AnchorId,
    /// Frames that could have had a range of it.
    pub frames: u32,
    /// Ranges of it.
    pub ranges: u32,
    /// Ranges that the gate left out.
    pub rejected: u32,
    /// Mean of the used residuals, metres; `None` without any.
    pub mean_residual_m: Option<f64>,
    /// Their standard deviation, metres; `None` with fewer than two.
    pub sd_residual_m: Option<f64>,
    /// Mean range, metres; `None` without any.
    pub mean_range_m: Option<f64>,
}

/// A change of state of one anchor.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct AnchorChange {
    /// In the time scale of the session.
    pub at: Timestamp,
    /// Id in the site file.
    pub anchor: AnchorId,
    /// What it was.
    pub was: AnchorState,
    /// What it is now.
    pub now: AnchorState,
}

/// Health of all anchors, in site order.
#[derive(Clone, Debug, PartialEq)]
pub struct AnchorTable {
    /// The instant it is for.
    pub at: Timestamp,
    /// One row an anchor.
    pub rows: ArrayVec<AnchorHealth, MAX_ANCHORS>,
    /// What is the matter with the kit as a whole; empty when nothing is.
    pub kit: ArrayVec<KitFinding, MAX_KIT_FINDINGS>,
}
