//! Pictures of a site as SVG: the area with its anchors and zones, HDOP in steps of colour, checkpoints with
//! their errors as arrows. For `check --svg`, the report, and whoever wants a drawing.
//!
//! East is right and north is up, one scale for both. Every picture has a scale bar and says what its colours
//! and arrows mean, so that it can be printed and passed on alone. The colours go from light (good) to dark
//! (weak) in one direction, which prints in grey and does not ask for red-green sight. Text that people wrote is
//! escaped; nothing is loaded from anywhere.

use std::fmt::Write as _;

use hereabout_core::geometry::polygon::corner_mean_m;
use hereabout_core::geometry::vector::length;
use hereabout_core::{Site, ZoneShape};
use hereabout_draw::arrow::arrow_path;
use hereabout_draw::frame::{PlanFrame, Sheet};
use hereabout_draw::scale::one_two_five;
use hereabout_draw::text::label;
use hereabout_draw::xml::escaped;
use hereabout_solve::verify::site_check::{Cell, DopSpread, HdopGrid};

/// Width of the drawing, in its own units.
const WIDTH: f64 = 640.0;
/// Room around the plan: for numbers on the left and below.
const LEFT: f64 = 46.0;
const RIGHT: f64 = 14.0;
const TOP: f64 = 34.0;
/// Tallest plan; a long narrow yard is drawn smaller.
const TALLEST: f64 = 620.0;
/// Line height of text.
const LINE: f64 = 18.0;

/// Upper ends of the HDOP steps and their colours; above the last one the last colour goes on.
const STEPS: [(f64, &str); 7] = [
    (0.8, "#f1f7e4"),
    (1.0, "#d5eacb"),
    (1.25, "#a9d5bd"),
    (1.5, "#78b8b6"),
    (2.0, "#4f93ab"),
    (3.0, "#3d6795"),
    (f64::INFINITY, "#33386b"),
];
const NO_POSITION: &str = "#8a8a8a";

/// An error at a known place.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct ErrorArrow {
    /// What people call the place.
    pub(crate) name: String,
    /// East and north, metres.
    pub(crate) at_m: [f64; 2],
    /// Mean published position minus the place, east and north, metres; `None` without a position.
    pub(crate) error_m: Option<[f64; 2]>,
}

/// A picture that is being put together.
#[derive(Clone, Debug)]
pub(crate) struct SitePicture<'a> {
    site: &'a Site,
    title: String,
    hdop: Option<(&'a HdopGrid, Option<DopSpread>)>,
    arrows: Vec<ErrorArrow>,
}

impl<'a> SitePicture<'a> {
    /// The site itself.
    pub(crate) fn new(site: &'a Site, title: &str) -> SitePicture<'a> {
        SitePicture { site, title: title.to_owned(), hdop: None, arrows: Vec::new() }
    }

    /// With HDOP behind it.
    #[must_use]
    pub(crate) fn with_hdop(mut self, grid: &'a HdopGrid, spread: Option<DopSpread>) -> SitePicture<'a> {
        self.hdop = Some((grid, spread));
        self
    }

    /// With errors at checkpoints.
    #[must_use]
    pub(crate) fn with_arrows(mut self, arrows: Vec<ErrorArrow>) -> SitePicture<'a> {
        self.arrows = arrows;
        self
    }

    /// How many times longer than the plan's scale the arrows are drawn, so that they can be seen.
    pub(crate) fn exaggeration(&self) -> f64 {
        let lengths = self.arrows.iter().filter_map(|a| a.error_m.map(length));
        let longest = lengths.fold(0.0, f64::max);
        let frame = frame_around(self);
        let wanted = 0.12 * frame.size[0].max(frame.size[1]) / longest.max(1e-4);
        let steps = [1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0];
        steps.into_iter().rev().find(|s| *s <= wanted).unwrap_or(1.0)
    }

    /// The picture as a whole SVG document, without an XML declaration, so that it can stand in a page as well.
    pub(crate) fn to_svg(&self) -> String {
        let frame = frame_around(self);
        let mut body = String::new();
        self.draw_hdop(&frame, &mut body);
        self.draw_site(&frame, &mut body);
        frame.scale("fill=\"#555\"", "stroke=\"#bbb\"", &mut body);
        self.draw_anchors(&frame, &mut body);
        self.draw_arrows(&frame, &mut body);
        let height = self.draw_key(&frame, &mut body);
        let title = escaped(&self.title);
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH:.0} {height:.0}\" role=\"img\" \
             aria-label=\"{title}\" font-family=\"sans-serif\" font-size=\"12\" fill=\"#222\">\n\
             <defs><pattern id=\"none\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\" \
             patternTransform=\"rotate(45)\"><rect width=\"6\" height=\"6\" fill=\"#ddd\"/>\
             <rect width=\"2\" height=\"6\" fill=\"{NO_POSITION}\"/></pattern></defs>\n\
             <rect width=\"{WIDTH:.0}\" height=\"{height:.0}\" fill=\"#fff\"/>\n\
             <text x=\"{LEFT}\" y=\"20\" font-size=\"15\" font-weight=\"bold\">{title}</text>\n{body}</svg>\n"
        )
    }

    fn draw_hdop(&self, frame: &PlanFrame, out: &mut String) {
        let Some((grid, spread)) = self.hdop else { return };
        for row in 0..grid.rows {
            let mut from = 0;
            while from < grid.columns {
                let fill = |c: usize| grid.cells.get(row * grid.columns + c).and_then(|c| fill_of(*c));
                let same = (from..grid.columns).take_while(|c| fill(*c) == fill(from)).count();
                if let Some(fill) = fill(from) {
                    let west = grid.corner_m[0] + from as f64 * grid.cell_m;
                    let north = grid.corner_m[1] + (row + 1) as f64 * grid.cell_m;
                    let [x, y] = frame.at([west, north]);
                    let (w, h) = (same as f64 * grid.cell_m * frame.px, grid.cell_m * frame.px);
                    let _ = writeln!(
                        out,
                        "<rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{:.1}\" height=\"{:.1}\" fill=\"{fill}\"/>",
                        w + 0.3,
                        h + 0.3
                    );
                }
                from += same.max(1);
            }
        }
        if let Some(s) = spread {
            let [x, y] = frame.at([s.worst_at_m[0], s.worst_at_m[1]]);
            let _ = writeln!(
                out,
                "<path d=\"M{:.1} {:.1}l10 10m0 -10l-10 10\" stroke=\"#b3261e\" stroke-width=\"2.5\" fill=\"none\"/>",
                x - 5.0,
                y - 5.0
            );
        }
    }

    fn draw_site(&self, frame: &PlanFrame, out: &mut String) {
        let area = &self.site.fence().area_m;
        if area.len() >= 3 {
            let _ = writeln!(
                out,
                "<polygon points=\"{}\" fill=\"none\" stroke=\"#222\" stroke-width=\"1.5\"/>",
                frame.points(area)
            );
        }
        for zone in self.site.zones() {
            let middle = match &zone.shape {
                ZoneShape::Polygon { outline_m: corners, .. } => {
                    let points = frame.points(corners);
                    let _ = writeln!(
                        out,
                        "<polygon points=\"{points}\" fill=\"#fff\" fill-opacity=\"0.35\" stroke=\"#7a5a00\" \
                         stroke-dasharray=\"5 3\"/>"
                    );
                    corner_mean_m(corners)
                }
                ZoneShape::Circle { at_m, radius_m } => {
                    let [x, y] = frame.at(*at_m);
                    let r = radius_m * frame.px;
                    let _ = writeln!(
                        out,
                        "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{r:.1}\" fill=\"none\" stroke=\"#7a5a00\" \
                         stroke-dasharray=\"5 3\"/>"
                    );
                    *at_m
                }
                ZoneShape::Near { anchor, enter_m, .. } => {
                    let Some(i) = self.site.anchor_index(*anchor) else { continue };
                    let at = self.site.anchors()[i].at_m;
                    let [x, y] = frame.at([at[0], at[1]]);
                    let r = enter_m * frame.px;
                    let _ = writeln!(
                        out,
                        "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{r:.1}\" fill=\"none\" stroke=\"#7a5a00\" \
                         stroke-dasharray=\"5 3\"/>"
                    );
                    continue;
                }
            };
            let [x, y] = frame.at(middle);
            out.push_str(&label(x, y + 4.0, "middle", "#7a5a00", &zone.name));
        }
    }

    fn draw_anchors(&self, frame: &PlanFrame, out: &mut String) {
        for a in self.site.anchors() {
            let [x, y] = frame.at([a.at_m[0], a.at_m[1]]);
            let _ = writeln!(
                out,
                "<path d=\"M{:.1} {:.1}l7 12h-14z\" fill=\"#111\" stroke=\"#fff\"/>",
                x,
                y - 7.0
            );
            // Beside the board, on the side where there is room; under it at the northern edge.
            let east = x > LEFT + 0.75 * frame.size[0] * frame.px;
            let (dx, side) = if east { (-10.0, "end") } else { (10.0, "start") };
            let down = if y < TOP + 14.0 { 14.0 } else { 0.0 };
            out.push_str(&label(x + dx, y + down, side, "#111", &format!("{} {}", a.id, a.name)));
        }
    }

    fn draw_arrows(&self, frame: &PlanFrame, out: &mut String) {
        let times = self.exaggeration();
        for arrow in &self.arrows {
            let [x, y] = frame.at(arrow.at_m);
            let _ = writeln!(
                out,
                "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"3.5\" fill=\"#fff\" stroke=\"#b3261e\" stroke-width=\"1.5\"/>"
            );
            if let Some(e) = arrow.error_m {
                let [dx, dy] = [e[0] * times * frame.px, -e[1] * times * frame.px];
                out.push_str(&arrow_path(x, y, dx, dy));
            }
            out.push_str(&label(x + 6.0, y + 15.0, "start", "#8c1d18", &arrow.name));
        }
    }

    /// What colours, marks and arrows mean, with the scale bar; gives the height of the whole picture.
    fn draw_key(&self, frame: &PlanFrame, out: &mut String) -> f64 {
        let mut y = frame.bottom() + 2.0 * LINE + 4.0;
        let bar = one_two_five(frame.size[0] / 4.0);
        let w = bar * frame.px;
        let _ = writeln!(
            out,
            "<path d=\"M{LEFT} {y0:.1}v6h{w:.1}v-6\" fill=\"none\" stroke=\"#222\" stroke-width=\"1.5\"/>\
             <text x=\"{tx:.1}\" y=\"{y1:.1}\">{bar} m; east is right, north is up</text>",
            y0 = y - 8.0,
            tx = LEFT + w + 8.0,
            y1 = y
        );
        y += LINE;
        let _ = writeln!(
            out,
            "<path d=\"M{x:.1} {y0:.1}l7 12h-14z\" fill=\"#111\"/><text x=\"{tx}\" y=\"{y:.1}\">anchor</text>",
            x = LEFT + 7.0,
            y0 = y - 11.0,
            tx = LEFT + 22.0
        );
        y += LINE;
        if let Some((grid, spread)) = self.hdop {
            y = hdop_key(grid, spread, y, out);
        }
        if !self.arrows.is_empty() {
            let times = self.exaggeration();
            out.push_str(&arrow_path(LEFT, y - 4.0, 34.0, 0.0));
            let _ = writeln!(
                out,
                "<text x=\"{:.1}\" y=\"{y:.1}\">mean error at a checkpoint, drawn {times:.0} times as long: this one is {:.3} m</text>",
                LEFT + 42.0,
                34.0 / frame.px / times
            );
            y += LINE;
        }
        y
    }
}

fn hdop_key(grid: &HdopGrid, spread: Option<DopSpread>, mut y: f64, out: &mut String) -> f64 {
    let each = 62.0;
    let mut from = 0.0;
    for (k, (to, fill)) in STEPS.iter().enumerate() {
        let x = LEFT + k as f64 * each;
        let text = if to.is_finite() { format!("{from}–{to}") } else { format!("> {from}") };
        let _ = writeln!(
            out,
            "<rect x=\"{x:.1}\" y=\"{:.1}\" width=\"{each}\" height=\"12\" fill=\"{fill}\" stroke=\"#888\" stroke-width=\"0.5\"/>\
             <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\" font-size=\"11\">{text}</text>",
            y - 10.0,
            x + each / 2.0,
            y + 14.0
        );
        from = *to;
    }
    let x = LEFT + STEPS.len() as f64 * each + 8.0;
    let _ = writeln!(
        out,
        "<rect x=\"{x:.1}\" y=\"{:.1}\" width=\"30\" height=\"12\" fill=\"url(#none)\"/>\
         <text x=\"{x:.1}\" y=\"{:.1}\" font-size=\"11\">no position</text>",
        y - 10.0,
        y + 14.0
    );
    y += 2.0 * LINE;
    let _ = writeln!(
        out,
        "<text x=\"{LEFT}\" y=\"{y:.1}\">HDOP: metres of position error per metre of range error, tag at {:.2} m</text>",
        grid.up_m
    );
    y += LINE;
    if let Some(s) = spread {
        let _ = writeln!(
            out,
            "<text x=\"{LEFT}\" y=\"{y:.1}\">best {:.2}, median {:.2}, worst {:.2} at the red cross</text>",
            s.min_hdop, s.median_hdop, s.worst_hdop
        );
        y += LINE;
    }
    y
}

const SHEET: Sheet = Sheet { width: WIDTH, left: LEFT, right: RIGHT, top: TOP, tallest: TALLEST };

fn frame_around(picture: &SitePicture<'_>) -> PlanFrame {
    let site = picture.site;
    let mut points: Vec<[f64; 2]> = site.anchors().iter().map(|a| [a.at_m[0], a.at_m[1]]).collect();
    points.extend(&site.fence().area_m);
    points.extend(picture.arrows.iter().map(|a| a.at_m));
    PlanFrame::of(&points, SHEET)
}

fn fill_of(cell: Cell) -> Option<&'static str> {
    match cell {
        Cell::Outside => None,
        Cell::Undetermined => Some("url(#none)"),
        Cell::Hdop(h) => Some(STEPS.iter().find(|(to, _)| h <= *to).map_or(NO_POSITION, |(_, fill)| fill)),
    }
}

#[cfg(test)]
mod tests;
