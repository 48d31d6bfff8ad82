//! What the validation of a site finds: what is wrong, and what was probably meant or what to do.

use hereabout_core::{MAX_ANCHORS, MAX_CORNERS, MAX_TAGS, MAX_ZONES, MirrorSide, NeverKnown, SiteProblem};

use crate::said::{Said, Topic};

/// What is wrong, and what to do about it.
pub fn found(problem: &SiteProblem) -> Said {
    anchors(problem)
        .or_else(|| geometry(problem))
        .or_else(|| zones(problem))
        .unwrap_or_else(|| settings(problem))
}

fn anchors(problem: &SiteProblem) -> Option<Said> {
    Some(match problem {
        SiteProblem::NoAnchors => told(
            "no_anchors",
            "the site has no anchor",
            "write one [[anchor]] table for each board, with id and at_m = [east, north, up] in metres",
        ),
        SiteProblem::TooManyAnchors { have } => told(
            "too_many_anchors",
            format!("{have} anchors are more than the {MAX_ANCHORS} that one site may have"),
            "leave out the boards that the primary anchor doesn't report",
        ),
        SiteProblem::DuplicateAnchorId { id, first } => told(
            "duplicate_anchor_id",
            format!("anchor[{first}] has id {id} already"),
            "ids are unique; if two boards are really set to one id, change one of them: their ranges can't be told apart",
        ),
        SiteProblem::AnchorsAtOnePlace { other, apart_m } => told(
            "anchors_at_one_place",
            format!("stands at the place of anchor {other} ({:.0} mm apart)", apart_m * 1e3),
            "two boards there see the same distance; probably a copied line whose numbers were not changed",
        ),
        SiteProblem::NoFieldForAnchor { id, fields } => told(
            "no_field_for_anchor",
            format!("no range field of the frame belongs to anchor {id}: the layout has {fields}"),
            "lengthen the layout (range:u16le*8), or say which field is this anchor's with slot = N (from 0)",
        ),
        SiteProblem::DuplicateSlot { slot, first } => told(
            "duplicate_slot",
            format!("range field {slot} belongs to anchor {first} already"),
            "give every anchor its own slot",
        ),
        SiteProblem::SpareRangeFields { fields, anchors } => told(
            "spare_range_fields",
            format!("the frame has {fields} range fields and the site {anchors} anchors"),
            "the fields without an anchor are ignored; add the missing [[anchor]] tables if these boards exist",
        ),
        SiteProblem::SlotsInFileOrder => told(
            "slots_in_file_order",
            "anchor ids are not field numbers, so the range fields are taken in the order of the [[anchor]] tables",
            "say slot = N (from 0) in each [[anchor]] table if that is not so",
        ),
        SiteProblem::UnknownAnchor { id } => told(
            "unknown_anchor",
            format!("the site has no anchor {id}"),
            "give the id of one of the [[anchor]] tables",
        ),
        SiteProblem::TooManyTags { have } => told(
            "too_many_tags",
            format!("{have} tags are more than the {MAX_TAGS} that are kept apart"),
            "list only those that this kit reports",
        ),
        SiteProblem::DuplicateTagId { id, first } => told(
            "duplicate_tag_id",
            format!("tag[{first}] has id {id} already"),
            "ids are unique; two tags set to one id can't be told apart: change one of them",
        ),
        SiteProblem::UnlistedTag { id } => told(
            "unlisted_tag",
            format!("tag {id} is not one of the [[tag]] tables, so it is never tracked"),
            "add a [[tag]] with this id, or give the zone only listed tags",
        ),
        SiteProblem::ForgottenBeforeLost { lost_after_s } => told(
            "forgotten_before_lost",
            format!("a tag would be forgotten before it is lost (lost_after_s = {lost_after_s})"),
            "give a longer time than lost_after_s; 600 is usual",
        ),
        _ => return None,
    })
}

fn geometry(problem: &SiteProblem) -> Option<Said> {
    Some(match problem {
        SiteProblem::LikelyUnitSlip { value_m, limit_m } => told(
            "likely_unit_slip",
            format!("{value_m} m is farther than any kit reaches (limit here: {limit_m} m)"),
            format!(
                "places are in metres; probably written in {}: {value_m} {} = {} m",
                if value_m.abs() >= 5_000.0 { "millimetres" } else { "centimetres" },
                if value_m.abs() >= 5_000.0 { "mm" } else { "cm" },
                if value_m.abs() >= 5_000.0 { value_m / 1e3 } else { value_m / 1e2 },
            ),
        ),
        SiteProblem::AnchorsOnOneLine { mirror: MirrorSide::Open } => told(
            "anchors_on_one_line",
            "all anchors stand on one line: a place and its mirror on the other side fit equally well",
            "move one anchor off the line by some metres, or give [site] area_m = [[e, n], …] that lies wholly on one side of it",
        ),
        SiteProblem::AnchorsOnOneLine { mirror: MirrorSide::Excluded } => told(
            "anchors_on_one_line",
            "all anchors stand on one line: the area decides which side of it is meant",
            "across the line the position is weak; one anchor off the line by some metres would mend it",
        ),
        SiteProblem::AnchorsOnOnePlane { mirror } => told(
            "anchors_on_one_plane",
            "all anchors lie in one plane: a place and its mirror on the other side fit equally well",
            match mirror {
                MirrorSide::Excluded => {
                    "the area and up_span_m decide which side is meant; height stays weak"
                }
                MirrorSide::Open => {
                    "put one anchor well above or below the others, or give [site] up_span_m = [lowest, highest] of the tag, or use dimension = \"2d\" with tag_height_m"
                }
            },
        ),
        SiteProblem::TooFewAnchors { have, need } => told(
            "too_few_anchors",
            format!(
                "a position needs {need} anchors or more, and one more to check it; this site has {have}"
            ),
            "ranges and anchor health are served all the same; every position message says why there is none",
        ),
        SiteProblem::PolygonTooSmall { corners } => told(
            "polygon_too_small",
            format!("{corners} corners are no area"),
            "a polygon has three corners or more: [[e, n], [e, n], [e, n]]",
        ),
        SiteProblem::PolygonCrossed => told(
            "polygon_crossed",
            "the outline has no area, crosses or touches itself",
            "list the corners in the order you would walk round them; the last one joins the first by itself",
        ),
        _ => return None,
    })
}

fn zones(problem: &SiteProblem) -> Option<Said> {
    Some(match problem {
        SiteProblem::TooManyZones { have } => told(
            "too_many_zones",
            format!("{have} zones are more than the {MAX_ZONES} that one site may have"),
            "leave out those that nobody acts on; parts of one zone can be one polygon",
        ),
        SiteProblem::TooManyCorners { have } => told(
            "too_many_corners",
            format!(
                "{have} corners are more than the {MAX_CORNERS} that area_m, zones and what is cut out of them may have in all"
            ),
            "leave corners out: a tag is not known to the centimetre that a fine outline has",
        ),
        SiteProblem::DuplicateZoneName { first } => told(
            "duplicate_zone_name",
            format!("zone[{first}] has this name already"),
            "zones are asked for by name, so names are unique",
        ),
        SiteProblem::HoleNotInside => told(
            "hole_not_inside",
            "this part doesn't lie wholly inside of the outline",
            "what is cut out keeps clear of polygon_m; to take a piece off the edge, lead polygon_m round it",
        ),
        SiteProblem::HolesMeet { other } => told(
            "holes_meet",
            format!("this part crosses or touches holes_m[{other}], or one lies in the other"),
            "parts that are cut out keep clear of each other; write two that meet as one",
        ),
        SiteProblem::ZoneNeverKnown { why: NeverKnown::TooFewAnchors { have, need } } => told(
            "zone_never_known",
            format!("this zone will always be unknown: {have} anchors can't check a position, {need} can"),
            "add anchors, or say allow_unchecked = true where nobody is hurt by a wrong answer, or use near = { … }",
        ),
        SiteProblem::ZoneNeverKnown { why: NeverKnown::NoProtectionRadius } => told(
            "zone_never_known",
            "this zone will always be unknown: the plain estimator gives no protection radius",
            "use estimator = \"tracker\"",
        ),
        _ => return None,
    })
}

fn settings(problem: &SiteProblem) -> Said {
    match problem {
        SiteProblem::BadName => {
            told("bad_name", "is empty or longer than 120 characters", "give it a name that people use")
        }
        SiteProblem::NotPlain { sign } => told(
            "not_plain",
            format!(
                "holds the invisible sign U+{:04X}, which moves a cursor or turns the writing",
                u32::from(*sign)
            ),
            "write it without",
        ),
        SiteProblem::DelayedNeedsTracker => told(
            "delayed_needs_tracker",
            "this estimator looks at each epoch on its own, so there is nothing to smooth",
            "use estimator = \"tracker\", or leave delayed_s out",
        ),
        SiteProblem::NotFinite => told("not_finite", "is not a finite number", "expected a plain number"),
        SiteProblem::OutOfLimits { value, min, max } => told(
            "out_of_limits",
            format!("{value} is outside of what is believable"),
            format!("expected a number from {min} to {max}"),
        ),
        SiteProblem::WrongOrder { low, high } => told(
            "wrong_order",
            format!("{low} is not below {high}"),
            "the smaller value comes first; leaving a place takes a larger distance than entering it",
        ),
        other => told("other", format!("{other:?}"), ""),
    }
}

fn told(code: &'static str, words: impl Into<String>, advice: impl Into<String>) -> Said {
    Said::new(Topic::SiteProblem, code, words, advice)
}

#[cfg(test)]
mod tests;
