//! One check of everything that was kept: all hypotheses in turn, a small step of work at a time.
//!
//! ```text
//! nominal → scale, tag height → (gross: units, other sites, mirrored heights, orders) → anchors one by one: height, place
//!         → pairs of places → orders that look the same as the best one → a leading scale from near by and held off
//!         → nominal again from the winner's offsets
//! ```
//!
//! Gross means explained < .6 or more than 1.5 % too short. An anchor is tried alone when less than 60 % of its ranges are
//! explained, when it is gross, or when something about all anchors leads; the orders come after them when a single one leads. Penalties are nats; all figures found by the study.

use arrayvec::ArrayVec;
use hereabout_core::{AnchorSet, Fence, MAX_ANCHORS};

use super::anchor_search::AnchorSearch;
use super::density::SIGMA_M;
use super::keyframes::{Keyframe, Keyframes, MAX_KEYFRAMES, Noise};
use super::model::{Model, locate, price};
use super::orders::{
    ALL_ORDERS, Costs, Order, STRAIGHT, add_costs, assign, is_reversed, listed, moved, one_swap, ordered,
    triple, try_triple,
};
use super::stated_site::StatedSite;
use super::trial::{FreeParameters, Trial, TrialScore};
use crate::model::congruence::congruences;

/// What a hypothesis is about.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Kind {
    Nominal,
    Unit(usize),
    Scale,
    TagUp,
    Mirrored,
    Other(usize),
    Order(Order),
    Up(usize),
    Place(usize),
    Two(usize, usize),
    /// Not a hypothesis: the track without one or two anchors.
    Without(usize, usize),
}

/// True metres per metre as taken, for wrong units: powers of ten, and feet.
pub(super) const UNIT_RATIOS: [f64; 8] = [10.0, 0.1, 100.0, 0.01, 1000.0, 0.001, 0.3048, 1.0 / 0.3048];
/// Factors that are looked at on a few keyframes when the misfit is gross.
const SCALE_RATIOS: [f64; 16] =
    [0.5, 0.57, 0.65, 0.72, 0.78, 0.83, 0.88, 0.94, 1.06, 1.12, 1.18, 1.25, 1.34, 1.45, 1.6, 1.9];
/// Factors on a leading scale from which it is tried again.
const POLISH_RATIOS: [f64; 4] = [1.04, 0.96, 1.02, 1.06];
/// Factors on the leading scale that must do worse before it is reported.
const HELD_OFF_RATIOS: [f64; 4] = [1.045, 0.955, 1.09, 0.92];
const TAG_UP_STARTS_M: [f64; 4] = [-1.2, -0.5, 0.5, 1.2];
/// Most anchors among which pairs are tried.
const MAX_IN_PAIRS: usize = 6;
/// What something about all anchors must bring before each of them is tried alone as well, and a single one before orders are.
const MIN_LEAD_FOR_RIVALS_NATS: f64 = 10.0;
const MAX_FEW: usize = 12;
const MAX_FOUND: usize = 72;

/// A hypothesis that was tried in full.
#[derive(Clone, Copy, Debug)]
pub(super) struct TriedHypothesis {
    pub(super) kind: Kind,
    pub(super) model: Model,
    pub(super) worth: TrialScore,
    /// Σ ln f less the penalty for what the hypothesis frees, nats.
    pub(super) score_nats: f64,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Phase {
    Idle,
    Nominal,
    Mild(usize),
    Units(usize),
    Listed(usize),
    Search(usize),
    Closer(usize),
    Queue(usize),
    Alone(usize),
    Seek(usize, usize),
    Raise(usize),
    Pair(usize),
    PairSeek(usize, usize, usize),
    OneMoreSwap(usize),
    BestSwap,
    LookAlikes(usize),
    Polish(usize),
    NominalAgain,
    Done,
}

/// A model that is looked at on a few keyframes.
#[derive(Clone, Copy, Debug)]
struct Screening {
    kind: Kind,
    model: Model,
    k: usize,
    score_nats: f64,
    costs: Costs,
}

/// A hypothesis that waits for its trial.
#[derive(Clone, Copy, Debug)]
struct QueuedHypothesis {
    kind: Kind,
    model: Model,
    score_nats: f64,
}

/// The check; see the module.
#[derive(Clone, Debug)]
pub(super) struct Check {
    pub(super) frames: ArrayVec<Keyframe, MAX_KEYFRAMES>,
    few: ArrayVec<Keyframe, MAX_FEW>,
    noise_m: f64,
    phase: Phase,
    running: Option<Kind>,
    trial: Box<Trial>,
    screening: Option<Box<Screening>>,
    spare: Option<Box<Screening>>,
    pub(super) found: Vec<TriedHypothesis>,
    nominal_spots_m: Box<[[f64; 3]; MAX_KEYFRAMES]>,
    pub(super) best_spots_m: Box<[[f64; 3]; MAX_KEYFRAMES]>,
    best_at: Option<usize>,
    track: Box<(Model, [[f64; 3]; MAX_KEYFRAMES])>,
    sought_m_nats: Option<([f64; 3], f64)>,
    sought_first_m: [f64; 3],
    units: ArrayVec<QueuedHypothesis, 3>,
    scales: ArrayVec<QueuedHypothesis, 2>,
    orders: ArrayVec<QueuedHypothesis, 4>,
    searched: ArrayVec<(Order, f64), 8>,
    rest: ArrayVec<QueuedHypothesis, 8>,
    /// The orders are tried after the single anchors, because one of those leads.
    orders_after_anchors: bool,
    congruences: Vec<ArrayVec<u8, MAX_ANCHORS>>,
}

/// What an hypothesis costs before any range is looked at, nats.
pub(super) fn penalty(site: &StatedSite, kind: &Kind) -> f64 {
    let extra = if site.d == 3 { 3.0 } else { 0.0 };
    match kind {
        Kind::Nominal | Kind::Without(..) => 0.0,
        Kind::Unit(_) => 3.0,
        Kind::Scale | Kind::TagUp | Kind::Mirrored => 4.0,
        Kind::Up(_) => 5.0,
        Kind::Other(_) => 6.0,
        Kind::Order(o) if one_swap(site.n, o).is_some() || is_reversed(site.n, o) => 8.0,
        Kind::Place(_) => 10.0 + extra,
        Kind::Order(_) => 12.0,
        Kind::Two(..) => 22.0 + 2.0 * extra,
    }
}

impl Check {
    pub(super) fn new(site: &StatedSite) -> Check {
        let stated = Model::stated(site);
        let blank = Screening {
            kind: Kind::Nominal,
            model: stated,
            k: 0,
            score_nats: 0.0,
            costs: [[0.0; MAX_ANCHORS]; MAX_ANCHORS],
        };
        Check {
            frames: ArrayVec::new(),
            few: ArrayVec::new(),
            noise_m: 0.0,
            phase: Phase::Idle,
            running: None,
            trial: Box::new(Trial::new(site)),
            screening: None,
            spare: Some(Box::new(blank)),
            found: Vec::with_capacity(MAX_FOUND),
            nominal_spots_m: Box::new([[0.0; 3]; MAX_KEYFRAMES]),
            best_spots_m: Box::new([[0.0; 3]; MAX_KEYFRAMES]),
            best_at: None,
            track: Box::new((stated, [[0.0; 3]; MAX_KEYFRAMES])),
            sought_m_nats: None,
            sought_first_m: [0.0; 3],
            units: ArrayVec::new(),
            scales: ArrayVec::new(),
            orders: ArrayVec::new(),
            searched: ArrayVec::new(),
            rest: ArrayVec::new(),
            orders_after_anchors: false,
            congruences: congruences(&site.stated[..site.n], site.setup.dimension, &Fence::default()),
        }
    }

    /// Begins with what is kept now; every third keyframe is left out of a second opinion. What was named is tried in any
    /// case: a check that does not come upon it again would take it back.
    pub(super) fn begin(
        &mut self,
        site: &StatedSite,
        kept: &Keyframes,
        noise: &Noise,
        second_opinion: bool,
        named: Option<(Kind, Model)>,
    ) {
        self.frames.clear();
        for (i, k) in kept.kept.iter().enumerate() {
            if !(second_opinion && i % 3 == 1) {
                self.frames.push(*k);
            }
        }
        self.few.clear();
        let stride = self.frames.len().div_ceil(MAX_FEW).max(1);
        for k in self.frames.iter().rev().step_by(stride) {
            let _ = self.few.try_push(*k);
        }
        self.noise_m = noise.of_medians_m();
        self.found.clear();
        self.units.clear();
        self.scales.clear();
        self.orders.clear();
        self.searched.clear();
        self.rest.clear();
        self.orders_after_anchors = false;
        if let Some((kind, model)) = named {
            self.rest.push(QueuedHypothesis { kind, model, score_nats: 0.0 });
        }
        self.best_at = None;
        if let Some(s) = self.screening.take() {
            self.spare = Some(s);
        }
        self.phase = Phase::Nominal;
        let model = self.with_noise(Model::stated(site));
        self.trial.begin_cold(model, FreeParameters::Nothing, 7);
        self.running = Some(Kind::Nominal);
    }

    pub(super) fn is_over(&self) -> bool {
        matches!(self.phase, Phase::Done | Phase::Idle)
    }

    /// The site as stated.
    pub(super) fn nominal(&self) -> Option<&TriedHypothesis> {
        self.found
            .iter()
            .filter(|f| f.kind == Kind::Nominal)
            .max_by(|a, b| a.score_nats.total_cmp(&b.score_nats))
    }

    /// The best hypothesis other than the site as stated.
    pub(super) fn best(&self) -> Option<&TriedHypothesis> {
        self.best_at.and_then(|i| self.found.get(i))
    }

    /// How much noisier than a quiet kit medians are, when their metres count `factor`.
    fn with_noise(&self, mut model: Model) -> Model {
        model.stretch_ratio = (self.noise_m * model.factor / SIGMA_M).clamp(1.0, 5.0);
        model
    }

    fn is_gross(&self) -> bool {
        self.nominal().is_some_and(|n| n.worth.explained_share < 0.6 || n.worth.too_short_share > 0.015)
    }

    /// Whether a common offset or many NLOS ranges could hide a scale.
    fn may_be_scaled(&self) -> bool {
        let hides = |c: &f64| c.abs() > 0.2;
        self.nominal()
            .is_some_and(|n| n.worth.explained_share < 0.8 || n.model.tag_offset_m.iter().any(hides))
    }

    /// Whether a wrong order could hide: with one anchor more than it takes, offsets make up for much of it.
    fn may_be_mixed_up(&self, site: &StatedSite) -> bool {
        site.n <= site.d + 2 && self.nominal().is_some_and(|n| n.worth.explained_share < 0.9)
    }

    /// A step of work; its price in looks at the density.
    pub(super) fn step(&mut self, site: &StatedSite) -> usize {
        if let Some(kind) = self.running {
            if let Some(price) = self.trial.step(site, &self.frames) {
                return price;
            }
            self.running = None;
            self.keep(site, kind);
            return 200;
        }
        if self.screening.is_some() {
            return self.screen(site);
        }
        match self.phase {
            Phase::Idle | Phase::Done => 0,
            Phase::Nominal => self.go(Phase::Mild(0)),
            Phase::Mild(i) => self.mild(site, i),
            Phase::Units(i) => self.unit(site, i),
            Phase::Listed(i) => self.listed(site, i),
            Phase::Search(i) => self.search(site, i),
            Phase::Closer(i) => self.closer(site, i),
            Phase::Queue(i) => self.queue(i),
            Phase::Alone(i) => self.alone(site, i),
            Phase::Seek(i, from) => self.seek(site, i, from),
            Phase::Raise(i) => self.raise(site, i),
            Phase::Pair(i) => self.pair(site, i),
            Phase::PairSeek(a, b, from) => self.pair_seek(site, a, b, from),
            Phase::OneMoreSwap(i) => self.one_more_swap(site, i),
            Phase::BestSwap => self.best_swap(),
            Phase::LookAlikes(i) => self.look_alikes(site, i),
            Phase::Polish(i) => self.polish(site, i),
            Phase::NominalAgain => self.nominal_again(site),
        }
    }

    fn go(&mut self, phase: Phase) -> usize {
        self.phase = phase;
        20
    }

    fn keep(&mut self, site: &StatedSite, kind: Kind) {
        if let Kind::Without(..) = kind {
            *self.track = (self.trial.model, self.trial.spots_m);
            return;
        }
        let worth = self.trial.worth;
        let found = TriedHypothesis {
            kind,
            model: self.trial.model,
            worth,
            score_nats: worth.score_nats - penalty(site, &kind),
        };
        if kind == Kind::Nominal {
            *self.nominal_spots_m = self.trial.spots_m;
        }
        if !found.score_nats.is_finite() || self.found.len() >= MAX_FOUND {
            return;
        }
        self.found.push(found);
        if kind != Kind::Nominal && !self.is_only_a_look_alike(site, &kind) {
            let beats = self.best().is_none_or(|b| found.score_nats > b.score_nats);
            if beats {
                self.best_at = Some(self.found.len() - 1);
                *self.best_spots_m = self.trial.spots_m;
            }
        }
    }

    /// An order under which the site looks the same explains nothing, unless a fence tells them apart.
    fn is_only_a_look_alike(&self, site: &StatedSite, kind: &Kind) -> bool {
        let Kind::Order(o) = kind else { return false };
        site.setup.fence.is_open() && self.congruences.iter().any(|c| c.iter().zip(o).all(|(a, b)| a == b))
    }

    fn start(&mut self, kind: Kind, model: Model, free: FreeParameters, rounds: usize) -> usize {
        let model = self.with_noise(model);
        self.trial.begin_cold(model, free, rounds);
        self.running = Some(kind);
        100
    }

    fn mild(&mut self, site: &StatedSite, i: usize) -> usize {
        let Some(nominal) = self.nominal().copied() else { return self.go(Phase::Done) };
        self.phase = Phase::Mild(i + 1);
        let mut model = nominal.model;
        let (kind, free) = if i == 0 {
            (Kind::Scale, FreeParameters::Factor)
        } else if site.d == 2 && i <= TAG_UP_STARTS_M.len() {
            model.up_m += TAG_UP_STARTS_M[i - 1];
            (Kind::TagUp, FreeParameters::TagUp)
        } else {
            return self.go(match self.is_gross() {
                true => Phase::Units(0),
                false if self.may_be_scaled() || self.may_be_mixed_up(site) => {
                    Phase::Units(UNIT_RATIOS.len() + 1)
                }
                false => Phase::Queue(0),
            });
        };
        let model = self.with_noise(model);
        self.trial.begin_warm(site, model, free, 6, &self.nominal_spots_m);
        self.running = Some(kind);
        100
    }

    fn begin_screen(&mut self, kind: Kind, model: Model) -> usize {
        let model = self.with_noise(model);
        if let Some(mut s) = self.spare.take() {
            (s.kind, s.model, s.k, s.score_nats) = (kind, model, 0, 0.0);
            s.costs = [[0.0; MAX_ANCHORS]; MAX_ANCHORS];
            self.screening = Some(s);
        }
        60
    }

    fn screen(&mut self, site: &StatedSite) -> usize {
        let Some(mut s) = self.screening.take() else { return 1 };
        let Some(k) = self.few.get(s.k) else {
            self.screened(site, &s);
            self.spare = Some(s);
            return 100;
        };
        s.k += 1;
        let measured = s.model.distances(site, k);
        if let Some(spot) = locate(site, &s.model, &measured) {
            s.score_nats += spot.score_nats;
            if matches!(s.kind, Kind::Order(_)) {
                let all = Model::stated(site).distances(site, k);
                add_costs(site, &all, s.model.stretch_ratio, &spot.at_m, &mut s.costs);
            }
        }
        self.screening = Some(s);
        price(site, true)
    }

    fn screened(&mut self, site: &StatedSite, s: &Screening) {
        let queued = QueuedHypothesis {
            kind: s.kind,
            model: s.model,
            score_nats: s.score_nats - penalty(site, &s.kind),
        };
        match s.kind {
            Kind::Unit(_) => offer(&mut self.units, queued),
            Kind::Scale => {
                // Neighbours lead to the same place: only the best one and one that is clearly another.
                let near = |p: &QueuedHypothesis| (p.model.factor / queued.model.factor).ln().abs() < 0.15;
                if let Some(p) = self.scales.iter_mut().find(|p| near(p)) {
                    if queued.score_nats > p.score_nats {
                        *p = queued;
                    }
                } else if self.scales.try_push(queued).is_err()
                    && let Some(p) =
                        self.scales.iter_mut().min_by(|a, b| a.score_nats.total_cmp(&b.score_nats))
                    && queued.score_nats > p.score_nats
                {
                    *p = queued;
                }
            }
            Kind::Order(o) => {
                offer(&mut self.orders, queued);
                // The track by this order may know a better one.
                let (better, cost) = assign(site.n, &s.costs);
                if better != o && better != STRAIGHT {
                    let cost = cost / self.few.len().max(1) as f64;
                    offer_order(&mut self.searched, better, cost);
                }
            }
            _ => {
                let _ = self.rest.try_push(queued);
            }
        }
    }

    fn unit(&mut self, site: &StatedSite, i: usize) -> usize {
        self.phase = Phase::Units(i + 1);
        let mut model = Model::stated(site);
        if i < UNIT_RATIOS.len() {
            model.factor = UNIT_RATIOS[i];
            return self.begin_screen(Kind::Unit(i), model);
        }
        if i == UNIT_RATIOS.len() {
            for i in 0..site.n {
                model.at_m[i][2] = -model.at_m[i][2];
            }
            return self.begin_screen(Kind::Mirrored, model);
        }
        let i = i - UNIT_RATIOS.len() - 1;
        if i < SCALE_RATIOS.len() {
            model.factor = SCALE_RATIOS[i];
            return self.begin_screen(Kind::Scale, model);
        }
        if !self.is_gross() {
            let mixed_up = self.may_be_mixed_up(site);
            return self.go(if mixed_up { Phase::Listed(0) } else { Phase::Queue(0) });
        }
        let other = i - SCALE_RATIOS.len();
        let Some(o) = site.setup.others.get(other) else { return self.go(Phase::Listed(0)) };
        model.used = AnchorSet::EMPTY;
        for i in 0..site.n {
            if let Some(Some(at)) = o.at_m.get(i)
                && at.iter().all(|v| v.is_finite())
            {
                model.at_m[i] = *at;
                model.used.insert(i);
            }
        }
        model.factor = if o.unit_ratio.is_finite() && o.unit_ratio > 0.0 { o.unit_ratio } else { 1.0 };
        model.up_m = o.tag_height_m.filter(|u| u.is_finite()).unwrap_or(model.up_m);
        if model.used.len() < site.d + 2 || self.rest.is_full() {
            return 20;
        }
        self.begin_screen(Kind::Other(other), model)
    }

    fn listed(&mut self, site: &StatedSite, i: usize) -> usize {
        let enough = site.n >= site.d + 2 && self.frames.len() >= 6;
        match listed(site.n, i).filter(|_| enough) {
            Some(order) => {
                self.phase = Phase::Listed(i + 1);
                self.begin_screen(Kind::Order(order), ordered(site, &order))
            }
            None if enough && site.n > ALL_ORDERS => self.go(Phase::Search(0)),
            None => self.go(Phase::Queue(0)),
        }
    }

    fn search(&mut self, site: &StatedSite, i: usize) -> usize {
        let Some(places) = triple(site.n, i) else { return self.go(Phase::Closer(0)) };
        self.phase = Phase::Search(i + 1);
        if places[0] == places[1] || places[1] == places[2] || places[0] == places[2] {
            return 5;
        }
        let mut fields: ArrayVec<usize, MAX_ANCHORS> = (0..site.n).collect();
        let heard = |f: usize| self.few.iter().filter(|k| k.heard.contains(f)).count();
        fields.sort_unstable_by_key(|&f| (std::cmp::Reverse(heard(f)), f));
        let count = if site.n > 10 { 6 } else { 10 };
        let few = &self.few[..self.few.len().min(count)];
        let g = self.with_noise(Model::stated(site)).stretch_ratio;
        if let Some((order, cost)) = try_triple(site, g, few, [fields[0], fields[1], fields[2]], places) {
            offer_order(&mut self.searched, order, cost);
        }
        few_price(site, count)
    }

    fn closer(&mut self, site: &StatedSite, i: usize) -> usize {
        // Orders found on the way are appended, so that this looks twice at most.
        let Some(&(order, _)) = self.searched.get(i).filter(|_| i < 8) else {
            return self.go(Phase::Queue(0));
        };
        self.phase = Phase::Closer(i + 1);
        if order == STRAIGHT || self.orders.iter().any(|p| p.kind == Kind::Order(order)) {
            return 20;
        }
        self.begin_screen(Kind::Order(order), ordered(site, &order))
    }

    fn queue(&mut self, i: usize) -> usize {
        let units = self.units.iter().take(2);
        let mut all = units.chain(&self.scales).chain(&self.orders).chain(&self.rest);
        let (queued, next) = match self.orders_after_anchors {
            true => (self.orders.get(i), Phase::Pair(0)),
            false => (all.nth(i), Phase::Alone(0)),
        };
        let Some(queued) = queued.copied() else { return self.go(next) };
        self.phase = Phase::Queue(i + 1);
        let free = match queued.kind {
            Kind::Scale => FreeParameters::Factor,
            Kind::TagUp => FreeParameters::TagUp,
            Kind::Up(i) => FreeParameters::Up(i),
            Kind::Place(i) => FreeParameters::Place(i),
            Kind::Two(a, b) => FreeParameters::Two(a, b),
            _ => FreeParameters::Nothing,
        };
        self.start(queued.kind, queued.model, free, 7)
    }

    /// Whether nothing about single anchors needs to be tried: a unit that explains all.
    fn is_clear(&self) -> bool {
        let unit = |f: &&TriedHypothesis| matches!(f.kind, Kind::Unit(_)) && f.worth.explained_share > 0.55;
        let nominal_fails = self.nominal().is_some_and(|n| n.worth.explained_share < 0.35);
        nominal_fails && self.best().as_ref().is_some_and(unit)
    }

    /// What leads the site as stated by so much that what looks like it is tried as well: one anchor at fault alone can look
    /// like something about all, and two that were exchanged like one.
    fn ahead(&self) -> Option<Kind> {
        let (nominal, best) = (self.nominal()?, self.best()?);
        (best.score_nats - nominal.score_nats > MIN_LEAD_FOR_RIVALS_NATS).then_some(best.kind)
    }

    fn alone(&mut self, site: &StatedSite, i: usize) -> usize {
        if i >= site.n || self.is_clear() || site.n < site.d + 2 {
            let single_ahead = matches!(self.ahead(), Some(Kind::Place(_) | Kind::Up(_)));
            self.orders_after_anchors = self.orders.is_empty() && single_ahead;
            return self.go(if self.orders_after_anchors { Phase::Listed(0) } else { Phase::Pair(0) });
        }
        self.phase = Phase::Alone(i + 1);
        let doubtful = self.nominal().is_some_and(|n| n.worth.share[i] < 0.6);
        if !doubtful && !self.is_gross() && self.ahead().is_none() {
            return 20;
        }
        self.phase = Phase::Seek(i, 0);
        self.sought_m_nats = None;
        let mut model = Model::stated(site);
        model.used.remove(i);
        self.start(Kind::Without(i, i), model, FreeParameters::Nothing, 3)
    }

    fn anchor_search<'a>(&'a self, site: &'a StatedSite, anchor: usize) -> AnchorSearch<'a> {
        AnchorSearch { site, model: &self.track.0, frames: &self.frames, spots_m: &self.track.1, anchor }
    }

    fn seek(&mut self, site: &StatedSite, i: usize, from: usize) -> usize {
        let mut best = self.sought_m_nats;
        let seen = self.anchor_search(site, i);
        if from < seen.crossings() {
            seen.seek(from, from + 8, &mut best);
            self.sought_m_nats = best;
            self.phase = Phase::Seek(i, from + 8);
            return 16 * self.frames.len();
        }
        self.phase = Phase::Raise(i);
        let Some((at_m, _)) = best else { return 20 };
        let mut model = self.track.0;
        model.used = site.everyone();
        model.at_m[i] = at_m;
        self.warm(site, Kind::Place(i), model, FreeParameters::Place(i))
    }

    fn warm(&mut self, site: &StatedSite, kind: Kind, model: Model, free: FreeParameters) -> usize {
        self.trial.begin_warm(site, model, free, 7, &self.track.1);
        self.running = Some(kind);
        100
    }

    fn raise(&mut self, site: &StatedSite, i: usize) -> usize {
        self.phase = Phase::Alone(i + 1);
        let up_m = self.anchor_search(site, i).seek_up();
        let mut model = self.track.0;
        model.used = site.everyone();
        model.at_m[i][2] = up_m;
        self.warm(site, Kind::Up(i), model, FreeParameters::Up(i));
        41 * self.frames.len()
    }

    fn wants_pairs(&self, site: &StatedSite) -> bool {
        let (Some(nominal), Some(best)) = (self.nominal(), self.best()) else { return false };
        let poor = best.worth.explained_share < 0.6 || best.worth.too_short_share > 0.02;
        let single = matches!(best.kind, Kind::Place(_) | Kind::Up(_));
        site.n >= site.d + 3
            && self.is_gross()
            && best.score_nats - nominal.score_nats > 18.0
            && (poor || single)
    }

    /// The pair number `index` of the anchors that are explained worst.
    fn pair_at(&self, site: &StatedSite, index: usize) -> Option<[usize; 2]> {
        let share = self.nominal()?.worth.share;
        let mut worst: ArrayVec<usize, MAX_ANCHORS> = (0..site.n).collect();
        worst.sort_unstable_by(|a, b| share[*a].total_cmp(&share[*b]).then(a.cmp(b)));
        worst.truncate(if site.n <= 8 { 8 } else { MAX_IN_PAIRS });
        let n = worst.len();
        let pairs = (0..n).flat_map(|a| (a + 1..n).map(move |b| [a, b]));
        pairs.map(|p| p.map(|c| worst[c])).nth(index)
    }

    fn pair(&mut self, site: &StatedSite, i: usize) -> usize {
        if !self.wants_pairs(site) || self.is_clear() {
            return self.go(Phase::OneMoreSwap(0));
        }
        let Some([a, b]) = self.pair_at(site, i) else { return self.go(Phase::OneMoreSwap(0)) };
        self.phase = Phase::PairSeek(a, b, i << 8);
        self.sought_m_nats = None;
        let mut model = Model::stated(site);
        model.used.remove(a);
        model.used.remove(b);
        self.start(Kind::Without(a, b), model, FreeParameters::Nothing, 3)
    }

    /// Looks for both places, first one, then the other; the number of the pair is kept above the lowest eight bits.
    fn pair_seek(&mut self, site: &StatedSite, a: usize, b: usize, state: usize) -> usize {
        let (number, from) = (state >> 8, state & 0xff);
        let next = Phase::Pair(number + 1);
        if from == 0 && (self.trial.worth.explained_share < 0.5 || self.trial.worth.too_short_share > 0.03) {
            return self.go(next);
        }
        let mut best = self.sought_m_nats;
        let (anchor, part) = if from < 100 { (a, from) } else { (b, from - 100) };
        let seen = self.anchor_search(site, anchor);
        if part < seen.crossings() {
            seen.seek(part, part + 8, &mut best);
            self.sought_m_nats = best;
            self.phase = Phase::PairSeek(a, b, state + 8);
            return 16 * self.frames.len();
        }
        let Some((at_m, _)) = self.sought_m_nats.take() else { return self.go(next) };
        if anchor == a && from < 100 {
            self.sought_first_m = at_m;
            return self.go(Phase::PairSeek(a, b, (number << 8) + 100));
        }
        self.phase = next;
        let mut model = self.track.0;
        model.used = site.everyone();
        model.at_m[a] = self.sought_first_m;
        model.at_m[b] = at_m;
        self.warm(site, Kind::Two(a, b), model, FreeParameters::Two(a, b))
    }

    /// When an order leads, all that differ from it by one more exchange are looked at, and the best of them tried.
    fn one_more_swap(&mut self, site: &StatedSite, i: usize) -> usize {
        let leader = self.best().map(|b| b.kind);
        let (Some(Kind::Order(mut order)), n) = (leader, site.n) else {
            return self.go(Phase::LookAlikes(0));
        };
        if n <= ALL_ORDERS {
            return self.go(Phase::LookAlikes(0));
        }
        if i == 0 {
            self.orders.clear();
        }
        let Some([a, b]) = (0..n).flat_map(|a| (a + 1..n).map(move |b| [a, b])).nth(i) else {
            return self.go(Phase::BestSwap);
        };
        self.phase = Phase::OneMoreSwap(i + 1);
        order.swap(a, b);
        if order == STRAIGHT || self.found.iter().any(|f| f.kind == Kind::Order(order)) {
            return 20;
        }
        self.begin_screen(Kind::Order(order), ordered(site, &order))
    }

    fn best_swap(&mut self) -> usize {
        self.phase = Phase::LookAlikes(0);
        let Some(queued) = self.orders.first().copied() else { return 20 };
        self.start(queued.kind, queued.model, FreeParameters::Nothing, 7)
    }

    /// Orders that look the same as the best one, for a fence to decide.
    fn look_alikes(&mut self, site: &StatedSite, i: usize) -> usize {
        let leader = self.best().map(|b| b.kind);
        let (Some(Kind::Order(order)), Some(c)) = (leader, self.congruences.get(i).filter(|_| i < 15)) else {
            return self.go(Phase::Polish(0));
        };
        self.phase = Phase::LookAlikes(i + 1);
        let mut other = order;
        for to in other.iter_mut().take(site.n) {
            *to = c[usize::from(*to)];
        }
        if other == STRAIGHT || self.found.iter().any(|f| f.kind == Kind::Order(other)) {
            return 40;
        }
        self.start(Kind::Order(other), ordered(site, &other), FreeParameters::Nothing, 7)
    }

    /// A scale that leads is tried from near by as well: NLOS ranges make optima beside the true one. Then it is held
    /// somewhat off, to see how well it is known: offsets and NLOS ranges can make up for a few percent.
    fn polish(&mut self, site: &StatedSite, i: usize) -> usize {
        let beats = |b: &&TriedHypothesis| self.nominal().is_none_or(|n| b.score_nats > n.score_nats);
        let Some(leader) = self.best().filter(|b| b.kind == Kind::Scale).filter(beats).copied() else {
            return self.begin_nominal_again(site);
        };
        self.phase = Phase::Polish(i + 1);
        if let Some(by) = POLISH_RATIOS.get(i) {
            let mut model = Model::stated(site);
            model.factor = leader.model.factor * by;
            return self.start(Kind::Scale, model, FreeParameters::Factor, 7);
        }
        let Some(by) = HELD_OFF_RATIOS.get(i - POLISH_RATIOS.len()) else {
            return self.begin_nominal_again(site);
        };
        let mut model = Model::stated(site);
        model.factor = leader.model.factor * by;
        self.start(Kind::Scale, model, FreeParameters::Nothing, 9)
    }

    /// The site as stated once more, from where the winner ended: else a local optimum would speak against it.
    fn begin_nominal_again(&mut self, site: &StatedSite) -> usize {
        self.phase = Phase::NominalAgain;
        let Some(best) = self.best().copied() else { return 20 };
        let mut model = self.with_noise(Model::stated(site));
        model.offset_m = best.model.offset_m;
        model.tag_offset_m = best.model.tag_offset_m;
        model.excess_m = best.model.excess_m;
        self.trial.begin_warm(site, model, FreeParameters::Nothing, 7, &self.best_spots_m);
        self.running = Some(Kind::Nominal);
        100
    }

    fn nominal_again(&mut self, _ground: &StatedSite) -> usize {
        self.go(Phase::Done)
    }

    /// One-metre cells that the track of the best hypothesis covers, up to ten.
    pub(super) fn cells(&self) -> usize {
        let mut cells: ArrayVec<[i64; 3], 10> = ArrayVec::new();
        for at in self.best_spots_m.iter().take(self.frames.len()) {
            let cell = at.map(|v| v.floor() as i64);
            if !cells.contains(&cell) && cells.try_push(cell).is_err() {
                break;
            }
        }
        cells.len()
    }

    /// Orders that look the same as this one.
    pub(super) fn same_looks(&self, site: &StatedSite, order: &Order) -> impl Iterator<Item = Order> {
        let (order, n) = (*order, site.n);
        self.congruences.iter().map(move |c| {
            let mut other = order;
            other.iter_mut().take(n).for_each(|to| *to = c[usize::from(*to)]);
            other
        })
    }

    /// Whether the anchors without these fit as stated, and are enough to tell.
    pub(super) fn rest_fits(&self, site: &StatedSite, without: AnchorSet) -> bool {
        let rest = site.everyone().difference(without);
        rest.len() > site.d
            && self.best().is_some_and(|b| {
                let share: f64 = rest.iter().map(|i| b.worth.share[i]).sum();
                share / rest.len() as f64 > 0.4
            })
    }
}

fn few_price(site: &StatedSite, frames: usize) -> usize {
    if site.d == 2 { 12 * frames } else { 3 * frames * site.n * site.n }
}

/// Keeps the best ones in a list that is sorted from the best.
fn offer<const N: usize>(list: &mut ArrayVec<QueuedHypothesis, N>, queued: QueuedHypothesis) {
    if list.iter().any(|p| p.kind == queued.kind) {
        return;
    }
    let at = list.iter().position(|p| queued.score_nats > p.score_nats).unwrap_or(list.len());
    if list.is_full() {
        if at == list.len() {
            return;
        }
        list.pop();
    }
    list.insert(at, queued);
}

fn offer_order(list: &mut ArrayVec<(Order, f64), 8>, order: Order, cost_nats: f64) {
    if !cost_nats.is_finite() {
        return;
    }
    if let Some(i) = list.iter().position(|(o, _)| *o == order) {
        list[i].1 = list[i].1.min(cost_nats);
        return;
    }
    let at = list.iter().position(|(_, c)| cost_nats < *c).unwrap_or(list.len());
    if list.is_full() {
        if at == list.len() {
            return;
        }
        list.pop();
    }
    list.insert(at, (order, cost_nats));
}

/// How many fields an order moves.
pub(super) fn order_moves(site: &StatedSite, order: &Order) -> usize {
    moved(site.n, order)
}

/// What an order is called.
pub(super) fn order_cause(site: &StatedSite, order: &Order) -> super::Cause {
    if let Some(anchors) = one_swap(site.n, order) {
        return super::Cause::Swapped { anchors };
    }
    if is_reversed(site.n, order) {
        return super::Cause::Reversed;
    }
    super::Cause::Order { place_of: *order }
}
