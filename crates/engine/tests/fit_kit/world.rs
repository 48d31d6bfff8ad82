//! Random small sites, a tag that walks in them, and everything that people get wrong when they write the site file.
//!
//! **Sites.** 4 to 8 anchors round an area of 8 to 30 by 6 to 20 metres, some of them inside, 1.8 to 3.5 m up (3D: low and high in turn, 0.3 to 0.9 m and 3 to 5 m), at
//! least 2 m apart. Half of the files of 2D sites and all of 3D sites say where the tag can be. The tag walks from place to place at 0.3 to 1.4 m/s with rests, 0.9 m up; in 3D its height wanders between 0.4 and 1.6 m.
//!
//! **Errors.** Good range: distance + offset + N(0, σ), σ 4 to 10 cm by anchor. Half of the sites are calibrated (2 cm are left,
//! and the file says so), the others are not (15 cm, at most 45). Late, in stretches of 1.5 s on average, 3 in 10 of the time: 0.2 m plus an
//! exponential of mean 0.6 m. Somebody stands in front of an anchor for one to three minutes: then it is late for 8 in 10 of the time. 2 readings in
//! a thousand mean nothing, 1 in a hundred is missing. Ten frames a second.

use hereabout_core::{
    Anchor, AnchorId, Correction, Dimension, Epoch, Fence, RangeReading, Site, SiteDraft, TagId, Timestamp,
    Zone, ZoneRule, ZoneShape,
};

/// Frames per second.
pub(crate) const RATE_HZ: f64 = 10.0;
/// Height of the tag in 2D, metres.
pub(crate) const TAG_UP_M: f64 = 0.9;
/// How long a late stretch lasts on average, seconds.
const STRETCH_S: f64 = 1.5;

#[path = "../dice/mod.rs"]
mod dice;

use dice::Dice;

/// One of `n`.
fn pick(dice: &mut Dice, n: usize) -> usize {
    (dice.between(0.0, n as f64) as usize).min(n - 1)
}

fn shuffled(dice: &mut Dice, n: usize) -> Vec<usize> {
    let mut order: Vec<usize> = (0..n).collect();
    for k in (1..n).rev() {
        order.swap(k, pick(dice, k + 1));
    }
    order
}

/// What is wrong in the site file, or on its way there.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(test, expect(dead_code, reason = "the study tries all of them, the tests some"))]
pub(crate) enum Fault {
    /// Nothing.
    None,
    /// Ranges come out this many times too long or short: true metres per metre as taken.
    Unit(f64),
    /// The same for a factor of no unit.
    Scale(f64),
    /// Two anchors next to each other exchanged.
    SwapNeighbours,
    /// Two anchors far from each other exchanged.
    SwapOpposite,
    /// The opposite order.
    Reversed,
    /// Any other order.
    Shuffled,
    /// One place off by so many metres, between the two.
    Place(f64, f64),
    /// Two places off.
    TwoPlaces(f64, f64),
    /// One anchor stated higher or lower than it is.
    AnchorHeight(f64),
    /// The tag stated higher than it is (2D).
    TagHeight(f64),
}

/// How the kit behaves.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Ways {
    /// Share of late ranges.
    pub(crate) late: f64,
    /// Chance per minute that somebody stops in front of an anchor.
    pub(crate) persons: f64,
}

/// As in the module's words.
pub(crate) const USUAL: Ways = Ways { late: 0.3, persons: 0.2 };

#[derive(Clone, Debug)]
struct Board {
    at_m: [f64; 3],
    sigma_m: f64,
    offset_m: f64,
    delay_m: Option<f64>,
    blocked_until_s: f64,
}

/// A site, as it is and as it is stated, with its tag.
#[derive(Clone, Debug)]
pub(crate) struct World {
    dice: Dice,
    ways: Ways,
    boards: Vec<Board>,
    /// What the site file says.
    pub(crate) site: Site,
    pub(crate) three_d: bool,
    size_m: [f64; 2],
    factor: f64,
    /// Which board fills each range field.
    order: Vec<usize>,
    /// What is wrong, exactly: the anchors that a fault is about.
    pub(crate) about: Vec<usize>,
    frame: u64,
    pub(crate) tag_m: [f64; 3],
    goal_m: [f64; 3],
    speed_mps: f64,
    rest_s: f64,
    pub(crate) walked_m: f64,
    /// The tag stays where it is.
    pub(crate) stands: bool,
}

fn distance(a: &[f64; 3], b: &[f64; 3]) -> f64 {
    (0..3).map(|k| (a[k] - b[k]) * (a[k] - b[k])).sum::<f64>().sqrt()
}

/// Anchors round the area, and a few inside.
fn posts(n: usize, size_m: [f64; 2], three_d: bool, dice: &mut Dice) -> Vec<[f64; 3]> {
    loop {
        let mut out: Vec<[f64; 3]> = Vec::new();
        let mut tries = 0;
        while out.len() < n && tries < 500 {
            tries += 1;
            let (e, w) = (dice.between(0.0, size_m[0]), dice.between(0.0, size_m[1]));
            let [e, w] = match pick(dice, 9) {
                0 | 1 => [e, 0.0],
                2 | 3 => [e, size_m[1]],
                4 | 5 => [0.0, w],
                6 | 7 => [size_m[0], w],
                _ => [e, w],
            };
            let up = match (three_d, out.len() % 2) {
                (false, _) => dice.between(1.8, 3.5),
                (true, 0) => dice.between(3.0, 5.0),
                (true, _) => dice.between(0.3, 0.9),
            };
            if out.iter().all(|p| distance(&[p[0], p[1], 0.0], &[e, w, 0.0]) > 2.0) {
                out.push([e, w, up]);
            }
        }
        if out.len() == n && wide(&out, size_m, three_d) {
            return out;
        }
    }
}

/// Whether the anchors span the area, and the heights in 3D.
fn wide(posts: &[[f64; 3]], size_m: [f64; 2], three_d: bool) -> bool {
    let span = |k: usize| {
        let (lo, hi) = posts.iter().fold((f64::MAX, f64::MIN), |(lo, hi), p| (lo.min(p[k]), hi.max(p[k])));
        hi - lo
    };
    span(0) > 0.7 * size_m[0] && span(1) > 0.7 * size_m[1] && (!three_d || span(2) > 2.5)
}

impl World {
    /// `n` anchors, 2D or 3D, with a fault.
    pub(crate) fn new(n: usize, three_d: bool, fault: Fault, ways: Ways, seed: u64) -> World {
        let mut dice = Dice::new(seed);
        let size_m = [dice.between(8.0, 30.0), dice.between(6.0, 20.0)];
        let places = posts(n, size_m, three_d, &mut dice);
        let calibrated = dice.odds(0.5);
        let sd_m = if calibrated { 0.02 } else { 0.15 };
        let mut board = |at_m: &[f64; 3]| Board {
            at_m: *at_m,
            sigma_m: dice.between(0.04, 0.10),
            offset_m: (sd_m * dice.gauss()).clamp(-0.45, 0.45),
            delay_m: None,
            blocked_until_s: 0.0,
        };
        let boards: Vec<Board> = places.iter().map(&mut board).collect();
        let mut stated = Stated { places, order: (0..n).collect(), factor: 1.0, tag_up_m: TAG_UP_M };
        let about = stated.spoil(fault, size_m, &mut dice);
        let fenced = three_d || dice.odds(0.5);
        let site = site(&stated, three_d, calibrated, fenced.then_some(size_m));
        let tag_m = [0.5 * size_m[0], 0.5 * size_m[1], TAG_UP_M];
        World {
            ways,
            boards,
            site,
            three_d,
            size_m,
            factor: stated.factor,
            order: stated.order,
            about,
            frame: 0,
            tag_m,
            goal_m: tag_m,
            speed_mps: 1.0,
            rest_s: 0.0,
            walked_m: 0.0,
            stands: false,
            dice,
        }
    }

    /// What the board of an anchor reads too long at present, beside its noise, metres, and whether somebody stands in front of it.
    pub(crate) fn excess_m(&self, anchor: usize) -> (f64, bool) {
        let board = &self.boards[anchor];
        (board.offset_m, self.t_s() < board.blocked_until_s + 60.0)
    }

    /// Which anchor's board fills each range field.
    pub(crate) fn order(&self) -> &[usize] {
        &self.order
    }

    /// Seconds since the start.
    pub(crate) fn t_s(&self) -> f64 {
        self.frame as f64 / RATE_HZ
    }

    /// The next frame.
    pub(crate) fn epoch(&mut self) -> Epoch {
        let t_s = self.t_s();
        let micros = 1_700_000_000_000_000 + (t_s * 1e6).round() as i64;
        if !self.stands {
            self.walk();
        }
        if self.dice.odds(self.ways.persons / 60.0 / RATE_HZ) {
            let (who, long_s) = (pick(&mut self.dice, self.boards.len()), self.dice.between(60.0, 180.0));
            self.boards[who].blocked_until_s = t_s + long_s;
        }
        let ranges: Vec<Option<f64>> = (0..self.boards.len()).map(|i| self.range_m(i, t_s)).collect();
        let told = |slot: usize| ranges[self.order[slot]].map(|r| r / self.factor);
        let readings = (0..ranges.len())
            .map(|slot| RangeReading { anchor: AnchorId(slot as u16), raw_range_m: told(slot) })
            .collect();
        self.frame += 1;
        Epoch::new(Timestamp::from_micros(micros), TagId(0), None, readings)
    }

    fn range_m(&mut self, i: usize, t_s: f64) -> Option<f64> {
        let (dice, board) = (&mut self.dice, &mut self.boards[i]);
        let late = if t_s < board.blocked_until_s { 0.8 } else { self.ways.late };
        let leave = 1.0 / (STRETCH_S * RATE_HZ);
        board.delay_m = match board.delay_m {
            None => dice.odds(leave * late / (1.0 - late)).then(|| dice.delay()),
            Some(_) if dice.odds(leave) => None,
            Some(d) => Some((d + 0.05 * dice.gauss()).max(0.1)),
        };
        let wild = dice.odds(0.002).then(|| dice.between(0.1, 60.0));
        let noise_m = board.sigma_m * dice.gauss();
        let good_m = distance(&board.at_m, &self.tag_m) + board.offset_m + noise_m;
        let range_m = wild.unwrap_or(good_m + board.delay_m.unwrap_or(0.0)).max(0.05);
        // Whole centimetres, as kits send them.
        (!dice.odds(0.01)).then_some((range_m * 100.0).round() / 100.0)
    }

    fn walk(&mut self) {
        let dt_s = 1.0 / RATE_HZ;
        if self.rest_s > 0.0 {
            self.rest_s -= dt_s;
            return;
        }
        let far_m = distance(&self.goal_m, &self.tag_m);
        let step_m = self.speed_mps * dt_s;
        if far_m <= step_m {
            let dice = &mut self.dice;
            let up_m = if self.three_d { dice.between(0.4, 1.6) } else { TAG_UP_M };
            let inside = |k: usize, dice: &mut Dice| dice.between(0.3, self.size_m[k] - 0.3);
            self.goal_m = [inside(0, dice), inside(1, dice), up_m];
            self.speed_mps = dice.between(0.3, 1.4);
            self.rest_s = if dice.odds(0.4) { dice.between(0.0, 10.0) } else { 0.0 };
            return;
        }
        for (at, goal) in self.tag_m.iter_mut().zip(self.goal_m) {
            *at += (goal - *at) * step_m / far_m;
        }
        self.walked_m += step_m;
    }
}

/// What is stated.
struct Stated {
    places: Vec<[f64; 3]>,
    order: Vec<usize>,
    factor: f64,
    tag_up_m: f64,
}

impl Stated {
    /// Puts a fault in; the anchors that it is about.
    fn spoil(&mut self, fault: Fault, size_m: [f64; 2], dice: &mut Dice) -> Vec<usize> {
        let n = self.places.len();
        match fault {
            Fault::None => Vec::new(),
            Fault::Unit(factor) | Fault::Scale(factor) => {
                self.factor = factor;
                Vec::new()
            }
            Fault::SwapNeighbours | Fault::SwapOpposite => {
                let a = pick(dice, n);
                let mut others: Vec<usize> = (0..n).filter(|i| *i != a).collect();
                let from_a = |i: &usize| distance(&self.places[a], &self.places[*i]);
                others.sort_by(|x, y| from_a(x).total_cmp(&from_a(y)));
                let b = if fault == Fault::SwapOpposite { others[n - 2] } else { others[0] };
                self.order.swap(a, b);
                vec![a.min(b), a.max(b)]
            }
            Fault::Reversed => {
                self.order.reverse();
                Vec::new()
            }
            Fault::Shuffled => {
                while self.order.iter().enumerate().filter(|(i, o)| i != *o).count() < 3 {
                    self.order = shuffled(dice, n);
                }
                Vec::new()
            }
            Fault::Place(low, high) => {
                let a = pick(dice, n);
                self.shift(a, low, high, size_m, dice);
                vec![a]
            }
            Fault::TwoPlaces(low, high) => {
                let a = pick(dice, n);
                let b = (a + 1 + pick(dice, n - 1)) % n;
                self.shift(a, low, high, size_m, dice);
                self.shift(b, low, high, size_m, dice);
                vec![a.min(b), a.max(b)]
            }
            Fault::AnchorHeight(by_m) => {
                let a = pick(dice, n);
                self.places[a][2] += if dice.odds(0.5) { by_m } else { -by_m };
                vec![a]
            }
            Fault::TagHeight(up_m) => {
                self.tag_up_m = up_m;
                Vec::new()
            }
        }
    }

    /// States an anchor elsewhere in the plane, and not where another one is.
    fn shift(&mut self, a: usize, low: f64, high: f64, size_m: [f64; 2], dice: &mut Dice) {
        let from = self.places[a];
        for _ in 0..1_000 {
            let (by_m, turn) = (dice.between(low, high), dice.between(0.0, std::f64::consts::TAU));
            let to = [from[0] + by_m * turn.cos(), from[1] + by_m * turn.sin(), from[2]];
            let near = |(i, p): (usize, &[f64; 3])| i != a && distance(p, &to) < 0.5;
            let within = |k: usize| (-5.0..size_m[k] + 5.0).contains(&to[k]) || by_m < 3.0;
            if within(0) && within(1) && !self.places.iter().enumerate().any(near) {
                self.places[a] = to;
                return;
            }
        }
    }
}

/// The site as it is stated.
fn site(stated: &Stated, three_d: bool, calibrated: bool, area_m: Option<[f64; 2]>) -> Site {
    let anchor = |(i, at_m): (usize, &[f64; 3])| Anchor {
        id: AnchorId(i as u16),
        name: format!("post {i}"),
        at_m: *at_m,
        range_sigma_m: 0.1,
        slot: None,
        correction: Correction { offset_m: 0.0, scale: 1.0, offset_se_m: calibrated.then_some(0.02) },
    };
    let dimension =
        if three_d { Dimension::ThreeD } else { Dimension::TwoD { tag_height_m: stated.tag_up_m } };
    // Whoever is anywhere is in it.
    let yard = ZoneShape::Circle { at_m: [5.0, 5.0], radius_m: 80.0 };
    let draft = SiteDraft {
        name: "Larkfield nursery".into(),
        dimension,
        fence: area_m.map_or_else(Fence::default, |[e, n]| Fence {
            area_m: vec![[0.0, 0.0], [e, 0.0], [e, n], [0.0, n]],
            up_span_m: three_d.then_some([0.0, 2.2]),
        }),
        anchors: stated.places.iter().enumerate().map(anchor).collect(),
        zones: vec![Zone { name: "yard".into(), shape: yard, rule: ZoneRule::default() }],
        range_fields: Some(stated.places.len()),
        ..hereabout_fixtures::draft(&[])
    };
    draft.validate().expect("a valid site").0
}
