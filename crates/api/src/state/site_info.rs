//! What of the site the service publishes.

use hereabout_core::plausible::CorrectionLimits;
use hereabout_core::{Anchor, Dimension, Fence, OtherSite, Site, SiteTag, TagId, Zone};
use hereabout_words::site_fit::SiteNames;

/// What of the site the service publishes; may change while the daemon runs.
#[derive(Clone, Debug, PartialEq)]
pub struct SiteInfo {
    /// What people call it; any text of the site file.
    pub name: String,
    /// 2D with a height, or 3D.
    pub dimension: Dimension,
    /// Where a tag can be: a polygon in metres and, in 3D, a span of heights.
    pub fence: Fence,
    /// Shortest and longest believable range, metres.
    pub range_span_m: [f64; 2],
    /// What a correction of a board can be.
    pub correction_limits: CorrectionLimits,
    /// The anchors, in file order.
    pub anchors: Vec<Anchor>,
    /// The zones, in file order.
    pub zones: Vec<Zone>,
    /// How many of the unit of the ranges make a metre; `None` where they come in metres by themselves.
    pub range_units_per_m: Option<f64>,
    /// Other sites that might be meant.
    pub others: Vec<OtherSite>,
    /// The tags that the site lists, in file order; empty when any tag that settles is tracked.
    pub tags: Vec<SiteTag>,
}

impl SiteInfo {
    /// What people call a tag; `None` for one that is not listed.
    pub(crate) fn tag_name(&self, id: TagId) -> Option<&str> {
        self.tags.iter().find(|t| t.id == id).map(|t| t.name.as_str())
    }

    /// Whether the site or one of its zones names the tag.
    pub(crate) fn lists(&self, id: TagId) -> bool {
        self.tag_name(id).is_some() || self.zones.iter().any(|z| z.rule.tags.contains(&id))
    }
}

impl From<&Site> for SiteInfo {
    fn from(site: &Site) -> SiteInfo {
        SiteInfo {
            name: site.name().to_owned(),
            dimension: site.dimension(),
            fence: site.fence().clone(),
            range_span_m: site.range_span_m(),
            correction_limits: site.correction_limits(),
            anchors: site.anchors().to_vec(),
            zones: site.zones().to_vec(),
            range_units_per_m: site.range_units_per_m(),
            others: site.others().to_vec(),
            tags: site.tags().to_vec(),
        }
    }
}

impl<'a> From<&'a SiteInfo> for SiteNames<'a> {
    fn from(site: &'a SiteInfo) -> SiteNames<'a> {
        SiteNames {
            anchors: &site.anchors,
            dimension: site.dimension,
            range_units_per_m: site.range_units_per_m,
            others: &site.others,
        }
    }
}
