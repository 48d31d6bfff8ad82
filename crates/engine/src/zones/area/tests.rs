use hereabout_core::{AnchorId, Epoch, RangeReading, TagId};

use super::super::TagZones;
use super::super::seeded::{Dice, Errors};
use super::super::tests::{YARD, at, door, site};
use super::*;
use crate::Engine;
use crate::input::Input;
use crate::output::{Output, ZoneReport};

/// Reports about the door while the cart passes through it at 1 m/s, with how many anchors agreed at each.
fn pass(late: f64, seed: u64) -> Vec<(ZoneReport, f64)> {
    let mut dice = Dice(seed);
    let mut errors: Vec<Errors> = YARD.iter().map(|_| Errors::new(late, 10.0)).collect();
    let site = site(&YARD, vec![door(ZoneRule::default())]);
    let mut engine = Engine::new(site.clone(), None);
    let mut zones = TagZones::new(TagId(0), at(0), &site);
    let mut reports = Vec::new();
    for k in 0..200i64 {
        // The zone reaches from 8 m to 14 m.
        let place = [2.0 + 0.1 * k as f64, 2.5, 0.9];
        let reading = |i: usize| {
            let square: f64 = (0..3).map(|j| (YARD[i][j] - place[j]).powi(2)).sum();
            let range_m = square.sqrt() + errors[i].next_m(&mut dice);
            RangeReading { anchor: AnchorId(i as u16), raw_range_m: Some(range_m) }
        };
        let readings = (0..YARD.len()).map(reading).collect();
        let epoch = Epoch::new(at(100 * k), TagId(0), None, readings);
        engine.handle(Input::Epoch(&epoch));
        let mut ranges = None;
        while let Some(output) = engine.poll_output() {
            match output {
                Output::Ranges(r) => ranges = Some(r.ranges),
                Output::Position(p) => {
                    let Some(ranges) = ranges.take() else { continue };
                    while let Some(due) = zones.deadline().filter(|t| *t <= p.at) {
                        zones.fire(due, |z| reports.push((z, 0.0)));
                    }
                    let mut told = None;
                    zones.update(&p, &ranges, &site, |_| None, |z| told = Some(z));
                    reports.push((told.unwrap(), zones.agreement.anchors(p.at)));
                }
                _ => {}
            }
        }
    }
    reports
}

/// Whether a report is against what it says itself.
fn against_itself(report: &ZoneReport, margin_m: f64) -> bool {
    let (Some(p), Some(depth_m)) = (report.probability, report.depth_m) else { return false };
    match report.state {
        ZoneState::Inside => p <= LEAVE_MASS && -depth_m > margin_m,
        ZoneState::Outside => p >= ENTER_MASS,
        ZoneState::Unknown => false,
    }
}

/// With four ranges in ten late, agreement is lost on the way: `inside` was held for seconds against the position.
#[test]
fn no_answer_is_held_against_the_position() {
    let rule = ZoneRule::default();
    let (mut inside, mut doubted) = (0, 0);
    for seed in 1..=200 {
        let mut since: Option<Timestamp> = None;
        let reports = pass(0.4, seed);
        inside += usize::from(reports.iter().any(|(z, _)| z.state == ZoneState::Inside));
        doubted += usize::from(reports.iter().any(|(z, _)| z.why == ZoneWhy::Contradicted));
        for (report, agreeing) in reports {
            since = against_itself(&report, rule.margin_m).then(|| since.unwrap_or(report.at));
            let Some(since) = since else { continue };
            assert!(agreeing >= 4.0 - FORGIVEN, "seed {seed}: {agreeing} agree: {report:?}");
            let until = report.valid_until.since(since);
            assert!(until <= Micros::from_millis(500), "seed {seed}, until {until:?}: {report:?}");
        }
    }
    assert!(inside > 150 && doubted > 10, "{inside} passes were told, {doubted} doubted");
}
