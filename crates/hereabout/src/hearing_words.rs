//! What `listen` says about a kit: facts of the engine in words that a technician can act on.

use std::fmt::Write;

use hereabout_commission::hearing::HearingWarning;
use hereabout_core::{AnchorId, Site, TagId};

/// What anchors are called: by their names in a site, by their range field without one.
pub(crate) struct Names {
    /// Id and name.
    anchors: Vec<(AnchorId, String)>,
    has_site: bool,
}

impl Names {
    /// The anchors of a site that have a range field, in the order of the fields.
    pub(crate) fn of_site(site: &Site) -> Names {
        let slots = (0..hereabout_core::MAX_ANCHORS).filter_map(|slot| site.anchor_of_slot(slot));
        let name = |i: usize| (site.anchors()[i].id, site.anchors()[i].name.clone());
        Names { anchors: slots.map(name).collect(), has_site: true }
    }

    /// Range fields without a site.
    pub(crate) fn of_fields(fields: usize) -> Names {
        let ids = (0..u16::try_from(fields).unwrap_or(0)).map(AnchorId);
        Names { anchors: ids.map(|id| (id, format!("range field {id}"))).collect(), has_site: false }
    }

    /// The ids, in the order of the fields.
    pub(crate) fn ids(&self) -> impl Iterator<Item = AnchorId> + '_ {
        self.anchors.iter().map(|(id, _)| *id)
    }

    /// The name alone.
    pub(crate) fn name(&self, id: AnchorId) -> &str {
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
pub(crate) fn words(warning: &HearingWarning, names: &Names, name_tags: bool) -> String {
    let mut out = String::new();
    if let (true, (_, Some(TagId(tag)), _)) = (name_tags, warning.topic()) {
        let _ = write!(out, "tag {tag}: ");
    }
    out + &what(warning, names)
}

fn what(warning: &HearingWarning, names: &Names) -> String {
    match warning {
        HearingWarning::TagStopped { ago, .. } => format!(
            "no frame for {:.0} s: check the kit's power and cable, and the tag's battery",
            ago.secs_f64()
        ),
        HearingWarning::NeverHeard { anchors, .. } => {
            format!("never heard: {}: switched off, out of reach, or not there", names.list(anchors))
        }
        HearingWarning::JustVanished { anchor, ago, .. } => format!(
            "{} vanished {:.0} s ago: check its power; back in 2-3 s after power is usual (common practice)",
            names.full(*anchor),
            ago.secs_f64()
        ),
        HearingWarning::Silent { anchor, ago, .. } => format!(
            "{} has been silent for {:.0} s: check its power, and what stands between it and the tag",
            names.full(*anchor),
            ago.secs_f64()
        ),
        HearingWarning::TwoValues { anchor, values, .. } => format!(
            "{} jumps between {:.1} m and {:.1} m: probably two boards are set to one id; switch one of them \
             off to see, then change its id",
            names.full(*anchor),
            values.near_m,
            values.far_m
        ),
        HearingWarning::Damaged { pieces, share } => format!(
            "{pieces} pieces of the last 10 s were no whole frame ({:.0} %): frames are cut or damaged; check \
             cable, ground and baud rate, and look with --raw",
            100.0 * share
        ),
        HearingWarning::FramesLost { frames, .. } => format!(
            "{frames} frames of the last 10 s are missing by their counter: bytes get lost on the way, or the \
             module leaves them out"
        ),
        HearingWarning::Uneven { usual, longest, .. } => format!(
            "frames arrive unevenly: every {:.0} ms as a rule, {:.0} ms at worst; an adapter that collects bytes, \
             a busy radio or a busy machine",
            1e3 * usual.secs_f64(),
            1e3 * longest.secs_f64()
        ),
        HearingWarning::NoFrames { bytes } => format!(
            "{bytes} bytes came, and none of them is a frame of this layout: look with --raw, or let \
             `hereabout learn` propose a layout"
        ),
    }
}
