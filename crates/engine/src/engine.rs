//! The order of the stages and of the deadlines.

use arrayvec::ArrayVec;
use hereabout_core::{
    Doubt, Epoch, Frame, JudgedEpoch, JudgedRange, Location, MAX_ANCHORS, MAX_TAGS, NoFixReason, Place,
    PositionReport, RejectedRange, Site, TagId, TagPlace, Timestamp,
};
use hereabout_solve::tracker::AnchorStats;
use hereabout_wire::{FieldName, FrameSpec};

use crate::epoch::epoch_from_frame;
use crate::estimate::Estimate;
use crate::fit_input::fit_ranges;
use crate::freshness::Freshness;
use crate::input::Input;
use crate::judging::{Judged, Readings};
use crate::output::{AnchorTable, Output, TagChange, TagLife, ZoneReport, ZoneWhy};
use crate::output::{Outputs, TableRoom};
use crate::roster::{Admission, Roster, is_welcome};
use crate::start::{InheritedTag, Recent, StartState};
use crate::tag::Tag;
use crate::watch::{Seen, Watch};

/// The positioning engine. See the crate's front page for how to drive it.
///
/// Outputs wait inside until they are polled: drain them after every [`Engine::handle`].
#[derive(Clone, Debug)]
pub struct Engine {
    site: Site,
    frame: Option<FrameSpec>,
    freshness: Freshness,
    newest: Option<Timestamp>,
    seq: u64,
    /// Delayed reports have their own numbers.
    delayed_seq: u64,
    /// And so have zone reports.
    zone_seq: u64,
    roster: Roster,
    /// By the roster's slots. A slot is used again when its tag was retired.
    tags: [Option<Box<Tag>>; MAX_TAGS],
    watch: Watch,
    outputs: Outputs,
    tables: TableRoom,
    recent: Recent,
}

impl Engine {
    /// An engine that has heard nothing yet. `frame` may be absent when only epochs come in.
    pub fn new(site: Site, frame: Option<FrameSpec>) -> Engine {
        let watch = Watch::new(&site);
        let numbered = frame.as_ref().is_some_and(|f| f.layout.has(FieldName::Tag));
        Engine {
            roster: Roster::new(&site, numbered),
            freshness: Freshness::new(frame.as_ref(), site.track().max_age),
            site,
            frame,
            newest: None,
            seq: 0,
            delayed_seq: 0,
            zone_seq: 0,
            tags: [const { None }; MAX_TAGS],
            watch,
            outputs: Outputs::default(),
            tables: TableRoom::default(),
            recent: Recent::default(),
        }
    }

    /// An engine that goes on from what another one handed on; see `start`. What it says first is where each tag is at
    /// that instant, as far as the handed-on ranges tell under this site.
    pub fn begin(site: Site, frame: Option<FrameSpec>, start: &StartState) -> Engine {
        let mut engine = Engine::new(site, frame);
        engine.watch.inherit(&start.anchors);
        for of in start.tags.iter().filter(|of| is_welcome(&engine.site, of.tag)) {
            let first = start.epochs.iter().find(|e| e.tag == of.tag).map_or(start.at, |e| e.at);
            if let Some(slot) = engine.roster.admit(of.tag, of.last_heard) {
                engine.tags[slot] = Some(Box::new(Tag::new(of.tag, first, &engine.site)));
            }
        }
        for epoch in &start.epochs {
            engine.handle(Input::Epoch(epoch));
            engine.outputs.clear();
        }
        engine.handle(Input::Tick(start.at));
        engine.outputs.clear();
        (engine.seq, engine.delayed_seq, engine.zone_seq) = (start.seq, start.delayed_seq, start.zone_seq);
        for i in 0..MAX_TAGS {
            let Some(tag) = &mut engine.tags[i] else { continue };
            let estimate = tag.begin(start.at, &engine.site);
            engine.publish(start.at, start.at, i, &estimate, &ArrayVec::new());
        }
        for gone in start.tags.iter().filter(|of| engine.roster.slot(of.tag).is_none()) {
            let silent_for = start.at.since(gone.last_heard);
            let now = TagLife::Retired { silent_for };
            engine.outputs.push_back(Output::TagChanged(TagChange { at: start.at, tag: gone.tag, now }));
        }
        engine.watch.report_standing(start.at, false, &mut engine.outputs);
        engine.publish_table(start.at);
        engine
    }

    /// Ends what this engine says, at `at`: every zone becomes unknown, every finding is over (the next engine tells what still
    /// stands by its own site). What is handed on to the next one.
    pub fn hand_on(&mut self, at: Timestamp) -> StartState {
        self.handle(Input::Tick(at));
        let at = self.newest.unwrap_or(at);
        for tag in self.tags.iter_mut().flatten() {
            let (outputs, seq) = (&mut self.outputs, &mut self.zone_seq);
            tag.zones.end(at, ZoneWhy::Changed, |zone| number_zone(outputs, seq, zone));
        }
        self.watch.report_standing(at, true, &mut self.outputs);
        StartState {
            at,
            seq: self.seq,
            delayed_seq: self.delayed_seq,
            zone_seq: self.zone_seq,
            tags: self.roster.admitted().map(|(tag, last_heard)| InheritedTag { tag, last_heard }).collect(),
            anchors: self.watch.hand_on(),
            epochs: self.recent.at(at),
        }
    }

    /// Takes over what another engine knows of the stream: its pace, its clock, the frames of before. It belongs to the
    /// kit and the cable, not to the site.
    pub fn take_over_stream(&mut self, before: &mut Engine) {
        let max_age = self.site.track().max_age;
        let fresh = Freshness::new(self.frame.as_ref(), max_age);
        self.freshness = std::mem::replace(&mut before.freshness, fresh).with_max_age(max_age);
        // Those that the site does not list any more need no room.
        self.freshness.keep(|tag| self.roster.slot(tag).is_some());
    }

    /// The same without the anchor watch, which says nothing then: for measuring what the watch costs.
    #[doc(hidden)]
    pub fn without_watch(site: Site, frame: Option<FrameSpec>) -> Engine {
        Engine { watch: Watch::off(&site), ..Engine::new(site, frame) }
    }

    /// The site it was made for.
    pub fn site(&self) -> &Site {
        &self.site
    }

    /// Takes one input. Deadlines at or before its stamp fire first, each with its own stamp.
    ///
    /// An epoch older than the newest input is left out with [`Output::OutOfOrder`]; an older tick does nothing. A
    /// frame counts as received at the newest instant at least: it may have waited in the decoder. A frame without a
    /// frame layout is left out as well.
    pub fn handle(&mut self, input: Input<'_>) {
        let stamp = match &input {
            Input::Frame(frame) => frame.received_at,
            Input::Epoch(epoch) => epoch.at,
            Input::Tick(at) | Input::LinkChanged(at) => *at,
        };
        let at = self.newest.map_or(stamp, |newest| newest.max(stamp));
        if at > stamp && matches!(input, Input::Epoch(_)) {
            self.outputs.push_back(Output::OutOfOrder { at: stamp, newest: at });
            return;
        }
        self.fire_until(at);
        self.newest = Some(at);
        match input {
            Input::Frame(frame) => self.take_frame(at, frame),
            Input::Epoch(epoch) => self.take_epoch(epoch),
            Input::Tick(_) => {}
            Input::LinkChanged(_) => self.freshness.link_changed(),
        }
    }

    /// Asks how fresh a frame is, and takes it as an epoch that says so.
    fn take_frame(&mut self, at: Timestamp, frame: &Frame) {
        if let Some(spec) = &self.frame {
            let mut epoch = epoch_from_frame(frame, spec, &self.site);
            epoch.at = at;
            match self.admission(&epoch, true) {
                Some(slot) => {
                    self.freshness.judge(frame, &mut epoch);
                    self.take_known(&epoch, slot);
                }
                None => {
                    self.freshness.wait(at, frame);
                    self.take_unknown(&epoch);
                }
            }
        }
    }

    /// An epoch of a log or a table, which says itself whether its tag was known.
    fn take_epoch(&mut self, epoch: &Epoch) {
        let Some(slot) = self.admission(epoch, false) else {
            self.take_unknown(epoch);
            return;
        };
        if epoch.doubt == Some(Doubt::UnknownTag) {
            // This site lists the tag that the log did not know: how old its frame was, nobody has looked at.
            self.take_known(&Epoch { doubt: Some(Doubt::Unsettled), ..epoch.clone() }, slot);
        } else {
            self.take_known(epoch, slot);
        }
    }

    /// The slot of the tag of an epoch; `None` while it is not admitted.
    fn admission(&mut self, epoch: &Epoch, judges: bool) -> Option<usize> {
        let (tags, site) = (&self.tags, &self.site);
        match self.roster.admission(epoch, judges, site, || usual_sigma_m(tags, site)) {
            Admission::Known(slot) => Some(slot),
            Admission::Admitted(slot) => {
                self.admit(slot, epoch);
                Some(slot)
            }
            Admission::Unknown => None,
            Admission::NoRoom => {
                self.outputs.push_back(Output::TooManyTags { at: epoch.at, tag: epoch.tag });
                None
            }
        }
    }

    /// All that is kept for a tag begins. Frames of it that waited for that tell the pace already.
    fn admit(&mut self, slot: usize, epoch: &Epoch) {
        let (at, tag) = (epoch.at, epoch.tag);
        self.tags[slot] = Some(Box::new(Tag::new(tag, at, &self.site)));
        self.outputs.push_back(Output::TagChanged(TagChange { at, tag, now: TagLife::Admitted }));
        if let Some(spec) = &self.frame {
            let site = &self.site;
            self.freshness.catch_up(tag, |frame| epoch_from_frame(frame, spec, site));
        }
    }

    /// All that is kept for a tag ends.
    fn retire(&mut self, at: Timestamp, slot: usize, tag: TagId, last_heard: Timestamp) {
        if let Some(mut gone) = self.tags[slot].take() {
            let (outputs, seq) = (&mut self.outputs, &mut self.zone_seq);
            gone.zones.end(at, ZoneWhy::NoData, |zone| number_zone(outputs, seq, zone));
        }
        self.watch.forget(slot, tag);
        self.freshness.keep(|id| id != tag);
        let silent_for = at.since(last_heard);
        self.outputs.push_back(Output::TagChanged(TagChange {
            at,
            tag,
            now: TagLife::Retired { silent_for },
        }));
    }

    /// The next thing to publish, oldest first.
    pub fn poll_output(&mut self) -> Option<Output> {
        self.outputs.pop_front()
    }

    /// When the engine wants to be woken with an [`Input::Tick`], if nothing else comes before.
    pub fn poll_deadline(&self) -> Option<Timestamp> {
        let tags = self.tags.iter().flatten().filter_map(|t| t.speak_at).min();
        let zones = self.tags.iter().flatten().filter_map(|t| t.zones.deadline()).min();
        [tags, zones, self.watch.deadline(), self.roster.deadline()].into_iter().flatten().min()
    }

    /// The anchors' health as of the newest input.
    pub fn anchor_table(&self) -> Option<AnchorTable> {
        Some(self.table(self.newest?))
    }

    /// The watch's table, with what the trackers learned.
    fn table(&self, at: Timestamp) -> AnchorTable {
        let mut table = self.watch.table(at);
        for (i, row) in table.rows.iter_mut().enumerate() {
            if let Some(stats) = learned(&self.tags, i) {
                row.sigma_m = Some(stats.sigma_m);
                row.nlos_share = stats.nlos_share;
            }
        }
        table
    }

    fn publish_table(&mut self, at: Timestamp) {
        let table = self.table(at);
        self.outputs.push_back(Output::Anchors(self.tables.share(table)));
    }

    fn fire_until(&mut self, at: Timestamp) {
        while let Some(due) = self.poll_deadline().filter(|due| *due <= at) {
            for i in 0..MAX_TAGS {
                self.fire_tag(i, due);
            }
            while let Some((slot, tag, last_heard)) = self.roster.retire(due) {
                self.retire(due, slot, tag, last_heard);
            }
            self.watch.set_tag_findings(self.roster.findings(due));
            let tags = &self.tags;
            if self.watch.fire(due, &|anchor| learned(tags, anchor), &mut self.outputs) {
                self.publish_table(due);
            }
            self.watch.roll(due);
        }
    }

    /// What the tag in slot `i` has to say at `due` because nothing came.
    fn fire_tag(&mut self, i: usize, due: Timestamp) {
        let Some(tag) = &mut self.tags[i] else { return };
        if tag.speak_at.is_some_and(|t| t <= due) {
            let estimate = tag.fire(due, &self.site);
            self.publish(due, due, i, &estimate, &ArrayVec::new());
        }
        if let Some(tag) = &mut self.tags[i] {
            let (outputs, seq) = (&mut self.outputs, &mut self.zone_seq);
            tag.zones.fire(due, |zone| number_zone(outputs, seq, zone));
        }
    }

    /// An epoch whose tag is not admitted: it is kept with its verdict, and reaches nothing else.
    fn take_unknown(&mut self, epoch: &Epoch) {
        self.watch.wake(epoch.at);
        let mut readings = Readings::corrected(epoch, &self.site, &self.watch);
        readings.doubt(Doubt::UnknownTag);
        self.publish_ranges(epoch, Some(Doubt::UnknownTag), readings.judged());
    }

    /// An epoch of the tag in slot `tag`.
    fn take_known(&mut self, epoch: &Epoch, tag: usize) {
        self.recent.keep(epoch);
        self.watch.wake(epoch.at);
        let mut readings = Readings::corrected(epoch, &self.site, &self.watch);
        let obs = readings.usable();
        let complete = epoch.readings.len() >= self.site.anchors().len();
        // What is too old for the present still says where the tag was, and the next position is the better for it.
        let feeds = matches!(epoch.doubt, None | Some(Doubt::Old));
        let known = self.tags[tag].as_mut().filter(|_| feeds);
        let estimate = known.and_then(|known| known.update(epoch, &obs, complete, &self.site));
        if let Some(doubt) = epoch.doubt {
            readings.doubt(doubt);
            self.doubted(epoch, tag, readings.judged(), doubt);
            return;
        }
        let estimate = estimate.unwrap_or_else(|| Estimate::lost(NoFixReason::NotCurrent(Doubt::Old)));
        readings.judge(&estimate, &self.site);
        let judged = readings.judged();
        self.watch_epoch(epoch, tag, &judged, &estimate);
        let ranges = self.publish_ranges(epoch, None, judged);
        self.publish(epoch.at, epoch.measured_at, tag, &estimate, &ranges);
    }

    /// An epoch that must not be taken for the present: it is kept with its verdict, and nothing rests on it. When it
    /// casts doubt on what was said before, that is taken back at once.
    fn doubted(&mut self, epoch: &Epoch, tag: usize, judged: Judged, doubt: Doubt) {
        let estimate = Estimate::lost(NoFixReason::NotCurrent(doubt));
        self.watch_epoch(epoch, tag, &judged, &estimate);
        self.publish_ranges(epoch, Some(doubt), judged);
        let known = self.tags[tag].as_mut();
        if known.is_some_and(|known| known.retract(epoch.at, doubt, &estimate, &self.site)) {
            self.publish(epoch.at, epoch.at, tag, &estimate, &ArrayVec::new());
        }
    }

    fn publish_ranges(
        &mut self,
        epoch: &Epoch,
        doubt: Option<Doubt>,
        judged: Judged,
    ) -> ArrayVec<JudgedRange, MAX_ANCHORS> {
        let ranges: ArrayVec<JudgedRange, MAX_ANCHORS> = judged.into_iter().map(|(_, r)| r).collect();
        self.outputs.push_back(Output::Ranges(JudgedEpoch {
            at: epoch.at,
            measured_at: epoch.measured_at,
            doubt,
            tag: epoch.tag,
            frame_seq: epoch.frame_seq,
            ranges: ranges.clone(),
        }));
        ranges
    }

    /// Feeds the watch with what became of this epoch; a change of state is published with the table at once.
    fn watch_epoch(
        &mut self,
        epoch: &Epoch,
        tag: usize,
        judged: &[(Option<usize>, JudgedRange)],
        estimate: &Estimate,
    ) {
        let (at, measured_at, doubt) = (epoch.at, epoch.measured_at, epoch.doubt);
        let fit_ranges = &fit_ranges(epoch, &self.site);
        let seen = Seen { at, measured_at, doubt, tag, tag_id: epoch.tag, fit_ranges, judged, estimate };
        self.watch.set_tag_findings(self.roster.findings(at));
        let tags = &self.tags;
        if self.watch.take(&seen, &self.site, &|anchor| learned(tags, anchor), &mut self.outputs) {
            self.publish_table(at);
        }
    }

    /// Publishes what tag `i` has to say at `at` about the instant `measured_at`, and the delayed reports that have
    /// become due with it.
    fn publish(
        &mut self,
        at: Timestamp,
        measured_at: Timestamp,
        i: usize,
        estimate: &Estimate,
        ranges: &ArrayVec<JudgedRange, MAX_ANCHORS>,
    ) {
        let Some(id) = self.tags[i].as_ref().map(|tag| tag.id) else { return };
        self.seq += 1;
        let report = self.report(self.seq, [at, measured_at], (i, id), estimate);
        self.outputs.push_back(Output::Position(report.clone()));
        let (outputs, seq) = (&mut self.outputs, &mut self.zone_seq);
        let watch = &self.watch;
        if let Some(tag) = &mut self.tags[i] {
            let out = |zone| number_zone(outputs, seq, zone);
            if watch.doubts_site() {
                tag.zones.distrust(&report, out);
            } else {
                tag.zones.update(&report, ranges, &self.site, |anchor| watch.doubt_of(anchor), out);
            }
        }
        while let Some((was_at, delayed)) = self.tags[i].as_mut().and_then(|t| t.delayed(at, &self.site)) {
            self.delayed_seq += 1;
            let report = self.report(self.delayed_seq, [was_at, was_at], (i, id), &delayed);
            self.outputs.push_back(Output::Delayed(report));
        }
    }

    /// The report of tag `i` with its number; `times` are when it was received and when it was measured.
    fn report(
        &self,
        seq: u64,
        times: [Timestamp; 2],
        (i, tag): (usize, TagId),
        estimate: &Estimate,
    ) -> PositionReport {
        let [received_at, at] = times;
        let anchors = self.site.anchors();
        let used = estimate.verdicts.iter().filter(|v| v.rejected.is_none()).map(|v| anchors[v.anchor].id);
        let rejected = estimate.verdicts.iter().filter_map(|v| {
            let why = v.rejected?;
            Some(RejectedRange {
                anchor: anchors[v.anchor].id,
                residual_m: v.residual_m,
                why,
                p_good: v.p_good,
            })
        });
        PositionReport {
            seq,
            tag,
            at,
            received_at,
            valid_until: self.tags[i].as_ref().map_or(at, |t| t.valid_until(at, estimate.state())),
            location: self.published(&estimate.location),
            restarted: estimate.restarted,
            used: used.collect(),
            rejected: rejected.collect(),
            no_fix: estimate.no_fix,
        }
    }

    /// What is said of a place beside what the estimator knows: the stated uncertainty of its height, and whether anything
    /// speaks against it.
    fn published(&self, location: &Location) -> Location {
        let trusted = !self.watch.rests_on_doubted() && !self.watch.doubts_site();
        let stated = |p: &TagPlace| TagPlace {
            place: with_stated_height(p.place, &self.site),
            checked: p.checked && trusted && !self.site.fence().contradicts(p.place.position_m),
            ..*p
        };
        match location {
            Location::Located(place) => Location::Located(stated(place)),
            Location::Coasting(place) => Location::Coasting(stated(place)),
            Location::Ambiguous(places) => {
                Location::Ambiguous(places.iter().map(|p| with_stated_height(*p, &self.site)).collect())
            }
            Location::Lost => Location::Lost,
        }
    }
}

/// The place with the variance of the height that the site states: in 2D no estimator knows it.
fn with_stated_height(mut place: Place, site: &Site) -> Place {
    if let Some(se_m) = site.tag_height_se_m() {
        place.covariance_m2[2][2] = se_m * se_m;
    }
    place
}

/// What the trackers learned about an anchor: of several tags, from the one that has heard it most.
fn learned(tags: &[Option<Box<Tag>>], anchor: usize) -> Option<AnchorStats> {
    let stats = tags.iter().flatten().filter_map(|t| t.anchor_stats(anchor)).max_by_key(|s| s.readings);
    stats.filter(|s| s.readings > 0)
}

/// The noise of a good range that is usual at this site, metres: the upper median over the anchors.
fn usual_sigma_m(tags: &[Option<Box<Tag>>], site: &Site) -> f64 {
    let of =
        |(i, a): (usize, &hereabout_core::Anchor)| learned(tags, i).map_or(a.range_sigma_m, |s| s.sigma_m);
    let mut sigmas_m: ArrayVec<f64, MAX_ANCHORS> = site.anchors().iter().enumerate().map(of).collect();
    sigmas_m.sort_unstable_by(f64::total_cmp);
    sigmas_m.get(sigmas_m.len() / 2).copied().unwrap_or(0.0)
}

/// Numbers a zone's report and puts it out.
fn number_zone(outputs: &mut Outputs, seq: &mut u64, zone: ZoneReport) {
    *seq += 1;
    outputs.push_back(Output::Zone(ZoneReport { seq: *seq, ..zone }));
}

#[cfg(test)]
mod tests;
