//! What is given: the site as stated, in arrays, and the table of the density.

use hereabout_core::{AnchorSet, Dimension, MAX_ANCHORS};

use super::FitSetup;
use super::density::Density;

/// One number for each anchor.
pub(super) type PerAnchor = [f64; MAX_ANCHORS];
/// One place for each anchor, metres.
pub(super) type Places = [[f64; 3]; MAX_ANCHORS];

/// Spread of offsets that nobody measured, metres.
const UNKNOWN_OFFSET_M: f64 = 0.15;
/// How far measured offsets are trusted beyond their standard error: they depend on heading and place, metres.
const KNOWN_OFFSET_M: f64 = 0.08;
/// Farthest that an offset may be from the stated one, metres.
pub(super) const MAX_OFFSET_M: f64 = 0.45;
/// Spread of what all ranges of a tag have in common, metres.
pub(super) const TAG_OFFSET_M: f64 = 0.15;
/// Shortest and longest that it may be, metres. All ranges short by more is no offset: a scale would hide behind it.
pub(super) const TAG_OFFSET_SPAN_M: [f64; 2] = [-0.25, 0.4];

/// The site and the tools to weigh it.
#[derive(Clone, Debug)]
pub(super) struct StatedSite {
    pub(super) setup: FitSetup,
    /// Number of anchors, 1 to [`MAX_ANCHORS`].
    pub(super) n: usize,
    /// Unknown coordinates of a tag.
    pub(super) d: usize,
    pub(super) stated: Places,
    pub(super) offset_m: PerAnchor,
    pub(super) scale: PerAnchor,
    /// Spread of the offsets, metres.
    pub(super) offset_sd_m: PerAnchor,
    /// Stated height of the tag; 0 in 3D, where it is not used.
    pub(super) tag_up_m: f64,
    pub(super) density: Density,
    fence_is_open: bool,
}

impl StatedSite {
    pub(super) fn new(setup: FitSetup) -> StatedSite {
        let finite = |v: f64, or: f64| if v.is_finite() { v } else { or };
        let (mut stated, mut offset_m) = ([[0.0; 3]; MAX_ANCHORS], [0.0; MAX_ANCHORS]);
        let (mut scale, mut offset_sd_m) = ([1.0; MAX_ANCHORS], [UNKNOWN_OFFSET_M; MAX_ANCHORS]);
        for (i, a) in setup.anchors.iter().enumerate() {
            stated[i] = a.at_m.map(|v| finite(v, 0.0));
            offset_m[i] = finite(a.offset_m, 0.0);
            scale[i] = if a.scale.is_finite() && a.scale > 0.01 { a.scale } else { 1.0 };
            if let Some(se) = a.offset_se_m.filter(|se| se.is_finite()) {
                offset_sd_m[i] = (se * se + KNOWN_OFFSET_M * KNOWN_OFFSET_M).sqrt().min(UNKNOWN_OFFSET_M);
            }
        }
        let tag_up_m = match setup.dimension {
            Dimension::TwoD { tag_height_m } => finite(tag_height_m, 0.0),
            Dimension::ThreeD => 0.0,
        };
        StatedSite {
            n: setup.anchors.len(),
            d: setup.dimension.unknowns(),
            stated,
            offset_m,
            scale,
            offset_sd_m,
            tag_up_m,
            density: Density::new(),
            fence_is_open: setup.fence.is_open(),
            setup,
        }
    }

    /// All anchors of the site.
    pub(super) fn everyone(&self) -> AnchorSet {
        AnchorSet::first(self.n)
    }

    /// Nats against a place outside the fence grown by 2 m; bounded, because fences are typed wrong too.
    pub(super) fn outside(&self, at_m: [f64; 3]) -> f64 {
        if self.fence_is_open {
            return 0.0;
        }
        let over = (self.setup.fence.excess_m(at_m) - 2.0).max(0.0);
        (2.0 * over * over).min(12.0)
    }
}
