//! What a site can do before the first range comes: geometry, mirror places, reach, calibration.
//!
//! HDOP (how much the geometry alone enlarges the range error) is worked out over the area on a square
//! grid, with the anchors that are within reach of each cell. The area is the site's fence; without one,
//! the rectangle around the anchors. In 2D the tag is at its known height, in 3D in the middle of the
//! fence's heights (1 m without them).
//!
//! Findings are facts; the words and the advice are made by whoever shows them. The limits for the reach
//! (dependable 10 m through obstacles, 15 m in sight, 25-30 m at best) are common practice, no source; so
//! are the others, each where it stands.

use hereabout_core::geometry::vector::distance_m;
use hereabout_core::{AnchorId, Dimension, Micros, MirrorSide, Site};
use nalgebra::{SMatrix, SVector};

use crate::math::geometry::{principal_axes, reflect};
use crate::math::metrics::quantile_of_sorted;
use crate::model::dop::dop;

/// What counts as weak, far, old.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SiteCheckSettings {
    /// Cells along the longer side of the grid, 1 to 200.
    pub cells: usize,
    /// HDOP above this is weak (twice the range error; common practice, no source).
    pub weak_hdop: f64,
    /// Dependable through obstacles, metres.
    pub obstacles_m: f64,
    /// Dependable in sight, metres.
    pub sight_m: f64,
    /// Reached at best, metres.
    pub best_m: f64,
    /// Anchors whose width is less than this share of their length are nearly on a line.
    pub line_ratio: f64,
    /// 3D needs anchors this far apart in height, metres (common practice, no source).
    pub height_spread_m: f64,
    /// An offset beyond this is a wrong coordinate, as a rule, metres.
    pub odd_offset_m: f64,
    /// An offset should be known to this standard error, metres.
    pub offset_se_m: f64,
    /// A calibration older than this should be repeated.
    pub old_after: Micros,
}

impl Default for SiteCheckSettings {
    fn default() -> SiteCheckSettings {
        SiteCheckSettings {
            cells: 60,
            weak_hdop: 2.0,
            obstacles_m: 10.0,
            sight_m: 15.0,
            best_m: 28.0,
            line_ratio: 0.15,
            height_spread_m: 1.0,
            odd_offset_m: 0.5,
            offset_se_m: 0.03,
            old_after: Micros::from_micros(180 * 86_400 * 1_000_000),
        }
    }
}

/// One cell of the grid.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Cell {
    /// Not part of the area.
    Outside,
    /// Part of the area, but the anchors within reach determine no place there.
    Undetermined,
    /// HDOP at the middle of the cell.
    Hdop(f64),
}

/// HDOP over the area.
#[derive(Clone, Debug, PartialEq)]
pub struct HdopGrid {
    /// South-west corner of the first cell, east and north, metres.
    pub corner_m: [f64; 2],
    /// Side of a cell, metres.
    pub cell_m: f64,
    /// Cells to the east.
    pub columns: usize,
    /// Cells to the north.
    pub rows: usize,
    /// Height of the tag for which it holds, metres.
    pub up_m: f64,
    /// Row by row from the south, each from the west.
    pub cells: Vec<Cell>,
}

impl HdopGrid {
    /// Middle of the cell with this index, east, north, up.
    pub fn middle_m(&self, index: usize) -> [f64; 3] {
        let along = |k: usize, from: f64| from + (k as f64 + 0.5) * self.cell_m;
        let columns = self.columns.max(1);
        [along(index % columns, self.corner_m[0]), along(index / columns, self.corner_m[1]), self.up_m]
    }
}

/// A dilution of precision over the area.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DopSpread {
    /// Smallest.
    pub min_hdop: f64,
    /// Median over the area.
    pub median_hdop: f64,
    /// Largest.
    pub worst_hdop: f64,
    /// Where it is largest, east, north, up, metres.
    pub worst_at_m: [f64; 3],
}

/// How far a radio link is stretched.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stretch {
    /// Beyond what goes through obstacles.
    NeedsSight,
    /// Beyond what is dependable in sight.
    NotDependable,
    /// Beyond what is reached at best.
    OutOfReach,
}

/// Something that people should know about the site.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SiteFact {
    /// HDOP is weak in part of the area.
    WeakHdop {
        /// Share of the area, 0 to 1.
        share: f64,
        /// The limit.
        limit_hdop: f64,
    },
    /// Part of the area has no position at all.
    NoPosition {
        /// Share of the area, 0 to 1.
        share: f64,
        /// One such place, metres.
        at_m: [f64; 3],
    },
    /// Seen from above the anchors lie nearly on a line.
    NearlyOnLine {
        /// Their width across the line, metres.
        across_m: f64,
        /// Their length along it, metres.
        along_m: f64,
        /// Whether the fence keeps the mirror places out.
        mirror: MirrorSide,
    },
    /// 3D: the anchors lie nearly in a plane.
    NearlyOnPlane {
        /// Their thickness, metres.
        thickness_m: f64,
        /// Whether the fence keeps the mirror places out.
        mirror: MirrorSide,
    },
    /// 3D: the anchors differ too little in height.
    LittleHeightSpread {
        /// Highest minus lowest, metres.
        spread_m: f64,
        /// What is needed, metres.
        need_m: f64,
    },
    /// 3D: every anchor is above the tag.
    AllAbove {
        /// Lowest anchor above the tag, metres.
        least_m: f64,
    },
    /// 3D: every anchor is below the tag.
    AllBelow {
        /// Highest anchor below the tag, metres.
        least_m: f64,
    },
    /// An anchor is far from part of the area.
    LongLink {
        /// Index into the site's anchors.
        anchor: AnchorId,
        /// Its largest distance to the area, metres.
        farthest_m: f64,
        /// How far that stretches the radio.
        stretch: Stretch,
    },
    /// Part of the area has too few anchors within dependable reach (in sight) for a checked position.
    FewInSight {
        /// Share of the area, 0 to 1.
        share: f64,
        /// One such place, metres.
        at_m: [f64; 3],
        /// Anchors within reach there.
        have: usize,
        /// How many a checked position needs.
        need: usize,
    },
    /// A board was never calibrated.
    OffsetMissing {
        /// Index into the site's anchors.
        anchor: AnchorId,
    },
    /// A board's calibration is old.
    OffsetOld {
        /// Index into the site's anchors.
        anchor: AnchorId,
        /// How old.
        age: Micros,
    },
    /// A board's offset is larger than a board's offset should be.
    OffsetOdd {
        /// Index into the site's anchors.
        anchor: AnchorId,
        /// Its offset, metres.
        offset_m: f64,
    },
    /// A board's offset is not known well.
    OffsetRough {
        /// Index into the site's anchors.
        anchor: AnchorId,
        /// Its standard error, metres.
        se_m: f64,
    },
}

/// The whole check.
#[derive(Clone, Debug, PartialEq)]
pub struct SiteCheck {
    /// HDOP over the area, for the picture.
    pub grid: HdopGrid,
    /// Whether the site states its area; else the rectangle around the anchors was taken.
    pub area_stated: bool,
    /// HDOP over the cells that have one; `None` when there are none.
    pub hdop: Option<DopSpread>,
    /// VDOP over the same cells (3D).
    pub vdop: Option<DopSpread>,
    /// What people should know, geometry first.
    pub facts: Vec<SiteFact>,
}

/// From here on a position is worth nothing (a range error of 10 cm makes metres), and rounding decides
/// whether a singular geometry still has a number.
const NO_POSITION_HDOP: f64 = 50.0;

/// Checks a site. `ages` says how old each anchor's calibration is, in anchor order; missing or `None`: unknown.
pub fn check_site(site: &Site, ages: &[Option<Micros>], settings: &SiteCheckSettings) -> SiteCheck {
    let places: Vec<[f64; 3]> = site.anchors().iter().map(|a| a.at_m).collect();
    let mut grid = empty_grid(site, &places, settings);
    let mut hdops: Vec<(f64, usize)> = Vec::new();
    let mut vdops: Vec<(f64, usize)> = Vec::new();
    for index in 0..grid.cells.len() {
        let at = grid.middle_m(index);
        if !in_area(site, at) {
            continue;
        }
        let heard = places.iter().copied().filter(|a| distance_m(*a, at) <= settings.best_m);
        let found = dop(heard, at, site.dimension()).filter(|d| d.hdop <= NO_POSITION_HDOP);
        grid.cells[index] = found.map_or(Cell::Undetermined, |d| Cell::Hdop(d.hdop));
        hdops.extend(found.map(|d| (d.hdop, index)));
        vdops.extend(found.and_then(|d| Some((d.vdop?, index))));
    }
    let mut facts = Vec::new();
    hdop_facts(&grid, settings, &mut facts);
    shape_facts(site, &places, &grid, settings, &mut facts);
    reach_facts(site, &grid, settings, &mut facts);
    offset_facts(site, ages, settings, &mut facts);
    SiteCheck {
        hdop: spread(hdops, &grid),
        vdop: spread(vdops, &grid),
        area_stated: site.fence().area_m.len() >= 3,
        facts,
        grid,
    }
}

/// Whether the fence's area holds the place, whatever the height.
fn in_area(site: &Site, at_m: [f64; 3]) -> bool {
    let [low, high] = site.fence().up_span_m.unwrap_or([at_m[2], at_m[2]]);
    site.fence().excess_m([at_m[0], at_m[1], at_m[2].clamp(low, high)]) <= 0.0
}

fn empty_grid(site: &Site, places_m: &[[f64; 3]], settings: &SiteCheckSettings) -> HdopGrid {
    let fence = site.fence();
    let corners: Vec<[f64; 2]> = if fence.area_m.len() >= 3 {
        fence.area_m.clone()
    } else {
        places_m.iter().map(|p| [p[0], p[1]]).collect()
    };
    let low = |c: usize| corners.iter().map(|p| p[c]).fold(f64::INFINITY, f64::min);
    let size = |c: usize| corners.iter().map(|p| p[c]).fold(f64::NEG_INFINITY, f64::max) - low(c);
    let cells = settings.cells.clamp(1, 200);
    // One anchor, or anchors on a line: the cell still has a size.
    let cell_m = (size(0).max(size(1)).max(0.1)) / cells as f64;
    let count = |c: usize| ((size(c) / cell_m - 1e-9).ceil().max(1.0) as usize).min(cells);
    let (columns, rows) = (count(0), count(1));
    let up_m = match site.dimension() {
        Dimension::TwoD { tag_height_m } => tag_height_m,
        Dimension::ThreeD => fence.up_span_m.map_or(1.0, |[low, high]| 0.5 * (low + high)),
    };
    let corner_m = [low(0), low(1)];
    HdopGrid { corner_m, cell_m, columns, rows, up_m, cells: vec![Cell::Outside; columns * rows] }
}

fn spread(mut values_hdop: Vec<(f64, usize)>, grid: &HdopGrid) -> Option<DopSpread> {
    values_hdop.sort_by(|a, b| a.0.total_cmp(&b.0));
    let rising: Vec<f64> = values_hdop.iter().map(|v| v.0).collect();
    let (worst, at) = *values_hdop.last()?;
    let median = quantile_of_sorted(&rising, 0.5)?;
    Some(DopSpread {
        min_hdop: *rising.first()?,
        median_hdop: median,
        worst_hdop: worst,
        worst_at_m: grid.middle_m(at),
    })
}

/// Cells that are part of the area, with their index.
fn area_cells(grid: &HdopGrid) -> impl Iterator<Item = (usize, Cell)> {
    grid.cells.iter().copied().enumerate().filter(|(_, c)| *c != Cell::Outside)
}

fn hdop_facts(grid: &HdopGrid, settings: &SiteCheckSettings, facts: &mut Vec<SiteFact>) {
    let all = area_cells(grid).count().max(1) as f64;
    let mut none = area_cells(grid).filter(|(_, c)| *c == Cell::Undetermined);
    if let Some((first, _)) = none.next() {
        let share = (1 + none.count()) as f64 / all;
        facts.push(SiteFact::NoPosition { share, at_m: grid.middle_m(first) });
    }
    let weak =
        area_cells(grid).filter(|(_, c)| matches!(c, Cell::Hdop(h) if *h > settings.weak_hdop)).count();
    if weak > 0 {
        facts.push(SiteFact::WeakHdop { share: weak as f64 / all, limit_hdop: settings.weak_hdop });
    }
}

fn shape_facts(
    site: &Site,
    places_m: &[[f64; 3]],
    grid: &HdopGrid,
    settings: &SiteCheckSettings,
    facts: &mut Vec<SiteFact>,
) {
    if let Some((across_m, along_m, mirror)) = thin_side::<2>(site, places_m, grid)
        && across_m < settings.line_ratio * along_m
    {
        facts.push(SiteFact::NearlyOnLine { across_m, along_m, mirror });
    }
    if site.dimension() != Dimension::ThreeD || places_m.is_empty() {
        return;
    }
    if let Some((thickness_m, wide_m, mirror)) = thin_side::<3>(site, places_m, grid)
        && thickness_m < settings.line_ratio * wide_m
    {
        facts.push(SiteFact::NearlyOnPlane { thickness_m, mirror });
    }
    let lowest = places_m.iter().map(|p| p[2]).fold(f64::INFINITY, f64::min);
    let highest = places_m.iter().map(|p| p[2]).fold(f64::NEG_INFINITY, f64::max);
    let (spread_m, need_m) = (highest - lowest, settings.height_spread_m);
    if spread_m < need_m {
        facts.push(SiteFact::LittleHeightSpread { spread_m, need_m });
    }
    let [down, up] = site.fence().up_span_m.unwrap_or([grid.up_m, grid.up_m]);
    if lowest > up {
        facts.push(SiteFact::AllAbove { least_m: lowest - up });
    } else if highest < down {
        facts.push(SiteFact::AllBelow { least_m: down - highest });
    }
}

/// Extent of the anchors along their thinnest and their widest principal axis, and what the fence does about
/// places mirrored in the line (2D) or plane (3D) across the thin one. `None` for fewer anchors than
/// make a shape.
fn thin_side<const D: usize>(
    site: &Site,
    places_m: &[[f64; 3]],
    grid: &HdopGrid,
) -> Option<(f64, f64, MirrorSide)> {
    if places_m.len() <= D {
        return None;
    }
    let points: Vec<SVector<f64, D>> = places_m.iter().map(|p| SVector::from_fn(|c, _| p[c])).collect();
    let centre = points.iter().sum::<SVector<f64, D>>() / points.len() as f64;
    let scatter: SMatrix<f64, D, D> = points.iter().map(|p| (p - centre) * (p - centre).transpose()).sum();
    let axes = principal_axes(&scatter)?;
    let extent = |k: usize| {
        let along = points.iter().map(|p| (p - centre).dot(&axes.axes.column(k)));
        let (low, high) = along.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
        high - low
    };
    let normal = axes.thin();
    let open = area_cells(grid).any(|(index, _)| {
        let at = grid.middle_m(index);
        let image = reflect(&SVector::from_fn(|c, _| at[c]), &centre, &normal);
        let mut mirrored = at;
        for (to, from) in mirrored.iter_mut().zip(image.iter()) {
            *to = *from;
        }
        // A place that is its own image is no second place.
        distance_m(mirrored, at) > 2.0 * grid.cell_m && site.fence().excess_m(mirrored) <= 0.0
    });
    let mirror = if open { MirrorSide::Open } else { MirrorSide::Excluded };
    Some((extent(D - 1), extent(0), mirror))
}

fn reach_facts(site: &Site, grid: &HdopGrid, settings: &SiteCheckSettings, facts: &mut Vec<SiteFact>) {
    for a in site.anchors() {
        let far = |(index, _)| distance_m(a.at_m, grid.middle_m(index));
        let farthest_m = area_cells(grid).map(far).fold(0.0, f64::max);
        let limits = [
            (settings.best_m, Stretch::OutOfReach),
            (settings.sight_m, Stretch::NotDependable),
            (settings.obstacles_m, Stretch::NeedsSight),
        ];
        if let Some((_, stretch)) = limits.into_iter().find(|(limit, _)| farthest_m > *limit) {
            facts.push(SiteFact::LongLink { anchor: a.id, farthest_m, stretch });
        }
    }
    let need = site.dimension().unknowns() + 1;
    let in_sight = |index: usize| {
        let at = grid.middle_m(index);
        site.anchors().iter().filter(|a| distance_m(a.at_m, at) <= settings.sight_m).count()
    };
    let few: Vec<(usize, usize)> =
        area_cells(grid).map(|(i, _)| (in_sight(i), i)).filter(|(have, _)| *have < need).collect();
    if let Some((have, index)) = few.iter().min().copied() {
        let share = few.len() as f64 / area_cells(grid).count().max(1) as f64;
        facts.push(SiteFact::FewInSight { share, at_m: grid.middle_m(index), have, need });
    }
}

fn offset_facts(
    site: &Site,
    ages: &[Option<Micros>],
    settings: &SiteCheckSettings,
    facts: &mut Vec<SiteFact>,
) {
    for (i, a) in site.anchors().iter().enumerate() {
        let anchor = a.id;
        let Some(se_m) = a.correction.offset_se_m else {
            facts.push(SiteFact::OffsetMissing { anchor });
            continue;
        };
        let offset_m = a.correction.offset_m;
        if offset_m.abs() > settings.odd_offset_m {
            facts.push(SiteFact::OffsetOdd { anchor, offset_m });
        }
        if se_m > settings.offset_se_m {
            facts.push(SiteFact::OffsetRough { anchor, se_m });
        }
        if let Some(age) = ages.get(i).copied().flatten().filter(|age| *age > settings.old_after) {
            facts.push(SiteFact::OffsetOld { anchor, age });
        }
    }
}

#[cfg(test)]
mod tests;
