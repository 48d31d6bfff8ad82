//! Weighs the stories about single anchors against each other and against what concerns all of them (`joint`).

use arrayvec::ArrayVec;
use hereabout_core::{Dimension, MAX_ANCHORS};

use super::hypotheses::{DATA, UNCALIBRATED_M, OPEN_M};
use super::joint::{Blame, Joint};
use super::{Datum, PlaceWatch};

/// A name, and "one of these", need a story about one anchor that beats "nobody" by this, log density; one that was told
/// lasts down to the second.
const GAIN: [f64; 2] = [20.0, 10.0];
/// And every story about all anchors alike by this.
const COMMON: f64 = 8.0;
/// A name must beat every other anchor's story by this.
const AHEAD: f64 = 10.0;
/// The anchors whose stories are behind by less than this are the ones of which one is meant.
const ONE_OF: f64 = 20.0;
/// Starts of the tag's height, metres, and of a scale.
const TAG_UP_M: [f64; 4] = [-1.2, -0.5, 0.5, 1.2];
const SCALES: [f64; 2] = [-0.06, 0.06];

/// What all data say together.
pub(super) struct Verdict {
    /// Score of the best story about each anchor over "nobody"; `None` for those that nothing is asked about.
    gain: [Option<f64>; MAX_ANCHORS],
    /// The same for what concerns all anchors.
    common: f64,
}

impl Verdict {
    fn best(&self) -> Option<(usize, f64)> {
        let all = self.gain.iter().enumerate().filter_map(|(i, g)| Some((i, (*g)?)));
        all.max_by(|a, b| a.1.total_cmp(&b.1))
    }

    /// Whether a story about one anchor stands at all.
    fn stands(&self, was: bool) -> Option<(usize, f64)> {
        self.best().filter(|(_, gain)| *gain >= GAIN[usize::from(was)] && *gain >= self.common + COMMON)
    }

    /// Whether this anchor is to blame.
    pub(super) fn names(&self, anchor: usize) -> bool {
        let Some((best, gain)) = self.stands(false) else { return false };
        let others = self.gain.iter().enumerate().filter(|(i, _)| *i != best);
        best == anchor && others.filter_map(|(_, g)| *g).all(|g| gain >= g + AHEAD)
    }

    /// The anchors of which one is to blame, a bit for each: two at least, or none.
    pub(super) fn suspects(&self, was: bool) -> u16 {
        let Some((best, gain)) = self.stands(was) else { return 0 };
        let others = || self.gain.iter().enumerate().filter(|(i, _)| *i != best);
        let second = others().filter_map(|(_, g)| *g).fold(f64::MIN, f64::max);
        let limit = second.min(gain - ONE_OF);
        let near = self.gain.iter().enumerate().filter(|(_, g)| g.is_some_and(|g| g >= limit));
        near.fold(0, |set, (i, _)| set | 1 << i)
    }
}

impl PlaceWatch {
    /// Tries the stories about all open anchors, on the data since the change of the one that is accused, if one is.
    pub(super) fn try_all(&self, accused: Option<usize>) -> Verdict {
        let joint = self.joint(accused);
        let nobody = joint.score(Blame::Nobody);
        let planar = self.dimension != Dimension::ThreeD;
        let mut verdict = Verdict { gain: [None; MAX_ANCHORS], common: f64::MIN };
        for (i, state) in self.states.iter().enumerate() {
            let Some(judged) = state.judged.filter(|_| state.named.is_none()) else { continue };
            let mut best = joint.score(Blame::Offset { anchor: i });
            let start = judged.stories.moved.at;
            best = best.max(joint.score(Blame::Place { anchor: i, start, only_up: false }));
            if let Some(height) = judged.stories.height {
                let start = height.at;
                best = best.max(joint.score(Blame::Place { anchor: i, start, only_up: true }));
            }
            verdict.gain[i] = Some(best - nobody);
        }
        let heights = TAG_UP_M.into_iter().filter(|_| planar).map(|up_m| Blame::TagHeight { up_m });
        for blame in heights.chain(SCALES.map(|by| Blame::Scale { by })) {
            verdict.common = verdict.common.max(joint.score(blame) - nobody);
        }
        verdict
    }

    fn joint(&self, accused: Option<usize>) -> Joint<'_> {
        let n = self.data.len();
        let oldest = if n < DATA { 0 } else { self.next };
        let from = accused.and_then(|i| {
            let split = self.since_change(i)?;
            self.points(i).get(split).map(|(k, _)| (k + n - oldest) % n.max(1))
        });
        let data: ArrayVec<&Datum, DATA> =
            (from.unwrap_or(0)..n).map(|k| &self.data[(oldest + k) % n.max(1)]).collect();
        let open = self.states.iter().take(self.anchors.len()).enumerate();
        let mut open_m = [UNCALIBRATED_M; MAX_ANCHORS];
        for (to, anchor) in open_m.iter_mut().zip(&self.anchors) {
            *to = anchor.offset_se_m.map_or(UNCALIBRATED_M, |se| se.clamp(OPEN_M, UNCALIBRATED_M));
        }
        Joint {
            data,
            anchors: open.filter(|(_, s)| s.named.is_none()).fold(0, |set, (i, _)| set | 1 << i),
            open_m,
            unknowns: self.dimension.unknowns(),
        }
    }
}
