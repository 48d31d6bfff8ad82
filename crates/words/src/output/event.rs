//! Events: one sentence each. Its kind is the event's own, so these are sentences and no rows.

use hereabout_core::{AnchorId, AnchorState, MAX_TAGS, Micros, TagId};

use crate::output::tag;
use crate::time::span;

/// What a change of site file or offsets means.
const ANEW: &str = "tracks are computed anew from the last ranges, zones start as unknown";

/// An anchor of this name is heard, or is not.
pub fn anchor(anchor: AnchorId, name: &str, now: AnchorState) -> String {
    match now {
        AnchorState::Heard => format!("Anchor {anchor} ({name}) is heard."),
        AnchorState::Silent => format!("Anchor {anchor} ({name}) fell silent."),
        AnchorState::NeverHeard => format!("Anchor {anchor} ({name}) has not been heard."),
    }
}

/// Something was found about an anchor, in `words`, or is over.
pub fn finding(anchor: AnchorId, name: &str, is_over: bool, words: &str) -> String {
    format!("Anchor {anchor} ({name}): {}{words}.", over(is_over))
}

/// Something was found about the kit, in `words`, or is over.
pub fn kit(is_over: bool, words: &str) -> String {
    format!("The kit: {}{words}.", over(is_over))
}

fn over(is_over: bool) -> &'static str {
    if is_over { "over: " } else { "" }
}

/// A tag is tracked from now on.
pub fn tag_admitted(of: TagId, name: Option<&str>) -> String {
    format!("{} is heard, and tracked from now on.", tag::begins(of, name))
}

/// A tag is forgotten; `is_named` when the site or one of its zones names it.
pub fn tag_retired(of: TagId, name: Option<&str>, silent_for: Micros, is_named: bool) -> String {
    let zones = if is_named { "zones that name it stay unknown" } else { "zones count it no more" };
    format!("{} was silent for {}, and is forgotten: {zones}.", tag::begins(of, name), span(silent_for))
}

/// A track begins anew elsewhere.
pub fn restart(of: TagId, name: Option<&str>) -> String {
    format!("The track of {} was given up for another place: it may have jumped.", tag::named(of, name))
}

/// The link stands, or waits for `reason`.
pub fn link(reason: Option<&str>) -> String {
    match reason {
        None => "The kit is connected.".to_owned(),
        Some(reason) => format!("The link to the kit is waiting: {reason}."),
    }
}

/// The daemon started; `before` says what is known of the run before.
pub fn start(version: &str, site: &str, before: &str) -> String {
    format!("The daemon started (version {version}, {site}); zones are unknown until told; {before}.")
}

/// There was no run before in this log.
pub const LOG_IS_NEW: &str = "the log is new";
/// Nobody can say how the run before ended.
pub const BEFORE_UNKNOWN: &str = "what happened before is not known here";
/// The run before ended as it should, and not all of its events are kept.
pub const EVENTS_OF_BEFORE_MISSING: &str = "events of the run before are missing in the log";

/// The run before was cut off; `seq` is its newest event that is known.
pub fn cut_off_before(seq: Option<u64>) -> String {
    format!("the run before was cut off: events{} may be missing", after(seq))
}

/// The run before ended as it should; `seq` is its newest event.
pub fn ended_before(seq: Option<u64>) -> String {
    format!("the run before ended{}", after(seq))
}

fn after(seq: Option<u64>) -> String {
    seq.map_or_else(String::new, |seq| format!(" after event {seq}"))
}

/// The daemon stopped.
pub const STOP: &str = "The daemon stopped; zones are unknown from now on.";

/// The site file was read again: how it came about, as a part of a sentence.
pub fn configuration(how: &str) -> String {
    format!("The configuration was {how}; {ANEW}.")
}

/// Somebody said that an anchor was mended.
pub fn mended(anchor: AnchorId, name: &str) -> String {
    format!("Anchor {anchor} ({name}) was said to be mended: its evidence begins anew; {ANEW}.")
}

/// New offsets are in force: how they came, as a part of a sentence.
pub fn calibration(how: &str) -> String {
    format!("A calibration was {how}; {ANEW}.")
}

/// The computer's clock was set by `by`; zero says only whether it is synchronised.
pub fn clock(by: Micros, synchronised: Option<bool>) -> String {
    let sync = match synchronised {
        Some(true) => "it is synchronised",
        Some(false) => "it is not synchronised: set up time synchronisation",
        None => "whether it is synchronised is not known",
    };
    if by == Micros::ZERO {
        return format!("The computer's clock: {sync}.");
    }
    let by_s = by.secs_f64();
    let way = if by_s > 0.0 { "forward" } else { "back" };
    format!(
        "The computer's clock was set {way} by {:.3} s; stamps follow it, answers do not; {sync}.",
        by_s.abs()
    )
}

/// So many frames, positions or events (`one` names one of them) are missing in the log.
pub fn missing_in_log(count: u64, one: &str) -> String {
    let s = if count == 1 { "" } else { "s" };
    format!("Missing in the log: {count} {one}{s}. See its state in /v1/status.")
}

/// Frames that came with an older stamp than the one before were left out.
pub fn out_of_order(count: u64) -> String {
    format!("Left out: {}, older than the one before.", frames(count))
}

/// Frames of tags beyond those that are tracked were left out.
pub fn too_many_tags(count: u64) -> String {
    format!(
        "Left out: {} of further tags: {MAX_TAGS} are tracked already. Switch some off, or list in the site file those to \
         track.",
        frames(count)
    )
}

/// Frames arrived damaged.
pub fn damaged_frames(count: u64) -> String {
    format!("Damaged on arrival: {}. Check the cable, its length, and baud.", frames(count))
}

fn frames(count: u64) -> String {
    if count == 1 { "1 frame".to_owned() } else { format!("{count} frames") }
}

#[cfg(test)]
mod tests;
