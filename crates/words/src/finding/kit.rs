//! What is found about the kit as a whole: what, the evidence in numbers, what to do.
//!
//! It stands before what is found about anchors: with a tag that is switched off no anchor needs a visit.

use hereabout_core::{Micros, TagId};
use hereabout_engine::{KitFinding, NAMED_TAGS, Unsettled};

use crate::numbers::{metres, percent};
use crate::said::{Said, Topic};
use crate::site::site_fit::{self, SiteNames};
use crate::time::span;

/// What is found about the kit as a whole, and what to do; `names` are of the site that it is about.
pub fn found(finding: &KitFinding, names: SiteNames<'_>) -> Said {
    match *finding {
        KitFinding::TagOff { tag } => here(
            "tag_off",
            format!("tag {tag} is off or out of reach: frames come, all anchors lost it at once"),
            "switch the tag on, charge it, or bring it back into reach",
        ),
        KitFinding::AnchorsGone => there(
            "anchors_gone",
            "frames come, but the anchors are gone: one by one, or all but the primary",
            "check the anchors' power: a supply or a breaker may feed several of them",
        ),
        KitFinding::NobodyAnswers => there(
            "nobody_answers",
            "frames come without ranges; nothing tells the tag from the anchors",
            "look at the tag first (on? charged?), then at the anchors' power",
        ),
        KitFinding::CableOut => there(
            "cable_out",
            "no byte comes: the cable is out, or the primary anchor has no power",
            "plug the cable in at both ends; check the primary anchor's power",
        ),
        KitFinding::FramesCut { share } => there(
            "frames_cut",
            format!("{} of the frames of the last minute came cut or damaged", percent(share)),
            "use a shorter cable, away from motors and mains; check the baud rate",
        ),
        KitFinding::Frozen { tag } => there(
            "frozen",
            format!("frozen: every range of tag {tag} is bit for bit the one before"),
            "switch the primary anchor off and on: its module hangs",
        ),
        KitFinding::Repeated { tag } => there(
            "repeated",
            format!("repeated frames of tag {tag}: sent again, or the counter stands still"),
            "restart the primary anchor, or what stands between it and this computer",
        ),
        KitFinding::OldFrames { tag, age } => here(
            "old_frames",
            format!("old frames of tag {tag}: measured {} before they came", span(age)),
            "look for what holds them back: bridge, adapter, radio link, busy computer",
        ),
        KitFinding::AgeUnknown { tag } => here(
            "age_unknown",
            format!("nobody can say how old frames of tag {tag} are: their pace is odd"),
            "look for stalls and bursts; is `millis` of the layout in milliseconds?",
        ),
        KitFinding::SiteDoesNotFit { doubt } => Said { topic: Topic::Kit, ..site_fit::found(&doubt, names) },
        KitFinding::UnevenClock { tag, usual, longest, share } => uneven_clock(tag, usual, longest, share),
        KitFinding::UnknownTags { count, example, why } => unknown_tags(count, example, why),
        KitFinding::UnlistedTags { count, tags } => here(
            "unlisted_tags",
            unlisted(count, tags),
            "add a [[tag]] with its id to have it tracked, or switch it off",
        ),
        KitFinding::TagOffset { tag, by_m } => here(
            "tag_offset",
            format!(
                "all anchors read {} m {} to tag {tag}, not to others: its own offset",
                metres(by_m.abs()),
                if by_m < 0.0 { "short" } else { "long" }
            ),
            "look at that tag's antenna and mounting; its positions may be off",
        ),
    }
}

fn uneven_clock(tag: TagId, usual: Micros, longest: Micros, share: f64) -> Said {
    here(
        "uneven_clock",
        format!(
            "tag {tag} comes unevenly: usually every {}, {} off, longest gap {}",
            span(usual),
            percent(share),
            span(longest)
        ),
        "check this computer's load, and the hub or adapter on the cable",
    )
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
    here("unknown_tags", words, advice)
}

fn unlisted(count: u32, tags: [Option<TagId>; NAMED_TAGS]) -> String {
    let named: Vec<String> = tags.iter().flatten().map(TagId::to_string).collect();
    let more = count as usize - named.len().min(count as usize);
    let more = if more > 0 { format!(" and {more} more") } else { String::new() };
    let (tag, are) = if count == 1 { ("tag", "is") } else { ("tags", "are") };
    format!("{tag} {}{more} {are} not in the site file, and not tracked", named.join(", "))
}

/// Advice that sends somebody to the anchors or to the kit's power.
fn there(code: &'static str, words: impl Into<String>, advice: impl Into<String>) -> Said {
    here(code, words, advice).sending()
}

fn here(code: &'static str, words: impl Into<String>, advice: impl Into<String>) -> Said {
    Said::new(Topic::Kit, code, words, advice)
}

#[cfg(test)]
mod tests;
