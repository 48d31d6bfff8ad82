//! One picture of a run, for people to judge by: truth, published track and 95 % ellipses over the
//! site's plan, as an SVG document in a string.
//!
//! *Model.* The plan is seen from above: east to the right, north up. Lengths come in as metres and
//! leave as SVG user units (one unit is one pixel at natural size); a single scale, pixels per metre,
//! turns one into the other. Numbers leave with a tenth of a unit, which is some millimetres to
//! centimetres on the ground.
//!
//! *What is drawn.* The outline of the site's area, anchors with their ids, the truth where it is known,
//! the published track: a full line while located, dashed while coasting, a gap while lost or ambiguous
//! and at a restart (the tag never was on the line between). Ellipses hold the truth with 95 %; so many
//! that each can still be told from its neighbours. Colours are from the palette of Okabe and Ito ("Color
//! Universal Design", 2008, from memory), which people with any colour vision can tell apart, and each line also has
//! its own dash and width. Light and dark follow the viewer's `prefers-color-scheme`.
//!
//! *Bounds.* A trail keeps at most [`MOST_DOTS`] dots: a longer one is thinned by halves. What lies far
//! outside of area, anchors and truth does not shrink the rest to a speck: it is cut off and counted.

use std::collections::BTreeMap;

use hereabout_core::{AnchorId, Dimension, Site, TagId, TagState};
use hereabout_solve::{Ellipse, ellipse, ellipse_factor};

use crate::report::{Place, PositionReport};

/// A trail of a tag keeps at most this many dots.
pub const MOST_DOTS: usize = 16_384;
/// Places beyond this are no places on a site, metres from its origin.
const FARTHEST_M: f64 = 1e6;
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

/// A place of a trail.
#[derive(Clone, Copy, Debug)]
struct Dot {
    /// East, north, metres.
    at_m: [f64; 2],
    /// Variances east and north and their covariance, m².
    cov_m2: [f64; 3],
    coasting: bool,
    /// The pen was lifted before it.
    first: bool,
    restarted: bool,
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

    fn push(&mut self, dot: Dot) {
        if dot.restarted {
            self.pen_up = true;
            self.restarted = true;
        }
        self.seen += 1;
        if !(self.seen - 1).is_multiple_of(self.stride) {
            return;
        }
        if self.dots.len() >= MOST_DOTS {
            self.thin();
        }
        self.dots.push(Dot { first: self.pen_up, restarted: self.restarted, ..dot });
        self.pen_up = false;
        self.restarted = false;
    }

    /// Drops every second dot; what the dropped one said about the pen goes to the next.
    fn thin(&mut self) {
        let mut kept = Vec::with_capacity(MOST_DOTS);
        for pair in self.dots.chunks(2) {
            let mut dot = pair[pair.len() - 1];
            dot.first |= pair[0].first;
            dot.restarted |= pair[0].restarted;
            kept.push(dot);
        }
        self.dots = kept;
        self.stride *= 2;
    }
}

/// Gathers a run and draws it.
#[derive(Clone, Debug)]
pub struct Picture {
    title: String,
    anchors: Vec<(AnchorId, [f64; 2])>,
    area_m: Vec<[f64; 2]>,
    truth: BTreeMap<TagId, Trail>,
    tracks: BTreeMap<TagId, Trail>,
}

impl Picture {
    /// A picture of a site on which nothing has happened yet.
    pub fn of_site(site: &Site) -> Picture {
        let anchors = site.anchors().iter().map(|a| (a.id, a.at_m));
        Picture::new(site.name(), anchors, &site.fence().area_m)
    }

    /// A picture of anchors at these places (east, north, up, metres) in an area (east, north, metres;
    /// empty for none).
    pub fn new(
        title: &str,
        anchors: impl IntoIterator<Item = (AnchorId, [f64; 3])>,
        area_m: &[[f64; 2]],
    ) -> Picture {
        let seen_from_above = |(id, at_m): (AnchorId, [f64; 3])| Some((id, on_plan(at_m)?));
        Picture {
            title: title.to_owned(),
            anchors: anchors.into_iter().filter_map(seen_from_above).collect(),
            area_m: area_m.iter().filter_map(|p| on_plan([p[0], p[1], 0.0])).collect(),
            truth: BTreeMap::new(),
            tracks: BTreeMap::new(),
        }
    }

    /// Goes on to where the tag really was (east, north, up, metres); `None` lifts the pen.
    pub fn truth(&mut self, tag: TagId, at_m: Option<[f64; 3]>) {
        let trail = self.truth.entry(tag).or_default();
        match at_m.and_then(on_plan) {
            Some(at_m) => {
                trail.push(Dot { at_m, cov_m2: [0.0; 3], coasting: false, first: false, restarted: false });
            }
            None => trail.lift(),
        }
    }

    /// Goes on to what was published.
    pub fn report(&mut self, report: &PositionReport) {
        self.track(report.tag, report.state, report.place, report.restarted);
    }

    /// Goes on to a place in a state; without one, and while lost or ambiguous, the pen is lifted.
    pub fn track(&mut self, tag: TagId, state: TagState, place: Option<Place>, restarted: bool) {
        let trail = self.tracks.entry(tag).or_default();
        let shown = place.filter(|_| matches!(state, TagState::Located | TagState::Coasting));
        let Some((place, at_m)) = shown.and_then(|p| Some((p, on_plan(p.position_m)?))) else {
            trail.lift();
            return;
        };
        let c = place.covariance_m2;
        let coasting = state == TagState::Coasting;
        trail.push(Dot { at_m, cov_m2: [c[0][0], c[1][1], c[0][1]], coasting, first: false, restarted });
    }

    /// The document.
    pub fn to_svg(&self) -> String {
        let plan = Plan::of(self);
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
        self.draw_anchors(&plan, &mut out);
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

    fn draw_area(&self, plan: &Plan, out: &mut String) {
        if self.area_m.is_empty() {
            return;
        }
        let corners: Vec<String> = self.area_m.iter().map(|p| plan.point(*p)).collect();
        *out += &format!("<polygon class=\"area\" points=\"{}\"/>\n", corners.join(" "));
    }

    fn draw_trails(&self, plan: &Plan, out: &mut String) {
        for trail in self.truth.values() {
            draw_lines(&trail.dots, plan, "truth", out);
        }
        for trail in self.tracks.values() {
            draw_ellipses(&trail.dots, plan, out);
        }
        for (tag, trail) in &self.tracks {
            draw_lines(&trail.dots, plan, "track", out);
            for dot in trail.dots.iter().filter(|d| d.restarted) {
                let [x, y] = plan.unit(dot.at_m);
                *out += &format!("<circle class=\"restart\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"4\"/>\n");
            }
            if let Some(last) = trail.dots.last() {
                let [x, y] = plan.unit(last.at_m);
                *out += &format!("<text x=\"{:.1}\" y=\"{:.1}\">tag {}</text>\n", x + 8.0, y + 14.0, tag.0);
            }
        }
    }

    fn draw_anchors(&self, plan: &Plan, out: &mut String) {
        for (id, at_m) in &self.anchors {
            let [x, y] = plan.unit(*at_m);
            // The label stays inside: it stands towards the middle of the plan.
            let (dx, side) = if x > 0.5 * plan.size[0] { (-9.0, "end") } else { (9.0, "start") };
            let dy = if y > 0.5 * plan.size[1] { -5.0 } else { 14.0 };
            *out += &format!(
                "<path class=\"anchor\" d=\"M{x:.1} {:.1}l6 11h-12z\"/><text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"{side}\">{}</text>\n",
                y - 7.0,
                x + dx,
                y + dy,
                id.0
            );
        }
    }

    /// Everything that the plan must show, metres.
    fn fixed_m(&self) -> impl Iterator<Item = [f64; 2]> {
        let anchors = self.anchors.iter().map(|a| a.1);
        let truth = self.truth.values().flat_map(|t| t.dots.iter().map(|d| d.at_m));
        anchors.chain(self.area_m.iter().copied()).chain(truth)
    }

    fn tracked_m(&self) -> impl Iterator<Item = [f64; 2]> {
        self.tracks.values().flat_map(|t| t.dots.iter().map(|d| d.at_m))
    }
}

/// East and north of a place, when it is one.
fn on_plan(at_m: [f64; 3]) -> Option<[f64; 2]> {
    (at_m[0].abs() <= FARTHEST_M && at_m[1].abs() <= FARTHEST_M).then_some([at_m[0], at_m[1]])
}

/// From metres to user units.
#[derive(Clone, Copy, Debug)]
struct Plan {
    /// West and north edge, metres.
    corner_m: [f64; 2],
    /// User units per metre.
    scale: f64,
    /// Width and height, user units.
    size: [f64; 2],
}

impl Plan {
    fn of(picture: &Picture) -> Plan {
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
        Plan { corner_m: [low[0], high[1]], scale, size: span.map(|s| s * scale) }
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
fn draw_lines(dots: &[Dot], plan: &Plan, class: &str, out: &mut String) {
    let mut from = 0;
    while from < dots.len() {
        let kind = dots[from].coasting;
        let more = dots[from + 1..].iter().take_while(|d| !d.first && d.coasting == kind).count();
        let to = from + more + 1;
        // A stretch that goes on from another begins where that ended.
        let start = if dots[from].first || from == 0 { from } else { from - 1 };
        let class = if kind { "coasting" } else { class };
        let points: Vec<String> = dots[start..to].iter().map(|d| plan.point(d.at_m)).collect();
        // A single dot needs a line of no length to be seen.
        let tail = if points.len() == 1 { "h0" } else { "" };
        *out += &format!("<path class=\"{class}\" d=\"M{}{tail}\"/>\n", points.join("L"));
        from = to;
    }
}

fn draw_ellipses(dots: &[Dot], plan: &Plan, out: &mut String) {
    let diagonal = (plan.size[0] * plan.size[0] + plan.size[1] * plan.size[1]).sqrt();
    let apart = diagonal * ELLIPSES_APART;
    let mut drawn: Vec<[f64; 2]> = Vec::new();
    for dot in dots.iter().filter(|d| plan.holds(d.at_m)) {
        let [x, y] = plan.unit(dot.at_m);
        let near = |p: &[f64; 2]| (p[0] - x) * (p[0] - x) + (p[1] - y) * (p[1] - y) < apart * apart;
        if drawn.iter().any(near) {
            continue;
        }
        let Some(e) = ellipse95(dot.cov_m2) else { continue };
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

/// The ellipse that holds the truth's east and north with 95 %, metres; `None` without a spread.
fn ellipse95([ee, nn, en]: [f64; 3]) -> Option<Ellipse> {
    let one = ellipse(&[[ee, en, 0.0], [en, nn, 0.0], [0.0; 3]])?;
    // On the plan there are two dimensions, whatever the site has.
    let factor = ellipse_factor(Dimension::TwoD { tag_height_m: 0.0 }, 0.95);
    let grown =
        Ellipse { semi_major_m: factor * one.semi_major_m, semi_minor_m: factor * one.semi_minor_m, ..one };
    (grown.semi_major_m > 0.0).then_some(grown)
}

/// A bar of 1, 2 or 5 times a power of ten metres, at most a quarter of the plan wide.
fn draw_scale_bar(plan: &Plan, y: f64, out: &mut String) {
    let most_m = 0.25 * plan.size[0] / plan.scale;
    let power = 10_f64.powf(most_m.log10().floor());
    let length_m = [5.0, 2.0, 1.0].map(|k| k * power).into_iter().find(|l| *l <= most_m).unwrap_or(power);
    let x = length_m * plan.scale;
    *out += &format!("<path class=\"bar\" d=\"M0 {:.1}v8m0 -4h{x:.1}m0 -4v8\"/>", y - 4.0);
    *out += &format!("<text x=\"{:.1}\" y=\"{:.1}\">{length_m} m</text>\n", x + 8.0, y + 4.0);
}

/// Symbol and words of each entry.
fn legend(picture: &Picture, plan: &Plan) -> Vec<(String, String)> {
    let line = |class: &str| format!("<path class=\"{class}\" d=\"M0 0h28\"/>");
    let mut rows = Vec::new();
    let mut row = |symbol: String, words: &str| rows.push((symbol, words.to_owned()));
    row("<path class=\"anchor\" d=\"M14 -7l6 11h-12z\"/>".to_owned(), "anchor and id");
    if !picture.area_m.is_empty() {
        row(line("area"), "area of the site");
    }
    if !picture.truth.is_empty() {
        row(line("truth"), "truth");
    }
    row(line("track"), "located");
    row(line("coasting"), "coasting");
    row("<ellipse class=\"ellipse\" cx=\"14\" rx=\"12\" ry=\"6\"/>".to_owned(), "95 % ellipse");
    if picture.tracks.values().any(|t| t.dots.iter().any(|d| d.restarted)) {
        row("<circle class=\"restart\" cx=\"14\" r=\"4\"/>".to_owned(), "restart");
    }
    let outside = picture.tracked_m().filter(|p| !plan.holds(*p)).count();
    if outside > 0 {
        row(String::new(), &format!("{outside} outside"));
    }
    rows
}

/// Text as XML has it.
fn escaped(text: &str) -> String {
    text.chars()
        .map(|c| match c {
            '&' => "&amp;".to_owned(),
            '<' => "&lt;".to_owned(),
            '>' => "&gt;".to_owned(),
            '"' => "&quot;".to_owned(),
            c if c.is_control() => " ".to_owned(),
            c => c.to_string(),
        })
        .collect()
}

#[cfg(test)]
#[path = "picture_tests.rs"]
mod tests;
