//! What counts at one moment, from what the hub keeps: everything that is served takes from here. What of it has run
//! out, [`crate::state::expiry`] says.

pub(crate) mod place_summary;
pub(crate) mod readiness;
pub(crate) mod status;

use std::sync::Arc;

use hereabout_core::{Anchor, Micros, TagId, Timestamp, Zone};
use hereabout_words::zone::Unheard;

use crate::{
    current::place_summary::PlaceSummary,
    health::{Around, Diagnosis},
    state::expiry::{AnchorNow, Position, anchor, position},
    state::site_info::SiteInfo,
    state::{Connectivity, Snapshot},
    v1::{AnchorBody, PositionBody, Sending, ZoneAnswerBody, ZoneReportBody},
};

/// What there is at one moment, and which moment that is.
pub(crate) struct Moment {
    pub(crate) now: Snapshot,
    pub(crate) site: Arc<SiteInfo>,
    pub(crate) clock: Timestamp,
}

impl Moment {
    /// What of it counts at that moment.
    pub(crate) fn current(&self) -> Current<'_> {
        Current { now: &self.now, site: &self.site, clock: self.clock }
    }
}

/// All that the hub keeps, as it counts at `clock`.
#[derive(Clone, Copy)]
pub(crate) struct Current<'a> {
    pub(crate) now: &'a Snapshot,
    pub(crate) site: &'a SiteInfo,
    pub(crate) clock: Timestamp,
}

impl<'a> Current<'a> {
    /// What is known of a tag; `None` for one that was never heard.
    pub(crate) fn position(&self, tag: TagId) -> Option<Position<'a>> {
        self.now.tags.get(&tag).map(|latest| position(&latest.report, self.clock))
    }

    /// The same of all tags, in the order of their ids.
    pub(crate) fn positions(&self) -> impl Iterator<Item = (TagId, Position<'a>)> {
        let clock = self.clock;
        self.now.tags.iter().map(move |(tag, latest)| (*tag, position(&latest.report, clock)))
    }

    /// The message of a tag, without the fields that only the sending knows, and the report that it is of.
    pub(crate) fn position_text(&self, tag: TagId) -> Option<(Arc<str>, Position<'a>)> {
        let (now, latest) = (self.position(tag)?, self.now.tags.get(&tag)?);
        let text = if now.expired { self.expired_text(&now) } else { latest.text.clone() };
        Some((text, now))
    }

    fn expired_text(&self, now: &Position<'_>) -> Arc<str> {
        PositionBody::from_current(now).named(self.site.tag_name(now.report.tag)).to_json().into()
    }

    /// The messages of one zone, each with the end of its validity, by tag; those of tags without a report last.
    /// With `only` that tag's alone.
    pub(crate) fn zone_reports(&self, zone: usize, only: Option<TagId>) -> Vec<(ZoneReportBody, Timestamp)> {
        let Some(of) = self.site.zones.get(zone) else { return Vec::new() };
        let all = self.now.zones.range((zone, TagId(0))..=(zone, TagId(u32::MAX)));
        let heard: Vec<TagId> = all.clone().map(|((_, tag), _)| *tag).collect();
        let reports = all.filter(|((_, tag), _)| only.is_none_or(|t| t == *tag));
        let body = |r| ZoneReportBody::at(r, &of.name, self.site.tag_name(r.tag), self.clock);
        let bodies = reports.map(|(_, r)| (body(r), r.valid_until));
        let waits = match only {
            None => self.unheard(of, &heard),
            Some(tag) if heard.contains(&tag) => Vec::new(),
            Some(tag) => vec![self.unheard_tag(tag)],
        };
        let unheard = |u: Unheard| (ZoneReportBody::unheard(&of.name, &u, self.clock), self.clock);
        bodies.chain(waits.into_iter().map(unheard)).collect()
    }

    /// The tags that a zone is about without a report: of those that it lists, else of those that the site lists, else of all
    /// that are admitted.
    fn unheard(&self, zone: &Zone, heard: &[TagId]) -> Vec<Unheard> {
        let missing = |tag: &TagId| (!heard.contains(tag)).then(|| self.unheard_tag(*tag));
        if !zone.rule.tags.is_empty() {
            return zone.rule.tags.iter().filter_map(missing).collect();
        }
        if !self.site.tags.is_empty() {
            return self.site.tags.iter().filter_map(|t| missing(&t.id)).collect();
        }
        if heard.is_empty() && self.now.admitted.is_empty() {
            return vec![Unheard::Any];
        }
        self.now.admitted.iter().filter_map(missing).collect()
    }

    fn unheard_tag(&self, tag: TagId) -> Unheard {
        let name = self.site.tag_name(tag).map(str::to_owned);
        match self.now.retired.get(&tag) {
            _ if self.now.admitted.contains(&tag) => Unheard::NotYet { tag, name },
            Some(since) => Unheard::Silent { tag, name, since: *since },
            None => Unheard::Never { tag, name },
        }
    }

    /// The answer of one zone of the site over all its tags, or over `only` one; with what only the sending knows when it
    /// is sent.
    pub(crate) fn zone_answer(
        &self,
        zone: usize,
        only: Option<TagId>,
        sending: Option<Sending>,
    ) -> ZoneAnswerBody {
        let name = self.site.zones.get(zone).map_or("", |z| z.name.as_str());
        let sent = |(body, until): (ZoneReportBody, Timestamp)| match sending {
            Some(sending) => body.sent(until, sending),
            None => body,
        };
        let tags = self.zone_reports(zone, only).into_iter().map(sent).collect();
        ZoneAnswerBody::new(name, tags, self.clock, sending)
    }

    /// The answers of all zones, in the order of the site.
    pub(crate) fn zone_answers(&self, only: Option<TagId>, sending: Option<Sending>) -> Vec<ZoneAnswerBody> {
        (0..self.site.zones.len()).map(|zone| self.zone_answer(zone, only, sending)).collect()
    }

    /// What is known of an anchor; `None` before the engine's first word about it.
    pub(crate) fn anchor(&self, of: &Anchor) -> Option<AnchorNow> {
        let table = self.now.anchors.as_ref()?;
        let row = table.rows.iter().find(|r| r.anchor == of.id)?;
        Some(anchor(row, table.at, self.now.heard.anchor_at(of.id), self.clock))
    }

    /// The anchors of the site that something is known of, in its order.
    pub(crate) fn anchors(&self) -> impl Iterator<Item = (&'a Anchor, AnchorNow)> {
        let me = *self;
        self.site.anchors.iter().filter_map(move |a| Some((a, me.anchor(a)?)))
    }

    /// What an anchor is seen with.
    pub(crate) fn around(&self) -> Around<'a> {
        Around {
            anchors: &self.site.anchors,
            kit: self.now.anchors.as_ref().map_or(&[], |t| &t.kit),
            by_bytes: &self.now.link_findings,
            link_is_up: self.now.link.state == Connectivity::Connected,
            overdue: self.anchors().any(|(_, now)| now.overdue),
        }
    }

    /// What can be said of the anchors' places, once for the kit.
    pub(crate) fn places(&self) -> PlaceSummary {
        PlaceSummary::of(self.anchors().map(|(anchor, now)| (anchor.id, now.health.place)))
    }

    /// How long ago the newest range of any anchor came; `None` before the first one.
    pub(crate) fn nothing_for(&self) -> Option<Micros> {
        let newest = self.anchors().filter_map(|(_, now)| now.health.last_heard).max()?;
        Some(self.clock.since(newest).max(Micros::ZERO))
    }

    /// The body of one anchor of the site.
    pub(crate) fn anchor_body(&self, of: &Anchor) -> AnchorBody {
        let now = self.anchor(of);
        let diagnosis = Diagnosis::of(of.id, now.as_ref().map(|n| &n.health), self.around());
        AnchorBody::new(of, now.as_ref(), &diagnosis, &self.site.anchors)
    }

    /// How long the link has been waiting; `None` while it is connected.
    pub(crate) fn waiting_for(&self) -> Option<Micros> {
        let link = &self.now.link;
        (link.state == Connectivity::Waiting).then(|| self.clock.since(link.since).max(Micros::ZERO))
    }
}
