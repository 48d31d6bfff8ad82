//! How each anchor fared over a whole session, for reports: counts, shares, mean residual.
//!
//! Unlike the watch's table, which looks ten seconds back, this adds up everything. Memory does not grow.

use arrayvec::ArrayVec;
use hereabout_core::{
    AnchorId, JudgedEpoch, MAX_ANCHORS, PositionReport, Site, TagState, Timestamp, Verdict,
};

/// One anchor over the session.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AnchorTally {
    /// Id in the site file.
    pub anchor: AnchorId,
    /// Frames that could have had a range of it.
    pub frames: u64,
    /// Ranges.
    pub ranges: u64,
    /// Ranges that took part in a position.
    pub used: u64,
    /// Ranges that the estimator left out.
    pub rejected: u64,
    /// Sum of the used ranges' residuals, metres.
    residual_sum_m: f64,
}

impl AnchorTally {
    /// Share of the frames that had a range; `None` without frames.
    pub fn share(&self) -> Option<f64> {
        (self.frames > 0).then(|| self.ranges as f64 / self.frames as f64)
    }

    /// Share of its ranges that were left out; `None` without ranges.
    pub fn rejected_share(&self) -> Option<f64> {
        (self.ranges > 0).then(|| self.rejected as f64 / self.ranges as f64)
    }

    /// Mean of measured minus computed over the used ranges, metres; `None` without any.
    pub fn mean_residual_m(&self) -> Option<f64> {
        (self.used > 0).then(|| self.residual_sum_m / self.used as f64)
    }
}

/// Everything that is added up.
#[derive(Clone, Debug, PartialEq)]
pub struct Tally {
    /// In site order.
    pub anchors: ArrayVec<AnchorTally, MAX_ANCHORS>,
    /// Position reports.
    pub reports: u64,
    /// Those that were located.
    pub located: u64,
    /// First and last stamp of an epoch.
    pub extent: Option<(Timestamp, Timestamp)>,
}

impl Tally {
    /// Nothing heard yet.
    pub fn new(site: &Site) -> Tally {
        let one =
            |anchor| AnchorTally { anchor, frames: 0, ranges: 0, used: 0, rejected: 0, residual_sum_m: 0.0 };
        let anchors = site.anchors().iter().map(|a| one(a.id)).collect();
        Tally { anchors, reports: 0, located: 0, extent: None }
    }

    /// Adds a position report.
    pub fn add_position(&mut self, report: &PositionReport) {
        self.reports += 1;
        self.located += u64::from(report.state() == TagState::Located);
    }

    /// Adds the ranges of an epoch.
    pub fn add_ranges(&mut self, epoch: &JudgedEpoch) {
        let (first, last) = self.extent.unwrap_or((epoch.at, epoch.at));
        self.extent = Some((first.min(epoch.at), last.max(epoch.at)));
        for range in &epoch.ranges {
            let Some(row) = self.anchors.iter_mut().find(|a| a.anchor == range.anchor) else {
                continue;
            };
            row.frames += 1;
            row.ranges += u64::from(range.range_m.is_some());
            row.rejected += u64::from(matches!(range.verdict, Verdict::Rejected(_)));
            if let (Verdict::Used, Some(residual_m)) = (range.verdict, range.residual_m) {
                row.used += 1;
                row.residual_sum_m += residual_m;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use hereabout_core::{JudgedRange, RejectReason, TagId};

    use super::*;

    #[test]
    fn shares_and_means_follow_by_hand() {
        let zero = AnchorTally {
            anchor: AnchorId(3),
            frames: 0,
            ranges: 0,
            used: 0,
            rejected: 0,
            residual_sum_m: 0.0,
        };
        assert_eq!((zero.share(), zero.rejected_share(), zero.mean_residual_m()), (None, None, None));
        let mut tally = Tally { anchors: [zero].into_iter().collect(), reports: 0, located: 0, extent: None };
        let cases = [
            (Some(2.0), Verdict::Used, Some(0.1)),
            (Some(2.0), Verdict::Used, Some(0.3)),
            (Some(9.0), Verdict::Rejected(RejectReason::TooLong), Some(7.0)),
            (None, Verdict::NoReading, None),
        ];
        for (i, (range_m, verdict, residual_m)) in cases.into_iter().enumerate() {
            let range = |anchor| JudgedRange {
                anchor: AnchorId(anchor),
                raw_range_m: range_m,
                range_m,
                verdict,
                residual_m,
                standardised_residual: None,
                p_good: None,
            };
            let at = Timestamp::from_micros(i as i64);
            let ranges = [range(3), range(8)].into_iter().collect();
            tally.add_ranges(&JudgedEpoch {
                at,
                measured_at: at,
                doubt: None,
                tag: TagId(0),
                frame_seq: None,
                ranges,
            });
        }
        let row = tally.anchors[0];
        assert_eq!((row.share(), row.rejected_share()), (Some(0.75), Some(1.0 / 3.0)));
        assert!((row.mean_residual_m().unwrap() - 0.2).abs() < 1e-12);
        assert_eq!(tally.extent, Some((Timestamp::from_micros(0), Timestamp::from_micros(3))));
    }
}
