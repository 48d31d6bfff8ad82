//! What every tag is to every zone of the site.

use hereabout_core::{MAX_ANCHORS, Site, TagId, TagState, Timestamp, ZoneShape, ZoneState};

use arrayvec::ArrayVec;

use crate::report::{JudgedRange, PositionReport, ZoneReport, ZoneWhy};

/// One tag and one zone, between two reports.
#[derive(Clone, Debug)]
struct Watched {
    zone: usize,
    state: ZoneState,
    since: Timestamp,
}

/// The zones of one tag.
#[derive(Clone, Debug)]
pub(crate) struct TagZones {
    zones: Vec<Watched>,
}

impl TagZones {
    /// The zones that are about this tag.
    pub(crate) fn new(tag: TagId, at: Timestamp, site: &Site) -> TagZones {
        let about = |rule: &hereabout_core::ZoneRule| rule.tags.is_empty() || rule.tags.contains(&tag);
        let watched = |zone| Watched { zone, state: ZoneState::Unknown, since: at };
        let zones = site.zones().iter().enumerate().filter(|(_, z)| about(&z.rule)).map(|(i, _)| watched(i));
        TagZones { zones: zones.collect() }
    }

    /// Takes in what was just published about the tag, with the ranges of the epoch (none when a time ran out);
    /// gives a report for each zone to `out`.
    pub(crate) fn update(
        &mut self,
        position: &PositionReport,
        _ranges: &ArrayVec<JudgedRange, MAX_ANCHORS>,
        site: &Site,
        mut out: impl FnMut(ZoneReport),
    ) {
        for watched in &mut self.zones {
            let inside = match (&site.zones()[watched.zone].shape, position.place) {
                (ZoneShape::Circle { at_m, radius_m }, Some(place)) => {
                    let [e, n] = [0, 1].map(|i| place.position_m[i] - at_m[i]);
                    Some(e * e + n * n <= radius_m * radius_m)
                }
                _ => None,
            };
            let (state, why) = match (position.state, inside) {
                (TagState::Located, Some(true)) => (ZoneState::Inside, ZoneWhy::Probability),
                (TagState::Located, Some(false)) => (ZoneState::Outside, ZoneWhy::Probability),
                _ => (ZoneState::Unknown, ZoneWhy::Undecided),
            };
            let was = std::mem::replace(&mut watched.state, state);
            if was != state {
                watched.since = position.at;
            }
            out(ZoneReport {
                seq: 0,
                zone: watched.zone,
                tag: position.tag,
                at: position.at,
                valid_until: position.valid_until,
                state,
                was,
                since: watched.since,
                why,
                probability: None,
                depth_m: None,
                eta_s: None,
            });
        }
    }
}
