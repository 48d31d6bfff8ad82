//! A site as it is stated, and all that is checked before it is one.

use super::finding::{Findings, KeyStep, MirrorSide, NeverKnown, SiteFinding, SiteProblem};
use super::{
    Anchor, CorrectionLimits, Dimension, Estimator, Fence, Site, SiteTag, TrackSettings, Zone, ZoneShape,
};
use crate::geometry::line::{common_line, common_plane};
use crate::geometry::polygon::{contains, crosses_itself, edges, edges_meet, signed_area_m2};
use crate::geometry::vector::{distance_m, dot, minus};
use crate::{MAX_ANCHORS, MAX_CORNERS, MAX_TAGS, MAX_ZONES, is_plain};
use KeyStep::{Index, Key};

/// Anchors nearer to each other than this are one place, metres.
const ONE_PLACE_M: f64 = 0.05;
/// Anchors nearer to a common line or plane than this (root mean square is not used: the worst one), metres.
const ONE_LINE_M: f64 = 0.10;
/// No post of a small kit is higher, metres.
const MAX_UP_M: f64 = 60.0;
/// No kit of one primary anchor spans more, metres (radios reach 25-30 m at best: common practice, no source).
const MAX_SPAN_M: f64 = 300.0;
/// Local coordinates: farther from the origin, `f64` metres are fine but people's eyes are not, metres.
const MAX_COORDINATE_M: f64 = 10_000.0;

/// No board is off by more, metres: what a site may state as its limit.
const MAX_MAX_OFFSET_M: f64 = 10.0;
/// Hysteresis and dwell of zones beyond these are slips, metres and seconds.
const MAX_MARGIN_M: f64 = 50.0;
const MAX_DWELL_S: f64 = 600.0;

/// What a person wrote, not yet believed.
#[derive(Clone, Debug, PartialEq)]
pub struct SiteDraft {
    /// Name of the site.
    pub name: String,
    /// 2D with height, or 3D.
    pub dimension: Dimension,
    /// Where the tag can be.
    pub fence: Fence,
    /// Ranges outside this span (metres) are not ranges.
    pub range_span_m: [f64; 2],
    /// The boards, in file order.
    pub anchors: Vec<Anchor>,
    /// The zones, in file order.
    pub zones: Vec<Zone>,
    /// Limits of the track.
    pub track: TrackSettings,
    /// Number of range fields of a frame; `None` when the site has no `[frame]` (tables, logs).
    pub range_fields: Option<usize>,
    /// CE95 that a verification must reach, metres; `None` when nothing is required.
    pub required_ce95_m: Option<f64>,
    /// Standard error of the tag's height in 2D, metres; `None` when nobody stated it.
    pub tag_height_se_m: Option<f64>,
    /// The tags of the site, in file order; empty when any tag that settles is tracked.
    pub tags: Vec<SiteTag>,
    /// What a correction of a board can be.
    pub correction_limits: CorrectionLimits,
}

impl SiteDraft {
    /// Checks everything that can be checked without a clock or a port.
    ///
    /// All findings come at once, errors and warnings, in file order of their checks.
    ///
    /// # Errors
    /// The findings, when at least one of them is an error.
    pub fn validate(self) -> Result<(Site, Vec<SiteFinding>), Vec<SiteFinding>> {
        let mut out = Findings(Vec::new());
        self.check_sizes(&mut out);
        if out.any_error() {
            // What follows compares corners with each other: never more of them than are allowed.
            return Err(out.0);
        }
        check_name(&[Key("site"), Key("name")], &self.name, &mut out);
        self.check_settings(&mut out);
        self.check_anchors(&mut out);
        self.check_tags(&mut out);
        self.check_zones(&mut out);
        let slots = self.assign_slots(&mut out);
        if !out.any_error() {
            self.check_geometry(&mut out);
        }
        if out.any_error() {
            Err(out.0)
        } else {
            Ok((Site { draft: self, slots, range_units_per_m: None, others: Vec::new() }, out.0))
        }
    }

    fn check_sizes(&self, out: &mut Findings) {
        if self.zones.len() > MAX_ZONES {
            out.error(&[Key("zone"), Index(MAX_ZONES)], SiteProblem::TooManyZones { have: self.zones.len() });
        }
        let corners = |z: &Zone| match &z.shape {
            ZoneShape::Polygon { outline_m, holes_m } => {
                outline_m.len() + holes_m.iter().map(Vec::len).sum::<usize>()
            }
            ZoneShape::Circle { .. } | ZoneShape::Near { .. } => 0,
        };
        let have = self.fence.area_m.len() + self.zones.iter().map(corners).sum::<usize>();
        if have > MAX_CORNERS {
            let most = self.zones.iter().enumerate().max_by_key(|(_, z)| corners(z));
            let problem = SiteProblem::TooManyCorners { have };
            match most.filter(|(_, z)| corners(z) > self.fence.area_m.len()) {
                Some((i, _)) => out.error(&[Key("zone"), Index(i), Key("polygon_m")], problem),
                None => out.error(&[Key("site"), Key("area_m")], problem),
            }
        }
    }

    fn check_settings(&self, out: &mut Findings) {
        out.limits(
            &[Key("site"), Key("max_offset_m")],
            self.correction_limits.max_offset_m,
            0.05,
            MAX_MAX_OFFSET_M,
        );
        if let Some(se_m) = self.tag_height_se_m {
            out.limits(&[Key("site"), Key("tag_height_se_m")], se_m, 0.001, 10.0);
        }
        if let Dimension::TwoD { tag_height_m } = self.dimension {
            out.limits(&[Key("site"), Key("tag_height_m")], tag_height_m, -MAX_UP_M, MAX_UP_M);
        }
        let [near, far] = self.range_span_m;
        out.limits(&[Key("site"), Key("range_span_m")], near, 0.0, 10_000.0);
        out.limits(&[Key("site"), Key("range_span_m")], far, 0.0, 10_000.0);
        if near >= far {
            out.error(&[Key("site"), Key("range_span_m")], SiteProblem::WrongOrder { low: near, high: far });
        }
        if let Some(required) = self.required_ce95_m {
            out.limits(&[Key("site"), Key("required_ce95_m")], required, 0.01, 100.0);
        }
        let track = &self.track;
        out.limits(&[Key("track"), Key("lost_after_s")], track.lost_after.secs_f64(), 0.5, 600.0);
        let forgotten = [Key("track"), Key("tag_forgotten_after_s")];
        out.limits(&forgotten, track.tag_forgotten_after.secs_f64(), 10.0, 30.0 * 86_400.0);
        if track.tag_forgotten_after <= track.lost_after {
            let lost_after_s = track.lost_after.secs_f64();
            out.error(&forgotten, SiteProblem::ForgottenBeforeLost { lost_after_s });
        }
        out.limits(&[Key("track"), Key("max_age_s")], track.max_age.secs_f64(), 0.05, 2.0);
        out.limits(&[Key("track"), Key("lost_radius95_m")], track.lost_radius95_m, 0.05, 100.0);
        for (name, value_m) in [("slow_error_m", track.slow_error_m), ("tag_offset_m", track.tag_offset_m)] {
            if let Some(value_m) = value_m {
                out.limits(&[Key("track"), Key(name)], value_m, 0.0, 1.0);
            }
        }
        if let Some(delayed) = track.delayed {
            out.limits(&[Key("track"), Key("delayed_s")], delayed.secs_f64(), 0.1, 10.0);
            if track.estimator != Estimator::Tracker {
                out.error(&[Key("track"), Key("delayed_s")], SiteProblem::DelayedNeedsTracker);
            }
        }
        if !self.fence.area_m.is_empty() {
            check_polygon(&[Key("site"), Key("area_m")], &self.fence.area_m, out);
        }
        if let Some([low, high]) = self.fence.up_span_m {
            out.limits(&[Key("site"), Key("up_span_m")], low, -MAX_UP_M, MAX_UP_M);
            out.limits(&[Key("site"), Key("up_span_m")], high, -MAX_UP_M, MAX_UP_M);
            if low >= high {
                out.error(&[Key("site"), Key("up_span_m")], SiteProblem::WrongOrder { low, high });
            }
        }
    }

    fn check_anchors(&self, out: &mut Findings) {
        if self.anchors.is_empty() {
            out.error(&[Key("anchor")], SiteProblem::NoAnchors);
        }
        if self.anchors.len() > MAX_ANCHORS {
            out.error(&[Key("anchor")], SiteProblem::TooManyAnchors { have: self.anchors.len() });
        }
        for (i, anchor) in self.anchors.iter().enumerate() {
            let key = |k| [Key("anchor"), Index(i), Key(k)];
            check_plain(&key("name"), &anchor.name, out);
            out.limits(&key("range_sigma_m"), anchor.range_sigma_m, 0.001, 5.0);
            check_place(&key("at_m"), anchor.at_m, out);
            for (j, earlier) in self.anchors[..i].iter().enumerate() {
                if earlier.id == anchor.id {
                    out.error(&key("id"), SiteProblem::DuplicateAnchorId { id: anchor.id, first: j });
                }
                let apart_m = distance_m(earlier.at_m, anchor.at_m);
                if apart_m < ONE_PLACE_M {
                    out.error(&key("at_m"), SiteProblem::AnchorsAtOnePlace { other: earlier.id, apart_m });
                } else if apart_m > MAX_SPAN_M && anchor.at_m[2].abs() <= MAX_UP_M {
                    out.error(
                        &key("at_m"),
                        SiteProblem::LikelyUnitSlip { value_m: apart_m, limit_m: MAX_SPAN_M },
                    );
                    break;
                }
            }
        }
    }

    fn check_tags(&self, out: &mut Findings) {
        if self.tags.len() > MAX_TAGS {
            out.error(&[Key("tag"), Index(MAX_TAGS)], SiteProblem::TooManyTags { have: self.tags.len() });
        }
        for (i, tag) in self.tags.iter().enumerate() {
            check_name(&[Key("tag"), Index(i), Key("name")], &tag.name, out);
            if let Some(first) = self.tags[..i].iter().position(|t| t.id == tag.id) {
                let problem = SiteProblem::DuplicateTagId { id: tag.id, first };
                out.error(&[Key("tag"), Index(i), Key("id")], problem);
            }
        }
    }

    fn check_zones(&self, out: &mut Findings) {
        for (i, zone) in self.zones.iter().enumerate() {
            check_name(&[Key("zone"), Index(i), Key("name")], &zone.name, out);
            if let Some(first) = self.zones[..i].iter().position(|z| z.name == zone.name) {
                out.error(&[Key("zone"), Index(i), Key("name")], SiteProblem::DuplicateZoneName { first });
            }
            self.check_zone_rule(i, zone, out);
            match &zone.shape {
                ZoneShape::Polygon { outline_m, holes_m } => check_outline(i, outline_m, holes_m, out),
                ZoneShape::Circle { at_m, radius_m } => {
                    let key = |k| [Key("zone"), Index(i), Key("circle"), Key(k)];
                    out.limits(&key("radius_m"), *radius_m, 0.05, MAX_SPAN_M);
                    for coordinate in at_m {
                        out.limits(&key("at_m"), *coordinate, -MAX_COORDINATE_M, MAX_COORDINATE_M);
                    }
                }
                ZoneShape::Near { anchor, enter_m, leave_m } => {
                    let key = |k| [Key("zone"), Index(i), Key("near"), Key(k)];
                    out.limits(&key("enter_m"), *enter_m, 0.05, MAX_SPAN_M);
                    out.limits(&key("leave_m"), *leave_m, 0.05, MAX_SPAN_M);
                    if leave_m < enter_m {
                        out.error(&key("leave_m"), SiteProblem::WrongOrder { low: *enter_m, high: *leave_m });
                    }
                    if !self.anchors.iter().any(|a| a.id == *anchor) {
                        out.error(&key("anchor"), SiteProblem::UnknownAnchor { id: *anchor });
                    }
                }
            }
        }
    }

    fn check_zone_rule(&self, i: usize, zone: &Zone, out: &mut Findings) {
        let rule = &zone.rule;
        let key = |k| [Key("zone"), Index(i), Key(k)];
        out.limits(&key("margin_m"), rule.margin_m, 0.0, MAX_MARGIN_M);
        out.limits(&key("enter_after_s"), rule.enter_after.secs_f64(), 0.0, MAX_DWELL_S);
        out.limits(&key("leave_after_s"), rule.leave_after.secs_f64(), 0.0, MAX_DWELL_S);
        out.limits(&key("max_protection_radius_m"), rule.max_protection_radius_m, 0.05, 100.0);
        if !self.tags.is_empty() {
            let unlisted = rule.tags.iter().filter(|id| !self.tags.iter().any(|t| t.id == **id));
            unlisted.for_each(|id| out.error(&key("tags"), SiteProblem::UnlistedTag { id: *id }));
        }
        if matches!(zone.shape, ZoneShape::Near { .. }) {
            return;
        }
        let (have, need) = (self.anchors.len(), self.dimension.unknowns() + 2);
        let why = if self.track.estimator == Estimator::Plain {
            Some(NeverKnown::NoProtectionRadius)
        } else if have < need && !rule.allow_unchecked {
            Some(NeverKnown::TooFewAnchors { have, need })
        } else {
            None
        };
        if let Some(why) = why {
            out.warn(&key("name"), SiteProblem::ZoneNeverKnown { why });
        }
    }

    /// Which anchor each range field belongs to: the anchor's `slot`, else its id when every id
    /// without a slot is a field number, else file order.
    fn assign_slots(&self, out: &mut Findings) -> [Option<usize>; MAX_ANCHORS] {
        let mut slots = [None; MAX_ANCHORS];
        let Some(fields) = self.range_fields else { return slots };
        let ids_fit = self.anchors.iter().all(|a| a.slot.is_some() || usize::from(a.id.0) < fields);
        if !ids_fit && self.anchors.len() <= fields {
            out.warn(&[Key("frame"), Key("layout")], SiteProblem::SlotsInFileOrder);
        }
        for (i, anchor) in self.anchors.iter().enumerate().take(MAX_ANCHORS) {
            let slot = anchor.slot.unwrap_or(if ids_fit { usize::from(anchor.id.0) } else { i });
            let key = [Key("anchor"), Index(i), Key(if anchor.slot.is_some() { "slot" } else { "id" })];
            if slot >= fields || slot >= MAX_ANCHORS {
                out.error(&key, SiteProblem::NoFieldForAnchor { id: anchor.id, fields });
            } else if let Some(first) = slots[slot] {
                let first: &Anchor = &self.anchors[first];
                if first.id != anchor.id {
                    out.error(&key, SiteProblem::DuplicateSlot { slot, first: first.id });
                }
            } else {
                slots[slot] = Some(i);
            }
        }
        if fields > self.anchors.len() {
            let problem = SiteProblem::SpareRangeFields { fields, anchors: self.anchors.len() };
            out.warn(&[Key("frame"), Key("layout")], problem);
        }
        slots
    }

    fn check_geometry(&self, out: &mut Findings) {
        let need = self.dimension.unknowns() + 1;
        let have = self.anchors.len();
        if have < need {
            out.warn(&[Key("anchor")], SiteProblem::TooFewAnchors { have, need });
        }
        let places: Vec<[f64; 3]> = self.anchors.iter().map(|a| a.at_m).collect();
        let flat: Vec<[f64; 3]> = places.iter().map(|p| [p[0], p[1], 0.0]).collect();
        match self.dimension {
            Dimension::TwoD { .. } if have >= 3 => {
                if let Some((a, along)) = common_line(&flat, ONE_LINE_M) {
                    let normal = [-along[1], along[0], 0.0];
                    self.report_mirror(
                        a,
                        normal,
                        |mirror| SiteProblem::AnchorsOnOneLine { mirror },
                        true,
                        out,
                    );
                }
            }
            Dimension::ThreeD if have >= 3 && common_line(&places, ONE_LINE_M).is_some() => {
                let problem = SiteProblem::AnchorsOnOneLine { mirror: MirrorSide::Open };
                out.error(&[Key("anchor")], problem);
            }
            Dimension::ThreeD if have >= 4 => {
                if let Some((a, normal)) = common_plane(&places, ONE_LINE_M) {
                    self.report_mirror(
                        a,
                        normal,
                        |mirror| SiteProblem::AnchorsOnOnePlane { mirror },
                        false,
                        out,
                    );
                }
            }
            _ => {}
        }
    }

    /// A line of anchors (2D) is an error unless the fence excludes the mirror; a plane (3D) is
    /// how anchors on a ceiling are, so it is only ever a warning.
    fn report_mirror(
        &self,
        on_m: [f64; 3],
        normal: [f64; 3],
        problem: impl Fn(MirrorSide) -> SiteProblem,
        strict: bool,
        out: &mut Findings,
    ) {
        let excluded = self.fence_corners().is_some_and(|corners| {
            let side = |p: &[f64; 3]| dot(minus(*p, on_m), normal);
            corners.iter().all(|p| side(p) >= -1e-9) || corners.iter().all(|p| side(p) <= 1e-9)
        });
        let mirror = if excluded { MirrorSide::Excluded } else { MirrorSide::Open };
        if strict && !excluded {
            out.error(&[Key("anchor")], problem(mirror));
        } else {
            out.warn(&[Key("anchor")], problem(mirror));
        }
    }

    /// Corner points of the fenced volume; `None` when the fence leaves a needed direction open.
    fn fence_corners(&self) -> Option<Vec<[f64; 3]>> {
        let spans = match self.dimension {
            Dimension::TwoD { .. } => [0.0, 0.0],
            Dimension::ThreeD => self.fence.up_span_m?,
        };
        if self.fence.area_m.len() < 3 {
            // Without an area, a height span alone still excludes the mirror of a level ceiling.
            let far = 1e6;
            let square = [[-far, -far], [far, -far], [far, far], [-far, far]];
            return (self.dimension == Dimension::ThreeD)
                .then(|| square.iter().flat_map(|c| spans.map(|up| [c[0], c[1], up])).collect());
        }
        Some(self.fence.area_m.iter().flat_map(|c| spans.map(|up| [c[0], c[1], up])).collect())
    }
}

fn check_name(path: &[KeyStep], name: &str, out: &mut Findings) {
    if name.trim().is_empty() || name.chars().count() > 120 {
        out.error(path, SiteProblem::BadName);
    }
    check_plain(path, name, out);
}

fn check_plain(path: &[KeyStep], name: &str, out: &mut Findings) {
    if let Some(sign) = name.chars().find(|c| !is_plain(*c)) {
        out.error(path, SiteProblem::NotPlain { sign });
    }
}

fn check_place(path: &[KeyStep], at_m: [f64; 3], out: &mut Findings) {
    if at_m.iter().any(|v| !v.is_finite()) {
        out.error(path, SiteProblem::NotFinite);
    } else if at_m[2].abs() > MAX_UP_M {
        out.error(path, SiteProblem::LikelyUnitSlip { value_m: at_m[2], limit_m: MAX_UP_M });
    } else if let Some(v) = at_m[..2].iter().find(|v| v.abs() > MAX_COORDINATE_M) {
        out.error(
            path,
            SiteProblem::OutOfLimits { value: *v, min: -MAX_COORDINATE_M, max: MAX_COORDINATE_M },
        );
    }
}

fn check_polygon(path: &[KeyStep], corners: &[[f64; 2]], out: &mut Findings) {
    if corners.iter().flatten().any(|v| !v.is_finite()) {
        out.error(path, SiteProblem::NotFinite);
    } else if corners.len() < 3 {
        out.error(path, SiteProblem::PolygonTooSmall { corners: corners.len() });
    } else if signed_area_m2(corners).abs() < 1e-6 || crosses_itself(corners) {
        out.error(path, SiteProblem::PolygonCrossed);
    }
}

/// An outline with the parts that are cut out of it.
fn check_outline(i: usize, outline: &[[f64; 2]], holes: &[Vec<[f64; 2]>], out: &mut Findings) {
    let before = out.0.len();
    check_polygon(&[Key("zone"), Index(i), Key("polygon_m")], outline, out);
    for (k, hole) in holes.iter().enumerate() {
        check_polygon(&[Key("zone"), Index(i), Key("holes_m"), Index(k)], hole, out);
    }
    if out.0.len() > before {
        return;
    }
    let meet = |a: &[[f64; 2]], b: &[[f64; 2]]| edges(a).any(|e| edges(b).any(|f| edges_meet(e, f)));
    for (k, hole) in holes.iter().enumerate() {
        let path = [Key("zone"), Index(i), Key("holes_m"), Index(k)];
        if meet(outline, hole) || !contains(outline, hole[0]) {
            out.error(&path, SiteProblem::HoleNotInside);
        }
        let other =
            holes[..k].iter().position(|o| meet(o, hole) || contains(o, hole[0]) || contains(hole, o[0]));
        if let Some(other) = other {
            out.error(&path, SiteProblem::HolesMeet { other });
        }
    }
}
