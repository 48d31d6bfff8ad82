//! Zones: their shapes, and the rules of their answers.

use crate::{AnchorId, Micros, TagId};

/// A named place that someone acts on.
#[derive(Clone, Debug, PartialEq)]
pub struct Zone {
    /// What people call it; unique.
    pub name: String,
    /// Where it is.
    pub shape: ZoneShape,
    /// When a tag counts as inside or outside.
    pub rule: ZoneRule,
}

/// When a tag counts as inside or outside of a zone, and when nobody can say.
#[derive(Clone, Debug, PartialEq)]
pub struct ZoneRule {
    /// Hysteresis: to be outside again a tag must be farther out than this, metres.
    pub margin_m: f64,
    /// How long it must look inside before it counts as inside.
    pub enter_after: Micros,
    /// How long it must look outside before it counts as outside.
    pub leave_after: Micros,
    /// With a larger protection radius the answer is unknown, metres.
    pub max_protection_radius_m: f64,
    /// Whether a position that no further range has checked may decide.
    pub allow_unchecked: bool,
    /// The tags that the zone is about, in file order; empty for every tag.
    pub tags: Vec<TagId>,
}

impl Default for ZoneRule {
    fn default() -> ZoneRule {
        ZoneRule {
            margin_m: 0.25,
            enter_after: Micros::from_millis(400),
            leave_after: Micros::from_millis(400),
            max_protection_radius_m: 2.0,
            allow_unchecked: false,
            tags: Vec::new(),
        }
    }
}

/// The outline of a zone.
#[derive(Clone, Debug, PartialEq)]
pub enum ZoneShape {
    /// An area with corners.
    Polygon {
        /// Corners of the outline, east and north in metres.
        outline_m: Vec<[f64; 2]>,
        /// Corners of each part that is cut out of it, metres.
        holes_m: Vec<Vec<[f64; 2]>>,
    },
    /// A round area.
    Circle {
        /// Its middle, east and north in metres.
        at_m: [f64; 2],
        /// Its radius, metres.
        radius_m: f64,
    },
    /// Within a distance of one anchor; works from one range.
    Near {
        /// Id in the site file.
        anchor: AnchorId,
        /// Inside at this horizontal distance, metres.
        enter_m: f64,
        /// Outside again beyond this one, metres; not smaller than `enter_m`.
        leave_m: f64,
    },
}
