//! The anchor watch: finds what is the matter with an anchor, or with the kit, from ranges alone.
//!
//! | part | finds | when it looks |
//! |---|---|---|
//! | `liveness` | heard, silent, rates | every reading; a deadline a second after the last range |
//! | `link_quality` | often late, weak, noisy, flapping | every reading counted; judged once a second |
//! | `duplicate_id` | two boards with one id | every range, per tag |
//! | `kit` | tag off, anchors gone, nobody answers, frozen, repeated, old, age unknown, uneven clock, numbers that are no tags | every frame; judged once a second |
//! | `whole` | the site file and the ranges do not belong together, and why | a few steps with every frame |
//! | `place` | moved, offset changed, reads long, one of several, drifting | every 7 m of travel |
//! | `minute` | the minute lines | a deadline at the end of each minute |
//! | `link` | cable out, frames cut | fed by the daemon, outside of the engine |
//!
//! **Silent** as a finding is more than the state of the same name: others must have answered for
//! [`OTHERS_ANSWERED`] after its last range. When all stop, the kit's findings say who is to blame. An anchor that
//! flaps is not told as silent each time, only when it stays away for [`STAYS_AWAY`].
//!
//! **Never heard** is reported after [`NEVER_AFTER`] in which others were heard.
//!
//! What has begun is reported once and ends once (`active_findings`); every finding has two limits, one to begin and a lower one
//! to end. All memory is made at the start, and with each new tag. A slot of a tag that was retired is used again: [`Watch::forget`].

mod active_findings;
mod duplicate_id;
mod kit;
mod link;
mod link_quality;
mod liveness;
mod minute;
mod place;
pub(crate) mod whole;

use arrayvec::ArrayVec;
use hereabout_core::{
    AnchorId, AnchorSet, AnchorState, Doubt, JudgedRange, MAX_ANCHORS, MAX_TAGS, Micros, RejectReason,
    SILENT_AFTER, Site, TagId, Timestamp, Verdict,
};
use hereabout_solve::fit::FitRange;
use hereabout_solve::tracker::AnchorStats;

use crate::estimate::Estimate;
use crate::output::Outputs;
use crate::output::{
    AnchorFinding, AnchorFindingKind, AnchorTable, CannotTell, FindingChange, KitChange, KitFinding, Output,
    PlaceAnswer, ZoneWhy,
};
use crate::start::InheritedAnchor;
use active_findings::{ActiveFindings, ActiveKitFindings, FindingsByKind};
use duplicate_id::DuplicateId;
use kit::Kit;
pub use link::KitWatch;
use link_quality::{LinkQuality, Sighting, noisy};
use liveness::{Heard, Liveness};
use minute::Minutes;
use place::Places;
use whole::Whole;

/// Others must have answered for this long after an anchor's last range.
const OTHERS_ANSWERED: Micros = Micros::from_millis(1_200);
/// A flapping anchor is told as silent only after this long.
const STAYS_AWAY: Micros = Micros::from_millis(10_000);
/// An anchor that was never heard is reported after this much of a session.
const NEVER_AFTER: Micros = Micros::from_millis(5_000);
/// Without a held range for this long an anchor's are its own again.
const HELD_LASTS: Micros = Micros::from_millis(2_000);
/// No word sends anybody up to an anchor before.
const FIRST_MINUTE: Micros = Micros::from_millis(60_000);
/// Readings of an anchor before its noise is judged.
const NOISE_READINGS: u64 = 600;

/// What one epoch was and what became of it.
pub(crate) struct Seen<'a> {
    pub(crate) at: Timestamp,
    pub(crate) measured_at: Timestamp,
    pub(crate) doubt: Option<Doubt>,
    /// Index of the tag in the engine, and its id.
    pub(crate) tag: usize,
    pub(crate) tag_id: TagId,
    /// What the test of the whole is given.
    pub(crate) fit_ranges: &'a [FitRange],
    /// Anchor index (`None` for anchors that the site does not have) and verdict.
    pub(crate) judged: &'a [(Option<usize>, JudgedRange)],
    pub(crate) estimate: &'a Estimate,
}

/// What the trackers learned about an anchor, by its index.
pub(crate) type Learned<'a> = &'a dyn Fn(usize) -> Option<AnchorStats>;

/// Ranges of each anchor to one tag, for what must not mix tags.
type PerTag = [DuplicateId; MAX_ANCHORS];

/// The watch over all anchors of a site.
#[derive(Clone, Debug)]
pub(crate) struct Watch {
    ids: ArrayVec<AnchorId, MAX_ANCHORS>,
    began: Option<Timestamp>,
    liveness: Liveness,
    minutes: Minutes,
    link_quality: LinkQuality,
    kit: Kit,
    places: Places,
    whole: Whole,
    /// Anchors that something is known against: named, or two boards.
    faulty: AnchorSet,
    /// Of these and of "one of several", all.
    doubted: AnchorSet,
    duplicate_ids: ArrayVec<Box<PerTag>, MAX_TAGS>,
    /// When a range of the anchor was last a held one.
    held: [Option<Timestamp>; MAX_ANCHORS],
    /// When the anchor last told a number, whatever the settings make of it.
    told: [Option<Timestamp>; MAX_ANCHORS],
    active: [ActiveFindings; MAX_ANCHORS],
    kit_findings: ActiveKitFindings,
}

impl Watch {
    pub(crate) fn new(site: &Site) -> Watch {
        let ids: ArrayVec<AnchorId, MAX_ANCHORS> =
            site.anchors().iter().map(|a| a.id).take(MAX_ANCHORS).collect();
        Watch {
            began: None,
            liveness: Liveness::new(ids.iter().copied()),
            minutes: Minutes::default(),
            link_quality: LinkQuality::new(ids.len()),
            kit: Kit::new(),
            places: Places::new(site),
            whole: Whole::new(site),
            faulty: AnchorSet::EMPTY,
            doubted: AnchorSet::EMPTY,
            duplicate_ids: ArrayVec::new(),
            held: [None; MAX_ANCHORS],
            told: [None; MAX_ANCHORS],
            active: std::array::from_fn(|_| ActiveFindings::default()),
            kit_findings: ActiveKitFindings::default(),
            ids,
        }
    }

    /// A watch over nothing.
    pub(crate) fn off(site: &Site) -> Watch {
        Watch { ids: ArrayVec::new(), ..Watch::new(site) }
    }

    /// Takes over what was known of the anchors of this site.
    pub(crate) fn inherit(&mut self, anchors: &[InheritedAnchor]) {
        self.liveness.inherit(anchors);
    }

    /// What is known of each anchor that was heard.
    pub(crate) fn hand_on(&self) -> ArrayVec<InheritedAnchor, MAX_ANCHORS> {
        self.liveness.hand_on()
    }

    fn is_off(&self) -> bool {
        self.ids.is_empty()
    }

    /// Tells all that stands, as beginning or as over: where one engine takes over from another, whose words end.
    pub(crate) fn report_standing(&self, at: Timestamp, over: bool, out: &mut Outputs) {
        for (anchor, active) in self.ids.iter().zip(&self.active) {
            for finding in active.list() {
                let change = FindingChange { at, anchor: *anchor, finding, over, instead_of: None };
                out.push_back(Output::FindingChanged(change));
            }
        }
        for finding in self.kit_findings.list() {
            out.push_back(Output::KitChanged(KitChange { at, finding: *finding, over }));
        }
    }

    /// A tag was retired: what was kept for it goes, and its slot begins anew with the next one.
    pub(crate) fn forget(&mut self, slot: usize, tag: TagId) {
        if let Some(duplicates) = self.duplicate_ids.get_mut(slot) {
            **duplicates = [DuplicateId::default(); MAX_ANCHORS];
        }
        self.places.forget(slot);
        self.whole.forget(slot);
        self.kit.forget(tag);
    }

    /// Takes over what is to be told of numbers that are no tags.
    pub(crate) fn set_tag_findings(&mut self, findings: [Option<KitFinding>; 2]) {
        self.kit.strangers = findings;
    }

    /// Whether the anchor has been heard and fell silent.
    pub(crate) fn is_silent(&self, anchor: usize) -> bool {
        self.liveness.is_silent(anchor)
    }

    /// The next instant at which something changes without an input.
    pub(crate) fn deadline(&self) -> Option<Timestamp> {
        [self.liveness.deadline(), self.minutes.deadline()].into_iter().flatten().min()
    }

    /// Starts counting at `at` if nothing is being counted.
    pub(crate) fn wake(&mut self, at: Timestamp) {
        if self.is_off() {
            return;
        }
        self.began.get_or_insert(at);
        self.liveness.wake(at);
        self.minutes.wake(at);
    }

    /// Takes in an epoch. Whether a table is due at once, because something has changed.
    pub(crate) fn take(&mut self, seen: &Seen, site: &Site, learned: Learned, out: &mut Outputs) -> bool {
        if self.is_off() {
            return false;
        }
        let mut changed = false;
        while self.duplicate_ids.len() <= seen.tag && !self.duplicate_ids.is_full() {
            self.duplicate_ids.push(Box::new([DuplicateId::default(); MAX_ANCHORS]));
        }
        for range in seen.fit_ranges {
            if let Some(told) = self.told.get_mut(range.anchor) {
                *told = Some(seen.at);
            }
        }
        for (index, range) in seen.judged {
            let Some(anchor) = index.filter(|i| *i < self.ids.len()) else { continue };
            let heard = Heard {
                anchor,
                range_m: range.range_m.filter(|_| range.verdict.is_heard()),
                rejected: matches!(range.verdict, Verdict::Rejected(_)),
                used_residual_m: range.residual_m.filter(|_| range.verdict == Verdict::Used),
            };
            if range.verdict == Verdict::Held {
                changed |= self.held[anchor].replace(seen.at).is_none();
            }
            self.minutes.hear(&heard);
            // How often a silent anchor answers is no question of its distance.
            let awake = self.liveness.state(anchor).is_some_and(|(s, _)| s == AnchorState::Heard);
            let sighting = sighting(seen.estimate, site, anchor).filter(|_| awake);
            // What is called late against wrong settings says nothing about views.
            let late = late(range).filter(|_| !self.whole.doubts_all());
            self.link_quality.hear(seen.at, anchor, heard.range_m.is_some(), late, sighting);
            if let (Some(range_m), Some(duplicates)) = (heard.range_m, self.duplicate_ids.get_mut(seen.tag)) {
                let was = duplicates[anchor].found().is_some();
                duplicates[anchor].hear(seen.at, range_m);
                changed |= duplicates[anchor].found().is_some() != was;
            }
            if let Some(change) = self.liveness.hear(seen.at, &heard) {
                changed = true;
                out.push_back(Output::AnchorChanged(change));
            }
        }
        let ranged = seen.judged.iter().filter(|(_, r)| r.range_m.is_some() && r.verdict.is_heard());
        self.kit.hear(seen.at, seen.tag_id, ranged.filter_map(|(i, _)| *i));
        changed |= self.kit.doubt(seen.at, seen.measured_at, seen.tag_id, seen.doubt);
        changed |= self.whole.take(seen);
        if !self.whole.doubts_all() {
            changed |= self.places.take(seen, site, learned);
        }
        if changed {
            // What was learned is looked at once a second; until then what was said about it stays said.
            self.refresh(seen.at, None, out);
        }
        changed
    }

    /// Whether the site file and the ranges may not belong together, so that nothing should rest on positions.
    pub(crate) fn doubts_site(&self) -> bool {
        self.whole.is_open()
    }

    /// Why a range of the anchor tells nothing about how far the tag is from it; `None` when it does.
    pub(crate) fn doubt_of(&self, anchor: usize) -> Option<ZoneWhy> {
        if self.has_duplicate_id(anchor) {
            Some(ZoneWhy::DuplicateId)
        } else {
            self.whole.is_swapped(anchor).then_some(ZoneWhy::SiteDoubted)
        }
    }

    /// Whether two boards answer to the anchor's id.
    fn has_duplicate_id(&self, anchor: usize) -> bool {
        self.active.get(anchor).is_some_and(|active| active.has(AnchorFindingKind::DuplicateId))
    }

    /// The anchors whose ranges take no part in positions at present; see `place` for the rule.
    pub(crate) fn excluded(&self) -> AnchorSet {
        let enough = self.undoubted() >= self.places.need();
        if enough { self.faulty } else { AnchorSet::EMPTY }
    }

    /// Whether positions rest on a suspect for want of others.
    pub(crate) fn rests_on_doubted(&self) -> bool {
        self.doubted != AnchorSet::EMPTY && self.undoubted() < self.places.need()
    }

    /// Anchors without suspicion that are heard at present.
    fn undoubted(&self) -> usize {
        self.liveness.heard(|i| !self.doubted.contains(i))
    }

    /// What is due at `at`: anchors that fall silent, the end of a second, the end of a minute. Whether a table is due.
    pub(crate) fn fire(&mut self, at: Timestamp, learned: Learned, out: &mut Outputs) -> bool {
        let lines = self.minutes.fire(at, self.ids.iter().copied());
        out.extend(lines.into_iter().map(Output::Minute));
        let (changes, due) = self.liveness.fire(at);
        out.extend(changes.into_iter().map(Output::AnchorChanged));
        if due {
            self.refresh(at, Some(learned), out);
        }
        due
    }

    /// Begins the next second when one has ended by `at`.
    pub(crate) fn roll(&mut self, at: Timestamp) {
        if self.liveness.bucket_has_ended(at) {
            self.link_quality.roll();
        }
        self.liveness.roll(at);
    }

    /// The table as it stands.
    pub(crate) fn table(&self, at: Timestamp) -> AnchorTable {
        let mut table = self.liveness.table(at);
        let excluded = self.excluded();
        for (i, (row, active)) in table.rows.iter_mut().zip(&self.active).enumerate() {
            row.findings = active.list();
            row.place = match self.whole.doubts_all() {
                true => PlaceAnswer::CannotTell(CannotTell::SiteDoubted),
                false => self.places.answer(at, i),
            };
            row.excluded = excluded.contains(i);
        }
        table.kit = self.kit_findings.list().clone();
        table
    }

    /// Looks at everything anew and tells what begins and what is over.
    fn refresh(&mut self, at: Timestamp, learned: Option<Learned>, out: &mut Outputs) {
        (self.faulty, self.doubted) = (AnchorSet::EMPTY, AnchorSet::EMPTY);
        let misplaced = self.whole.faulty();
        for anchor in 0..self.ids.len() {
            let now = self.findings(at, anchor, learned);
            self.active[anchor].become_now(at, self.ids[anchor], &now, |change| {
                out.push_back(Output::FindingChanged(change));
            });
            let double = self.has_duplicate_id(anchor);
            if double || self.places.is_named(anchor) || misplaced.contains(anchor) {
                self.faulty.insert(anchor);
                self.doubted.insert(anchor);
            } else if self.places.is_one_of(at, anchor) {
                self.doubted.insert(anchor);
            }
        }
        let began = self.began.unwrap_or(at);
        self.kit.offsets = self.places.tag_offsets();
        let now = self.kit.findings(at, began, self.kit_findings.list(), self.whole.kit_finding());
        self.kit_findings.become_now(at, now, |change| {
            out.push_back(Output::KitChanged(change));
        });
    }

    /// What is the matter with one anchor now.
    fn findings(&mut self, at: Timestamp, anchor: usize, learned: Option<Learned>) -> FindingsByKind {
        let mut now = [None; AnchorFindingKind::COUNT];
        let mut add = |found: Option<AnchorFinding>| {
            if let Some(finding) = found {
                now[usize::from(finding.kind().rank())] = Some(finding);
            }
        };
        let active = &self.active[anchor];
        let was = |kind: AnchorFindingKind| active.has(kind);
        let double = self
            .duplicate_ids
            .iter()
            .filter_map(|t| t[anchor].found())
            .max_by(|a, b| a.share.total_cmp(&b.share));
        add(double.map(|d| AnchorFinding::DuplicateId { apart_m: d.apart_m, share: d.share }));
        self.held[anchor] = self.held[anchor].filter(|last| at.since(*last) < HELD_LASTS);
        add(self.held[anchor].map(|_| AnchorFinding::Held));
        let silent = self.silent(at, anchor);
        if silent && !was(AnchorFindingKind::Silent) {
            self.link_quality.fell_silent(at, anchor);
        }
        let flapping = self.link_quality.flapping(at, anchor, was(AnchorFindingKind::Flapping));
        add(flapping.filter(|_| !self.whole.doubts_all()));
        let nlos = AnchorFindingKind::OftenNlos;
        // While all is in doubt, what looks like an anchor's fault is that of the settings. Within the first minute nobody is
        // sent up to look; positions do without a misplaced one all the same.
        let first_minute = self.began.is_none_or(|began| at.since(began) < FIRST_MINUTE);
        if !self.whole.doubts_all() && !first_minute {
            add(self.whole.misplaced(anchor));
        }
        // The test of the whole asks all data of the session about all causes: while it explains the anchor, nothing else is
        // said of its place and view.
        let explained = self.is_explained(anchor);
        if !explained {
            add(self.places.finding(at, anchor).filter(|_| !first_minute));
            if !self.places.is_named(anchor) {
                // While a check speaks against the site nothing new is said of views: all would rest on its settings.
                let quiet = !was(nlos) && self.whole.is_open();
                add(self.link_quality.often_late(anchor, was(nlos)).filter(|_| !quiet));
            }
            add(self.places.drifting(anchor, was(AnchorFindingKind::Drifting)));
        } else if self.whole.doubts_all() && !self.whole.has_cause() {
            // What was said may well be what is wrong: it is not taken back before something else is known to be.
            add(active.about_place());
        }
        let state = self.liveness.state(anchor);
        if silent && (flapping.is_none() || self.stays_away(at, anchor)) {
            add(Some(AnchorFinding::Silent));
        } else if !self.whole.doubts_all() && state.is_some_and(|(s, _)| s == AnchorState::Heard) {
            add(self.link_quality.weak(anchor, was(AnchorFindingKind::Weak)));
        }
        if self.never_heard(at, anchor) {
            add(Some(AnchorFinding::NeverHeard));
        }
        let noise = AnchorFindingKind::Noisy;
        match learned {
            // Like all that sends somebody up a ladder, this waits for a minute of driving.
            // What is noisy against wrong settings says nothing about boards.
            _ if explained => {}
            Some(learned)
                if was(noise) || (self.link_quality.has_seen_enough(anchor) && !self.whole.is_open()) =>
            {
                add(self.noisy(anchor, learned, was(noise)));
            }
            Some(_) => {}
            None => add(active.get(noise)),
        }
        now
    }

    /// Whether the settings explain whatever an anchor reads oddly: all are in doubt, or it is named as the one that is not
    /// where the file says.
    fn is_explained(&self, anchor: usize) -> bool {
        self.whole.doubts_all() || self.whole.is_swapped(anchor) || self.whole.misplaced(anchor).is_some()
    }

    /// Whether it sends numbers that the settings in doubt make no ranges of: it has power, whatever else is wrong.
    fn answers_in_doubt(&self, at: Timestamp, anchor: usize) -> bool {
        let lately = |told: &Timestamp| at.since(*told) < SILENT_AFTER;
        self.whole.doubts_all() && self.told[anchor].as_ref().is_some_and(lately)
    }

    /// Silent while others go on.
    fn silent(&self, at: Timestamp, anchor: usize) -> bool {
        let Some((AnchorState::Silent, Some(last))) = self.liveness.state(anchor) else { return false };
        let others = self.liveness.others_last_heard(anchor);
        at.since(last) >= SILENT_AFTER
            && others.is_some_and(|t| t.since(last) >= OTHERS_ANSWERED)
            && !self.answers_in_doubt(at, anchor)
    }

    fn stays_away(&self, at: Timestamp, anchor: usize) -> bool {
        let last = self.liveness.state(anchor).and_then(|s| s.1);
        last.is_some_and(|t| at.since(t) >= STAYS_AWAY)
    }

    fn never_heard(&self, at: Timestamp, anchor: usize) -> bool {
        let never = self.liveness.state(anchor).is_some_and(|(s, _)| s == AnchorState::NeverHeard);
        let settled = self.began.is_some_and(|began| at.since(began) >= NEVER_AFTER);
        let others = self.liveness.others_last_heard(anchor).is_some();
        never && settled && others && !self.answers_in_doubt(at, anchor)
    }

    fn noisy(&self, anchor: usize, learned: Learned, was: bool) -> Option<AnchorFinding> {
        let sigma = |i: usize| Some(learned(i).filter(|s| s.readings >= NOISE_READINGS)?.sigma_m);
        let others = (0..self.ids.len()).filter(|i| *i != anchor).filter_map(sigma).collect();
        noisy(sigma(anchor)?, others, was)
    }
}

/// Whether a range came late; `None` when nobody has judged it.
fn late(range: &JudgedRange) -> Option<bool> {
    match range.verdict {
        Verdict::Used => Some(false),
        Verdict::Rejected(why) => Some(why == RejectReason::TooLong),
        _ => None,
    }
}

/// From the anchor to the tag, while its place is known.
fn sighting(estimate: &Estimate, site: &Site, anchor: usize) -> Option<Sighting> {
    let (place, at_m) = (estimate.place()?.position_m, site.anchors()[anchor].at_m);
    let d: [f64; 3] = std::array::from_fn(|k| place[k] - at_m[k]);
    let distance_m = (d[0] * d[0] + d[1] * d[1] + d[2] * d[2]).sqrt();
    Some(Sighting { to_tag_m: [d[0], d[1]], distance_m })
}

#[cfg(test)]
mod tests;
