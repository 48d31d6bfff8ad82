//! From a bank of hypotheses to one estimate.

use arrayvec::ArrayVec;
use hereabout_core::geometry::vector::{dot, length, minus, plus};
use hereabout_core::{Dimension, MAX_ANCHORS, TagState, Timestamp};

use super::bank::{MAX_BETWEEN_EPOCHS, MAX_WITHIN_EPOCH};
use super::hypothesis::Hypothesis;
use super::motion::propagate;
use super::{
    PlaceCandidate, RangeOutcome, Support, Track, TrackEstimate, TrackRange, Tracker, TrackerSettings,
};
use crate::math::small_matrix::{Sym, add_outer, at, full, inverse, largest_eigenvalue, quad, times};
use crate::model::protection::{MixtureComponent, PROTECTION_RISK, protection_radius};
use crate::snapshot::RangeJudgement;

/// A range that is shorter by so much is no noise, metres.
const TOO_SHORT_M: f64 = 0.5;

/// Standard deviation of the offsets of boards that nobody calibrated, metres: some centimetres long to tens of centimetres
/// short (common practice, no source).
const UNCALIBRATED_CLAIM_M: f64 = 0.15;
/// By how much the protection radius is larger in space than the error model says: there a place or a scale that is off can
/// hide in height and offsets (found by the site study).
const BEYOND_MODEL_IN_SPACE_RATIO: f64 = 1.2;
/// Anchors that must agree beyond those that check a place, for each that contradicts it.
const OUTVOTES: usize = 2;

/// Place and velocity, with the packed lower triangle of their joint covariance (d + d rows).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct PosVel {
    pub(crate) d: usize,
    pub(crate) state: [f64; 6],
    pub(crate) covariance: [f64; 21],
}

impl PosVel {
    pub(crate) const NONE: PosVel = PosVel { d: 2, state: [0.0; 6], covariance: [0.0; 21] };

    fn of<'a>(hypotheses: impl Iterator<Item = &'a Hypothesis> + Clone, d: usize) -> Option<(f64, PosVel)> {
        let total: f64 = hypotheses.clone().map(|h| h.weight).sum();
        if total.is_nan() || total <= 0.0 {
            return None;
        }
        let mut m = PosVel { d, state: [0.0; 6], covariance: [0.0; 21] };
        for h in hypotheses.clone() {
            for i in 0..2 * d {
                m.state[i] += h.weight / total * h.state[i];
            }
        }
        for h in hypotheses {
            let w = h.weight / total;
            for i in 0..2 * d {
                let gi = h.state[i] - m.state[i];
                for j in 0..=i {
                    m.covariance[at(i, j)] += w * (h.covariance[at(i, j)] + gi * (h.state[j] - m.state[j]));
                }
            }
        }
        Some((total, m))
    }

    pub(crate) fn place(&self, height_m: f64) -> [f64; 3] {
        [self.state[0], self.state[1], if self.d == 3 { self.state[2] } else { height_m }]
    }

    pub(crate) fn velocity(&self) -> [f64; 3] {
        [self.state[self.d], self.state[self.d + 1], if self.d == 3 { self.state[5] } else { 0.0 }]
    }

    pub(crate) fn place_cov(&self) -> Sym {
        let mut c = [0.0; 6];
        let packed = self.d * (self.d + 1) / 2;
        c[..packed].copy_from_slice(&self.covariance[..packed]);
        c
    }

    /// Time passes for a moving tag ([`propagate`]).
    pub(crate) fn drift(&mut self, dt_s: f64, acceleration_m2ps3: f64) {
        propagate(&mut self.state, &mut self.covariance, self.d, 2 * self.d, dt_s, acceleration_m2ps3);
    }
}

/// Residual of a range at a hypothesis's place, and the variance of the predicted range.
pub(super) fn residual(h: &Hypothesis, anchor_m: &[f64; 3], range_m: f64, height_m: f64) -> (f64, f64) {
    let v = minus(h.place(height_m), *anchor_m);
    let distance = length(v).max(1e-3);
    (range_m - distance, quad(&h.place_cov(), h.d, &v.map(|c| c / distance)))
}

/// What the hypotheses say of the tag, whether it counts as lost or not: the next epoch is judged by it.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct BankEstimate {
    /// The instant it is for.
    pub(super) at: Timestamp,
    /// How far it can be trusted. Lost numbers are never published.
    pub(super) state: TagState,
    /// East, north, up, metres.
    pub(super) position_m: [f64; 3],
    /// Metres per second.
    pub(super) velocity_mps: [f64; 3],
    /// m², offsets considered; zero rows for what is not estimated.
    pub(super) covariance_m2: [[f64; 3]; 3],
    /// Radius that holds the truth with 95 %, metres.
    pub(super) radius95_m: f64,
    /// Radius that the error passes with at most [`crate::model::protection::PROTECTION_RISK`], metres.
    pub(super) protection_radius_m: f64,
    /// In the order of the epoch's ranges.
    pub(super) ranges: ArrayVec<RangeOutcome, MAX_ANCHORS>,
    /// Whether more than dimension + 1 anchors gave good ranges within the last second.
    pub(super) checked: bool,
    /// Whether the place was given up for another one with this epoch.
    pub(super) restarted: bool,
    /// Both places when ambiguous, likelier first; else empty.
    pub(super) candidates: ArrayVec<PlaceCandidate, 2>,
    /// Place and velocity with joint covariance before offsets are considered, for the smoother.
    pub(super) moments: PosVel,
    /// Probability that the tag moves.
    pub(super) moving_probability: f64,
    /// Covariance of the place from uncertain offsets alone.
    pub(super) consider_covariance_m2: [f64; 6],
}

impl BankEstimate {
    /// What of it leaves: nothing of a lost tag's place.
    pub(super) fn published(self) -> TrackEstimate {
        let support = match self.state {
            TagState::Located => Some(Support::Located),
            TagState::Coasting => Some(Support::Coasting),
            TagState::Ambiguous => Some(Support::Ambiguous(self.candidates)),
            TagState::Lost => None,
        };
        let track = support.map(|support| Track {
            support,
            position_m: self.position_m,
            velocity_mps: self.velocity_mps,
            covariance_m2: self.covariance_m2,
            radius95_m: self.radius95_m,
            protection_radius_m: self.protection_radius_m,
            checked: self.checked,
            moments: self.moments,
            moving_probability: self.moving_probability,
            consider_covariance_m2: self.consider_covariance_m2,
        });
        TrackEstimate { at: self.at, ranges: self.ranges, restarted: self.restarted, track }
    }
}

/// Nothing is known.
pub(super) fn lost(now: Timestamp) -> BankEstimate {
    BankEstimate {
        at: now,
        state: TagState::Lost,
        position_m: [0.0; 3],
        velocity_mps: [0.0; 3],
        covariance_m2: [[0.0; 3]; 3],
        radius95_m: f64::INFINITY,
        protection_radius_m: f64::INFINITY,
        ranges: ArrayVec::new(),
        checked: false,
        restarted: false,
        candidates: ArrayVec::new(),
        moments: PosVel::NONE,
        moving_probability: 1.0,
        consider_covariance_m2: [0.0; 6],
    }
}

fn plus_sym(a: &Sym, b: &Sym) -> Sym {
    std::array::from_fn(|i| a[i] + b[i])
}

/// The state that age and radius allow for a place without ambiguity.
fn state(now: Timestamp, last_good: Option<Timestamp>, radius95_m: f64, s: &TrackerSettings) -> TagState {
    let Some(last_good) = last_good else { return TagState::Lost };
    let age = now.since(last_good);
    if age > s.lost_after || radius95_m.is_nan() || radius95_m > s.lost_radius95_m {
        TagState::Lost
    } else if age > s.coasting_after {
        TagState::Coasting
    } else {
        TagState::Located
    }
}

/// The last estimate carried on to `now` without another range.
pub(super) fn coast(
    last: &BankEstimate,
    now: Timestamp,
    last_good: Option<Timestamp>,
    settings: &TrackerSettings,
    dimension: Dimension,
) -> BankEstimate {
    let dt = now.since(last.at).secs_f64();
    if dt <= 0.0 {
        return BankEstimate { at: now, restarted: false, ranges: ArrayVec::new(), ..last.clone() };
    }
    if dt > super::FORGET_S || last.state == TagState::Lost {
        return lost(now);
    }
    let mut m = last.moments;
    m.drift(dt, settings.motion.acceleration_m2ps3);
    let before = largest_eigenvalue(&last.moments.place_cov(), m.d).sqrt();
    let cov = plus_sym(&m.place_cov(), &last.consider_covariance_m2);
    let covariance_m2 = full(&cov, m.d);
    let radius95_m = crate::radius95_m(&covariance_m2, dimension);
    let grown = largest_eigenvalue(&m.place_cov(), m.d).sqrt() - before;
    let plain = state(now, last_good, radius95_m, settings);
    let state = match (plain, last.state) {
        (TagState::Lost, _) => TagState::Lost,
        (_, TagState::Ambiguous) => TagState::Ambiguous,
        (TagState::Located, _) if dt <= 1e-6 => TagState::Located,
        _ => TagState::Coasting,
    };
    BankEstimate {
        at: now,
        state,
        position_m: m.place(last.position_m[2]),
        velocity_mps: m.velocity(),
        covariance_m2,
        radius95_m,
        // The Gaussian part widens by `grown`; 4 σ of it keeps the promise in 2D and 3D.
        protection_radius_m: last.protection_radius_m + 4.1 * grown.max(0.0),
        ranges: ArrayVec::new(),
        checked: last.checked,
        restarted: false,
        candidates: last.candidates.clone(),
        moments: m,
        moving_probability: last.moving_probability,
        consider_covariance_m2: last.consider_covariance_m2,
    }
}

impl Tracker {
    /// The estimate after an epoch.
    pub(super) fn publish(&mut self, now: Timestamp, ranges: &[TrackRange]) -> BankEstimate {
        let mut estimate = self.place_of_bank(now);
        for r in ranges.iter().take(estimate.ranges.capacity()) {
            let judgement = self.judge(r, &estimate);
            if let (Some(j), Some(m)) = (judgement, self.memories.get_mut(r.anchor_index)) {
                m.count_short(j.p_good < 0.5 && j.residual_m < -TOO_SHORT_M.max(4.0 * m.sigma_m()));
            }
            estimate.ranges.push(RangeOutcome { anchor_index: r.anchor_index, judgement });
        }
        let against = self.memories.iter().filter(|m| m.contradicts()).count();
        estimate.checked = self.anchors_in_use() >= self.dimension.unknowns() + 2 + OUTVOTES * against;
        estimate
    }

    fn place_of_bank(&mut self, now: Timestamp) -> BankEstimate {
        let d = self.dimension.unknowns();
        let hypotheses = self.bank.hypotheses();
        let Some((main, second)) = heaviest_restarts(hypotheses) else { return lost(now) };
        let of =
            |restart_id: u32| PosVel::of(hypotheses.iter().filter(move |h| h.restart_id == restart_id), d);
        let Some((_, mut m)) = of(main) else { return lost(now) };
        let height = self.height();
        let apart = |h: &Hypothesis| length(minus(h.place(height), m.place(height)));
        // Other restart ids that mean the same place belong to it.
        let near = |h: &&Hypothesis| h.restart_id == main || apart(h) <= self.settings.ambiguous_apart_m;
        if second.is_some()
            && let Some((_, all)) = PosVel::of(hypotheses.iter().filter(near), d)
        {
            m = all;
        }
        let consider_m2 = self.consider_covariance_m2(&m);
        let covariance_m2 = full(&plus_sym(&m.place_cov(), &consider_m2), d);
        let radius95_m = crate::radius95_m(&covariance_m2, self.dimension);
        let mut candidates = ArrayVec::new();
        if let Some((weight, restart_id)) = second
            && let Some((_, other)) = of(restart_id)
            && weight >= self.settings.ambiguous_weight
            && length(minus(other.place(height), m.place(height))) > self.settings.ambiguous_apart_m
        {
            for (weight, m) in [(1.0 - weight, &m), (weight, &other)] {
                let covariance_m2 = full(&plus_sym(&m.place_cov(), &consider_m2), d);
                candidates.push(PlaceCandidate { weight, position_m: m.place(height), covariance_m2 });
            }
        }
        let mut state = state(now, self.last_good_at, radius95_m, &self.settings);
        if !candidates.is_empty() && state != TagState::Lost {
            state = TagState::Ambiguous;
        }
        let restarted = main != self.published_restart_id && candidates.is_empty();
        let estimate = BankEstimate {
            at: now,
            state,
            position_m: m.place(height),
            velocity_mps: m.velocity(),
            covariance_m2,
            radius95_m,
            protection_radius_m: protect(hypotheses, &m.place(height), height, &consider_m2, d),
            ranges: ArrayVec::new(),
            checked: false,
            restarted,
            candidates,
            moments: m,
            moving_probability: hypotheses.iter().filter(|h| h.moving).map(|h| h.weight).sum(),
            consider_covariance_m2: consider_m2,
        };
        if estimate.candidates.is_empty() {
            self.published_restart_id = main;
        }
        estimate
    }

    /// Anchors that gave a good range within about the last second.
    fn anchors_in_use(&self) -> usize {
        self.memories.iter().filter(|m| m.information_per_m2 * m.sigma_m() * m.sigma_m() > 0.3).count()
    }

    /// Covariance of the place from offsets that calibration left uncertain.
    fn consider_covariance_m2(&self, m: &PosVel) -> Sym {
        let d = m.d;
        let place = m.place(self.height());
        let (mut info, mut spread, mut common): (Sym, Sym, [f64; 3]) = ([0.0; 6], [0.0; 6], [0.0; 3]);
        for (i, (a, memory)) in self.anchors.iter().zip(&self.memories).enumerate() {
            let mut u = minus(place, a.at_m);
            let distance = length(u).max(1e-3);
            if d == 2 {
                u[2] = 0.0;
            }
            u = u.map(|c| c / distance);
            add_outer(&mut info, d, &u, memory.information_per_m2);
            add_outer(
                &mut spread,
                d,
                &u,
                memory.information_per_m2 * memory.information_per_m2 * self.claimed_offset_m2(i),
            );
            common = plus(common, u.map(|c| c * memory.information_per_m2 * self.settings.tag_offset_m));
        }
        add_outer(&mut spread, d, &common, 1.0);
        // Ranges of the last second can't pull further than one metre of other knowledge lets them.
        for i in 0..d {
            info[at(i, i)] += 1.0;
        }
        let Some((inv, _)) = inverse(&info, d) else { return [0.0; 6] };
        let mut out = [0.0; 6];
        for i in 0..d {
            let mut row = [0.0; 3];
            row[i] = 1.0;
            let left = times(&spread, d, &times(&inv, d, &row));
            for j in 0..=i {
                let mut col = [0.0; 3];
                col[j] = 1.0;
                out[at(i, j)] = dot(left, times(&inv, d, &col));
            }
        }
        out
    }

    /// Variance of an anchor's own offset that a claim reckons with, m²: where nobody measured it, more than labels are judged by.
    fn claimed_offset_m2(&self, anchor: usize) -> f64 {
        let least = if self.anchors[anchor].offset_se_m.is_none() { UNCALIBRATED_CLAIM_M } else { 0.0 };
        self.offset_m2(anchor).max(least * least)
    }

    /// What the hypotheses say about one range.
    fn judge(&self, r: &TrackRange, estimate: &BankEstimate) -> Option<RangeJudgement> {
        let a = self.anchors.get(r.anchor_index)?;
        if !(r.range_m > 0.0 && r.range_m < 1e6) || self.bank.hypotheses().is_empty() {
            return None;
        }
        let hypotheses = self.bank.hypotheses();
        let p_good: f64 =
            hypotheses.iter().filter(|h| h.good_now.contains(r.anchor_index)).map(|h| h.weight).sum();
        let sigma = self.sigma_m(r.anchor_index);
        let v = minus(estimate.position_m, a.at_m);
        let distance = length(v).max(1e-3);
        let spread = quad(&estimate.moments.place_cov(), estimate.moments.d, &v.map(|c| c / distance));
        let residual_m = r.range_m - distance;
        let sigma2 = sigma * sigma;
        let variance = if p_good > 0.5 { (sigma2 - spread).max(0.01 * sigma2) } else { sigma2 + spread };
        Some(RangeJudgement {
            p_good: p_good.min(1.0),
            residual_m,
            standardised: residual_m / variance.sqrt(),
        })
    }
}

/// The heaviest restart id, and weight and number of the next one.
fn heaviest_restarts(hypotheses: &[Hypothesis]) -> Option<(u32, Option<(f64, u32)>)> {
    let mut sums: ArrayVec<(f64, u32), { MAX_WITHIN_EPOCH + MAX_BETWEEN_EPOCHS }> = ArrayVec::new();
    for h in hypotheses {
        match sums.iter_mut().find(|s| s.1 == h.restart_id) {
            Some(s) => s.0 += h.weight,
            None => sums.push((h.weight, h.restart_id)),
        }
    }
    sums.sort_unstable_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    Some((sums.first()?.1, sums.get(1).copied()))
}

/// Protection radius of the published place over all hypotheses, offsets considered.
fn protect(hypotheses: &[Hypothesis], place_m: &[f64; 3], height_m: f64, consider_m2: &Sym, d: usize) -> f64 {
    let list: ArrayVec<MixtureComponent, { MAX_WITHIN_EPOCH + MAX_BETWEEN_EPOCHS }> = hypotheses
        .iter()
        .map(|h| MixtureComponent {
            weight: h.weight,
            away_m: length(minus(h.place(height_m), *place_m)),
            sigma_m: largest_eigenvalue(&plus_sym(&h.place_cov(), consider_m2), d).max(1e-12).sqrt(),
        })
        .collect();
    let beyond = if d == 3 { BEYOND_MODEL_IN_SPACE_RATIO } else { 1.0 };
    beyond * protection_radius(&list, d, PROTECTION_RISK)
}
