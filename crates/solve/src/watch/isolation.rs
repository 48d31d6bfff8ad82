//! Weighs the hypotheses about single anchors against each other and against what concerns all of them (`joint`).

use arrayvec::ArrayVec;
use hereabout_core::{AnchorSet, Dimension, MAX_ANCHORS};

use super::hypotheses::{DATA, OPEN_M, UNCALIBRATED_M};
use super::joint::{FaultHypothesis, Joint, Score};
use super::{Datum, PlaceWatch};

/// A hypothesis about one anchor holds when it beats "nobody" by this, log density; among few anchors by the second. In healthy
/// kits with a third of the ranges NLOS and offsets that nobody measured, 60 and 100 are seen now and then, but hardly twice
/// running for the same anchor and ahead of all others.
const MIN_GAIN_NATS: [f64; 2] = [60.0, 100.0];
/// The same where nobody measured the offsets: 150 is seen there once in some tens of hours, and real faults have hundreds.
const MIN_GAIN_UNMEASURED_NATS: [f64; 2] = [170.0, 230.0];
/// And every hypothesis about all anchors alike by this, and by this share of its own gain.
const MIN_LEAD_OVER_COMMON_NATS: f64 = 10.0;
const MIN_LEAD_OVER_COMMON_SHARE: f64 = 0.35;
/// A name must beat every other anchor's hypothesis by this, among few anchors by the second, in so many evaluations running.
const MIN_LEAD_NATS: [f64; 2] = [25.0, 40.0];
const NAME_RUN: u32 = 2;
/// And the hypothesis must call this share of the anchor's data good.
const MIN_GOOD_SHARE: f64 = 0.55;
/// Where the share of good data of the others is this and the single tests point at the same anchor, less will do: gain and
/// lead, and evaluations running.
/// Where every offset was measured, a smaller share.
const MIN_OTHERS_GOOD_SHARE: f64 = 0.75;
const MIN_OTHERS_GOOD_SHARE_MEASURED: f64 = 0.55;
const MIN_SECONDED_GAIN_NATS: [f64; 2] = [60.0, 80.0];
/// The gain where every offset was measured, which leaves a healthy kit less to be taken for a change.
const MIN_SECONDED_GAIN_MEASURED_NATS: [f64; 2] = [25.0, 18.0];
const MIN_SECONDED_LEAD_NATS: f64 = 10.0;
const SECONDED_RUN: [u32; 2] = [1, 2];
/// "One of these": evaluations running to begin, the same where nobody measured the offsets, and the share of the gain that makes
/// it last.
const ONE_OF_RUN: u32 = 3;
const ONE_OF_RUN_UNMEASURED: u32 = 8;
const ONE_OF_LASTS_SHARE: f64 = 0.5;
/// The anchors whose hypotheses are behind by less than this are the ones of which one is meant.
const MAX_LAG_ONE_OF_NATS: f64 = 20.0;
/// Starts of the tag's height, metres.
const TAG_UP_M: [f64; 3] = [-0.8, 0.0, 0.8];

/// What all data say together.
pub(super) struct JointScores {
    /// Score of the best hypothesis about each anchor over "nobody"; `None` for those that nothing is asked about.
    gain_nats: [Option<f64>; MAX_ANCHORS],
    /// The same for what concerns all anchors.
    common_nats: f64,
    /// The best hypothesis about one anchor.
    score: Option<Score>,
    /// Whether the offset of every anchor was measured.
    measured: bool,
}

/// The hypothesis about one anchor that leads on all data, and for how many evaluations running.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct LeadingHypothesis {
    anchor: usize,
    ahead_run: u32,
    clear_run: u32,
    seconded_run: u32,
}

impl LeadingHypothesis {
    /// The anchor to be named.
    pub(super) fn to_name(self, few: bool) -> Option<usize> {
        let named = self.clear_run >= NAME_RUN || self.seconded_run >= SECONDED_RUN[usize::from(few)];
        named.then_some(self.anchor)
    }
}

fn better(a: Score, b: Score) -> Score {
    if b.ln > a.ln { b } else { a }
}

impl JointScores {
    fn best(&self) -> Option<(usize, f64)> {
        let all = self.gain_nats.iter().enumerate().filter_map(|(i, g)| Some((i, (*g)?)));
        all.max_by(|a, b| a.1.total_cmp(&b.1))
    }

    /// By how much the best hypothesis is ahead of all other anchors'.
    fn lead(&self, best: usize, gain: f64) -> f64 {
        let others = self.gain_nats.iter().enumerate().filter(|(i, _)| *i != best);
        others.filter_map(|(_, g)| *g).fold(f64::INFINITY, |lead, g| lead.min(gain - g))
    }

    fn least_gain(&self, few: bool) -> f64 {
        let least = if self.measured { MIN_GAIN_NATS } else { MIN_GAIN_UNMEASURED_NATS };
        least[usize::from(few)]
    }

    /// Whether it is no hypothesis about all of them.
    fn is_of_one(&self, gain: f64) -> bool {
        gain >= self.common_nats + MIN_LEAD_OVER_COMMON_NATS.max(MIN_LEAD_OVER_COMMON_SHARE * gain)
    }

    /// The leading hypothesis with these scores: for how many evaluations running a hypothesis holds, and for how many that of this
    /// anchor is clear of all others. `witnessed` is the one that the single tests point at.
    pub(super) fn follow(
        &self,
        was: Option<LeadingHypothesis>,
        witnessed: Option<usize>,
        few: bool,
    ) -> Option<LeadingHypothesis> {
        let n = usize::from(few);
        let (anchor, gain) = self.best().filter(|(_, gain)| self.is_of_one(*gain))?;
        let lead = self.lead(anchor, gain);
        let good = self.score.is_some_and(|s| 1.0 - s.nlos_share[anchor] >= MIN_GOOD_SHARE);
        let (few_nlos, enough) = match self.measured {
            true => (MIN_OTHERS_GOOD_SHARE_MEASURED, MIN_SECONDED_GAIN_MEASURED_NATS[n]),
            false => (MIN_OTHERS_GOOD_SHARE, MIN_SECONDED_GAIN_NATS[n]),
        };
        let seconded = witnessed == Some(anchor) && self.others_good(anchor) >= few_nlos;
        let is_seconded = seconded && gain >= enough && lead >= MIN_SECONDED_LEAD_NATS;
        let accepted = gain >= self.least_gain(few);
        if !accepted && !is_seconded {
            return None;
        }
        let was = was.unwrap_or(LeadingHypothesis { anchor, ahead_run: 0, clear_run: 0, seconded_run: 0 });
        let run = |holds: bool, was: u32| if holds { was + 1 } else { 0 };
        let same = |n: u32| if was.anchor == anchor { n } else { 0 };
        Some(LeadingHypothesis {
            anchor,
            ahead_run: run(accepted, was.ahead_run),
            clear_run: run(accepted && good && lead >= MIN_LEAD_NATS[n], same(was.clear_run)),
            seconded_run: run(good && is_seconded, same(was.seconded_run)),
        })
    }

    /// Mean share of good data of all but this anchor.
    fn others_good(&self, anchor: usize) -> f64 {
        let Some(score) = self.score else { return 0.0 };
        let others = || self.gain_nats.iter().enumerate().filter(|(i, g)| *i != anchor && g.is_some());
        let good: f64 = others().map(|(i, _)| 1.0 - score.nlos_share[i]).sum();
        good / others().count().max(1) as f64
    }

    /// Whether one of several is faulty.
    pub(super) fn is_one_of(&self, leading: Option<LeadingHypothesis>, reported: bool, few: bool) -> bool {
        let run = if self.measured { ONE_OF_RUN } else { ONE_OF_RUN_UNMEASURED };
        let lasts = |(_, gain): (usize, f64)| {
            reported && gain >= ONE_OF_LASTS_SHARE * self.least_gain(few) && self.is_of_one(gain)
        };
        leading.is_some_and(|b| b.ahead_run >= run) || self.best().is_some_and(lasts)
    }

    /// The anchors of which one is faulty: two at least.
    pub(super) fn candidates(&self) -> AnchorSet {
        let Some((best, gain)) = self.best() else { return AnchorSet::EMPTY };
        let others = self.gain_nats.iter().enumerate().filter(|(i, _)| *i != best);
        let second = others.filter_map(|(_, g)| *g).fold(f64::MIN, f64::max);
        let limit = second.min(gain - MAX_LAG_ONE_OF_NATS);
        let near = self.gain_nats.iter().enumerate().filter(|(_, g)| g.is_some_and(|g| g >= limit));
        near.map(|(i, _)| i).collect()
    }
}

impl PlaceWatch {
    /// Tries the hypotheses about all open anchors, on the data since the change of the one that may be faulty, if one is.
    /// What is usual at each spot may hold a wrong offset in part, and without it multipath looks like a change: a hypothesis has
    /// to stand both ways.
    pub(super) fn joint_scores(&self, faulty: Option<usize>) -> JointScores {
        let mut joint = self.joint(faulty);
        let mut scores = self.try_with(&joint);
        joint.raw = true;
        let raw = self.try_with(&joint);
        for (gain, other) in scores.gain_nats.iter_mut().zip(raw.gain_nats) {
            *gain = gain.zip(other).map(|(a, b)| a.min(b));
        }
        scores.common_nats = scores.common_nats.max(raw.common_nats);
        scores
    }

    fn try_with(&self, joint: &Joint<'_>) -> JointScores {
        let nobody = joint.score(FaultHypothesis::Nobody).ln;
        let planar = self.dimension != Dimension::ThreeD;
        let measured = self.anchors.iter().all(|a| a.offset_se_m.is_some());
        let mut scores =
            JointScores { gain_nats: [None; MAX_ANCHORS], common_nats: f64::MIN, score: None, measured };
        for (i, state) in self.states.iter().enumerate() {
            let Some(judged) = state.evaluation.filter(|_| state.named.is_none()) else { continue };
            let mut best = joint.score(FaultHypothesis::Offset { anchor: i });
            let start = judged.hypotheses.moved.at;
            best = better(best, joint.score(FaultHypothesis::Place { anchor: i, start, only_up: false }));
            if let Some(height) = judged.hypotheses.height {
                let start = height.at;
                best = better(best, joint.score(FaultHypothesis::Place { anchor: i, start, only_up: true }));
            }
            scores.gain_nats[i] = Some(best.ln - nobody);
            if scores.best().is_some_and(|(b, _)| b == i) {
                scores.score = Some(best);
            }
        }
        let heights = TAG_UP_M.into_iter().filter(|_| planar).map(|up_m| FaultHypothesis::TagHeight { up_m });
        for hypothesis in heights.chain([FaultHypothesis::Scale { by_share: 0.0 }]) {
            scores.common_nats = scores.common_nats.max(joint.score(hypothesis).ln - nobody);
        }
        scores
    }

    fn joint(&self, faulty: Option<usize>) -> Joint<'_> {
        let n = self.data.len();
        let oldest = if n < DATA { 0 } else { self.next };
        let from = faulty.and_then(|i| {
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
            anchors: open.filter(|(_, s)| s.named.is_none()).map(|(i, _)| i).collect(),
            open_m,
            unknowns: self.dimension.unknowns(),
            raw: false,
        }
    }
}
