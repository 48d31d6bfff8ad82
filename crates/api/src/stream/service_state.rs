//! What the service knows, how the engine's outputs change it, and which messages readers get for that.
//!
//! Pure: no lock, no clock, no reader. All stamps are in UTC. Who calls this holds the lock, says which messages somebody
//! wants (a text that nobody wants is not made) and delivers those that come back.

use std::{collections::BTreeSet, sync::Arc};

use hereabout_core::{AnchorId, AnchorState, Doubt, JudgedEpoch, Micros, PositionReport, TagId, Timestamp};
use hereabout_engine::{
    AnchorFinding, AnchorHealth, AnchorTable, Output, PlaceAnswer, TagChange, TagLife, ZoneReport,
};

use super::{
    filter::SubscriptionFilter,
    message::{Key, Message},
};
use crate::{
    current::Current,
    state::{
        Clock, ClockStatus, Connectivity, Latest, LinkView, MAX_REMEMBERED_TAGS, Snapshot, history::History,
        make_room, site_info::SiteInfo, state_index,
    },
    v1::{PositionBody, RangesBody, VerdictName, ZoneReportBody},
};

/// Whether any reader subscribes to messages of this key, and of the zone of this name when it is one of a zone.
pub(crate) type IsWanted<'a> = &'a dyn Fn(Key, Option<&str>) -> bool;

/// What is known now, what was, and what readers were sent before the engine said it.
pub(crate) struct ServiceState {
    pub(crate) now: Snapshot,
    pub(crate) history: History,
    /// Anchors that a reader was sent as silent because the engine said nothing.
    reported_overdue: BTreeSet<AnchorId>,
}

impl ServiceState {
    /// Before the first frame.
    pub(crate) fn new(link: LinkView) -> ServiceState {
        ServiceState {
            now: Snapshot::new(link),
            history: History::default(),
            reported_overdue: BTreeSet::new(),
        }
    }

    /// Takes in what the engine put out, with its [`text_of`] when that is made already; gives the messages for it.
    pub(crate) fn publish(
        &mut self,
        output: &Output,
        text: Option<Arc<str>>,
        site: &SiteInfo,
        is_wanted: IsWanted<'_>,
    ) -> Vec<Message> {
        match output {
            Output::Position(report) => {
                vec![self.position(report, text.unwrap_or_else(|| position_text(report, site)))]
            }
            Output::Delayed(report) => {
                vec![Message::delayed(report, text.unwrap_or_else(|| delayed_text(report, site)))]
            }
            Output::Ranges(epoch) => self.ranges(epoch, is_wanted).into_iter().collect(),
            Output::Anchors(table) => self.anchors(table, site),
            Output::Zone(report) => self.zone(report, site, is_wanted).into_iter().collect(),
            other => {
                self.take_in(other, site);
                Vec::new()
            }
        }
    }

    /// Takes in what readers get no message for.
    fn take_in(&mut self, output: &Output, site: &SiteInfo) {
        match output {
            Output::Minute(minute) => self.history.minute(minute),
            Output::TagChanged(change) => self.tag_changed(change, site),
            Output::OutOfOrder { .. } => self.now.counts.out_of_order += 1,
            Output::TooManyTags { .. } => self.now.counts.too_many_tags += 1,
            // The table that shows the change comes right after it.
            Output::AnchorChanged(_) | Output::FindingChanged(_) | Output::KitChanged(_) => {}
            Output::Position(_)
            | Output::Delayed(_)
            | Output::Ranges(_)
            | Output::Anchors(_)
            | Output::Zone(_) => {}
        }
    }

    /// A tag begins, or all that is kept of it goes.
    fn tag_changed(&mut self, change: &TagChange, site: &SiteInfo) {
        let (now, tag) = (&mut self.now, change.tag);
        match change.now {
            TagLife::Admitted => {
                now.admitted.insert(tag);
                now.retired.remove(&tag);
            }
            TagLife::Retired { silent_for } => {
                now.admitted.remove(&tag);
                now.tags.remove(&tag);
                now.zones.retain(|(_, of), _| *of != tag);
                self.history.keep_tags(|of| *of != tag);
                if site.lists(tag) {
                    let since = change.at.plus(Micros::from_micros(-silent_for.micros()));
                    make_room(&mut now.retired, &tag, MAX_REMEMBERED_TAGS, |since| *since);
                    now.retired.insert(tag, since);
                }
            }
        }
    }

    fn position(&mut self, report: &PositionReport, text: Arc<str>) -> Message {
        let report = Arc::new(report.clone());
        self.now.counts.positions[state_index(report.state())] += 1;
        self.history.position(&report);
        let message = Message::position(&report, text.clone());
        self.now.remember(Latest { report, text });
        message
    }

    fn ranges(&mut self, epoch: &JudgedEpoch, is_wanted: IsWanted<'_>) -> Option<Message> {
        let counts = &mut self.now.counts;
        counts.epochs += 1;
        for range in &epoch.ranges {
            let name = VerdictName::from(range.verdict);
            if let Some(i) = VerdictName::ALL.iter().position(|v| *v == name) {
                counts.verdicts[i] += 1;
            }
        }
        self.now.heard.epoch(epoch);
        let key = Key::Range(epoch.tag);
        // Numbers that are no tags are in the log alone: there is no end of them.
        let is_of_tag = epoch.doubt != Some(Doubt::UnknownTag);
        (is_of_tag && is_wanted(key, None)).then(|| Message::new(key, RangesBody::from(epoch).to_json()))
    }

    /// A message for each anchor of which more than figures changed.
    fn anchors(&mut self, table: &Arc<AnchorTable>, site: &SiteInfo) -> Vec<Message> {
        let before = self.now.anchors.replace(table.clone());
        let overdue = std::mem::take(&mut self.reported_overdue);
        let as_before = |row: &AnchorHealth| {
            let was = before.as_ref().and_then(|t| t.rows.iter().find(|r| r.anchor == row.anchor));
            was.map_or(row.state == AnchorState::NeverHeard, |was| same_in_words(was, row))
                && !overdue.contains(&row.anchor)
        };
        let current = Current { now: &self.now, site, clock: table.at };
        let changed = table.rows.iter().filter(|row| !as_before(row));
        let changed = changed.filter_map(|row| site.anchors.iter().find(|a| a.id == row.anchor));
        changed.map(|anchor| Message::anchor(anchor, current)).collect()
    }

    fn zone(&mut self, report: &ZoneReport, site: &SiteInfo, is_wanted: IsWanted<'_>) -> Option<Message> {
        let zone = site.zones.get(report.zone)?;
        self.now.remember_zone(report);
        let key = Key::Zone(report.zone, Some(report.tag));
        is_wanted(key, Some(&zone.name)).then(|| {
            let body = ZoneReportBody::of(report, &zone.name, site.tag_name(report.tag));
            let urgent = report.changed();
            Message { urgent, ..Message::zone(report.zone, &body, report.valid_until) }
        })
    }

    /// Takes in the state of the link; a message when it or its reason changed.
    pub(crate) fn set_link(&mut self, link: LinkView, source: &str) -> Option<Message> {
        let before = &self.now.link;
        if before.state == link.state && before.reason == link.reason {
            return None; // a retry that failed like the one before: the waiting began back then
        }
        self.now.ever_connected |= link.state == Connectivity::Connected;
        let message = Message::link(&link, source);
        self.now.link = link;
        Some(message)
    }

    /// Takes in how the session's time scale stands to UTC; gives by how much that changed.
    pub(crate) fn set_clock(&mut self, clock: ClockStatus) -> Micros {
        let before = self.now.clock;
        let to = clock.utc_minus_session;
        let by = Micros::from_micros(to.micros().saturating_sub(before.utc_minus_session.micros()));
        let changed_at =
            if to == before.utc_minus_session { before.changed_at } else { Some(clock.changed_at) };
        self.now.clock = Clock { utc_minus_session: to, changed_at, synchronised: clock.synchronised };
        by
    }

    /// Moves all stamps by `by`.
    pub(crate) fn shift(&mut self, by: Micros, site: &SiteInfo) {
        self.now.shift(by);
        self.now.write_texts(|report| position_text(report, site));
        self.history.shift(by);
    }

    /// Takes in a site that was changed while the daemon runs: its zones begin as unknown, and what it has no longer goes.
    pub(crate) fn set_site(&mut self, site: &SiteInfo) {
        let stays = |id: &TagId| site.tags.is_empty() || site.tag_name(*id).is_some();
        let now = &mut self.now;
        now.zones.clear();
        now.tags.retain(|id, _| stays(id));
        now.admitted.retain(stays);
        now.retired.retain(|id, _| site.lists(*id));
        now.heard.keep_anchors(|id| site.anchors.iter().any(|a| a.id == id));
        now.write_texts(|report| position_text(report, site));
        self.history.keep_tags(stays);
    }

    /// What a new reader is sent first, as it counts at `clock`: link, anchors, positions, zones.
    pub(crate) fn opening(
        &mut self,
        filter: &SubscriptionFilter,
        site: &SiteInfo,
        clock: Timestamp,
        source: &str,
    ) -> Vec<Message> {
        let current = Current { now: &self.now, site, clock };
        let link = std::iter::once(Message::link(&self.now.link, source));
        let anchors = site.anchors.iter().map(|a| Message::anchor(a, current));
        let positions = self.now.tags.keys().filter_map(|tag| {
            let (text, position) = current.position_text(*tag)?;
            Some(Message::position(&position.report, text))
        });
        let zones = site.zones.iter().enumerate().filter(|(_, z)| filter.admits_zone(&z.name));
        let zones = zones.flat_map(|(i, _)| {
            let bodies = current.zone_reports(i, filter.tag).into_iter();
            bodies.map(move |(body, until)| Message::zone(i, &body, until))
        });
        let all = link.chain(anchors).chain(positions).chain(zones);
        let messages = all.filter(|m| filter.admits(m)).collect();
        let overdue = current.anchors().filter(|(_, now)| now.overdue).map(|(a, _)| a.id);
        let overdue: Vec<AnchorId> = overdue.collect();
        self.reported_overdue.extend(overdue);
        messages
    }
}

/// The text of an output that can be made without knowing anything else, so before a lock is taken; `None` for others.
pub(crate) fn text_of(output: &Output, site: &SiteInfo) -> Option<Arc<str>> {
    match output {
        Output::Position(report) => Some(position_text(report, site)),
        Output::Delayed(report) => Some(delayed_text(report, site)),
        _ => None,
    }
}

fn delayed_text(report: &PositionReport, site: &SiteInfo) -> Arc<str> {
    PositionBody::from_delayed(report).named(site.tag_name(report.tag)).to_json().into()
}

/// The message of a position, without the fields that only the sending knows.
fn position_text(report: &PositionReport, site: &SiteInfo) -> Arc<str> {
    PositionBody::from_report(report, None).named(site.tag_name(report.tag)).to_json().into()
}

/// Whether nothing but figures differs between two rows of one anchor.
fn same_in_words(a: &AnchorHealth, b: &AnchorHealth) -> bool {
    let place = |p: &PlaceAnswer| std::mem::discriminant(p);
    let kinds = |h: &AnchorHealth| h.findings.iter().map(AnchorFinding::kind).collect::<Vec<_>>();
    (a.state, a.excluded, place(&a.place)) == (b.state, b.excluded, place(&b.place)) && kinds(a) == kinds(b)
}

#[cfg(test)]
mod tests;
