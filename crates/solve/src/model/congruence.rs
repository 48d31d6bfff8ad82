//! Under which other orders of its anchors a site looks the same to ranges.
//!
//! Ranges know distances alone. Where the anchors can be exchanged so that all distances between them stay, every place of a
//! tag has an image that answers with the same ranges: a rectangle has three such orders besides its own, a square seven.
//! Which order is the true one no range tells; a tag at a known place does, or a fence that the images lie out of.
//!
//! Search: anchors are given places one by one, and a choice is dropped as soon as one distance to those before is off by
//! twice the tolerance. What is left is laid on the site: axes through the anchors, once for each side of their line or plane,
//! take every anchor to its image, and none may be off by more than the tolerance (distances alone hardly see a height). In
//! 2D heights have to fit as well, because the tag's height is known.
//!
//! Symbols: `a_i` places of the anchors, `p` the order (anchor i takes the place of anchor p(i)), `T` the isometry with
//! `T(a_i) = a_p(i)`.
//!
//! Source: elementary; a map that keeps the distances of points continues to an isometry of the space.

use arrayvec::ArrayVec;
use hereabout_core::geometry::vector::{cross, dot, length, minus, scaled, unit};
use hereabout_core::{Dimension, Fence, MAX_ANCHORS};

/// What is shorter is no direction, metres.
const MIN_LENGTH_M: f64 = 1e-6;

/// Places that differ by less are the same, metres: with people's tapes and persons in the way nothing finer is distinguished.
const SAME_M: f64 = 0.3;
/// An order whose images lie in the fence for less than this share of the area is excluded by it.
const EXCLUDED_SHARE: f64 = 0.05;
/// Points across the area, each way.
const GRID: usize = 24;
/// Orders beyond this are not listed: so many mean that the anchors hang at one place.
pub const MAX_ORDERS: usize = 48;
/// Choices that are tried at most; sixteen anchors that look alike would take an age.
const MAX_CHOICES: usize = 200_000;

/// The orders, but for the site's own: for each anchor by index the index of the anchor whose place it takes. In the order of
/// these numbers, at most [`MAX_ORDERS`]. An order whose images `fence` excludes is left out.
pub fn congruences(
    anchors_m: &[[f64; 3]],
    dimension: Dimension,
    fence: &Fence,
) -> Vec<ArrayVec<u8, MAX_ANCHORS>> {
    if anchors_m.len() > MAX_ANCHORS || anchors_m.iter().flatten().any(|v| !v.is_finite()) {
        return Vec::new();
    }
    let flat = matches!(dimension, Dimension::TwoD { .. });
    let mut search = Search { anchors_m, flat, choices: 0, found: Vec::new() };
    search.extend(&mut ArrayVec::new());
    let own = |order: &ArrayVec<u8, MAX_ANCHORS>| order.iter().enumerate().all(|(i, p)| i == usize::from(*p));
    let mut found = search.found;
    found.retain(|order| !own(order) && !is_excluded(anchors_m, order, dimension, fence));
    found.truncate(MAX_ORDERS);
    found
}

struct Search<'a> {
    anchors_m: &'a [[f64; 3]],
    /// Whether heights stay.
    flat: bool,
    choices: usize,
    found: Vec<ArrayVec<u8, MAX_ANCHORS>>,
}

impl Search<'_> {
    /// All ways to go on from the places given so far.
    fn extend(&mut self, order: &mut ArrayVec<u8, MAX_ANCHORS>) {
        let i = order.len();
        if i == self.anchors_m.len() {
            if self.lies_on_itself(order) {
                self.found.push(order.clone());
            }
            return;
        }
        for place in 0..self.anchors_m.len() {
            self.choices += 1;
            // One more than are listed: the site's own is among them.
            if self.choices > MAX_CHOICES || self.found.len() > MAX_ORDERS {
                return;
            }
            let Ok(number) = u8::try_from(place) else { return };
            if !order.contains(&number) && self.fits(order, i, place) {
                order.push(number);
                self.extend(order);
                order.pop();
            }
        }
    }

    /// Whether anchor `i` can take `place` beside those before it.
    fn fits(&self, order: &ArrayVec<u8, MAX_ANCHORS>, i: usize, place: usize) -> bool {
        let a = self.anchors_m;
        if self.flat && (a[i][2] - a[place][2]).abs() > SAME_M {
            return false;
        }
        order.iter().enumerate().all(|(j, taken)| {
            let (own, other) = (self.apart_m(i, j), self.apart_m(place, usize::from(*taken)));
            (own - other).abs() <= 2.0 * SAME_M
        })
    }

    /// Whether the site lies on itself with its anchors in this order.
    fn lies_on_itself(&self, order: &ArrayVec<u8, MAX_ANCHORS>) -> bool {
        let images_m = images(self.anchors_m, order);
        let maps = [1.0, -1.0].map(|side| Map::between(self.anchors_m, &images_m, self.flat, side));
        // Without axes all anchors are on one spot, or in 3D on one line: distances have said it all.
        maps.iter().all(Option::is_none)
            || maps.iter().flatten().any(|map| map.fits(self.anchors_m, &images_m))
    }

    /// Distance of two anchors; along the floor where heights are known.
    fn apart_m(&self, i: usize, j: usize) -> f64 {
        let mut between = minus(self.anchors_m[i], self.anchors_m[j]);
        if self.flat {
            between[2] = 0.0;
        }
        length(between)
    }
}

/// Whether the images of the area under this order lie out of the fence.
fn is_excluded(
    anchors_m: &[[f64; 3]],
    order: &ArrayVec<u8, MAX_ANCHORS>,
    dimension: Dimension,
    fence: &Fence,
) -> bool {
    if fence.is_open() {
        return false;
    }
    let images_m = images(anchors_m, order);
    let flat = matches!(dimension, Dimension::TwoD { .. });
    let points = points(anchors_m, dimension, fence);
    // Where the anchors lie on a line or in a plane both sides are images.
    let maps = [1.0, -1.0].map(|side| Map::between(anchors_m, &images_m, flat, side));
    let mut one_fits = false;
    for map in maps.iter().flatten().filter(|map| map.fits(anchors_m, &images_m)) {
        one_fits = true;
        let inside = points.iter().filter(|p| fence.excess_m(map.image_m(**p)) <= 0.0).count();
        if inside as f64 >= EXCLUDED_SHARE * points.len() as f64 {
            return false;
        }
    }
    one_fits && !points.is_empty()
}

/// For each anchor the place that it takes.
fn images(anchors_m: &[[f64; 3]], order: &ArrayVec<u8, MAX_ANCHORS>) -> ArrayVec<[f64; 3], MAX_ANCHORS> {
    order.iter().filter_map(|p| anchors_m.get(usize::from(*p)).copied()).collect()
}

/// Points all over the fence; over the rectangle round the anchors where it has no area.
fn points(anchors_m: &[[f64; 3]], dimension: Dimension, fence: &Fence) -> Vec<[f64; 3]> {
    let corners: Vec<[f64; 2]> = match fence.area_m.len() {
        0..=2 => anchors_m.iter().map(|a| [a[0], a[1]]).collect(),
        _ => fence.area_m.clone(),
    };
    let ends = |axis: usize| {
        let all = corners.iter().map(|c| c[axis]);
        all.fold([f64::INFINITY, f64::NEG_INFINITY], |[lo, hi], v| [lo.min(v), hi.max(v)])
    };
    let heights = match (dimension, fence.up_span_m) {
        (Dimension::TwoD { tag_height_m }, _) => vec![tag_height_m],
        (Dimension::ThreeD, Some([lo, hi])) => vec![lo, 0.5 * (lo + hi), hi],
        (Dimension::ThreeD, None) => vec![anchors_m.iter().map(|a| a[2]).fold(f64::INFINITY, f64::min)],
    };
    let at = |[lo, hi]: [f64; 2], k: usize| lo + (hi - lo) * (k as f64 + 0.5) / GRID as f64;
    let (east, north) = (ends(0), ends(1));
    let mut out = Vec::new();
    for k in 0..GRID * GRID {
        for up in &heights {
            let point = [at(east, k % GRID), at(north, k / GRID), *up];
            if fence.excess_m(point) <= 0.0 {
                out.push(point);
            }
        }
    }
    out
}

/// An isometry as two sets of axes, each with its origin.
struct Map {
    from_axes_m: [[f64; 3]; 4],
    to_axes_m: [[f64; 3]; 4],
}

impl Map {
    /// From places to their images; `hand_factor` chooses the hand of the last axis. `None` where the places span too little.
    fn between(from_m: &[[f64; 3]], to_m: &[[f64; 3]], flat: bool, hand_factor: f64) -> Option<Map> {
        let n = from_m.len();
        let pairs = (0..n).flat_map(|i| (0..i).map(move |j| (i, j)));
        let far = |i: usize, j: usize| length(across(minus(from_m[i], from_m[j]), flat));
        let (i, j) = pairs.max_by(|a, b| far(a.0, a.1).total_cmp(&far(b.0, b.1)))?;
        let axes = |of: &[[f64; 3]], hand: f64| -> Option<[[f64; 3]; 4]> {
            let first = unit(across(minus(of[i], of[j]), flat), MIN_LENGTH_M)?;
            let second = match flat {
                true => [-hand * first[1], hand * first[0], 0.0],
                false => {
                    let off = |k: usize| {
                        let to = minus(of[k], of[j]);
                        minus(to, scaled(first, dot(to, first)))
                    };
                    // The same anchor in both sets: the one that is farthest off the line in the first.
                    let from_off = |k: usize| {
                        let line = unit(minus(from_m[i], from_m[j]), MIN_LENGTH_M).unwrap_or([1.0, 0.0, 0.0]);
                        let to = minus(from_m[k], from_m[j]);
                        length(minus(to, scaled(line, dot(to, line))))
                    };
                    let k = (0..n).max_by(|a, b| from_off(*a).total_cmp(&from_off(*b)))?;
                    unit(off(k), MIN_LENGTH_M)?
                }
            };
            let third = match flat {
                true => [0.0, 0.0, 1.0],
                false => scaled(cross(first, second), hand),
            };
            Some([middle(of), first, second, third])
        };
        let mut map = Map { from_axes_m: axes(from_m, 1.0)?, to_axes_m: axes(to_m, hand_factor)? };
        if flat {
            // Heights stay what they are.
            map.to_axes_m[0][2] = map.from_axes_m[0][2];
        }
        Some(map)
    }

    fn image_m(&self, at_m: [f64; 3]) -> [f64; 3] {
        let [origin, axes @ ..] = &self.from_axes_m;
        let to = minus(at_m, *origin);
        let mut out = self.to_axes_m[0];
        for (axis, image) in axes.iter().zip(&self.to_axes_m[1..]) {
            let along = dot(to, *axis);
            out.iter_mut().zip(image).for_each(|(o, v)| *o += along * v);
        }
        out
    }

    /// Whether it takes every anchor to its image.
    fn fits(&self, from_m: &[[f64; 3]], to_m: &[[f64; 3]]) -> bool {
        from_m.iter().zip(to_m).all(|(a, b)| length(minus(self.image_m(*a), *b)) <= SAME_M)
    }
}

fn across(mut v: [f64; 3], flat: bool) -> [f64; 3] {
    if flat {
        v[2] = 0.0;
    }
    v
}

fn middle(of: &[[f64; 3]]) -> [f64; 3] {
    let mut out = [0.0; 3];
    for at in of {
        out.iter_mut().zip(at).for_each(|(o, v)| *o += v / of.len() as f64);
    }
    out
}

#[cfg(test)]
mod tests;
