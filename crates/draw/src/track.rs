//! One picture of a run, for people to judge by: a reference, tracks with their ellipses, and fixed marks on a plan, as an
//! SVG document in a string.
//!
//! *Model.* The plan is seen from above: east to the right, north up. Lengths come in as metres and
//! leave as SVG user units (one unit is one pixel at natural size); a single scale, pixels per metre,
//! turns one into the other. Numbers leave with a tenth of a unit, which is some millimetres to
//! centimetres on the ground.
//!
//! *What is drawn.* The outline of an area, marks with their labels, the reference where it is known, each
//! track: a full line where it is measured, dashed where it is predicted, a gap where the pen is lifted
//! and at a restart (nothing ever was on the line between). As many ellipses as can still be told from their neighbours. Colours are from the palette of Okabe and Ito ("Color
//! Universal Design", 2008, from memory), which people with any colour vision can tell apart, and each line also has
//! its own dash and width. Light and dark follow the viewer's `prefers-color-scheme`.
//!
//! *Bounds.* A trail keeps at most [`MAX_DOTS`] dots: a longer one is thinned by halves. What lies far
//! outside of area, marks and reference does not shrink the rest to a speck: it is cut off and counted.

use std::collections::BTreeMap;

use crate::scale::one_two_five;
use crate::xml::escaped;

/// A trail keeps at most this many dots.
pub const MAX_DOTS: usize = 16_384;
/// Places beyond this are no places on a plan, metres from its origin.
const MAX_COORDINATE_M: f64 = 1e6;
/// Longer side of the plan, user units.
const LONG_SIDE: f64 = 960.0;
/// Shorter side of the plan at least, so that scale bar and legend have room, user units.
const SHORT_SIDE: f64 = 420.0;
/// Between the plan and the edge of the picture, user units.
const MARGIN: f64 = 36.0;
/// The track may widen the plan by this part of its longer side, each way.
const GROW: f64 = 0.15;
/// Centres of ellipses are apart by this part of the plan's diagonal.
const ELLIPSES_APART: f64 = 1.0 / 18.0;
/// One entry of the legend, user units wide.
const LEGEND_SLOT: f64 = 158.0;
/// A row of the legend, user units high.
const LEGEND_ROW: f64 = 24.0;

const STYLE: &str = "\
svg{font:13px system-ui,sans-serif;background:#fff}
.paper{fill:#fff}.area{fill:none;stroke:#888;stroke-dasharray:2 5}
.truth{fill:none;stroke:#333;stroke-width:4;stroke-opacity:.35;stroke-linecap:round;stroke-linejoin:round}
.track{fill:none;stroke:#0072b2;stroke-width:1.6;stroke-linecap:round;stroke-linejoin:round}
.coasting{fill:none;stroke:#d55e00;stroke-width:1.8;stroke-dasharray:6 4;stroke-linejoin:round}
.ellipse{fill:#0072b2;fill-opacity:.08;stroke:#0072b2;stroke-opacity:.7;stroke-width:.8}
.restart{fill:none;stroke:#d55e00;stroke-width:1.6}
.anchor{fill:#000}.bar{fill:none;stroke:#000;stroke-width:1.6}text{fill:#000}
@media (prefers-color-scheme:dark){
svg{background:#16191d}.paper{fill:#16191d}.area{stroke:#888}.truth{stroke:#ddd}
.track{stroke:#56b4e9}.coasting,.restart{stroke:#e69f00}.ellipse{fill:#56b4e9;stroke:#56b4e9}
.anchor,text{fill:#eee}.bar{stroke:#eee}}
";

/// What the legend calls each kind of thing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Legend {
    /// The fixed marks.
    pub mark: &'static str,
    /// The outline.
    pub area: &'static str,
    /// The reference lines.
    pub reference: &'static str,
    /// Where a track is measured.
    pub measured: &'static str,
    /// Where a track is predicted.
    pub predicted: &'static str,
    /// The ellipses.
    pub ellipse: &'static str,
    /// Where a track began anew.
    pub restart: &'static str,
    /// What stands before the number of a track at its end.
    pub series: &'static str,
}

/// An ellipse around a place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ellipse {
    /// Larger semi-axis, metres.
    pub semi_major_m: f64,
    /// Smaller semi-axis, metres.
    pub semi_minor_m: f64,
    /// Direction of the larger axis, radians from east towards north.
    pub direction_rad: f64,
}

/// One place of a track.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrackPoint {
    /// East, north, metres.
    pub at_m: [f64; 2],
    /// How far the truth may be away; `None` draws no ellipse.
    pub ellipse: Option<Ellipse>,
    /// It is predicted, not measured.
    pub predicted: bool,
    /// The track began anew with it.
    pub restarted: bool,
}

/// A place of a trail.
#[derive(Clone, Copy, Debug)]
struct Dot {
    point: TrackPoint,
    /// The pen was lifted before it.
    first: bool,
}

/// Dots in order of time, thinned by halves when there are too many.
#[derive(Clone, Debug)]
struct Trail {
    dots: Vec<Dot>,
    /// One dot in so many is kept.
    stride: usize,
    seen: usize,
    pen_up: bool,
    restarted: bool,
}

impl Default for Trail {
    fn default() -> Trail {
        Trail { dots: Vec::new(), stride: 1, seen: 0, pen_up: true, restarted: false }
    }
}

impl Trail {
    fn lift(&mut self) {
        self.pen_up = true;
    }

    fn go_on(&mut self, point: Option<TrackPoint>) {
        match point.filter(|p| is_on_plan(p.at_m)) {
            Some(point) => self.push(point),
            None => self.lift(),
        }
    }

    fn push(&mut self, point: TrackPoint) {
        if point.restarted {
            self.pen_up = true;
            self.restarted = true;
        }
        self.seen += 1;
        if !(self.seen - 1).is_multiple_of(self.stride) {
            return;
        }
        if self.dots.len() >= MAX_DOTS {
            self.thin();
        }
        let point = TrackPoint { restarted: self.restarted, ..point };
        self.dots.push(Dot { point, first: self.pen_up });
        self.pen_up = false;
        self.restarted = false;
    }

    /// Drops every second dot; what the dropped one said about the pen goes to the next.
    fn thin(&mut self) {
        let mut kept = Vec::with_capacity(MAX_DOTS);
        for pair in self.dots.chunks(2) {
            let mut dot = pair[pair.len() - 1];
            dot.first |= pair[0].first;
            dot.point.restarted |= pair[0].point.restarted;
            kept.push(dot);
        }
        self.dots = kept;
        self.stride *= 2;
    }
}

/// Gathers a run and draws it.
#[derive(Clone, Debug)]
pub struct TrackPicture {
    title: String,
    legend: Legend,
    marks: Vec<(String, [f64; 2])>,
    area_m: Vec<[f64; 2]>,
    references: BTreeMap<u32, Trail>,
    tracks: BTreeMap<u32, Trail>,
}

impl TrackPicture {
    /// A picture of labelled marks at these places (east, north, metres) in an area (east, north, metres; empty for none).
    pub fn new(
        title: &str,
        legend: Legend,
        marks: impl IntoIterator<Item = (String, [f64; 2])>,
        area_m: &[[f64; 2]],
    ) -> TrackPicture {
        TrackPicture {
            title: title.to_owned(),
            legend,
            marks: marks.into_iter().filter(|(_, at_m)| is_on_plan(*at_m)).collect(),
            area_m: area_m.iter().copied().filter(|at_m| is_on_plan(*at_m)).collect(),
            references: BTreeMap::new(),
            tracks: BTreeMap::new(),
        }
    }

    /// Goes on with the reference of a series to a place (east, north, metres); `None` lifts the pen.
    pub fn reference(&mut self, series: u32, at_m: Option<[f64; 2]>) {
        let point = |at_m| TrackPoint { at_m, ellipse: None, predicted: false, restarted: false };
        let trail = self.references.entry(series).or_default();
        trail.go_on(at_m.map(point));
    }

    /// Goes on with the track of a series; `None` lifts the pen.
    pub fn track(&mut self, series: u32, point: Option<TrackPoint>) {
        self.tracks.entry(series).or_default().go_on(point);
    }

    /// The document.
    pub fn to_svg(&self) -> String {
        let plan = PlanScale::of(self);
        let rows = legend(self, &plan);
        let per_row = ((plan.size[0] + MARGIN) / LEGEND_SLOT).floor().max(1.0) as usize;
        let foot = plan.size[1] + MARGIN;
        let below = rows.len().div_ceil(per_row) as f64 * LEGEND_ROW + 42.0;
        let (w, h) = (plan.size[0] + 2.0 * MARGIN, plan.size[1] + 2.0 * MARGIN + below);
        let title = escaped(&self.title);
        let mut out = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w:.0}\" height=\"{h:.0}\" viewBox=\"{:.0} {:.0} {w:.0} {h:.0}\" role=\"img\">\n\
             <title>{title}</title>\n<desc>Seen from above, north up; 1 m is {:.4} units.</desc>\n<style>\n{STYLE}</style>\n\
             <rect class=\"paper\" x=\"{:.0}\" y=\"{:.0}\" width=\"{w:.0}\" height=\"{h:.0}\"/>\n",
            -MARGIN, -MARGIN, plan.scale, -MARGIN, -MARGIN
        );
        out += &format!(
            "<clipPath id=\"plan\"><rect x=\"{0:.0}\" y=\"{0:.0}\" width=\"{1:.1}\" height=\"{2:.1}\"/></clipPath>\n<g clip-path=\"url(#plan)\">\n",
            -MARGIN / 2.0,
            plan.size[0] + MARGIN,
            plan.size[1] + MARGIN
        );
        self.draw_area(&plan, &mut out);
        self.draw_trails(&plan, &mut out);
        self.draw_marks(&plan, &mut out);
        out += "</g>\n";
        draw_scale_bar(&plan, foot, &mut out);
        out += &format!(
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{title}, north up</text>\n",
            plan.size[0],
            foot + 4.0
        );
        for (i, (symbol, words)) in rows.iter().enumerate() {
            let (x, y) =
                ((i % per_row) as f64 * LEGEND_SLOT, foot + 38.0 + (i / per_row) as f64 * LEGEND_ROW);
            out += &format!(
                "<g transform=\"translate({x:.0} {y:.1})\">{symbol}<text x=\"36\" y=\"4\">{words}</text></g>\n"
            );
        }
        out + "</svg>\n"
    }

    fn draw_area(&self, plan: &PlanScale, out: &mut String) {
        if self.area_m.is_empty() {
            return;
        }
        let corners: Vec<String> = self.area_m.iter().map(|p| plan.point(*p)).collect();
        *out += &format!("<polygon class=\"area\" points=\"{}\"/>\n", corners.join(" "));
    }

    fn draw_trails(&self, plan: &PlanScale, out: &mut String) {
        for trail in self.references.values() {
            draw_lines(&trail.dots, plan, "truth", out);
        }
        for trail in self.tracks.values() {
            draw_ellipses(&trail.dots, plan, out);
        }
        for (series, trail) in &self.tracks {
            draw_lines(&trail.dots, plan, "track", out);
            for dot in trail.dots.iter().filter(|d| d.point.restarted) {
                let [x, y] = plan.unit(dot.point.at_m);
                *out += &format!("<circle class=\"restart\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"4\"/>\n");
            }
            if let Some(last) = trail.dots.last() {
                let [x, y] = plan.unit(last.point.at_m);
                *out += &format!(
                    "<text x=\"{:.1}\" y=\"{:.1}\">{} {series}</text>\n",
                    x + 8.0,
                    y + 14.0,
                    self.legend.series
                );
            }
        }
    }

    fn draw_marks(&self, plan: &PlanScale, out: &mut String) {
        for (label, at_m) in &self.marks {
            let [x, y] = plan.unit(*at_m);
            // The label stays inside: it stands towards the middle of the plan.
            let (dx, side) = if x > 0.5 * plan.size[0] { (-9.0, "end") } else { (9.0, "start") };
            let dy = if y > 0.5 * plan.size[1] { -5.0 } else { 14.0 };
            *out += &format!(
                "<path class=\"anchor\" d=\"M{x:.1} {:.1}l6 11h-12z\"/><text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"{side}\">{}</text>\n",
                y - 7.0,
                x + dx,
                y + dy,
                escaped(label)
            );
        }
    }

    /// Everything that the plan must show, metres.
    fn fixed_m(&self) -> impl Iterator<Item = [f64; 2]> {
        let marks = self.marks.iter().map(|mark| mark.1);
        let references = self.references.values().flat_map(|t| t.dots.iter().map(|d| d.point.at_m));
        marks.chain(self.area_m.iter().copied()).chain(references)
    }

    fn tracked_m(&self) -> impl Iterator<Item = [f64; 2]> {
        self.tracks.values().flat_map(|t| t.dots.iter().map(|d| d.point.at_m))
    }
}

/// Whether a place (east, north, metres) is one.
fn is_on_plan(at_m: [f64; 2]) -> bool {
    at_m.iter().all(|v| v.abs() <= MAX_COORDINATE_M)
}

/// From metres to user units.
#[derive(Clone, Copy, Debug)]
struct PlanScale {
    /// West and north edge, metres.
    corner_m: [f64; 2],
    /// User units per metre.
    scale: f64,
    /// Width and height, user units.
    size: [f64; 2],
}

impl PlanScale {
    fn of(picture: &TrackPicture) -> PlanScale {
        let (mut low, mut high) =
            bounds(picture.fixed_m()).or_else(|| bounds(picture.tracked_m())).unwrap_or_default();
        let grow = GROW * (high[0] - low[0]).max(high[1] - low[1]);
        for at in picture.tracked_m() {
            for i in 0..2 {
                // What lies beyond the widening does not ask for it: one wild fix is cut off.
                if at[i] >= low[i] - grow && at[i] <= high[i] + grow {
                    low[i] = low[i].min(at[i]);
                    high[i] = high[i].max(at[i]);
                }
            }
        }
        let mut span = [0, 1].map(|i| (high[i] - low[i]).max(1e-3));
        let scale = LONG_SIDE / span[0].max(span[1]);
        for i in 0..2 {
            let least = SHORT_SIDE / scale;
            if span[i] < least {
                low[i] -= 0.5 * (least - span[i]);
                high[i] += 0.5 * (least - span[i]);
                span[i] = least;
            }
        }
        PlanScale { corner_m: [low[0], high[1]], scale, size: span.map(|s| s * scale) }
    }

    fn unit(&self, at_m: [f64; 2]) -> [f64; 2] {
        [(at_m[0] - self.corner_m[0]) * self.scale, (self.corner_m[1] - at_m[1]) * self.scale]
    }

    fn point(&self, at_m: [f64; 2]) -> String {
        let [x, y] = self.unit(at_m);
        format!("{x:.1} {y:.1}")
    }

    fn holds(&self, at_m: [f64; 2]) -> bool {
        let at = self.unit(at_m);
        (0..2).all(|i| at[i] >= -0.5 * MARGIN && at[i] <= self.size[i] + 0.5 * MARGIN)
    }
}

fn bounds(places_m: impl Iterator<Item = [f64; 2]>) -> Option<([f64; 2], [f64; 2])> {
    places_m.fold(None, |b, p| {
        let (low, high) = b.unwrap_or((p, p));
        Some(([low[0].min(p[0]), low[1].min(p[1])], [high[0].max(p[0]), high[1].max(p[1])]))
    })
}

/// A line for each stretch of one kind. A segment is of the kind of its end.
fn draw_lines(dots: &[Dot], plan: &PlanScale, class: &str, out: &mut String) {
    let mut from = 0;
    while from < dots.len() {
        let kind = dots[from].point.predicted;
        let more = dots[from + 1..].iter().take_while(|d| !d.first && d.point.predicted == kind).count();
        let to = from + more + 1;
        // A stretch that goes on from another begins where that ended.
        let start = if dots[from].first || from == 0 { from } else { from - 1 };
        let class = if kind { "coasting" } else { class };
        let points: Vec<String> = dots[start..to].iter().map(|d| plan.point(d.point.at_m)).collect();
        // A single dot needs a line of no length to be seen.
        let tail = if points.len() == 1 { "h0" } else { "" };
        *out += &format!("<path class=\"{class}\" d=\"M{}{tail}\"/>\n", points.join("L"));
        from = to;
    }
}

fn draw_ellipses(dots: &[Dot], plan: &PlanScale, out: &mut String) {
    let diagonal = (plan.size[0] * plan.size[0] + plan.size[1] * plan.size[1]).sqrt();
    let apart = diagonal * ELLIPSES_APART;
    let mut drawn: Vec<[f64; 2]> = Vec::new();
    for dot in dots.iter().filter(|d| plan.holds(d.point.at_m)) {
        let [x, y] = plan.unit(dot.point.at_m);
        let near = |p: &[f64; 2]| (p[0] - x) * (p[0] - x) + (p[1] - y) * (p[1] - y) < apart * apart;
        if drawn.iter().any(near) {
            continue;
        }
        let Some(e) = dot.point.ellipse.filter(|e| e.semi_major_m > 0.0) else { continue };
        let [rx, ry] = [e.semi_major_m, e.semi_minor_m].map(|a| a * plan.scale);
        if rx < diagonal {
            drawn.push([x, y]);
            *out += &format!(
                "<ellipse class=\"ellipse\" rx=\"{rx:.1}\" ry=\"{ry:.1}\" transform=\"translate({x:.1} {y:.1}) rotate({:.1})\"/>\n",
                -e.direction_rad.to_degrees()
            );
        }
    }
}

/// A bar of 1, 2 or 5 times a power of ten metres, at most a quarter of the plan wide.
fn draw_scale_bar(plan: &PlanScale, y: f64, out: &mut String) {
    let most_m = 0.25 * plan.size[0] / plan.scale;
    let length_m = one_two_five(most_m);
    let x = length_m * plan.scale;
    *out += &format!("<path class=\"bar\" d=\"M0 {:.1}v8m0 -4h{x:.1}m0 -4v8\"/>", y - 4.0);
    *out += &format!("<text x=\"{:.1}\" y=\"{:.1}\">{length_m} m</text>\n", x + 8.0, y + 4.0);
}

/// Symbol and words of each entry.
fn legend(picture: &TrackPicture, plan: &PlanScale) -> Vec<(String, String)> {
    let line = |class: &str| format!("<path class=\"{class}\" d=\"M0 0h28\"/>");
    let mut rows = Vec::new();
    let mut row = |symbol: String, words: &str| rows.push((symbol, words.to_owned()));
    row("<path class=\"anchor\" d=\"M14 -7l6 11h-12z\"/>".to_owned(), picture.legend.mark);
    if !picture.area_m.is_empty() {
        row(line("area"), picture.legend.area);
    }
    if !picture.references.is_empty() {
        row(line("truth"), picture.legend.reference);
    }
    row(line("track"), picture.legend.measured);
    row(line("coasting"), picture.legend.predicted);
    row("<ellipse class=\"ellipse\" cx=\"14\" rx=\"12\" ry=\"6\"/>".to_owned(), picture.legend.ellipse);
    if picture.tracks.values().any(|t| t.dots.iter().any(|d| d.point.restarted)) {
        row("<circle class=\"restart\" cx=\"14\" r=\"4\"/>".to_owned(), picture.legend.restart);
    }
    let outside = picture.tracked_m().filter(|p| !plan.holds(*p)).count();
    if outside > 0 {
        row(String::new(), &format!("{outside} outside"));
    }
    rows
}

#[cfg(test)]
mod tests;
