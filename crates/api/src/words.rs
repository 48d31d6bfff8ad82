//! What is found about anchors and about the kit, in words: what, the evidence in numbers, what to do.
//!
//! `/v1/anchors`, `/v1/anchors.txt`, the page and the events all say it with these words. A claim never goes
//! beyond its numbers: a direction is told with its standard error, and what the ranges cannot tell is said.
//! `±` is one standard error. North, east and bearings are those of the site file, which need not be a
//! compass's. Sentences are short, so that words and advice fit a line of the table each. Advice about
//! power, plugs and mounting is common practice, no source.

use std::fmt::Write as _;

use hereabout_core::{Anchor, AnchorId, TagId};
use hereabout_engine::{
    AnchorFinding, AnchorSet, CannotTell, KitFinding, NAMED_TAGS, PlaceAnswer, Unsettled,
};

use crate::phrases::{bearing_deg, degrees, direction, direction_of, metres, millimetres, percent, span};
use crate::site_fit_words::{SiteNames, place as place_of_site, site_does_not_fit};

pub use crate::phrases::Said;

/// Stands wherever advice sends somebody up, to a gate or to a power supply.
pub const CAUTION: &str = "Ladder, gate or mains power: local codes and licensed practice come first.";

/// Says that positions do without an anchor.
pub const SET_ASIDE: &str = "set aside: positions do without it";

/// Says that an anchor is named, and takes part all the same.
pub const STILL_IN_USE: &str = "still in use for want of others, so that no position counts as checked";

/// Says that an anchor is one of several suspects, none of which is set aside.
pub const NOT_TOLD_WHICH: &str = "still in use, as long as nobody can tell which";

/// How positions treat an anchor with these findings; `None` for one that is used like any other.
pub fn treated(findings: &[AnchorFinding], set_aside: bool) -> Option<&'static str> {
    let named = |f: &AnchorFinding| is_suspicion(f) && !matches!(f, AnchorFinding::OneOf { .. });
    if set_aside {
        Some(SET_ASIDE)
    } else if findings.iter().any(named) {
        Some(STILL_IN_USE)
    } else {
        findings.iter().any(is_suspicion).then_some(NOT_TOLD_WHICH)
    }
}

/// Name of a kind of finding, for programs.
pub fn finding_kind(finding: &AnchorFinding) -> &'static str {
    match finding {
        AnchorFinding::TwoBoards { .. } => "two_boards",
        AnchorFinding::Misplaced { .. } => "misplaced",
        AnchorFinding::Moved { .. } => "moved",
        AnchorFinding::OffsetChanged { .. } => "offset_changed",
        AnchorFinding::ReadsLong { .. } => "reads_long",
        AnchorFinding::Changed { .. } => "changed",
        AnchorFinding::OneOf { .. } => "one_of",
        AnchorFinding::NeverHeard => "never_heard",
        AnchorFinding::Silent => "silent",
        AnchorFinding::Held => "held",
        AnchorFinding::Flapping { .. } => "flapping",
        AnchorFinding::OftenLate { .. } => "often_late",
        AnchorFinding::Noisy { .. } => "noisy",
        AnchorFinding::Drifting { .. } => "drifting",
        AnchorFinding::Weak { .. } => "weak",
    }
}

/// Name of a kind of finding about the kit, for programs.
pub fn kit_kind(finding: &KitFinding) -> &'static str {
    match finding {
        KitFinding::TagOff { .. } => "tag_off",
        KitFinding::AnchorsGone => "anchors_gone",
        KitFinding::NobodyAnswers => "nobody_answers",
        KitFinding::CableOut => "cable_out",
        KitFinding::FramesCut { .. } => "frames_cut",
        KitFinding::Frozen { .. } => "frozen",
        KitFinding::Repeated { .. } => "repeated",
        KitFinding::OldFrames { .. } => "old_frames",
        KitFinding::AgeUnknown { .. } => "age_unknown",
        KitFinding::UnevenClock { .. } => "uneven_clock",
        KitFinding::SiteDoesNotFit { .. } => "site_does_not_fit",
        KitFinding::UnknownTags { .. } => "unknown_tags",
        KitFinding::UnlistedTags { .. } => "unlisted_tags",
        KitFinding::TagOffset { .. } => "tag_offset",
    }
}

/// What is found about `anchor`, and what to do. `anchors` are those of the site, in its order.
pub fn finding(finding: &AnchorFinding, anchor: AnchorId, anchors: &[Anchor]) -> Said {
    match *finding {
        AnchorFinding::TwoBoards { apart_m, share } => Said::new(
            format!(
                "two boards answer as id {anchor}: ranges jump by {} m, {} by the rarer",
                metres(apart_m),
                percent(share)
            ),
            "switch one of the two off, then set it to an id of its own",
        ),
        AnchorFinding::Misplaced { shift_m, explained } => misplaced(shift_m, explained, anchor, anchors),
        AnchorFinding::Moved { shift_m, up_m, size_se_m, direction_se_deg } => Said::new(
            moved(shift_m, up_m, size_se_m, direction_se_deg),
            "put it back, or measure its place and correct at_m in the site file",
        ),
        AnchorFinding::OffsetChanged { by_m, se_m } => offset_changed(by_m, se_m, anchor),
        AnchorFinding::ReadsLong { by_m } => Said::new(
            format!("reads {} m long: moved away, or something stands in front of it", metres(by_m)),
            "look at it first: does something stand in front? if not, measure its place",
        ),
        AnchorFinding::Changed { by_m } => Said::new(
            format!(
                "reads {} m {} than it should; its place or its offset, not told yet",
                metres(by_m.abs()),
                if by_m < 0.0 { "shorter" } else { "longer" }
            ),
            "look at it first: has it moved? drive the tag past it on several sides",
        ),
        AnchorFinding::OneOf { anchors: set } => Said::new(
            format!(
                "{} moved or changed; the ranges don't tell which",
                match ids(set, anchors) {
                    list if list.is_empty() => "one of several anchors has".to_owned(),
                    list => format!("one of {list} has"),
                }
            ),
            "measure their places, and correct at_m of the one that is off",
        ),
        AnchorFinding::NeverHeard => Said::new(
            "never heard in this session",
            format!("check that it has power and that its board is set to id {anchor}"),
        ),
        // 2-3 s: common practice, no source.
        AnchorFinding::Silent => Said::new(
            "answers no more",
            "check its power; usually back 2-3 s after power returns (common practice)",
        ),
        AnchorFinding::Held => Said::new(
            "its range is frozen: the module repeats the last one, the anchor is silent",
            "check its power; usually back 2-3 s after power returns (common practice)",
        ),
        AnchorFinding::Flapping { times, over } => Said::new(
            format!("fell silent {times} times in {}", span(over)),
            "check its plug, cable and supply: often a loose contact",
        ),
        AnchorFinding::OftenLate { share, worst_hour_utc, worst_direction_deg } => {
            often_late(share, worst_hour_utc, worst_direction_deg)
        }
        AnchorFinding::Noisy { sigma_m, usual_m } => Said::new(
            format!("its good ranges scatter by {} m; {} m is usual", metres(sigma_m), metres(usual_m)),
            "check its mounting and antenna, and metal close to it",
        ),
        AnchorFinding::Drifting { m_per_day, se_m_per_day } => drifting(m_per_day, se_m_per_day),
        AnchorFinding::Weak { share, expected } => Said::new(
            format!(
                "answers in {} of the frames; its distance leads to expect {}",
                percent(share),
                percent(expected)
            ),
            "turn or raise it, clear its view, check its antenna",
        ),
    }
}

fn misplaced(shift_m: [f64; 3], explained: f64, anchor: AnchorId, anchors: &[Anchor]) -> Said {
    let stated = anchors.iter().find(|a| a.id == anchor).map(|a| a.at_m);
    let at_m = stated.map(|[e, n, u]| [e + shift_m[0], n + shift_m[1], u + shift_m[2]]);
    // A height alone is told where the tag's height is given: its mirror image about that reads alike.
    let only_up = shift_m[0] == 0.0 && shift_m[1] == 0.0 && shift_m[2] != 0.0;
    let mirrored = if only_up { ", or mirrored at the tag's height" } else { "" };
    Said::new(
        format!("not at its at_m: {} fit {}{mirrored}", percent(explained), direction_of(shift_m)),
        match at_m {
            Some(at_m) if only_up => {
                format!("look at it first; measure its height; at_m = {} fits", place_of_site(at_m))
            }
            Some(at_m) => format!("look at it first; if it hangs there: at_m = {}", place_of_site(at_m)),
            None => "look at it first; then measure its place and correct at_m".to_owned(),
        },
    )
}

fn moved(shift_m: [f64; 2], up_m: Option<f64>, size_se_m: f64, direction_se_deg: Option<f64>) -> String {
    let [east, north] = shift_m;
    let up = up_m.unwrap_or(0.0);
    let size = (east * east + north * north + up * up).sqrt();
    if up_m.is_some() && east == 0.0 && north == 0.0 {
        let way = if up < 0.0 { "lower" } else { "higher" };
        let (size, se) = (metres(size), metres(size_se_m));
        return format!("hangs {size} m (± {se}) {way} than stated, or mirrored at the tag's height");
    }
    let mut text = format!("moved {} m (± {})", metres(size), metres(size_se_m));
    if up_m.is_some() {
        let _ = write!(text, ", {} m {} of it", metres(up.abs()), if up < 0.0 { "down" } else { "up" });
    }
    match (bearing_deg(shift_m), direction_se_deg) {
        (Some(bearing), Some(se)) => {
            let _ =
                write!(text, " towards {} ({}° ± {}°)", direction(bearing), degrees(bearing), degrees(se));
        }
        _ => text.push_str("; which way is not known yet"),
    }
    text
}

fn offset_changed(by_m: f64, se_m: f64, anchor: AnchorId) -> Said {
    let way = if by_m < 0.0 { "shorter" } else { "longer" };
    Said::new(
        format!("reads {} m (± {}) {way} than its calibration says", metres(by_m.abs()), metres(se_m)),
        // A constant excess is something in front as well as an offset; nothing in front reads short.
        match by_m < 0.0 {
            true => format!("calibrate it again: hereabout calibrate SITE --anchor {anchor} --distance M"),
            false => {
                format!("nothing in front? hereabout calibrate SITE --anchor {anchor} --distance M")
            }
        },
    )
}

fn drifting(m_per_day: f64, se_m_per_day: f64) -> Said {
    let way = if m_per_day < 0.0 { "shorter" } else { "longer" };
    Said::new(
        format!("reads {} m {way} every day (± {})", millimetres(m_per_day.abs()), millimetres(se_m_per_day)),
        "look at it first; not moved: calibrate it; if it goes on, change the board",
    )
}

fn often_late(share: f64, worst_hour_utc: Option<u8>, worst_direction_deg: Option<f64>) -> Said {
    let mut words = format!("view blocked: {} of its ranges late", percent(share));
    if let Some(towards) = worst_direction_deg {
        let _ = write!(words, ", most to the {}", direction(towards));
    }
    if let Some(hour) = worst_hour_utc {
        let _ = write!(words, ", {hour}-{} h UTC", u32::from(hour) + 1);
    }
    let advice = match worst_direction_deg {
        Some(towards) => format!("clear its view to the {}, or mount it higher", direction(towards)),
        None => "clear its view, or mount it higher".to_owned(),
    };
    Said::new(words, advice)
}

/// What is found about the kit as a whole, and what to do; `names` are of the site that it is about.
pub fn kit(finding: &KitFinding, names: SiteNames<'_>) -> Said {
    match *finding {
        KitFinding::TagOff { tag } => Said::here(
            format!("tag {tag} is off or out of reach: frames come, all anchors lost it at once"),
            "switch the tag on, charge it, or bring it back into reach",
        ),
        KitFinding::AnchorsGone => Said::new(
            "frames come, but the anchors are gone: one by one, or all but the primary",
            "check the anchors' power: a supply or a breaker may feed several of them",
        ),
        KitFinding::NobodyAnswers => Said::new(
            "frames come without ranges; nothing tells the tag from the anchors",
            "look at the tag first (on? charged?), then at the anchors' power",
        ),
        KitFinding::CableOut => Said::new(
            "no byte comes: the cable is out, or the primary anchor has no power",
            "plug the cable in at both ends; check the primary anchor's power",
        ),
        KitFinding::FramesCut { share } => Said::new(
            format!("{} of the frames of the last minute came cut or damaged", percent(share)),
            "use a shorter cable, away from motors and mains; check the baud rate",
        ),
        KitFinding::Frozen { tag } => Said::new(
            format!("frozen: every range of tag {tag} is bit for bit the one before"),
            "switch the primary anchor off and on: its module hangs",
        ),
        KitFinding::Repeated { tag } => Said::new(
            format!("repeated frames of tag {tag}: sent again, or the counter stands still"),
            "restart the primary anchor, or what stands between it and this computer",
        ),
        KitFinding::OldFrames { tag, age } => Said::here(
            format!("old frames of tag {tag}: measured {} before they came", span(age)),
            "look for what holds them back: bridge, adapter, radio link, busy computer",
        ),
        KitFinding::AgeUnknown { tag } => Said::here(
            format!("nobody can say how old frames of tag {tag} are: their pace is odd"),
            "look for stalls and bursts; is `millis` of the layout in milliseconds?",
        ),
        KitFinding::SiteDoesNotFit { doubt } => site_does_not_fit(&doubt, names),
        KitFinding::UnevenClock { tag, usual, longest, share } => Said::here(
            format!(
                "tag {tag} comes unevenly: usually every {}, {} off, longest gap {}",
                span(usual),
                percent(share),
                span(longest)
            ),
            "check this computer's load, and the hub or adapter on the cable",
        ),
        KitFinding::UnknownTags { count, example, why } => unknown_tags(count, example, why),
        KitFinding::UnlistedTags { count, tags } => Said::here(
            unlisted(count, tags),
            "add a [[tag]] with its id to have it tracked, or switch it off",
        ),
        KitFinding::TagOffset { tag, by_m } => Said::here(
            format!(
                "all anchors read {} m {} to tag {tag}, not to others: its own offset",
                metres(by_m.abs()),
                if by_m < 0.0 { "short" } else { "long" }
            ),
            "look at that tag's antenna and mounting; its positions may be off",
        ),
    }
}

fn unknown_tags(count: u32, example: TagId, why: Unsettled) -> Said {
    let (words, advice) = match why {
        Unsettled::Damaged => (
            format!("{count} frames a minute with numbers that are no tag, like {example}"),
            "use a layout with a checksum; or list the tags ([[tag]]), two at one place",
        ),
        Unsettled::OnePlace { like } => (
            format!("tag {example} can't be told from tag {like}: as many frames, one place"),
            "list both in the site file ([[tag]]), or move them apart",
        ),
        Unsettled::TooSeldom => (
            format!("{count} frames a minute of tags like {example}: too seldom to tell"),
            "list them in the site file ([[tag]]), or wait a minute",
        ),
    };
    Said::here(words, advice)
}

fn unlisted(count: u32, tags: [Option<TagId>; NAMED_TAGS]) -> String {
    let named: Vec<String> = tags.iter().flatten().map(TagId::to_string).collect();
    let more = count as usize - named.len().min(count as usize);
    let more = if more > 0 { format!(" and {more} more") } else { String::new() };
    let (tag, are) = if count == 1 { ("tag", "is") } else { ("tags", "are") };
    format!("{tag} {}{more} {are} not in the site file, and not tracked", named.join(", "))
}

/// Whether an anchor stands where the site file says.
pub fn place(answer: &PlaceAnswer) -> String {
    match answer {
        PlaceAnswer::Unchanged { limit_m } => format!("not moved: {}", would_have_shown(*limit_m)),
        PlaceAnswer::Suspect => "moved or changed, it seems: see its findings".to_owned(),
        PlaceAnswer::CannotTell(why) => format!("can't tell whether it moved: {}", cannot_tell(why)),
    }
}

/// How much of a move is ruled out.
pub(crate) fn would_have_shown(limit_m: f64) -> String {
    format!("a move of {} m or more would have shown", metres(limit_m))
}

/// Why nobody can say whether an anchor has moved, as the end of a sentence.
pub fn cannot_tell(why: &CannotTell) -> String {
    match *why {
        CannotTell::NoPosition => "no position rests on three others".to_owned(),
        CannotTell::TooLittleTravel { travelled_m, needed_m } => {
            format!("the tag went {travelled_m:.0} of {needed_m:.0} m so far")
        }
        CannotTell::TagStandsStill => "the tag stands still".to_owned(),
        CannotTell::TravelTooNarrow => "the tag sees it from one side only".to_owned(),
        CannotTell::TooFewAnchors { have, need } => format!("{have} anchors heard, {need} needed"),
        CannotTell::AllAlike => "all anchors are off alike: tag or frame".to_owned(),
        CannotTell::SiteDoubted => "ranges and site file don't fit".to_owned(),
    }
}

/// What makes it possible to say whether an anchor has moved.
pub fn how_to_tell(why: &CannotTell) -> &'static str {
    match why {
        CannotTell::NoPosition => "get three other anchors to answer",
        CannotTell::TooLittleTravel { .. } | CannotTell::TagStandsStill => {
            "drive the tag around the area for some minutes"
        }
        CannotTell::TravelTooNarrow => "drive the tag past it on several sides",
        CannotTell::TooFewAnchors { .. } => "get more anchors to answer, or check places by tape",
        CannotTell::SiteDoubted => "see what is said of the kit as a whole first",
        CannotTell::AllAlike => "calibrate with the tag at known places: hereabout calibrate SITE --at E,N",
    }
}

/// Whether a finding puts an anchor's ranges in doubt, so that positions should do without it.
pub fn is_suspicion(finding: &AnchorFinding) -> bool {
    finding.is_about_place() || matches!(finding, AnchorFinding::TwoBoards { .. })
}

/// The ids of a set of anchors: "2, 5 and 6".
pub(crate) fn ids(set: AnchorSet, anchors: &[Anchor]) -> String {
    let ids: Vec<String> =
        anchors.iter().enumerate().filter(|(i, _)| set.contains(*i)).map(|(_, a)| a.id.to_string()).collect();
    match ids.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} and {last}", rest.join(", ")),
        _ => ids.concat(),
    }
}

#[cfg(test)]
#[path = "words_tests.rs"]
pub(crate) mod tests;
