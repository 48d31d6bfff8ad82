//! What became of each range, why there is no position when there is none, and the states of tags, anchors and zones.

use crate::Micros;

/// What the engine did with one range. Every range of every frame gets exactly one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// It took part in the published position.
    Used,
    /// The frame said "no range" for this anchor.
    NoReading,
    /// No range, and the anchor has been silent for longer than a second.
    AnchorSilent,
    /// A number outside the site's `range_span_m`.
    OutOfSpan,
    /// The outlier gate left it out.
    Rejected(RejectReason),
    /// Set aside because the anchor itself is suspect.
    AnchorExcluded,
    /// A good number, but no position could be computed from this epoch.
    NoFix,
    /// The whole frame must not be taken for the present.
    Doubted(Doubt),
    /// The module holds on to the anchor's last range; the anchor itself has not answered.
    Held,
}

impl Verdict {
    /// All of them; whoever adds one adds it here, and the store's test of its codes misses it otherwise.
    pub const ALL: [Verdict; 15] = [
        Verdict::Used,
        Verdict::NoReading,
        Verdict::AnchorSilent,
        Verdict::OutOfSpan,
        Verdict::Rejected(RejectReason::TooLong),
        Verdict::Rejected(RejectReason::TooShort),
        Verdict::Rejected(RejectReason::NotCredible),
        Verdict::AnchorExcluded,
        Verdict::NoFix,
        Verdict::Doubted(Doubt::Old),
        Verdict::Doubted(Doubt::Repeated),
        Verdict::Doubted(Doubt::Frozen),
        Verdict::Doubted(Doubt::Unsettled),
        Verdict::Doubted(Doubt::UnknownTag),
        Verdict::Held,
    ];

    /// Whether it is a number that can be a range and that the anchor measured just now.
    pub fn is_fresh(self) -> bool {
        match self {
            Verdict::NoReading
            | Verdict::AnchorSilent
            | Verdict::OutOfSpan
            | Verdict::Doubted(_)
            | Verdict::Held => false,
            Verdict::Used | Verdict::Rejected(_) | Verdict::AnchorExcluded | Verdict::NoFix => true,
        }
    }

    /// Whether the anchor answered. A range of unknown age is heard all the same: what is not known is when.
    pub fn is_heard(self) -> bool {
        self.is_fresh() || self == Verdict::Doubted(Doubt::Unsettled)
    }
}

/// Why a frame must not be taken for the present. Nothing that is doubted is published as a position.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Doubt {
    /// Measured longer ago than `[track] max_age_s`.
    Old,
    /// A frame that came before: the same counter, or one that was sent again.
    Repeated,
    /// The ranges are bit for bit those of before, for longer than chance allows.
    Frozen,
    /// Its age is not known: the pace has not been normal for long enough since the start or a gap.
    Unsettled,
    /// Of a tag that is not admitted: its number may have been damaged on its way.
    UnknownTag,
}

impl Doubt {
    /// All of them.
    pub const ALL: [Doubt; 5] =
        [Doubt::Old, Doubt::Repeated, Doubt::Frozen, Doubt::Unsettled, Doubt::UnknownTag];
}

/// Why the gate left a range out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RejectReason {
    /// Measured longer than the place allows: blocked or reflected, as a rule.
    TooLong,
    /// Measured shorter than the place allows: rare; two boards with one id, or a bit error.
    TooShort,
    /// Fits neither the good nor the late model.
    NotCredible,
}

/// Why an epoch gave no position.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoFixReason {
    /// No usable range at all.
    NoRanges,
    /// Fewer usable ranges than the dimension needs.
    TooFewRanges {
        /// Ranges that were usable.
        have: usize,
        /// Ranges that a position needs.
        need: usize,
    },
    /// The answering anchors lie so that the place is not determined (on one line, at one spot).
    WeakGeometry,
    /// Two places fit the ranges and nothing tells them apart.
    TwoPlaces,
    /// The ranges contradict each other and none can be blamed.
    Inconsistent,
    /// The iteration did not settle.
    NotConverged,
    /// Frames come, but none that may be taken for the present.
    NotCurrent(Doubt),
}

/// How far a tag's published position can be trusted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TagState {
    /// Supported by ranges of this instant.
    Located,
    /// Predicted from an earlier fix; no fresh one.
    Coasting,
    /// Two places fit; both are given.
    Ambiguous,
    /// No position.
    Lost,
}

/// What is known about a tag and a zone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ZoneState {
    /// The tag is in it.
    Inside,
    /// The tag is out of it.
    Outside,
    /// Nobody can say. Whoever acts on the zone treats it as the dangerous one of the two.
    Unknown,
}

/// An anchor that has not been heard for this long is silent. Its state is judged by this alone.
pub const SILENT_AFTER: Micros = Micros::from_millis(1_000);

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
