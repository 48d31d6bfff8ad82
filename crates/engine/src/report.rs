//! What goes into the engine and what comes out. Internal types: `api` owns the bodies that leave
//! over HTTP, `store` owns the rows.

use std::sync::Arc;

use arrayvec::ArrayVec;
use hereabout_core::{
    AnchorId, Doubt, Epoch, Frame, MAX_ANCHORS, Micros, NoFixReason, RejectReason, TagId, TagState,
    Timestamp, Verdict, ZoneState,
};
use hereabout_solve::fit::SiteDoubt;

/// What the engine is told.
#[derive(Clone, Copy, Debug)]
pub enum Input<'a> {
    /// A frame from the decoder.
    Frame(&'a Frame),
    /// Ranges that are in metres already: a row of a table, a frame read back from a log.
    Epoch(&'a Epoch),
    /// Nothing new, but this much time has passed.
    Tick(Timestamp),
    /// The link to the kit was opened or fell away: what comes next need not follow on what came before.
    LinkChanged(Timestamp),
}

/// What the engine says.
#[derive(Clone, Debug, PartialEq)]
#[expect(
    clippy::large_enum_variant,
    reason = "outputs are made and used up at once: a box for each would only add work"
)]
pub enum Output {
    /// Every range of one epoch with its verdict. Comes before the position of the same epoch.
    Ranges(JudgedEpoch),
    /// Where a tag is, or that this is not known.
    Position(PositionReport),
    /// Where a tag was a moment ago, smoothed with what came after; only when the site asks for it.
    /// Numbered on its own.
    Delayed(PositionReport),
    /// Health of all anchors: once a second of data time while anything is heard, and at once when
    /// the state of an anchor changes.
    Anchors(Arc<AnchorTable>),
    /// An anchor was heard again or fell silent. Comes before the table that shows it.
    AnchorChanged(AnchorChange),
    /// Something was found about an anchor, or is over. Comes before the table that shows it.
    FindingChanged(FindingChange),
    /// The same about the kit as a whole.
    KitChanged(KitChange),
    /// One anchor's last full minute of data time.
    Minute(AnchorMinute),
    /// A tag and a zone: after every position of the tag, and when a time runs out.
    Zone(ZoneReport),
    /// An input older than the one before it was left out.
    OutOfOrder {
        /// Its stamp.
        at: Timestamp,
        /// The newest stamp before it.
        newest: Timestamp,
    },
    /// A tag was admitted or retired. An admission comes before the first ranges that are taken for the tag's.
    TagChanged(TagChange),
    /// A frame of a tag beyond the number that is kept apart was left out.
    TooManyTags {
        /// The frame's stamp.
        at: Timestamp,
        /// The tag that has no room.
        tag: TagId,
    },
}

/// A tag was admitted or retired.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TagChange {
    /// When.
    pub at: Timestamp,
    /// Which tag.
    pub tag: TagId,
    /// Which of the two.
    pub now: TagLife,
}

/// A tag's begin and end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TagLife {
    /// It is tracked from now on.
    Admitted,
    /// It is forgotten.
    Retired {
        /// For how long it had been silent.
        silent_for: Micros,
    },
}

/// One range with everything that is known about it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct JudgedRange {
    /// Which anchor.
    pub anchor: AnchorId,
    /// As sent, metres.
    pub raw_range_m: Option<f64>,
    /// After offset and scale, metres; `None` without a usable raw range.
    pub range_m: Option<f64>,
    /// What became of it.
    pub verdict: Verdict,
    /// Measured minus computed from the published place, metres.
    pub residual_m: Option<f64>,
    /// The residual over its own standard deviation (Baarda's w).
    pub standardised_residual: Option<f64>,
    /// Probability of being good; `None` from the plain estimator and before there is a place.
    pub p_good: Option<f64>,
}

/// All ranges of one epoch.
#[derive(Clone, Debug, PartialEq)]
pub struct JudgedEpoch {
    /// When it arrived.
    pub at: Timestamp,
    /// When it was measured, as far as that can be told.
    pub measured_at: Timestamp,
    /// Why it was not taken for the present; `None` when it was.
    pub doubt: Option<Doubt>,
    /// Whose ranges.
    pub tag: TagId,
    /// The module's frame counter.
    pub frame_seq: Option<u32>,
    /// In the order of the epoch's readings.
    pub ranges: ArrayVec<JudgedRange, MAX_ANCHORS>,
}

/// A place with its uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    /// East, north, up, metres. In 2D up is the known tag height.
    pub position_m: [f64; 3],
    /// Covariance, m², row-major, east north up; zero rows for what is not estimated. In 2D the variance of the height is
    /// that of the site's `tag_height_se_m`, and 0 where the site states none: nobody knows it then.
    pub covariance_m2: [[f64; 3]; 3],
}

/// A range that the gate left out of a position.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RejectedRange {
    /// Which anchor.
    pub anchor: AnchorId,
    /// Measured minus computed, metres.
    pub residual_m: f64,
    /// Why.
    pub why: RejectReason,
    /// Probability of being good all the same; `None` from the plain estimator.
    pub p_good: Option<f64>,
}

/// Where one tag is.
#[derive(Clone, Debug, PartialEq)]
pub struct PositionReport {
    /// Number of this report in the session, from 1, without gaps, over all tags.
    pub seq: u64,
    /// Which tag.
    pub tag: TagId,
    /// The instant that the position is for: when its ranges were measured, or when a time ran out.
    pub at: Timestamp,
    /// The engine's instant: when the frame behind it arrived, or when a time ran out. Never before `at`.
    pub received_at: Timestamp,
    /// Who hears nothing newer until then must treat the position as unknown.
    pub valid_until: Timestamp,
    /// How far it can be trusted.
    pub state: TagState,
    /// The place; `None` when lost or ambiguous.
    pub place: Option<Place>,
    /// Both places when ambiguous, likelier first; else empty.
    pub candidates: ArrayVec<Place, 2>,
    /// Radius that holds the truth with 95 %, metres: a circle in 2D, a sphere in 3D.
    pub radius95_m: Option<f64>,
    /// Radius that the distance of the tag from `place` passes with a probability of at most 10⁻³ at any instant
    /// until `valid_until`, metres; `None` until an estimator gives it.
    pub protection_radius_m: Option<f64>,
    /// Whether a range was left over to check the fix with, and nothing that is known speaks against it: the place is not
    /// beyond the site's fence, and no finding about the anchors or the site puts it in doubt.
    pub checked: bool,
    /// The track was given up for another place: the position may have jumped.
    pub restarted: bool,
    /// Metres per second; `None` when the estimator has none.
    pub velocity_mps: Option<[f64; 3]>,
    /// Horizontal dilution of precision.
    pub hdop: Option<f64>,
    /// Vertical dilution of precision (3D).
    pub vdop: Option<f64>,
    /// Dilution of precision in space (3D).
    pub pdop: Option<f64>,
    /// Anchors whose ranges took part.
    pub used: ArrayVec<AnchorId, MAX_ANCHORS>,
    /// Anchors whose ranges were left out by the gate.
    pub rejected: ArrayVec<RejectedRange, MAX_ANCHORS>,
    /// Why this epoch gave no fix; `None` for a fix.
    pub no_fix: Option<NoFixReason>,
}

/// State of one anchor, from its ranges alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AnchorState {
    /// Never heard in this session.
    NeverHeard,
    /// Heard within the last second.
    Heard,
    /// Not heard for a second or longer while frames (or time) went on.
    Silent,
}

/// Health of one anchor.
#[derive(Clone, Debug, PartialEq)]
pub struct AnchorHealth {
    /// Which anchor.
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
    pub late_share: Option<f64>,
    /// What is the matter with it, worst first; empty when nothing is.
    pub findings: ArrayVec<AnchorFinding, MAX_FINDINGS>,
    /// Whether it stands where the site file says, as far as its ranges tell.
    pub place: PlaceAnswer,
    /// Its ranges take no part in positions at present, by the rule for suspects.
    pub set_aside: bool,
}

/// Findings that one anchor can have at a time.
pub const MAX_FINDINGS: usize = 6;

/// Some anchors of a site, by their index in it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct AnchorSet(pub u16);

impl AnchorSet {
    /// Whether the anchor with this index is in it.
    pub fn contains(self, index: usize) -> bool {
        index < MAX_ANCHORS && self.0 & (1 << index) != 0
    }

    /// Puts the anchor with this index in.
    pub fn insert(&mut self, index: usize) {
        if index < MAX_ANCHORS {
            self.0 |= 1 << index;
        }
    }
}

/// What is the matter with one anchor, with the evidence.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum AnchorFinding {
    /// Two boards answer to its id.
    TwoBoards {
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
        /// The suspects, this one among them.
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
    OftenLate {
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
    /// Kinds of findings there are.
    pub const KINDS: usize = 15;

    /// How bad a finding of this kind is: 0 is the worst. What gives wrong positions stands before what gives none,
    /// and that before what gives worse ones.
    pub fn rank(&self) -> u8 {
        match self {
            AnchorFinding::TwoBoards { .. } => 0,
            AnchorFinding::Misplaced { .. } => 1,
            AnchorFinding::Moved { .. } => 2,
            AnchorFinding::OffsetChanged { .. } => 3,
            AnchorFinding::ReadsLong { .. } => 4,
            AnchorFinding::Changed { .. } => 5,
            AnchorFinding::OneOf { .. } => 6,
            AnchorFinding::Held => 7,
            AnchorFinding::Silent => 8,
            AnchorFinding::NeverHeard => 9,
            AnchorFinding::Flapping { .. } => 10,
            AnchorFinding::OftenLate { .. } => 11,
            AnchorFinding::Noisy { .. } => 12,
            AnchorFinding::Drifting { .. } => 13,
            AnchorFinding::Weak { .. } => 14,
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

/// Whether an anchor stands where the site file says, as far as its ranges tell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum PlaceAnswer {
    /// Nothing speaks for a change; smaller moves than `limit_m` would not have been seen.
    Unchanged {
        /// The smallest move that can be promised to show, metres.
        limit_m: f64,
    },
    /// See its findings.
    Suspect,
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
    /// When.
    pub at: Timestamp,
    /// Which anchor.
    pub anchor: AnchorId,
    /// What.
    pub finding: AnchorFinding,
    /// It is over.
    pub over: bool,
    /// The finding that it takes the place of, when it is the same matter told more sharply; that one is not told as over.
    pub instead_of: Option<AnchorFinding>,
}

/// What is the matter with the kit as a whole.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum KitFinding {
    /// Frames come, but none of the anchors has a range of this tag any more, all at once: the tag is off.
    TagOff {
        /// Which tag.
        tag: TagId,
    },
    /// Frames come, and the anchors fell silent one after the other, or all but the primary one.
    AnchorsGone,
    /// Frames come without ranges, and nothing tells the tag from the anchors.
    NobodyAnswers,
    /// No byte comes at all.
    CableOut,
    /// Many frames are cut or damaged on their way.
    FramesCut {
        /// Share of the frames of the last minute that were lost.
        share: f64,
    },
    /// The frames of a tag come unevenly.
    UnevenClock {
        /// Which tag's.
        tag: TagId,
        /// Median time between two frames.
        usual: Micros,
        /// The longest gap of the last minute.
        longest: Micros,
        /// Share of the gaps that are off by more than half.
        share: f64,
    },
    /// Frames come whose ranges are bit for bit those of before: the module hangs.
    Frozen {
        /// Which tag's.
        tag: TagId,
    },
    /// Frames come that came before: the counter stands still, or old ones are sent again.
    Repeated {
        /// Which tag's.
        tag: TagId,
    },
    /// Frames come that were measured too long ago.
    OldFrames {
        /// Which tag's.
        tag: TagId,
        /// How long ago, at least.
        age: Micros,
    },
    /// Frames come, and nobody can say how old they are: the pace is not the kit's own.
    AgeUnknown {
        /// Which tag's.
        tag: TagId,
    },
    /// The ranges and the site file do not belong to each other: a wrong setting, or a wrong place.
    SiteDoesNotFit {
        /// What speaks against it, and the likely cause.
        doubt: SiteDoubt,
    },
    /// Frames come with tag numbers that never settle: damaged on their way, or several tags at one place.
    UnknownTags {
        /// Such frames within the last minute.
        count: u32,
        /// The newest of these numbers, or the one that the reason is about.
        example: TagId,
        /// Why they never settle.
        why: Unsettled,
    },
    /// Tags are heard that the site does not list; they are not tracked.
    UnlistedTags {
        /// How many of the last minute.
        count: u32,
        /// Some of them.
        tags: [Option<TagId>; NAMED_TAGS],
    },
    /// All anchors read longer or shorter by one length to this tag, but not to the others: the tag's own offset.
    TagOffset {
        /// Which tag.
        tag: TagId,
        /// By how much, metres; positive when they read long.
        by_m: f64,
    },
}

/// Why numbers never settle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Unsettled {
    /// They come now and then at the place of a tag: damaged on their way.
    Damaged,
    /// It comes about as often as another number, from the same place: two tags there.
    OnePlace {
        /// The other number.
        like: TagId,
    },
    /// They come too seldom to be told from damaged ones yet.
    TooSeldom,
}

/// Tags that are named at a time.
pub const NAMED_TAGS: usize = 4;

/// Findings about the kit that last at the same time.
pub const MAX_KIT_FINDINGS: usize = 8;

/// Something was found about the kit, or is over.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KitChange {
    /// When.
    pub at: Timestamp,
    /// What.
    pub finding: KitFinding,
    /// It is over.
    pub over: bool,
}

/// One anchor within one minute of data time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AnchorMinute {
    /// Start of the minute.
    pub from: Timestamp,
    /// Which anchor.
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

/// Why a zone is in its state.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ZoneWhy {
    /// The probability decides.
    Probability,
    /// The range to the anchor decides (zones near an anchor).
    Range,
    /// Too close to the border so far to say either; it comes from unknown.
    Undecided,
    /// The position speaks against the last answer, with too few anchors that agree or for too short a time to decide
    /// the other way.
    Contradicted,
    /// The ranges to the anchor have become longer than the distance for leaving, which is no proof that the tag left: they
    /// may be late (zones near an anchor).
    RangeBeyond,
    /// The tag has never been heard.
    NeverHeard,
    /// Nothing was heard of the tag for as long as its last position holds.
    NoData,
    /// The tag is lost.
    Lost,
    /// Two places fit.
    Ambiguous,
    /// The position is a prediction without fresh ranges.
    Coasting,
    /// No range was left over to check the position with, or it rests on anchors that are in doubt.
    Unchecked,
    /// The position is more than a metre outside of where the site file says that tags can be.
    OutsideFence,
    /// The protection radius is larger than the zone allows, or not known.
    ProtectionRadius {
        /// As it is, metres; `None` when the estimator gives none.
        radius_m: Option<f64>,
        /// As allowed, metres.
        limit_m: f64,
    },
    /// Two boards answer to the id of the anchor that the zone is near.
    TwoBoards,
    /// The ranges and the site file do not belong to each other ([`KitFinding::SiteDoesNotFit`]).
    SiteDoubted,
    /// The configuration was changed: every zone has to be earned again.
    Changed,
    /// The kit was switched on a moment ago: a zone near an anchor settles first.
    Settling {
        /// When it is armed.
        until: Timestamp,
    },
}

/// One tag and one zone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ZoneReport {
    /// Number of this report in the session, from 1, without gaps, over all zones and tags.
    pub seq: u64,
    /// Index of the zone in the site.
    pub zone: usize,
    /// Which tag.
    pub tag: TagId,
    /// The instant it is for.
    pub at: Timestamp,
    /// Who hears nothing newer until then must treat the zone as unknown.
    pub valid_until: Timestamp,
    /// Inside, outside, or nobody can say.
    pub state: ZoneState,
    /// What it was before this report.
    pub was: ZoneState,
    /// Since when it is in this state.
    pub since: Timestamp,
    /// Why.
    pub why: ZoneWhy,
    /// Probability that the tag is inside, with one and a half times the position's covariance and 3 cm on top; `None`
    /// without a position and for zones near an anchor.
    pub probability: Option<f64>,
    /// Distance from the border, metres, positive inside; `None` without a position. Near an anchor from the distance for
    /// entering, by the last ranges.
    pub depth_m: Option<f64>,
    /// When the tag will cross the border if it goes on like this; `None` when it will not within a minute.
    pub eta_s: Option<f64>,
}

impl ZoneReport {
    /// Whether this report changes the state: what makes an event.
    pub fn changed(&self) -> bool {
        self.state != self.was
    }
}

/// A change of state of one anchor.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct AnchorChange {
    /// When.
    pub at: Timestamp,
    /// Which anchor.
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
