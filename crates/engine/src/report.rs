//! What goes into the engine and what comes out. Internal types: `api` owns the bodies that leave
//! over HTTP, `store` owns the rows.

use arrayvec::ArrayVec;
use hereabout_core::{
    AnchorId, Epoch, Frame, MAX_ANCHORS, NoFixReason, RejectReason, TagId, TagState, Timestamp, Verdict,
};

/// What the engine is told.
#[derive(Clone, Copy, Debug)]
pub enum Input<'a> {
    /// A frame from the decoder.
    Frame(&'a Frame),
    /// Ranges that are in metres already: a row of a table, a frame read back from a log.
    Epoch(&'a Epoch),
    /// Nothing new, but this much time has passed.
    Tick(Timestamp),
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
    Anchors(AnchorTable),
    /// An anchor was heard again or fell silent. Comes before the table that shows it.
    AnchorChanged(AnchorChange),
    /// An input older than the one before it was left out.
    OutOfOrder {
        /// Its stamp.
        at: Timestamp,
        /// The newest stamp before it.
        newest: Timestamp,
    },
    /// A frame of a tag beyond the number that is kept apart was left out.
    TooManyTags {
        /// The frame's stamp.
        at: Timestamp,
        /// The tag that has no room.
        tag: TagId,
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
    /// Stamp of the epoch.
    pub at: Timestamp,
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
    /// Covariance, m², row-major, east north up; zero rows for what is not estimated.
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
    /// The instant that the position is for.
    pub at: Timestamp,
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
    /// Radius that the error passes with a probability of at most 10⁻³; `None` until an estimator gives it.
    pub protection_radius_m: Option<f64>,
    /// Whether a range was left over to check the fix with.
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
#[derive(Clone, Copy, Debug, PartialEq)]
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
}
