//! What is counted: enters and leaves against the truth, delays, changes while resting on a border.

use hereabout_core::Zone;
use hereabout_core::{AnchorId, ZoneRule, ZoneShape, ZoneState};
use hereabout_engine::{Engine, Output};
use hereabout_solve::zone::Area;

use crate::kit::{
    Cart, Dice, Errors, Kit, RATE_HZ, TAG_UP_M, YARD_M, areas, feed, nine_zones, posts, site, stamp,
};

/// A crossing counts for the delays when the cart is at least this far beyond the border at the allowed time, metres:
/// it came at a steep angle and there is room behind.
const ROOM_M: f64 = 0.4;

/// Counts over some hours.
#[derive(Clone, Debug, Default)]
pub(crate) struct Tally {
    pub(crate) hours: f64,
    /// The truth came in and got deeper than 0.3 m.
    pub(crate) true_entries: u64,
    /// Became inside while the truth was farther outside than the protection radius; or outside at all.
    pub(crate) wrong_enters: u64,
    pub(crate) early_enters: u64,
    /// Became outside while the truth was deeper inside than the protection radius.
    pub(crate) wrong_leaves: u64,
    /// Seconds from the border at 1 m/s; infinite when it was not told before the truth turned.
    pub(crate) enter_s: Vec<f64>,
    pub(crate) leave_s: Vec<f64>,
    /// Reports, and those that were unknown.
    pub(crate) reports: u64,
    pub(crate) unknown: u64,
    /// State changes.
    pub(crate) changes: u64,
}

impl Tally {
    /// Adds another one.
    pub(crate) fn add(&mut self, other: Tally) {
        self.hours += other.hours;
        self.true_entries += other.true_entries;
        self.wrong_enters += other.wrong_enters;
        self.early_enters += other.early_enters;
        self.wrong_leaves += other.wrong_leaves;
        self.enter_s.extend(other.enter_s);
        self.leave_s.extend(other.leave_s);
        self.reports += other.reports;
        self.unknown += other.unknown;
        self.changes += other.changes;
    }
}

/// The quantile of type 7 (Hyndman & Fan); NaN without values.
pub(crate) fn quantile(values: &[f64], p: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let Some(last) = sorted.len().checked_sub(1) else { return f64::NAN };
    let at = p * last as f64;
    let (low, share) = (at.floor() as usize, at.fract());
    let high = sorted[(low + 1).min(last)];
    if share == 0.0 { sorted[low] } else { sorted[low] + share * (high - sorted[low]) }
}

/// What is known about one zone while the truth moves.
#[derive(Clone, Debug)]
struct Truth {
    distance_m: f64,
    /// When the border was crossed at 1 m/s and what must be told; `None` when nothing is waited for.
    waiting: Option<(f64, ZoneState)>,
    /// Came in and is not deeper than 0.3 m yet.
    coming: bool,
    state: ZoneState,
}

/// One simulated hour (or part) of a cart in the yard with nine zones.
pub(crate) fn drive(posts_: usize, late: f64, hours: f64, seed: u64) -> Tally {
    let mut dice = Dice::new(seed);
    let zones = nine_zones();
    let areas = areas(&zones);
    let places = posts(posts_);
    let mut kit = Kit::new(&places, Errors { late, wild: 0.002 }, &mut dice);
    let mut engine = Engine::new(site(&places, zones), None);
    let mut cart = Cart::new(&mut dice);
    let start = Truth { distance_m: f64::NAN, waiting: None, coming: false, state: ZoneState::Unknown };
    let mut truths = vec![start; areas.len()];
    let mut tally = Tally { hours, ..Tally::default() };
    for k in 0..(hours * 3600.0 * RATE_HZ) as usize {
        let was_m = cart.at_m;
        let speed = cart.speed_mps;
        cart.step(&mut dice);
        let now_s = k as f64 / RATE_HZ;
        let went = [cart.at_m[0] - was_m[0], cart.at_m[1] - was_m[1]];
        for (truth, area) in truths.iter_mut().zip(&areas) {
            truth.follow(area, cart.at_m, went, speed, now_s, &mut tally);
        }
        let epoch = kit.frame(stamp(k), [cart.at_m[0], cart.at_m[1], TAG_UP_M], &mut dice);
        let mut radius_m = f64::INFINITY;
        feed(&mut engine, &epoch, |output| match output {
            Output::Position(p) => radius_m = p.protection_radius_m.unwrap_or(f64::INFINITY),
            Output::Zone(z) => {
                tally.reports += 1;
                tally.unknown += u64::from(z.state == ZoneState::Unknown);
                if z.changed() {
                    truths[z.zone].told(z.state, radius_m, now_s, &mut tally);
                }
            }
            _ => {}
        });
    }
    tally
}

impl Truth {
    /// The truth goes on to `at_m`.
    fn follow(
        &mut self,
        area: &Area,
        at_m: [f64; 2],
        went: [f64; 2],
        speed: f64,
        now_s: f64,
        tally: &mut Tally,
    ) {
        let was_m = std::mem::replace(&mut self.distance_m, area.signed_distance_m(at_m));
        if was_m.is_nan() {
            return;
        }
        // It stops or turns right behind the border: no crossing at 1 m/s.
        let step = (went[0] * went[0] + went[1] * went[1]).sqrt();
        self.waiting =
            self.waiting.filter(|(since, _)| now_s - since > 1.2 || (step - 1.0 / RATE_HZ).abs() < 1e-9);
        if (was_m < 0.0) != (self.distance_m < 0.0) {
            // Out (in) again before it was told: there was room enough, so it should have been.
            if let Some((_, told)) = self.waiting.take() {
                let delays = if told == ZoneState::Inside { &mut tally.enter_s } else { &mut tally.leave_s };
                delays.push(f64::INFINITY);
            }
            // The instant within the frame, on a straight line.
            let share = was_m.abs() / (was_m.abs() + self.distance_m.abs());
            let crossed_s = now_s - (1.0 - share) / RATE_HZ;
            let inward = self.distance_m < 0.0;
            self.coming = inward;
            // Where it will be at the allowed time if it goes on, and that it goes straight there.
            let allowed_s = if inward { 0.6 } else { 0.8 };
            let ahead = |s: f64| area.signed_distance_m([0, 1].map(|i| at_m[i] + went[i] * s * RATE_HZ));
            let steep = if inward { ahead(allowed_s) < -ROOM_M } else { ahead(allowed_s) > ROOM_M + 0.15 };
            let known =
                if inward { self.state == ZoneState::Outside } else { self.state == ZoneState::Inside };
            if steep && known && (speed - 1.0).abs() < 1e-9 {
                let told = if inward { ZoneState::Inside } else { ZoneState::Outside };
                self.waiting = Some((crossed_s, told));
            }
        }
        if self.coming && self.distance_m < -0.3 {
            self.coming = false;
            tally.true_entries += 1;
        }
    }

    /// The engine said so.
    fn told(&mut self, state: ZoneState, radius_m: f64, now_s: f64, tally: &mut Tally) {
        self.state = state;
        tally.changes += 1;
        match state {
            ZoneState::Inside => {
                tally.wrong_enters += u64::from(self.distance_m > radius_m);
                tally.early_enters += u64::from(self.distance_m > 0.0);
            }
            ZoneState::Outside => tally.wrong_leaves += u64::from(-self.distance_m > radius_m),
            ZoneState::Unknown => {}
        }
        if let Some((since, _)) = self.waiting.take_if(|w| w.1 == state) {
            let delays = if state == ZoneState::Inside { &mut tally.enter_s } else { &mut tally.leave_s };
            delays.push(now_s - since);
        }
    }
}

/// Minutes of a tag that stands on the border of one zone after the other: hours in all, changes of state in all, and
/// those from inside to outside or back.
pub(crate) fn rest_on_borders(posts_: usize, late: f64, minutes: f64, seed: u64) -> (f64, u64, u64) {
    let mut dice = Dice::new(seed);
    let zones = nine_zones();
    let areas = areas(&zones);
    let places = posts(posts_);
    let (mut hours, mut changes, mut flips) = (0.0, 0, 0);
    for (index, area) in areas.iter().enumerate() {
        let at_m = border_place(area, &mut dice);
        let mut kit = Kit::new(&places, Errors { late, wild: 0.002 }, &mut dice);
        let mut engine = Engine::new(site(&places, zones.clone()), None);
        let mut known = ZoneState::Unknown;
        for k in 0..((1.0 + minutes) * 60.0 * RATE_HZ) as usize {
            let epoch = kit.frame(stamp(k), [at_m[0], at_m[1], TAG_UP_M], &mut dice);
            // The first minute is for finding a place at all.
            let counts = k as f64 >= 60.0 * RATE_HZ;
            feed(&mut engine, &epoch, |output| {
                let Output::Zone(z) = output else { return };
                if z.zone != index || !z.changed() {
                    return;
                }
                changes += u64::from(counts);
                if z.state != ZoneState::Unknown {
                    flips += u64::from(counts && known != ZoneState::Unknown && known != z.state);
                    known = z.state;
                }
            });
        }
        hours += minutes / 60.0;
    }
    (hours, changes, flips)
}

/// A place on the border: along a random ray from a random place.
fn border_place(area: &Area, dice: &mut Dice) -> [f64; 2] {
    loop {
        let from = [dice.between(0.0, YARD_M[0]), dice.between(0.0, YARD_M[1])];
        let (sin, cos) = dice.between(0.0, std::f64::consts::TAU).sin_cos();
        if let Some(t) = area.crossing_s(from, [cos, sin], 20.0) {
            return [from[0] + t * cos, from[1] + t * sin];
        }
    }
}

/// What a zone near the only anchor of a site did.
#[derive(Clone, Debug, Default)]
pub(crate) struct NearTally {
    pub(crate) hours: f64,
    pub(crate) false_enters: u64,
    pub(crate) wrong_leaves: u64,
    /// Hours with the tag inside, and of them unknown ones.
    pub(crate) inside_hours: f64,
    pub(crate) unknown_hours: f64,
    pub(crate) enter_s: Vec<f64>,
    pub(crate) leave_s: Vec<f64>,
}

impl NearTally {
    /// Adds another one.
    pub(crate) fn add(&mut self, other: NearTally) {
        self.hours += other.hours;
        self.false_enters += other.false_enters;
        self.wrong_leaves += other.wrong_leaves;
        self.inside_hours += other.inside_hours;
        self.unknown_hours += other.unknown_hours;
        self.enter_s.extend(other.enter_s);
        self.leave_s.extend(other.leave_s);
    }
}

/// Enter and leave distance of the zone near the anchor, metres.
const NEAR_M: [f64; 2] = [1.5, 2.5];

/// A tag that comes to the charger at 1 m/s, stays there for minutes and goes away for minutes, one anchor, one reading
/// in a hundred anywhere.
pub(crate) fn charge(late: f64, hours: f64, seed: u64) -> NearTally {
    let mut dice = Dice::new(seed);
    let places = [[0.0, 0.0, 2.6]];
    let shape = ZoneShape::Near { anchor: AnchorId(0), enter_m: NEAR_M[0], leave_m: NEAR_M[1] };
    let zones = vec![Zone { name: "charger".into(), shape, rule: ZoneRule::default() }];
    let mut kit = Kit::new(&places, Errors { late, wild: 0.01 }, &mut dice);
    let mut engine = Engine::new(site(&places, zones), None);
    let mut tally = NearTally { hours, ..NearTally::default() };
    let (mut away_m, mut goal_m, mut stay_s) = (6.0, 6.0, 90.0);
    let (mut state, mut crossed) = (ZoneState::Unknown, None);
    for k in 0..(hours * 3600.0 * RATE_HZ) as usize {
        let now_s = k as f64 / RATE_HZ;
        let was_m = away_m;
        if away_m == goal_m {
            stay_s -= 1.0 / RATE_HZ;
            if stay_s <= 0.0 {
                let inside = goal_m < NEAR_M[1];
                goal_m = if inside { dice.between(4.0, 14.0) } else { dice.between(0.3, 1.2) };
                stay_s = dice.between(20.0, 400.0);
            }
        } else {
            let step = 1.0 / RATE_HZ;
            away_m = if (goal_m - away_m).abs() <= step {
                goal_m
            } else {
                away_m + step * (goal_m - away_m).signum()
            };
        }
        if (was_m > NEAR_M[0]) != (away_m > NEAR_M[0]) && away_m < NEAR_M[0] {
            crossed = (state == ZoneState::Outside).then_some((now_s, ZoneState::Inside));
        }
        if was_m <= NEAR_M[1] && away_m > NEAR_M[1] {
            crossed = (state == ZoneState::Inside).then_some((now_s, ZoneState::Outside));
        }
        tally.inside_hours += if away_m <= NEAR_M[0] { 1.0 / RATE_HZ / 3600.0 } else { 0.0 };
        tally.unknown_hours += if state == ZoneState::Unknown { 1.0 / RATE_HZ / 3600.0 } else { 0.0 };
        let epoch = kit.frame(stamp(k), [away_m, 0.0, TAG_UP_M], &mut dice);
        feed(&mut engine, &epoch, |output| {
            let Output::Zone(z) = output else { return };
            if !z.changed() {
                return;
            }
            state = z.state;
            // A noise of three sigmas is no false answer.
            tally.false_enters += u64::from(state == ZoneState::Inside && away_m > NEAR_M[0] + 0.3);
            // Between the two distances either answer is right.
            tally.wrong_leaves += u64::from(state == ZoneState::Outside && away_m <= NEAR_M[0]);
            if let Some((since, _)) = crossed.take_if(|c| c.1 == state) {
                let delays = if state == ZoneState::Inside { &mut tally.enter_s } else { &mut tally.leave_s };
                delays.push(now_s - since);
            }
        });
    }
    tally
}
