//! Why there is no position, and why a range was left out of one.

use hereabout_core::{Doubt, NoFixReason, RejectReason};

use crate::said::{Said, Topic};

/// Where to see which anchors are silent.
const SEE_ANCHORS: &str = "see /v1/anchors.txt for which anchors are silent";

fn row(code: &'static str, words: impl Into<String>, advice: &str) -> Said {
    Said::new(Topic::Position, code, words, advice)
}

/// Why there is no fix, and what to do.
pub fn no_fix(reason: NoFixReason) -> Said {
    match reason {
        NoFixReason::NoRanges => row("no_ranges", "no usable range", SEE_ANCHORS),
        NoFixReason::TooFewRanges { have, need } => row(
            "too_few_ranges",
            format!("{have} usable range{} where {need} are needed", if have == 1 { "" } else { "s" }),
            SEE_ANCHORS,
        ),
        NoFixReason::WeakGeometry => row(
            "weak_geometry",
            "the answering anchors lie so that the place is not determined",
            "bring back the silent ones, or move one off their line",
        ),
        NoFixReason::TwoPlaces => row(
            "two_places",
            "two places fit and nothing tells them apart",
            "set area_m in the site file, or bring back an anchor that is off the others' line",
        ),
        NoFixReason::Inconsistent => row(
            "inconsistent",
            "the ranges contradict each other and none can be blamed",
            "check the anchors' places and offsets, and what stands in the way",
        ),
        NoFixReason::NotConverged => row(
            "not_converged",
            "the computation did not settle",
            "check the anchors' places in the site file",
        ),
        NoFixReason::NotCurrent(doubt) => doubted(doubt),
    }
}

/// Why frames give no position although they come, and what to do.
pub fn doubted(doubt: Doubt) -> Said {
    match doubt {
        Doubt::Old => row(
            "old_frames",
            "frames come, but they were measured too long ago",
            "look for what holds them back",
        ),
        Doubt::Repeated => row(
            "repeated_frames",
            "frames come that came before",
            "restart the primary anchor, or what stands between it and this computer",
        ),
        Doubt::Frozen => row(
            "frozen_frames",
            "frames come whose ranges are bit for bit those of before",
            "switch the primary anchor off and on",
        ),
        Doubt::Unsettled => row(
            "age_unknown",
            "how old the frames are is not known yet",
            "wait until their pace has been even for some seconds",
        ),
        Doubt::UnknownTag => row(
            "unknown_tag",
            "frames come, but of no tag that is known",
            "see the kit in /v1/anchors, and [[tag]] in the site file",
        ),
    }
}

/// Why there is no position any more where the last one has run out.
pub fn expired() -> Said {
    row("expired", "nothing newer was said for as long as the last position held", "")
}

/// Why a range was left out of a position.
pub fn left_out(reason: RejectReason) -> &'static str {
    match reason {
        RejectReason::TooLong => "too long",
        RejectReason::TooShort => "too short",
        RejectReason::NotCredible => "not credible",
    }
}

#[cfg(test)]
mod tests;
