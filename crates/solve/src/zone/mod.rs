//! Zones as areas of the plane: how far a place is inside, how probable it is to be inside, and when a
//! moving tag will cross the border.
//!
//! **Model.** An [`Area`] is an outline with parts cut out of it, or a circle; whichever way its corners
//! are listed, the outline is turned counter-clockwise and the holes clockwise once, so that the area always
//! lies to the left of an edge. A place is on the border when it is less than [`ON_BORDER_M`] away from it:
//! a place that lies on an edge in exact numbers seldom does so in binary ones.
//!
//! **Mass.** What is known about a tag is a [`Gaussian`]; [`Area::mass`] is its probability inside, good to
//! 2·10⁻⁸ (`mass` has the method).
//!
//! **Assumptions.** Outlines don't cross themselves, holes lie inside the outline and apart from each other:
//! `hereabout_core` refuses others. With others the numbers stay finite and mean nothing.
//!
//! Only making an area allocates. Lengths are metres, coordinates east and north.

mod mass;

pub use mass::Gaussian;

/// Nearer to the border than this is on it, metres.
pub const ON_BORDER_M: f64 = 1e-9;

/// Two crossings within this time are one touch of a corner, seconds.
const ONE_TOUCH_S: f64 = 1e-9;

/// On which side of a border a place is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Inside by more than [`ON_BORDER_M`].
    Inside,
    /// On the border.
    Border,
    /// Outside by more than [`ON_BORDER_M`].
    Outside,
}

/// An area with a border. See the module's prose.
#[derive(Clone, Debug, PartialEq)]
pub struct Area {
    shape: Shape,
}

#[derive(Clone, Debug, PartialEq)]
enum Shape {
    /// Start and end of each edge; the area is on the left.
    Rings(Vec<Edge>),
    Circle {
        at_m: [f64; 2],
        radius_m: f64,
    },
}

/// From here to there, metres.
type Edge = [[f64; 2]; 2];

impl Area {
    /// An outline with parts cut out of it.
    pub fn polygon(outline_m: &[[f64; 2]], holes_m: &[Vec<[f64; 2]>]) -> Area {
        let mut edges = Vec::with_capacity(outline_m.len() + holes_m.iter().map(Vec::len).sum::<usize>());
        push_ring(&mut edges, outline_m, true);
        for hole in holes_m {
            push_ring(&mut edges, hole, false);
        }
        Area { shape: Shape::Rings(edges) }
    }

    /// A round area.
    pub fn circle(at_m: [f64; 2], radius_m: f64) -> Area {
        Area { shape: Shape::Circle { at_m, radius_m } }
    }

    /// How large it is, m².
    pub fn size_m2(&self) -> f64 {
        match &self.shape {
            Shape::Rings(edges) => 0.5 * edges.iter().map(|[a, b]| cross(*a, *b)).sum::<f64>(),
            Shape::Circle { radius_m, .. } => std::f64::consts::PI * radius_m * radius_m,
        }
    }

    /// Distance from the border, metres, **positive outside**, negative inside.
    pub fn signed_distance_m(&self, place_m: [f64; 2]) -> f64 {
        match &self.shape {
            Shape::Rings(edges) => {
                let mut nearest2 = f64::INFINITY;
                let mut inside = false;
                for [a, b] in edges {
                    nearest2 = nearest2.min(distance2_to_segment(*a, *b, place_m));
                    // A ray to the east crosses the edge: the usual half-open rule, each corner counts once.
                    if (a[1] > place_m[1]) != (b[1] > place_m[1]) {
                        let side = cross(minus(*b, *a), minus(place_m, *a));
                        inside ^= (side > 0.0) == (b[1] > a[1]);
                    }
                }
                if inside { -nearest2.sqrt() } else { nearest2.sqrt() }
            }
            Shape::Circle { at_m, radius_m } => length(minus(place_m, *at_m)) - radius_m,
        }
    }

    /// On which side of the border a place is.
    pub fn side(&self, place_m: [f64; 2]) -> Side {
        match self.signed_distance_m(place_m) {
            d if d.abs() < ON_BORDER_M => Side::Border,
            d if d < 0.0 => Side::Inside,
            _ => Side::Outside,
        }
    }

    /// When a point at `place_m` that goes on with `velocity_mps` crosses the border for the first time, in
    /// seconds; `None` when it doesn't within `horizon_s`. Touching a corner or the arc without passing to
    /// the other side is no crossing.
    pub fn crossing_s(&self, place_m: [f64; 2], velocity_mps: [f64; 2], horizon_s: f64) -> Option<f64> {
        match &self.shape {
            Shape::Rings(edges) => {
                let mut from_s = 0.0;
                // Each touch of a corner uses up at least one edge.
                for _ in 0..=edges.len() {
                    let crossings = |after_s: f64| {
                        let times =
                            edges.iter().filter_map(move |e| edge_crossing_s(e, place_m, velocity_mps));
                        times.filter(move |t| *t > after_s)
                    };
                    let first = crossings(from_s).fold(f64::INFINITY, f64::min);
                    if first > horizon_s {
                        return None;
                    }
                    let last = first + ONE_TOUCH_S;
                    if crossings(from_s).filter(|t| *t <= last).count() % 2 == 1 {
                        return Some(first);
                    }
                    from_s = last;
                }
                None
            }
            Shape::Circle { at_m, radius_m } => {
                circle_crossing_s(minus(place_m, *at_m), *radius_m, velocity_mps).filter(|t| *t <= horizon_s)
            }
        }
    }
}

/// Area of a ring of corners, m²: positive when they are listed counter-clockwise (Gauss's shoelace).
pub fn signed_area_m2(corners_m: &[[f64; 2]]) -> f64 {
    0.5 * ring(corners_m).map(|[a, b]| cross(a, b)).sum::<f64>()
}

/// Middle of gravity of a ring of corners, metres; `None` without an area.
pub fn centroid_m(corners_m: &[[f64; 2]]) -> Option<[f64; 2]> {
    let origin = *corners_m.first()?;
    let (mut moment, mut twice) = ([0.0; 2], 0.0);
    for [a, b] in ring(corners_m) {
        let (a, b) = (minus(a, origin), minus(b, origin));
        let c = cross(a, b);
        twice += c;
        moment = [moment[0] + c * (a[0] + b[0]), moment[1] + c * (a[1] + b[1])];
    }
    (twice != 0.0).then(|| [origin[0] + moment[0] / (3.0 * twice), origin[1] + moment[1] / (3.0 * twice)])
}

fn ring(corners_m: &[[f64; 2]]) -> impl Iterator<Item = Edge> + '_ {
    (0..corners_m.len()).map(|i| [corners_m[i], corners_m[(i + 1) % corners_m.len()]])
}

fn push_ring(edges: &mut Vec<Edge>, corners_m: &[[f64; 2]], counter_clockwise: bool) {
    let as_is = (signed_area_m2(corners_m) > 0.0) == counter_clockwise;
    let turned = |[a, b]: Edge| if as_is { [a, b] } else { [b, a] };
    edges.extend(ring(corners_m).filter(|[a, b]| a != b).map(turned));
}

/// When the moving point passes from one side of an edge to the other; half open, so that the two edges of a corner
/// that is passed count once, and twice or not at all when it is only touched.
fn edge_crossing_s([a, b]: &Edge, place_m: [f64; 2], velocity_mps: [f64; 2]) -> Option<f64> {
    let (a, b) = (minus(*a, place_m), minus(*b, place_m));
    let (side_a, side_b) = (cross(velocity_mps, a), cross(velocity_mps, b));
    if (side_a > 0.0) == (side_b > 0.0) {
        return None;
    }
    let along = minus(b, a);
    let t = cross(a, along) / cross(velocity_mps, along);
    (t > 0.0).then_some(t)
}

/// The larger root when inside, the smaller one when outside.
fn circle_crossing_s(from_m: [f64; 2], radius_m: f64, velocity_mps: [f64; 2]) -> Option<f64> {
    let speed2 = dot(velocity_mps, velocity_mps);
    let closing = -dot(from_m, velocity_mps);
    let gap = dot(from_m, from_m) - radius_m * radius_m;
    let root2 = closing * closing - speed2 * gap;
    if speed2.is_nan() || speed2 <= 0.0 || root2.is_nan() || root2 <= 0.0 {
        return None;
    }
    let root = root2.sqrt();
    if gap <= 0.0 {
        return Some((closing + root) / speed2);
    }
    // Outside: (closing − root) / speed², without the difference of two like numbers.
    (closing > 0.0).then(|| gap / (closing + root))
}

fn minus(a: [f64; 2], b: [f64; 2]) -> [f64; 2] {
    [a[0] - b[0], a[1] - b[1]]
}

fn dot(a: [f64; 2], b: [f64; 2]) -> f64 {
    a[0] * b[0] + a[1] * b[1]
}

/// Positive when `b_m` lies to the left of `a_m`.
fn cross(a: [f64; 2], b: [f64; 2]) -> f64 {
    a[0] * b[1] - a[1] * b[0]
}

fn length(a: [f64; 2]) -> f64 {
    dot(a, a).sqrt()
}

fn distance2_to_segment(a_m: [f64; 2], b_m: [f64; 2], place_m: [f64; 2]) -> f64 {
    let (along, from) = (minus(b_m, a_m), minus(place_m, a_m));
    let length2 = dot(along, along);
    let at = dot(from, along);
    if at <= 0.0 || length2 <= 0.0 {
        dot(from, from)
    } else if at >= length2 {
        let from = minus(place_m, b_m);
        dot(from, from)
    } else {
        // The distance to the line itself: more digits than the length of a difference.
        let off = cross(along, from);
        off * off / length2
    }
}

#[cfg(test)]
mod tests;
