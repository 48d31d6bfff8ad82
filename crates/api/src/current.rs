//! What counts at one moment, from what the hub keeps. The one place where things run out: every view takes from here.
//!
//! Model: a message holds until its `valid_until`. Whoever asks later gets what is left of it, which is "nobody knows":
//! - A position that is not lost becomes lost, at the instant at which it ran out.
//! - A zone becomes unknown at that instant. What was lost or unknown stays so, for its own reason.
//! - An anchor that is heard falls silent a second after its last range. The engine says so; when it has not for
//!   [`OVERDUE_AFTER`] it does not answer, and the anchor counts as silent all the same.
//! - Figures over the last 10 s that were told more than [`FIGURES_HOLD`] ago are not known.
//!
//! The time is the caller's. No clock is read here, and nothing is changed: what was said stays as it was said.

use std::{borrow::Cow, sync::Arc};

use hereabout_core::{Anchor, Micros, TagId, TagState, Timestamp, Zone, ZoneState};
use hereabout_engine::{AnchorHealth, AnchorState, PositionReport, SILENT_AFTER, ZoneReport, ZoneWhy};

use crate::{
    health::{Around, Diagnosis},
    hub::{LinkState, SiteInfo, Snapshot},
    places::Places,
    v1::{AnchorBody, PositionBody, Sending, Unheard, ZoneAnswerBody, ZoneReportBody},
};

/// Without a range, and without a word of the engine about that, an anchor is silent after this long.
const OVERDUE_AFTER: Micros = Micros::from_millis(1_500);
/// A table of anchors comes once a second while anything is heard.
pub(crate) const FIGURES_HOLD: Micros = Micros::from_millis(3_000);

/// A position as it counts at one moment.
#[derive(Clone, Debug)]
pub(crate) struct Position<'a> {
    /// As it was said, or lost where that has run out.
    pub(crate) report: Cow<'a, PositionReport>,
    /// Nothing newer was said for as long as it held.
    pub(crate) ran_out: bool,
    /// It was a position, and is lost because it ran out.
    pub(crate) expired: bool,
    /// The instant that the last message was for.
    pub(crate) said_for: Timestamp,
    /// That instant, when the tag was located at it.
    pub(crate) located_at: Option<Timestamp>,
}

/// The position after `report` was the last word about its tag.
pub(crate) fn position(report: &PositionReport, clock: Timestamp) -> Position<'_> {
    let ran_out = clock > report.valid_until;
    let expired = ran_out && report.state != TagState::Lost;
    let said_for = report.at;
    let located_at = (report.state == TagState::Located).then_some(said_for);
    let report = if expired { Cow::Owned(gone(report)) } else { Cow::Borrowed(report) };
    Position { report, ran_out, expired, said_for, located_at }
}

/// What is left of a position that has run out.
fn gone(report: &PositionReport) -> PositionReport {
    PositionReport {
        seq: report.seq,
        tag: report.tag,
        at: report.valid_until,
        received_at: report.valid_until,
        valid_until: report.valid_until,
        state: TagState::Lost,
        place: None,
        candidates: Default::default(),
        radius95_m: None,
        protection_radius_m: None,
        checked: false,
        restarted: false,
        velocity_mps: None,
        hdop: None,
        vdop: None,
        pdop: None,
        used: Default::default(),
        rejected: Default::default(),
        no_fix: None, // its body says why: no reason of the engine's
    }
}

/// The zone after `report` was the last word about it and its tag: the report itself while it holds, and unknown from
/// then on. An unknown keeps its reason.
pub(crate) fn zone(report: &ZoneReport, clock: Timestamp) -> ZoneReport {
    if clock <= report.valid_until || report.state == ZoneState::Unknown {
        return *report;
    }
    ZoneReport {
        at: report.valid_until,
        state: ZoneState::Unknown,
        was: report.state,
        since: report.valid_until,
        why: ZoneWhy::NoData,
        probability: None,
        depth_m: None,
        eta_s: None,
        ..*report
    }
}

/// An anchor as it counts at one moment.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct AnchorNow {
    /// Its row. Figures that nobody knows are `None`; for the rate see `rate_hz`.
    pub(crate) health: AnchorHealth,
    /// Ranges a second over 10 s; `None` when nobody can say.
    pub(crate) rate_hz: Option<f64>,
    /// The engine said that it is heard, and nothing since that it is not, although it must be.
    pub(crate) overdue: bool,
    /// The engine said that it is heard, too long ago to say anything about it.
    pub(crate) no_data: bool,
}

/// An anchor after `row`, of a table for `told_at`, was the last word about it. `heard_at` is the newest range of it that
/// was seen since, if any was.
pub(crate) fn anchor(
    row: &AnchorHealth,
    told_at: Timestamp,
    heard_at: Option<Timestamp>,
    clock: Timestamp,
) -> AnchorNow {
    let said_heard = row.state == AnchorState::Heard;
    let last_heard = row.last_heard.max(heard_at);
    let overdue = said_heard && last_heard.is_some_and(|last| clock.since(last) > OVERDUE_AFTER);
    let old = clock.since(told_at) > FIGURES_HOLD;
    let mut health = row.clone();
    // Tables come once a second, ranges more often: what was seen since the table counts. What the engine calls silent
    // stays as it says: it tells at once when that is over.
    if said_heard {
        health.last_heard = last_heard;
    }
    if overdue {
        health.state = AnchorState::Silent;
        health.since = last_heard.map(|last| last.plus(SILENT_AFTER));
    }
    // The engine stops telling tables when there is nothing to count any more; what it counted last is no rate of now.
    let unknown = old && (said_heard || row.rate_hz > 0.0);
    if unknown {
        (health.share, health.rejected_share, health.mean_residual_m) = (None, None, None);
    }
    let rate_hz = (!unknown).then_some(row.rate_hz);
    AnchorNow { health, rate_hz, overdue, no_data: said_heard && old }
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

    /// The message of a tag, without what the sending tells, and the report that it is of.
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

    /// The answer of one zone of the site over all its tags, or over `only` one; with what the sending tells when it
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
            link_is_up: self.now.link.state == LinkState::Connected,
            overdue: self.anchors().any(|(_, now)| now.overdue),
        }
    }

    /// What can be said of the anchors' places, once for the kit.
    pub(crate) fn places(&self) -> Places {
        Places::of(self.anchors().map(|(anchor, now)| (anchor.id, now.health.place)))
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
        (link.state == LinkState::Waiting).then(|| self.clock.since(link.since).max(Micros::ZERO))
    }
}

#[cfg(test)]
#[path = "current_tests.rs"]
mod tests;
