//! Polygons of the plane as lists of their corners, east and north in metres.

use super::vector::{cross_plane, dot, minus};

/// From one corner to the next, metres.
pub type Edge = [[f64; 2]; 2];

/// The edges of a ring of corners; the last one leads back to the first corner.
pub fn edges(corners_m: &[[f64; 2]]) -> impl Iterator<Item = Edge> + '_ {
    (0..corners_m.len()).map(|i| [corners_m[i], corners_m[(i + 1) % corners_m.len()]])
}

/// Even-odd rule; points exactly on an edge may fall on either side, which a soft fence may do.
pub fn contains(corners_m: &[[f64; 2]], p: [f64; 2]) -> bool {
    let mut odd = false;
    for [a, b] in edges(corners_m) {
        if (a[1] > p[1]) != (b[1] > p[1]) && p[0] < (b[0] - a[0]) * (p[1] - a[1]) / (b[1] - a[1]) + a[0] {
            odd = !odd;
        }
    }
    odd
}

/// Square of the distance of a place from an edge, m².
pub fn distance_to_segment_m2(a: [f64; 2], b: [f64; 2], place_m: [f64; 2]) -> f64 {
    let (along, from) = (minus(b, a), minus(place_m, a));
    let length2 = dot(along, along);
    let at = dot(from, along);
    if at <= 0.0 || length2 <= 0.0 {
        dot(from, from)
    } else if at >= length2 {
        let from = minus(place_m, b);
        dot(from, from)
    } else {
        // The distance to the line itself: more digits than the length of a difference.
        let off = cross_plane(along, from);
        off * off / length2
    }
}

/// Area of a ring of corners, m²: positive when they are listed counter-clockwise (Gauss's shoelace).
pub fn signed_area_m2(corners_m: &[[f64; 2]]) -> f64 {
    0.5 * edges(corners_m).map(|[a, b]| cross_plane(a, b)).sum::<f64>()
}

/// Middle of gravity of a ring of corners, metres; `None` without an area.
pub fn centroid_m(corners_m: &[[f64; 2]]) -> Option<[f64; 2]> {
    let origin = *corners_m.first()?;
    let (mut moment, mut twice) = ([0.0; 2], 0.0);
    for [a, b] in edges(corners_m) {
        let (a, b) = (minus(a, origin), minus(b, origin));
        let c = cross_plane(a, b);
        twice += c;
        moment = [moment[0] + c * (a[0] + b[0]), moment[1] + c * (a[1] + b[1])];
    }
    (twice != 0.0).then(|| [origin[0] + moment[0] / (3.0 * twice), origin[1] + moment[1] / (3.0 * twice)])
}

/// Whether two edges that are no neighbours cross or touch, or two neighbours run back over each other. A corner that is
/// given twice in a row (a ring that is closed by hand) does no harm.
pub fn crosses_itself(corners_m: &[[f64; 2]]) -> bool {
    let ring: Vec<Edge> = edges(corners_m).filter(|[a, b]| a != b).collect();
    let n = ring.len();
    for i in 0..n {
        for j in i + 1..n {
            let crossed = if j == i + 1 {
                runs_back(ring[i], ring[j])
            } else if i == 0 && j == n - 1 {
                runs_back(ring[j], ring[i])
            } else {
                edges_meet(ring[i], ring[j])
            };
            if crossed {
                return true;
            }
        }
    }
    false
}

/// Whether the second of two edges that follow each other goes back along the first.
fn runs_back([a, b]: Edge, [_, c]: Edge) -> bool {
    let ahead = (b[0] - a[0]) * (c[0] - b[0]) + (b[1] - a[1]) * (c[1] - b[1]);
    side(a, b, c) == 0.0 && ahead < 0.0
}

/// Twice the area of a triangle, m²: positive when `c` lies to the left of the way from `a` to `b`.
fn side(a: [f64; 2], b: [f64; 2], c: [f64; 2]) -> f64 {
    (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
}

/// Whether two edges cross or touch.
pub fn edges_meet([a, b]: Edge, [c, d]: Edge) -> bool {
    let (c_side, d_side) = (side(a, b, c), side(a, b, d));
    let (a_side, b_side) = (side(c, d, a), side(c, d, b));
    let apart = |x: f64, y: f64| (x > 0.0 && y > 0.0) || (x < 0.0 && y < 0.0);
    if apart(c_side, d_side) || apart(a_side, b_side) {
        return false;
    }
    // On one line they meet only where their spans do.
    let spans_meet = |i: usize| a[i].min(b[i]) <= c[i].max(d[i]) && c[i].min(d[i]) <= a[i].max(b[i]);
    spans_meet(0) && spans_meet(1)
}

/// Mean of the corners, metres; the origin of none.
pub fn corner_mean_m(corners_m: &[[f64; 2]]) -> [f64; 2] {
    let n = corners_m.len().max(1) as f64;
    [0, 1].map(|c| corners_m.iter().map(|p| p[c]).sum::<f64>() / n)
}
