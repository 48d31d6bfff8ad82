//! What is odd about a kit that is listened to, in words that a technician can act on.

use hereabout_commission::hearing::HearingWarning;
use hereabout_core::{AnchorId, Site};

use crate::said::{Fact, Said, Topic};

/// What anchors are called: by their names in a site, by their range field without one.
pub struct Names {
    /// Id and name.
    anchors: Vec<(AnchorId, String)>,
    has_site: bool,
}

impl Names {
    /// The anchors of a site that have a range field, in the order of the fields.
    pub fn of_site(site: &Site) -> Names {
        let slots = (0..hereabout_core::MAX_ANCHORS).filter_map(|slot| site.anchor_of_slot(slot));
        let name = |i: usize| (site.anchors()[i].id, site.anchors()[i].name.clone());
        Names { anchors: slots.map(name).collect(), has_site: true }
    }

    /// Range fields without a site.
    pub fn of_fields(fields: usize) -> Names {
        let ids = (0..u16::try_from(fields).unwrap_or(0)).map(AnchorId);
        Names { anchors: ids.map(|id| (id, format!("range field {id}"))).collect(), has_site: false }
    }

    /// The ids, in the order of the fields.
    pub fn ids(&self) -> impl Iterator<Item = AnchorId> + '_ {
        self.anchors.iter().map(|(id, _)| *id)
    }

    /// The name alone.
    pub fn name(&self, id: AnchorId) -> &str {
        self.anchors.iter().find(|(known, _)| *known == id).map_or("", |(_, name)| name)
    }

    /// `anchor 6 (glasshouse door)`, or `range field 6`.
    fn full(&self, id: AnchorId) -> String {
        match (self.has_site, self.name(id)) {
            (false, _) => format!("range field {id}"),
            (true, name) if name.is_empty() || name == format!("anchor {id}") => format!("anchor {id}"),
            (true, name) => format!("anchor {id} ({name})"),
        }
    }

    fn list(&self, ids: &[AnchorId]) -> String {
        let numbers: Vec<String> = ids.iter().map(ToString::to_string).collect();
        let what = match (self.has_site, ids.len()) {
            (true, 1) => return self.full(ids[0]),
            (true, _) => "anchors",
            (false, 1) => "range field",
            (false, _) => "range fields",
        };
        format!("{what} {}", numbers.join(", "))
    }
}

/// What is odd and what to do about it, as one line. The tag is named when there are several.
pub fn line(warning: &HearingWarning, names: &Names, name_tags: bool) -> String {
    let said = found(warning, names);
    match warning.about() {
        (Some(tag), _) if name_tags => format!("tag {tag}: {}", said.line()),
        _ => said.line(),
    }
}

/// What kind of warning it is, for programs.
pub fn code(warning: &HearingWarning) -> &'static str {
    match warning {
        HearingWarning::TagStopped { .. } => "tag_stopped",
        HearingWarning::NeverHeard { .. } => "never_heard",
        HearingWarning::JustVanished { .. } => "just_vanished",
        HearingWarning::Silent { .. } => "silent",
        HearingWarning::TwoValues { .. } => "two_values",
        HearingWarning::Damaged { .. } => "damaged",
        HearingWarning::FramesLost { .. } => "frames_lost",
        HearingWarning::Uneven { .. } => "uneven",
        HearingWarning::NoFrames { .. } => "no_frames",
    }
}

/// What is odd, and what to do about it; with the tag and the anchor that it is about.
pub fn found(warning: &HearingWarning, names: &Names) -> Said {
    let (tag, anchor) = warning.about();
    let code = code(warning);
    let told = |words: String, advice: &str| Said::new(Topic::Hearing, code, words, advice);
    let said = match warning {
        HearingWarning::TagStopped { ago, .. } => told(
            format!("no frame for {:.0} s", ago.secs_f64()),
            "check the kit's power and cable, and the tag's battery",
        )
        .sending(),
        HearingWarning::NeverHeard { anchors, .. } => told(
            format!("never heard: {}: switched off, out of reach, or not there", names.list(anchors)),
            "",
        ),
        HearingWarning::JustVanished { anchor, ago, .. } => told(
            format!("{} vanished {:.0} s ago", names.full(*anchor), ago.secs_f64()),
            "check its power; back in 2-3 s after power is usual (common practice)",
        )
        .sending(),
        HearingWarning::Silent { anchor, ago, .. } => told(
            format!("{} has been silent for {:.0} s", names.full(*anchor), ago.secs_f64()),
            "check its power, and what stands between it and the tag",
        )
        .sending(),
        HearingWarning::TwoValues { anchor, values, .. } => told(
            format!(
                "{} jumps between {:.1} m and {:.1} m: probably two boards are set to one id",
                names.full(*anchor),
                values.near_m,
                values.far_m
            ),
            "switch one of them off to see, then change its id",
        )
        .joined_by("; ")
        .sending(),
        HearingWarning::Damaged { pieces, share } => told(
            format!(
                "{pieces} pieces of the last 10 s were no whole frame ({:.0} %): frames are cut or damaged",
                100.0 * share
            ),
            "check cable, ground and baud rate, and look with --raw",
        )
        .joined_by("; ")
        .sending(),
        HearingWarning::FramesLost { frames, .. } => told(
            format!(
                "{frames} frames of the last 10 s are missing by their counter: bytes get lost on the way, or the \
                 module leaves them out"
            ),
            "",
        ),
        HearingWarning::Uneven { usual, longest, .. } => told(
            format!(
                "frames arrive unevenly: every {:.0} ms as a rule, {:.0} ms at worst; an adapter that collects bytes, \
                 a busy radio or a busy machine",
                1e3 * usual.secs_f64(),
                1e3 * longest.secs_f64()
            ),
            "",
        ),
        HearingWarning::NoFrames { bytes } => told(
            format!("{bytes} bytes came, and none of them is a frame of this layout"),
            "look with --raw, or let `hereabout learn` propose a layout",
        ),
    };
    said.with("tag", tag.map(|tag| Fact::Whole(tag.0.into())))
        .with("anchor", anchor.map(|anchor| Fact::Whole(anchor.0.into())))
}

#[cfg(test)]
mod tests;
