//! Moves the stamps of what the engine said to another time scale.
//!
//! The engine keeps the time scale of its session, whatever becomes of the wall clock. What leaves the program is in UTC,
//! so at the edge every stamp is moved by the one difference between the two that is in force. Lengths of time stay what
//! they are: how long a position holds, how long a zone settles. An hour of the day moves with the stamps.
//!
//! Nothing is done, and nothing copied, when there is nothing to move by.

use std::borrow::Cow;
use std::sync::Arc;

use hereabout_core::{Micros, Timestamp};

use super::{
    AnchorChange, AnchorFinding, AnchorHealth, AnchorMinute, AnchorTable, FindingChange, KitChange, Output,
    TagChange, ZoneReport, ZoneWhy,
};

const HOUR_S: i64 = 3_600;
const DAY_S: i64 = 86_400;

impl Output {
    /// The same with every stamp moved by `by`; the output itself when that is nothing.
    pub fn shifted(&self, by: Micros) -> Cow<'_, Output> {
        if by == Micros::ZERO {
            return Cow::Borrowed(self);
        }
        let mut moved = self.clone();
        match &mut moved {
            Output::Ranges(epoch) => epoch.shift(by),
            Output::Position(report) | Output::Delayed(report) => report.shift(by),
            Output::Anchors(table) => Arc::make_mut(table).shift(by),
            Output::AnchorChanged(AnchorChange { at, .. }) | Output::KitChanged(KitChange { at, .. }) => {
                shift(at, by);
            }
            Output::FindingChanged(FindingChange { at, finding, .. }) => {
                shift(at, by);
                finding.shift(by);
            }
            Output::Minute(minute) => minute.shift(by),
            Output::Zone(report) => report.shift(by),
            Output::OutOfOrder { at, newest } => {
                shift(at, by);
                shift(newest, by);
            }
            Output::TagChanged(TagChange { at, .. }) | Output::TooManyTags { at, .. } => shift(at, by),
        }
        Cow::Owned(moved)
    }
}

impl ZoneReport {
    /// Moves its stamps by `by`.
    pub fn shift(&mut self, by: Micros) {
        shift(&mut self.at, by);
        shift(&mut self.valid_until, by);
        shift(&mut self.since, by);
        if let ZoneWhy::Settling { until } = &mut self.why {
            shift(until, by);
        }
    }
}

impl AnchorTable {
    /// Moves its stamps, and those of its rows, by `by`.
    pub fn shift(&mut self, by: Micros) {
        shift(&mut self.at, by);
        self.rows.iter_mut().for_each(|row| row.shift(by));
    }
}

impl AnchorHealth {
    fn shift(&mut self, by: Micros) {
        self.since.iter_mut().chain(&mut self.last_heard).for_each(|at| shift(at, by));
        self.findings.iter_mut().for_each(|finding| finding.shift(by));
    }
}

impl AnchorFinding {
    /// Moves the hour of the day that it names, if it names one.
    fn shift(&mut self, by: Micros) {
        if let AnchorFinding::OftenNlos { worst_hour_utc: Some(hour), .. } = self {
            // The hour in which the middle of it falls.
            let middle_s = i64::from(*hour) * HOUR_S + HOUR_S / 2 + by.micros() / 1_000_000 % DAY_S;
            *hour = u8::try_from(middle_s.rem_euclid(DAY_S) / HOUR_S).unwrap_or(*hour);
        }
    }
}

impl AnchorMinute {
    /// Moves its stamp by `by`.
    pub fn shift(&mut self, by: Micros) {
        shift(&mut self.from, by);
    }
}

fn shift(at: &mut Timestamp, by: Micros) {
    *at = at.plus(by);
}

#[cfg(test)]
mod tests;
