//! From raw words to ranges in metres: the one place that knows which field is whose.

use arrayvec::ArrayVec;
use hereabout_core::{AnchorId, Epoch, Frame, RangeReading, Site, TagId, Word};
use hereabout_wire::FrameSpec;

/// The ranges of a frame, one reading for each field that belongs to an anchor of the site.
///
/// A word that means "no range" becomes a reading without a range; spare fields are left out. No
/// correction is applied, so that the log holds what the kit said.
pub fn epoch_from_frame(frame: &Frame, spec: &FrameSpec, site: &Site) -> Epoch {
    let readings = frame
        .words
        .iter()
        .enumerate()
        .filter_map(|(slot, word)| {
            let anchor = &site.anchors()[site.anchor_of_slot(slot)?];
            Some(RangeReading { anchor: anchor.id, raw_range_m: spec.range_m(*word) })
        })
        .collect::<ArrayVec<_, { hereabout_core::MAX_ANCHORS }>>();
    Epoch::new(frame.received_at, TagId(frame.tag.unwrap_or(0)), frame.seq, readings)
}

/// An epoch of a stream without a site: range field n stands for anchor n, whatever board that is.
pub fn epoch_by_field(frame: &Frame, spec: &FrameSpec) -> Epoch {
    let reading = |(field, word): (usize, &Word)| RangeReading {
        anchor: AnchorId(u16::try_from(field).unwrap_or(u16::MAX)),
        raw_range_m: spec.range_m(*word),
    };
    let readings = frame.words.iter().enumerate().map(reading).collect();
    Epoch::new(frame.received_at, TagId(frame.tag.unwrap_or(0)), frame.seq, readings)
}
