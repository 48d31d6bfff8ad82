//! What speaks against a site as a whole, in facts for programs.

use hereabout_solve::fit::{Cause, SiteDoubt};
use hereabout_words::site_fit::{self, RangeUnit, SiteNames};
use serde::Serialize;
use utoipa::ToSchema;

use super::number::{round_1e4, vector};

/// What speaks against the site, and what would explain it.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct SiteDoubtBody {
    /// Share (0 to 1) of the ranges that the site explains.
    #[schema(required)]
    pub explained: Option<f64>,
    /// Share (0 to 1) of the ranges that are too short for any place, which no obstacle makes.
    #[schema(required)]
    pub too_short: Option<f64>,
    /// Within how many metres a range counts as explained.
    #[schema(required)]
    pub within_m: Option<f64>,
    /// Whether every position may be wrong; false where one or two anchors are, without which the others fit.
    pub all: bool,
    /// What is wrong, when one thing explains it better than all others; null as long as nothing does.
    #[schema(required)]
    pub cause: Option<SiteCauseBody>,
    /// Share (0 to 1) of the ranges that are explained with the cause; null without one.
    #[schema(required)]
    pub explained_then: Option<f64>,
}

/// What is wrong with the site.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum SiteCauseBody {
    /// The ranges come in another unit.
    Unit {
        /// True metres per metre as taken: 10 where centimetres were taken for millimetres.
        #[schema(required)]
        factor: Option<f64>,
        /// What to set as the unit: m, dm, cm or mm; null where it is none of these.
        #[schema(required)]
        unit: Option<String>,
        /// What the unit is called, feet and inches too; null where it is no usual one.
        #[schema(required)]
        name: Option<String>,
    },
    /// All ranges are long or short by a factor that is no unit's.
    Scale {
        /// True metres per metre as taken.
        #[schema(required)]
        factor: Option<f64>,
    },
    /// Two anchors are exchanged: their range fields, or the boards at their places.
    Swapped {
        /// Their ids.
        anchors: [u16; 2],
    },
    /// The range fields come in the opposite order.
    Reversed,
    /// The range fields come in another order.
    Order {
        /// The anchors whose ranges fit the place of another one.
        moves: Vec<OrderMoveBody>,
    },
    /// One anchor hangs elsewhere.
    Place {
        /// Where.
        place: FoundPlaceBody,
    },
    /// Two anchors hang elsewhere.
    TwoPlaces {
        /// Where.
        places: [FoundPlaceBody; 2],
    },
    /// One anchor is higher or lower.
    AnchorHeight {
        /// Its id.
        anchor: u16,
        /// At which height it fits, metres.
        #[schema(required)]
        up_m: Option<f64>,
    },
    /// The tag is higher or lower, or all anchors are: ranges can't tell these two apart.
    TagHeight {
        /// At which height the tag fits, metres.
        #[schema(required)]
        tag_height_m: Option<f64>,
    },
    /// All anchors are as far above the tag as they are stated below, or the other way.
    MirroredHeights,
    /// The file of another site fits.
    OtherSite {
        /// Name of the file, in the folder of the site file.
        file: String,
        /// Name of the site.
        name: String,
    },
}

/// An anchor whose ranges fit the place of another one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct OrderMoveBody {
    /// Its id.
    pub anchor: u16,
    /// The id of the anchor whose place it fits.
    pub place_of: u16,
}

/// Where an anchor fits.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, ToSchema)]
pub struct FoundPlaceBody {
    /// Its id.
    pub anchor: u16,
    /// East, north, up, metres.
    #[schema(required)]
    pub at_m: Option<[f64; 3]>,
    /// From the stated place to that one, metres.
    #[schema(required)]
    pub shift_m: Option<[f64; 3]>,
}

impl SiteDoubtBody {
    /// The facts, with the names of the site that they are about.
    pub fn new(doubt: &SiteDoubt, names: SiteNames<'_>) -> SiteDoubtBody {
        let cause = doubt.cause.and_then(|cause| SiteCauseBody::new(&cause, names));
        SiteDoubtBody {
            explained: round_1e4(doubt.explained_share),
            too_short: round_1e4(doubt.too_short_share),
            within_m: round_1e4(doubt.within_m),
            all: doubt.all,
            explained_then: cause.as_ref().and_then(|_| round_1e4(doubt.explained_then_share)),
            cause,
        }
    }
}

impl SiteCauseBody {
    /// `None` when it speaks of anchors or files that the site does not have.
    fn new(cause: &Cause, names: SiteNames<'_>) -> Option<SiteCauseBody> {
        let id = |index| site_fit::id(index, names);
        Some(match *cause {
            Cause::Unit { factor } => {
                let unit = site_fit::unit_of(factor, &names);
                SiteCauseBody::Unit {
                    factor: round_1e4(factor),
                    unit: unit.filter(|u| matches!(u, RangeUnit::Known(_))).map(RangeUnit::name),
                    name: unit.map(RangeUnit::name),
                }
            }
            Cause::Scale { factor } => SiteCauseBody::Scale { factor: round_1e4(factor) },
            Cause::Swapped { anchors: [a, b] } => SiteCauseBody::Swapped { anchors: [id(a)?, id(b)?] },
            Cause::Reversed => SiteCauseBody::Reversed,
            Cause::Order { place_of } => {
                let moves = site_fit::moves(&place_of, names)?.into_iter();
                let moves = moves.map(|(anchor, place_of)| OrderMoveBody { anchor, place_of }).collect();
                SiteCauseBody::Order { moves }
            }
            Cause::Place { anchor, at_m } => {
                SiteCauseBody::Place { place: FoundPlaceBody::new(anchor, at_m, names)? }
            }
            Cause::TwoPlaces { anchors: [a, b], at_m: [a_m, b_m] } => SiteCauseBody::TwoPlaces {
                places: [FoundPlaceBody::new(a, a_m, names)?, FoundPlaceBody::new(b, b_m, names)?],
            },
            Cause::AnchorHeight { anchor, up_m } => {
                SiteCauseBody::AnchorHeight { anchor: id(anchor)?, up_m: round_1e4(up_m) }
            }
            Cause::TagHeight { up_m } => SiteCauseBody::TagHeight { tag_height_m: round_1e4(up_m) },
            Cause::MirroredHeights => SiteCauseBody::MirroredHeights,
            Cause::OtherSite { other } => {
                let other = names.others.get(other)?;
                SiteCauseBody::OtherSite { file: other.file.clone(), name: other.name.clone() }
            }
        })
    }
}

impl FoundPlaceBody {
    fn new(anchor: usize, at_m: [f64; 3], names: SiteNames<'_>) -> Option<FoundPlaceBody> {
        let a = names.anchors.get(anchor)?;
        Some(FoundPlaceBody { anchor: a.id.0, at_m: vector(at_m), shift_m: vector(site_fit::shift(a, at_m)) })
    }
}
