//! A seeded yard for the anchor watch: Larkfield's potting cart drives its rounds, anchors stand on posts and may be
//! moved, doubled or switched off; ranges are good, late in stretches or wild, with an error that belongs to the place.
//!
//! Error model: N(0, 8 cm); late stretches of a second on average (0.2 m plus an exponential of mean 0.6 m, wandering by
//! 5 cm a frame); 2 in 1000 are anything; multipath as a smooth field over the yard per anchor. One frame per 100 ms.

use hereabout_core::{
    Anchor, AnchorId, Correction, Dimension, Epoch, Micros, RangeReading, Site, SiteDraft, TagId, Timestamp,
};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, Exp1, StandardNormal, StandardUniform};

const YARD: [f64; 2] = [16.0, 10.0];
const UP_M: f64 = 0.9;
const DT_S: f64 = 0.1;
const START: Timestamp = Timestamp::from_micros(1_700_000_000_000_000);

/// Seeded random numbers.
#[derive(Clone, Debug)]
pub(crate) struct Dice(ChaCha8Rng);

impl Dice {
    pub(crate) fn new(seed: u64) -> Dice {
        Dice(ChaCha8Rng::seed_from_u64(seed))
    }
    pub(crate) fn unit(&mut self) -> f64 {
        StandardUniform.sample(&mut self.0)
    }
    fn gauss(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }
    fn exp(&mut self) -> f64 {
        Exp1.sample(&mut self.0)
    }
    /// One of `n`.
    pub(crate) fn pick(&mut self, n: usize) -> usize {
        ((self.unit() * n as f64) as usize).min(n - 1)
    }
}

/// Posts round the yard: corners first, then the middles of the sides.
fn posts(n: usize) -> Vec<[f64; 3]> {
    let [w, h] = YARD;
    let flat =
        [[0.0, 0.0], [w, 0.0], [w, h], [0.0, h], [0.5 * w, h], [0.5 * w, 0.0], [0.0, 0.5 * h], [w, 0.5 * h]];
    flat.iter().take(n).map(|p| [p[0], p[1], 2.6]).collect()
}

/// The same at three heights, so that a place in space can be told.
fn posts_in_space(n: usize) -> Vec<[f64; 3]> {
    posts(n)
        .into_iter()
        .zip([0.4, 3.4, 0.6, 3.2, 0.5, 3.3, 4.2, 2.0])
        .map(|([e, n, _], up)| [e, n, up])
        .collect()
}

/// What the site file says about the yard.
pub(crate) fn site(n: usize) -> Site {
    site_of(posts(n), Dimension::TwoD { tag_height_m: UP_M })
}

/// The same in 3D.
pub(crate) fn site_in_space(n: usize) -> Site {
    site_of(posts_in_space(n), Dimension::ThreeD)
}

fn site_of(posts: Vec<[f64; 3]>, dimension: Dimension) -> Site {
    let n = posts.len();
    let anchor = |(i, at_m): (usize, [f64; 3])| Anchor {
        id: AnchorId(i as u16),
        name: String::new(),
        at_m,
        range_sigma_m: 0.1,
        slot: None,
        correction: Correction { offset_m: 0.0, scale: 1.0, offset_se_m: Some(0.02) },
    };
    let draft = SiteDraft {
        name: "Larkfield yard".into(),
        dimension,
        anchors: posts.into_iter().enumerate().map(anchor).collect(),
        range_fields: Some(n),
        ..hereabout_fixtures::draft(&[])
    };
    match draft.validate() {
        Ok((site, _)) => site,
        Err(findings) => panic!("the yard is a valid site: {findings:?}"),
    }
}

/// Smooth error of one anchor over the yard: six waves.
#[derive(Clone, Debug)]
struct Field {
    waves: [[f64; 3]; 6],
    height_m: f64,
}

impl Field {
    fn new(rms_m: f64, dice: &mut Dice) -> Field {
        let mut waves = [[0.0; 3]; 6];
        for wave in &mut waves {
            let (length, turn) = (2.0 + 4.0 * dice.unit(), dice.unit() * std::f64::consts::TAU);
            let k = std::f64::consts::TAU / length;
            *wave = [k * turn.cos(), k * turn.sin(), dice.unit() * std::f64::consts::TAU];
        }
        Field { waves, height_m: rms_m * (2.0_f64 / 6.0).sqrt() }
    }

    fn at(&self, p: [f64; 2]) -> f64 {
        self.waves.iter().map(|w| (w[0] * p[0] + w[1] * p[1] + w[2]).sin()).sum::<f64>() * self.height_m
    }
}

/// How the yard errs and what the people in it do.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Ways {
    /// Share of late ranges.
    pub(crate) late: f64,
    /// RMS of the place's own error, metres.
    pub(crate) multipath_m: f64,
    /// Standard deviation of the anchors' linear drifts, metres an hour.
    pub(crate) drift_mph: f64,
    /// Somebody stands at an anchor for ten minutes this often, per hour.
    pub(crate) persons_per_hour: f64,
}

/// The yard.
#[derive(Clone, Debug)]
pub(crate) struct World {
    dice: Dice,
    ways: Ways,
    /// True places, which a fault may change.
    pub(crate) anchors: Vec<[f64; 3]>,
    /// A second board with this anchor's id, and where it stands.
    pub(crate) double: Option<(usize, [f64; 3])>,
    /// Anchors that don't answer.
    pub(crate) off: Vec<bool>,
    fields: Vec<Field>,
    /// How each anchor's offset wanders, metres an hour.
    pub(crate) drifts_mph: Vec<f64>,
    delays: Vec<Option<f64>>,
    person: Option<(usize, f64)>,
    pub(crate) frame: u64,
    cart: Cart,
    /// Metres that the cart has driven.
    pub(crate) driven_m: f64,
}

impl World {
    pub(crate) fn new(n: usize, ways: Ways, seed: u64) -> World {
        let mut dice = Dice::new(seed);
        let cart = Cart::new(&mut dice);
        World {
            ways,
            anchors: posts(n),
            double: None,
            off: vec![false; n],
            fields: (0..n).map(|_| Field::new(ways.multipath_m, &mut dice)).collect(),
            drifts_mph: (0..n).map(|_| ways.drift_mph * dice.gauss()).collect(),
            delays: vec![None; n],
            person: None,
            frame: 0,
            cart,
            driven_m: 0.0,
            dice,
        }
    }

    /// The yard in 3D.
    pub(crate) fn in_space(n: usize, ways: Ways, seed: u64) -> World {
        World { anchors: posts_in_space(n), ..World::new(n, ways, seed) }
    }

    /// Seconds since the start.
    pub(crate) fn t_s(&self) -> f64 {
        self.frame as f64 * DT_S
    }

    /// Stamp of the next epoch.
    pub(crate) fn at(&self) -> Timestamp {
        START.plus(Micros::from_millis(100 * self.frame as i64))
    }

    /// The next epoch.
    pub(crate) fn epoch(&mut self) -> Epoch {
        let t = self.t_s();
        self.people(t);
        let here = [self.cart.at[0], self.cart.at[1], UP_M];
        let readings = (0..self.anchors.len())
            .map(|i| RangeReading { anchor: AnchorId(i as u16), raw_range_m: self.range(i, here, t) })
            .collect();
        let epoch = Epoch::new(self.at(), TagId(0), None, readings);
        self.driven_m += self.cart.step(t, &mut self.dice);
        self.frame += 1;
        epoch
    }

    fn range(&mut self, i: usize, here: [f64; 3], t: f64) -> Option<f64> {
        self.next_delay(i);
        let other = self.dice.unit() < 0.5;
        let from = match self.double {
            Some((d, place)) if d == i && other => place,
            _ => self.anchors[i],
        };
        let distance = (0..3).map(|k| (here[k] - from[k]) * (here[k] - from[k])).sum::<f64>().sqrt();
        let noise = 0.08 * self.dice.gauss();
        let wild = self.dice.unit() < 0.002;
        let anywhere = 60.0 * self.dice.unit();
        let slow = self.fields[i].at([here[0], here[1]]) + self.drifts_mph[i] * t / 3_600.0;
        let range_m = if wild { anywhere } else { distance + slow + noise + self.delays[i].unwrap_or(0.0) };
        (!self.off[i]).then_some(range_m.max(0.01))
    }

    fn people(&mut self, t: f64) {
        if self.person.is_some_and(|(_, until)| t > until) {
            self.person = None;
        }
        if self.dice.unit() < self.ways.persons_per_hour * DT_S / 3_600.0 {
            self.person = Some((self.dice.pick(self.anchors.len()), t + 600.0));
        }
    }

    fn next_delay(&mut self, i: usize) {
        let stands_there = self.person.is_some_and(|(at, _)| at == i);
        let p = if stands_there { 0.8 } else { self.ways.late };
        let enter = DT_S * p / (1.0 - p);
        self.delays[i] = match self.delays[i] {
            None => (self.dice.unit() < enter).then(|| 0.2 + 0.6 * self.dice.exp()),
            Some(_) if self.dice.unit() < DT_S => None,
            Some(d) => Some((d + 0.05 * self.dice.gauss()).max(0.1)),
        };
    }
}

/// Drives from place to place at up to 1 m/s, with pauses.
#[derive(Clone, Debug)]
struct Cart {
    at: [f64; 2],
    speed: f64,
    heading: f64,
    goal: [f64; 2],
    rest_until: f64,
}

impl Cart {
    fn new(dice: &mut Dice) -> Cart {
        let at = Cart::somewhere(dice);
        Cart { at, speed: 0.0, heading: 0.0, goal: Cart::somewhere(dice), rest_until: 0.0 }
    }

    fn somewhere(dice: &mut Dice) -> [f64; 2] {
        [1.0 + (YARD[0] - 2.0) * dice.unit(), 1.0 + (YARD[1] - 2.0) * dice.unit()]
    }

    /// One step; the way that was driven, metres.
    fn step(&mut self, t: f64, dice: &mut Dice) -> f64 {
        let (dx, dy) = (self.goal[0] - self.at[0], self.goal[1] - self.at[1]);
        let left = (dx * dx + dy * dy).sqrt();
        if left < 0.3 {
            self.goal = Cart::somewhere(dice);
            self.rest_until = if dice.unit() < 0.5 { t + 5.0 * dice.unit() } else { t };
        }
        let wish = if t < self.rest_until { 0.0 } else { 1.0_f64.min((0.6 * left).max(0.2)) };
        self.speed += (wish - self.speed).clamp(-0.5 * DT_S, 0.5 * DT_S);
        let mut turn = dy.atan2(dx) - self.heading;
        turn -= (turn / std::f64::consts::TAU).round() * std::f64::consts::TAU;
        if self.speed > 0.02 {
            self.heading += turn.clamp(-DT_S, DT_S);
        }
        let way = self.speed * (1.0 - 0.6 * turn.abs() / std::f64::consts::PI) * DT_S;
        self.at[0] += self.heading.cos() * way;
        self.at[1] += self.heading.sin() * way;
        way
    }
}
