//! What is counted: the time in which a standing answer is wrong, enters and leaves against the truth, delays, changes
//! while resting on a border.
//!
//! **An answer stands** from its report until the next one, and no longer than its `valid_until`, as for a client that
//! obeys it. It is wrong while it says inside and the truth is outside by more than a slack, or the other way
//! round. The slack is the 95 % radius of the tag's last position, and once more its protection radius; near an anchor it is [`NEAR_SLACK_M`]. A zone
//! is left only beyond its margin, so a tag that rests between the two is called inside by the rule, and for as long
//! as it rests: what is farther out than radius and margin together is counted apart.

use hereabout_core::geometry::area::Area;
use hereabout_core::{AnchorId, Micros, Timestamp, Zone, ZoneRule, ZoneShape, ZoneState};
use hereabout_engine::{Engine, Output, ZoneReport};

use crate::kit::{
    Cart, Dice, Errors, Kit, RATE_HZ, TAG_UP_M, YARD_M, areas, feed, nine_zones, posts, site, stamp,
};

/// A crossing counts for the delays when the cart is at least this far beyond the border at the allowed time, metres:
/// it came at a steep angle and there is room behind.
const ROOM_M: f64 = 0.4;

/// The slack near an anchor, metres.
const NEAR_SLACK_M: f64 = 0.5;

/// Stretches without a break in which one answer was wrong, seconds.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct WrongTime {
    /// All of them together.
    pub(crate) total_s: f64,
    /// What came after the first second of each.
    pub(crate) after_1_s: f64,
    /// The longest one.
    pub(crate) longest_s: f64,
}

impl WrongTime {
    fn add(&mut self, other: WrongTime) {
        self.total_s += other.total_s;
        self.after_1_s += other.after_1_s;
        self.longest_s = self.longest_s.max(other.longest_s);
    }
}

/// What both answers were wrong for.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Wrong {
    /// It said inside.
    pub(crate) inside: WrongTime,
    /// It said inside, and the truth was beyond the zone's margin as well.
    pub(crate) beyond: WrongTime,
    /// It said outside.
    pub(crate) outside: WrongTime,
}

impl Wrong {
    fn add(&mut self, other: Wrong) {
        self.inside.add(other.inside);
        self.beyond.add(other.beyond);
        self.outside.add(other.outside);
    }
}

/// Off the truth without a break for so long, seconds.
#[derive(Clone, Copy, Debug, Default)]
struct Stretch(f64);

impl Stretch {
    /// So much more, or an end.
    fn go_on(&mut self, wrong: bool, stands_s: f64, sum: &mut WrongTime) {
        if !wrong {
            self.0 = 0.0;
            return;
        }
        let was_s = self.0;
        self.0 += stands_s;
        sum.total_s += stands_s;
        sum.after_1_s += (self.0 - was_s.max(1.0)).max(0.0);
        sum.longest_s = sum.longest_s.max(self.0);
    }
}

/// The answer that a client holds at present, and for how long it has been wrong.
#[derive(Clone, Copy, Debug)]
struct Standing {
    state: ZoneState,
    until: Timestamp,
    inside: Stretch,
    beyond: Stretch,
    outside: Stretch,
}

impl Standing {
    const NOTHING: Standing = Standing {
        state: ZoneState::Unknown,
        until: Timestamp::MIN,
        inside: Stretch(0.0),
        beyond: Stretch(0.0),
        outside: Stretch(0.0),
    };

    /// A report takes its place.
    fn hear(&mut self, report: &ZoneReport) {
        (self.state, self.until) = (report.state, report.valid_until);
    }

    /// Time goes on between two instants in which no report comes, with the truth so far out of where it may be
    /// called inside and so far into where it may be called outside.
    fn pass(&mut self, from: Timestamp, to: Timestamp, off: Off, sum: &mut Wrong) {
        let stands_s = to.min(self.until).since(from).secs_f64();
        let says = |state| self.state == state && stands_s > 0.0;
        let (inside, outside) = (says(ZoneState::Inside), says(ZoneState::Outside));
        self.inside.go_on(inside && off.out_m > off.slack_m, stands_s, &mut sum.inside);
        self.beyond.go_on(inside && off.out_m > off.slack_m + off.margin_m, stands_s, &mut sum.beyond);
        self.outside.go_on(outside && off.in_m > off.slack_m, stands_s, &mut sum.outside);
        if self.until < to {
            *self = Standing::NOTHING;
        }
    }
}

/// How far off the two answers are, metres.
#[derive(Clone, Copy, Debug)]
struct Off {
    /// The truth is so far out of the zone …
    out_m: f64,
    /// … and so far inside.
    in_m: f64,
    slack_m: f64,
    margin_m: f64,
}

/// Counts over some hours.
#[derive(Clone, Debug, Default)]
pub(crate) struct DriveTotals {
    pub(crate) hours: f64,
    /// Time of wrong answers, over all zones.
    pub(crate) far: Wrong,
    /// The same by the 95 % radius, which is smaller: what is left of it are the dwells of the crossings.
    pub(crate) wrong: Wrong,
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

impl DriveTotals {
    /// Adds another one.
    pub(crate) fn add(&mut self, other: DriveTotals) {
        self.hours += other.hours;
        self.wrong.add(other.wrong);
        self.far.add(other.far);
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
    /// When the border was crossed at 1 m/s and what must be published; `None` when nothing is waited for.
    waiting: Option<(f64, ZoneState)>,
    /// Came in and is not deeper than 0.3 m yet.
    coming: bool,
    state: ZoneState,
}

/// One simulated hour (or part) of a cart in the yard with nine zones.
pub(crate) fn drive(posts_: usize, late: f64, hours: f64, seed: u64) -> DriveTotals {
    let mut dice = Dice::new(seed);
    let zones = nine_zones();
    let areas = areas(&zones);
    let places = posts(posts_);
    let mut kit = Kit::new(&places, Errors { late, wild: 0.002 }, &mut dice);
    let mut engine = Engine::new(site(&places, zones), None);
    let mut cart = Cart::new(&mut dice);
    let start = Truth { distance_m: f64::NAN, waiting: None, coming: false, state: ZoneState::Unknown };
    let mut truths = vec![start; areas.len()];
    let mut standing = vec![Standing::NOTHING; areas.len()];
    let mut standing_far = standing.clone();
    let mut tally = DriveTotals { hours, ..DriveTotals::default() };
    let (mut radius_m, mut radius95_m) = (f64::INFINITY, f64::INFINITY);
    let margin_m = ZoneRule::default().margin_m;
    for k in 0..(hours * 3600.0 * RATE_HZ) as usize {
        let was_m = cart.at_m;
        let speed = cart.speed_mps;
        cart.step(&mut dice);
        let now_s = k as f64 / RATE_HZ;
        let went = [cart.at_m[0] - was_m[0], cart.at_m[1] - was_m[1]];
        for (truth, area) in truths.iter_mut().zip(&areas) {
            truth.follow(area, cart.at_m, went, speed, now_s, &mut tally);
        }
        if k > 0 {
            // The truth at the end counts for the tenth of a second before it.
            for ((answer, far), truth) in standing.iter_mut().zip(&mut standing_far).zip(&truths) {
                let (out_m, in_m) = (truth.distance_m, -truth.distance_m);
                let off = Off { out_m, in_m, slack_m: radius95_m, margin_m };
                answer.pass(stamp(k - 1), stamp(k), off, &mut tally.wrong);
                let off = Off { slack_m: radius_m, ..off };
                far.pass(stamp(k - 1), stamp(k), off, &mut tally.far);
            }
        }
        let epoch = kit.frame(stamp(k), [cart.at_m[0], cart.at_m[1], TAG_UP_M], &mut dice);
        feed(&mut engine, &epoch, |output| match output {
            Output::Position(p) => {
                radius_m = p.protection_radius_m().unwrap_or(f64::INFINITY);
                radius95_m = p.radius95_m().unwrap_or(f64::INFINITY);
            }
            Output::Zone(z) => {
                standing[z.zone].hear(z);
                standing_far[z.zone].hear(z);
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
        tally: &mut DriveTotals,
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
            // Out (in) again before it was reported: there was room enough, so it should have been.
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
    fn told(&mut self, state: ZoneState, radius_m: f64, now_s: f64, tally: &mut DriveTotals) {
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
pub(crate) struct NearTotals {
    pub(crate) hours: f64,
    /// Time of wrong answers.
    pub(crate) wrong: Wrong,
    pub(crate) false_enters: u64,
    pub(crate) wrong_leaves: u64,
    /// Hours with the tag inside, and hours in which the answer was unknown.
    pub(crate) inside_hours: f64,
    pub(crate) unknown_hours: f64,
    pub(crate) enter_s: Vec<f64>,
    pub(crate) leave_s: Vec<f64>,
}

impl NearTotals {
    /// Adds another one.
    pub(crate) fn add(&mut self, other: NearTotals) {
        self.hours += other.hours;
        self.wrong.add(other.wrong);
        self.false_enters += other.false_enters;
        self.wrong_leaves += other.wrong_leaves;
        self.inside_hours += other.inside_hours;
        self.unknown_hours += other.unknown_hours;
        self.enter_s.extend(other.enter_s);
        self.leave_s.extend(other.leave_s);
    }

    /// The engine said so while the tag was so far away.
    fn told(&mut self, state: ZoneState, away_m: f64) {
        // A noise of three sigmas is no false answer.
        self.false_enters += u64::from(state == ZoneState::Inside && away_m > NEAR_M[0] + 0.3);
        // Between the two distances either answer is right.
        self.wrong_leaves += u64::from(state == ZoneState::Outside && away_m <= NEAR_M[0]);
    }
}

/// Enter and leave distance of the zone near the anchor, metres.
const NEAR_M: [f64; 2] = [1.5, 2.5];

/// The way is followed in steps of this many a second at least.
const STEPS_HZ: f64 = 40.0;

/// A tag that comes to the charger and goes away from it, along a line.
#[derive(Clone, Debug)]
struct Comer {
    away_m: f64,
    goal_m: f64,
    stay_s: f64,
    speed_mps: f64,
}

impl Comer {
    /// So much later.
    fn step(&mut self, step_s: f64, dice: &mut Dice) {
        if self.away_m == self.goal_m {
            self.stay_s -= step_s;
            if self.stay_s <= 0.0 {
                let inside = self.goal_m < NEAR_M[1];
                self.goal_m = if inside { dice.between(4.0, 14.0) } else { dice.between(0.3, 1.2) };
                self.stay_s = dice.between(20.0, 400.0);
            }
            return;
        }
        let (left_m, step_m) = (self.goal_m - self.away_m, self.speed_mps * step_s);
        self.away_m =
            if left_m.abs() <= step_m { self.goal_m } else { self.away_m + step_m * left_m.signum() };
    }

    /// Between the two distances either answer is right.
    fn off(&self) -> Off {
        let (out_m, in_m) = (self.away_m - NEAR_M[1], NEAR_M[0] - self.away_m);
        Off { out_m, in_m, slack_m: NEAR_SLACK_M, margin_m: 0.0 }
    }
}

/// One run near the charger.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Charge {
    /// Share of late ranges.
    pub(crate) late: f64,
    /// Frames a second.
    pub(crate) rate_hz: f64,
    /// How fast the tag comes and goes.
    pub(crate) speed_mps: f64,
    pub(crate) hours: f64,
    pub(crate) seed: u64,
}

/// A tag that comes to the charger, stays there for minutes and goes away for minutes, one anchor, one reading in a
/// hundred anywhere.
pub(crate) fn charge(run: Charge) -> NearTotals {
    let mut dice = Dice::new(run.seed);
    let places = [[0.0, 0.0, 2.6]];
    let shape = ZoneShape::Near { anchor: AnchorId(0), enter_m: NEAR_M[0], leave_m: NEAR_M[1] };
    let zones = vec![Zone { name: "charger".into(), shape, rule: ZoneRule::default() }];
    let mut kit = Kit::at_rate(run.rate_hz, &places, Errors { late: run.late, wild: 0.01 }, &mut dice);
    let mut engine = Engine::new(site(&places, zones), None);
    let mut tally = NearTotals { hours: run.hours, ..NearTotals::default() };
    let mut tag = Comer { away_m: 6.0, goal_m: 6.0, stay_s: 90.0, speed_mps: run.speed_mps };
    let (mut answer, mut crossed) = (Standing::NOTHING, None);
    let per_frame = (STEPS_HZ / run.rate_hz).ceil().max(1.0) as usize;
    let step_s = 1.0 / (run.rate_hz * per_frame as f64);
    let when = |step: usize| stamp(0).plus(Micros::from_micros((step as f64 * 1e6 * step_s).round() as i64));
    for step in 0..(run.hours * 3600.0 / step_s) as usize {
        let (now, now_s, was_m) = (when(step), step as f64 * step_s, tag.away_m);
        tag.step(step_s, &mut dice);
        if step > 0 {
            answer.pass(when(step - 1), now, tag.off(), &mut tally.wrong);
        }
        if was_m > NEAR_M[0] && tag.away_m <= NEAR_M[0] {
            crossed = (answer.state == ZoneState::Outside).then_some((now_s, ZoneState::Inside));
        }
        if was_m <= NEAR_M[1] && tag.away_m > NEAR_M[1] {
            crossed = (answer.state == ZoneState::Inside).then_some((now_s, ZoneState::Outside));
        }
        let known = answer.state != ZoneState::Unknown && now < answer.until;
        tally.inside_hours += if tag.away_m <= NEAR_M[0] { step_s / 3600.0 } else { 0.0 };
        tally.unknown_hours += if known { 0.0 } else { step_s / 3600.0 };
        if step % per_frame != 0 {
            continue;
        }
        let epoch = kit.frame(now, [tag.away_m, 0.0, TAG_UP_M], &mut dice);
        feed(&mut engine, &epoch, |output| {
            let Output::Zone(z) = output else { return };
            answer.hear(z);
            if !z.changed() {
                return;
            }
            tally.told(z.state, tag.away_m);
            if let Some((since, _)) = crossed.take_if(|c| c.1 == z.state) {
                let delays =
                    if z.state == ZoneState::Inside { &mut tally.enter_s } else { &mut tally.leave_s };
                delays.push(now_s - since);
            }
        });
    }
    tally
}
