//! What the test whether the whole fits ([`hereabout_solve::fit`]) is given: a site as its setup, an epoch as its ranges.
//!
//! The engine and every command use these two, so that all of them test the same.

use arrayvec::ArrayVec;
use hereabout_core::{Dimension, Epoch, MAX_ANCHORS, Site};
use hereabout_solve::fit::{FitAnchor, FitRange, FitSetup, OtherPlaces};

/// Everything that a site states, as the test takes it.
pub fn fit_setup(site: &Site) -> FitSetup {
    let anchor = |a: &hereabout_core::Anchor| FitAnchor {
        at_m: a.at_m,
        offset_m: a.correction.offset_m,
        scale: a.correction.scale,
        offset_se_m: a.correction.offset_se_m,
    };
    let others = site.others().iter().map(|other| OtherPlaces {
        at_m: other.at_m.iter().copied().take(MAX_ANCHORS).collect(),
        tag_height_m: match site.dimension() {
            Dimension::TwoD { .. } => other.tag_height_m,
            Dimension::ThreeD => None,
        },
        unit_ratio: other.unit_ratio,
    });
    FitSetup {
        dimension: site.dimension(),
        fence: site.fence().clone(),
        anchors: site.anchors().iter().take(MAX_ANCHORS).map(anchor).collect(),
        others: others.collect(),
    }
}

/// The ranges of an epoch that speak of the present: nothing of a doubted epoch, no held range, no board that the site does
/// not have, none that the epoch names twice. Raw metres; the span of the site does not count here.
pub fn fit_ranges(epoch: &Epoch, site: &Site) -> ArrayVec<FitRange, MAX_ANCHORS> {
    let mut out: ArrayVec<FitRange, MAX_ANCHORS> = ArrayVec::new();
    if epoch.doubt.is_some() {
        return out;
    }
    for (place, reading) in epoch.readings.iter().enumerate() {
        let range = reading.raw_range_m.filter(|r| r.is_finite()).zip(site.anchor_index(reading.anchor));
        let Some((raw_range_m, anchor)) = range.filter(|_| !epoch.is_held(place)) else { continue };
        if !out.iter().any(|r| r.anchor == anchor) {
            // There is room for all that an epoch can hold.
            let _ = out.try_push(FitRange { anchor, raw_range_m });
        }
    }
    out
}

#[cfg(test)]
mod tests;
