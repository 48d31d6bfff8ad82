//! Whether a correction is one that a board can have, and a place one where a tag can stand; and which slip explains it
//! when not.
//!
//! Pure judgement of numbers that people typed or a calibration found. Whoever takes such numbers in asks here before
//! anything rests on them; the words are made at the edge. A slip is only named when undoing it gives numbers that
//! are plausible: it is a guess, told as one, and nothing is ever undone without the person.

pub use crate::correction_limits::{CorrectionLimits, MAX_OFFSET_M, MAX_SCALE_CHANGE};
use crate::geometry::vector::distance_m;
use crate::{Anchor, AnchorId, Correction, Dimension, Site, ZoneShape};

/// No kit is heard from farther, metres (radios reach 25-30 m at best: common practice, no source; room for others).
pub const REACH_M: f64 = 100.0;
/// Radios reach this far at best, metres (25-30 m: common practice, no source).
const USUAL_REACH_M: f64 = 30.0;
/// A tag may be put this far outside of the stated area to be calibrated, metres.
pub const AREA_SLACK_M: f64 = 5.0;
/// A tag stands at most this much lower than the lowest anchor or higher than the highest one, metres.
pub const HEIGHT_SLACK_M: f64 = 30.0;
/// Outside of the stated heights of the tag by this much, metres.
pub const UP_SPAN_SLACK_M: f64 = 1.0;
/// A height that differs from the site's tag height by more than this contradicts it, metres.
pub const HEIGHT_TOLERANCE_M: f64 = 0.1;

/// What was probably meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Slip {
    /// Centimetres were written as metres.
    Centimetres,
    /// Millimetres were written as metres.
    Millimetres,
    /// A scale in per cent.
    Percent,
    /// The difference of a scale from 1.
    ScaleChange,
    /// East and north are swapped.
    SwappedAxes,
    /// East has the wrong sign.
    EastSign,
    /// North has the wrong sign.
    NorthSign,
    /// East and north have the wrong sign.
    BothSigns,
}

/// Why a correction is none that a board has.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Implausible {
    /// The offset.
    Offset {
        /// As given, metres.
        value_m: f64,
        /// The largest believable size, metres.
        limit_m: f64,
        /// What was probably meant.
        slip: Option<Slip>,
    },
    /// The standard error of the offset.
    OffsetError {
        /// As given, metres.
        value_m: f64,
        /// The largest believable one, metres.
        limit_m: f64,
        /// What was probably meant.
        slip: Option<Slip>,
    },
    /// The scale.
    Scale {
        /// As given.
        value: f64,
        /// Smallest and largest believable one.
        limits: [f64; 2],
        /// What was probably meant.
        slip: Option<Slip>,
    },
}

impl Implausible {
    /// The same without a guess: for numbers that nobody typed.
    #[must_use]
    pub fn without_slip(mut self) -> Implausible {
        let (Implausible::Offset { slip, .. }
        | Implausible::OffsetError { slip, .. }
        | Implausible::Scale { slip, .. }) = &mut self;
        *slip = None;
        self
    }
}

impl CorrectionLimits {
    /// Everything that is implausible about a correction; nothing when it can be taken.
    pub fn judge(&self, c: &Correction) -> impl Iterator<Item = Implausible> + use<> {
        let (limit_m, limits) =
            (self.max_offset_m, [1.0 - self.max_scale_change, 1.0 + self.max_scale_change]);
        let fits = move |v: f64| v.abs() <= limit_m;
        let fits_scale = move |v: f64| (limits[0]..=limits[1]).contains(&v);
        let (offset_m, scale, se_m) = (c.offset_m, c.scale, c.offset_se_m.unwrap_or(0.0));
        let offset = (!fits(offset_m)).then(|| Implausible::Offset {
            value_m: offset_m,
            limit_m,
            slip: unit_slip(offset_m, fits),
        });
        let error = (!fits(se_m) || se_m < 0.0).then(|| Implausible::OffsetError {
            value_m: se_m,
            limit_m,
            slip: unit_slip(se_m, |v| v >= 0.0 && fits(v)),
        });
        let scale = (!fits_scale(scale)).then(|| Implausible::Scale {
            value: scale,
            limits,
            slip: [(scale / 100.0, Slip::Percent), (1.0 + scale, Slip::ScaleChange)]
                .into_iter()
                .find_map(|(meant, slip)| fits_scale(meant).then_some(slip)),
        });
        [offset, error, scale].into_iter().flatten()
    }
}

fn unit_slip(value_m: f64, fits: impl Fn(f64) -> bool) -> Option<Slip> {
    [(100.0, Slip::Centimetres), (1000.0, Slip::Millimetres)]
        .into_iter()
        .find_map(|(per_metre, slip)| fits(value_m / per_metre).then_some(slip))
}

/// Why a tag can't stand at a place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum PlaceDoubt {
    /// A coordinate that is no number.
    NotFinite,
    /// Too far from every anchor to be heard.
    BeyondReach {
        /// The nearest anchor.
        nearest: AnchorId,
        /// How far it is, metres.
        distance_m: f64,
        /// The farthest that is believable, metres.
        limit_m: f64,
    },
    /// Far outside of the area where the site says that the tag can be.
    OutsideArea {
        /// How far outside, metres.
        by_m: f64,
    },
    /// Higher or lower than a tag can be here.
    Height {
        /// As given, metres.
        up_m: f64,
        /// Lowest and highest believable one, metres.
        limits_m: [f64; 2],
    },
}

/// Why a tag can't stand at `at_m` (east, north, up, metres); `None` when it can.
pub fn judge_place(site: &Site, at_m: [f64; 3]) -> Option<PlaceDoubt> {
    if at_m.iter().any(|v| !v.is_finite()) {
        return Some(PlaceDoubt::NotFinite);
    }
    let limits_m = heights_m(site);
    if at_m[2] < limits_m[0] || at_m[2] > limits_m[1] {
        return Some(PlaceDoubt::Height { up_m: at_m[2], limits_m });
    }
    let limit_m = site.range_span_m()[1].min(REACH_M);
    let distances = site.anchors().iter().map(|a| (distance_m(a.at_m, at_m), a.id));
    let nearest = distances.min_by(|(a, _), (b, _)| a.total_cmp(b));
    if let Some((distance_m, nearest)) = nearest.filter(|(d, _)| *d > limit_m) {
        return Some(PlaceDoubt::BeyondReach { nearest, distance_m, limit_m });
    }
    // The heights have been judged.
    let up_m = site.fence().up_span_m.map_or(at_m[2], |[low, high]| at_m[2].clamp(low, high));
    let by_m = site.fence().excess_m([at_m[0], at_m[1], up_m]);
    (by_m > AREA_SLACK_M).then_some(PlaceDoubt::OutsideArea { by_m })
}

/// Whether no tag can ever be inside of a zone: none of its corners, nor its middle, nor the anchor's surroundings are where
/// a tag can stand. A zone in centimetres is such a one.
pub fn is_out_of_reach(site: &Site, zone: &ZoneShape) -> bool {
    let up_m = match site.dimension() {
        Dimension::TwoD { tag_height_m } => tag_height_m,
        Dimension::ThreeD => heights_m(site)[0],
    };
    let never = |at_m: &[f64; 2]| judge_place(site, [at_m[0], at_m[1], up_m]).is_some();
    match zone {
        ZoneShape::Polygon { outline_m, .. } => {
            // A large outline may have all its corners outside of where the tag can be, and the tag inside.
            let n = outline_m.len().max(1) as f64;
            let middle = [0, 1].map(|i| outline_m.iter().map(|c| c[i]).sum::<f64>() / n);
            outline_m.iter().all(never) && never(&middle) && !surrounds_an_anchor(site, outline_m)
        }
        ZoneShape::Circle { at_m, radius_m } => {
            let limit_m = site.range_span_m()[1].min(REACH_M);
            let flat_m = |a: &Anchor| distance_m(a.at_m, [at_m[0], at_m[1], a.at_m[2]]);
            never(at_m) && site.anchors().iter().all(|a| flat_m(a) - radius_m > limit_m)
        }
        ZoneShape::Near { enter_m, .. } => *enter_m > site.range_span_m()[1].min(REACH_M),
    }
}

/// Whether an anchor stands within the outline's bounds.
fn surrounds_an_anchor(site: &Site, outline_m: &[[f64; 2]]) -> bool {
    let span = |i: usize| {
        let along = outline_m.iter().map(move |c| c[i]);
        (along.clone().fold(f64::INFINITY, f64::min), along.fold(f64::NEG_INFINITY, f64::max))
    };
    let (east, north) = (span(0), span(1));
    let within = |v: f64, (low, high): (f64, f64)| v >= low && v <= high;
    site.anchors().iter().any(|a| within(a.at_m[0], east) && within(a.at_m[1], north))
}

/// Whether a tag is likely to have stood at `at_m`: it can, a usual radio reaches it, and it fits the site's tag height.
/// For guessing what was meant, which is reported only when it makes sense.
pub fn is_likely_place(site: &Site, at_m: [f64; 3]) -> bool {
    let near = site.anchors().iter().any(|a| distance_m(a.at_m, at_m) <= USUAL_REACH_M);
    near && judge_place(site, at_m).is_none() && contradicted_height_m(site, at_m[2]).is_none()
}

/// Where a tag can be, lowest and highest, metres.
fn heights_m(site: &Site) -> [f64; 2] {
    if let (Dimension::ThreeD, Some([low, high])) = (site.dimension(), site.fence().up_span_m) {
        return [low - UP_SPAN_SLACK_M, high + UP_SPAN_SLACK_M];
    }
    let ups = || site.anchors().iter().map(|a| a.at_m[2]);
    let (mut low, mut high) = (ups().fold(f64::INFINITY, f64::min), ups().fold(f64::NEG_INFINITY, f64::max));
    if let Dimension::TwoD { tag_height_m } = site.dimension() {
        (low, high) = (low.min(tag_height_m), high.max(tag_height_m));
    }
    [low - HEIGHT_SLACK_M, high + HEIGHT_SLACK_M]
}

/// The slip that turns `at_m` into a place that `fits`, with that place; the likeliest first. `None` when none does.
pub fn place_slip(at_m: [f64; 3], fits: impl Fn([f64; 3]) -> bool) -> Option<(Slip, [f64; 3])> {
    let [e, n, u] = at_m;
    let meant = [
        (Slip::SwappedAxes, [n, e, u]),
        (Slip::EastSign, [-e, n, u]),
        (Slip::NorthSign, [e, -n, u]),
        (Slip::BothSigns, [-e, -n, u]),
        // Last, because near the origin almost anything fits. The height may be the site's own, in metres, or typed in
        // the same unit as the others, or alone.
        (Slip::Centimetres, [e, n, u / 1e2]),
        (Slip::Millimetres, [e, n, u / 1e3]),
        (Slip::Centimetres, [e / 1e2, n / 1e2, u]),
        (Slip::Centimetres, [e / 1e2, n / 1e2, u / 1e2]),
        (Slip::Millimetres, [e / 1e3, n / 1e3, u]),
        (Slip::Millimetres, [e / 1e3, n / 1e3, u / 1e3]),
    ];
    meant.into_iter().find(|(_, place)| *place != at_m && fits(*place))
}

/// The tag height of a 2D site that a place's height contradicts, metres; `None` when it does not.
pub fn contradicted_height_m(site: &Site, up_m: f64) -> Option<f64> {
    match site.dimension() {
        Dimension::TwoD { tag_height_m } if (up_m - tag_height_m).abs() > HEIGHT_TOLERANCE_M + 1e-9 => {
            Some(tag_height_m)
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests;
