//! Where the tag can be.

use crate::geometry::polygon::{contains, distance_to_segment_m2, edges};

/// Where the tag can be: a soft fence that excludes mirror places.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Fence {
    /// Corners of the area, east and north in metres; empty when the site file has none.
    pub area_m: Vec<[f64; 2]>,
    /// Lowest and highest the tag can be, metres (three-dimensional sites).
    pub up_span_m: Option<[f64; 2]>,
}

impl Fence {
    /// Distance in metres from `at_m` to the fence when outside of it; 0 inside or without a fence.
    ///
    /// The horizontal and the vertical excess are combined as a Euclidean distance.
    pub fn excess_m(&self, at_m: [f64; 3]) -> f64 {
        let flat = if self.area_m.len() < 3 || contains(&self.area_m, [at_m[0], at_m[1]]) {
            0.0
        } else {
            edges(&self.area_m)
                .map(|[a, b]| distance_to_segment_m2(a, b, [at_m[0], at_m[1]]))
                .fold(f64::INFINITY, f64::min)
                .sqrt()
        };
        let up = self.up_span_m.map_or(0.0, |[lo, hi]| (lo - at_m[2]).max(at_m[2] - hi).max(0.0));
        (flat * flat + up * up).sqrt()
    }

    /// Whether a place is so far outside that one of the two must be wrong: a metre, because the line is drawn by hand
    /// and a tag may lean over it. Chosen, not from a source.
    pub fn contradicts(&self, at_m: [f64; 3]) -> bool {
        self.excess_m(at_m) > 1.0
    }

    /// Whether the fence says anything at all.
    pub fn is_open(&self) -> bool {
        self.area_m.len() < 3 && self.up_span_m.is_none()
    }
}
