//! What every tag is to every zone of the site: inside, outside, or nobody can say.
//!
//! **State.** One [`TagZones`] for each tag; in it, for each zone that is about the tag, the published state, since
//! when and why, and what its rule remembers: `area` for outlines and circles, `near` for zones near an anchor.
//!
//! **A decision holds** until its [`ZoneReport::valid_until`] and not a moment longer. For an area that is as long as
//! the last position that rests on fresh ranges holds; a prediction in between prolongs nothing. Near an anchor it is
//! as long as the anchor's last ranges lead to expect the next one. When it runs out, [`TagZones::fire`] says so
//! as a deadline of the engine, stamped with the instant at which it ran out.
//!
//! **An answer that speaks against what is measured** runs out sooner than what it rests on. It is unknown then, but what was
//! seen so far counts on.
//!
//! **Unknown is left by earning it**: whatever a zone was before, it becomes inside by the whole rule for
//! entering and outside by the whole rule for leaving.
//!
//! Time is data time throughout. Nothing is allocated after the tag's first epoch.

mod agreement;
mod area;
mod near;

use arrayvec::ArrayVec;
use hereabout_core::geometry::area::Area;
use hereabout_core::{
    JudgedRange, MAX_ANCHORS, Micros, PositionReport, Site, TagId, TagState, Timestamp, ZoneShape, ZoneState,
};
use hereabout_solve::zone::Gaussian;

use crate::output::{ZoneReport, ZoneWhy};
use agreement::Agreement;
use area::AreaRule;
use near::NearRule;

/// The position's covariance counts this much more, …
const COVARIANCE_TIMES: f64 = 1.5;
/// … and this much is added to it, m² per axis (3 cm): what the error model leaves out must not open a gate.
const COVARIANCE_PLUS_M2: f64 = 0.03 * 0.03;

/// When a position was received, and when its ranges were measured.
#[derive(Clone, Copy, Debug)]
struct When {
    received_at: Timestamp,
    measured_at: Timestamp,
}

impl When {
    /// The time from `earlier` on, as far as both scales have it: several frames of one read are no time received, and one
    /// that waited is no time measured.
    fn since(self, earlier: When) -> Micros {
        let received = self.received_at.since(earlier.received_at);
        received.min(self.measured_at.since(earlier.measured_at))
    }
}

/// What one input says about a tag, for all zones.
struct Belief<'a> {
    when: When,
    position: &'a PositionReport,
    /// The place with its widened covariance; `None` without a place.
    place: Option<Gaussian>,
    /// How many anchors agree with the place, mean over about a second.
    agreeing: f64,
    /// Until when the newest position that rests on fresh ranges holds.
    fresh_until: Timestamp,
    /// Whether any anchor had a range of the tag in this input.
    heard: bool,
}

/// What a zone's rule makes of it.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Answer {
    state: ZoneState,
    why: ZoneWhy,
    /// How long the state holds; of no account when unknown.
    valid_until: Timestamp,
    probability: Option<f64>,
    depth_m: Option<f64>,
    eta_s: Option<f64>,
}

#[derive(Clone, Debug)]
enum Rule {
    Area(AreaRule),
    Near(Box<NearRule>),
}

/// One tag and one zone, between two reports.
#[derive(Clone, Debug)]
struct Watched {
    zone: usize,
    rule: Rule,
    state: ZoneState,
    since: Timestamp,
    /// When the state becomes unknown unless something comes before; `None` when it is unknown.
    runs_out: Option<Timestamp>,
}

/// The zones of one tag.
#[derive(Clone, Debug)]
pub(crate) struct TagZones {
    tag: TagId,
    zones: Vec<Watched>,
    agreement: Agreement,
    fresh_until: Timestamp,
}

impl TagZones {
    /// The zones that are about this tag, which is heard for the first time `at` that instant.
    pub(crate) fn new(tag: TagId, at: Timestamp, site: &Site) -> TagZones {
        let mut zones = Vec::new();
        for (zone, z) in site.zones().iter().enumerate() {
            if !z.rule.tags.is_empty() && !z.rule.tags.contains(&tag) {
                continue;
            }
            let rule = match &z.shape {
                ZoneShape::Polygon { outline_m, holes_m } => {
                    Rule::Area(AreaRule::new(Area::polygon(outline_m, holes_m)))
                }
                ZoneShape::Circle { at_m, radius_m } => {
                    Rule::Area(AreaRule::new(Area::circle(*at_m, *radius_m)))
                }
                ZoneShape::Near { anchor, enter_m, leave_m } => {
                    Rule::Near(Box::new(NearRule::new(site, *anchor, *enter_m, *leave_m, at)))
                }
            };
            zones.push(Watched { zone, rule, state: ZoneState::Unknown, since: at, runs_out: None });
        }
        TagZones { tag, zones, agreement: Agreement::default(), fresh_until: Timestamp::MIN }
    }

    /// When a decision runs out if nothing comes before.
    pub(crate) fn deadline(&self) -> Option<Timestamp> {
        self.zones.iter().filter_map(|z| z.runs_out).min()
    }

    /// The decisions that have run out at `at`; gives a report for each to `out`.
    pub(crate) fn fire(&mut self, at: Timestamp, mut out: impl FnMut(ZoneReport)) {
        let (tag, fresh_until) = (self.tag, self.fresh_until);
        for watched in self.zones.iter_mut().filter(|z| z.runs_out.is_some_and(|t| t <= at)) {
            let why = match &mut watched.rule {
                Rule::Area(rule) => rule.run_out(at, fresh_until),
                Rule::Near(rule) => rule.run_out(at),
            };
            out(watched.report(tag, at, at, &Answer::unknown(why)));
        }
    }

    /// Every zone becomes unknown at `at`, for a reason; gives a report for each that was not.
    pub(crate) fn end(&mut self, at: Timestamp, why: ZoneWhy, mut out: impl FnMut(ZoneReport)) {
        let tag = self.tag;
        for watched in self.zones.iter_mut().filter(|z| z.state != ZoneState::Unknown) {
            out(watched.report(tag, at, at, &Answer::unknown(why)));
        }
    }

    /// What was just published about the tag can't be trusted, nor can any range: every zone is unknown for that reason, and
    /// has to be earned anew. Gives a report for each to `out`.
    pub(crate) fn distrust(&mut self, position: &PositionReport, mut out: impl FnMut(ZoneReport)) {
        self.fresh_until = Timestamp::MIN;
        for watched in &mut self.zones {
            watched.start_over();
            let answer = Answer::unknown(ZoneWhy::SiteDoubted);
            out(watched.report(position.tag, position.received_at, position.valid_until, &answer));
        }
    }

    /// Nothing has been said about any zone, and each has to be earned.
    pub(crate) fn begin_again(&mut self, at: Timestamp) {
        for watched in &mut self.zones {
            watched.start_over();
            (watched.state, watched.since, watched.runs_out) = (ZoneState::Unknown, at, None);
        }
        self.fresh_until = Timestamp::MIN;
    }

    /// Takes in what was just published about the tag, with the ranges of the epoch (none when a time ran out);
    /// gives a report for each zone to `out`. `doubt_of` says of an anchor's index why a range of it tells nothing.
    pub(crate) fn update(
        &mut self,
        position: &PositionReport,
        ranges: &ArrayVec<JudgedRange, MAX_ANCHORS>,
        site: &Site,
        doubt_of: impl Fn(usize) -> Option<ZoneWhy>,
        mut out: impl FnMut(ZoneReport),
    ) {
        if self.zones.is_empty() {
            return;
        }
        if position.state() == TagState::Located && !position.used.is_empty() {
            self.fresh_until = position.valid_until;
        }
        self.agreement.update(position, ranges, site);
        let belief = Belief {
            position,
            place: widened(position),
            agreeing: self.agreement.anchors(position.at),
            when: When { received_at: position.received_at, measured_at: position.at },
            fresh_until: self.fresh_until,
            heard: ranges.iter().any(near::is_heard),
        };
        for watched in &mut self.zones {
            let answer = match &mut watched.rule {
                Rule::Area(rule) => {
                    rule.judge(watched.state, &belief, &site.zones()[watched.zone].rule, site)
                }
                Rule::Near(rule) => {
                    let mut answer = rule.judge(position.received_at, ranges, &doubt_of);
                    // Ranges hold from when they were measured.
                    answer.valid_until = answer.valid_until.plus(position.at.since(position.received_at));
                    answer
                }
            };
            out(watched.report(position.tag, position.received_at, position.valid_until, &answer));
        }
    }
}

impl Watched {
    fn start_over(&mut self) {
        match &mut self.rule {
            Rule::Area(rule) => rule.start_over(),
            Rule::Near(rule) => rule.start_over(),
        }
    }

    /// Takes the answer over and tells it. `position_until` is how long an unknown one holds.
    fn report(
        &mut self,
        tag: TagId,
        at: Timestamp,
        position_until: Timestamp,
        answer: &Answer,
    ) -> ZoneReport {
        let known = answer.state != ZoneState::Unknown;
        let was = std::mem::replace(&mut self.state, answer.state);
        if was != self.state {
            self.since = at;
        }
        self.runs_out = known.then_some(answer.valid_until);
        ZoneReport {
            seq: 0,
            zone: self.zone,
            tag,
            at,
            valid_until: if known { answer.valid_until } else { position_until },
            state: self.state,
            was,
            since: self.since,
            why: answer.why,
            probability: answer.probability,
            depth_m: answer.depth_m,
            eta_s: answer.eta_s,
        }
    }
}

impl Answer {
    fn unknown(why: ZoneWhy) -> Answer {
        Answer {
            state: ZoneState::Unknown,
            why,
            valid_until: Timestamp::MIN,
            probability: None,
            depth_m: None,
            eta_s: None,
        }
    }
}

/// The horizontal part of a place, widened.
fn widened(position: &PositionReport) -> Option<Gaussian> {
    let place = position.place()?;
    let c = &place.covariance_m2;
    let wide =
        |i: usize, j: usize| COVARIANCE_TIMES * c[i][j] + if i == j { COVARIANCE_PLUS_M2 } else { 0.0 };
    Gaussian::new(
        [place.position_m[0], place.position_m[1]],
        [[wide(0, 0), wide(0, 1)], [wide(1, 0), wide(1, 1)]],
    )
}

#[cfg(test)]
mod seeded;
#[cfg(test)]
mod tests;
