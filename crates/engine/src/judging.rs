//! Every reading of an epoch on its way to its verdict.
//!
//! Offsets and scales are taken out first, and what cannot take part gets its verdict at once. The rest has none until the
//! estimator has spoken; what it did not use by then is a good number without a position ([`Verdict::NoFix`]).

use arrayvec::ArrayVec;
use hereabout_core::geometry::vector::distance_m;
use hereabout_core::{AnchorId, Doubt, Epoch, JudgedRange, MAX_ANCHORS, Site, TagState, Verdict};

use crate::estimate::{Estimate, Obs};
use crate::watch::Watch;

/// Judged readings with the index of their anchor (`None` for anchors that the site does not have).
pub(crate) type Judged = ArrayVec<(Option<usize>, JudgedRange), MAX_ANCHORS>;

/// One reading.
struct Reading {
    /// Index of its anchor in the site.
    index: Option<usize>,
    anchor: AnchorId,
    raw_range_m: Option<f64>,
    /// After offset and scale.
    range_m: Option<f64>,
    /// `None` while it is usable and the estimator has not spoken.
    verdict: Option<Verdict>,
    residual_m: Option<f64>,
    standardised_residual: Option<f64>,
    p_good: Option<f64>,
}

/// The readings of one epoch.
pub(crate) struct Readings(ArrayVec<Reading, MAX_ANCHORS>);

impl Readings {
    /// Offsets and scales out. An anchor that the site does not have, or that the epoch named before, is out of span of
    /// what this site can use.
    pub(crate) fn corrected(epoch: &Epoch, site: &Site, watch: &Watch) -> Readings {
        let [near_m, far_m] = site.range_span_m();
        let excluded = watch.excluded();
        let mut out = ArrayVec::<Reading, MAX_ANCHORS>::new();
        for (place, reading) in epoch.readings.iter().enumerate() {
            let index = site.anchor_index(reading.anchor);
            let seen = out.iter().any(|r| r.index.is_some() && r.index == index);
            let raw_range_m = reading.raw_range_m.filter(|r| r.is_finite());
            let range_m = match (index, raw_range_m) {
                (Some(i), Some(raw)) => Some(site.anchors()[i].correction.apply(raw)),
                _ => None,
            };
            let verdict = match range_m {
                None if raw_range_m.is_some() => Some(Verdict::OutOfSpan),
                None if index.is_some_and(|i| watch.is_silent(i)) => Some(Verdict::AnchorSilent),
                None => Some(Verdict::NoReading),
                Some(r) if r < near_m || r > far_m || !r.is_finite() || seen => Some(Verdict::OutOfSpan),
                Some(_) if epoch.is_held(place) => Some(Verdict::Held),
                Some(_) if index.is_some_and(|i| excluded.contains(i)) => Some(Verdict::AnchorExcluded),
                Some(_) => None,
            };
            out.push(Reading {
                index,
                anchor: reading.anchor,
                raw_range_m: reading.raw_range_m,
                range_m: range_m.filter(|r| r.is_finite()),
                verdict,
                residual_m: None,
                standardised_residual: None,
                p_good: None,
            });
        }
        Readings(out)
    }

    /// What the estimator is given.
    pub(crate) fn usable(&self) -> ArrayVec<Obs, MAX_ANCHORS> {
        let usable = self.0.iter().filter(|r| r.verdict.is_none());
        usable.filter_map(|r| Some(Obs { anchor: r.index?, range_m: r.range_m? })).collect()
    }

    /// Gives every number of a doubted epoch the verdict that it is.
    pub(crate) fn doubt(&mut self, doubt: Doubt) {
        let is_number = |v: Option<Verdict>| v.is_none_or(|v| v.is_fresh() || v == Verdict::Held);
        for reading in self.0.iter_mut().filter(|r| is_number(r.verdict)) {
            reading.verdict = Some(Verdict::Doubted(doubt));
        }
    }

    /// Gives the usable readings the verdicts of the estimator. Only a position that rests on this epoch's ranges can
    /// use or reject them.
    pub(crate) fn judge(&mut self, estimate: &Estimate, site: &Site) {
        if estimate.state() != TagState::Located {
            return;
        }
        for verdict in &estimate.verdicts {
            let own = self.0.iter_mut().find(|r| r.index == Some(verdict.anchor) && r.verdict.is_none());
            if let Some(reading) = own {
                reading.residual_m = Some(verdict.residual_m);
                reading.standardised_residual = verdict.standardised;
                reading.p_good = verdict.p_good;
                reading.verdict = Some(verdict.rejected.map_or(Verdict::Used, Verdict::Rejected));
            }
        }
        // What is excluded took no part, but how far it is off is what people want to see.
        let Some(place) = estimate.place() else { return };
        for reading in self.0.iter_mut().filter(|r| r.verdict == Some(Verdict::AnchorExcluded)) {
            if let (Some(i), Some(range_m)) = (reading.index, reading.range_m) {
                reading.residual_m = Some(range_m - distance_m(place.position_m, site.anchors()[i].at_m));
            }
        }
    }

    /// All of them with their verdicts, in the order of the epoch's readings.
    pub(crate) fn judged(self) -> Judged {
        let judged = |r: Reading| JudgedRange {
            anchor: r.anchor,
            raw_range_m: r.raw_range_m,
            range_m: r.range_m,
            verdict: r.verdict.unwrap_or(Verdict::NoFix),
            residual_m: r.residual_m,
            standardised_residual: r.standardised_residual,
            p_good: r.p_good,
        };
        self.0.into_iter().map(|r| (r.index, judged(r))).collect()
    }
}
