//! One line per anchor and minute of data time: what the last hour's picture is made of.
//!
//! Minutes begin when the second of the day is a multiple of sixty (UTC). A minute with frames ends with a deadline
//! of its own; minutes without frames never begin, so that a gap of a year costs nothing.

use arrayvec::ArrayVec;
use hereabout_core::{AnchorId, MAX_ANCHORS, Micros, Timestamp};

use super::liveness::Heard;
use crate::output::AnchorMinute;

const MINUTE: Micros = Micros::from_millis(60_000);

#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    frames: u32,
    ranges: u32,
    rejected: u32,
    used: u32,
    residual_m: f64,
    residual_m2: f64,
    range_m: f64,
}

/// The minute that is being counted.
#[derive(Clone, Debug, Default)]
pub(crate) struct Minutes {
    from: Option<Timestamp>,
    sums: [Sums; MAX_ANCHORS],
}

impl Minutes {
    /// When the running minute ends.
    pub(crate) fn deadline(&self) -> Option<Timestamp> {
        Some(self.from?.plus(MINUTE))
    }

    /// Begins the minute of `at` if none is running.
    pub(crate) fn wake(&mut self, at: Timestamp) {
        let into = Micros::from_micros(-at.micros().rem_euclid(MINUTE.micros()));
        self.from.get_or_insert(at.plus(into));
    }

    /// Takes in what an epoch said about one anchor.
    pub(crate) fn hear(&mut self, heard: &Heard) {
        let Some(sums) = self.sums.get_mut(heard.anchor) else { return };
        sums.frames += 1;
        let Some(range_m) = heard.range_m else { return };
        sums.ranges += 1;
        sums.range_m += range_m;
        sums.rejected += u32::from(heard.rejected);
        if let Some(r) = heard.used_residual_m {
            sums.used += 1;
            sums.residual_m += r;
            sums.residual_m2 += r * r;
        }
    }

    /// The lines of the minute, when it has ended by `at`.
    pub(crate) fn fire(
        &mut self,
        at: Timestamp,
        ids: impl Iterator<Item = AnchorId>,
    ) -> ArrayVec<AnchorMinute, MAX_ANCHORS> {
        let mut lines = ArrayVec::new();
        if self.deadline().is_none_or(|due| due > at) {
            return lines;
        }
        if let Some(from) = self.from.take() {
            let heard = ids.zip(&self.sums).filter(|(_, s)| s.frames > 0);
            lines.extend(heard.map(|(anchor, sums)| sums.line(from, anchor)));
        }
        self.sums = Default::default();
        lines
    }
}

impl Sums {
    fn line(&self, from: Timestamp, anchor: AnchorId) -> AnchorMinute {
        let used = f64::from(self.used);
        let mean_residual_m = (self.used > 0).then(|| self.residual_m / used);
        let sd_residual_m = mean_residual_m.filter(|_| self.used > 1).map(|mean| {
            let square = (self.residual_m2 - used * mean * mean) / (used - 1.0);
            square.max(0.0).sqrt()
        });
        AnchorMinute {
            from,
            anchor,
            frames: self.frames,
            ranges: self.ranges,
            rejected: self.rejected,
            mean_residual_m,
            sd_residual_m,
            mean_range_m: (self.ranges > 0).then(|| self.range_m / f64::from(self.ranges)),
        }
    }
}
