//! Where the daemon's loop and the readers meet: it locks and delivers.
//!
//! The engine's loop calls [`Hub::publish`]; HTTP handlers read; `/v1/live` subscribes. One lock
//! guards all of it, so that a subscriber's snapshot and the changes after it fit without a gap or a
//! double. It is held for some microseconds: no input or output is done under it, and a message is
//! turned into text once, however many listen. What changes under it and which messages that makes, [`ServiceState`] says.
//!
//! Events come on their own, with the number that they have from the loop ([`Hub::publish_event`]), whatever the log does.
//! They have a lock of their own, taken last.
//!
//! The loop speaks in the time scale of its session, what is kept here is in UTC ([`Hub::set_clock`]). When the
//! difference changes, all that is kept moves along, what waits for readers too, so that nothing holds for longer or
//! shorter because a clock was set. What has run out is not looked for here: [`crate::current::Current`] knows.

mod events;

use std::{
    collections::BTreeMap,
    sync::{
        Arc, Mutex, MutexGuard, PoisonError, RwLock,
        atomic::{AtomicI64, Ordering::SeqCst},
    },
    time::Instant,
};

use hereabout_core::{AnchorId, LinkCounts, Micros, TagId, Timestamp};
use hereabout_engine::{AnchorMinute, KitFinding, Output};

use super::{
    events::EventCursor,
    filter::SubscriptionFilter,
    mailbox::Mailbox,
    message::Message,
    reader::Reader,
    service_state::{ServiceState, text_of},
};
use crate::{
    current::Moment,
    state::{
        ClockStatus, Connectivity, HubInfo, LinkView, LogStatus, Snapshot, history::TagPast,
        site_info::SiteInfo,
    },
};

/// What is known, and who is told.
struct State {
    service: ServiceState,
    readers: Vec<Arc<Reader>>,
}

struct Inner {
    info: HubInfo,
    events: Mutex<events::Events>,
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
        let link = LinkView {
            state: Connectivity::Waiting,
            reason: Some("not opened yet".to_owned()),
            since: info.started_at,
        };
        let site = RwLock::new(Arc::new(info.site.clone()));
        let events = Mutex::default();
        let state = Mutex::new(State { service: ServiceState::new(link), readers: Vec::new() });
        Hub(Arc::new(Inner { info, events, site, state, utc_minus_session_us: AtomicI64::new(0) }))
    }

    /// Takes over what the engine said, in the session's time scale. Quick and never waiting: the engine's loop calls it.
    pub fn publish(&self, output: &Output) {
        let (output, site) = (output.shifted(self.utc_minus_session()), self.site());
        // Positions are the longest texts: they are made before the lock is taken.
        let text = text_of(output.as_ref(), &site);
        let mut state = self.lock();
        let State { service, readers } = &mut *state;
        let messages = service.publish(output.as_ref(), text, &site, &|key, zone| {
            readers.iter().any(|r| r.filter.admits_key(key, zone))
        });
        messages.iter().for_each(|message| state.deliver(message));
    }

    /// The engine's time has come to `at`, in the session's time scale: to be sent twice a second, whether there is
    /// anything to publish or not. From the first call on a time that stands still is told by `/readyz`.
    pub fn alive(&self, at: Timestamp) {
        let mut state = self.lock();
        state.service.now.heard.alive(self.utc(at));
    }

    /// Takes over how the session's time scale stands to UTC: what is published from now on is moved by that, and what is
    /// kept by the difference to before. To be called by the loop that publishes.
    pub fn set_clock(&self, clock: ClockStatus) {
        let mut state = self.lock();
        let State { service, readers } = &mut *state;
        let by = service.set_clock(clock);
        if by == Micros::ZERO {
            return;
        }
        let mut mailboxes: Vec<_> = readers.iter().map(|r| r.mailbox()).collect();
        self.0.utc_minus_session_us.store(clock.utc_minus_session.micros(), SeqCst);
        mailboxes.iter_mut().for_each(|m| m.shift(by));
        service.shift(by, &self.site());
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
    pub fn set_link(&self, link: LinkView) -> bool {
        let mut state = self.lock();
        let link = LinkView { since: self.utc(link.since), ..link };
        let message = state.service.set_link(link, &self.info().source);
        message.iter().for_each(|message| state.deliver(message));
        message.is_some()
    }

    /// Takes over what lasts of what the bytes tell of the kit, whether frames come of them or not.
    pub fn set_link_findings(&self, findings: &[KitFinding]) {
        findings.clone_into(&mut self.lock().service.now.link_findings);
    }

    /// Takes over the decoder's counters.
    pub fn set_decoder_counts(&self, counts: LinkCounts) {
        self.lock().service.now.decoder = Some(counts);
    }

    /// Takes over how the log fares.
    pub fn set_log(&self, log: LogStatus) {
        self.lock().service.now.log = Some(log);
    }

    /// Takes over a site that was changed while the daemon runs. What was said of its zones before is over: they
    /// begin as unknown. Of tags and anchors the newest stays until it runs out or the engine says more; what the site
    /// has no longer is not served.
    pub fn set_site(&self, site: SiteInfo) {
        let mut state = self.lock();
        state.service.set_site(&site);
        *self.0.site.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(site);
    }

    /// Takes over what needs a person about the configuration, in words; `None` when nothing does (any more).
    pub fn set_notice(&self, notice: Option<String>) {
        self.lock().service.now.notice = notice;
    }

    /// Takes over what needs a person about the adapter that the bytes come through, in words.
    pub fn set_adapter_note(&self, note: Option<String>) {
        self.lock().service.now.adapter_note = note;
    }

    pub(crate) fn info(&self) -> &HubInfo {
        &self.0.info
    }

    /// The site as it is now.
    pub(crate) fn site(&self) -> Arc<SiteInfo> {
        self.0.site.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// All that is kept, with the site that it belongs to, at the present by this clock.
    pub(crate) fn moment(&self, clock: &dyn Fn() -> Timestamp) -> Moment {
        let state = self.lock();
        let now = Snapshot { subscribers: state.readers.len(), ..state.service.now.clone() };
        Moment { now, site: self.site(), clock: clock() }
    }

    /// The full minutes of one anchor in the hour before `now`, oldest first.
    pub(crate) fn minutes(&self, anchor: AnchorId, now: Timestamp) -> Vec<AnchorMinute> {
        self.lock().service.history.minutes_of(anchor, now)
    }

    /// All tags with their trails.
    pub(crate) fn tags_with_trails(&self, now: Timestamp) -> BTreeMap<TagId, TagPast> {
        self.lock().service.history.tags_at(now)
    }

    /// A new reader with what counts at the present waiting for it; `None` when `limit` readers are there already.
    pub(crate) fn enter(
        &self,
        filter: SubscriptionFilter,
        clock: &dyn Fn() -> Timestamp,
        backlog: usize,
        limit: usize,
    ) -> Option<Arc<Reader>> {
        let mut state = self.lock();
        if state.readers.len() >= limit {
            return None;
        }
        let opening = state.service.opening(&filter, &self.site(), clock(), &self.info().source);
        let mailbox = Mailbox::new(opening, backlog, filter.spacing);
        // Whatever comes from here on is after the cursor, and this reader is woken for it.
        let cursor = filter.event.then(|| EventCursor::new(filter.after, &self.events().ring));
        let reader = Arc::new(Reader::new(filter, mailbox, cursor));
        state.readers.push(reader.clone());
        Some(reader)
    }

    /// Ends a subscription.
    pub(crate) fn let_go(&self, reader: &Arc<Reader>) {
        self.lock().readers.retain(|r| !Arc::ptr_eq(r, reader));
    }

    /// A ping came that gets no pong.
    pub(crate) fn count_unanswered_ping(&self) {
        self.lock().service.now.counts.pings_unanswered += 1;
    }

    /// A thread that panicked while holding the lock leaves whole values behind: each is assigned at once.
    fn lock(&self) -> MutexGuard<'_, State> {
        self.0.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl State {
    /// Puts a message into the mailboxes of those who subscribe to it.
    fn deliver(&mut self, message: &Message) {
        let now = Instant::now();
        for reader in self.readers.iter().filter(|r| r.filter.admits(message)) {
            self.service.now.counts.missed += reader.mailbox().push(message.clone(), now);
            reader.wake();
        }
    }
}

#[cfg(test)]
impl Hub {
    pub(crate) fn snapshot(&self) -> Snapshot {
        self.moment(&|| Timestamp::MIN).now
    }
}
