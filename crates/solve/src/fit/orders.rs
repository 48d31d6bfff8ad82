//! In which order the range fields could stand.
//!
//! **Listed orders** are tried one by one: every exchange of two, reversed, shifted by any number, and with up to five anchors
//! all there are. **Search** for six and more: the three fields that are heard most stand for every ordered triple of places;
//! each places the tag at some keyframes, and the rest of the fields are assigned to the rest of the places by the least
//! Σ −ln f (Kuhn's method of dual prices, a standard algorithm). The best are looked at closer by the check.

use arrayvec::ArrayVec;
use hereabout_core::geometry::vector::{length, minus};
use hereabout_core::{AnchorSet, MAX_ANCHORS};

use super::keyframes::Keyframe;
use super::model::{MeasuredRanges, Model, flat_m, improve};
use super::spheres::{circles, spheres};
use super::stated_site::StatedSite;

/// For each field the place it stands for.
pub(super) type Order = [u8; MAX_ANCHORS];
/// Σ −ln f for field, place.
pub(super) type Costs = [[f64; MAX_ANCHORS]; MAX_ANCHORS];

/// Every field belongs to the anchor that the site states.
pub(super) const STRAIGHT: Order = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15];
/// Most anchors for which all orders are tried.
pub(super) const ALL_ORDERS: usize = 5;
/// Offsets are not known while orders are searched: the density is stretched.
const SEARCH_STRETCH_RATIO: f64 = 2.5;

/// Listed order number `index`, from 0; `None` after the last.
pub(super) fn listed(n: usize, index: usize) -> Option<Order> {
    if n <= ALL_ORDERS {
        let count: usize = (1..=n).product();
        return (index + 1 < count).then(|| lexicographic(n, index + 1));
    }
    let pairs = n * (n - 1) / 2;
    let mut order = STRAIGHT;
    if index < pairs {
        let (mut a, mut left) = (0, index);
        while left >= n - 1 - a {
            left -= n - 1 - a;
            a += 1;
        }
        order.swap(a, a + 1 + left);
        return Some(order);
    }
    let turn = index - pairs;
    if turn >= 2 * n - 1 {
        return None;
    }
    // Shifts by 1 to n − 1, then reversed and shifted by 0 to n − 1.
    for (i, to) in order.iter_mut().enumerate().take(n) {
        *to = if turn + 1 < n { (i + turn + 1) % n } else { (2 * n - 1 - i + turn + 1 - n) % n } as u8;
    }
    Some(order)
}

fn lexicographic(n: usize, mut index: usize) -> Order {
    let mut left: ArrayVec<u8, MAX_ANCHORS> = (0..n as u8).collect();
    let mut order = STRAIGHT;
    for (i, to) in order.iter_mut().enumerate().take(n) {
        let block: usize = (1..n - i).product();
        *to = left.remove(index / block);
        index %= block;
    }
    order
}

/// The places in another order.
pub(super) fn ordered(site: &StatedSite, order: &Order) -> Model {
    let mut model = Model::stated(site);
    for (at_m, place) in model.at_m.iter_mut().zip(order).take(site.n) {
        *at_m = site.stated[usize::from(*place)];
    }
    model
}

/// The fields that are moved.
pub(super) fn moved(n: usize, order: &Order) -> usize {
    (0..n).filter(|&i| usize::from(order[i]) != i).count()
}

/// The two that are exchanged, when it is just that.
pub(super) fn one_swap(n: usize, order: &Order) -> Option<[usize; 2]> {
    let mut off = (0..n).filter(|&i| usize::from(order[i]) != i);
    let (a, b) = (off.next()?, off.next()?);
    off.next().is_none().then_some([a, b])
}

/// Whether it is the opposite order.
pub(super) fn is_reversed(n: usize, order: &Order) -> bool {
    (0..n).all(|i| usize::from(order[i]) == n - 1 - i)
}

/// Adds what each of the fields costs at each place when the tag is at `at_m`.
pub(super) fn add_costs(
    site: &StatedSite,
    measured: &MeasuredRanges,
    stretch_ratio: f64,
    at_m: &[f64; 3],
    costs: &mut Costs,
) {
    for f in measured.heard.iter() {
        for (cost, place) in costs[f].iter_mut().zip(&site.stated).take(site.n) {
            let r = measured.range_m[f] - length(minus(*at_m, *place));
            *cost -= site.density.ln(r, SEARCH_STRETCH_RATIO * stretch_ratio);
        }
    }
}

/// The ordered triple of places number `index`; `None` after the last.
pub(super) fn triple(n: usize, index: usize) -> Option<[usize; 3]> {
    if index >= n * n * n {
        return None;
    }
    Some([index / (n * n), index / n % n, index % n])
}

/// The search's step: the best order in which `fields` stand for `places`, and its cost per keyframe.
pub(super) fn try_triple(
    site: &StatedSite,
    stretch_ratio: f64,
    frames: &[Keyframe],
    fields: [usize; 3],
    places: [usize; 3],
) -> Option<(Order, f64)> {
    let mut model = Model::stated(site);
    model.stretch_ratio = SEARCH_STRETCH_RATIO * stretch_ratio;
    (0..3).for_each(|c| model.at_m[fields[c]] = site.stated[places[c]]);
    let three: AnchorSet = fields.into_iter().collect();
    let mut costs = [[0.0; MAX_ANCHORS]; MAX_ANCHORS];
    let (mut met, mut asked) = (0, 0);
    for (number, k) in frames.iter().enumerate() {
        let measured = model.distances(site, k);
        if !measured.heard.contains_all(three) {
            continue;
        }
        asked += 1;
        if let Some(at_m) = place_by_three(site, &model, &measured, fields, places, three) {
            met += 1;
            add_costs(site, &measured, stretch_ratio, &at_m, &mut costs);
        }
        if number >= 4 && met == 0 {
            return None;
        }
    }
    if met * 5 < asked.max(5) {
        return None;
    }
    (0..3).for_each(|c| {
        for (a, cost) in costs[fields[c]].iter_mut().enumerate() {
            *cost = if a == places[c] { 0.0 } else { 1e6 };
        }
    });
    let (order, cost) = assign(site.n, &costs);
    // A triple that meets at few keyframes must not win by that.
    Some((order, cost / f64::from(met) + 0.3 * f64::from(asked - met)))
}

fn place_by_three(
    site: &StatedSite,
    model: &Model,
    measured: &MeasuredRanges,
    fields: [usize; 3],
    places: [usize; 3],
    three: AnchorSet,
) -> Option<[f64; 3]> {
    let at = fields.map(|f| model.at_m[f]);
    if site.d == 3 {
        let both = spheres(at, fields.map(|f| measured.range_m[f]))?;
        return both.into_iter().min_by(|a, b| {
            rest_cost(site, measured, model.stretch_ratio, a, three, places).total_cmp(&rest_cost(
                site,
                measured,
                model.stretch_ratio,
                b,
                three,
                places,
            ))
        });
    }
    let flat = |c: usize| flat_m(measured.range_m[fields[c]], at[c][2] - model.up_m);
    let both = circles([at[0][0], at[0][1]], flat(0), [at[1][0], at[1][1]], flat(1))?;
    let off = |p: &[f64; 2]| {
        let (dx, dy) = (p[0] - at[2][0], p[1] - at[2][1]);
        ((dx * dx + dy * dy).sqrt() - flat(2)).abs()
    };
    let best = both.into_iter().min_by(|a, b| off(a).total_cmp(&off(b)))?;
    if off(&best).is_nan() || off(&best) >= 2.0 {
        return None;
    }
    let only = MeasuredRanges { heard: three, ..*measured };
    let spot = improve(site, model, &only, [best[0], best[1], model.up_m], 2);
    let fits = fields.iter().all(|&f| {
        (measured.range_m[f] - length(minus(spot.at_m, model.at_m[f]))).abs() < 0.8 * model.stretch_ratio
    });
    fits.then_some(spot.at_m)
}

/// What the other fields cost at the best of the other places.
fn rest_cost(
    site: &StatedSite,
    measured: &MeasuredRanges,
    stretch_ratio: f64,
    at_m: &[f64; 3],
    three: AnchorSet,
    places: [usize; 3],
) -> f64 {
    let least = |f: usize| {
        (0..site.n)
            .filter(|a| !places.contains(a))
            .map(|a| {
                -site.density.ln(measured.range_m[f] - length(minus(*at_m, site.stated[a])), stretch_ratio)
            })
            .fold(f64::INFINITY, f64::min)
    };
    measured.heard.difference(three).iter().map(least).sum()
}

/// The cheapest assignment of `n` fields to places, and its cost.
pub(super) fn assign(n: usize, costs: &Costs) -> (Order, f64) {
    const M: usize = MAX_ANCHORS + 1;
    // Row and column 0 are helpers; `row_of[c]` is the field that place c has.
    let (mut u, mut v, mut row_of) = ([0.0; M], [0.0; M], [0usize; M]);
    for row in 1..=n {
        let (mut least, mut seen, mut way) = ([f64::INFINITY; M], [false; M], [0usize; M]);
        row_of[0] = row;
        let mut at = 0;
        while row_of[at] != 0 {
            seen[at] = true;
            let (mut step, mut next) = (f64::INFINITY, 0);
            for c in (1..=n).filter(|&c| !seen[c]) {
                let reduced = costs[row_of[at] - 1][c - 1] - u[row_of[at]] - v[c];
                if reduced < least[c] {
                    (least[c], way[c]) = (reduced, at);
                }
                if least[c] < step || next == 0 {
                    (step, next) = (least[c], c);
                }
            }
            for c in 0..=n {
                if seen[c] {
                    u[row_of[c]] += step;
                    v[c] -= step;
                } else {
                    least[c] -= step;
                }
            }
            at = next;
        }
        while at != 0 {
            row_of[at] = row_of[way[at]];
            at = way[at];
        }
    }
    let mut order = STRAIGHT;
    (1..=n).for_each(|c| order[row_of[c] - 1] = (c - 1) as u8);
    let cost = (0..n).map(|f| costs[f][usize::from(order[f])]).sum();
    (order, cost)
}
