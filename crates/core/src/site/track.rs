//! How positions are made: the estimator and its limits.

use crate::Micros;

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
