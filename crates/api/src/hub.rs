//! The latest of everything, and who wants to be told.
//!
//! The engine's loop calls [`Hub::publish`]; HTTP handlers read; `/v1/live` subscribes. One lock
//! guards all of it, so that a subscriber's snapshot and the changes after it fit without a gap or a
//! double. It is held for some microseconds: no input or output is done under it, and a message is
//! turned into text once, however many listen.
//!
//! Events come on their own, with a number that the log gave when it had them safe ([`Hub::publish_event`]), or
//! that is counted here when there is no log ([`Hub::count_event`]). They have a lock of their own, taken last.

use std::{
    collections::BTreeMap,
    sync::{Arc, Mutex, MutexGuard, PoisonError, RwLock},
    time::{Duration, Instant},
};

use hereabout_core::{Anchor, AnchorId, Dimension, Fence, Micros, Site, TagId, TagState, Timestamp, Zone};
use hereabout_engine::{
    AnchorHealth, AnchorMinute, AnchorState, AnchorTable, JudgedEpoch, KitFinding, Output, PlaceAnswer,
    PositionReport, ZoneReport,
};
use tokio::sync::Notify;

use crate::{
    events::{Event, Following, KEPT, Next, Page, Ring},
    health::{Around, Diagnosis},
    kept::{Kept, TagPast},
    mailbox::{Key, Mailbox, Message, Taken},
    v1::{
        AnchorBody, EventDraft, LinkBody, LinkStateName, MessageType, NoLongerKeptBody, NumbersAnewBody,
        NumbersKeptIn, PositionBody, RangesBody, VerdictName, ZoneAnswerBody, ZoneReportBody, event_text,
        rfc3339, unheard_tags, with_age,
    },
    words,
};

/// Tags whose latest position is kept; a new one beyond that takes the place of the oldest.
pub const MAX_TAGS: usize = 256;

/// Zones times tags whose latest report is kept; far above what the engine keeps apart.
const MAX_ZONE_REPORTS: usize = 16_384;

/// State of the wire to the kit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LinkState {
    /// Open.
    Connected,
    /// Not open; the daemon keeps trying.
    Waiting,
}

/// What `ingest` knows of the wire to the kit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LinkStatus {
    /// Open or not.
    pub state: LinkState,
    /// Why it waits and what to do, in words; `None` when connected.
    pub reason: Option<String>,
    /// Since when.
    pub since: Timestamp,
}

/// What the decoder made of the bytes, since the start.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct DecoderCounts {
    /// Bytes heard.
    pub bytes: u64,
    /// Good frames.
    pub frames: u64,
    /// Frames with a wrong checksum.
    pub bad_checksum: u64,
    /// Bytes that belonged to no frame.
    pub skipped_bytes: u64,
}

/// How the log fares.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LogStatus {
    /// The file, as people know it.
    pub path: String,
    /// Rows that are safely in it.
    pub rows_written: u64,
    /// Rows that found the queue full and were lost.
    pub rows_dropped: u64,
    /// What is wrong with it, in words.
    pub problem: Option<String>,
}

/// What the service tells of the site.
#[derive(Clone, Debug, PartialEq)]
pub struct SiteInfo {
    /// Its name.
    pub name: String,
    /// 2D with a height, or 3D.
    pub dimension: Dimension,
    /// Where a tag can be.
    pub fence: Fence,
    /// Shortest and longest believable range, metres.
    pub range_span_m: [f64; 2],
    /// The anchors, in file order.
    pub anchors: Vec<Anchor>,
    /// The zones, in file order.
    pub zones: Vec<Zone>,
}

impl From<&Site> for SiteInfo {
    fn from(site: &Site) -> SiteInfo {
        SiteInfo {
            name: site.name().to_owned(),
            dimension: site.dimension(),
            fence: site.fence().clone(),
            range_span_m: site.range_span_m(),
            anchors: site.anchors().to_vec(),
            zones: site.zones().to_vec(),
        }
    }
}

/// What the daemon starts with. All but the site stays as it is while it runs.
#[derive(Clone, Debug, PartialEq)]
pub struct HubInfo {
    /// Version of the program.
    pub version: String,
    /// Start of the daemon.
    pub started_at: Timestamp,
    /// The port or address of the kit, as in the site file.
    pub source: String,
    /// The site at the start; [`Hub::set_site`] changes it.
    pub site: SiteInfo,
}

/// The latest position of one tag.
#[derive(Clone, Debug)]
pub(crate) struct Latest {
    pub(crate) at: Timestamp,
    pub(crate) state: TagState,
    pub(crate) radius95_m: Option<f64>,
    text: Arc<str>,
}

impl Latest {
    /// The message with its age at `now`.
    pub(crate) fn text_at(&self, now: Timestamp) -> String {
        with_age(&self.text, now.since(self.at))
    }
}

/// Counters since the start.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Counts {
    /// By state: located, coasting, ambiguous, lost.
    pub(crate) positions: [u64; 4],
    pub(crate) epochs: u64,
    /// In the order of [`VerdictName::ALL`].
    pub(crate) verdicts: [u64; VerdictName::ALL.len()],
    pub(crate) out_of_order: u64,
    pub(crate) too_many_tags: u64,
    pub(crate) missed: u64,
}

/// All that can change, as it is at one moment.
#[derive(Clone, Debug)]
pub(crate) struct Snapshot {
    pub(crate) link: LinkStatus,
    pub(crate) ever_connected: bool,
    pub(crate) decoder: Option<DecoderCounts>,
    pub(crate) log: Option<LogStatus>,
    pub(crate) anchors: Option<Arc<AnchorTable>>,
    /// What the bytes themselves tell of the kit.
    link_findings: Vec<KitFinding>,
    pub(crate) tags: BTreeMap<TagId, Latest>,
    /// The latest report of each zone, by its place in the site file, and tag.
    pub(crate) zones: BTreeMap<(usize, TagId), ZoneReport>,
    pub(crate) counts: Counts,
    pub(crate) subscribers: usize,
    /// Something about the configuration that needs a person, in words.
    pub(crate) notice: Option<String>,
    pub(crate) adapter_note: Option<String>,
}

struct State {
    now: Snapshot,
    kept: Kept,
    readers: Vec<Arc<Reader>>,
}

/// The events and who numbers them.
struct Events {
    ring: Ring,
    kept_in: NumbersKeptIn,
}

struct Inner {
    info: HubInfo,
    events: Mutex<Events>,
    site: RwLock<Arc<SiteInfo>>,
    state: Mutex<State>,
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
            tags: BTreeMap::new(),
            zones: BTreeMap::new(),
            counts: Counts::default(),
            subscribers: 0,
            notice: None,
            adapter_note: None,
        };
        let site = RwLock::new(Arc::new(info.site.clone()));
        let events = Mutex::new(Events { ring: Ring::new(KEPT as usize), kept_in: NumbersKeptIn::Memory });
        let state = Mutex::new(State { now, kept: Kept::default(), readers: Vec::new() });
        Hub(Arc::new(Inner { info, events, site, state }))
    }

    /// Takes over what the engine said. Quick and never waiting: the engine's loop calls it.
    pub fn publish(&self, output: &Output) {
        match output {
            Output::Position(report) => self.publish_position(report),
            Output::Delayed(report) => self.publish_delayed(report),
            Output::Ranges(epoch) => self.publish_ranges(epoch),
            Output::Anchors(table) => self.publish_anchors(table),
            // The table that shows the change comes right after it.
            Output::AnchorChanged(_) | Output::FindingChanged(_) | Output::KitChanged(_) => {}
            Output::Zone(report) => self.publish_zone(report),
            Output::Minute(minute) => self.lock().kept.minute(minute),
            Output::OutOfOrder { .. } => self.lock().now.counts.out_of_order += 1,
            Output::TooManyTags { .. } => self.lock().now.counts.too_many_tags += 1,
        }
    }

    /// Takes over the state of the link; readers are told when it or its reason changed. Whether it did.
    pub fn set_link(&self, link: LinkStatus) -> bool {
        let mut state = self.lock();
        let same = state.now.link.state == link.state && state.now.link.reason == link.reason;
        if same {
            return false; // a retry that failed like the one before: the waiting began back then
        }
        state.now.ever_connected |= link.state == LinkState::Connected;
        state.now.link = link;
        let message = self.link_message(&state.now.link);
        state.deliver(&message);
        true
    }

    /// Takes over what lasts of what the bytes tell of the kit, whether frames come of them or not.
    pub fn set_link_findings(&self, findings: &[KitFinding]) {
        findings.clone_into(&mut self.lock().now.link_findings);
    }

    /// Takes over the decoder's counters.
    pub fn set_decoder_counts(&self, counts: DecoderCounts) {
        self.lock().now.decoder = Some(counts);
    }

    /// Takes over how the log fares.
    pub fn set_log(&self, log: LogStatus) {
        self.lock().now.log = Some(log);
    }

    /// Takes over a site that was changed while the daemon runs. What was said of its zones before is over: they
    /// begin as unknown.
    pub fn set_site(&self, site: SiteInfo) {
        let mut state = self.lock();
        state.now.zones.clear();
        *self.0.site.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(site);
    }

    /// Takes over an event that the log has safe under this number: one of an earlier session at the start, or one that
    /// just happened. `detail` is as [`EventDraft`] has it. Quick and never waiting: the log's writer calls it.
    pub fn publish_event(&self, seq: u64, at: Timestamp, kind: &str, detail: &str) {
        let text = event_text(Some(seq), at, kind, detail).into();
        self.events().ring.push(Event { seq, text });
        self.wake_followers();
    }

    /// Takes over an event that no log keeps, under the next number.
    pub fn count_event(&self, event: &EventDraft) {
        let mut events = self.events();
        let seq = events.ring.newest() + 1;
        let text = event_text(Some(seq), event.at, event.kind.name(), &event.detail).into();
        events.ring.push(Event { seq, text });
        drop(events);
        self.wake_followers();
    }

    /// The newest number that was given; 0 before the first.
    pub fn newest_event(&self) -> u64 {
        self.events().ring.newest()
    }

    /// Who numbers the events from now on; memory until this says otherwise.
    pub fn set_numbers_kept_in(&self, kept_in: NumbersKeptIn) {
        self.events().kept_in = kept_in;
    }

    pub(crate) fn events_page(&self, after: Option<u64>, limit: usize) -> (Page, NumbersKeptIn) {
        let events = self.events();
        (events.ring.page(after, limit), events.kept_in)
    }

    fn events(&self) -> MutexGuard<'_, Events> {
        self.0.events.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn wake_followers(&self) {
        let state = self.lock();
        state.readers.iter().filter(|r| r.wants.event).for_each(|r| r.news.notify_one());
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

    pub(crate) fn snapshot(&self) -> Snapshot {
        let state = self.lock();
        Snapshot { subscribers: state.readers.len(), ..state.now.clone() }
    }

    /// The current body of one anchor of the site.
    pub(crate) fn anchor_body(&self, anchor: &Anchor, now: &Snapshot) -> AnchorBody {
        let (site, health) = (self.site(), now.health_of(anchor));
        let diagnosis = Diagnosis::of(anchor.id, health, now.around(&site));
        AnchorBody::new(anchor, health, &diagnosis, &site.anchors)
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

    /// The messages of one zone as they count at `clock`, by tag; those that were never heard last. With `only`
    /// that tag's alone.
    pub(crate) fn zone_reports(
        &self,
        now: &Snapshot,
        zone: usize,
        only: Option<TagId>,
        clock: Timestamp,
    ) -> Vec<ZoneReportBody> {
        let site = self.site();
        let Some(of) = site.zones.get(zone) else { return Vec::new() };
        let all = now.zones.range((zone, TagId(0))..=(zone, TagId(u32::MAX)));
        let heard: Vec<TagId> = all.clone().map(|((_, tag), _)| *tag).collect();
        let reports = all.filter(|((_, tag), _)| only.is_none_or(|t| t == *tag));
        let bodies = reports.map(|(_, report)| ZoneReportBody::at(report, &of.name, clock));
        let waits = match only {
            None => unheard_tags(of, &heard),
            Some(tag) if heard.contains(&tag) => Vec::new(),
            Some(tag) => vec![Some(tag)],
        };
        bodies.chain(waits.into_iter().map(|tag| ZoneReportBody::never_heard(&of.name, tag, clock))).collect()
    }

    /// The answer of one zone of the site over all its tags, or over `only` one.
    pub(crate) fn zone_answer(
        &self,
        now: &Snapshot,
        zone: usize,
        only: Option<TagId>,
        clock: Timestamp,
    ) -> ZoneAnswerBody {
        let site = self.site();
        let name = site.zones.get(zone).map_or("", |z| z.name.as_str());
        ZoneAnswerBody::new(name, self.zone_reports(now, zone, only, clock), clock)
    }

    /// A new reader with the snapshot waiting for it; `None` when `limit` readers are there already.
    pub(crate) fn subscribe(
        &self,
        wants: Wants,
        clock: Timestamp,
        backlog: usize,
        limit: usize,
    ) -> Option<Subscription> {
        let mut state = self.lock();
        if state.readers.len() >= limit {
            return None;
        }
        let snapshot = self.opening(&state.now, &wants, clock);
        let mailbox = Mutex::new(Mailbox::new(snapshot, backlog, wants.spacing));
        // Whatever comes from here on is after the cursor, and this reader is woken for it.
        let following = wants.event.then(|| Following::new(wants.after, &self.events().ring));
        let following = Mutex::new(following);
        let reader = Arc::new(Reader { wants, mailbox, following, news: Notify::new() });
        state.readers.push(reader.clone());
        Some(Subscription { hub: self.clone(), reader })
    }

    /// A thread that panicked while holding the lock leaves whole values behind: each is assigned at once.
    fn lock(&self) -> MutexGuard<'_, State> {
        self.0.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn publish_position(&self, report: &PositionReport) {
        let text: Arc<str> = PositionBody::from_report(report, None).to_json().into();
        let mut state = self.lock();
        state.now.counts.positions[state_index(report.state)] += 1;
        state.now.remember(report, &text);
        state.kept.position(report);
        let message = Message::new(Key::Position(report.tag), text);
        state.deliver(&Message { aged_from: Some(report.at), ..message });
    }

    fn publish_delayed(&self, report: &PositionReport) {
        let text = PositionBody::from_delayed(report).to_json();
        self.lock().deliver(&Message::new(Key::Delayed(report.tag), text));
    }

    fn publish_ranges(&self, epoch: &JudgedEpoch) {
        let mut state = self.lock();
        state.now.counts.epochs += 1;
        for range in &epoch.ranges {
            let name = VerdictName::from(range.verdict);
            if let Some(i) = VerdictName::ALL.iter().position(|v| *v == name) {
                state.now.counts.verdicts[i] += 1;
            }
        }
        let key = Key::Range(epoch.tag);
        if state.readers.iter().any(|r| r.wants.takes(key)) {
            state.deliver(&Message::new(key, RangesBody::from(epoch).to_json()));
        }
    }

    fn publish_anchors(&self, table: &Arc<AnchorTable>) {
        let mut state = self.lock();
        let before = state.now.anchors.replace(table.clone());
        let as_before = |row: &AnchorHealth| {
            let was = before.as_ref().and_then(|t| t.rows.iter().find(|r| r.anchor == row.anchor));
            was.map_or(row.state == AnchorState::NeverHeard, |was| same_in_words(was, row))
        };
        let site = self.site();
        for row in table.rows.iter().filter(|row| !as_before(row)) {
            if let Some(anchor) = site.anchors.iter().find(|a| a.id == row.anchor) {
                let message = self.anchor_message(anchor, &state.now);
                state.deliver(&message);
            }
        }
    }

    fn publish_zone(&self, report: &ZoneReport) {
        let mut state = self.lock();
        let site = self.site();
        let Some(zone) = site.zones.get(report.zone) else { return };
        state.now.remember_zone(report);
        let wanted = |wants: &Wants| wants.takes_zone(&zone.name, Some(report.tag));
        if state.readers.iter().any(|r| wanted(&r.wants)) {
            let text = ZoneReportBody::from_report(report, &zone.name).to_json();
            let key = Key::Zone(report.zone, Some(report.tag));
            let message = Message { urgent: report.changed(), ..Message::new(key, text) };
            state.deliver_to(&message, wanted);
        }
    }

    fn anchor_message(&self, anchor: &Anchor, now: &Snapshot) -> Message {
        Message::new(Key::Anchor(anchor.id), self.anchor_body(anchor, now).to_json())
    }

    fn link_message(&self, link: &LinkStatus) -> Message {
        Message::new(Key::Link, self.link_body(link).to_json())
    }

    /// What a new reader is told first: link, anchors, positions, zones.
    fn opening(&self, now: &Snapshot, wants: &Wants, clock: Timestamp) -> Vec<Message> {
        let link = std::iter::once(self.link_message(&now.link));
        let site = self.site();
        let anchors = site.anchors.iter().map(|a| self.anchor_message(a, now));
        let positions = now.tags.iter().map(|(tag, latest)| Message {
            aged_from: Some(latest.at),
            ..Message::new(Key::Position(*tag), latest.text.clone())
        });
        let plain = link.chain(anchors).chain(positions).filter(|m| wants.takes(m.key));
        let zones = site.zones.iter().enumerate().filter(|(_, z)| wants.takes_zone(&z.name, wants.tag));
        let zones = zones.flat_map(|(i, _)| {
            let bodies = self.zone_reports(now, i, wants.tag, clock).into_iter();
            bodies.map(move |body| Message::new(Key::Zone(i, body.tag.map(TagId)), body.to_json()))
        });
        plain.chain(zones).collect()
    }
}

/// Whether nothing but figures differs between two rows of one anchor.
fn same_in_words(a: &AnchorHealth, b: &AnchorHealth) -> bool {
    let place = |p: &PlaceAnswer| std::mem::discriminant(p);
    let kinds = |h: &AnchorHealth| h.findings.iter().map(words::finding_kind).collect::<Vec<_>>();
    (a.state, a.set_aside, place(&a.place)) == (b.state, b.set_aside, place(&b.place)) && kinds(a) == kinds(b)
}

/// Lets the oldest of `most` go when `key` is a new one.
pub(crate) fn make_room<K: Ord + Copy, V>(
    map: &mut BTreeMap<K, V>,
    key: &K,
    most: usize,
    at: impl Fn(&V) -> Timestamp,
) {
    if map.len() >= most && !map.contains_key(key) {
        let oldest = map.iter().min_by_key(|(_, kept)| at(kept)).map(|(key, _)| *key);
        oldest.and_then(|key| map.remove(&key));
    }
}

/// Index into [`Counts::positions`].
pub(crate) fn state_index(state: TagState) -> usize {
    match state {
        TagState::Located => 0,
        TagState::Coasting => 1,
        TagState::Ambiguous => 2,
        TagState::Lost => 3,
    }
}

impl Snapshot {
    pub(crate) fn health_of(&self, anchor: &Anchor) -> Option<&AnchorHealth> {
        self.anchors.as_ref().and_then(|t| t.rows.iter().find(|r| r.anchor == anchor.id))
    }

    /// What an anchor is seen with.
    pub(crate) fn around<'a>(&'a self, site: &'a SiteInfo) -> Around<'a> {
        Around {
            anchors: &site.anchors,
            kit: self.anchors.as_ref().map_or(&[], |t| &t.kit),
            by_bytes: &self.link_findings,
            link_is_up: self.link.state == LinkState::Connected,
        }
    }

    /// What is the matter with the kit as a whole: what the bytes tell, and what the engine tells.
    pub(crate) fn kit(&self) -> impl Iterator<Item = &KitFinding> {
        self.link_findings.iter().chain(self.anchors.iter().flat_map(|t| &t.kit))
    }

    /// How long the link has been waiting; `None` while it is connected.
    pub(crate) fn waiting_for(&self, now: Timestamp) -> Option<Micros> {
        (self.link.state == LinkState::Waiting).then(|| now.since(self.link.since).max(Micros::ZERO))
    }

    fn remember_zone(&mut self, report: &ZoneReport) {
        let key = (report.zone, report.tag);
        make_room(&mut self.zones, &key, MAX_ZONE_REPORTS, |kept| kept.at);
        self.zones.insert(key, *report);
    }

    fn remember(&mut self, report: &PositionReport, text: &Arc<str>) {
        make_room(&mut self.tags, &report.tag, MAX_TAGS, |kept| kept.at);
        let latest = Latest {
            at: report.at,
            state: report.state,
            radius95_m: report.radius95_m.filter(|r| r.is_finite()),
            text: text.clone(),
        };
        self.tags.insert(report.tag, latest);
    }
}

impl State {
    fn deliver(&mut self, message: &Message) {
        self.deliver_to(message, |wants| wants.takes(message.key));
    }

    fn deliver_to(&mut self, message: &Message, wanted: impl Fn(&Wants) -> bool) {
        let now = Instant::now();
        for reader in self.readers.iter().filter(|r| wanted(&r.wants)) {
            self.now.counts.missed += reader.mailbox().push(message.clone(), now);
            reader.news.notify_one();
        }
    }
}

/// What a reader of `/v1/live` asked for.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Wants {
    pub(crate) position: bool,
    pub(crate) delayed: bool,
    pub(crate) range: bool,
    pub(crate) anchor: bool,
    pub(crate) link: bool,
    pub(crate) zone: bool,
    pub(crate) event: bool,
    /// Events after this number first; from now on without it.
    pub(crate) after: Option<u64>,
    /// Only this tag's positions, ranges and zones.
    pub(crate) tag: Option<TagId>,
    /// Only the zone of this name.
    pub(crate) zone_name: Option<String>,
    /// Shortest time between two positions, or two epochs of ranges, of one tag.
    pub(crate) spacing: Option<Duration>,
}

impl Wants {
    fn takes(&self, key: Key) -> bool {
        let tag_fits = |tag| self.tag.is_none_or(|wanted| wanted == tag);
        match key {
            Key::Link => self.link,
            Key::Anchor(_) => self.anchor,
            Key::Position(tag) => self.position && tag_fits(tag),
            Key::Delayed(tag) => self.delayed && tag_fits(tag),
            Key::Range(tag) => self.range && tag_fits(tag),
            // The name decides as well: see below.
            Key::Zone(_, tag) => self.zone && tag.is_none_or(tag_fits),
        }
    }

    fn takes_zone(&self, zone: &str, tag: Option<TagId>) -> bool {
        self.takes(Key::Zone(0, tag)) && self.zone_name.as_deref().is_none_or(|wanted| wanted == zone)
    }
}

struct Reader {
    wants: Wants,
    mailbox: Mutex<Mailbox>,
    /// `None` for who doesn't want events.
    following: Mutex<Option<Following>>,
    news: Notify,
}

impl Reader {
    fn mailbox(&self) -> MutexGuard<'_, Mailbox> {
        self.mailbox.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// A reader's end. Dropping it ends the subscription.
pub(crate) struct Subscription {
    hub: Hub,
    reader: Arc<Reader>,
}

impl Subscription {
    /// What is next for this reader: events and other messages in turn.
    pub(crate) fn take(&self) -> Taken {
        if let Some(taken) = self.take_event(false) {
            return taken;
        }
        match self.reader.mailbox().take(Instant::now()) {
            idle @ (Taken::Nothing | Taken::NotBefore(_)) => self.take_event(true).unwrap_or(idle),
            taken => taken,
        }
    }

    fn take_event(&self, idle: bool) -> Option<Taken> {
        let mut following = self.reader.following.lock().unwrap_or_else(PoisonError::into_inner);
        match following.as_mut()?.take(&self.hub.events().ring, idle) {
            Next::Event(event) => Some(Taken::Event(event)),
            Next::NoLongerKept { from, to } => Some(Taken::Told(NoLongerKeptBody::text(from, to))),
            Next::NumbersAnew { after, newest } => Some(Taken::Told(NumbersAnewBody::text(after, newest))),
            Next::Nothing => None,
        }
    }

    /// The number to resume after, for who got no event yet; `None` for who doesn't want events.
    pub(crate) fn event_cursor(&self) -> Option<u64> {
        let following = self.reader.following.lock().unwrap_or_else(PoisonError::into_inner);
        following.as_ref().map(Following::after)
    }

    /// Returns when something new may wait; at once when it came since the last call.
    pub(crate) async fn news(&self) {
        self.reader.news.notified().await;
    }
}

impl Drop for Subscription {
    fn drop(&mut self) {
        self.hub.lock().readers.retain(|r| !Arc::ptr_eq(r, &self.reader));
    }
}
