//! Seeded sites, walks and faults for the study of "does the whole fit", and its small test.
//!
//! Larkfield nursery's potting cart walks at 0.3 to 1.4 m/s with pauses among 4 to 8 anchors; 30 % of the ranges are NLOS, in
//! stretches; persons stand in front of anchors for minutes; 2 in 1,000 readings mean nothing; half of the sites have offsets
//! that nobody measured.

use std::collections::BTreeMap;

use arrayvec::ArrayVec;
use hereabout_core::{Dimension, Fence, MAX_ANCHORS, Timestamp};
use hereabout_solve::fit::{Cause, FitAnchor, FitAnswer, FitRange, FitSetup, OtherPlaces, SiteFit};
use hereabout_solve::model::congruence::congruences;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, Exp1, StandardNormal, StandardUniform};

/// Seeded random numbers.
#[derive(Clone, Debug)]
pub(crate) struct Dice(ChaCha8Rng);

impl Dice {
    /// The same numbers for the same seed on every machine.
    pub(crate) fn new(seed: u64) -> Dice {
        Dice(ChaCha8Rng::seed_from_u64(seed))
    }
    /// Uniform from 0 to 1.
    pub(crate) fn unit(&mut self) -> f64 {
        StandardUniform.sample(&mut self.0)
    }
    /// Uniform between two limits.
    pub(crate) fn between(&mut self, lo: f64, hi: f64) -> f64 {
        lo + (hi - lo) * self.unit()
    }
    /// 0 to `n` − 1.
    pub(crate) fn below(&mut self, n: usize) -> usize {
        ((self.unit() * n as f64) as usize).min(n - 1)
    }
    /// Standard Gaussian.
    pub(crate) fn gauss(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }
    /// Exponential with mean 1.
    pub(crate) fn exp(&mut self) -> f64 {
        Exp1.sample(&mut self.0)
    }
    /// A list in random order.
    pub(crate) fn shuffle<T>(&mut self, list: &mut [T]) {
        for i in (1..list.len()).rev() {
            list.swap(i, self.below(i + 1));
        }
    }
}

/// What is wrong.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Fault {
    None,
    /// A wrong unit.
    Unit,
    Scale,
    SwapNeighbours,
    SwapOpposite,
    Reversed,
    Permutation,
    /// One place is off by this many metres, from, to.
    Place(f64, f64),
    /// Two places are off by 1 to 10 m.
    TwoPlaces,
    AnchorHeight,
    TagHeight,
    Mirrored,
    OtherSite,
}

/// All faults with their names.
pub(crate) const FAULTS: [(&str, Fault); 15] = [
    ("healthy", Fault::None),
    ("unit", Fault::Unit),
    ("scale", Fault::Scale),
    ("swap-neighbours", Fault::SwapNeighbours),
    ("swap-opposite", Fault::SwapOpposite),
    ("reversed", Fault::Reversed),
    ("permutation", Fault::Permutation),
    ("place-0.3-1", Fault::Place(0.3, 1.0)),
    ("place-1-3", Fault::Place(1.0, 3.0)),
    ("place-3-30", Fault::Place(3.0, 30.0)),
    ("two-places", Fault::TwoPlaces),
    ("anchor-height", Fault::AnchorHeight),
    ("tag-height", Fault::TagHeight),
    ("mirrored", Fault::Mirrored),
    ("other-site", Fault::OtherSite),
];

/// A site with its truth.
#[derive(Clone, Debug)]
pub(crate) struct World {
    pub(crate) setup: FitSetup,
    /// Where the boards are.
    pub(crate) true_m: Vec<[f64; 3]>,
    /// Board whose ranges come as those of anchor i.
    pub(crate) board_of: Vec<usize>,
    /// Metres as taken per true metre.
    pub(crate) taken_per_m: f64,
    pub(crate) tag_up_m: f64,
    pub(crate) area_m: [f64; 2],
    pub(crate) three_d: bool,
    pub(crate) truth: Truth,
    raw_offset_m: Vec<f64>,
    noise_m: f64,
    rate_hz: f64,
    one_at_a_time: bool,
}

/// The right word.
#[derive(Clone, Debug)]
pub(crate) enum Truth {
    Nothing,
    Unit(f64),
    Scale(f64),
    /// For each anchor, the anchor whose place its ranges fit.
    Order(Vec<usize>),
    Place(usize),
    Two(usize, usize),
    Up(usize),
    TagUp(f64),
    Mirrored,
    Other(usize),
}

fn layout(dice: &mut Dice, n: usize, three_d: bool, area: [f64; 2]) -> Vec<[f64; 3]> {
    let mut out: Vec<[f64; 3]> = Vec::new();
    let one_height = dice.between(2.0, 3.2);
    let equal = dice.unit() < 0.4;
    let turn = dice.unit();
    for i in 0..n {
        loop {
            let t = (i as f64 + turn + 0.6 * (dice.unit() - 0.5)) / n as f64 * std::f64::consts::TAU;
            let (s, c) = t.sin_cos();
            // Onto the edge of the area.
            let reach = 0.5 / c.abs().max(s.abs()) * dice.between(0.85, 1.0);
            let up = if three_d {
                dice.between(0.4, 4.5)
            } else if equal {
                one_height + 0.1 * dice.gauss()
            } else {
                dice.between(1.2, 3.6)
            };
            let at = [area[0] * (0.5 + reach * c), area[1] * (0.5 + reach * s), up];
            if out.iter().all(|o| apart(o, &at) > 2.0) {
                out.push(at);
                break;
            }
        }
    }
    out
}

fn apart(a: &[f64; 3], b: &[f64; 3]) -> f64 {
    (0..3).map(|c| (a[c] - b[c]).powi(2)).sum::<f64>().sqrt()
}

impl World {
    /// A site of the seed with a fault.
    pub(crate) fn new(seed: u64, three_d: bool, fault: Fault) -> World {
        let dice = &mut Dice::new(seed.wrapping_mul(7919).wrapping_add(u64::from(three_d)));
        let n = if three_d { 5 + dice.below(4) } else { 4 + dice.below(5) };
        let area = [dice.between(8.0, 35.0), dice.between(6.0, 22.0)];
        let mut true_m = layout(dice, n, three_d, area);
        if dice.unit() < 0.5 {
            dice.shuffle(&mut true_m);
        }
        let calibrated = dice.unit() < 0.5;
        let common = dice.between(-0.05, 0.2);
        let raw_offset_m: Vec<f64> =
            (0..n).map(|_| (common + 0.1 * dice.gauss()).clamp(-0.45, 0.45)).collect();
        let anchors = (0..n)
            .map(|i| FitAnchor {
                at_m: true_m[i].map(|v| (v * 100.0).round() / 100.0),
                offset_m: if calibrated { raw_offset_m[i] + 0.03 * dice.gauss() } else { 0.0 },
                scale: 1.0,
                offset_se_m: calibrated.then_some(0.03),
            })
            .collect();
        let dimension = if three_d { Dimension::ThreeD } else { Dimension::TwoD { tag_height_m: 0.9 } };
        let mut fence = Fence::default();
        if dice.unit() < 0.5 {
            fence.area_m = vec![[0.0, 0.0], [area[0], 0.0], area, [0.0, area[1]]];
            fence.up_span_m = three_d.then_some([0.0, 2.5]);
        }
        let mut world = World {
            setup: FitSetup { dimension, fence, anchors, others: Vec::new() },
            true_m,
            board_of: (0..n).collect(),
            taken_per_m: 1.0,
            tag_up_m: 0.9,
            area_m: area,
            three_d,
            truth: Truth::Nothing,
            raw_offset_m,
            noise_m: dice.between(0.04, 0.1),
            rate_hz: [10.0, 10.0, 20.0, 5.0][dice.below(4)],
            one_at_a_time: dice.unit() < 0.2,
        };
        world.spoil(dice, fault);
        world
    }

    fn n(&self) -> usize {
        self.true_m.len()
    }

    fn spoil(&mut self, dice: &mut Dice, fault: Fault) {
        let n = self.n();
        let i = dice.below(n);
        match fault {
            Fault::None => {}
            Fault::Unit => {
                self.taken_per_m = [10.0, 100.0, 0.1, 0.01, 1000.0, 0.001][dice.below(6)];
                self.truth = Truth::Unit(1.0 / self.taken_per_m);
            }
            Fault::Scale => {
                let by = dice.between(0.06, 0.25);
                self.taken_per_m = if dice.unit() < 0.5 { 1.0 + by } else { 1.0 - by };
                self.truth = Truth::Scale(1.0 / self.taken_per_m);
            }
            Fault::SwapNeighbours | Fault::SwapOpposite => self.swap(i, fault == Fault::SwapOpposite),
            Fault::Reversed => self.order((0..n).rev().collect()),
            Fault::Permutation => {
                let mut to: Vec<usize> = (0..n).collect();
                while to.iter().enumerate().filter(|(i, t)| i != *t).count() < 3 {
                    dice.shuffle(&mut to);
                }
                self.order(to);
            }
            Fault::Place(lo, hi) => {
                self.displace(dice, i, lo, hi);
                self.truth = Truth::Place(i);
            }
            Fault::TwoPlaces => {
                let j = (i + 1 + dice.below(n - 1)) % n;
                self.displace(dice, i, 1.0, 10.0);
                self.displace(dice, j, 1.0, 10.0);
                self.truth = Truth::Two(i, j);
            }
            Fault::AnchorHeight => {
                self.setup.anchors[i].at_m[2] += if dice.unit() < 0.5 { 2.4 } else { -2.4 };
                self.truth = Truth::Up(i);
            }
            Fault::TagHeight => {
                self.setup.dimension = Dimension::TwoD { tag_height_m: 2.4 };
                self.truth = Truth::TagUp(0.9);
            }
            Fault::Mirrored => {
                self.setup.anchors.iter_mut().for_each(|a| a.at_m[2] = -a.at_m[2]);
                self.truth = Truth::Mirrored;
            }
            Fault::OtherSite => {
                let mine: ArrayVec<_, MAX_ANCHORS> =
                    self.setup.anchors.iter().map(|a| Some(a.at_m)).collect();
                let (wrong, wrong_too) = (self.strange(dice), self.strange(dice));
                for (a, at) in self.setup.anchors.iter_mut().zip(&wrong.at_m) {
                    a.at_m = at.unwrap_or(a.at_m);
                }
                let up = (!self.three_d).then_some(0.9);
                let right = OtherPlaces { at_m: mine, tag_height_m: up, unit_ratio: 1.0 };
                self.setup.others = vec![wrong_too, right];
                self.setup.fence = Fence::default();
                self.truth = Truth::Other(1);
            }
        }
        if fault != Fault::OtherSite {
            self.setup.others = vec![self.strange(dice)];
        }
    }

    fn strange(&self, dice: &mut Dice) -> OtherPlaces {
        let area = [dice.between(8.0, 35.0), dice.between(6.0, 22.0)];
        let mut places = layout(dice, self.n(), self.three_d, area);
        dice.shuffle(&mut places);
        OtherPlaces {
            at_m: places.into_iter().map(Some).collect(),
            tag_height_m: (!self.three_d).then_some(0.9),
            unit_ratio: 1.0,
        }
    }

    /// Exchanges the ranges of an anchor with those of its nearest or farthest neighbour.
    fn swap(&mut self, i: usize, far: bool) {
        let distance = |j: &usize| apart(&self.true_m[i], &self.true_m[*j]);
        let others = (0..self.n()).filter(|j| *j != i);
        let by = |a: &usize, b: &usize| distance(a).total_cmp(&distance(b));
        let j = if far { others.max_by(by) } else { others.min_by(by) };
        let mut to: Vec<usize> = (0..self.n()).collect();
        to.swap(i, j.unwrap_or(0));
        self.order(to);
    }

    fn order(&mut self, to: Vec<usize>) {
        self.board_of = to.clone();
        self.truth = Truth::Order(to);
    }

    fn displace(&mut self, dice: &mut Dice, i: usize, lo: f64, hi: f64) {
        let (far, way) = (dice.between(lo, hi), dice.between(0.0, std::f64::consts::TAU));
        let at = &mut self.setup.anchors[i].at_m;
        at[0] += far * way.cos();
        at[1] += far * way.sin();
    }

    /// Whether a cause is the right word.
    pub(crate) fn is_right(&self, cause: &Cause) -> bool {
        let stated: Vec<[f64; 3]> = self.setup.anchors.iter().map(|a| a.at_m).collect();
        match (&self.truth, cause) {
            (Truth::Unit(f), Cause::Unit { factor }) => (f / factor - 1.0).abs() < 1e-6,
            (Truth::Scale(f), Cause::Scale { factor }) => (f / factor - 1.0).abs() < 0.05,
            (Truth::Order(to), c) => {
                let named: Vec<usize> = match c {
                    Cause::Swapped { anchors: [a, b] } => {
                        let mut p: Vec<usize> = (0..self.n()).collect();
                        p.swap(*a, *b);
                        p
                    }
                    Cause::Reversed => (0..self.n()).rev().collect(),
                    Cause::Order { place_of } => {
                        place_of.iter().take(self.n()).map(|p| usize::from(*p)).collect()
                    }
                    _ => return false,
                };
                // The named order after the true one undone: nothing, or something that looks the same.
                let mut rest = vec![0u8; self.n()];
                to.iter().zip(&named).for_each(|(t, p)| rest[*t] = *p as u8);
                let is_none = rest.iter().enumerate().all(|(i, to)| i == usize::from(*to));
                let alike = congruences(&stated, self.setup.dimension, &Fence::default());
                is_none || alike.iter().any(|c| c[..] == rest[..])
            }
            (Truth::Place(i), Cause::Place { anchor, .. }) => i == anchor,
            (Truth::Two(i, j), Cause::TwoPlaces { anchors, .. }) => *anchors == [*i.min(j), *i.max(j)],
            (Truth::Up(i), Cause::AnchorHeight { anchor, .. } | Cause::Place { anchor, .. }) => i == anchor,
            (Truth::TagUp(_), Cause::TagHeight { .. }) => true,
            (Truth::Mirrored, Cause::MirroredHeights) => true,
            // With all anchors at one height the two are one thing.
            (Truth::Mirrored, Cause::TagHeight { .. }) => {
                let ups = stated.iter().map(|a| a[2]);
                ups.clone().fold(f64::MIN, f64::max) - ups.fold(f64::MAX, f64::min) < 0.6
            }
            (Truth::Other(i), Cause::OtherSite { other }) => i == other,
            _ => false,
        }
    }
}

/// State of one anchor's surroundings.
#[derive(Clone, Copy, Debug, Default)]
struct Path {
    nlos_until_s: f64,
    delay_m: f64,
    person_until_s: f64,
    person_m: f64,
}

/// One epoch of a walk.
#[derive(Clone, Debug, Default)]
pub(crate) struct Epoch {
    pub(crate) t_s: f64,
    pub(crate) walked_m: f64,
    pub(crate) ranges: Vec<FitRange>,
}

/// A walk through a world.
#[derive(Clone, Debug)]
pub(crate) struct Walk<'a> {
    world: &'a World,
    dice: Dice,
    at_m: [f64; 3],
    target_m: [f64; 3],
    speed_mps: f64,
    pause_until_s: f64,
    paths: Vec<Path>,
    t_s: f64,
    walked_m: f64,
    turn: usize,
    pub(crate) stands: bool,
    /// Share of NLOS ranges.
    pub(crate) nlos: f64,
    pub(crate) persons: bool,
}

impl Walk<'_> {
    pub(crate) fn new(world: &World, seed: u64) -> Walk<'_> {
        let mut dice = Dice::new(seed.wrapping_mul(104_729).wrapping_add(17));
        let at_m = Walk::somewhere(world, &mut dice);
        Walk {
            world,
            at_m,
            target_m: at_m,
            speed_mps: 1.0,
            pause_until_s: 0.0,
            paths: vec![Path::default(); world.n()],
            t_s: 0.0,
            walked_m: 0.0,
            turn: 0,
            stands: false,
            nlos: 0.3,
            persons: true,
            dice,
        }
    }

    fn somewhere(world: &World, dice: &mut Dice) -> [f64; 3] {
        let up = if world.three_d { dice.between(0.5, 2.0) } else { world.tag_up_m };
        [world.area_m[0] * dice.between(0.08, 0.92), world.area_m[1] * dice.between(0.08, 0.92), up]
    }

    /// The next epoch.
    pub(crate) fn next(&mut self) -> Epoch {
        let rate = self.world.rate_hz * if self.world.one_at_a_time { self.world.n() as f64 } else { 1.0 };
        let dt = 1.0 / rate;
        self.t_s += dt;
        self.go(dt);
        let n = self.world.n();
        let asked = if self.world.one_at_a_time { vec![self.turn % n] } else { (0..n).collect() };
        self.turn += 1;
        let mut ranges = Vec::new();
        for i in asked {
            if let Some(raw_range_m) = self.range(i, dt) {
                ranges.push(FitRange { anchor: i, raw_range_m });
            }
        }
        Epoch { t_s: self.t_s, walked_m: self.walked_m, ranges }
    }

    fn go(&mut self, dt: f64) {
        if self.stands || self.t_s < self.pause_until_s {
            return;
        }
        let left = apart(&self.at_m, &self.target_m);
        let step = self.speed_mps * dt;
        if left <= step {
            self.target_m = Walk::somewhere(self.world, &mut self.dice);
            self.speed_mps = self.dice.between(0.3, 1.4);
            if self.dice.unit() < 0.4 {
                self.pause_until_s = self.t_s + self.dice.between(2.0, 15.0);
            }
            return;
        }
        (0..3).for_each(|c| self.at_m[c] += step / left * (self.target_m[c] - self.at_m[c]));
        self.walked_m += step;
    }

    fn range(&mut self, i: usize, dt: f64) -> Option<f64> {
        let (w, t, nlos) = (self.world, self.t_s, self.nlos);
        let dice = &mut self.dice;
        let board = w.board_of[i];
        let p = &mut self.paths[board];
        let dt = if w.one_at_a_time { dt * w.n() as f64 } else { dt };
        if t >= p.nlos_until_s {
            p.delay_m = 0.0;
            // Stretches of 1.5 s on average.
            if dice.unit() < nlos / (1.0 - nlos) / 1.5 * dt {
                p.nlos_until_s = t + 1.5 * dice.exp();
                p.delay_m = 0.2 + 0.6 * dice.exp();
            }
        }
        if t >= p.person_until_s {
            p.person_m = 0.0;
            if self.persons && dice.unit() < dt / 900.0 {
                p.person_until_s = t + dice.between(40.0, 200.0);
                p.person_m = dice.between(0.2, 1.5);
            }
        }
        if dice.unit() < 0.01 {
            return None;
        }
        if dice.unit() < 0.002 {
            return Some(dice.between(0.1, 60.0) * w.taken_per_m);
        }
        let jitter = if p.delay_m > 0.0 { 0.15 * dice.gauss() } else { 0.0 };
        let distance = apart(&self.at_m, &w.true_m[board]);
        let measured_m = distance + w.raw_offset_m[board] + p.person_m + (p.delay_m + jitter).max(0.0);
        let measured_m = measured_m + w.noise_m * dice.gauss();
        (measured_m > 0.0).then_some(measured_m * w.taken_per_m)
    }
}

/// How a run ended.
#[derive(Clone, Debug, Default)]
pub(crate) struct Outcome {
    /// A right name was there, first at this second, after these metres.
    pub(crate) right: Option<(f64, f64)>,
    /// A wrong name was there.
    pub(crate) wrong: Option<Cause>,
    /// Doubt without a name.
    pub(crate) alarm: Option<f64>,
    /// A doubt came and went again.
    pub(crate) words: usize,
    /// Longest work of one epoch and all of it, seconds, when a clock was given.
    pub(crate) worst_s: f64,
    pub(crate) total_s: f64,
    pub(crate) epochs: usize,
}

/// Runs the test over a walk; `clock` tells seconds.
pub(crate) fn run(world: &World, walk: &mut Walk<'_>, seconds: f64, clock: impl Fn() -> f64) -> Outcome {
    let mut fit = SiteFit::new(world.setup.clone());
    let mut out = Outcome::default();
    let mut doubted = false;
    loop {
        let e = walk.next();
        if e.t_s > seconds {
            return out;
        }
        let before = clock();
        fit.take(0, Timestamp::from_micros((e.t_s * 1e6) as i64), &e.ranges);
        let took = clock() - before;
        out.worst_s = out.worst_s.max(took);
        out.total_s += took;
        out.epochs += 1;
        let answer = fit.answer();
        let FitAnswer::Doubted(d) = answer else {
            doubted = false;
            continue;
        };
        out.words += usize::from(!doubted);
        doubted = true;
        match &d.cause {
            None => {
                out.alarm.get_or_insert(e.t_s);
            }
            Some(c) if world.is_right(c) => {
                out.right.get_or_insert((e.t_s, e.walked_m));
            }
            Some(c) => {
                out.wrong.get_or_insert(*c);
            }
        }
    }
}

/// Counts over many runs.
#[derive(Clone, Debug, Default)]
pub(crate) struct TrialCounts {
    pub(crate) runs: usize,
    pub(crate) right: usize,
    pub(crate) wrong: usize,
    pub(crate) alarm: usize,
    pub(crate) none: usize,
    pub(crate) seconds: Vec<f64>,
    pub(crate) metres: Vec<f64>,
    pub(crate) alarm_s: Vec<f64>,
    /// What was said wrongly, by the start of its name.
    pub(crate) wrong_names: BTreeMap<String, usize>,
    pub(crate) worst_s: f64,
    pub(crate) total_s: f64,
    pub(crate) epochs: usize,
}

impl TrialCounts {
    /// Adds a run; a wrong name counts as wrong even if the right one was there too.
    pub(crate) fn add(&mut self, o: &Outcome) {
        self.runs += 1;
        self.worst_s = self.worst_s.max(o.worst_s);
        self.total_s += o.total_s;
        self.epochs += o.epochs;
        if let Some(c) = &o.wrong {
            self.wrong += 1;
            let name = format!("{c:?}");
            let name = name.split([' ', '{']).next().unwrap_or("").to_owned();
            *self.wrong_names.entry(name).or_default() += 1;
        } else if let Some((s, m)) = o.right {
            self.right += 1;
            self.seconds.push(s);
            self.metres.push(m);
        } else if let Some(s) = o.alarm {
            self.alarm += 1;
            self.alarm_s.push(s);
        } else {
            self.none += 1;
        }
    }
}

/// The middle of a list; 0 of an empty one.
pub(crate) fn middle(list: &[f64]) -> f64 {
    let mut list = list.to_vec();
    list.sort_by(f64::total_cmp);
    list.get(list.len() / 2).copied().unwrap_or(0.0)
}
