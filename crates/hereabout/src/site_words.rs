//! The site's findings in words: what is wrong, and what was probably meant or what to do.

use hereabout_core::{MirrorSide, NeverKnown, SiteProblem};

/// What is wrong, and what to do about it.
pub(crate) fn words(problem: &SiteProblem) -> (String, String) {
    anchors(problem)
        .or_else(|| geometry(problem))
        .or_else(|| zones(problem))
        .unwrap_or_else(|| settings(problem))
}

fn anchors(problem: &SiteProblem) -> Option<(String, String)> {
    Some(match problem {
        SiteProblem::NoAnchors => (
            "the site has no anchor".into(),
            "write one [[anchor]] table for each board, with id and at_m = [east, north, up] in metres".into(),
        ),
        SiteProblem::TooManyAnchors { have } => (
            format!("{have} anchors are more than the {} that one site may have", hereabout_core::MAX_ANCHORS),
            "leave out the boards that the primary anchor doesn't report".into(),
        ),
        SiteProblem::DuplicateAnchorId { id, first } => (
            format!("anchor[{first}] has id {id} already"),
            "ids are unique; if two boards are really set to one id, change one of them: their ranges can't be told apart".into(),
        ),
        SiteProblem::AnchorsAtOnePlace { other, apart_m } => (
            format!("stands at the place of anchor {other} ({:.0} mm apart)", apart_m * 1e3),
            "two boards there see the same distance; probably a copied line whose numbers were not changed".into(),
        ),
        SiteProblem::NoFieldForAnchor { id, fields } => (
            format!("no range field of the frame belongs to anchor {id}: the layout has {fields}"),
            "lengthen the layout (range:u16le*8), or say which field is this anchor's with slot = N (from 0)".into(),
        ),
        SiteProblem::DuplicateSlot { slot, first } => (
            format!("range field {slot} belongs to anchor {first} already"),
            "give every anchor its own slot".into(),
        ),
        SiteProblem::SpareRangeFields { fields, anchors } => (
            format!("the frame has {fields} range fields and the site {anchors} anchors"),
            "the fields without an anchor are ignored; add the missing [[anchor]] tables if these boards exist".into(),
        ),
        SiteProblem::SlotsInFileOrder => (
            "anchor ids are not field numbers, so the range fields are taken in the order of the [[anchor]] tables".into(),
            "say slot = N (from 0) in each [[anchor]] table if that is not so".into(),
        ),
        SiteProblem::UnknownAnchor { id } => {
            (format!("the site has no anchor {id}"), "give the id of one of the [[anchor]] tables".into())
        }
        SiteProblem::TooManyTags { have } => (
            format!("{have} tags are more than the {} that are kept apart", hereabout_core::MAX_TAGS),
            "list only those that this kit reports".into(),
        ),
        SiteProblem::DuplicateTagId { id, first } => (
            format!("tag[{first}] has id {id} already"),
            "ids are unique; two tags set to one id can't be told apart: change one of them".into(),
        ),
        SiteProblem::UnlistedTag { id } => (
            format!("tag {id} is not one of the [[tag]] tables, so it is never tracked"),
            "add a [[tag]] with this id, or give the zone only listed tags".into(),
        ),
        SiteProblem::ForgottenBeforeLost { lost_after_s } => (
            format!("a tag would be forgotten before it is lost (lost_after_s = {lost_after_s})"),
            "give a longer time than lost_after_s; 600 is usual".into(),
        ),
        _ => return None,
    })
}

fn geometry(problem: &SiteProblem) -> Option<(String, String)> {
    Some(match problem {
        SiteProblem::LikelyUnitSlip { value_m, limit_m } => (
            format!("{value_m} m is farther than any kit reaches (limit here: {limit_m} m)"),
            format!(
                "places are in metres; probably written in {}: {value_m} {} = {} m",
                if value_m.abs() >= 5_000.0 { "millimetres" } else { "centimetres" },
                if value_m.abs() >= 5_000.0 { "mm" } else { "cm" },
                if value_m.abs() >= 5_000.0 { value_m / 1e3 } else { value_m / 1e2 },
            ),
        ),
        SiteProblem::AnchorsOnOneLine { mirror: MirrorSide::Open } => (
            "all anchors stand on one line: a place and its mirror on the other side fit equally well".into(),
            "move one anchor off the line by some metres, or give [site] area_m = [[e, n], …] that lies wholly on one side of it".into(),
        ),
        SiteProblem::AnchorsOnOneLine { mirror: MirrorSide::Excluded } => (
            "all anchors stand on one line: the area decides which side of it is meant".into(),
            "across the line the position is weak; one anchor off the line by some metres would mend it".into(),
        ),
        SiteProblem::AnchorsOnOnePlane { mirror } => (
            "all anchors lie in one plane: a place and its mirror on the other side fit equally well".into(),
            match mirror {
                MirrorSide::Excluded => "the area and up_span_m decide which side is meant; height stays weak".into(),
                MirrorSide::Open => {
                    "put one anchor well above or below the others, or give [site] up_span_m = [lowest, highest] of the tag, or use dimension = \"2d\" with tag_height_m".into()
                }
            },
        ),
        SiteProblem::TooFewAnchors { have, need } => (
            format!("a position needs {need} anchors or more, and one more to check it; this site has {have}"),
            "ranges and anchor health are served all the same; every position message says why there is none".into(),
        ),
        SiteProblem::PolygonTooSmall { corners } => {
            (format!("{corners} corners are no area"), "a polygon has three corners or more: [[e, n], [e, n], [e, n]]".into())
        }
        SiteProblem::PolygonCrossed => (
            "the outline has no area, crosses or touches itself".into(),
            "list the corners in the order you would walk round them; the last one joins the first by itself".into(),
        ),
        _ => return None,
    })
}

fn zones(problem: &SiteProblem) -> Option<(String, String)> {
    Some(match problem {
        SiteProblem::TooManyZones { have } => (
            format!("{have} zones are more than the {} that one site may have", hereabout_core::MAX_ZONES),
            "leave out those that nobody acts on; parts of one zone can be one polygon".into(),
        ),
        SiteProblem::TooManyCorners { have } => (
            format!(
                "{have} corners are more than the {} that area_m, zones and what is cut out of them may have in all",
                hereabout_core::MAX_CORNERS
            ),
            "leave corners out: a tag is not known to the centimetre that a fine outline has".into(),
        ),
        SiteProblem::DuplicateZoneName { first } => (
            format!("zone[{first}] has this name already"),
            "zones are asked for by name, so names are unique".into(),
        ),
        SiteProblem::HoleNotInside => (
            "this part doesn't lie wholly inside of the outline".into(),
            "what is cut out keeps clear of polygon_m; to take a piece off the edge, lead polygon_m round it".into(),
        ),
        SiteProblem::HolesMeet { other } => (
            format!("this part crosses or touches holes_m[{other}], or one lies in the other"),
            "parts that are cut out keep clear of each other; write two that meet as one".into(),
        ),
        SiteProblem::ZoneNeverKnown { why: NeverKnown::TooFewAnchors { have, need } } => (
            format!("this zone will always be unknown: {have} anchors can't check a position, {need} can"),
            "add anchors, or say allow_unchecked = true where nobody is hurt by a wrong answer, or use near = { … }".into(),
        ),
        SiteProblem::ZoneNeverKnown { why: NeverKnown::NoProtectionRadius } => (
            "this zone will always be unknown: the plain estimator gives no protection radius".into(),
            "use estimator = \"tracker\"".into(),
        ),
        _ => return None,
    })
}

fn settings(problem: &SiteProblem) -> (String, String) {
    match problem {
        SiteProblem::BadName => {
            ("is empty or longer than 120 characters".into(), "give it a name that people use".into())
        }
        SiteProblem::NotPlain { sign } => (
            format!(
                "holds the invisible sign U+{:04X}, which moves a cursor or turns the writing",
                u32::from(*sign)
            ),
            "write it without".into(),
        ),
        SiteProblem::DelayedNeedsTracker => (
            "this estimator looks at each epoch on its own, so there is nothing to smooth".into(),
            "use estimator = \"tracker\", or leave delayed_s out".into(),
        ),
        SiteProblem::NotFinite => ("is not a finite number".into(), "expected a plain number".into()),
        SiteProblem::OutOfLimits { value, min, max } => (
            format!("{value} is outside of what is believable"),
            format!("expected a number from {min} to {max}"),
        ),
        SiteProblem::WrongOrder { low, high } => (
            format!("{low} is not below {high}"),
            "the smaller value comes first; leaving a place takes a larger distance than entering it".into(),
        ),
        other => (format!("{other:?}"), String::new()),
    }
}
