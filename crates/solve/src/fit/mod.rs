//! Does the whole fit: do a kit's ranges and a site's settings belong to each other at all?
//!
//! **Model.** A range is the distance plus offset and noise, often NLOS, rarely wild, never short: an obstacle makes no range
//! shorter. So when for some time no place explains most of the ranges, the settings are wrong, and which one is found by
//! trying: unit, scale, order of the fields, one or two places, heights, another site's file.
//!
//! ```text
//! ranges ─► seconds (medians) ─► keyframes (distances that differ) ─► check: every hypothesis ─► verdict ─► answer
//!                 └────────────► quick doubt over the last seconds ───────────────────────────────────────► answer
//! ```
//!
//! **State.** At most 48 keyframes of up to eight tags, one check at work, what the last two checks said. **Noise** is learned
//! from the ranges themselves and stretches the density of errors. **Assumptions**: the tag moves (standing, only units can be
//! named), offsets are within .45 m of the stated ones.
//!
//! **What can't be detected.** With as many anchors as unknown coordinates or fewer there is nothing to check, and the answer stays
//! "too early"; with one more, only a wrong unit and gross misfits are reported. A mirrored or turned layout fits as well, see
//! [`crate::model::congruence`]; the tag's height and that of all anchors are the same thing; mirrored heights in 3D need a fence.
//!
//! **Work** is done in small pieces, a bounded number with each epoch, and nothing is allocated but for a tag's first epoch.
//!
//! **Words.** A doubt is reported after a check that alarms twice, or at once by the quick doubt. A cause is named when two checks
//! running agree, and stays until another does so or the site fits at two checks running. What was heard before the quick
//! doubt began or ended is dropped: the kit has changed.
//!
//! **Source.** Found by the study (`examples/fit_study`).

mod anchor_search;
mod check;
mod density;
mod keyframes;
mod model;
mod orders;
mod quick;
mod spheres;
mod state;
mod stated_site;
mod trial;
mod verdict;

pub use state::SiteFit;

use arrayvec::ArrayVec;
use hereabout_core::{Dimension, Fence, MAX_ANCHORS};

/// One anchor as the site states it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FitAnchor {
    /// East, north, up of its antenna as the site file has it, metres.
    pub at_m: [f64; 3],
    /// What its board reads too long, metres.
    pub offset_m: f64,
    /// Measured metres per true metre: 1 for a board without a scale error.
    pub scale: f64,
    /// Standard error of the offset, metres; `None` when it was never calibrated.
    pub offset_se_m: Option<f64>,
}

/// Where another site file puts the boards that this site's anchors stand for.
#[derive(Clone, Debug, PartialEq)]
pub struct OtherPlaces {
    /// One for each anchor of this site, metres; `None` where the other site has none.
    pub at_m: ArrayVec<Option<[f64; 3]>, MAX_ANCHORS>,
    /// Its height of the tag, metres; `None` in 3D.
    pub tag_height_m: Option<f64>,
    /// Metres by the other file per metre by this one: 0.1 where this one says cm and the other one mm.
    pub unit_ratio: f64,
}

/// What is tested: everything that the site states.
#[derive(Clone, Debug, PartialEq)]
pub struct FitSetup {
    /// 2D with the tag's height, or 3D.
    pub dimension: Dimension,
    /// Where the tag can be.
    pub fence: Fence,
    /// One for each anchor, in the site's order; what is said of an anchor is said by its index here.
    pub anchors: ArrayVec<FitAnchor, MAX_ANCHORS>,
    /// Other sites that might be meant.
    pub others: Vec<OtherPlaces>,
}

/// One range as the kit reported it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FitRange {
    /// Index into the site's anchors.
    pub anchor: usize,
    /// In the unit of the site file put into metres, before offset and scale. A range outside the site's span counts too.
    pub raw_range_m: f64,
}

/// What is wrong when the whole does not fit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Cause {
    /// The ranges come in another unit.
    Unit {
        /// True metres per metre as taken: 10 where centimetres were taken for millimetres.
        factor: f64,
    },
    /// All ranges are long or short by a factor that is no unit's.
    Scale {
        /// True metres per metre as taken, above 0.
        factor: f64,
    },
    /// The ranges of two anchors are exchanged: two range fields, or the places of two boards.
    Swapped {
        /// Indices into [`FitSetup::anchors`], the lower one first.
        anchors: [usize; 2],
    },
    /// The range fields come in the opposite order.
    Reversed,
    /// The range fields come in another order.
    Order {
        /// For each anchor by index: the index of the anchor whose stated place its ranges fit.
        place_of: [u8; MAX_ANCHORS],
    },
    /// One anchor stands elsewhere.
    Place {
        /// Index into [`FitSetup::anchors`].
        anchor: usize,
        /// East, north, up where its ranges fit, metres.
        at_m: [f64; 3],
    },
    /// Two anchors stand elsewhere.
    TwoPlaces {
        /// Indices into [`FitSetup::anchors`], the lower one first.
        anchors: [usize; 2],
        /// East, north, up where their ranges fit, in the order of `anchors`, metres.
        at_m: [[f64; 3]; 2],
    },
    /// One anchor is higher or lower.
    AnchorHeight {
        /// Index into [`FitSetup::anchors`].
        anchor: usize,
        /// Up, at which the ranges fit, metres in the site's frame.
        up_m: f64,
    },
    /// The tag's antenna is at another height, or all anchors are: the ranges can't tell these two apart.
    TagHeight {
        /// Up, at which the ranges fit, metres in the site's frame.
        up_m: f64,
    },
    /// All anchors are as far above the tag as they are stated below, or the other way.
    MirroredHeights,
    /// The file of another site fits.
    OtherSite {
        /// Index of it in [`FitSetup::others`].
        other: usize,
    },
}

impl Cause {
    /// Whether both name the same thing, whatever their figures.
    pub fn is_same(&self, other: &Cause) -> bool {
        match (self, other) {
            // Units are far apart; what lies between two is one unit's noise.
            (Cause::Unit { factor: a }, Cause::Unit { factor: b }) => (a / b - 1.0).abs() < 0.1,
            (Cause::Place { anchor: a, .. }, Cause::Place { anchor: b, .. })
            | (Cause::AnchorHeight { anchor: a, .. }, Cause::AnchorHeight { anchor: b, .. }) => a == b,
            (Cause::TwoPlaces { anchors: a, .. }, Cause::TwoPlaces { anchors: b, .. })
            | (Cause::Swapped { anchors: a }, Cause::Swapped { anchors: b }) => a == b,
            (Cause::Order { place_of: a }, Cause::Order { place_of: b }) => a == b,
            (Cause::OtherSite { other: a }, Cause::OtherSite { other: b }) => a == b,
            _ => std::mem::discriminant(self) == std::mem::discriminant(other),
        }
    }
}

/// What speaks against the site.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SiteDoubt {
    /// Share of the ranges that the best places explain as things are stated.
    pub explained_share: f64,
    /// Share of the ranges that are too short for any place, which no obstacle makes.
    pub too_short_share: f64,
    /// What is wrong, once one thing explains it better than all others.
    pub cause: Option<Cause>,
    /// Share of the ranges that are explained with the cause; 0 without one.
    pub explained_then_share: f64,
    /// How many other orders fit as well as the one that is named: exchanges under which the site looks the same, which ranges
    /// can't tell apart. The one named moves the fewest fields, and need not be the true one. 0 for all other causes.
    pub alike: u8,
    /// Within how many metres a range counts as explained.
    pub within_m: f64,
    /// Whether positions may be wrong altogether. `false` where what is wrong belongs to one or two anchors without which
    /// the others fit: then it is enough to exclude these.
    pub all: bool,
}

/// Whether site and ranges fit each other as a whole.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum FitAnswer {
    /// Too few different distances were heard to say anything.
    TooEarly {
        /// Seconds with distances of their own so far.
        keyframes: usize,
        /// Keyframes that a first answer needs.
        needed: usize,
    },
    /// The ranges fit the site as it is stated.
    Fits {
        /// Share of the ranges that are explained.
        explained_share: f64,
    },
    /// Something speaks against it; positions are in doubt as far as [`SiteDoubt::all`] says.
    Doubted(SiteDoubt),
}
