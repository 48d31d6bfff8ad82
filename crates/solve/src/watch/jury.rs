//! Weighs the stories about single anchors against each other and against what concerns all of them (`joint`).

use arrayvec::ArrayVec;
use hereabout_core::{Dimension, MAX_ANCHORS};

use super::hypotheses::{DATA, UNCALIBRATED_M, OPEN_M};
use super::joint::{Blame, Joint};
use super::{Datum, PlaceWatch};

/// A story about one anchor stands when it beats "nobody" by this, log density; among few anchors by the second.
const GAIN: [f64; 2] = [30.0, 45.0];
/// And every story about all anchors alike by this, and by this share of its own gain.
const COMMON: f64 = 10.0;
const COMMON_SHARE: f64 = 0.35;
/// A name must beat every other anchor's story by this.
const AHEAD: f64 = 10.0;
/// Without the witness of the single tests: gain, lead, and evaluations running.
const ALONE: f64 = 55.0;
const ALONE_AHEAD: f64 = 25.0;
const ALONE_RUN: u32 = 2;
/// "One of these": the same to begin and to last.
const ONE_OF_GAIN: [f64; 2] = [45.0, 20.0];
const ONE_OF_RUN: u32 = 3;
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

    /// By how much the best story is ahead of all other anchors'.
    fn lead(&self, best: usize, gain: f64) -> f64 {
        let others = self.gain.iter().enumerate().filter(|(i, _)| *i != best);
        others.filter_map(|(_, g)| *g).fold(f64::INFINITY, |lead, g| lead.min(gain - g))
    }

    /// Whether it is no story about all of them.
    fn is_of_one(&self, gain: f64) -> bool {
        gain >= self.common + COMMON.max(COMMON_SHARE * gain)
    }

    /// The anchor that is blamed with this verdict, and for how many running.
    pub(super) fn follow(&self, was: Option<(usize, u32)>, few: bool) -> Option<(usize, u32)> {
        let (best, gain) = self.best()?;
        let stands = gain >= GAIN[usize::from(few)] && self.is_of_one(gain);
        let run = was.filter(|(i, _)| *i == best).map_or(0, |(_, run)| run);
        stands.then_some((best, run + 1))
    }

    /// The anchor that is to blame: with the single tests' witness, or by itself when that is clear and lasts.
    pub(super) fn name(
        &self,
        blamed: Option<(usize, u32)>,
        witnessed: Option<usize>,
        few: bool,
    ) -> Option<usize> {
        let (anchor, run) = blamed?;
        let (best, gain) = self.best()?;
        let lead = self.lead(best, gain);
        let seconded = witnessed == Some(anchor) && lead >= AHEAD && (!few || run >= ALONE_RUN);
        let alone = run >= ALONE_RUN && gain >= ALONE && lead >= ALONE_AHEAD;
        (best == anchor && (seconded || alone)).then_some(anchor)
    }

    /// Whether one of several is to blame.
    pub(super) fn is_one_of(&self, blamed: Option<(usize, u32)>, told: bool) -> bool {
        let Some((_, gain)) = self.best().filter(|(_, gain)| self.is_of_one(*gain)) else { return false };
        let lasts = blamed.is_some_and(|(_, run)| run >= ONE_OF_RUN) || told;
        lasts && gain >= ONE_OF_GAIN[usize::from(told)]
    }

    /// The anchors of which one is to blame, a bit for each: two at least.
    pub(super) fn suspects(&self) -> u16 {
        let Some((best, gain)) = self.best() else { return 0 };
        let others = self.gain.iter().enumerate().filter(|(i, _)| *i != best);
        let second = others.filter_map(|(_, g)| *g).fold(f64::MIN, f64::max);
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
