//! A seeded kit for the study and the tests: a potting cart that drives round Larkfield nursery's yard,
//! anchors on posts, ranges that are good, NLOS or wild, each with its label kept.

use hereabout_core::Dimension;
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
    /// Standard Gaussian.
    pub(crate) fn gauss(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }
    /// Exponential with mean 1.
    pub(crate) fn exp(&mut self) -> f64 {
        Exp1.sample(&mut self.0)
    }
}

/// How ranges become NLOS.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Nlos {
    /// Each range on its own with this probability.
    Independent(f64),
    /// In stretches of a second on average, this share of the time.
    Stretches(f64),
}

/// What the tag does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Path {
    /// Drives from place to place at up to 1 m/s, with pauses.
    Cart,
    /// Stands.
    Still,
    /// Stands; every ten seconds it is somewhere else, 1 to 5 m away.
    Jumps,
}

/// A kit in its surroundings.
#[derive(Clone, Debug)]
pub(crate) struct Kit {
    /// For the table.
    pub(crate) name: &'static str,
    /// Anchor places, metres.
    pub(crate) anchors: Vec<[f64; 3]>,
    /// 2D at 0.9 m, or 3D.
    pub(crate) dimension: Dimension,
    /// Noise of a good range, metres.
    pub(crate) sigma_m: f64,
    /// How its ranges become NLOS.
    pub(crate) nlos: Nlos,
    /// Share of wild readings.
    pub(crate) wild: f64,
    /// What the tag does.
    pub(crate) path: Path,
    /// Spread of constant offsets that calibration left, metres.
    pub(crate) offset_sd_m: f64,
    /// One range per epoch, in turn, instead of all at once.
    pub(crate) one_at_a_time: bool,
    /// Anchor 0 is silent for 3 s of every 20.
    pub(crate) anchor_off: bool,
    /// A second board with anchor 1's id answers half of the time from here.
    pub(crate) double_of_1: Option<[f64; 3]>,
    /// Epochs per second.
    pub(crate) rate_hz: f64,
}

/// One range with what the tracker must not see.
#[derive(Clone, Copy, Debug)]
pub(crate) struct TrueRange {
    /// Index of the anchor.
    pub(crate) anchor: usize,
    /// As measured, metres.
    pub(crate) range_m: f64,
    /// Good: distance, offset and noise only.
    pub(crate) good: bool,
}

/// One epoch with its truth.
#[derive(Clone, Debug)]
pub(crate) struct TrueEpoch {
    /// Seconds from the start.
    pub(crate) t_s: f64,
    /// Where the tag is, metres.
    pub(crate) at_m: [f64; 3],
    /// Number of the jumps so far.
    pub(crate) jumps: usize,
    /// The ranges.
    pub(crate) ranges: Vec<TrueRange>,
}

const YARD: [f64; 2] = [16.0, 10.0];

/// Posts round the yard: `n` = 4 (corners), 5, or 8; alternating heights make 3D possible.
pub(crate) fn posts(n: usize, three_d: bool) -> Vec<[f64; 3]> {
    let [w, h] = YARD;
    let flat =
        [[0.0, 0.0], [w, 0.0], [w, h], [0.0, h], [0.5 * w, h], [0.5 * w, 0.0], [0.0, 0.5 * h], [w, 0.5 * h]];
    let up = |i: usize| if three_d { [0.3, 3.4, 0.5, 3.2, 0.4, 3.5, 3.3, 0.2][i] } else { 2.6 };
    (0..n).map(|i| [flat[i][0], flat[i][1], up(i)]).collect()
}

impl Kit {
    /// `n` anchors, nothing special.
    pub(crate) fn plain(name: &'static str, n: usize, three_d: bool, nlos: Nlos) -> Kit {
        let dimension = if three_d { Dimension::ThreeD } else { Dimension::TwoD { tag_height_m: 0.9 } };
        Kit {
            name,
            anchors: posts(n, three_d),
            dimension,
            sigma_m: 0.08,
            nlos,
            wild: 0.002,
            path: Path::Cart,
            offset_sd_m: 0.0,
            one_at_a_time: false,
            anchor_off: false,
            double_of_1: None,
            rate_hz: 10.0,
        }
    }

    /// `seconds` of ranges.
    pub(crate) fn run(&self, seconds: f64, seed: u64) -> Vec<TrueEpoch> {
        let mut dice = Dice::new(seed);
        let mut tag = Tag::new(self, &mut dice);
        let n = self.anchors.len();
        let offsets: Vec<f64> = (0..n).map(|_| dice.gauss() * self.offset_sd_m).collect();
        let mut delays: Vec<Option<f64>> = vec![None; n];
        let epochs = (seconds * self.rate_hz) as usize;
        let dt = 1.0 / self.rate_hz;
        (0..epochs)
            .map(|k| {
                let t_s = k as f64 * dt;
                let mut ranges = Vec::new();
                for i in 0..n {
                    self.next_delay(&mut delays[i], dt, &mut dice);
                    let off = self.anchor_off && i == 0 && t_s % 20.0 > 17.0;
                    let noise = dice.gauss() * self.sigma_m;
                    let wild = dice.unit() < self.wild;
                    let anywhere = dice.unit() * 60.0;
                    let other = dice.unit() < 0.5;
                    let turn = self.one_at_a_time && k % n != i;
                    if off || turn {
                        continue;
                    }
                    let double = self.double_of_1.filter(|_| i == 1 && other);
                    let distance = apart(&tag.at, &double.unwrap_or(self.anchors[i]));
                    let range_m = if wild {
                        anywhere
                    } else {
                        distance + offsets[i] + noise + delays[i].unwrap_or(0.0)
                    };
                    let good = !wild && delays[i].is_none() && double.is_none();
                    ranges.push(TrueRange { anchor: i, range_m: range_m.max(0.01), good });
                }
                let epoch = TrueEpoch { t_s, at_m: tag.at, jumps: tag.jumps, ranges };
                tag.step(self, t_s + dt, dt, &mut dice);
                epoch
            })
            .collect()
    }

    fn next_delay(&self, delay: &mut Option<f64>, dt: f64, dice: &mut Dice) {
        match self.nlos {
            Nlos::Independent(p) => {
                *delay = (dice.unit() < p).then(|| 0.2 + 0.6 * dice.exp());
            }
            Nlos::Stretches(p) => {
                let leave = (dt / 1.0).min(1.0);
                let enter = leave * p / (1.0 - p);
                *delay = match *delay {
                    None => (dice.unit() < enter).then(|| 0.2 + 0.6 * dice.exp()),
                    Some(_) if dice.unit() < leave => None,
                    Some(d) => Some((d + 0.05 * (dt / 0.1).sqrt() * dice.gauss()).max(0.1)),
                };
            }
        }
    }
}

/// Distance between two places.
pub(crate) fn apart(a: &[f64; 3], b: &[f64; 3]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b) * (a - b)).sum::<f64>().sqrt()
}

struct Tag {
    at: [f64; 3],
    speed: f64,
    heading: f64,
    target: [f64; 3],
    rest_until: f64,
    next_jump: f64,
    jumps: usize,
}

impl Tag {
    fn new(kit: &Kit, dice: &mut Dice) -> Tag {
        let mut tag = Tag {
            at: [0.0; 3],
            speed: 0.0,
            heading: dice.unit() * std::f64::consts::TAU,
            target: [0.0; 3],
            rest_until: 0.0,
            next_jump: 10.0,
            jumps: 0,
        };
        tag.at = Tag::somewhere(kit, dice);
        tag.target = Tag::somewhere(kit, dice);
        tag
    }

    fn somewhere(kit: &Kit, dice: &mut Dice) -> [f64; 3] {
        let up = match kit.dimension {
            Dimension::TwoD { tag_height_m } => tag_height_m,
            Dimension::ThreeD => 0.6 + 1.4 * dice.unit(),
        };
        [1.0 + (YARD[0] - 2.0) * dice.unit(), 1.0 + (YARD[1] - 2.0) * dice.unit(), up]
    }

    /// Turns towards the target at up to 1 rad/s, speeds up and brakes at 0.5 m/s².
    fn step(&mut self, kit: &Kit, t: f64, dt: f64, dice: &mut Dice) {
        match kit.path {
            Path::Still => {}
            Path::Jumps => {
                if t >= self.next_jump - 1e-9 {
                    self.next_jump += 10.0;
                    self.jumps += 1;
                    let from = self.at;
                    while !(1.0..5.0).contains(&apart(&from, &self.at)) {
                        self.at = Tag::somewhere(kit, dice);
                    }
                }
            }
            Path::Cart => self.drive(kit, t, dt, dice),
        }
    }

    fn drive(&mut self, kit: &Kit, t: f64, dt: f64, dice: &mut Dice) {
        let (dx, dy) = (self.target[0] - self.at[0], self.target[1] - self.at[1]);
        let left = (dx * dx + dy * dy).sqrt();
        if left < 0.3 || (self.speed < 0.05 && t < self.rest_until) {
            if t >= self.rest_until {
                self.rest_until = if dice.unit() < 0.5 { t + 5.0 * dice.unit() } else { t };
            }
            if left < 0.3 {
                self.target = Tag::somewhere(kit, dice);
            }
        }
        let resting = t < self.rest_until;
        let wish = if resting { 0.0 } else { 1.0_f64.min((0.6 * left).max(0.2)) };
        self.speed += (wish - self.speed).clamp(-0.5 * dt, 0.5 * dt);
        let mut turn = dy.atan2(dx) - self.heading;
        turn -= (turn / std::f64::consts::TAU).round() * std::f64::consts::TAU;
        self.heading += turn.clamp(-dt, dt) * if self.speed > 0.02 { 1.0 } else { 0.0 };
        let slow = 1.0 - 0.6 * (turn.abs() / std::f64::consts::PI);
        self.at[0] += self.heading.cos() * self.speed * slow * dt;
        self.at[1] += self.heading.sin() * self.speed * slow * dt;
        if kit.dimension == Dimension::ThreeD {
            self.at[2] += (self.target[2] - self.at[2]).clamp(-0.1 * dt, 0.1 * dt);
        }
    }
}
