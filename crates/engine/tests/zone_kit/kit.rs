//! A seeded kit for what is said about zones: Larkfield nursery's yard, zones all over it, a potting cart that
//! drives through them at several speeds or stands on a border, and ranges under the stated error model.
//!
//! **Errors.** Good range: distance + the anchor's residual offset (3 cm) + Gaussian noise (4 to 10 cm, by anchor).
//! Late, in stretches of 1.5 s on average, a stated share of the time: 0.2 m plus an exponential of mean 0.6 m on top,
//! wandering by 5 cm in a tenth of a second, whatever the rate of the frames. Wild, two readings in a thousand: anything up to 60 m. One range in a hundred is missing.
//! Each hour has its own noises, offsets and delays.

use hereabout_core::geometry::area::Area;
use hereabout_core::{
    Anchor, AnchorId, Correction, Epoch, Micros, RangeReading, Site, SiteDraft, TagId, Timestamp, Zone,
    ZoneRule, ZoneShape,
};
use hereabout_engine::{Engine, Input, Output};

/// East and north of the yard, metres.
pub(crate) const YARD_M: [f64; 2] = [16.0, 10.0];
/// Height of the tag, metres.
pub(crate) const TAG_UP_M: f64 = 0.9;
/// Frames per second, where nothing else is said.
pub(crate) const RATE_HZ: f64 = 10.0;
/// How long a late stretch lasts on average, seconds.
const STRETCH_S: f64 = 1.5;
/// How far a late range wanders in a tenth of a second, metres.
const WANDER_M: f64 = 0.05;

#[path = "../dice/mod.rs"]
mod dice;

pub(crate) use dice::Dice;

/// How ranges go wrong.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Errors {
    /// Share of late ranges.
    pub(crate) late: f64,
    /// Share of readings that mean nothing.
    pub(crate) wild: f64,
}

/// One anchor with its errors.
#[derive(Clone, Debug)]
struct Board {
    at_m: [f64; 3],
    sigma_m: f64,
    offset_m: f64,
    delay_m: Option<f64>,
}

/// The ranges of a kit, frame by frame.
#[derive(Clone, Debug)]
pub(crate) struct Kit {
    errors: Errors,
    rate_hz: f64,
    boards: Vec<Board>,
}

impl Kit {
    pub(crate) fn new(places_m: &[[f64; 3]], errors: Errors, dice: &mut Dice) -> Kit {
        Kit::at_rate(RATE_HZ, places_m, errors, dice)
    }

    /// One that sends so many frames a second.
    pub(crate) fn at_rate(rate_hz: f64, places_m: &[[f64; 3]], errors: Errors, dice: &mut Dice) -> Kit {
        let mut board = |at_m: &[f64; 3]| Board {
            at_m: *at_m,
            sigma_m: dice.between(0.04, 0.10),
            offset_m: 0.03 * dice.gauss(),
            delay_m: None,
        };
        Kit { errors, rate_hz, boards: places_m.iter().map(&mut board).collect() }
    }

    /// One frame of a tag at a place.
    pub(crate) fn frame(&mut self, at: Timestamp, tag_m: [f64; 3], dice: &mut Dice) -> Epoch {
        let (errors, rate_hz) = (self.errors, self.rate_hz);
        let reading = |(i, board): (usize, &mut Board)| {
            let range_m = board.range_m(tag_m, errors, rate_hz, dice);
            let missing = dice.odds(0.01);
            RangeReading { anchor: AnchorId(i as u16), raw_range_m: (!missing).then_some(range_m) }
        };
        let readings = self.boards.iter_mut().enumerate().map(reading).collect();
        Epoch::new(at, TagId(0), None, readings)
    }
}

impl Board {
    fn range_m(&mut self, tag_m: [f64; 3], errors: Errors, rate_hz: f64, dice: &mut Dice) -> f64 {
        let leave = (1.0 / (STRETCH_S * rate_hz)).min(1.0);
        let wander_m = WANDER_M * (10.0 / rate_hz).sqrt();
        let enter = leave * errors.late / (1.0 - errors.late);
        self.delay_m = match self.delay_m {
            None => dice.odds(enter).then(|| dice.delay()),
            Some(_) if dice.odds(leave) => None,
            Some(d) => Some((d + wander_m * dice.gauss()).max(0.1)),
        };
        if dice.odds(errors.wild) {
            return dice.between(0.1, 60.0);
        }
        let square: f64 = (0..3).map(|k| (self.at_m[k] - tag_m[k]) * (self.at_m[k] - tag_m[k])).sum();
        let noise = self.sigma_m * dice.gauss();
        (square.sqrt() + self.offset_m + noise + self.delay_m.unwrap_or(0.0)).max(0.05)
    }
}

/// Posts round the yard: 5, or 8.
pub(crate) fn posts(n: usize) -> Vec<[f64; 3]> {
    let [e, n_] = YARD_M;
    let flat = [
        [0.0, 0.0],
        [e, 0.0],
        [e, n_],
        [0.0, n_],
        [0.5 * e, n_],
        [0.5 * e, 0.0],
        [0.0, 0.5 * n_],
        [e, 0.5 * n_],
    ];
    flat.iter().take(n).map(|p| [p[0], p[1], 2.6]).collect()
}

/// A site with these anchors and zones.
pub(crate) fn site(places_m: &[[f64; 3]], zones: Vec<Zone>) -> Site {
    let anchor = |(i, at_m): (usize, &[f64; 3])| Anchor {
        id: AnchorId(i as u16),
        name: format!("post {i}"),
        at_m: *at_m,
        range_sigma_m: 0.1,
        slot: None,
        correction: Correction { offset_m: 0.0, scale: 1.0, offset_se_m: Some(0.03) },
    };
    let draft = SiteDraft {
        name: "Larkfield nursery".into(),
        anchors: places_m.iter().enumerate().map(anchor).collect(),
        zones,
        ..hereabout_fixtures::draft(places_m)
    };
    draft.validate().expect("a valid site").0
}

fn zone(name: &str, shape: ZoneShape) -> Zone {
    Zone { name: name.into(), shape, rule: ZoneRule::default() }
}

fn outline(outline_m: Vec<[f64; 2]>, holes_m: Vec<Vec<[f64; 2]>>) -> ZoneShape {
    ZoneShape::Polygon { outline_m, holes_m }
}

/// Nine zones: large and small, square, crooked, round, with a hole.
pub(crate) fn nine_zones() -> Vec<Zone> {
    let rectangle = |e: f64, n: f64, w: f64, h: f64| {
        outline(vec![[e, n], [e + w, n], [e + w, n + h], [e, n + h]], Vec::new())
    };
    let hole = vec![[11.5, 6.0], [13.5, 6.0], [13.5, 8.0], [11.5, 8.0]];
    vec![
        zone("roller door", rectangle(2.0, 0.5, 3.0, 2.0)),
        zone("yard, west", rectangle(0.5, 0.5, 7.0, 9.0)),
        zone("potting bench", rectangle(6.0, 6.5, 1.6, 1.6)),
        zone("glasshouse", outline(vec![[10.0, 4.5], [15.0, 4.5], [15.0, 9.5], [10.0, 9.5]], vec![hole])),
        zone(
            "path",
            outline(vec![[1.0, 4.0], [9.0, 4.0], [9.0, 8.0], [7.5, 8.0], [7.5, 5.5], [1.0, 5.5]], Vec::new()),
        ),
        zone("compost", outline(vec![[12.0, 0.5], [15.5, 1.5], [13.5, 4.0]], Vec::new())),
        zone("turning circle", ZoneShape::Circle { at_m: [9.0, 2.5], radius_m: 1.5 }),
        zone("tank", ZoneShape::Circle { at_m: [3.5, 7.5], radius_m: 0.8 }),
        zone("yard, middle", ZoneShape::Circle { at_m: [8.0, 5.0], radius_m: 3.5 }),
    ]
}

/// The same areas for the truth.
pub(crate) fn areas(zones: &[Zone]) -> Vec<Area> {
    let area = |z: &Zone| match &z.shape {
        ZoneShape::Polygon { outline_m, holes_m } => Area::polygon(outline_m, holes_m),
        ZoneShape::Circle { at_m, radius_m } => Area::circle(*at_m, *radius_m),
        ZoneShape::Near { .. } => panic!("no area"),
    };
    zones.iter().map(area).collect()
}

/// Frame number `k` of a run.
pub(crate) fn stamp(k: usize) -> Timestamp {
    let start = Timestamp::from_micros(1_700_000_000_000_000);
    start.plus(Micros::from_micros((k as f64 * 1e6 / RATE_HZ).round() as i64))
}

/// Feeds one epoch and gives what came of it to `each`.
pub(crate) fn feed(engine: &mut Engine, epoch: &Epoch, mut each: impl FnMut(&Output)) {
    engine.handle(Input::Epoch(epoch));
    while let Some(output) = engine.poll_output() {
        each(&output);
    }
}

/// A cart that drives straight from place to place, at a speed of its own for each leg, with rests.
#[derive(Clone, Debug)]
pub(crate) struct Cart {
    pub(crate) at_m: [f64; 2],
    pub(crate) speed_mps: f64,
    goal_m: [f64; 2],
    rest_s: f64,
}

impl Cart {
    pub(crate) fn new(dice: &mut Dice) -> Cart {
        let at_m = Cart::somewhere(dice);
        Cart { at_m, speed_mps: 1.0, goal_m: at_m, rest_s: 0.0 }
    }

    fn somewhere(dice: &mut Dice) -> [f64; 2] {
        [dice.between(0.3, YARD_M[0] - 0.3), dice.between(0.3, YARD_M[1] - 0.3)]
    }

    /// One frame later.
    pub(crate) fn step(&mut self, dice: &mut Dice) {
        let mut left_s = 1.0 / RATE_HZ;
        if self.rest_s > 0.0 {
            self.rest_s -= left_s;
            return;
        }
        let d = [self.goal_m[0] - self.at_m[0], self.goal_m[1] - self.at_m[1]];
        let far = (d[0] * d[0] + d[1] * d[1]).sqrt();
        if far <= self.speed_mps * left_s {
            self.at_m = self.goal_m;
            self.goal_m = Cart::somewhere(dice);
            self.speed_mps = [0.3, 0.6, 1.0, 1.0, 1.4][dice.between(0.0, 5.0) as usize % 5];
            self.rest_s = if dice.odds(0.4) { dice.between(0.0, 10.0) } else { 0.0 };
            left_s = 0.0;
        }
        let share = if far > 0.0 { (self.speed_mps * left_s / far).min(1.0) } else { 0.0 };
        self.at_m = [self.at_m[0] + share * d[0], self.at_m[1] + share * d[1]];
    }
}
