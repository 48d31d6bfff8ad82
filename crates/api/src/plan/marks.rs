//! The marks of a plan: their shapes, their colours in light and dark, and the legend that names them.

use std::fmt::Write as _;

use hereabout_core::geometry::polygon::corner_mean_m;
use hereabout_core::{Dimension, Place, Zone, ZoneShape};
use hereabout_draw::frame::PlanFrame;
use hereabout_solve::{ellipse, ellipse_factor};

use super::looks::{AnchorLook, TagLook, TagNow, Theme};
use crate::{state::history::known_place, state::site_info::SiteInfo, v1::ZoneStateName};

/// Largest size that is drawn, units of the drawing; what is larger covers the plan anyway.
const MAX_SIZE: f64 = 5_000.0;

struct Colours {
    paper: &'static str,
    ink: &'static str,
    soft: &'static str,
    border: &'static str,
    warn: &'static str,
    tag: &'static str,
    zone: &'static str,
    inside: &'static str,
}

/// Text on paper has a contrast of at least 4.5 to 1 (WCAG 2.2, 1.4.3); a test computes it.
const LIGHT: Colours = Colours {
    paper: "#ffffff",
    ink: "#1c2126",
    soft: "#565e66",
    border: "#b9c0c7",
    warn: "#a3231b",
    tag: "#1650b8",
    zone: "#6b5200",
    inside: "#f3dc94",
};
const DARK: Colours = Colours {
    paper: "#14181c",
    ink: "#e6e9ec",
    soft: "#a5adb5",
    border: "#4a525a",
    warn: "#ff9f94",
    tag: "#86b4ff",
    zone: "#dcbb55",
    inside: "#57471a",
};

/// The style of a picture.
pub(crate) fn style(theme: Theme) -> String {
    match theme {
        Theme::Light => rules(&LIGHT),
        Theme::Dark => rules(&DARK),
        Theme::Auto => {
            format!("{}@media (prefers-color-scheme: dark){{{}}}", rules(&LIGHT), rules(&DARK))
        }
    }
}

fn rules(c: &Colours) -> String {
    let Colours { paper, ink, soft, border, warn, tag, zone, inside } = c;
    format!(
        ".paper{{fill:{paper}}}.text,.ink{{fill:{ink}}}.soft{{fill:{soft}}}.warn{{fill:{warn}}}\
         .rim{{stroke:{paper}}}.border{{stroke:{border}}}.area{{fill:none;stroke:{ink};stroke-width:1.5}}\
         .line{{fill:none;stroke:{ink};stroke-width:1.5}}.hatch{{stroke:{zone};stroke-width:1.2;opacity:.55}}\
         .z{{fill-rule:evenodd;stroke:{zone};fill:none}}.z-inside{{fill:{inside};stroke-width:3.5}}\
         .z-outside{{stroke-width:1.3}}.z-unknown{{fill:url(#unsure);stroke-width:1.8;stroke-dasharray:7 4}}\
         .z-text{{fill:{zone}}}.z-leave{{fill:none;stroke:{zone};stroke-width:1;stroke-dasharray:1 4}}\
         .a-ok{{fill:{ink};stroke:{paper}}}.a-bad{{fill:{paper};stroke:{warn};stroke-width:1.8}}\
         .a-sign{{fill:none;stroke:{warn};stroke-width:1.8}}\
         .t-trail{{fill:none;stroke:{tag};stroke-width:2;opacity:.55;stroke-linejoin:round}}\
         .t-dot{{fill:{tag};stroke:{paper};stroke-width:1.2}}.t-open{{fill:{paper};stroke:{tag};stroke-width:2}}\
         .t-gone{{fill:none;stroke:{warn};stroke-width:2.2}}.t-text{{fill:{tag};font-weight:600}}\
         .t-95{{fill:none;stroke:{tag};stroke-width:1.6}}\
         .t-protect{{fill:none;stroke:{tag};stroke-width:1.2;stroke-dasharray:4 3}}"
    )
}

pub(crate) fn zone_words(state: ZoneStateName) -> &'static str {
    match state {
        ZoneStateName::Inside => "inside",
        ZoneStateName::Outside => "outside",
        ZoneStateName::Unknown => "unknown",
    }
}

/// East and north of the middle of a zone; `None` for one near an anchor that is not there.
pub(crate) fn middle(zone: &Zone, site: &SiteInfo) -> Option<[f64; 2]> {
    match &zone.shape {
        ZoneShape::Polygon { outline_m, .. } => Some(corner_mean_m(outline_m)),
        ZoneShape::Circle { at_m, .. } => Some(*at_m),
        ZoneShape::Near { anchor, .. } => {
            site.anchors.iter().find(|a| a.id == *anchor).map(|a| [a.at_m[0], a.at_m[1]])
        }
    }
}

pub(crate) fn zone(zone: &Zone, state: ZoneStateName, site: &SiteInfo, frame: &PlanFrame, out: &mut String) {
    let class = format!("z z-{}", zone_words(state));
    let Some(at) = middle(zone, site) else { return };
    match &zone.shape {
        ZoneShape::Polygon { outline_m, holes_m } => {
            let ring = |corners: &Vec<[f64; 2]>| format!("M{}z", frame.points(corners));
            let path: String = std::iter::once(outline_m).chain(holes_m).map(ring).collect();
            let _ = writeln!(out, "<path class=\"{class}\" d=\"{path}\"/>");
        }
        ZoneShape::Circle { radius_m, .. } => circle(frame.at(at), radius_m * frame.px, &class, out),
        ZoneShape::Near { enter_m, leave_m, .. } => {
            circle(frame.at(at), enter_m * frame.px, &class, out);
            circle(frame.at(at), leave_m * frame.px, "z-leave", out);
        }
    }
}

fn circle([x, y]: [f64; 2], r: f64, class: &str, out: &mut String) {
    if [x, y, r].iter().all(|v| v.is_finite()) {
        let _ = writeln!(
            out,
            "<circle class=\"{class}\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{:.1}\"/>",
            r.min(MAX_SIZE)
        );
    }
}

pub(crate) fn anchor(x: f64, y: f64, look: AnchorLook, out: &mut String) {
    let top = y - 7.0;
    let (class, dash, sign) = match look {
        AnchorLook::Heard => ("a-ok", "", ""),
        AnchorLook::ToCheck => ("a-bad", "", "m0 4v4m0 1.6v1.4"),
        AnchorLook::Excluded => ("a-bad", "", "m-8 12l16 -10"),
        AnchorLook::Silent => ("a-bad", "", "m-6 1l12 11m0 -11l-12 11"),
        AnchorLook::NeverHeard => ("a-bad", " stroke-dasharray=\"3 2\"", ""),
        AnchorLook::NoData => ("a-bad", " stroke-dasharray=\"3 2\"", "m-3 8h6"),
    };
    let _ = write!(out, "<path class=\"{class}\" d=\"M{x:.1} {top:.1}l7 12h-14z\"{dash}/>");
    if !sign.is_empty() {
        let _ = write!(out, "<path class=\"a-sign\" d=\"M{x:.1} {top:.1}{sign}\"/>");
    }
    out.push('\n');
}

/// The way of a tag in its last minute, up to where it is now.
pub(crate) fn trail(tag: &TagNow<'_>, frame: &PlanFrame, out: &mut String) {
    let mut path = String::new();
    for point in tag.trail {
        let [x, y] = frame.at(point.at_m).map(|v| v.clamp(-MAX_SIZE, MAX_SIZE));
        let _ = write!(path, "{}{x:.1} {y:.1}", if point.starts || path.is_empty() { 'M' } else { 'L' });
    }
    if let Some(place) = known_place(tag.report()).filter(|_| !path.is_empty()) {
        let [x, y] = frame.at(place).map(|v| v.clamp(-MAX_SIZE, MAX_SIZE));
        let _ = write!(path, "L{x:.1} {y:.1}");
    }
    if !path.is_empty() {
        let _ = writeln!(out, "<path class=\"t-trail\" d=\"{path}\"/>");
    }
}

/// 95 % ellipse and protection circle, for reports that still hold.
pub(crate) fn uncertainty(tag: &TagNow<'_>, frame: &PlanFrame, out: &mut String) {
    let report = tag.report();
    match tag.look {
        TagLook::Located | TagLook::Predicted => {
            if let Some(place) = report.place().filter(|_| known_place(report).is_some()) {
                ellipse95(&place, frame, out);
                if let Some(r) = report.protection_radius_m() {
                    let at = frame.at([place.position_m[0], place.position_m[1]]);
                    circle(at, r * frame.px, "t-protect", out);
                }
            }
        }
        TagLook::TwoPlaces => report.candidates().iter().for_each(|place| ellipse95(place, frame, out)),
        // A circle of certainty would be a claim that nobody makes.
        TagLook::InDoubt | TagLook::Lost | TagLook::NoData => {}
    }
}

fn ellipse95(place: &Place, frame: &PlanFrame, out: &mut String) {
    let Some(e) = ellipse(&place.covariance_m2) else { return };
    // The plan is flat whatever the site is.
    let factor = ellipse_factor(Dimension::TwoD { tag_height_m: 0.0 }, 0.95) * frame.px;
    let [x, y] = frame.at([place.position_m[0], place.position_m[1]]);
    let [a, b] = [e.semi_major_m, e.semi_minor_m].map(|m| (m * factor).min(MAX_SIZE));
    if [x, y, a, b].iter().all(|v| v.is_finite()) {
        // Angles grow clockwise on a drawing, whose second axis points down.
        let turn = -e.direction_rad.to_degrees();
        let _ = writeln!(
            out,
            "<ellipse class=\"t-95\" rx=\"{a:.1}\" ry=\"{b:.1}\" transform=\"translate({x:.1} {y:.1}) rotate({turn:.1})\"/>"
        );
    }
}

/// Draws where the tag is, may be or was; gives these places on the drawing, and whether they are off the plan.
pub(crate) fn tag(tag: &TagNow<'_>, frame: &PlanFrame, out: &mut String) -> Vec<([f64; 2], bool)> {
    let (report, look) = (tag.report(), tag.look);
    let places: Vec<[f64; 2]> = match look {
        TagLook::Located | TagLook::Predicted | TagLook::InDoubt => known_place(report).into_iter().collect(),
        TagLook::TwoPlaces => {
            report.candidates().iter().map(|p| [p.position_m[0], p.position_m[1]]).collect()
        }
        TagLook::Lost | TagLook::NoData => tag.trail.back().map(|p| p.at_m).into_iter().collect(),
    };
    let places = places.into_iter().filter(|p| p.iter().all(|v| v.is_finite()));
    places.map(|place| mark(frame.at(place), look, frame, out)).collect()
}

/// A mark, or an arrow at the border that points to where it would be; gives its place, and whether it is an arrow.
fn mark([x, y]: [f64; 2], look: TagLook, frame: &PlanFrame, out: &mut String) -> ([f64; 2], bool) {
    let [left, top, w, h] = frame.rect();
    let (inx, iny) = (x.clamp(left + 8.0, left + w - 8.0), y.clamp(top + 8.0, top + h - 8.0));
    let off = x < left || x > left + w || y < top || y > top + h;
    if off {
        let turn = (y - iny).atan2(x - inx).to_degrees();
        let class = if matches!(look, TagLook::Lost | TagLook::NoData) { "t-gone" } else { "t-open" };
        let _ = writeln!(
            out,
            "<path class=\"{class}\" transform=\"translate({inx:.1} {iny:.1}) rotate({turn:.1})\" d=\"M7 0l-12 -6v12z\"/>"
        );
        return ([inx, iny], true);
    }
    let _ = match look {
        TagLook::Located => writeln!(out, "<circle class=\"t-dot\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"5\"/>"),
        TagLook::Predicted | TagLook::InDoubt => {
            writeln!(
                out,
                "<circle class=\"t-open\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"4.5\" stroke-dasharray=\"3 2\"/>"
            )
        }
        TagLook::TwoPlaces => {
            writeln!(out, "<path class=\"t-open\" d=\"M{x:.1} {:.1}l6 6l-6 6l-6 -6z\"/>", y - 6.0)
        }
        TagLook::Lost | TagLook::NoData => {
            writeln!(out, "<path class=\"t-gone\" d=\"M{:.1} {:.1}l10 10m0 -10l-10 10\"/>", x - 5.0, y - 5.0)
        }
    };
    ([x, y], false)
}

/// What the marks mean, in rows from `y` on between two edges; gives the height of the picture.
pub(crate) fn legend(y: f64, [left, right]: [f64; 2], out: &mut String) -> f64 {
    let mut anchors = |look: AnchorLook| {
        let mut mark = String::new();
        anchor(9.0, 1.0, look, &mut mark);
        (mark, format!("anchor {}", look.words()))
    };
    let mut items: Vec<(String, String)> = [
        AnchorLook::Heard,
        AnchorLook::ToCheck,
        AnchorLook::Excluded,
        AnchorLook::Silent,
        AnchorLook::NeverHeard,
        AnchorLook::NoData,
    ]
    .map(&mut anchors)
    .to_vec();
    for state in [ZoneStateName::Inside, ZoneStateName::Outside, ZoneStateName::Unknown] {
        let name = zone_words(state);
        let mark = format!("<rect class=\"z z-{name}\" x=\"1\" y=\"-6\" width=\"17\" height=\"12\"/>");
        items.push((mark, format!("zone {name}")));
    }
    let fixed = [
        ("<circle class=\"t-dot\" cx=\"9\" cy=\"0\" r=\"5\"/>", "tag"),
        (
            "<circle class=\"t-open\" cx=\"9\" cy=\"0\" r=\"4.5\" stroke-dasharray=\"3 2\"/>",
            "tag predicted, doubted",
        ),
        ("<path class=\"t-open\" d=\"M9 -6l6 6l-6 6l-6 -6z\"/>", "tag here or there"),
        ("<path class=\"t-gone\" d=\"M4 -5l10 10m0 -10l-10 10\"/>", "tag was here"),
        ("<ellipse class=\"t-95\" cx=\"9\" cy=\"0\" rx=\"8\" ry=\"5\"/>", "95 % ellipse"),
        ("<circle class=\"t-protect\" cx=\"9\" cy=\"0\" r=\"6.5\"/>", "protection radius"),
        ("<path class=\"t-trail\" d=\"M1 3L8 -3L17 1\"/>", "last minute's way"),
    ];
    items.extend(fixed.map(|(mark, text)| (mark.to_owned(), text.to_owned())));
    let each = 150.0;
    let columns = ((right - left) / each).floor().max(1.0);
    let _ = writeln!(out, "<path class=\"border\" d=\"M{left} {y:.1}H{right}\"/>");
    for (i, (mark, text)) in items.iter().enumerate() {
        let (column, row) = (i as f64 % columns, (i as f64 / columns).floor());
        let (x, y) = (left + column * each, y + 18.0 + row * 20.0);
        let _ = writeln!(
            out,
            "<g transform=\"translate({x:.1} {y:.1})\">{}<text class=\"soft\" x=\"26\" y=\"4\">{text}</text></g>",
            mark.trim_end()
        );
    }
    y + 18.0 + (items.len() as f64 / columns).ceil() * 20.0
}

#[cfg(test)]
mod tests;
