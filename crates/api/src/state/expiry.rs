//! What is left of a message at one moment. The one place where things run out: every view takes from here.
//!
//! Model: a message holds until its `valid_until`. Whoever asks later gets what is left of it, which is "nobody knows":
//! - A position that is not lost becomes lost, at the instant at which it ran out.
//! - A zone becomes unknown at that instant. What was lost or unknown stays so, for its own reason.
//! - An anchor that is heard falls silent a second after its last range. The engine says so; when it has not for
//!   [`OVERDUE_AFTER`] it does not answer, and the anchor counts as silent all the same.
//! - Figures over the last 10 s that were reported more than [`FIGURES_HOLD`] ago are not known.
//!
//! The time is the caller's. No clock is read here, and nothing is changed: what was said stays as it was said.

use std::borrow::Cow;

use hereabout_core::{
    AnchorState, Location, Micros, PositionReport, SILENT_AFTER, TagState, Timestamp, ZoneState,
};
use hereabout_engine::{AnchorHealth, ZoneReport, ZoneWhy};

/// Without a range, and without a word of the engine about that, an anchor is silent after this long.
const OVERDUE_AFTER: Micros = Micros::from_millis(1_500);
/// A table of anchors comes once a second while anything is heard.
pub(crate) const FIGURES_HOLD: Micros = Micros::from_millis(3_000);

/// A position as it counts at one moment.
#[derive(Clone, Debug)]
pub(crate) struct Position<'a> {
    /// As it was said, or lost where that has run out.
    pub(crate) report: Cow<'a, PositionReport>,
    /// Nothing newer was said for as long as it held.
    pub(crate) ran_out: bool,
    /// It was a position, and is lost because it ran out.
    pub(crate) expired: bool,
    /// The instant that the last message was for.
    pub(crate) said_for: Timestamp,
    /// That instant, when the tag was located at it.
    pub(crate) located_at: Option<Timestamp>,
}

/// The position after `report` was the last word about its tag.
pub(crate) fn position(report: &PositionReport, clock: Timestamp) -> Position<'_> {
    let ran_out = clock > report.valid_until;
    let expired = ran_out && report.state() != TagState::Lost;
    let said_for = report.at;
    let located_at = (report.state() == TagState::Located).then_some(said_for);
    let report = if expired { Cow::Owned(gone(report)) } else { Cow::Borrowed(report) };
    Position { report, ran_out, expired, said_for, located_at }
}

/// What is left of a position that has run out.
fn gone(report: &PositionReport) -> PositionReport {
    PositionReport {
        seq: report.seq,
        tag: report.tag,
        at: report.valid_until,
        received_at: report.valid_until,
        valid_until: report.valid_until,
        location: Location::Lost,
        restarted: false,
        used: Default::default(),
        rejected: Default::default(),
        no_fix: None,
        // its body says why: no reason of the engine's,
    }
}

/// The zone after `report` was the last word about it and its tag: the report itself while it holds, and unknown from
/// then on. An unknown keeps its reason.
pub(crate) fn zone(report: &ZoneReport, clock: Timestamp) -> ZoneReport {
    if clock <= report.valid_until || report.state == ZoneState::Unknown {
        return *report;
    }
    ZoneReport {
        at: report.valid_until,
        state: ZoneState::Unknown,
        was: report.state,
        since: report.valid_until,
        why: ZoneWhy::NoData,
        probability: None,
        depth_m: None,
        eta_s: None,
        ..*report
    }
}

/// An anchor as it counts at one moment.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct AnchorNow {
    /// Its row. Figures that nobody knows are `None`; for the rate see `rate_hz`.
    pub(crate) health: AnchorHealth,
    /// Ranges a second over 10 s; `None` when nobody can say.
    pub(crate) rate_hz: Option<f64>,
    /// The engine said that it is heard, and nothing since that it is not, although it must be.
    pub(crate) overdue: bool,
    /// The engine said that it is heard, too long ago to say anything about it.
    pub(crate) no_data: bool,
}

/// An anchor after `row`, of a table for `reported_at`, was the last word about it. `heard_at` is the newest range of it that
/// was seen since, if any was.
pub(crate) fn anchor(
    row: &AnchorHealth,
    reported_at: Timestamp,
    heard_at: Option<Timestamp>,
    clock: Timestamp,
) -> AnchorNow {
    let said_heard = row.state == AnchorState::Heard;
    let last_heard = row.last_heard.max(heard_at);
    let overdue = said_heard && last_heard.is_some_and(|last| clock.since(last) > OVERDUE_AFTER);
    let old = clock.since(reported_at) > FIGURES_HOLD;
    let mut health = row.clone();
    // Tables come once a second, ranges more often: what was seen since the table counts. What the engine calls silent
    // stays as it says: it reports at once when that is over.
    if said_heard {
        health.last_heard = last_heard;
    }
    if overdue {
        health.state = AnchorState::Silent;
        health.since = last_heard.map(|last| last.plus(SILENT_AFTER));
    }
    // The engine stops sending tables when there is nothing to count any more; what it counted last is no rate of now.
    let unknown = old && (said_heard || row.rate_hz > 0.0);
    if unknown {
        (health.share, health.rejected_share, health.mean_residual_m) = (None, None, None);
    }
    let rate_hz = (!unknown).then_some(row.rate_hz);
    AnchorNow { health, rate_hz, overdue, no_data: said_heard && old }
}

#[cfg(test)]
mod tests;
