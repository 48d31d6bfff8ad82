//! What became of each range, and why there is no position when there is none.

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
    AnchorSuspect,
    /// A good number, but no position could be computed from this epoch.
    NoFix,
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
