//! What is known at one moment, as it was said: link, decoder, log, anchors, tags, zones and counters.

pub(crate) mod expiry;
pub(crate) mod heard;
pub(crate) mod history;
pub(crate) mod site_info;

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
};

use hereabout_core::{Micros, PositionReport, TagId, TagState, Timestamp};
use hereabout_engine::{AnchorTable, KitFinding, ZoneReport};

use self::{heard::Heard, site_info::SiteInfo};

/// Tags whose latest position is kept; a new one beyond that takes the place of the oldest.
pub const MAX_REMEMBERED_TAGS: usize = 256;

/// Zones times tags whose latest report is kept; far above what the engine keeps apart.
const MAX_ZONE_REPORTS: usize = 16_384;

/// Whether the link to the kit is open.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Connectivity {
    /// Open: bytes can come.
    Connected,
    /// Not open; the daemon keeps trying.
    Waiting,
}

/// The link to the kit, as it is shown to people: ingest keeps the facts, this has the words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LinkView {
    /// Whether it is open; a link over UDP is as soon as the port is listened on.
    pub state: Connectivity,
    /// Why it waits and what to do, in words; `None` when connected.
    pub reason: Option<String>,
    /// Since when, by the clock of the one who reports it: in the session's time scale for [`crate::Hub::set_link`], in UTC
    /// once it is there.
    pub since: Timestamp,
}

/// The log's state: what is in it, what waits for it and what it lost. Counted since the daemon's start.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LogStatus {
    /// The file, as people know it.
    pub path: String,
    /// Rows that are safely on the disk, over all sessions.
    pub rows_written: u64,
    /// Rows that wait to be written.
    pub rows_waiting: u64,
    /// Frames, with their ranges, that were lost: the log could not take them.
    pub frames_dropped: u64,
    /// Positions that were lost like that.
    pub positions_dropped: u64,
    /// Events that were lost like that; readers got them all the same.
    pub events_dropped: u64,
    /// What is wrong with it, in words with what to do; `None` when nothing is.
    pub problem: Option<String>,
}

impl LogStatus {
    /// Rows of all kinds that were lost.
    pub(crate) fn rows_dropped(&self) -> u64 {
        self.frames_dropped + self.positions_dropped + self.events_dropped
    }
}

/// How the session's time scale stands to UTC.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClockStatus {
    /// To be added to a stamp of the session for UTC.
    pub utc_minus_session: Micros,
    /// When that changed last, UTC.
    pub changed_at: Timestamp,
    /// Whether the computer's clock is synchronised; `None` when nobody can say.
    pub synchronised: Option<bool>,
}

/// What the daemon starts with. All but the site stays as it is while it runs.
#[derive(Clone, Debug, PartialEq)]
pub struct HubInfo {
    /// Version of the program, such as 0.1.0.
    pub version: String,
    /// Start of the daemon, in the session's time scale.
    pub started_at: Timestamp,
    /// The port or address of the kit, as in the site file.
    pub source: String,
    /// The site at the start; [`crate::Hub::set_site`] changes it.
    pub site: SiteInfo,
}

/// The latest position of one tag, as it was said. For what still counts of it see [`crate::current::Current`].
#[derive(Clone, Debug)]
pub(crate) struct Latest {
    pub(crate) report: Arc<PositionReport>,
    /// Its message, without the fields that only the sending knows: made once, however many read it.
    pub(crate) text: Arc<str>,
}

/// How the session's time scale stands to UTC, for the status.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Clock {
    pub(crate) utc_minus_session: Micros,
    /// `None` until it changes.
    pub(crate) changed_at: Option<Timestamp>,
    pub(crate) synchronised: Option<bool>,
}

/// Verdicts that are counted apart: as many as version 1 names ([`crate::v1::VerdictName::ALL`] has this length).
pub(crate) const VERDICT_KINDS: usize = 13;

/// Counters since the start.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Counts {
    /// By state: located, coasting, ambiguous, lost.
    pub(crate) positions: [u64; 4],
    pub(crate) epochs: u64,
    /// In the order of [`crate::v1::VerdictName::ALL`].
    pub(crate) verdicts: [u64; VERDICT_KINDS],
    pub(crate) out_of_order: u64,
    pub(crate) too_many_tags: u64,
    pub(crate) missed: u64,
    pub(crate) pings_unanswered: u64,
}

/// All that can change, as it is at one moment.
#[derive(Clone, Debug)]
pub(crate) struct Snapshot {
    pub(crate) link: LinkView,
    pub(crate) ever_connected: bool,
    pub(crate) decoder: Option<hereabout_core::LinkCounts>,
    pub(crate) log: Option<LogStatus>,
    pub(crate) anchors: Option<Arc<AnchorTable>>,
    /// Findings about the kit from the bytes alone, whether frames come of them or not.
    pub(crate) link_findings: Vec<KitFinding>,
    /// The newest stamps of what was published.
    pub(crate) heard: Heard,
    pub(crate) clock: Clock,
    /// The latest of each tag that is admitted, or is not known to have been retired.
    pub(crate) tags: BTreeMap<TagId, Latest>,
    /// The tags that the engine admitted.
    pub(crate) admitted: BTreeSet<TagId>,
    /// Since when retired tags that the site names are silent.
    pub(crate) retired: BTreeMap<TagId, Timestamp>,
    /// The latest report of each zone, by its place in the site file, and tag.
    pub(crate) zones: BTreeMap<(usize, TagId), ZoneReport>,
    pub(crate) counts: Counts,
    pub(crate) subscribers: usize,
    /// Something about the configuration that needs a person, in words.
    pub(crate) notice: Option<String>,
    pub(crate) adapter_note: Option<String>,
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
    /// Before the first frame.
    pub(crate) fn new(link: LinkView) -> Snapshot {
        Snapshot {
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
        }
    }

    /// What speaks against the site as a whole, so that no position is to be trusted; `None` when nothing does.
    pub(crate) fn site_in_doubt(&self) -> Option<&KitFinding> {
        self.kit().find(|k| matches!(k, KitFinding::SiteDoesNotFit { doubt } if doubt.all))
    }

    /// Active findings about the kit as a whole: those from the bytes, and those of the engine.
    pub(crate) fn kit(&self) -> impl Iterator<Item = &KitFinding> {
        self.link_findings.iter().chain(self.anchors.iter().flat_map(|t| &t.kit))
    }

    pub(crate) fn remember_zone(&mut self, report: &ZoneReport) {
        let key = (report.zone, report.tag);
        make_room(&mut self.zones, &key, MAX_ZONE_REPORTS, |kept| kept.at);
        self.zones.insert(key, *report);
    }

    pub(crate) fn remember(&mut self, latest: Latest) {
        let tag = latest.report.tag;
        make_room(&mut self.tags, &tag, MAX_REMEMBERED_TAGS, |kept| kept.report.at);
        self.tags.insert(tag, latest);
    }

    /// Moves all stamps by `by`.
    pub(crate) fn shift(&mut self, by: Micros) {
        self.retired.values_mut().for_each(|since| *since = since.plus(by));
        self.link.since = self.link.since.plus(by);
        self.heard.shift(by);
        self.anchors.iter_mut().for_each(|table| Arc::make_mut(table).shift(by));
        self.zones.values_mut().for_each(|report| report.shift(by));
        for latest in self.tags.values_mut() {
            Arc::make_mut(&mut latest.report).shift(by);
        }
    }

    /// Makes the texts of all positions anew: their stamps or names changed.
    pub(crate) fn write_texts(&mut self, text_of: impl Fn(&PositionReport) -> Arc<str>) {
        self.tags.values_mut().for_each(|latest| latest.text = text_of(&latest.report));
    }
}
