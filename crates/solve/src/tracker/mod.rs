//! Where a tag is and how it moves, from epochs of any number of ranges at any rate.
//!
//! **Model.** The tag either stands (its place creeps by millimetres) or moves with white-noise
//! acceleration. Each anchor is either good (range = distance + N(0, σ²)) or NLOS (a delay comes on top, which
//! wanders by centimetres per frame); people and shelves keep an anchor NLOS for a
//! second or two, so labels persist. Any single reading may be wild. Which label sequence is true is not
//! known, and a filter that decides too early follows the NLOS anchors away while claiming centimetres.
//! So a small *bank* of hypotheses is kept: each is a choice of labels and motion with a Gaussian over
//! `[place, velocity, delay of each NLOS anchor]` (extended Kalman filter, scalar updates), weighted by how
//! well it predicted the ranges so far.
//!
//! **An epoch** ([`Tracker::update`]). Time passes (still or moving, `bank`); range by range every hypothesis
//! branches and the heaviest sixteen live; at the end equal labels are joined and eight stay. From the
//! hypotheses' labels the tracker learns σ per anchor and how often labels change (`learning`).
//!
//! **Start and restart.** Hypotheses start at the places of a [`crate::snapshot`] over the newest range of
//! each anchor. When the ranges contradict all hypotheses and a snapshot in which more than dimension + 1
//! ranges agree explains them far better, the tag has jumped, or the whole frame is wrong. Both are kept
//! as hypotheses of two restart ids; the next ranges decide. When the published restart id changes,
//! [`TrackEstimate::restarted`] says so.
//!
//! **Published** is the mixture's mean with the moment-matched covariance, plus a *consider* part for what
//! calibration left in the offsets: A⁻¹·(Σ gᵢ²·bᵢ²·uᵢuᵢᵀ)·A⁻¹ with A = Σ gᵢ·uᵢuᵢᵀ, where gᵢ is the information
//! that anchor i gave within the last second and bᵢ the standard error of its offset. Offsets are systematic: no amount
//! of averaging removes them, and without this part ellipses hold the truth in 70-80 % instead of 95 %.
//!
//! **Assumptions.** Ranges are corrected for offset and scale; anchors stand still; one tag per tracker.
//! Time comes with the data: repeated stamps are one instant, stamps that go back by more than a second
//! start over.
//!
//! **Source.** Multiple hypotheses and motion mixing: Bar-Shalom, Li & Kirubarajan, *Estimation with
//! Applications to Tracking and Navigation* (2001), from memory; consider covariance: Schmidt (1966), from
//! memory. The labels, the restart and the tuning are the project's own.

mod bank;
mod hypothesis;
mod learning;
mod motion;
mod publish;
mod restart;
pub mod smoother;

use arrayvec::ArrayVec;
use hereabout_core::{Dimension, Fence, MAX_ANCHORS, Micros, TagState, Timestamp};

pub use motion::Motion;
pub(crate) use publish::PosVel;

use crate::model::error_model::ErrorModel;
use crate::snapshot::{RangeJudgement, fence_ln};
use bank::{Bank, RangeEvidence, Reading};
use learning::{AnchorMemory, LabelCounts, Memories};
use restart::Window;

/// How the tracker works; the defaults are one tuning for every kit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrackerSettings {
    /// The error density of new delays and wild readings.
    pub model: ErrorModel,
    /// How tags move.
    pub motion: Motion,
    /// Standard error of an offset that was never calibrated, metres.
    pub uncalibrated_offset_m: f64,
    /// Spread of the part of a range error that stays for seconds (multipath of a place, heading of the
    /// tag): added to the standard error of every offset. Metres.
    pub slow_error_m: f64,
    /// The same for the part that all ranges of a tag have in common, metres.
    pub tag_offset_m: f64,
    /// σ of a good range is never taken as smaller than this, metres.
    pub min_sigma_m: f64,
    /// Without a good range for this long the tag is coasting.
    pub coasting_after: Micros,
    /// Without a good range for this long the tag is lost.
    pub lost_after: Micros,
    /// With a 95 % radius above this the tag is lost, metres.
    pub lost_radius95_m: f64,
    /// A second place of at least this weight, …
    pub ambiguous_weight: f64,
    /// … at least this far away, makes the state ambiguous. Metres.
    pub ambiguous_apart_m: f64,
}

impl Default for TrackerSettings {
    fn default() -> TrackerSettings {
        TrackerSettings {
            model: ErrorModel::default(),
            motion: Motion::default(),
            uncalibrated_offset_m: 0.10,
            slow_error_m: 0.04,
            tag_offset_m: 0.08,
            min_sigma_m: 0.055,
            coasting_after: Micros::from_millis(500),
            lost_after: Micros::from_millis(3_000),
            lost_radius95_m: 2.0,
            ambiguous_weight: 0.1,
            ambiguous_apart_m: 1.0,
        }
    }
}

/// What the tracker must know about an anchor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrackerAnchor {
    /// Its place, metres.
    pub at_m: [f64; 3],
    /// Start value for the standard deviation of a good range, metres.
    pub range_sigma_m: f64,
    /// Standard error of its offset, metres; `None` when it was never calibrated.
    pub offset_se_m: Option<f64>,
}

/// One corrected range.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrackRange {
    /// Index into the tracker's anchors.
    pub anchor_index: usize,
    /// Metres.
    pub range_m: f64,
}

/// What became of one range.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RangeOutcome {
    /// Index into the tracker's anchors.
    pub anchor_index: usize,
    /// Probability of being good, residual and standardised residual; `None` for a number that can't be
    /// a range, an anchor that doesn't exist, or before there is a place.
    pub judgement: Option<RangeJudgement>,
}

/// One of two places that both fit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlaceCandidate {
    /// Share of the belief.
    pub weight: f64,
    /// East, north, up, metres.
    pub position_m: [f64; 3],
    /// m²; zero rows for what is not estimated.
    pub covariance_m2: [[f64; 3]; 3],
}

/// Where the tag is, as far as anybody knows.
#[derive(Clone, Debug, PartialEq)]
pub struct TrackEstimate {
    /// The instant it is for.
    pub at: Timestamp,
    /// In the order of the epoch's ranges.
    pub ranges: ArrayVec<RangeOutcome, MAX_ANCHORS>,
    /// Whether the place was given up for another one with this epoch.
    pub restarted: bool,
    /// The track; `None` when the tag is lost.
    pub track: Option<Track>,
}

impl TrackEstimate {
    /// How far it can be trusted.
    pub fn state(&self) -> TagState {
        match self.track.as_ref().map(|t| &t.support) {
            Some(Support::Located) => TagState::Located,
            Some(Support::Coasting) => TagState::Coasting,
            Some(Support::Ambiguous(_)) => TagState::Ambiguous,
            None => TagState::Lost,
        }
    }

    /// Both places when ambiguous, likelier first; else empty.
    pub fn candidates(&self) -> &[PlaceCandidate] {
        match self.track.as_ref().map(|t| &t.support) {
            Some(Support::Ambiguous(candidates)) => candidates,
            Some(Support::Located | Support::Coasting) | None => &[],
        }
    }
}

/// What a track rests on.
#[derive(Clone, Debug, PartialEq)]
#[expect(clippy::large_enum_variant, reason = "one for each tag: a box would only add work")]
pub enum Support {
    /// Ranges of this instant.
    Located,
    /// A prediction from earlier ranges.
    Coasting,
    /// Two places fit, likelier first; the numbers of the track are those of the likelier one.
    Ambiguous(ArrayVec<PlaceCandidate, 2>),
}

/// Place and velocity of a tag that is not lost.
#[derive(Clone, Debug, PartialEq)]
pub struct Track {
    /// What it rests on.
    pub support: Support,
    /// East, north, up, metres.
    pub position_m: [f64; 3],
    /// Metres per second.
    pub velocity_mps: [f64; 3],
    /// m², offsets considered; zero rows for what is not estimated.
    pub covariance_m2: [[f64; 3]; 3],
    /// Radius that holds the truth with 95 %, metres.
    pub radius95_m: f64,
    /// Radius that the error passes with at most [`crate::model::protection::PROTECTION_RISK`], metres.
    pub protection_radius_m: f64,
    /// Whether more than dimension + 1 anchors gave good ranges within the last second.
    pub checked: bool,
    /// Place and velocity with joint covariance before offsets are considered, for the smoother.
    pub(crate) moments: PosVel,
    /// Probability that the tag moves.
    pub(crate) moving_probability: f64,
    /// Covariance of the place from uncertain offsets alone.
    pub(crate) consider_covariance_m2: [f64; 6],
}

/// What was learned about an anchor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AnchorStats {
    /// Standard deviation of its good ranges, metres.
    pub sigma_m: f64,
    /// Share of its recent ranges that were NLOS or wild; `None` before the first one.
    pub nlos_share: Option<f64>,
    /// Ranges taken in so far.
    pub readings: u64,
}

/// Follows one tag. See the module's prose.
#[derive(Clone, Debug)]
pub struct Tracker {
    settings: TrackerSettings,
    dimension: Dimension,
    fence: Fence,
    anchors: ArrayVec<TrackerAnchor, MAX_ANCHORS>,
    bank: Bank,
    memories: Memories,
    counts: LabelCounts,
    window: Window,
    last_at: Option<Timestamp>,
    last_good_at: Option<Timestamp>,
    last_restart_id: u32,
    published_restart_id: u32,
    /// What was published last, for predictions.
    last: Option<publish::BankEstimate>,
}

/// Longer than this without any input: what was known about the place is worth nothing.
const FORGET_S: f64 = 20.0;

impl Tracker {
    /// A tracker that knows nothing yet. Anchors beyond [`MAX_ANCHORS`] are ignored.
    ///
    /// Allocates all the memory that it will ever use.
    pub fn new(
        settings: TrackerSettings,
        dimension: Dimension,
        fence: &Fence,
        anchors: &[TrackerAnchor],
    ) -> Tracker {
        let height = match dimension {
            Dimension::TwoD { tag_height_m } => tag_height_m,
            Dimension::ThreeD => 0.0,
        };
        let anchors: ArrayVec<TrackerAnchor, MAX_ANCHORS> =
            anchors.iter().take(MAX_ANCHORS).copied().collect();
        let places: ArrayVec<[f64; 3], MAX_ANCHORS> = anchors.iter().map(|a| a.at_m).collect();
        Tracker {
            settings,
            dimension,
            fence: fence.clone(),
            bank: Bank::new(dimension.unknowns(), height),
            memories: anchors.iter().map(|a| AnchorMemory::new(sane_sigma(a.range_sigma_m))).collect(),
            counts: LabelCounts::start(),
            window: Window::new(&places, dimension),
            anchors,
            last_at: None,
            last_good_at: None,
            last_restart_id: 0,
            published_restart_id: 0,
            last: None,
        }
    }

    /// What was learned about an anchor; `None` for an index beyond the anchors.
    pub fn anchor_stats(&self, anchor_index: usize) -> Option<AnchorStats> {
        let m = self.memories.get(anchor_index)?;
        Some(AnchorStats { sigma_m: m.sigma_m(), nlos_share: m.nlos_share(), readings: m.readings })
    }

    /// When a good range last supported the place; `None` before the first one and after giving it up.
    pub fn last_good_at(&self) -> Option<Timestamp> {
        self.last_good_at
    }

    /// Takes in the ranges of one instant (possibly none) and says where the tag is.
    ///
    /// Numbers that can't be ranges are skipped; of two ranges of one anchor the first one counts.
    /// A stamp before the newest one counts as that one, more than a second before it starts over.
    pub fn update(&mut self, at: Timestamp, ranges: &[TrackRange]) -> TrackEstimate {
        let at = self.pass_time(at);
        let readings = self.readings(at, ranges);
        if self.bank.hypotheses().is_empty() {
            for r in &readings {
                self.window.note(r.anchor, at, r.range_m, 0.0);
            }
            self.start(at);
        } else {
            let mut taken: ArrayVec<RangeEvidence, MAX_ANCHORS> = ArrayVec::new();
            for r in &readings {
                let t = self.bank.take(r, &self.settings.model);
                self.window.note(r.anchor, at, r.range_m, t.ln);
                taken.push(t);
            }
            if !readings.is_empty() {
                self.bank.settle();
                if !self.restart_if_contradicted(at) {
                    self.learn(&readings, &taken);
                }
            }
        }
        let estimate = self.publish(at, ranges);
        self.last = Some(estimate.clone());
        estimate.published()
    }

    /// Where the tag would be at `at` without another range. Changes nothing.
    pub fn predict(&self, at: Timestamp) -> TrackEstimate {
        match &self.last {
            Some(last) => {
                publish::coast(last, at, self.last_good_at, &self.settings, self.dimension).published()
            }
            None => publish::lost(at).published(),
        }
    }

    /// Moves the hypotheses to the instant of this input and gives the instant that it counts for.
    fn pass_time(&mut self, at: Timestamp) -> Timestamp {
        let Some(last) = self.last_at else {
            self.last_at = Some(at);
            return at;
        };
        let dt = at.since(last).secs_f64();
        if !(-1.0..FORGET_S).contains(&dt) {
            self.forget();
            self.last_at = Some(at);
            return at;
        }
        self.bank.pass(dt.max(0.0), &self.settings.motion);
        if dt > 0.0 && !self.fence.is_open() {
            let height = self.height();
            let (fence, strength) = (&self.fence, (dt / 0.5).min(1.0));
            self.bank.reweigh(|h| (strength * fence_ln(fence, h.place(height)).max(-500.0)).exp());
        }
        let fade = (-dt.max(0.0)).exp();
        self.memories.iter_mut().for_each(|m| m.fade(fade));
        let now = at.max(last);
        self.last_at = Some(now);
        now
    }

    /// Gives up the place; what was learned about the anchors stays.
    fn forget(&mut self) {
        self.bank.clear();
        self.window.clear();
        self.last = None;
        self.last_good_at = None;
        self.memories.iter_mut().for_each(|m| m.fade(0.0));
    }

    fn height(&self) -> f64 {
        match self.dimension {
            Dimension::TwoD { tag_height_m } => tag_height_m,
            Dimension::ThreeD => 0.0,
        }
    }

    /// The ranges that can be ranges, with everything the bank needs.
    fn readings(&self, at: Timestamp, ranges: &[TrackRange]) -> ArrayVec<Reading, MAX_ANCHORS> {
        let mut out: ArrayVec<Reading, MAX_ANCHORS> = ArrayVec::new();
        // Wild readings are a share of all, not only of the bad ones.
        let wild = self.settings.model.nlos_share * self.settings.model.wild_share;
        for r in ranges {
            let i = r.anchor_index;
            let Some(anchor) = self.anchors.get(i) else { continue };
            let usable = r.range_m > 0.0 && r.range_m < 1e6 && anchor.at_m.iter().all(|c| c.abs() < 1e6);
            if !usable || out.iter().any(|o| o.anchor == i) || out.is_full() {
                continue;
            }
            let gap = self.window.age_s(i, at).unwrap_or(FORGET_S).clamp(0.0, FORGET_S);
            let walk = self.settings.motion.delay_walk_m;
            out.push(Reading {
                anchor: i,
                anchor_m: anchor.at_m,
                range_m: r.range_m,
                sigma_m: self.sigma_m(i),
                offset_m2: self.offset_m2(i),
                walk_m2: (walk * walk * gap / 0.1).min(1.0),
                rates: self.counts.rates(gap, wild),
            });
        }
        out
    }

    /// The σ that the filter takes for an anchor, metres.
    fn sigma_m(&self, anchor: usize) -> f64 {
        self.memories[anchor].sigma_m().max(self.settings.min_sigma_m)
    }

    /// Variance of an anchor's own offset: calibration and place, m².
    fn offset_m2(&self, anchor: usize) -> f64 {
        let se = self.anchors[anchor].offset_se_m.unwrap_or(self.settings.uncalibrated_offset_m);
        let se = if se.is_finite() { se.clamp(0.0, 5.0) } else { 1.0 };
        se * se + self.settings.slow_error_m * self.settings.slow_error_m
    }

    /// Learns from the epoch's labels.
    fn learn(&mut self, readings: &[Reading], taken: &[RangeEvidence]) {
        let height = self.height();
        for (r, t) in readings.iter().zip(taken) {
            self.counts.fade();
            let (mut p_good, mut square) = (0.0, 0.0);
            for h in self.bank.hypotheses().iter().filter(|h| h.weight > 1e-3) {
                if h.good_now.contains(r.anchor) {
                    let (e, spread) = publish::residual(h, &r.anchor_m, r.range_m, height);
                    p_good += h.weight;
                    square += h.weight * (e * e + spread);
                }
                if !h.wild_now.contains(r.anchor) {
                    let fresh = h.fresh_now.contains(r.anchor);
                    let (was_nlos, is_nlos) = (h.was_nlos.contains(r.anchor), h.nlos.contains(r.anchor));
                    self.counts.count(was_nlos, is_nlos, fresh, h.weight);
                }
            }
            let m = &mut self.memories[r.anchor];
            if p_good > 1e-3 {
                m.noise(p_good, square / p_good);
            }
            m.short(t.short_weight_and_m2.0, t.short_weight_and_m2.1);
            m.heard(p_good);
            m.information_per_m2 += p_good / (r.sigma_m * r.sigma_m);
            if p_good > 0.5 {
                self.last_good_at = self.last_at;
            }
        }
    }
}

/// A start value that the filter can live with.
fn sane_sigma(sigma_m: f64) -> f64 {
    if sigma_m.is_finite() && sigma_m > 0.0 { sigma_m.clamp(0.02, 3.0) } else { 0.1 }
}

#[cfg(test)]
mod tests;
