//! What is found about one anchor: what, the evidence in numbers, what to do.
//!
//! The anchor table, the page, the events and the bodies of version 1 all say it with these words. A claim never goes
//! beyond its numbers: a direction is reported with its standard error, and what the ranges cannot tell is said.
//! `±` is one standard error. North, east and bearings are those of the site file, which need not be a
//! compass's. Sentences are short, so that words and advice fit a line of the table each. Advice about
//! power, plugs and mounting is common practice, no source.

use std::fmt::Write as _;

use hereabout_core::{Anchor, AnchorId, AnchorSet, Timestamp};
use hereabout_engine::{AnchorFinding, AnchorHealth};

use crate::numbers::{bearing_deg, degrees, direction, direction_of, list, metres, millimetres, percent};
use crate::said::{Said, Topic};
use crate::site::site_fit;
use crate::time::{instant, span};

/// Says that positions do without an anchor.
pub const NOT_USED: &str = "not used: positions do without it";

/// Says that an anchor is named, and takes part all the same.
pub const STILL_IN_USE: &str = "still in use for want of others, so that no position counts as checked";

/// Says that an anchor is one of several suspects, none of which is left out.
pub const NOT_TOLD_WHICH: &str = "still in use, as long as nobody can tell which";

/// How positions treat an anchor with these findings; `None` for one that is used like any other.
pub fn treated(findings: &[AnchorFinding], excluded: bool) -> Option<&'static str> {
    let named = |f: &AnchorFinding| is_suspicion(f) && !matches!(f, AnchorFinding::OneOf { .. });
    if excluded {
        Some(NOT_USED)
    } else if findings.iter().any(named) {
        Some(STILL_IN_USE)
    } else {
        findings.iter().any(is_suspicion).then_some(NOT_TOLD_WHICH)
    }
}

/// What is found about `anchor`, and what to do. `anchors` are those of the site, in its order.
pub fn found(finding: &AnchorFinding, anchor: AnchorId, anchors: &[Anchor]) -> Said {
    let said = match *finding {
        AnchorFinding::DuplicateId { apart_m, share } => two_boards(apart_m, share, anchor),
        AnchorFinding::Misplaced { shift_m, explained } => misplaced(shift_m, explained, anchor, anchors),
        AnchorFinding::Moved { shift_m, up_m, size_se_m, direction_se_deg } => there(
            "moved",
            moved(shift_m, up_m, size_se_m, direction_se_deg),
            "put it back, or measure its place and correct at_m in the site file",
        ),
        AnchorFinding::OffsetChanged { by_m, se_m } => offset_changed(by_m, se_m, anchor),
        AnchorFinding::ReadsLong { by_m } => there(
            "reads_long",
            format!("reads {} m long: moved away, or something stands in front of it", metres(by_m)),
            "look at it first: does something stand in front? if not, measure its place",
        ),
        AnchorFinding::Changed { by_m } => changed(by_m),
        AnchorFinding::OneOf { anchors: set } => one_of(set, anchors),
        AnchorFinding::NeverHeard => there(
            "never_heard",
            "never heard in this session",
            format!("check that it has power and that its board is set to id {anchor}"),
        ),
        // 2-3 s: common practice, no source.
        AnchorFinding::Silent => there(
            "silent",
            "answers no more",
            "check its power; usually back 2-3 s after power returns (common practice)",
        ),
        AnchorFinding::Held => there(
            "held",
            "its range is frozen: the module repeats the last one, the anchor is silent",
            "check its power; usually back 2-3 s after power returns (common practice)",
        ),
        AnchorFinding::Flapping { times, over } => there(
            "flapping",
            format!("fell silent {times} times in {}", span(over)),
            "check its plug, cable and supply: often a loose contact",
        ),
        AnchorFinding::OftenNlos { share, worst_hour_utc, worst_direction_deg } => {
            often_nlos(share, worst_hour_utc, worst_direction_deg)
        }
        AnchorFinding::Noisy { sigma_m, usual_m } => there(
            "noisy",
            format!("its good ranges scatter by {} m; {} m is usual", metres(sigma_m), metres(usual_m)),
            "check its mounting and antenna, and metal close to it",
        ),
        AnchorFinding::Drifting { m_per_day, se_m_per_day } => drifting(m_per_day, se_m_per_day),
        AnchorFinding::Weak { share, expected } => there(
            "weak",
            format!(
                "answers in {} of the frames; its distance leads to expect {}",
                percent(share),
                percent(expected)
            ),
            "turn or raise it, clear its view, check its antenna",
        ),
    };
    said.ranked(finding.kind().rank())
}

/// The code of a finding alone, as [`found`] has it.
pub fn code(finding: &AnchorFinding) -> &'static str {
    found(finding, AnchorId(0), &[]).code
}

/// Advice about an anchor sends somebody there.
fn there(code: &'static str, words: impl Into<String>, advice: impl Into<String>) -> Said {
    Said::new(Topic::Anchor, code, words, advice).sending()
}

/// Where to look first when nothing is heard of any anchor, or a finding about all of them is the reason.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LookFirst {
    /// The link to the kit is not there.
    Link,
    /// The engine says nothing newer.
    Status,
    /// A finding about the kit silences all anchors.
    NotAlone,
    /// A finding about the kit explains it.
    Kit,
}

impl LookFirst {
    /// As advice that stands beside an anchor and sends nobody to it.
    fn advice(self) -> &'static str {
        match self {
            LookFirst::Link => "nothing is heard at all: see to the link first (/v1/status)",
            LookFirst::Status => "nothing newer was said of any anchor: see /v1/status first",
            LookFirst::NotAlone => "it is not alone: see what is said of the kit as a whole first",
            LookFirst::Kit => "see what is said of the kit as a whole first",
        }
    }
}

impl Said {
    /// The same with the advice to look elsewhere first.
    pub fn look_first(self, place: LookFirst) -> Said {
        Said { advice: place.advice().to_owned(), on_site: false, ..self }
    }

    /// A silence, with the instant since when it lasts.
    pub fn silent_since(self, since: Timestamp) -> Said {
        Said { words: format!("silent since {}", instant(since)), ..self }
    }
}

/// More of its ranges left out than this: something is in the way.
const REJECTED_SHARE: f64 = 0.25;
/// Heard in fewer of the frames than this: weak.
const WEAK_SHARE: f64 = 0.5;
/// A mean residual above this is no noise, metres.
const MEAN_RESIDUAL_M: f64 = 0.15;
/// The rank of the first remark: behind every finding.
const FIRST_REMARK: u8 = 100;

/// What the figures of the last 10 s suggest where nothing is found: a remark and no more. A misfit tells that something is
/// wrong, not with which anchor, and ten seconds may be one path of the tag. So a remark sends nobody to an anchor. Its limits
/// are common practice, no source; they only choose words.
pub fn remark(health: &AnchorHealth) -> Option<Said> {
    let later = "look again when the tag has moved on";
    let said = |code, more, words| Said::new(Topic::Anchor, code, words, later).ranked(FIRST_REMARK + more);
    let rejected = health.rejected_share.filter(|s| *s > REJECTED_SHARE).map(|share| {
        let share = percent(share);
        said(
            "many_left_out",
            0,
            format!("{share} of its ranges do not fit at present; the cause is not found"),
        )
    });
    let weak = health.share.filter(|s| *s < WEAK_SHARE).map(|share| {
        said("few_ranges", 1, format!("a range in only {} of the frames at present", percent(share)))
    });
    let biased = health.mean_residual_m.filter(|m| m.abs() > MEAN_RESIDUAL_M).map(|m| {
        let way = if m > 0.0 { "long" } else { "short" };
        said("reads_off", 2, format!("reads {} m {way} at present; the cause is not found", metres(m.abs())))
    });
    rejected.or(weak).or(biased)
}

fn two_boards(apart_m: f64, share: f64, anchor: AnchorId) -> Said {
    there(
        "two_boards",
        format!(
            "two boards answer as id {anchor}: ranges jump by {} m, {} by the rarer",
            metres(apart_m),
            percent(share)
        ),
        "switch one of the two off, then set it to an id of its own",
    )
}

fn changed(by_m: f64) -> Said {
    there(
        "changed",
        format!(
            "reads {} m {} than it should; its place or its offset, not told yet",
            metres(by_m.abs()),
            if by_m < 0.0 { "shorter" } else { "longer" }
        ),
        "look at it first: has it moved? drive the tag past it on several sides",
    )
}

fn one_of(set: AnchorSet, anchors: &[Anchor]) -> Said {
    there(
        "one_of",
        format!(
            "{} moved or changed; the ranges don't tell which",
            match ids(set, anchors) {
                list if list.is_empty() => "one of several anchors has".to_owned(),
                list => format!("one of {list} has"),
            }
        ),
        "measure their places, and correct at_m of the one that is off",
    )
}

fn misplaced(shift_m: [f64; 3], explained: f64, anchor: AnchorId, anchors: &[Anchor]) -> Said {
    let stated = anchors.iter().find(|a| a.id == anchor).map(|a| a.at_m);
    let at_m = stated.map(|[e, n, u]| [e + shift_m[0], n + shift_m[1], u + shift_m[2]]);
    // A height alone is reported where the tag's height is given: its mirror image about that reads alike.
    let only_up = shift_m[0] == 0.0 && shift_m[1] == 0.0 && shift_m[2] != 0.0;
    let mirrored = if only_up { ", or mirrored at the tag's height" } else { "" };
    there(
        "misplaced",
        format!("not at its at_m: {} fit {}{mirrored}", percent(explained), direction_of(shift_m)),
        match at_m {
            Some(at_m) if only_up => {
                format!("look at it first; measure its height; at_m = {} fits", site_fit::place(at_m))
            }
            Some(at_m) => format!("look at it first; if it hangs there: at_m = {}", site_fit::place(at_m)),
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
    there(
        "offset_changed",
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
    there(
        "drifting",
        format!("reads {} m {way} every day (± {})", millimetres(m_per_day.abs()), millimetres(se_m_per_day)),
        "look at it first; not moved: calibrate it; if it goes on, change the board",
    )
}

fn often_nlos(share: f64, worst_hour_utc: Option<u8>, worst_direction_deg: Option<f64>) -> Said {
    let mut words = format!("{} of ranges blocked or reflected", percent(share));
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
    there("often_late", words, advice)
}

/// Whether a finding puts an anchor's ranges in doubt, so that positions should do without it.
pub fn is_suspicion(finding: &AnchorFinding) -> bool {
    finding.is_about_place() || matches!(finding, AnchorFinding::DuplicateId { .. })
}

/// The ids of a set of anchors: "2, 5 and 6".
fn ids(set: AnchorSet, anchors: &[Anchor]) -> String {
    let ids: Vec<String> =
        anchors.iter().enumerate().filter(|(i, _)| set.contains(*i)).map(|(_, a)| a.id.to_string()).collect();
    list(&ids)
}

#[cfg(test)]
mod tests;
