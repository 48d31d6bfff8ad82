//! Which tag numbers are tags: admitted after several frames that fit each other, retired after a silence.
//!
//! **Question.** A frame says whose it is in a field of its own. Where a layout has no checksum, a bit error makes another
//! number of it, and the ranges are those of the real tag. Nothing that is kept for each tag may begin with such a frame.
//!
//! **Candidates.** A number that is not admitted is one. It is admitted with its [`FRAMES`]th frame in a row: no gap is longer
//! than [`GAP_S`], its ranges change no faster than a tag can move, and each frame shows it at another place than every
//! admitted tag. A number that is at the place of an admitted tag all the time is that tag's number damaged on its way, or a
//! second tag at the same place; the ranges can't tell, so it is not admitted, and the kit's findings say so. Before the
//! first tag of a session is admitted its damaged numbers are rivals: it needs twice their frames, or [`CLEAR_FRAMES`].
//!
//! **At the same place** is told anchor by anchor. The candidate's last range and its new one are laid on a line, which is
//! read at the instant of the other tag's last range (error: an acceleration within the gap). The lower
//! median of the differences decides, so that late ranges of half of the anchors, or a second damaged byte, tell nothing.
//! Where that is not possible, because the other tag was not heard since, only a difference that is too large for the way
//! that it can have gone meanwhile counts, until it has been silent for [`SILENT_S`].
//!
//! **A known number on a damaged frame.** A frame of an admitted tag that has jumped to the place of another one is not
//! taken for its own until [`FRAMES`] in a row say the same.
//!
//! **Who need not prove anything**: tags that the site lists, kits whose frames carry no number, and epochs that come from
//! a log or a table, which have said who is who. Where the site has a list, other numbers are never admitted, and named
//! once they have proved themselves.
//!
//! **State.** A slot for each admitted tag, [`CANDIDATES`] candidates, and a count of frames whose number never settled over
//! the last minute. All of it is made at the start. When there is no room for a further candidate, the one with the
//! fewest frames gives way, of several the one that was heard longest ago.
//!
//! **Symbols.** g: time between two ranges of a candidate, seconds; d: difference of two ranges, metres.
//!
//! The limits are chosen, not from a source; `roster_tests.rs` has the streams that they hold for.

use arrayvec::ArrayVec;
use hereabout_core::{Doubt, Epoch, MAX_ANCHORS, MAX_TAGS, Micros, Site, TagId, Timestamp};

use crate::report::{KitFinding, NAMED_TAGS};

/// Frames in a row that admit a tag, and its number of frames that decides between rivals at one place.
pub(crate) const FRAMES: u32 = 5;
const CLEAR_FRAMES: u32 = 20;
/// A longer gap ends the row, seconds.
const GAP_S: f64 = 5.0;
/// An admitted tag that was silent for this long is not where it was, seconds.
const SILENT_S: f64 = 10.0;
/// Differences up to this are noise, metres; or so many standard deviations of a range.
const NOISE_M: f64 = 0.4;
const NOISE_SIGMAS: f64 = 4.0;
/// The same while fewer than three anchors can be compared: one late range must not tell two tags apart.
const NOISE_OF_FEW_M: f64 = 2.5;
const FEW: usize = 3;
/// What lies off the line between two ranges, metres per second squared of the gap (2 m/s²).
const BEND_MPS2: f64 = 0.25;
/// A range to a tag that goes on its way changes by at most so much, metres per second: to compare two tags, and to
/// believe that two frames are of one tag.
const WAY_MPS: f64 = 3.5;
const FASTEST_MPS: f64 = 8.0;
const JUMP_M: f64 = 0.5;
/// A jump of an admitted tag is looked at when its last range is not older than this, seconds.
const JUMP_WITHIN_S: f64 = 2.0;
/// Numbers that are looked at before they are tags.
const CANDIDATES: usize = 256;
/// Frames whose number never settled are told from so many a minute on, and until a minute without any.
const TOLD_FROM: u32 = 3;
const MINUTE_S: i64 = 60;

/// What a frame is to the roster.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Standing {
    /// Of the admitted tag in this slot.
    Known(usize),
    /// Of the tag in this slot, which is admitted with it.
    Admitted(usize),
    /// Its number is no tag, or not yet.
    Unknown,
    /// It would be one, but all slots are taken.
    NoRoom,
}

/// The last range of each anchor, by its index in the site.
#[derive(Clone, Copy, Debug)]
struct Ranges {
    /// NaN before the first one.
    range_m: [f32; MAX_ANCHORS],
    at: [Timestamp; MAX_ANCHORS],
}

impl Ranges {
    const NONE: Ranges = Ranges { range_m: [f32::NAN; MAX_ANCHORS], at: [Timestamp::MIN; MAX_ANCHORS] };

    /// Those of one epoch that can be ranges.
    fn of(epoch: &Epoch, site: &Site) -> Ranges {
        let [near_m, far_m] = site.range_span_m();
        let mut ranges = Ranges::NONE;
        for reading in &epoch.readings {
            let index = site.anchor_index(reading.anchor).filter(|i| *i < MAX_ANCHORS);
            let range_m = reading.raw_range_m.filter(|r| (near_m..=far_m).contains(r));
            if let (Some(i), Some(range_m)) = (index, range_m) {
                (ranges.range_m[i], ranges.at[i]) = (range_m as f32, epoch.at);
            }
        }
        ranges
    }

    fn get(&self, anchor: usize) -> Option<(Timestamp, f64)> {
        let range_m = f64::from(self.range_m[anchor]);
        (!range_m.is_nan()).then_some((self.at[anchor], range_m))
    }

    fn take(&mut self, newer: &Ranges) {
        for i in 0..MAX_ANCHORS {
            if !newer.range_m[i].is_nan() {
                (self.range_m[i], self.at[i]) = (newer.range_m[i], newer.at[i]);
            }
        }
    }

    fn newest(&self) -> Option<Timestamp> {
        (0..MAX_ANCHORS).filter_map(|i| self.get(i)).map(|(at, _)| at).max()
    }
}

/// By how much the differences of two sets of ranges pass what is allowed for each: the lower median; `None` without any.
#[derive(Debug, Default)]
struct Excess(ArrayVec<f64, MAX_ANCHORS>);

impl Excess {
    fn lower_median_m(&mut self) -> Option<f64> {
        self.0.sort_unstable_by(f64::total_cmp);
        let middle = self.0.len().checked_sub(1)? / 2;
        Some(self.0[middle])
    }
}

/// Whether a candidate and another tag are at one place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Place {
    Same,
    Apart,
    CannotTell,
}

/// The place of a candidate, whose ranges were `before` and are `now`, against that of a tag that was last heard with
/// `other`, all ranges of one site with noise up to `noise_m`.
fn compare(before: &Ranges, now: &Ranges, other: &Ranges, at: Timestamp, noise_m: f64) -> Place {
    if now.newest().is_none() {
        return Place::CannotTell;
    }
    if other.newest().is_none_or(|heard| at.since(heard).secs_f64() > SILENT_S) {
        return Place::Apart;
    }
    let (mut between, mut since) = (Excess::default(), Excess::default());
    let both = (0..MAX_ANCHORS).filter(|i| now.get(*i).is_some() && other.get(*i).is_some()).count();
    let noise_m = if both < FEW { noise_m.max(NOISE_OF_FEW_M) } else { noise_m };
    for i in 0..MAX_ANCHORS {
        let Some((_, now_m)) = now.get(i) else { continue };
        let heard = other.get(i).filter(|(t, _)| at.since(*t).secs_f64() <= SILENT_S);
        let Some((other_at, other_m)) = heard else {
            // It hears other anchors than the candidate.
            between.0.push(f64::INFINITY);
            since.0.push(f64::INFINITY);
            continue;
        };
        let age_s = at.since(other_at).secs_f64().max(0.0);
        since.0.push((now_m - other_m).abs() - noise_m - WAY_MPS * age_s);
        if let Some((from, from_m)) = before.get(i).filter(|(t, _)| *t <= other_at) {
            let gap_s = at.since(from).secs_f64();
            let share = if gap_s > 0.0 { 1.0 - age_s / gap_s } else { 1.0 };
            let then_m = from_m + share * (now_m - from_m);
            between.0.push((then_m - other_m).abs() - noise_m - BEND_MPS2 * gap_s * gap_s);
        }
    }
    if between.0.iter().any(|d| d.is_finite()) {
        return match between.lower_median_m() {
            Some(over_m) if over_m > 0.0 => Place::Apart,
            _ => Place::Same,
        };
    }
    match since.lower_median_m() {
        Some(over_m) if over_m > 0.0 => Place::Apart,
        _ => Place::CannotTell,
    }
}

/// Whether ranges changed faster than any tag moves; `None` when nothing can be compared.
fn jumped(before: &Ranges, now: &Ranges, at: Timestamp, within_s: f64) -> Option<bool> {
    let mut excess = Excess::default();
    for i in 0..MAX_ANCHORS {
        if let (Some((from, from_m)), Some((_, now_m))) = (before.get(i), now.get(i)) {
            let gap_s = at.since(from).secs_f64();
            if gap_s <= within_s {
                excess.0.push((now_m - from_m).abs() - JUMP_M - FASTEST_MPS * gap_s);
            }
        }
    }
    excess.lower_median_m().map(|over_m| over_m > 0.0)
}

/// An admitted tag.
#[derive(Clone, Copy, Debug)]
struct Known {
    id: TagId,
    heard_at: Timestamp,
    ranges: Ranges,
    /// Frames in a row that were at the place of another tag.
    foreign: u32,
}

#[derive(Clone, Copy, Debug)]
struct Candidate {
    id: TagId,
    heard_at: Timestamp,
    ranges: Ranges,
    /// Frames since its row began, and those of them that speak for a tag of its own.
    frames: u32,
    in_row: u32,
    /// Frames that are not counted as never settled yet.
    uncounted: u32,
    /// It has proved itself, but the site has a list without it.
    named: bool,
}

/// Frames of each of the last sixty seconds.
#[derive(Clone, Debug)]
struct LastMinute {
    frames: [u32; MINUTE_S as usize],
    /// Seconds since 1970 of the newest bucket.
    second: i64,
}

impl LastMinute {
    fn roll(&mut self, at: Timestamp) {
        let second = at.micros().div_euclid(1_000_000);
        let passed = second.saturating_sub(self.second).clamp(0, MINUTE_S);
        self.second = self.second.max(second);
        for back in 0..passed {
            self.frames[(self.second - back).rem_euclid(MINUTE_S) as usize] = 0;
        }
    }

    fn add(&mut self, at: Timestamp, frames: u32) {
        self.roll(at);
        let now = &mut self.frames[self.second.rem_euclid(MINUTE_S) as usize];
        *now = now.saturating_add(frames);
    }

    fn sum(&self) -> u32 {
        self.frames.iter().fold(0, |sum, n| sum.saturating_add(*n))
    }
}

/// See the module's prose.
#[derive(Clone, Debug)]
pub(crate) struct Roster {
    /// Frames carry a number.
    numbered: bool,
    forgotten_after: Micros,
    known: [Option<Known>; MAX_TAGS],
    candidates: Vec<Candidate>,
    unsettled: LastMinute,
    /// The newest number that never settled.
    example: TagId,
    told: bool,
}

impl Roster {
    /// Nobody is admitted yet. `numbered`: frames carry a tag number.
    pub(crate) fn new(site: &Site, numbered: bool) -> Roster {
        Roster {
            numbered,
            forgotten_after: site.track().tag_forgotten_after,
            known: [None; MAX_TAGS],
            candidates: Vec::with_capacity(CANDIDATES),
            unsettled: LastMinute { frames: [0; MINUTE_S as usize], second: 0 },
            example: TagId(0),
            told: false,
        }
    }

    /// Where the tag of an epoch stands. A live one (`judges`) must have proved itself; any other says itself by its doubt
    /// whether it had. `sigma_m` is the noise of a good range.
    pub(crate) fn stand(
        &mut self,
        epoch: &Epoch,
        judges: bool,
        site: &Site,
        sigma_m: impl Fn() -> f64,
    ) -> Standing {
        let now = Ranges::of(epoch, site);
        let single = self.known.iter().flatten().count() == 1 && self.candidates.is_empty();
        // One tag alone is compared with nobody.
        let sigma_m = if single { 0.0 } else { sigma_m() };
        let noise_m = NOISE_M.max(NOISE_SIGMAS * sigma_m);
        let said_unknown = epoch.doubt == Some(Doubt::UnknownTag);
        if let Some(slot) = self.slot(epoch.tag) {
            let foreign = if judges { self.is_foreign(slot, &now, epoch.at, noise_m) } else { said_unknown };
            return if foreign { self.foreign(slot, epoch) } else { self.known(slot, &now, epoch.at) };
        }
        if !is_welcome(site, epoch.tag) {
            self.observe(epoch, &now, noise_m);
            self.name_if_proved(epoch.tag, noise_m);
            return Standing::Unknown;
        }
        let listed = !site.tags().is_empty();
        let proved = if listed || (judges && !self.numbered) {
            true
        } else if judges {
            self.observe(epoch, &now, noise_m) && self.leads(epoch.tag, noise_m)
        } else {
            if said_unknown {
                self.observe(epoch, &now, noise_m);
            }
            !said_unknown
        };
        if !proved {
            return Standing::Unknown;
        }
        let Some(slot) = self.admit(epoch.tag, epoch.at) else { return Standing::NoRoom };
        self.known(slot, &now, epoch.at);
        self.begin_anew_beside(&now, epoch.at, noise_m);
        Standing::Admitted(slot)
    }

    /// Candidates that may be at the place of a tag that was admitted just now have to show that they are not.
    fn begin_anew_beside(&mut self, admitted: &Ranges, at: Timestamp, noise_m: f64) {
        for candidate in &mut self.candidates {
            if compare(&Ranges::NONE, admitted, &candidate.ranges, at, noise_m) != Place::Apart {
                candidate.in_row = 0;
            }
        }
    }

    /// Gives a tag a slot without asking; `None` when all are taken. `heard_at` is when its last frame came.
    pub(crate) fn admit(&mut self, id: TagId, heard_at: Timestamp) -> Option<usize> {
        let slot = self.known.iter().position(Option::is_none)?;
        self.candidates.retain(|c| c.id != id);
        self.known[slot] = Some(Known { id, heard_at, ranges: Ranges::NONE, foreign: 0 });
        Some(slot)
    }

    /// The slot of an admitted tag.
    pub(crate) fn slot(&self, id: TagId) -> Option<usize> {
        self.known.iter().position(|k| k.is_some_and(|k| k.id == id))
    }

    /// The admitted tags with when they were last heard, in the order of their slots.
    pub(crate) fn admitted(&self) -> impl Iterator<Item = (TagId, Timestamp)> + '_ {
        self.known.iter().flatten().map(|k| (k.id, k.heard_at))
    }

    /// When the next tag is retired, if it is not heard before.
    pub(crate) fn deadline(&self) -> Option<Timestamp> {
        self.known.iter().flatten().map(|k| k.heard_at.plus(self.forgotten_after)).min()
    }

    /// Retires the next tag that has been silent for too long at `at`: its slot, and when it was last heard.
    pub(crate) fn retire(&mut self, at: Timestamp) -> Option<(usize, TagId, Timestamp)> {
        let after = self.forgotten_after;
        let silent = |k: &Option<Known>| k.is_some_and(|k| k.heard_at.plus(after) <= at);
        let slot = self.known.iter().position(silent)?;
        let known = self.known[slot].take()?;
        Some((slot, known.id, known.heard_at))
    }

    /// What is to be told of numbers that are no tags.
    pub(crate) fn findings(&mut self, at: Timestamp) -> [Option<KitFinding>; 2] {
        self.sweep(at);
        self.unsettled.roll(at);
        let count = self.unsettled.sum();
        self.told = if self.told { count > 0 } else { count >= TOLD_FROM };
        let unknown = self.told.then_some(KitFinding::UnknownTags { count, example: self.example });
        let mut tags = [None; NAMED_TAGS];
        let mut count = 0;
        for candidate in self.candidates.iter().filter(|c| c.named) {
            if let Some(free) = tags.iter_mut().find(|t| t.is_none()) {
                *free = Some(candidate.id);
            }
            count += 1;
        }
        [(count > 0).then_some(KitFinding::UnlistedTags { count, tags }), unknown]
    }

    /// A frame of an admitted tag.
    fn known(&mut self, slot: usize, now: &Ranges, at: Timestamp) -> Standing {
        if let Some(known) = &mut self.known[slot] {
            known.heard_at = known.heard_at.max(at);
            known.ranges.take(now);
            known.foreign = 0;
        }
        Standing::Known(slot)
    }

    /// A frame with an admitted tag's number that is not its own.
    fn foreign(&mut self, slot: usize, epoch: &Epoch) -> Standing {
        if let Some(known) = &mut self.known[slot] {
            known.foreign += 1;
        }
        self.count(epoch.tag, epoch.at, 1);
        Standing::Unknown
    }

    /// Whether a frame with this tag's number has jumped to the place of another tag, and not for long.
    fn is_foreign(&self, slot: usize, now: &Ranges, at: Timestamp, noise_m: f64) -> bool {
        let Some(known) = &self.known[slot] else { return false };
        let ranges = (0..MAX_ANCHORS).filter(|i| now.get(*i).is_some()).count();
        let jump = ranges >= FEW && jumped(&known.ranges, now, at, JUMP_WITHIN_S) == Some(true);
        if !jump || known.foreign + 1 >= FRAMES {
            return false;
        }
        let others = self.known.iter().enumerate().filter(|(i, _)| *i != slot);
        // It comes from where it can't have come, so only the distance from the other one's last ranges counts.
        let beside = |other: &Known| compare(&Ranges::NONE, now, &other.ranges, at, noise_m);
        others.filter_map(|(_, k)| k.as_ref()).any(|other| beside(other) == Place::CannotTell)
    }

    /// Takes in a frame of a number that is not admitted. Whether it has proved to be a tag, rivals apart.
    fn observe(&mut self, epoch: &Epoch, now: &Ranges, noise_m: f64) -> bool {
        self.sweep(epoch.at);
        let place = self.candidates.iter().position(|c| c.id == epoch.tag);
        let index = place.unwrap_or_else(|| self.make_room(epoch.tag, epoch.at));
        let before = self.candidates[index];
        let place = if before.frames == 0 {
            Place::Apart
        } else if jumped(&before.ranges, now, epoch.at, GAP_S) == Some(true) {
            self.begin_row(index);
            Place::Apart
        } else {
            self.place_among_known(&before.ranges, now, epoch.at, noise_m)
        };
        let candidate = &mut self.candidates[index];
        candidate.heard_at = epoch.at;
        candidate.ranges.take(now);
        candidate.frames = candidate.frames.saturating_add(1);
        candidate.uncounted += u32::from(!candidate.named);
        candidate.in_row = match place {
            Place::Apart => candidate.in_row.saturating_add(1),
            Place::Same => 0,
            Place::CannotTell => candidate.in_row,
        };
        if place == Place::Same && candidate.frames >= FRAMES {
            let frames = std::mem::take(&mut candidate.uncounted);
            candidate.named = false;
            self.count(epoch.tag, epoch.at, frames);
        }
        place == Place::Apart && self.candidates[index].in_row >= FRAMES
    }

    /// The row of a candidate begins anew; its frames so far never settled.
    fn begin_row(&mut self, index: usize) {
        let candidate = &mut self.candidates[index];
        let (id, at, frames) = (candidate.id, candidate.heard_at, std::mem::take(&mut candidate.uncounted));
        (candidate.frames, candidate.in_row, candidate.named) = (0, 0, false);
        candidate.ranges = Ranges::NONE;
        self.count(id, at, frames);
    }

    fn place_among_known(&self, before: &Ranges, now: &Ranges, at: Timestamp, noise_m: f64) -> Place {
        let mut place = Place::Apart;
        let silent = |other: &&Known| at.since(other.heard_at).secs_f64() > SILENT_S;
        for other in self.known.iter().flatten().filter(|other| !silent(other)) {
            match compare(before, now, &other.ranges, at, noise_m) {
                Place::Same => return Place::Same,
                Place::CannotTell => place = Place::CannotTell,
                Place::Apart => {}
            }
        }
        place
    }

    /// Whether a candidate that has proved itself is ahead of all others at its place.
    fn leads(&self, id: TagId, noise_m: f64) -> bool {
        let Some(own) = self.candidates.iter().find(|c| c.id == id) else { return false };
        let rivals = self.candidates.iter().filter(|c| c.id != id && !c.named);
        let near = rivals.filter(|c| {
            let place = compare(&Ranges::NONE, &own.ranges, &c.ranges, own.heard_at, noise_m);
            place == Place::CannotTell
        });
        let most = near.map(|c| c.frames).max().unwrap_or(0);
        own.frames >= 2 * most || (own.frames >= CLEAR_FRAMES && own.frames >= most)
    }

    fn name_if_proved(&mut self, id: TagId, noise_m: f64) {
        let proved = self.leads(id, noise_m);
        let candidate = self.candidates.iter_mut().find(|c| c.id == id);
        if let Some(candidate) = candidate.filter(|c| proved && c.in_row >= FRAMES) {
            (candidate.named, candidate.uncounted) = (true, 0);
        }
    }

    /// Lets go of candidates whose row has ended, and counts their frames.
    fn sweep(&mut self, at: Timestamp) {
        let lasts = |c: &Candidate| {
            let most_s = if c.named { MINUTE_S as f64 } else { GAP_S };
            at.since(c.heard_at).secs_f64() <= most_s
        };
        let mut i = 0;
        while let Some(candidate) = self.candidates.get(i).copied() {
            if lasts(&candidate) {
                i += 1;
            } else {
                self.candidates.swap_remove(i);
                self.count(candidate.id, at, candidate.uncounted);
            }
        }
    }

    /// A place for a new candidate.
    fn make_room(&mut self, id: TagId, at: Timestamp) -> usize {
        if self.candidates.len() >= CANDIDATES {
            let first = self.candidates.iter().enumerate().min_by_key(|(_, c)| (c.frames, c.heard_at, c.id));
            if let Some((out, candidate)) = first.map(|(i, c)| (i, *c)) {
                self.candidates.swap_remove(out);
                self.count(candidate.id, at, candidate.uncounted);
            }
        }
        self.candidates.push(Candidate {
            id,
            heard_at: at,
            ranges: Ranges::NONE,
            frames: 0,
            in_row: 0,
            uncounted: 0,
            named: false,
        });
        self.candidates.len() - 1
    }

    /// So many frames of this number never settled.
    fn count(&mut self, id: TagId, at: Timestamp, frames: u32) {
        if frames > 0 {
            self.unsettled.add(at, frames);
            self.example = id;
        }
    }
}

/// Whether the site tracks this tag once it has proved itself.
pub(crate) fn is_welcome(site: &Site, id: TagId) -> bool {
    site.tags().is_empty() || site.tags().iter().any(|t| t.id == id)
}

#[cfg(test)]
#[path = "roster_tests.rs"]
mod tests;
