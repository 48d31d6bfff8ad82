//! What a site file says of the site, made into a draft that the core validates.

use std::net::SocketAddr;

use hereabout_core::plausible::{CorrectionLimits, MAX_OFFSET_M};
use hereabout_core::{
    AnchorId, Dimension, Estimator, Fence, KeyStep, Micros, Severity, SiteDraft, SiteFinding, SiteProblem,
    TagId, TrackSettings, Zone, ZoneRule, ZoneShape,
};
use hereabout_wire::{FieldName, FrameSpec};
use hereabout_words::site_problem;

use crate::site_file::tables::{RawApi, RawSite, RawTag, RawTrack, RawZone};
use crate::site_file::{DEFAULT_LISTEN, DEFAULT_RANGE_SIGMA_M, DEFAULT_RANGE_SPAN_M};
use crate::toml_doc::{Level, Problem, Step, Tree, key};

pub(super) fn draft(
    raw: &RawSite,
    zones: Vec<Zone>,
    tree: &Tree<'_>,
    frame: Option<&FrameSpec>,
    problems: &mut Vec<Problem>,
) -> Option<SiteDraft> {
    let site = &raw.site;
    let dimension = match (site.dimension.as_str(), site.tag_height_m) {
        ("2d", Some(tag_height_m)) => Dimension::TwoD { tag_height_m },
        ("3d", _) => Dimension::ThreeD,
        ("2d", None) => {
            let path = [key("site"), key("tag_height_m")];
            let help = "in 2D the tag's height must be known: tag_height_m = 0.9 (metres, same zero as the anchors' third number)";
            problems.push(tree.problem(&path, "this key is missing", help).coded("missing_key"));
            return None;
        }
        (other, _) => {
            let what = format!("\"{other}\" is not a dimension");
            let help = "expected \"2d\" (with tag_height_m) or \"3d\"";
            problems.push(tree.problem(&[key("site"), key("dimension")], &what, help));
            return None;
        }
    };
    let track = read_track(raw.track.as_ref(), tree, problems)?;
    let sigma = site.range_sigma_m.unwrap_or(DEFAULT_RANGE_SIGMA_M);
    let anchors = raw.anchor.iter().map(|a| a.anchor(sigma)).collect();
    Some(SiteDraft {
        name: site.name.clone(),
        dimension,
        fence: Fence { area_m: site.area_m.clone().unwrap_or_default(), up_span_m: site.up_span_m },
        range_span_m: site.range_span_m.unwrap_or(DEFAULT_RANGE_SPAN_M),
        anchors,
        zones,
        track,
        range_fields: frame.map(|f| f.layout.range_fields()),
        required_ce95_m: site.required_ce95_m,
        tag_height_se_m: site.tag_height_se_m,
        tags: raw.tag.iter().map(RawTag::tag).collect(),
        correction_limits: CorrectionLimits {
            max_offset_m: site.max_offset_m.unwrap_or(MAX_OFFSET_M),
            ..CorrectionLimits::default()
        },
    })
}

fn read_track(raw: Option<&RawTrack>, tree: &Tree<'_>, problems: &mut Vec<Problem>) -> Option<TrackSettings> {
    let mut track = TrackSettings::default();
    let Some(raw) = raw else { return Some(track) };
    if let Some(name) = &raw.estimator {
        match estimator(name) {
            Some(e) => track.estimator = e,
            None => {
                let what = format!("\"{name}\" is not an estimator");
                let help = format!("expected one of: {}", ESTIMATORS.join(", "));
                problems.push(tree.problem(&[key("track"), key("estimator")], &what, &help));
                return None;
            }
        }
    }
    track.delayed = raw.delayed_s.map(Micros::from_secs_f64);
    track.lost_after = raw.lost_after_s.map_or(track.lost_after, Micros::from_secs_f64);
    track.lost_radius95_m = raw.lost_radius95_m.unwrap_or(track.lost_radius95_m);
    // A tag is not forgotten before it is lost, whatever `lost_after_s` says.
    let at_least = Micros::from_micros(track.lost_after.micros().saturating_mul(2));
    let usual = track.tag_forgotten_after.max(at_least);
    track.tag_forgotten_after = raw.tag_forgotten_after_s.map_or(usual, Micros::from_secs_f64);
    track.max_age = raw.max_age_s.map_or(track.max_age, Micros::from_secs_f64);
    track.slow_error_m = raw.slow_error_m;
    track.tag_offset_m = raw.tag_offset_m;
    Some(track)
}

/// Names of the estimators, as the site file and `--estimator` take them.
pub const ESTIMATORS: &[&str] = &["tracker", "snapshot", "plain"];

/// The estimator of that name.
pub fn estimator(name: &str) -> Option<Estimator> {
    match name {
        "tracker" => Some(Estimator::Tracker),
        "snapshot" => Some(Estimator::Snapshot),
        "plain" => Some(Estimator::Plain),
        _ => None,
    }
}

/// Frames without a tag number are those of tag 0: a list without it would track nothing.
pub(super) fn check_numbered(
    raw: &RawSite,
    frame: Option<&FrameSpec>,
    tree: &Tree<'_>,
    problems: &mut Vec<Problem>,
) {
    let bare = frame.is_some_and(|f| !f.layout.has(FieldName::Tag));
    if bare && !raw.tag.is_empty() && !raw.tag.iter().any(|t| t.id == 0) {
        let what = "frames of this layout carry no tag number: they are tag 0, which is not listed";
        let help = "add the tag field to [frame] layout, or give the one tag id = 0";
        problems
            .push(tree.problem(&[key("tag"), Step::Index(0), key("id")], what, help).coded("no_tag_number"));
    }
}

pub(super) fn read_listen(
    raw: Option<&RawApi>,
    tree: &Tree<'_>,
    problems: &mut Vec<Problem>,
) -> Option<SocketAddr> {
    let text = raw.and_then(|a| a.listen.as_deref()).unwrap_or(DEFAULT_LISTEN);
    if let Ok(addr) = text.parse() {
        return Some(addr);
    }
    let what = format!("\"{text}\" is not an address with a port");
    let help = "expected an IP address and a port, like \"127.0.0.1:6208\" or \"[::1]:6208\"";
    problems.push(tree.problem(&[key("api"), key("listen")], &what, help));
    None
}

pub(super) fn read_zone(
    i: usize,
    raw: &RawZone,
    tree: &Tree<'_>,
    problems: &mut Vec<Problem>,
) -> Option<Zone> {
    let shape = match (&raw.polygon_m, &raw.circle, &raw.near) {
        (Some(corners), None, None) => {
            ZoneShape::Polygon { outline_m: corners.clone(), holes_m: raw.holes_m.clone() }
        }
        (None, Some(circle), None) => ZoneShape::Circle { at_m: circle.at_m, radius_m: circle.radius_m },
        (None, None, Some(near)) => {
            ZoneShape::Near { anchor: AnchorId(near.anchor), enter_m: near.enter_m, leave_m: near.leave_m }
        }
        (polygon, circle, near) => {
            let given = [polygon.is_some(), circle.is_some(), near.is_some()].iter().filter(|g| **g).count();
            let what = format!("has {given} of polygon_m, circle and near");
            let help = "give one: polygon_m = [[e, n], …] in metres, circle = { at_m = [e, n], radius_m = 2.0 }, \
                        or near = { anchor = 0, enter_m = 1.5, leave_m = 2.5 }";
            problems.push(tree.problem(&[key("zone"), Step::Index(i)], &what, help).coded("zone_shape"));
            return None;
        }
    };
    if matches!(shape, ZoneShape::Near { .. }) {
        problems.extend(raw.keys_of_no_effect_near().map(|k| {
            let what = "has no effect near an anchor";
            let help = "such a zone goes by ranges alone: leave_m is its hysteresis; leave this key out";
            tree.problem(&[key("zone"), Step::Index(i), key(k)], what, help).coded("no_effect").as_warning()
        }));
    }
    let dwells = [("enter_after_s", raw.enter_after_s), ("leave_after_s", raw.leave_after_s)];
    for (name, _) in dwells.iter().filter(|(_, s)| s.is_some_and(f64::is_nan)) {
        let path = [key("zone"), Step::Index(i), key(name)];
        problems.push(tree.said(&path, &site_problem::found(&SiteProblem::NotFinite)));
    }
    Some(Zone { name: raw.name.clone(), shape, rule: zone_rule(raw) })
}

fn zone_rule(raw: &RawZone) -> ZoneRule {
    let usual = ZoneRule::default();
    ZoneRule {
        margin_m: raw.margin_m.unwrap_or(usual.margin_m),
        enter_after: raw.enter_after_s.map_or(usual.enter_after, Micros::from_secs_f64),
        leave_after: raw.leave_after_s.map_or(usual.leave_after, Micros::from_secs_f64),
        max_protection_radius_m: raw.max_protection_radius_m.unwrap_or(usual.max_protection_radius_m),
        allow_unchecked: raw.allow_unchecked.unwrap_or(usual.allow_unchecked),
        tags: raw.tags.iter().map(|id| TagId(*id)).collect(),
    }
}

/// A finding of the site's validation, at its place in the file and in words.
pub(super) fn place(tree: &Tree<'_>, finding: &SiteFinding) -> Problem {
    let path: Vec<Step> = finding
        .path
        .iter()
        .map(|s| match s {
            KeyStep::Key(k) => key(k),
            KeyStep::Index(i) => Step::Index(*i),
        })
        .collect();
    let mut problem = tree.said(&path, &site_problem::found(&finding.problem));
    problem.level = match finding.severity {
        Severity::Error => Level::Error,
        Severity::Warning => Level::Warning,
    };
    problem
}
