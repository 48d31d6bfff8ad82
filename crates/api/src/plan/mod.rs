//! `/v1/plan.svg`: the site as it is now, for people.
//!
//! Anchors, zones and tags with their state, each told by its shape and in words, never by its colour alone. What
//! is not known is drawn as not known: a tag without a valid position is a cross where it was last seen, with its
//! age, and no dot. A cross is gone after a minute; the words below the plan stay. East is right and north is up.
//!
//! The picture stands alone: its colours for light and dark are in its own style, nothing is fetched, and what
//! people wrote is escaped. Each rule of its style has plain colours, because not every viewer knows variables.
//! `width` is its size in its own units: letters keep their size when a telephone asks for a narrow one.

mod looks;
mod marks;

use std::{collections::BTreeMap, fmt::Write as _};

use hereabout_core::{Anchor, Micros, TagId, Timestamp};
use hereabout_draw::frame::{PlanFrame, Sheet};
use hereabout_draw::labels::{Labels, columns_in};
use hereabout_draw::scale::one_two_five;
use hereabout_draw::text::fit;
use hereabout_draw::xml::escaped;
use hereabout_words::time::{instant, span};

pub(crate) use looks::Theme;
use looks::{AnchorLook, TagLook, TagNow};

use crate::{
    current::Current,
    health::Diagnosis,
    state::Connectivity,
    state::expiry,
    state::history::TagPast,
    table::folded,
    v1::{ZoneAnswerBody, ZoneStateName},
};

/// Space around the plan.
const LEFT: f64 = 34.0;
const RIGHT: f64 = 12.0;
const TOP: f64 = 54.0;
/// Line height of text.
const LINE: f64 = 17.0;
/// Data older than this are said to be old.
const OLD: Micros = Micros::from_millis(3_000);
/// Lines about tags and about zones below the plan; how many more there are is said.
const MAX_LINES: usize = 12;

/// How a plan is asked for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct PlanLook {
    pub(crate) theme: Theme,
    /// In its own units; letters have 12 of them.
    pub(crate) width: f64,
    /// With the states of everything in words below the plan.
    pub(crate) notes: bool,
}

impl Default for PlanLook {
    fn default() -> PlanLook {
        PlanLook { theme: Theme::Auto, width: 640.0, notes: true }
    }
}

/// What is drawn.
pub(crate) struct Plan<'a> {
    current: Current<'a>,
    tags: BTreeMap<TagId, TagNow<'a>>,
    /// The answer of each zone, in site order.
    zones: Vec<ZoneAnswerBody>,
}

impl<'a> Plan<'a> {
    /// What counts, with the ways of the tags.
    pub(crate) fn of(current: Current<'a>, tags: &'a BTreeMap<TagId, TagPast>) -> Plan<'a> {
        let in_doubt = current.now.site_in_doubt().is_some();
        let now = |past: &'a TagPast| {
            let position = expiry::position(&past.latest, current.clock);
            TagNow { look: TagLook::of(&position, in_doubt), position, trail: &past.trail }
        };
        let tags = tags.iter().map(|(tag, past)| (*tag, now(past))).collect();
        Plan { current, tags, zones: current.zone_answers(None, None) }
    }

    /// The picture as a whole SVG document.
    pub(crate) fn to_svg(&self, look: PlanLook) -> String {
        let width = look.width;
        let sheet = Sheet { width, left: LEFT, right: RIGHT, top: TOP, tallest: 0.5 * width + 400.0 };
        let frame = PlanFrame::of(&self.points(), sheet);
        let [left, top, w, h] = frame.rect();
        let mut labels = Labels::within([left, top, w, h]);
        let mut body = String::new();
        let _ = writeln!(body, "<g clip-path=\"url(#plan)\">");
        self.zones(&frame, &mut body);
        self.area(&frame, &mut labels, &mut body);
        self.tags.values().for_each(|tag| marks::trail(tag, &frame, &mut body));
        self.tags.values().for_each(|tag| marks::uncertainty(tag, &frame, &mut body));
        body.push_str("</g>\n");
        frame.scale("class=\"soft\"", "class=\"border\"", &mut body);
        self.anchor_marks(&frame, &mut labels, &mut body);
        self.tag_marks(&frame, &mut labels, &mut body);
        self.texts(&frame, &mut labels, &mut body);
        self.heading(width, &mut body);
        let height = self.below(&frame, look, &mut body);
        let title = escaped(&format!("Plan of {}", self.current.site.name));
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width:.0} {height:.0}\" width=\"{width:.0}\" \
             height=\"{height:.0}\" role=\"img\" aria-label=\"{title}\" font-family=\"system-ui, sans-serif\" \
             font-size=\"12\">\n<title>{title}</title>\n<style>{}</style>\n\
             <defs><clipPath id=\"plan\"><rect x=\"{left:.1}\" y=\"{top:.1}\" width=\"{w:.1}\" height=\"{h:.1}\"/></clipPath>\n\
             <pattern id=\"unsure\" width=\"9\" height=\"9\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\">\
             <path class=\"hatch\" d=\"M0 0V9\"/></pattern></defs>\n\
             <rect class=\"paper\" width=\"{width:.0}\" height=\"{height:.0}\"/>\n{body}</svg>\n",
            marks::style(look.theme)
        )
    }

    /// All that must be on the plan: area, anchors and zones, but not the tags, which would make it jump.
    fn points(&self) -> Vec<[f64; 2]> {
        use hereabout_core::ZoneShape;
        let mut points: Vec<[f64; 2]> =
            self.current.site.anchors.iter().map(|a| [a.at_m[0], a.at_m[1]]).collect();
        points.extend(&self.current.site.fence.area_m);
        for zone in &self.current.site.zones {
            match &zone.shape {
                ZoneShape::Polygon { outline_m, .. } => points.extend(outline_m),
                ZoneShape::Circle { at_m: [e, n], radius_m: r } => {
                    points.extend([[e - r, n - r], [e + r, n + r]]);
                }
                ZoneShape::Near { .. } => {}
            }
        }
        points
    }

    fn zone_state(&self, zone: usize) -> ZoneStateName {
        self.zones.get(zone).map_or(ZoneStateName::Unknown, |z| z.state)
    }

    fn zones(&self, frame: &PlanFrame, out: &mut String) {
        for (i, zone) in self.current.site.zones.iter().enumerate() {
            marks::zone(zone, self.zone_state(i), self.current.site, frame, out);
        }
    }

    fn area(&self, frame: &PlanFrame, labels: &mut Labels, out: &mut String) {
        let area = &self.current.site.fence.area_m;
        if area.len() >= 3 {
            let _ = writeln!(out, "<polygon class=\"area\" points=\"{}\"/>", frame.points(area));
            let ends = area.iter().zip(area.iter().cycle().skip(1));
            ends.for_each(|(a, b)| labels.block_line([frame.at(*a), frame.at(*b)]));
        }
    }

    fn look_of(&self, anchor: &Anchor) -> AnchorLook {
        AnchorLook::of(self.current.anchor(anchor).as_ref())
    }

    fn anchor_marks(&self, frame: &PlanFrame, labels: &mut Labels, out: &mut String) {
        for anchor in &self.current.site.anchors {
            let [x, y] = frame.at([anchor.at_m[0], anchor.at_m[1]]);
            marks::anchor(x, y, self.look_of(anchor), out);
            labels.block([x - 8.0, y - 8.0, 16.0, 15.0]);
        }
    }

    fn tag_marks(&self, frame: &PlanFrame, labels: &mut Labels, out: &mut String) {
        for (tag, now) in &self.tags {
            let state = match now.look {
                TagLook::Located => "",
                TagLook::Predicted => " predicted",
                TagLook::InDoubt => " in doubt",
                TagLook::TwoPlaces => " here or there",
                TagLook::Lost => " lost, was here",
                TagLook::NoData => " no data, was here",
            };
            let paint = "class=\"t-text rim\"";
            for (at, off) in marks::tag(now, frame, out) {
                labels.block([at[0] - 6.0, at[1] - 6.0, 12.0, 12.0]);
                let off = if off { " off the plan" } else { "" };
                let _ = labels.put(at, &format!("tag {tag}{state}{off}"), paint, false, out)
                    || labels.put(at, &format!("tag {tag}{off}"), paint, false, out)
                    || labels.put(at, &tag.to_string(), paint, true, out);
            }
        }
    }

    /// Names of anchors and zones: those that need a look first, while there is room.
    fn texts(&self, frame: &PlanFrame, labels: &mut Labels, out: &mut String) {
        let mut anchors: Vec<_> = self.current.site.anchors.iter().map(|a| (self.look_of(a), a)).collect();
        anchors.sort_by_key(|(look, _)| *look == AnchorLook::Heard);
        for (look, a) in anchors {
            let at = frame.at([a.at_m[0], a.at_m[1]]);
            let id = a.id.to_string();
            let name = format!("{id} {}", fit(&a.name, 24));
            if look == AnchorLook::Heard {
                let _ = labels.put(at, &name, "class=\"text rim\"", false, out)
                    || labels.put(at, &id, "class=\"text rim\"", true, out);
            } else {
                let words = look.words();
                let _ = labels.put(at, &format!("{name}: {words}"), "class=\"warn rim\"", false, out)
                    || labels.put(at, &format!("{id} {words}"), "class=\"warn rim\"", false, out)
                    || labels.put(at, &id, "class=\"warn rim\"", true, out);
            }
        }
        for (i, zone) in self.current.site.zones.iter().enumerate() {
            let Some(at) = marks::middle(zone, self.current.site) else { continue };
            let state = marks::zone_words(self.zone_state(i));
            let _ = labels.put_at(
                frame.at(at),
                &format!("{}: {state}", fit(&zone.name, 24)),
                "class=\"z-text rim\"",
                out,
            ) || labels.put_at(frame.at(at), state, "class=\"z-text rim\"", out);
        }
    }

    fn heading(&self, width: f64, out: &mut String) {
        let title = fit(&self.current.site.name, columns_in(width - 2.0 * RIGHT - 20.0, 15.0));
        let _ = writeln!(
            out,
            "<text class=\"text\" x=\"{RIGHT}\" y=\"21\" font-size=\"15\" font-weight=\"600\">{}</text>",
            escaped(&title)
        );
        let at = instant(self.current.clock);
        let (class, age) = match self.newest() {
            None => ("warn", "no data yet".to_owned()),
            Some(newest) => {
                let age = self.current.clock.since(newest).max(Micros::ZERO);
                if age > OLD {
                    ("warn", format!("NO DATA for {}", span(age)))
                } else {
                    ("soft", format!("data {:.1} s old", age.secs_f64()))
                }
            }
        };
        let _ = writeln!(out, "<text class=\"{class}\" x=\"{RIGHT}\" y=\"40\">{at}; {age}</text>");
        let x = width - RIGHT - 8.0;
        let _ = writeln!(
            out,
            "<path class=\"ink\" d=\"M{x:.1} 7l5 16l-5 -4l-5 4z\"/>\
             <text class=\"text\" x=\"{:.1}\" y=\"21\" text-anchor=\"end\">N</text>",
            x - 8.0
        );
    }

    /// The newest instant at which the kit was heard.
    fn newest(&self) -> Option<Timestamp> {
        let rows = self.current.anchors().filter_map(|(_, now)| now.health.last_heard);
        rows.chain(self.tags.values().filter_map(|t| t.position.located_at)).max()
    }

    /// Scale bar, what needs a look, and the legend; gives the height of the whole picture.
    fn below(&self, frame: &PlanFrame, look: PlanLook, out: &mut String) -> f64 {
        let width = look.width;
        let mut y = frame.bottom() + 2.0 * LINE + 6.0;
        let bar = one_two_five(frame.size[0] / 4.0);
        let _ = writeln!(
            out,
            "<path class=\"line\" d=\"M{LEFT} {:.1}v6h{w:.1}v-6\"/>\
             <text class=\"text\" x=\"{:.1}\" y=\"{y:.1}\">{bar} m</text>",
            y - 8.0,
            LEFT + bar * frame.px + 8.0,
            w = bar * frame.px,
        );
        y += 6.0;
        let notes = if look.notes { self.notes() } else { Vec::new() };
        for (class, text) in notes {
            for (i, part) in folded(&text, columns_in(width - 2.0 * RIGHT - 10.0, 12.0)).iter().enumerate() {
                y += LINE;
                let x = if i == 0 { RIGHT } else { RIGHT + 10.0 };
                let _ =
                    writeln!(out, "<text class=\"{class}\" x=\"{x}\" y=\"{y:.1}\">{}</text>", escaped(part));
            }
        }
        marks::legend(y + 10.0, [RIGHT, width - RIGHT], out)
    }

    /// Everything in words, with its class: what is wrong with link and kit, tags, zones, anchors.
    fn notes(&self) -> Vec<(&'static str, String)> {
        let mut notes = Vec::new();
        if self.current.now.link.state == Connectivity::Waiting {
            let held = span(self.current.clock.since(self.current.now.link.since).max(Micros::ZERO));
            let why = self.current.now.link.reason.as_deref().unwrap_or("no reason known");
            notes.push(("warn", format!("Link waiting for {held}: {why}")));
        }
        let kit = self.current.now.kit();
        notes.extend(kit.map(|k| ("warn", hereabout_words::kit::found(k, self.current.site.into()).words)));
        for (tag, now) in self.tags.iter().take(MAX_LINES) {
            notes.push(tag_note(*tag, now, self.current.clock));
        }
        for zone in self.zones.iter().take(MAX_LINES) {
            notes.push(match zone.state {
                ZoneStateName::Unknown => ("warn", zone.words.clone()),
                state => ("text", format!("{}: {}", zone.zone, marks::zone_words(state))),
            });
        }
        let left = self.tags.len().saturating_sub(MAX_LINES) + self.zones.len().saturating_sub(MAX_LINES);
        if left > 0 {
            notes.push(("text", format!("{left} more tags and zones: /v1/tags, /v1/zones")));
        }
        let around = self.current.around();
        for anchor in &self.current.site.anchors {
            let now = self.current.anchor(anchor);
            let look = AnchorLook::of(now.as_ref());
            let diagnosis = Diagnosis::of(anchor.id, now.as_ref().map(|n| &n.health), around);
            let said = diagnosis.said().next().map(|s| s.words.as_str());
            if look != AnchorLook::Heard {
                let words = said.filter(|_| look != AnchorLook::NoData).unwrap_or(look.words());
                notes.push(("warn", format!("Anchor {} {}: {words}", anchor.id, anchor.name)));
            }
        }
        notes
    }
}

fn tag_note(tag: TagId, now: &TagNow<'_>, clock: Timestamp) -> (&'static str, String) {
    let report = now.report();
    let age = clock.since(now.position.said_for).max(Micros::ZERO);
    let radius = |name: &str, r: Option<f64>| {
        r.filter(|r| r.is_finite()).map_or(String::new(), |r| format!(", {name} {r:.2} m"))
    };
    let radii =
        radius("95 % within", report.radius95_m()) + &radius("protection", report.protection_radius_m());
    let checked = if report.checked() { "" } else { ", unchecked" };
    let seen = match now.trail.back() {
        Some(p) => format!("; last seen {} ago", span(clock.since(p.at).max(Micros::ZERO))),
        None => String::new(),
    };
    match now.look {
        TagLook::Located => ("text", format!("Tag {tag} located{radii}{checked}")),
        TagLook::Predicted => ("warn", format!("Tag {tag} predicted, no fresh ranges{radii}")),
        TagLook::InDoubt => {
            ("warn", format!("Tag {tag} in doubt: ranges and site file don't fit each other"))
        }
        TagLook::TwoPlaces => ("warn", format!("Tag {tag}: one of two places, nobody knows which")),
        TagLook::Lost => ("warn", format!("Tag {tag} lost: no position{seen}")),
        TagLook::NoData => ("warn", format!("Tag {tag}: NO DATA for {}", span(age))),
    }
}

#[cfg(test)]
mod tests;
