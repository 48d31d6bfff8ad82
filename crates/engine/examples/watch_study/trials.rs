//! One trial of each kind: what was done to the yard, and what the engine said about it.

use hereabout_core::TagId;
use hereabout_engine::{AnchorFinding, Engine, FindingChange, Input, KitFinding, Output};

use crate::world::{Dice, Ways, World, site, site_in_space};

/// The yard of the figures: late stretches p = .2, multipath of 4 cm.
pub(crate) const USUAL: Ways = Ways { late: 0.2, multipath_m: 0.04, drift_mph: 0.0, persons_per_hour: 0.0 };
/// The same with everything that might be taken for a fault.
pub(crate) const BUSY: Ways = Ways { late: 0.2, multipath_m: 0.04, drift_mph: 0.005, persons_per_hour: 1.0 };

/// Whether a finding says that an anchor's place or offset is not as it was.
pub(crate) fn is_alarm(f: &AnchorFinding) -> bool {
    f.is_about_place()
}

/// Whether it says so of one anchor.
pub(crate) fn is_name(f: &AnchorFinding) -> bool {
    f.is_about_place() && !matches!(f, AnchorFinding::OneOf { .. })
}

/// Whether it says that the anchor stands elsewhere.
pub(crate) fn is_place(f: &AnchorFinding) -> bool {
    matches!(f, AnchorFinding::Moved { .. } | AnchorFinding::Misplaced { .. })
}

/// What was said of anchors that stand elsewhere than the site file says.
#[derive(Clone, Debug, Default)]
pub(crate) struct Elsewhere {
    /// Metres driven until each was named, whatever for.
    pub(crate) named_m: Vec<Option<f64>>,
    /// And until it was reported as standing elsewhere.
    pub(crate) placed_m: Vec<Option<f64>>,
    /// Another anchor was named.
    pub(crate) wrong: bool,
    /// Another anchor was one of several suspects.
    pub(crate) one_of: bool,
    /// Somebody was sent to calibrate one of these.
    pub(crate) offset: bool,
    /// A name was withdrawn, or a place that was reported became another kind.
    pub(crate) withdrawn: bool,
    /// Largest error of the last shift told, metres; of those in the plane.
    pub(crate) error_m: Option<f64>,
}

/// Where the faults of one trial are: in the plane or in space, of anchors by index, each with its shift in metres.
#[derive(Clone, Debug)]
pub(crate) struct Faults {
    pub(crate) n: usize,
    pub(crate) space: bool,
    pub(crate) of: Vec<(usize, [f64; 3])>,
}

/// So many anchors of `n`, each with a shift of a length in a direction of its own; up and down as well in space.
pub(crate) fn faults(n: usize, space: bool, many: usize, by_m: f64, seed: u64) -> Faults {
    let mut dice = Dice::new(seed ^ 0xe15e_0000);
    let mut of: Vec<(usize, [f64; 3])> = Vec::new();
    while of.len() < many {
        let (which, turn) = (dice.pick(n), dice.unit() * std::f64::consts::TAU);
        let up = if space { 2.0 * dice.unit() - 1.0 } else { 0.0 };
        let flat = (1.0 - up * up).sqrt();
        if !of.iter().any(|(i, _)| *i == which) {
            of.push((which, [by_m * flat * turn.cos(), by_m * flat * turn.sin(), by_m * up]));
        }
    }
    Faults { n, space, of }
}

/// After `warm_m` of driving the anchors stand elsewhere, for `metres`; what was said since.
pub(crate) fn elsewhere(faults: &Faults, ways: Ways, warm_m: f64, metres: f64, seed: u64) -> Elsewhere {
    let Faults { n, space, of } = faults;
    let (mut world, site) = match space {
        true => (World::in_space(*n, ways, seed), site_in_space(*n)),
        false => (World::new(*n, ways, seed), site(*n)),
    };
    let mut engine = Engine::new(site, None);
    while world.driven_m < warm_m {
        step(&mut engine, &mut world);
    }
    for (i, shift) in of {
        (0..3).for_each(|k| world.anchors[*i][k] += shift[k]);
    }
    let mut out =
        Elsewhere { named_m: vec![None; of.len()], placed_m: vec![None; of.len()], ..Elsewhere::default() };
    while world.driven_m < warm_m + metres {
        for c in step(&mut engine, &mut world) {
            note(&mut out, of, &c, world.driven_m - warm_m);
        }
    }
    let rows = engine.anchor_table().map(|t| t.rows.clone()).unwrap_or_default();
    for (i, shift) in of {
        let told = rows[*i].findings.iter().find_map(|f| match f {
            AnchorFinding::Moved { shift_m: [e, n], .. }
            | AnchorFinding::Misplaced { shift_m: [e, n, _], .. } => {
                Some(((e - shift[0]).powi(2) + (n - shift[1]).powi(2)).sqrt())
            }
            _ => None,
        });
        out.error_m = told.into_iter().chain(out.error_m).max_by(f64::total_cmp);
    }
    out
}

fn note(out: &mut Elsewhere, of: &[(usize, [f64; 3])], c: &FindingChange, driven_m: f64) {
    if !is_alarm(&c.finding) {
        return;
    }
    let Some(k) = of.iter().position(|(i, _)| *i == usize::from(c.anchor.0)) else {
        out.wrong |= !c.over && is_name(&c.finding);
        out.one_of |= !c.over && !is_name(&c.finding);
        return;
    };
    out.offset |= !c.over && matches!(c.finding, AnchorFinding::OffsetChanged { .. });
    out.withdrawn |=
        c.over && is_name(&c.finding) || c.instead_of.is_some_and(|f| is_place(&f) && !is_place(&c.finding));
    if !c.over && is_name(&c.finding) {
        out.named_m[k].get_or_insert(driven_m);
    }
    if !c.over && is_place(&c.finding) {
        out.placed_m[k].get_or_insert(driven_m);
    }
}

/// What became of a moved anchor.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Moved {
    /// Metres driven until the first alarm.
    pub(crate) alarm_m: Option<f64>,
    /// Metres driven until the right anchor was named.
    pub(crate) named_m: Option<f64>,
    /// A wrong anchor was named.
    pub(crate) wrong: bool,
    /// An alarm before anything was moved.
    pub(crate) early: bool,
    /// Last words: error of size and of direction, metres and degrees, when "moved" was said.
    pub(crate) size_error_m: Option<f64>,
    pub(crate) direction_error_deg: Option<f64>,
}

/// Feeds one epoch and gives the changes of findings.
pub(crate) fn step(engine: &mut Engine, world: &mut World) -> Vec<FindingChange> {
    engine.handle(Input::Epoch(&world.epoch()));
    let mut changes = Vec::new();
    while let Some(output) = engine.poll_output() {
        if let Output::FindingChanged(change) = output {
            changes.push(change);
        }
    }
    changes
}

/// Half an hour as usual, then one anchor stands `by_m` elsewhere, for 200 m of travel.
pub(crate) fn moved(n: usize, by_m: f64, ways: Ways, warm_s: f64, seed: u64) -> Moved {
    let mut dice = Dice::new(seed ^ 0x5eed_0000);
    let mut world = World::new(n, ways, seed);
    let mut engine = Engine::new(site(n), None);
    let mut out = Moved::default();
    while world.t_s() < warm_s {
        out.early |= step(&mut engine, &mut world).iter().any(|c| is_alarm(&c.finding) && !c.over);
    }
    let (which, turn) = (dice.pick(n), dice.unit() * std::f64::consts::TAU);
    let shift = [by_m * turn.cos(), by_m * turn.sin()];
    world.anchors[which][0] += shift[0];
    world.anchors[which][1] += shift[1];
    let from = world.driven_m;
    while world.driven_m - from < 200.0 {
        for c in step(&mut engine, &mut world).iter().filter(|c| !c.over && is_alarm(&c.finding)) {
            let driven = world.driven_m - from;
            out.alarm_m.get_or_insert(driven);
            if is_name(&c.finding) {
                if usize::from(c.anchor.0) == which {
                    out.named_m.get_or_insert(driven);
                } else {
                    out.wrong = true;
                }
            }
        }
    }
    let last = engine.anchor_table().and_then(|t| t.rows[which].findings.first().copied());
    if let Some(AnchorFinding::Moved { shift_m: [x, y], .. }) = last {
        let size = (x * x + y * y).sqrt();
        out.size_error_m = Some((size - by_m).abs());
        let off = (shift[1].atan2(shift[0]) - y.atan2(x)).to_degrees();
        out.direction_error_deg = Some((off - 360.0 * (off / 360.0).round()).abs());
    }
    out
}

/// Alarms in so many hours in which nothing is moved.
pub(crate) fn false_alarms(
    n: usize,
    hours: f64,
    seed: u64,
    mut progress: impl FnMut(f64),
) -> Vec<FindingChange> {
    let mut world = World::new(n, BUSY, seed);
    let mut engine = Engine::new(site(n), None);
    let mut alarms = Vec::new();
    while world.t_s() < 3_600.0 * hours {
        let two = |f: &AnchorFinding| matches!(f, AnchorFinding::DuplicateId { .. });
        let new = step(&mut engine, &mut world);
        alarms.extend(new.into_iter().filter(|c| !c.over && (is_alarm(&c.finding) || two(&c.finding))));
        if world.frame.is_multiple_of(36_000) {
            progress(world.t_s() / 3_600.0);
        }
    }
    alarms
}

/// What is said after so many hours about an anchor that wanders by 24 cm a day: metres per day and standard error.
pub(crate) fn drifting(n: usize, hours: f64, seed: u64) -> Option<(f64, f64)> {
    let mut world = World::new(n, USUAL, seed);
    world.drifts_mph[1] = 0.01;
    let mut engine = Engine::new(site(n), None);
    while world.t_s() < 3_600.0 * hours {
        step(&mut engine, &mut world);
    }
    engine.anchor_table()?.rows[1].findings.iter().find_map(|f| match f {
        AnchorFinding::Drifting { m_per_day, se_m_per_day } => Some((*m_per_day, *se_m_per_day)),
        _ => None,
    })
}

/// Seconds until two boards with one id are named, within two minutes; `None` when not, or a wrong one is.
pub(crate) fn duplicate(n: usize, seed: u64) -> Option<f64> {
    let mut dice = Dice::new(seed ^ 0xd0_0b1e);
    let mut world = World::new(n, USUAL, seed);
    let mut engine = Engine::new(site(n), None);
    while world.t_s() < 60.0 {
        step(&mut engine, &mut world);
    }
    let which = dice.pick(n);
    world.double = Some((which, [2.0 + 12.0 * dice.unit(), 2.0 + 6.0 * dice.unit(), 2.6]));
    while world.t_s() < 180.0 {
        let two = |c: &&FindingChange| matches!(c.finding, AnchorFinding::DuplicateId { .. });
        if let Some(c) = step(&mut engine, &mut world).iter().find(two) {
            return (usize::from(c.anchor.0) == which).then_some(world.t_s() - 60.0);
        }
    }
    None
}

/// Seconds until an anchor that stops is reported as silent.
pub(crate) fn silent(n: usize, seed: u64) -> Option<f64> {
    let mut dice = Dice::new(seed ^ 0x511e_4700);
    let mut world = World::new(n, USUAL, seed);
    let mut engine = Engine::new(site(n), None);
    let from = 30.0 + dice.unit();
    while world.t_s() < from {
        step(&mut engine, &mut world);
    }
    let which = dice.pick(n);
    world.off[which] = true;
    while world.t_s() < from + 20.0 {
        for c in step(&mut engine, &mut world) {
            if c.finding == AnchorFinding::Silent {
                let after =
                    c.at.since(hereabout_core::Timestamp::from_micros(1_700_000_000_000_000)).secs_f64();
                return (usize::from(c.anchor.0) == which).then_some(after - from);
            }
        }
    }
    None
}

/// What can stop a kit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Stop {
    Tag,
    AnchorsOneByOne,
    AnchorsButOne,
}

/// Whether the kit's finding fits what was switched off, and no other was made.
pub(crate) fn stopped(n: usize, stop: Stop, seed: u64) -> bool {
    let mut dice = Dice::new(seed ^ 0x0ff0_0000);
    let mut world = World::new(n, USUAL, seed);
    let mut engine = Engine::new(site(n), None);
    let from = 30.0 + 5.0 * dice.unit();
    let pause = 2.0 + 3.0 * dice.unit();
    let stays = dice.pick(n);
    let want = match stop {
        Stop::Tag => KitFinding::TagOff { tag: TagId(0) },
        Stop::AnchorsOneByOne | Stop::AnchorsButOne => KitFinding::AnchorsGone,
    };
    while world.t_s() < from + pause * n as f64 + 20.0 {
        for i in 0..n {
            world.off[i] = match stop {
                Stop::Tag => world.t_s() >= from,
                Stop::AnchorsOneByOne => world.t_s() >= from + pause * i as f64,
                Stop::AnchorsButOne => i != stays && world.t_s() >= from,
            };
        }
        engine.handle(Input::Epoch(&world.epoch()));
        while let Some(output) = engine.poll_output() {
            if let Output::KitChanged(change) = output
                && (change.finding != want || change.over)
            {
                return false;
            }
        }
    }
    engine.anchor_table().is_some_and(|t| t.kit.contains(&want))
}
