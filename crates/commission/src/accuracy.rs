//! Positions against the truth: the summary that `replay --truth` prints.
//!
//! Truth is linearly interpolated between its rows, and only across gaps shorter than
//! [`MAX_GAP`]: a reference instrument that lost sight says nothing about the time between. A
//! position is graded when its tag is located and truth exists at its instant. Errors are horizontal
//! in 2D and in space in 3D. Quantiles are of type 7 (Hyndman and Fan 1996).

use hereabout_core::{Dimension, Micros, PositionReport, TagId, TagState, Timestamp};
use hereabout_solve::math::metrics;

/// Truth is not interpolated across longer gaps.
pub const MAX_GAP: Micros = Micros::from_millis(500);

/// Where a tag really was, over time.
#[derive(Clone, Debug, Default)]
pub struct Truth {
    /// Sorted by tag, then time.
    rows: Vec<(TagId, Timestamp, [f64; 3])>,
}

impl Truth {
    /// Truth from rows in any order; later rows of one tag and stamp win.
    pub fn new(mut rows: Vec<(TagId, Timestamp, [f64; 3])>) -> Truth {
        rows.sort_by_key(|r| (r.0, r.1));
        Truth { rows }
    }

    /// The rows, by tag, then time.
    pub fn rows(&self) -> &[(TagId, Timestamp, [f64; 3])] {
        &self.rows
    }

    /// The place of a tag at an instant, metres; `None` outside the table and inside long gaps.
    pub fn at(&self, tag: TagId, at: Timestamp) -> Option<[f64; 3]> {
        let after = self.rows.partition_point(|r| (r.0, r.1) <= (tag, at));
        let before = self.rows[..after].last().filter(|r| r.0 == tag)?;
        if before.1 == at {
            return Some(before.2);
        }
        let next = self.rows.get(after).filter(|r| r.0 == tag)?;
        let gap = next.1.since(before.1);
        if gap >= MAX_GAP {
            return None;
        }
        let part = at.since(before.1).secs_f64() / gap.secs_f64();
        Some([0, 1, 2].map(|i| before.2[i] + part * (next.2[i] - before.2[i])))
    }
}

/// Gathers errors while a replay runs.
#[derive(Clone, Debug)]
pub struct Accuracy {
    dimension: Dimension,
    epochs: u64,
    located: u64,
    errors_m: Vec<f64>,
    inside95: u64,
}

/// The accuracy of a run.
#[derive(Clone, Debug, PartialEq)]
pub struct AccuracySummary {
    /// Position reports that belong to an epoch or deadline while truth existed.
    pub epochs: u64,
    /// How many of them were located.
    pub located: u64,
    /// `located / epochs`; `None` without epochs.
    pub share_with_fix: Option<f64>,
    /// Root mean square error, metres.
    pub rmse_m: Option<f64>,
    /// Median error, metres (type 7).
    pub ce50_m: Option<f64>,
    /// 95 % quantile of the error, metres (type 7).
    pub ce95_m: Option<f64>,
    /// Largest error, metres.
    pub max_m: Option<f64>,
    /// Share of located reports whose 95 % ellipse (2D) or ellipsoid (3D) held the truth.
    pub coverage95: Option<f64>,
}

impl Accuracy {
    /// Nothing graded yet.
    pub fn new(dimension: Dimension) -> Accuracy {
        Accuracy { dimension, epochs: 0, located: 0, errors_m: Vec::new(), inside95: 0 }
    }

    /// Grades one report, when there is truth for it.
    pub fn grade(&mut self, report: &PositionReport, truth: &Truth) {
        let Some(true_m) = truth.at(report.tag, report.at) else { return };
        self.epochs += 1;
        let Some(place) = report.place().filter(|_| report.state() == TagState::Located) else { return };
        self.located += 1;
        let mut error_m = [0, 1, 2].map(|i| place.position_m[i] - true_m[i]);
        if let Dimension::TwoD { .. } = self.dimension {
            error_m[2] = 0.0;
        }
        self.errors_m.push(error_m.iter().map(|e| e * e).sum::<f64>().sqrt());
        self.inside95 += u64::from(metrics::is_covered(error_m, &place.covariance_m2, self.dimension, 0.95));
    }

    /// The summary so far.
    pub fn summary(&self) -> AccuracySummary {
        let share = |part: u64, of: u64| (of > 0).then(|| part as f64 / of as f64);
        let mut sorted = self.errors_m.clone();
        sorted.sort_by(f64::total_cmp);
        AccuracySummary {
            epochs: self.epochs,
            located: self.located,
            share_with_fix: share(self.located, self.epochs),
            rmse_m: metrics::ErrorSize::of(sorted.iter().copied()).map(|e| e.rms_m),
            ce50_m: metrics::quantile_of_sorted(&sorted, 0.5),
            ce95_m: metrics::quantile_of_sorted(&sorted, 0.95),
            max_m: sorted.last().copied(),
            coverage95: share(self.inside95, self.located),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn truth_is_interpolated_only_across_short_gaps_of_one_tag() {
        let at = |ms: i64| Timestamp::from_micros(ms * 1_000);
        let rows = [(0, 0, 0.0), (0, 400, 4.0), (0, 1_000, 9.0), (1, 100, 50.0)];
        let truth = Truth::new(rows.iter().map(|r| (TagId(r.0), at(r.1), [r.2, 0.0, 1.0])).collect());
        assert_eq!(truth.at(TagId(0), at(100)), Some([1.0, 0.0, 1.0]));
        assert_eq!(truth.at(TagId(0), at(400)), Some([4.0, 0.0, 1.0]));
        assert_eq!(truth.at(TagId(0), at(700)), None, "a gap of 0.6 s");
        assert_eq!(truth.at(TagId(0), at(1_001)), None, "after the end");
        assert_eq!(truth.at(TagId(0), at(-1)), None, "before the start");
        assert_eq!(truth.at(TagId(1), at(100)), Some([50.0, 0.0, 1.0]));
        assert_eq!(truth.at(TagId(2), at(100)), None);
    }
}
