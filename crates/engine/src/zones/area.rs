//! The rule of a zone with an outline: by the probability mass of the position inside.
//!
//! **Enter.** The tag may well be inside ([`MAY_WELL`]) for `enter_after`, and surely is ([`ENTER_MASS`]) for the last
//! quarter of that time, and at that moment enough anchors agree. **Leave.** The same the other way: it may well be
//! outside for `leave_after`, surely is ([`LEAVE_MASS`]) and lies farther out than `margin_m` for the last quarter, and
//! enough anchors agree; or surely for [`LEAVE_ANYWAY`], whoever agrees. In between nothing changes.
//!
//! The dwell begins at the border and not where certainty begins, because a tag at walking pace needs two tenths
//! of a second from the one to the other, which would come on top. A tag that stands near the border gains nothing
//! by it: it is never sure.
//!
//! **Never against the position.** Inside while the position is surely outside, or outside while it is surely inside, is
//! held for [`AGAINST`] at most, however long the dwell, and not at all unless enough anchors agree: from then on it is
//! unknown until one of the two rules is met. The dwell goes on meanwhile, so the next answer comes as early as it
//! would have. With fewer anchors either story may be the wrong one, and nobody can say.
//!
//! **Enough** is as many as check a position: dimension + 2 (four in 2D). A zone with `allow_unchecked` is content
//! with dimension + 1, or with all anchors of a site that has fewer. Half an anchor is forgiven, because the
//! count is a mean.
//!
//! **Unknown, at once,** when the tag is lost, two places fit, nothing fresh supports the position for as long as it
//! holds, no range was left over to check it (unless allowed), or its protection radius is larger than the zone
//! allows or not known. A prediction, or a position without fresh ranges, counts for no dwell: one bad
//! frame must not close a gate, but it can't open one either. Nor does it hold an answer that the position speaks against.
//!
//! Times are counted in data time, received and measured alike (the shorter one counts), from the first position that looks so to the present one: five frames of a kit that
//! sends ten a second with the usual 0.4 s.

use hereabout_core::geometry::area::Area;
use hereabout_core::{Micros, Site, TagState, Timestamp, ZoneRule, ZoneState};

use super::{Answer, Belief, When};
use crate::output::ZoneWhy;

/// Probability from which on it may well be inside; outside the same.
const MAY_WELL: f64 = 0.25;
/// Probability from which on it is surely inside.
const ENTER_MASS: f64 = 0.99;
/// Probability up to which it is surely outside.
const LEAVE_MASS: f64 = 0.05;
/// Surely outside for this long is outside without agreement.
const LEAVE_ANYWAY: Micros = Micros::from_millis(3_000);
/// An answer is held against the position for at most this long.
const AGAINST: Micros = Micros::from_millis(500);
/// The number of agreeing anchors is a mean: a range in ten is not within three sigmas, or missing.
const FORGIVEN: f64 = 0.5;
/// A slower tag stands, as far as an arrival can be told, m/s.
const MIN_SPEED_MPS: f64 = 0.15;
/// No arrival later than this is reported, seconds.
const HORIZON_S: f64 = 60.0;

/// One zone and one tag.
#[derive(Clone, Debug)]
pub(super) struct AreaRule {
    area: Area,
    inside: Looks,
    outside: Looks,
    /// The answer that the position speaks against, and since when.
    against: Option<(ZoneState, Timestamp)>,
}

/// Since when the tag has looked inside (outside).
#[derive(Clone, Copy, Debug, Default)]
struct Looks {
    /// It may well be so.
    perhaps: Option<When>,
    /// Surely.
    surely: Option<When>,
}

impl Looks {
    fn note(&mut self, at: When, perhaps: bool, surely: bool) {
        self.perhaps = perhaps.then(|| self.perhaps.unwrap_or(at));
        self.surely = surely.then(|| self.surely.unwrap_or(at));
    }

    /// Whether it has lasted: perhaps for `long`, surely for its last quarter.
    fn lasted(&self, at: When, long: Micros) -> bool {
        let end = Micros::from_micros(long.micros() / 4);
        self.perhaps.is_some_and(|since| at.since(since) >= long) && self.surely_for(at, end)
    }

    fn surely_for(&self, at: When, long: Micros) -> bool {
        self.surely.is_some_and(|since| at.since(since) >= long)
    }
}

/// How a position lies to the zone: its probability mass inside, and how far outside of the border it is, metres.
#[derive(Clone, Copy, Debug)]
struct Seen {
    mass: f64,
    distance_m: f64,
}

impl Seen {
    fn surely_inside(self) -> bool {
        self.mass >= ENTER_MASS
    }

    fn surely_outside(self, rule: &ZoneRule) -> bool {
        self.mass <= LEAVE_MASS && self.distance_m > rule.margin_m
    }
}

/// What speaks against a decision.
enum Doubt {
    /// Nothing.
    None,
    /// Nothing new to decide by: what was decided stays for as long as it holds and the prediction allows it.
    Hold,
    /// Nobody can say.
    Unknown(ZoneWhy),
}

impl AreaRule {
    pub(super) fn new(area: Area) -> AreaRule {
        AreaRule { area, inside: Looks::default(), outside: Looks::default(), against: None }
    }

    /// Forgets for how long it has looked inside or outside.
    pub(super) fn start_over(&mut self) {
        self.inside = Looks::default();
        self.outside = Looks::default();
        self.against = None;
    }

    /// The answer has run out at `at`, and the position holds until `fresh_until`; why it is unknown now. What was seen
    /// counts on when the position still holds: it was the answer alone that did not.
    pub(super) fn run_out(&mut self, at: Timestamp, fresh_until: Timestamp) -> ZoneWhy {
        if self.against.is_some() && at < fresh_until {
            return ZoneWhy::Contradicted;
        }
        self.start_over();
        ZoneWhy::NoData
    }

    /// What the zone is, if it was `state` before.
    pub(super) fn judge(
        &mut self,
        state: ZoneState,
        belief: &Belief<'_>,
        rule: &ZoneRule,
        site: &Site,
    ) -> Answer {
        let distance_m = belief.place.as_ref().map(|p| self.area.signed_distance_m(p.mean_m()));
        let mass = belief.place.as_ref().zip(distance_m).map(|(p, d)| p.mass_in_at(&self.area, d));
        if belief.position.restarted {
            // The dwell was that of another place. An answer that the new place speaks against too is not held longer for it.
            (self.inside, self.outside) = (Looks::default(), Looks::default());
        }
        let (when, at) = (belief.when, belief.when.received_at);
        let agreed = belief.agreeing >= enough(rule, site) - FORGIVEN;
        let seen = mass.zip(distance_m).map(|(mass, distance_m)| Seen { mass, distance_m });
        let (state, why) = match (doubt(belief, rule, site), seen) {
            (Doubt::None, Some(seen)) => {
                self.look(when, seen, rule);
                self.answer(self.decide(state, when, rule, agreed), at, seen, rule, agreed)
            }
            (Doubt::Hold, Some(seen)) => self.answer(state, at, seen, rule, agreed),
            (Doubt::Unknown(why), _) => {
                self.start_over();
                (ZoneState::Unknown, why)
            }
            // A position that holds has a place; without one nobody can say.
            (Doubt::None | Doubt::Hold, None) => (ZoneState::Unknown, ZoneWhy::Lost),
        };
        let held_until = self.against.map_or(belief.fresh_until, |(_, since)| since.plus(AGAINST));
        Answer {
            state,
            why,
            valid_until: belief.fresh_until.min(held_until),
            probability: mass,
            depth_m: distance_m.map(|d| -d),
            eta_s: self.eta_s(belief),
        }
    }

    /// The state as it may be reported, and why.
    fn answer(
        &mut self,
        state: ZoneState,
        at: Timestamp,
        seen: Seen,
        rule: &ZoneRule,
        agreed: bool,
    ) -> (ZoneState, ZoneWhy) {
        // From unknown it is what was taken back that the position still speaks against.
        let held = if state == ZoneState::Unknown { self.against.map(|a| a.0) } else { Some(state) };
        let spoken_against = held.filter(|held| match held {
            ZoneState::Inside => seen.surely_outside(rule),
            ZoneState::Outside => seen.surely_inside(),
            ZoneState::Unknown => false,
        });
        let before = self.against.filter(|a| Some(a.0) == spoken_against);
        self.against = spoken_against.map(|held| before.unwrap_or((held, at)));
        match (state, self.against) {
            (ZoneState::Unknown, Some(_)) => (state, ZoneWhy::Contradicted),
            (ZoneState::Unknown, None) => (state, ZoneWhy::Undecided),
            (_, Some((_, since))) if !agreed || at.since(since) >= AGAINST => {
                (ZoneState::Unknown, ZoneWhy::Contradicted)
            }
            _ => (state, ZoneWhy::Probability),
        }
    }

    /// Notes how it looks.
    fn look(&mut self, at: When, seen: Seen, rule: &ZoneRule) {
        self.inside.note(at, seen.mass >= MAY_WELL, seen.surely_inside());
        self.outside.note(at, 1.0 - seen.mass >= MAY_WELL, seen.surely_outside(rule));
    }

    fn decide(&self, state: ZoneState, at: When, rule: &ZoneRule, agreed: bool) -> ZoneState {
        if self.inside.lasted(at, rule.enter_after) && agreed {
            return ZoneState::Inside;
        }
        let anyway = self.outside.surely_for(at, rule.leave_after.max(LEAVE_ANYWAY));
        if self.outside.lasted(at, rule.leave_after) && agreed || anyway {
            return ZoneState::Outside;
        }
        state
    }

    fn eta_s(&self, belief: &Belief<'_>) -> Option<f64> {
        let [ve, vn, _] = belief.position.velocity_mps()?;
        if (ve * ve + vn * vn).sqrt() < MIN_SPEED_MPS {
            return None;
        }
        self.area.crossing_s(belief.place.as_ref()?.mean_m(), [ve, vn], HORIZON_S)
    }
}

fn doubt(belief: &Belief<'_>, rule: &ZoneRule, site: &Site) -> Doubt {
    let position = belief.position;
    let stale = || if belief.heard { ZoneWhy::Coasting } else { ZoneWhy::NoData };
    match position.state() {
        TagState::Lost => return Doubt::Unknown(ZoneWhy::Lost),
        TagState::Ambiguous => return Doubt::Unknown(ZoneWhy::Ambiguous),
        _ if belief.when.received_at >= belief.fresh_until => return Doubt::Unknown(stale()),
        TagState::Coasting => return Doubt::Hold,
        TagState::Located => {}
    }
    let (radius_m, limit_m) = (position.protection_radius_m(), rule.max_protection_radius_m);
    if !position.checked() && !rule.allow_unchecked {
        let beyond = position.place().is_some_and(|p| site.fence().contradicts(p.position_m));
        return Doubt::Unknown(match radius_m {
            _ if beyond => ZoneWhy::OutsideFence,
            None => ZoneWhy::ProtectionRadius { radius_m, limit_m },
            Some(_) => ZoneWhy::Unchecked,
        });
    }
    if radius_m.is_none_or(|r| r > limit_m) {
        return Doubt::Unknown(ZoneWhy::ProtectionRadius { radius_m, limit_m });
    }
    if position.used.is_empty() { Doubt::Hold } else { Doubt::None }
}

/// How many anchors must agree.
fn enough(rule: &ZoneRule, site: &Site) -> f64 {
    let unknowns = site.dimension().unknowns();
    let anchors = if rule.allow_unchecked { (unknowns + 1).min(site.anchors().len()) } else { unknowns + 2 };
    anchors as f64
}

#[cfg(test)]
mod tests;
