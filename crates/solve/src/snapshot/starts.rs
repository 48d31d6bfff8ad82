//! Places to start from: where two circles (2D) or three spheres (3D) meet.
//!
//! With up to half of the ranges NLOS a start from all ranges together may lie in nobody's basin, while
//! some pair or triple of good ranges meets next to the truth. Every meeting point is scored by a cheap
//! stand-in for the robust cost (no exponentials); the best few that lie apart are kept.

use arrayvec::ArrayVec;
use hereabout_core::Fence;
use hereabout_core::geometry::vector::{dot, length, minus, plus};

use super::{MAX_MODES, UsedRanges, fence_ln};

/// The most triples that are intersected in 3D; 56 is all of eight ranges.
const MAX_TRIPLES: usize = 140;

/// Starts are this far apart, metres.
const APART_M: f64 = 0.35;

#[derive(Clone, Copy, Debug)]
struct Seed {
    at_m: [f64; 3],
    cost_nats: f64,
}

/// The best starts, best first. `height_m` is the known tag height in 2D.
pub(super) fn find(used: &UsedRanges, height_m: Option<f64>, fence: &Fence) -> ArrayVec<[f64; 3], MAX_MODES> {
    let mut best: ArrayVec<Seed, MAX_MODES> = ArrayVec::new();
    let room = if height_m.is_some() { MAX_MODES / 2 } else { MAX_MODES };
    let mut offer = |at: [f64; 3]| {
        if at.iter().all(|c| c.abs() < 1e7) {
            keep(&mut best, room, Seed { at_m: at, cost_nats: cost(used, &at) - fence_ln(fence, at) });
        }
    };
    match height_m {
        Some(up) => {
            for i in 1..used.len() {
                for j in 0..i {
                    pair(used, i, j, up).into_iter().for_each(&mut offer);
                }
            }
        }
        None => {
            let n = used.len();
            let stride = (n * (n - 1) * (n - 2) / 6).div_ceil(MAX_TRIPLES).max(1);
            let mut count = 0;
            for i in 2..n {
                for j in 1..i {
                    for k in 0..j {
                        if count % stride == 0 {
                            triple(used, [i, j, k]).into_iter().for_each(&mut offer);
                        }
                        count += 1;
                    }
                }
            }
        }
    }
    best.iter().map(|s| s.at_m).collect()
}

/// Keeps the list sorted, short and spread out.
fn keep(best: &mut ArrayVec<Seed, MAX_MODES>, room: usize, new: Seed) {
    if best.len() == room && best.last().is_some_and(|l| l.cost_nats <= new.cost_nats) {
        return;
    }
    let close = |s: &Seed| length(minus(s.at_m, new.at_m)) < APART_M;
    if best.iter().any(|s| close(s) && s.cost_nats <= new.cost_nats) {
        return;
    }
    best.retain(|s| !close(s));
    let place = best.iter().position(|s| s.cost_nats > new.cost_nats).unwrap_or(best.len());
    if best.len() == room {
        best.pop();
    }
    best.insert(place, new);
}

/// Stand-in for −Σ ln f with the noise doubled: quadratic near zero, slowly growing on the long side,
/// flat on the short side.
fn cost(used: &UsedRanges, at_m: &[f64; 3]) -> f64 {
    used.iter()
        .map(|r| {
            let e = r.range_m - length(minus(*at_m, r.anchor_m));
            let t = e / (2.0 * r.sigma_m);
            let bad = if e > 0.0 { 3.5 + 1.6 * e.min(6.0) } else { 12.0 };
            (0.5 * t * t).min(bad)
        })
        .sum()
}

/// Where two circles at height `up_m` meet; the point between them when they don't.
fn pair(used: &UsedRanges, i: usize, j: usize, up_m: f64) -> ArrayVec<[f64; 3], 2> {
    let mut out = ArrayVec::new();
    let (a, b) = (&used[i], &used[j]);
    let flat = |range: f64, dz: f64| (range * range - dz * dz).max(0.0).sqrt();
    let (ra, rb) = (flat(a.range_m, a.anchor_m[2] - up_m), flat(b.range_m, b.anchor_m[2] - up_m));
    let (dx, dy) = (b.anchor_m[0] - a.anchor_m[0], b.anchor_m[1] - a.anchor_m[1]);
    let apart = (dx * dx + dy * dy).sqrt();
    if apart < 1e-3 {
        return out;
    }
    let along = 0.5 * (apart + (ra * ra - rb * rb) / apart);
    let across = (ra * ra - along * along).max(0.0).sqrt();
    let (ex, ey) = (dx / apart, dy / apart);
    let foot = [a.anchor_m[0] + along * ex, a.anchor_m[1] + along * ey];
    out.push([foot[0] - across * ey, foot[1] + across * ex, up_m]);
    if across > 1e-3 {
        out.push([foot[0] + across * ey, foot[1] - across * ex, up_m]);
    }
    out
}

/// Where three spheres meet; the point nearest to meeting when they don't.
fn triple(used: &UsedRanges, [i, j, k]: [usize; 3]) -> ArrayVec<[f64; 3], 2> {
    let mut out = ArrayVec::new();
    let (a, b, c) = (&used[i], &used[j], &used[k]);
    let ab = minus(b.anchor_m, a.anchor_m);
    let ac = minus(c.anchor_m, a.anchor_m);
    let side = length(ab);
    if side < 1e-3 {
        return out;
    }
    let ex = ab.map(|v| v / side);
    let along = dot(ex, ac);
    let rest = minus(ac, ex.map(|v| v * along));
    let off = length(rest);
    if off < 1e-3 {
        return out;
    }
    let ey = rest.map(|v| v / off);
    let ez = [ex[1] * ey[2] - ex[2] * ey[1], ex[2] * ey[0] - ex[0] * ey[2], ex[0] * ey[1] - ex[1] * ey[0]];
    let (ra2, rb2, rc2) = (a.range_m * a.range_m, b.range_m * b.range_m, c.range_m * c.range_m);
    let x = (ra2 - rb2 + side * side) / (2.0 * side);
    let y = (ra2 - rc2 + along * along + off * off - 2.0 * along * x) / (2.0 * off);
    let z = (ra2 - x * x - y * y).max(0.0).sqrt();
    let foot: [f64; 3] = std::array::from_fn(|n| a.anchor_m[n] + x * ex[n] + y * ey[n]);
    out.push(plus(foot, ez.map(|v| v * z)));
    if z > 1e-3 {
        out.push(minus(foot, ez.map(|v| v * z)));
    }
    out
}
