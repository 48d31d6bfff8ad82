//! What a finished check says.
//!
//! **Alarm**: the best hypothesis gains more than 18 nats on the site as stated (25 for ranges that are all short, 35 for a place
//! or height; for ranges that are all long, as NLOS ones are, the tag's height and mirrored heights also .2 for each range), or with
//! six keyframes less than 35 % of the ranges are explained or more than 12 % are too short.
//! **Name**: the best one explains at least 45 % with at most 2 % too short (6 % for units, scale and orders), leads every
//! rival by 15 nats (20 when one of them is an order), with six keyframes over five cells of a metre. A hypothesis that holds
//! the winner as a special case is no rival; a special case of the winner must be beaten by 8. An order that looks the same as
//! another one from inside is named only if it moves the fewest fields, and it is said how many do.
//!
//! A place, height or scale is named only when each anchor that it does not call faulty fits by it (half of its ranges, 65 % with one
//! anchor more than needed, and no offset at its limit); a place after 18 keyframes (22), and when it leads two places by 4: two
//! that are off look like one at first. A scale is named when those 4 % off do worse by 8. What is not named is an alarm,
//! about all positions as soon as anything near the best one is.
//!
//! Found by the study.

use hereabout_core::AnchorSet;

use super::check::{Check, Kind, TriedHypothesis, UNIT_RATIOS, order_cause, order_moves};
use super::density::WITHIN_M;
use super::orders::{Order, STRAIGHT, one_swap};
use super::stated_site::{MAX_OFFSET_M, StatedSite};
use super::{Cause, SiteDoubt};

/// Keyframes that are needed before anything is said.
pub(super) const MIN_KEYFRAMES: usize = 6;
/// With fewer, two places that are off look like one.
const MIN_KEYFRAMES_FOR_PLACES: usize = 18;
const MIN_CELLS: usize = 5;
/// The same where one anchor more than needed lets two that are off look like one all the more.
const MIN_KEYFRAMES_FOR_PLACES_BY_FEW: usize = 22;
/// Least share of each other anchor's ranges that a place, height or scale must explain.
const MIN_SHARE: f64 = 0.5;
const MIN_SHARE_BY_FEW: f64 = 0.65;
const MIN_GAIN_NATS: f64 = 18.0;
const MIN_GAIN_SMALL_THINGS_NATS: f64 = 35.0;
/// For ranges that are all short.
const MIN_GAIN_SCALE_NATS: f64 = 25.0;
const MIN_GAIN_NATS_PER_RANGE: f64 = 0.2;
/// Share of the ranges that a scale may explain less than the site as stated: NLOS ranges make offsets that it undoes.
const MAX_LOSS_BY_SCALE_SHARE: f64 = 0.05;
/// Factors that differ by less are one.
const SAME_SCALE_LN: f64 = 0.035;
const MIN_LEAD_NATS: f64 = 15.0;
const MIN_LEAD_ORDERS_NATS: f64 = 20.0;
/// By how much a scale must lead those that are clearly others, or its figure is not known.
const MIN_LEAD_SCALE_NATS: f64 = 8.0;
/// By how much one place must lead two.
const MIN_LEAD_ONE_OF_TWO_NATS: f64 = 4.0;
const MIN_LEAD_SPECIAL_NATS: f64 = 8.0;
/// What a second place must bring to be looked at, and to be named.
const MIN_GAIN_SECOND_PLACE_NATS: f64 = 15.0;
const MIN_LEAD_SECOND_PLACE_NATS: f64 = 30.0;
/// A tag that is farther from its stated height than this is not named, metres: one anchor's height looks like it.
const MAX_TAG_UP_M: f64 = 2.0;

/// What one check found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum CheckResult {
    /// Nothing speaks against the site; the share explained.
    Fits { explained_share: f64, gain_nats: f64 },
    /// Something does, but nothing can be named.
    Alarm(SiteDoubt),
    /// One thing explains it.
    Named(Kind, SiteDoubt),
}

/// Judges a finished check.
pub(super) fn judge(site: &StatedSite, check: &Check) -> Option<CheckResult> {
    let nominal = *check.nominal()?;
    let enough = check.frames.len() >= MIN_KEYFRAMES;
    let gross = enough && (nominal.worth.explained_share < 0.35 || nominal.worth.too_short_share > 0.12);
    let best = check.best().map(|b| simpler(check, b));
    let gain = best.map_or(f64::NEG_INFINITY, |b| b.score_nats - nominal.score_nats);
    let limit = best.map_or(MIN_GAIN_NATS, |b| gain_needed(check, &b));
    if !gross && gain <= limit {
        return enough.then_some(CheckResult::Fits {
            explained_share: nominal.worth.explained_share,
            gain_nats: gain,
        });
    }
    let doubt = SiteDoubt {
        explained_share: nominal.worth.explained_share,
        too_short_share: nominal.worth.too_short_share,
        cause: None,
        explained_then_share: 0.0,
        alike: 0,
        within_m: WITHIN_M * nominal.model.stretch_ratio,
        all: nominal.worth.explained_share < 0.5 || nominal.worth.too_short_share > 0.12,
    };
    let Some(best) = best.filter(|b| gain > limit && may_be_named(site, check, b)) else {
        let all = doubt.all || best.is_some_and(|b| may_concern_all(site, check, &b));
        return enough.then_some(CheckResult::Alarm(SiteDoubt { all, ..doubt }));
    };
    let cause = cause_of(site, &best);
    let doubt = SiteDoubt {
        cause: Some(cause),
        explained_then_share: best.worth.explained_share,
        alike: orders_alike(site, check, &best),
        within_m: WITHIN_M * best.model.stretch_ratio,
        all: concerns_all(site, check, &cause),
        ..doubt
    };
    Some(CheckResult::Named(best.kind, doubt))
}

/// One place instead of two, when the second one brings hardly anything; mirrored heights instead of a height found.
fn simpler(check: &Check, best: &TriedHypothesis) -> TriedHypothesis {
    if best.kind == Kind::TagUp {
        let mirrored = check
            .found
            .iter()
            .find(|f| f.kind == Kind::Mirrored && best.score_nats - f.score_nats < MIN_LEAD_SPECIAL_NATS);
        return *mirrored.unwrap_or(best);
    }
    let Kind::Two(a, b) = best.kind else { return *best };
    let is_one = |f: &&TriedHypothesis| matches!(f.kind, Kind::Place(i) | Kind::Up(i) if i == a || i == b);
    let one = check.found.iter().filter(is_one).max_by(|x, y| x.score_nats.total_cmp(&y.score_nats));
    one.filter(|f| best.score_nats - f.score_nats < MIN_GAIN_SECOND_PLACE_NATS).copied().unwrap_or(*best)
}

/// What all ranges share in (a scale, heights) is favoured by every NLOS range: it must gain something for each of them.
fn gain_needed(check: &Check, found: &TriedHypothesis) -> f64 {
    match found.kind {
        Kind::Place(_) | Kind::Up(_) => MIN_GAIN_SMALL_THINGS_NATS,
        // Nothing but a scale makes all ranges short.
        Kind::Scale if found.model.factor > 1.0 => MIN_GAIN_SCALE_NATS,
        Kind::TagUp => MIN_GAIN_NATS,
        Kind::Scale | Kind::Mirrored => {
            let measured: usize = check.frames.iter().map(|k| k.heard.len()).sum();
            MIN_GAIN_SMALL_THINGS_NATS.max(MIN_GAIN_NATS_PER_RANGE * measured as f64)
        }
        _ => MIN_GAIN_NATS,
    }
}

fn may_be_named(site: &StatedSite, check: &Check, best: &TriedHypothesis) -> bool {
    let is_unit = matches!(best.kind, Kind::Unit(_));
    let many_short = matches!(best.kind, Kind::Unit(_) | Kind::Scale | Kind::Order(_));
    let is_place = matches!(best.kind, Kind::Place(_) | Kind::Two(..) | Kind::Up(_));
    let most_short = if many_short {
        0.06
    } else if is_place {
        0.012
    } else {
        0.02
    };
    let few = site.n <= site.d + 2;
    let needed = match (is_place, few) {
        (true, true) => MIN_KEYFRAMES_FOR_PLACES_BY_FEW,
        (true, false) => MIN_KEYFRAMES_FOR_PLACES,
        _ => MIN_KEYFRAMES,
    };
    let moved_enough = check.frames.len() >= needed && check.cells() >= MIN_CELLS;
    let least = if is_unit || is_place { 0.55 } else { 0.45 };
    let has_spare = site.n >= site.d + 2;
    let more = best.worth.explained_share - check.nominal().map_or(0.0, |n| n.worth.explained_share);
    let small = matches!(best.kind, Kind::Scale)
        && ((best.model.factor - 1.0).abs() < 0.045 || more < -MAX_LOSS_BY_SCALE_SHARE);
    best.worth.explained_share >= least
        && best.worth.too_short_share <= most_short
        && !small
        && (is_unit || moved_enough)
        && (has_spare || (is_unit && moved_enough))
        && others_fit(site, best)
        && leads(site, check, best)
}

/// Whether every anchor that a place, height or scale does not call faulty fits well by it. One that does not may be wrong as
/// well, and then what fits best may be nothing of what is wrong.
fn others_fit(site: &StatedSite, best: &TriedHypothesis) -> bool {
    let few = site.n <= site.d + 2;
    let faulty: AnchorSet = match best.kind {
        Kind::Place(i) | Kind::Up(i) => [i].into_iter().collect(),
        Kind::Two(a, b) => [a, b].into_iter().collect(),
        // All anchors are lower for a tag that is higher: a single one that is asks for that too, and fits badly then.
        Kind::Scale | Kind::TagUp => AnchorSet::EMPTY,
        Kind::Order(_) if few => AnchorSet::EMPTY,
        _ => return true,
    };
    if best.kind == Kind::TagUp && (best.model.up_m - site.tag_up_m).abs() > MAX_TAG_UP_M {
        return false;
    }
    let least = match best.kind {
        Kind::Place(_) | Kind::Up(_) | Kind::Scale if few => MIN_SHARE_BY_FEW,
        Kind::TagUp => MIN_SHARE_BY_FEW,
        _ => MIN_SHARE,
    };
    site.everyone()
        .difference(faulty)
        .iter()
        .all(|i| best.worth.share[i] >= least && best.model.offset_m[i].abs() < 0.9 * MAX_OFFSET_M)
}

fn leads(site: &StatedSite, check: &Check, best: &TriedHypothesis) -> bool {
    let is_other = |f: &&TriedHypothesis| {
        let other_scale =
            f.kind == Kind::Scale && (f.model.factor / best.model.factor).ln().abs() > SAME_SCALE_LN;
        f.kind != Kind::Nominal && (f.kind != best.kind || other_scale)
    };
    check.found.iter().filter(is_other).all(|rival| {
        let lead = best.score_nats - rival.score_nats;
        if best.kind == Kind::Scale && rival.kind == Kind::Scale {
            return lead >= MIN_LEAD_SCALE_NATS;
        }
        if let (Kind::Order(a), Kind::Order(b)) = (&best.kind, &rival.kind)
            && check.same_looks(site, a).any(|o| o == *b)
        {
            return lead >= MIN_LEAD_NATS || order_moves(site, a) < order_moves(site, b);
        }
        if is_special(site, best, rival) {
            // A second place that is worth its price may be wrong too.
            return !matches!(rival.kind, Kind::Two(..)) || lead >= MIN_LEAD_ONE_OF_TWO_NATS;
        }
        if is_special(site, rival, best) {
            return lead
                >= if matches!(best.kind, Kind::Two(..)) {
                    MIN_LEAD_SECOND_PLACE_NATS
                } else {
                    MIN_LEAD_SPECIAL_NATS
                };
        }
        let orders = matches!(best.kind, Kind::Order(_)) || matches!(rival.kind, Kind::Order(_));
        lead >= if orders { MIN_LEAD_ORDERS_NATS } else { MIN_LEAD_NATS }
    })
}

/// Whether `general` holds `special` as a special case.
fn is_special(site: &StatedSite, special: &TriedHypothesis, general: &TriedHypothesis) -> bool {
    match (special.kind, general.kind) {
        (Kind::Unit(_), Kind::Scale) => (special.model.factor / general.model.factor).ln().abs() < 0.06,
        (Kind::Mirrored, Kind::TagUp) => true,
        (Kind::Up(i), Kind::Place(j)) => i == j,
        (Kind::Up(i) | Kind::Place(i), Kind::Two(a, b)) => i == a || i == b,
        (Kind::Order(o), Kind::Two(a, b)) => one_swap(site.n, &o).is_some_and(|s| s == [a.min(b), a.max(b)]),
        _ => false,
    }
}

fn cause_of(site: &StatedSite, best: &TriedHypothesis) -> Cause {
    let at_m = &best.model.at_m;
    match best.kind {
        Kind::Unit(i) => Cause::Unit { factor: UNIT_RATIOS[i] },
        Kind::TagUp => Cause::TagHeight { up_m: best.model.up_m },
        Kind::Mirrored => Cause::MirroredHeights,
        Kind::Other(other) => Cause::OtherSite { other },
        Kind::Order(o) => order_cause(site, &o),
        Kind::Up(anchor) => Cause::AnchorHeight { anchor, up_m: at_m[anchor][2] },
        Kind::Place(anchor) => Cause::Place { anchor, at_m: at_m[anchor] },
        Kind::Two(a, b) => {
            let (a, b) = (a.min(b), a.max(b));
            Cause::TwoPlaces { anchors: [a, b], at_m: [at_m[a], at_m[b]] }
        }
        Kind::Scale | Kind::Nominal | Kind::Without(..) => Cause::Scale { factor: best.model.factor },
    }
}

/// Other orders that look the same as a named one and that no fence tells from it.
fn orders_alike(site: &StatedSite, check: &Check, best: &TriedHypothesis) -> u8 {
    let Kind::Order(order) = best.kind else { return 0 };
    let fits = |other: &Order| match check.found.iter().find(|f| f.kind == Kind::Order(*other)) {
        Some(found) => best.score_nats - found.score_nats < MIN_LEAD_NATS,
        None => *other != STRAIGHT,
    };
    let count = check.same_looks(site, &order).filter(|o| *o != order && fits(o)).count();
    u8::try_from(count).unwrap_or(u8::MAX)
}

/// Whether something that positions can't do without may be wrong, as far as the best one is not distinguished from its rivals.
fn may_concern_all(site: &StatedSite, check: &Check, best: &TriedHypothesis) -> bool {
    let near =
        |f: &&TriedHypothesis| f.kind != Kind::Nominal && best.score_nats - f.score_nats < MIN_LEAD_NATS;
    check.found.iter().filter(near).any(|f| concerns_all(site, check, &cause_of(site, f)))
}

fn concerns_all(site: &StatedSite, check: &Check, cause: &Cause) -> bool {
    match *cause {
        Cause::Place { anchor, .. } | Cause::AnchorHeight { anchor, .. } => {
            !check.rest_fits(site, [anchor].into_iter().collect())
        }
        Cause::TwoPlaces { anchors: [a, b], .. } | Cause::Swapped { anchors: [a, b] } => {
            !check.rest_fits(site, [a, b].into_iter().collect())
        }
        _ => true,
    }
}
