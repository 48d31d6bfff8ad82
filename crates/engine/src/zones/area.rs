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
//! **Enough** is as many as check a position: dimension + 2 (four in 2D). A zone with `allow_unchecked` is content
//! with dimension + 1, or with all anchors of a site that has fewer. Half an anchor is forgiven, because the
//! count is a mean.
//!
//! **Unknown, at once,** when the tag is lost, two places fit, nothing fresh supports the position for as long as it
//! holds, no range was left over to check it (unless allowed), or its protection radius is larger than the zone
//! allows or not known. A prediction, or a position without fresh ranges, changes nothing before that: one bad
//! frame must not close a gate, but it can't open one either.
//!
//! Times are counted in data time from the first position that looks so to the present one: five frames of a kit that
//! sends ten a second with the usual 0.4 s.

use hereabout_core::{Micros, Site, TagState, Timestamp, ZoneRule, ZoneState};
use hereabout_solve::zone::Area;

use super::{Answer, Belief};
use crate::report::ZoneWhy;

/// Probability from which on it may well be inside; outside the same.
const MAY_WELL: f64 = 0.25;
/// Probability from which on it is surely inside.
const ENTER_MASS: f64 = 0.99;
/// Probability up to which it is surely outside.
const LEAVE_MASS: f64 = 0.05;
/// Surely outside for this long is outside without agreement.
const LEAVE_ANYWAY: Micros = Micros::from_millis(3_000);
/// The number of agreeing anchors is a mean: a range in ten is not within three sigmas, or missing.
const FORGIVEN: f64 = 0.5;
/// A slower tag stands, as far as an arrival can be told, m/s.
const LEAST_SPEED_MPS: f64 = 0.15;
/// No arrival later than this is told, seconds.
const HORIZON_S: f64 = 60.0;

/// One zone and one tag.
#[derive(Clone, Debug)]
pub(super) struct AreaRule {
    area: Area,
    inside: Looks,
    outside: Looks,
}

/// Since when the tag has looked inside (outside).
#[derive(Clone, Copy, Debug, Default)]
struct Looks {
    /// It may well be so.
    perhaps: Option<Timestamp>,
    /// Surely.
    surely: Option<Timestamp>,
}

impl Looks {
    fn note(&mut self, at: Timestamp, perhaps: bool, surely: bool) {
        self.perhaps = perhaps.then(|| self.perhaps.unwrap_or(at));
        self.surely = surely.then(|| self.surely.unwrap_or(at));
    }

    /// Whether it has lasted: perhaps for `long`, surely for its last quarter.
    fn lasted(&self, at: Timestamp, long: Micros) -> bool {
        let end = Micros::from_micros(long.micros() / 4);
        self.perhaps.is_some_and(|since| at.since(since) >= long) && self.surely_for(at, end)
    }

    fn surely_for(&self, at: Timestamp, long: Micros) -> bool {
        self.surely.is_some_and(|since| at.since(since) >= long)
    }
}

/// What speaks against a decision.
enum Doubt {
    /// Nothing.
    None,
    /// Nothing new: what was decided stays for as long as it holds.
    Hold,
    /// Nobody can say.
    Unknown(ZoneWhy),
}

impl AreaRule {
    pub(super) fn new(area: Area) -> AreaRule {
        AreaRule { area, inside: Looks::default(), outside: Looks::default() }
    }

    /// Forgets for how long it has looked inside or outside.
    pub(super) fn start_over(&mut self) {
        self.inside = Looks::default();
        self.outside = Looks::default();
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
        let mass = belief.place.as_ref().zip(distance_m).map(|(p, d)| self.area.mass_at(p, d));
        if belief.position.restarted {
            self.start_over();
        }
        let (state, why) = match (doubt(belief, rule), mass.zip(distance_m)) {
            (Doubt::None, Some((mass, distance_m))) => {
                self.look(belief.position.at, mass, distance_m, rule);
                let agreed = belief.agreeing >= enough(rule, site) - FORGIVEN;
                (self.decide(state, belief.position.at, rule, agreed), ZoneWhy::Probability)
            }
            (Doubt::Hold, _) => (state, ZoneWhy::Probability),
            (Doubt::Unknown(why), _) => {
                self.start_over();
                (ZoneState::Unknown, why)
            }
            // A located tag has a place; without one nobody can say.
            (Doubt::None, None) => (ZoneState::Unknown, ZoneWhy::Lost),
        };
        let why = match (state, why) {
            (ZoneState::Unknown, ZoneWhy::Probability) => ZoneWhy::Undecided,
            (_, why) => why,
        };
        Answer {
            state,
            why,
            valid_until: belief.fresh_until,
            probability: mass,
            depth_m: distance_m.map(|d| -d),
            eta_s: self.eta_s(belief),
        }
    }

    /// Notes how it looks.
    fn look(&mut self, at: Timestamp, mass: f64, distance_m: f64, rule: &ZoneRule) {
        self.inside.note(at, mass >= MAY_WELL, mass >= ENTER_MASS);
        self.outside.note(at, 1.0 - mass >= MAY_WELL, mass <= LEAVE_MASS && distance_m > rule.margin_m);
    }

    fn decide(&self, state: ZoneState, at: Timestamp, rule: &ZoneRule, agreed: bool) -> ZoneState {
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
        let [ve, vn, _] = belief.position.velocity_mps?;
        if (ve * ve + vn * vn).sqrt() < LEAST_SPEED_MPS {
            return None;
        }
        self.area.crossing_s(belief.place.as_ref()?.mean_m(), [ve, vn], HORIZON_S)
    }
}

fn doubt(belief: &Belief<'_>, rule: &ZoneRule) -> Doubt {
    let position = belief.position;
    let stale = || if belief.heard { ZoneWhy::Coasting } else { ZoneWhy::NoData };
    match position.state {
        TagState::Lost => return Doubt::Unknown(ZoneWhy::Lost),
        TagState::Ambiguous => return Doubt::Unknown(ZoneWhy::Ambiguous),
        _ if position.at >= belief.fresh_until => return Doubt::Unknown(stale()),
        TagState::Coasting => return Doubt::Hold,
        TagState::Located => {}
    }
    if !position.checked && !rule.allow_unchecked {
        return Doubt::Unknown(ZoneWhy::Unchecked);
    }
    let (radius_m, limit_m) = (position.protection_radius_m, rule.max_protection_radius_m);
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
