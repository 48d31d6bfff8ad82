//! `[frame]` and `[source]` of a site file: the layout of the frames, and where they come from.

use hereabout_core::{SiteProblem, is_plain};
use hereabout_wire::{FrameSpec, Layout, LayoutError, NoRange, Unit};
use hereabout_words::layout::unit_words;
use hereabout_words::site_problem;

use crate::site_file::tables::{OneOrMany, RawFrame, RawNoRange, RawSource};
use crate::toml_doc::{Problem, Tree, key};

pub(super) fn read_frame(raw: &RawFrame, tree: &Tree<'_>, problems: &mut Vec<Problem>) -> Option<FrameSpec> {
    type Parse = fn(&str) -> Result<Layout, LayoutError>;
    let kinds: [(&str, &Option<String>, Parse); 3] = [
        ("layout", &raw.layout, Layout::parse_binary),
        ("layout_text", &raw.layout_text, Layout::parse_text),
        ("layout_json", &raw.layout_json, Layout::parse_json),
    ];
    let given: Vec<_> =
        kinds.iter().filter_map(|(k, v, parse)| v.as_ref().map(|v| (*k, v, *parse))).collect();
    let [(name, text, parse)] = given[..] else {
        let what = if given.is_empty() { "has no layout" } else { "has more than one layout" };
        let help =
            "give one of layout (binary fields), layout_text (delimited lines) or layout_json (JSON lines)";
        problems.push(tree.problem(&[key("frame")], what, help).coded("one_layout"));
        return None;
    };
    let path = [key("frame"), key(name)];
    let layout = parse(text).map_err(|e| {
        let mut problem =
            tree.problem(&path, &hereabout_words::layout::error_words(&e), "").coded("bad_layout");
        // The value's place is its opening quote; the token stands behind it.
        problem.column +=
            if problem.column > 0 { 1 + text[..e.span.start.min(text.len())].chars().count() } else { 0 };
        problems.push(problem);
    });
    let unit = raw.unit.parse::<Unit>().map_err(|e| {
        problems.push(tree.problem(&[key("frame"), key("unit")], &unit_words(&e), ""));
    });
    let no_range = read_no_range(raw, tree, problems);
    Some(FrameSpec { layout: layout.ok()?, unit: unit.ok()?, no_range: no_range? })
}

fn read_no_range(raw: &RawFrame, tree: &Tree<'_>, problems: &mut Vec<Problem>) -> Option<NoRange> {
    let mut numbers = Vec::new();
    let listed: &[RawNoRange] = match &raw.no_range {
        None => &[],
        Some(OneOrMany::One(one)) => std::slice::from_ref(one),
        Some(OneOrMany::Many(many)) => many,
    };
    for one in listed {
        match one {
            RawNoRange::Number(v) => numbers.push(*v),
            RawNoRange::Text(t) if t.eq_ignore_ascii_case("nan") => numbers.push(f64::NAN),
            RawNoRange::Text(t) => {
                let what = format!("\"{t}\" is not a value that means no range");
                let help = "expected a number in the module's own unit, \"nan\", or a list of these";
                problems.push(tree.problem(&[key("frame"), key("no_range")], &what, help));
                return None;
            }
        }
    }
    Some(NoRange::new(numbers))
}

pub(super) fn check_port(raw: Option<&RawSource>, tree: &Tree<'_>, problems: &mut Vec<Problem>) {
    if let Some(sign) = raw.and_then(|s| s.port.chars().find(|c| !is_plain(*c))) {
        let said = site_problem::found(&SiteProblem::NotPlain { sign });
        problems.push(tree.said(&[key("source"), key("port")], &said));
    }
}
