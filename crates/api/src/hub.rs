//! The latest of everything, and who wants to be told.
//!
//! The engine's loop calls [`Hub::publish`]; HTTP handlers read; `/v1/live` subscribes. One lock
//! guards all of it, so that a subscriber's snapshot and the changes after it fit without a gap or a
//! double. It is held for some microseconds: no input or output is done under it, and a message is
//! turned into text once, however many listen.
//!
//! Events come on their own, with the number that they have from the loop ([`Hub::publish_event`]), whatever the log does.
//! They have a lock of their own, taken last.
//!
//! The loop speaks in the time scale of its session, what is kept here is in UTC ([`Hub::set_clock`]). When the
//! difference changes, all that is kept moves along, what waits for readers too, so that nothing holds for longer or
//! shorter because a clock was set. What has run out is not looked for here: [`Current`] knows.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::{
        Arc, Mutex, MutexGuard, PoisonError, RwLock,
        atomic::{AtomicI64, Ordering::SeqCst},
    },
    time::Instant,
};

use hereabout_core::{Anchor, AnchorId, Doubt, Micros, TagId, Timestamp};
use hereabout_engine::{
    AnchorHealth, AnchorMinute, AnchorState, AnchorTable, JudgedEpoch, KitFinding, Output, PlaceAnswer,
    PositionReport, TagChange, TagLife, ZoneReport,
};

use crate::{
    current::Current,
    events::{Event, Following, KEPT, Page, Ring},
    heard::Heard,
    kept::{Kept, TagPast},
    mailbox::{Key, Mailbox, Message},
    reader::{Reader, Wants},
    site_info::SiteInfo,
    state::{
        Clock, ClockStatus, Counts, HubInfo, Latest, LinkState, LinkStatus, LogStatus, MAX_TAGS, Snapshot,
        make_room, state_index,
    },
    time_text::rfc3339,
    v1::{
        EventsKeptIn, LinkBody, LinkStateName, MessageType, PositionBody, RangesBody, Tail, VerdictName,
        ZoneReportBody, event_text,
    },
    words,
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

struct State {
    now: Snapshot,
    kept: Kept,
    readers: Vec<Arc<Reader>>,
    /// Anchors of which a reader was told that they are silent because the engine said nothing.
    told_overdue: BTreeSet<AnchorId>,
}

/// The events and where they are kept.
struct Events {
    ring: Ring,
    kept_in: EventsKeptIn,
}

struct Inner {
    info: HubInfo,
    events: Mutex<Events>,
    site: RwLock<Arc<SiteInfo>>,
    state: Mutex<State>,
    /// UTC minus the session's time scale, microseconds. Changes only under the lock of `state` and those of all
    /// mailboxes, so that who reads it under any of them sees stamps that fit it.
    utc_minus_session_us: AtomicI64,
}

/// The meeting point of the daemon's loop and its readers. Clones share one state.
#[derive(Clone)]
pub struct Hub(Arc<Inner>);

impl Hub {
    /// A hub before the first frame, with the link waiting.
    pub fn new(info: HubInfo) -> Hub {
        let link = LinkStatus {
            state: LinkState::Waiting,
            reason: Some("not opened yet".to_owned()),
            since: info.started_at,
        };
        let now = Snapshot {
            link,
            ever_connected: false,
            decoder: None,
            log: None,
            anchors: None,
            link_findings: Vec::new(),
            heard: Heard::default(),
            clock: Clock::default(),
            tags: BTreeMap::new(),
            admitted: BTreeSet::new(),
            retired: BTreeMap::new(),
            zones: BTreeMap::new(),
            counts: Counts::default(),
            subscribers: 0,
            notice: None,
            adapter_note: None,
        };
        let site = RwLock::new(Arc::new(info.site.clone()));
        let events = Mutex::new(Events { ring: Ring::new(KEPT as usize), kept_in: EventsKeptIn::Memory });
        let state = Mutex::new(State {
            now,
            kept: Kept::default(),
            readers: Vec::new(),
            told_overdue: BTreeSet::new(),
        });
        Hub(Arc::new(Inner { info, events, site, state, utc_minus_session_us: AtomicI64::new(0) }))
    }

    /// Takes over what the engine said, in the session's time scale. Quick and never waiting: the engine's loop calls it.
    pub fn publish(&self, output: &Output) {
        match output.shifted(self.utc_minus_session()).as_ref() {
            Output::Position(report) => self.publish_position(report),
            Output::Delayed(report) => self.publish_delayed(report),
            Output::Ranges(epoch) => self.publish_ranges(epoch),
            Output::Anchors(table) => self.publish_anchors(table),
            // The table that shows the change comes right after it.
            Output::AnchorChanged(_) | Output::FindingChanged(_) | Output::KitChanged(_) => {}
            Output::Zone(report) => self.publish_zone(report),
            Output::Minute(minute) => self.lock().kept.minute(minute),
            Output::TagChanged(change) => self.publish_tag(change),
            Output::OutOfOrder { .. } => self.lock().now.counts.out_of_order += 1,
            Output::TooManyTags { .. } => self.lock().now.counts.too_many_tags += 1,
        }
    }

    /// The engine's time has come to `at`, in the session's time scale: to be told twice a second, whether there is
    /// anything to publish or not. From the first call on a time that stands still is told by `/readyz`.
    pub fn alive(&self, at: Timestamp) {
        let at = self.utc(at);
        self.lock().now.heard.alive(at);
    }

    /// Takes over how the session's time scale stands to UTC: what is published from now on is moved by that, and what is
    /// kept by the difference to before. To be called by the loop that publishes.
    pub fn set_clock(&self, clock: ClockStatus) {
        let mut state = self.lock();
        let State { now, kept, readers, .. } = &mut *state;
        let before = now.clock.utc_minus_session;
        let to = clock.utc_minus_session;
        let changed_at = if to == before { now.clock.changed_at } else { Some(clock.changed_at) };
        now.clock = Clock { utc_minus_session: to, changed_at, synchronised: clock.synchronised };
        let by = Micros::from_micros(to.micros().saturating_sub(before.micros()));
        if by == Micros::ZERO {
            return;
        }
        let mut mailboxes: Vec<_> = readers.iter().map(|r| r.mailbox()).collect();
        self.0.utc_minus_session_us.store(to.micros(), SeqCst);
        mailboxes.iter_mut().for_each(|m| m.shift(by));
        now.shift(by, &self.site());
        kept.shift(by);
    }

    /// A stamp of the session in UTC. A daemon whose clock goes with the session takes its `ApiSettings::now` through
    /// this, so that the present and what is kept change their scale at the same time.
    pub fn utc(&self, session: Timestamp) -> Timestamp {
        session.plus(self.utc_minus_session())
    }

    fn utc_minus_session(&self) -> Micros {
        Micros::from_micros(self.0.utc_minus_session_us.load(SeqCst))
    }

    /// Takes over the state of the link, since when in the session's time scale; readers are told when it or its reason
    /// changed. Whether it did.
    pub fn set_link(&self, link: LinkStatus) -> bool {
        let mut state = self.lock();
        let same = state.now.link.state == link.state && state.now.link.reason == link.reason;
        if same {
            return false; // a retry that failed like the one before: the waiting began back then
        }
        state.now.ever_connected |= link.state == LinkState::Connected;
        state.now.link = LinkStatus { since: self.utc(link.since), ..link };
        let message = self.link_message(&state.now.link);
        state.deliver(&message);
        true
    }

    /// Takes over what lasts of what the bytes tell of the kit, whether frames come of them or not.
    pub fn set_link_findings(&self, findings: &[KitFinding]) {
        findings.clone_into(&mut self.lock().now.link_findings);
    }

    /// Takes over the decoder's counters.
    pub fn set_decoder_counts(&self, counts: hereabout_core::LinkCounts) {
        self.lock().now.decoder = Some(counts);
    }

    /// Takes over how the log fares.
    pub fn set_log(&self, log: LogStatus) {
        self.lock().now.log = Some(log);
    }

    /// Takes over a site that was changed while the daemon runs. What was said of its zones before is over: they
    /// begin as unknown. Of tags and anchors the newest stays until it runs out or the engine says more; what the site
    /// has no longer is not served.
    pub fn set_site(&self, site: SiteInfo) {
        let mut state = self.lock();
        state.now.zones.clear();
        let stays = |id: &TagId| site.tags.is_empty() || site.tag_name(*id).is_some();
        state.now.tags.retain(|id, _| stays(id));
        state.now.admitted.retain(stays);
        state.now.retired.retain(|id, _| site.lists(*id));
        state.kept.keep_tags(stays);
        for latest in state.now.tags.values_mut() {
            *latest = Latest::of(latest.report.clone(), site.tag_name(latest.report.tag));
        }
        state.now.heard.keep_anchors(|id| site.anchors.iter().any(|a| a.id == id));
        *self.0.site.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(site);
    }

    /// Takes over an event under its number: one of an earlier run at the start, or one that just happened. `detail` is as
    /// [`crate::v1::EventDraft`] has it. Quick and never waiting: the loop calls it.
    pub fn publish_event(&self, seq: u64, at: Timestamp, kind: &str, detail: &str) {
        let text = event_text(Some(seq), at, kind, detail).into();
        self.events().ring.push(Event { seq, text });
        self.wake_followers();
    }

    /// An event under the next number.
    #[cfg(test)]
    pub(crate) fn count_event(&self, event: &crate::v1::EventDraft) {
        let seq = self.events().ring.newest() + 1;
        self.publish_event(seq, event.at, event.kind.name(), &event.detail);
    }

    /// The newest number that was told; 0 before the first.
    pub(crate) fn newest_event(&self) -> u64 {
        self.events().ring.newest()
    }

    /// The numbers of events go on at `first`; `known` is the newest number that is known from before, 0 when none is.
    /// Who resumes from a number in between is told that events are missing.
    pub fn begin_event_numbers(&self, known: u64, first: u64) {
        self.events().ring.jump(known, first);
    }

    /// Where events are kept; memory until this says otherwise.
    pub fn set_events_kept_in(&self, kept_in: EventsKeptIn) {
        self.events().kept_in = kept_in;
    }

    pub(crate) fn events_page(&self, after: Option<u64>, limit: usize) -> (Page, EventsKeptIn) {
        let events = self.events();
        (events.ring.page(after, limit), events.kept_in)
    }

    fn events(&self) -> MutexGuard<'_, Events> {
        self.0.events.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn wake_followers(&self) {
        let state = self.lock();
        state.readers.iter().filter(|r| r.wants.event).for_each(|r| r.wake());
    }

    /// Takes over what needs a person about the configuration, in words; `None` when nothing does (any more).
    pub fn set_notice(&self, notice: Option<String>) {
        self.lock().now.notice = notice;
    }

    /// Takes over what needs a person about the adapter that the bytes come through, in words.
    pub fn set_adapter_note(&self, note: Option<String>) {
        self.lock().now.adapter_note = note;
    }

    pub(crate) fn info(&self) -> &HubInfo {
        &self.0.info
    }

    /// The site as it is now.
    pub(crate) fn site(&self) -> Arc<SiteInfo> {
        self.0.site.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    #[cfg(test)]
    pub(crate) fn snapshot(&self) -> Snapshot {
        self.moment(&|| Timestamp::MIN).now
    }

    /// All that is kept, with the site that it belongs to, at the present by this clock.
    pub(crate) fn moment(&self, clock: &dyn Fn() -> Timestamp) -> Moment {
        let state = self.lock();
        let now = Snapshot { subscribers: state.readers.len(), ..state.now.clone() };
        Moment { now, site: self.site(), clock: clock() }
    }

    /// The full minutes of one anchor in the hour before `now`, oldest first.
    pub(crate) fn minutes(&self, anchor: AnchorId, now: Timestamp) -> Vec<AnchorMinute> {
        self.lock().kept.minutes_of(anchor, now)
    }

    /// All tags with their trails.
    pub(crate) fn tags_with_trails(&self, now: Timestamp) -> BTreeMap<TagId, TagPast> {
        self.lock().kept.tags_at(now)
    }

    pub(crate) fn link_body(&self, link: &LinkStatus) -> LinkBody {
        LinkBody {
            kind: MessageType::Link,
            state: match link.state {
                LinkState::Connected => LinkStateName::Connected,
                LinkState::Waiting => LinkStateName::Waiting,
            },
            source: self.info().source.clone(),
            reason: link.reason.clone(),
            since: rfc3339(link.since),
        }
    }

    /// A new reader with what counts at the present waiting for it; `None` when `limit` readers are there already.
    pub(crate) fn enter(
        &self,
        wants: Wants,
        clock: &dyn Fn() -> Timestamp,
        backlog: usize,
        limit: usize,
    ) -> Option<Arc<Reader>> {
        let mut state = self.lock();
        if state.readers.len() >= limit {
            return None;
        }
        let site = self.site();
        let current = Current { now: &state.now, site: &site, clock: clock() };
        let opening = self.opening(current, &wants);
        let overdue: Vec<AnchorId> =
            current.anchors().filter(|(_, now)| now.overdue).map(|(a, _)| a.id).collect();
        state.told_overdue.extend(overdue);
        let mailbox = Mailbox::new(opening, backlog, wants.spacing);
        // Whatever comes from here on is after the cursor, and this reader is woken for it.
        let following = wants.event.then(|| Following::new(wants.after, &self.events().ring));
        let reader = Arc::new(Reader::new(wants, mailbox, following));
        state.readers.push(reader.clone());
        Some(reader)
    }

    /// Ends a subscription.
    pub(crate) fn let_go(&self, reader: &Arc<Reader>) {
        self.lock().readers.retain(|r| !Arc::ptr_eq(r, reader));
    }

    /// A ping came that gets no pong.
    pub(crate) fn count_unanswered_ping(&self) {
        self.lock().now.counts.pings_unanswered += 1;
    }

    /// Looks at the events.
    pub(crate) fn with_events<T>(&self, look: impl FnOnce(&Ring) -> T) -> T {
        look(&self.events().ring)
    }

    /// A thread that panicked while holding the lock leaves whole values behind: each is assigned at once.
    fn lock(&self) -> MutexGuard<'_, State> {
        self.0.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A tag begins, or all that is kept of it goes.
    fn publish_tag(&self, change: &TagChange) {
        let mut state = self.lock();
        let State { now, kept, .. } = &mut *state;
        let tag = change.tag;
        match change.now {
            TagLife::Admitted => {
                now.admitted.insert(tag);
                now.retired.remove(&tag);
            }
            TagLife::Retired { silent_for } => {
                now.admitted.remove(&tag);
                now.tags.remove(&tag);
                now.zones.retain(|(_, of), _| *of != tag);
                kept.keep_tags(|of| *of != tag);
                if self.site().lists(tag) {
                    let since = change.at.plus(Micros::from_micros(-silent_for.micros()));
                    make_room(&mut now.retired, &tag, MAX_TAGS, |since| *since);
                    now.retired.insert(tag, since);
                }
            }
        }
    }

    fn publish_position(&self, report: &PositionReport) {
        let latest = Latest::of(Arc::new(report.clone()), self.site().tag_name(report.tag));
        let message = position_message(report, latest.text.clone());
        let mut state = self.lock();
        state.now.counts.positions[state_index(report.state)] += 1;
        state.kept.position(&latest.report);
        state.now.remember(latest);
        state.deliver(&message);
    }

    fn publish_delayed(&self, report: &PositionReport) {
        let text = PositionBody::from_delayed(report).named(self.site().tag_name(report.tag)).to_json();
        self.lock().deliver(&Message::new(Key::Delayed(report.tag), text));
    }

    fn publish_ranges(&self, epoch: &JudgedEpoch) {
        let mut state = self.lock();
        state.now.counts.epochs += 1;
        state.now.heard.epoch(epoch);
        for range in &epoch.ranges {
            let name = VerdictName::from(range.verdict);
            if let Some(i) = VerdictName::ALL.iter().position(|v| *v == name) {
                state.now.counts.verdicts[i] += 1;
            }
        }
        let key = Key::Range(epoch.tag);
        // Numbers that are no tags are in the log alone: there is no end of them.
        let is_of_tag = epoch.doubt != Some(Doubt::UnknownTag);
        if is_of_tag && state.readers.iter().any(|r| r.wants.takes(key)) {
            state.deliver(&Message::new(key, RangesBody::from(epoch).to_json()));
        }
    }

    fn publish_anchors(&self, table: &Arc<AnchorTable>) {
        let mut state = self.lock();
        let before = state.now.anchors.replace(table.clone());
        let overdue = std::mem::take(&mut state.told_overdue);
        let as_before = |row: &AnchorHealth| {
            let was = before.as_ref().and_then(|t| t.rows.iter().find(|r| r.anchor == row.anchor));
            was.map_or(row.state == AnchorState::NeverHeard, |was| same_in_words(was, row))
                && !overdue.contains(&row.anchor)
        };
        let site = self.site();
        let current = Current { now: &state.now, site: &site, clock: table.at };
        let changed = table.rows.iter().filter(|row| !as_before(row));
        let changed = changed.filter_map(|row| site.anchors.iter().find(|a| a.id == row.anchor));
        let messages: Vec<Message> = changed.map(|anchor| anchor_message(anchor, current)).collect();
        messages.iter().for_each(|m| state.deliver(m));
    }

    fn publish_zone(&self, report: &ZoneReport) {
        let mut state = self.lock();
        let site = self.site();
        let Some(zone) = site.zones.get(report.zone) else { return };
        state.now.remember_zone(report);
        let wanted = |wants: &Wants| wants.takes_zone(&zone.name, Some(report.tag));
        if state.readers.iter().any(|r| wanted(&r.wants)) {
            let body = ZoneReportBody::of(report, &zone.name, site.tag_name(report.tag));
            let key = Key::Zone(report.zone, Some(report.tag));
            let message =
                Message { urgent: report.changed(), ..zone_message(key, &body, report.valid_until) };
            state.deliver_to(&message, wanted);
        }
    }

    fn link_message(&self, link: &LinkStatus) -> Message {
        Message::new(Key::Link, self.link_body(link).to_json())
    }

    /// What a new reader is told first, as it counts: link, anchors, positions, zones.
    fn opening(&self, current: Current<'_>, wants: &Wants) -> Vec<Message> {
        let (now, site) = (current.now, current.site);
        let link = std::iter::once(self.link_message(&now.link));
        let anchors = site.anchors.iter().map(|a| anchor_message(a, current));
        let positions = now.tags.keys().filter_map(|tag| {
            let (text, position) = current.position_text(*tag)?;
            Some(position_message(&position.report, text))
        });
        let plain = link.chain(anchors).chain(positions).filter(|m| wants.takes(m.key));
        let zones = site.zones.iter().enumerate().filter(|(_, z)| wants.takes_zone(&z.name, wants.tag));
        let zones = zones.flat_map(|(i, _)| {
            let bodies = current.zone_reports(i, wants.tag).into_iter();
            bodies.map(move |(body, until)| zone_message(Key::Zone(i, body.tag.map(TagId)), &body, until))
        });
        plain.chain(zones).collect()
    }
}

fn position_message(report: &PositionReport, text: Arc<str>) -> Message {
    let tail = Tail::Holds { at: Some(report.at), until: report.valid_until };
    Message { tail, ..Message::new(Key::Position(report.tag), text) }
}

fn zone_message(key: Key, body: &ZoneReportBody, until: Timestamp) -> Message {
    Message { tail: Tail::Holds { at: None, until }, ..Message::new(key, body.to_json()) }
}

fn anchor_message(anchor: &Anchor, current: Current<'_>) -> Message {
    Message::new(Key::Anchor(anchor.id), current.anchor_body(anchor).to_json())
}

/// Whether nothing but figures differs between two rows of one anchor.
fn same_in_words(a: &AnchorHealth, b: &AnchorHealth) -> bool {
    let place = |p: &PlaceAnswer| std::mem::discriminant(p);
    let kinds = |h: &AnchorHealth| h.findings.iter().map(words::finding_kind).collect::<Vec<_>>();
    (a.state, a.set_aside, place(&a.place)) == (b.state, b.set_aside, place(&b.place)) && kinds(a) == kinds(b)
}

impl State {
    fn deliver(&mut self, message: &Message) {
        self.deliver_to(message, |wants| wants.takes(message.key));
    }

    fn deliver_to(&mut self, message: &Message, wanted: impl Fn(&Wants) -> bool) {
        let now = Instant::now();
        for reader in self.readers.iter().filter(|r| wanted(&r.wants)) {
            self.now.counts.missed += reader.mailbox().push(message.clone(), now);
            reader.wake();
        }
    }
}
