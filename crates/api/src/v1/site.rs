//! The site as the daemon runs it, with its frame of reference in words and numbers.

use hereabout_core::{Anchor, Dimension, Zone, ZoneShape};
use serde::Serialize;
use utoipa::ToSchema;

use super::number::{round_1e4, vector};
use crate::state::site_info::SiteInfo;

/// What the coordinates mean.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct FrameBody {
    /// Meaning of the three numbers of a place.
    pub axes: [&'static str; 3],
    /// Always `right`.
    pub handedness: &'static str,
    /// Always `m`.
    pub unit: &'static str,
    /// The same for people.
    pub words: &'static str,
}

/// The frame of reference of every place that is published.
const FRAME: FrameBody = FrameBody {
    axes: ["east", "north", "up"],
    handedness: "right",
    unit: "m",
    words: "Right-handed, metres: x is east, y is north, z is up. The origin is where the site file's \
            coordinates are zero; east is the direction in which its first coordinate grows, whatever the \
            compass says. A place is that of the antenna.",
};

/// The site.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct SiteBody {
    /// Its name.
    pub name: String,
    /// `2d` or `3d`.
    pub dimension: &'static str,
    /// Height of the tag's antenna, metres; null in 3D.
    #[schema(required)]
    pub tag_height_m: Option<f64>,
    /// What the coordinates mean.
    pub frame: FrameBody,
    /// Where a tag can be: corners, east and north in metres; null when the site does not say.
    #[schema(required)]
    pub area_m: Option<Vec<[f64; 2]>>,
    /// Lowest and highest a tag can be, metres; null when the site does not say.
    #[schema(required)]
    pub up_span_m: Option<[f64; 2]>,
    /// Ranges outside of it are not ranges, metres.
    pub range_span_m: [f64; 2],
    /// The anchors, in file order.
    pub anchors: Vec<SiteAnchorBody>,
    /// The zones, in file order.
    pub zones: Vec<ZoneBody>,
    /// The tags that the site file lists, in file order; empty when any tag that settles is tracked.
    pub tags: Vec<SiteTagBody>,
}

/// A tag that the site file lists.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct SiteTagBody {
    /// Its number, as frames carry it.
    pub id: u32,
    /// What people call it.
    pub name: String,
}

/// One anchor as it was put up and calibrated.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct SiteAnchorBody {
    /// The id the board is set to.
    pub id: u16,
    /// What people call it.
    pub name: String,
    /// East, north, up of its antenna, metres.
    #[schema(required)]
    pub at_m: Option<[f64; 3]>,
    /// Standard deviation of one good range, metres.
    #[schema(required)]
    pub range_sigma_m: Option<f64>,
    /// What is taken off each range, metres; positive when the board reads long.
    #[schema(required)]
    pub offset_m: Option<f64>,
    /// Standard error of the offset, metres; null when the board was never calibrated.
    #[schema(required)]
    pub offset_se_m: Option<f64>,
    /// What each range is divided by after that.
    pub scale: f64,
}

/// A named place.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct ZoneBody {
    /// Its name.
    pub name: String,
    /// Corners, east and north in metres; only for zones with an outline.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub polygon_m: Option<Vec<[f64; 2]>>,
    /// Corners of each part that is cut out of the outline, metres; only for zones that have some.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub holes_m: Vec<Vec<[f64; 2]>>,
    /// Only for round zones.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub circle: Option<CircleBody>,
    /// Only for zones around one anchor.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub near: Option<NearBody>,
}

/// A round zone.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct CircleBody {
    /// Its middle, east and north, metres.
    pub at_m: [f64; 2],
    /// Its radius, metres.
    pub radius_m: f64,
}

/// A zone around one anchor.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct NearBody {
    /// Which anchor.
    pub anchor: u16,
    /// Inside at this distance, metres.
    pub enter_m: f64,
    /// Outside again beyond this one, metres.
    pub leave_m: f64,
}

impl From<&Anchor> for SiteAnchorBody {
    fn from(anchor: &Anchor) -> SiteAnchorBody {
        SiteAnchorBody {
            id: anchor.id.0,
            name: anchor.name.clone(),
            at_m: vector(anchor.at_m),
            range_sigma_m: round_1e4(anchor.range_sigma_m),
            offset_m: round_1e4(anchor.correction.offset_m),
            offset_se_m: anchor.correction.offset_se_m.and_then(round_1e4),
            scale: anchor.correction.scale,
        }
    }
}

impl From<&Zone> for ZoneBody {
    fn from(zone: &Zone) -> ZoneBody {
        let mut body = ZoneBody {
            name: zone.name.clone(),
            polygon_m: None,
            holes_m: Vec::new(),
            circle: None,
            near: None,
        };
        match &zone.shape {
            ZoneShape::Polygon { outline_m, holes_m } => {
                body.polygon_m = Some(outline_m.clone());
                body.holes_m.clone_from(holes_m);
            }
            ZoneShape::Circle { at_m, radius_m } => {
                body.circle = Some(CircleBody { at_m: *at_m, radius_m: *radius_m });
            }
            ZoneShape::Near { anchor, enter_m, leave_m } => {
                body.near = Some(NearBody { anchor: anchor.0, enter_m: *enter_m, leave_m: *leave_m });
            }
        }
        body
    }
}

impl From<&SiteInfo> for SiteBody {
    fn from(site: &SiteInfo) -> SiteBody {
        let (dimension, tag_height_m) = match site.dimension {
            Dimension::TwoD { tag_height_m } => ("2d", round_1e4(tag_height_m)),
            Dimension::ThreeD => ("3d", None),
        };
        SiteBody {
            name: site.name.clone(),
            dimension,
            tag_height_m,
            frame: FRAME,
            area_m: (!site.fence.area_m.is_empty()).then(|| site.fence.area_m.clone()),
            up_span_m: site.fence.up_span_m,
            range_span_m: site.range_span_m,
            anchors: site.anchors.iter().map(SiteAnchorBody::from).collect(),
            zones: site.zones.iter().map(ZoneBody::from).collect(),
            tags: site.tags.iter().map(|t| SiteTagBody { id: t.id.0, name: t.name.clone() }).collect(),
        }
    }
}
