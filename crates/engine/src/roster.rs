//! Which tag numbers are tags: admitted after several frames that fit each other, retired after a silence.
//!
//! **Question.** A frame says whose it is in a field of its own. Where a layout has no checksum, a bit error makes another
//! number of it, and the ranges are those of the real tag. Nothing that is kept for each tag may begin with such a frame.
//!
//! **Candidates.** A number that is not admitted is one. Its frames make a row while no gap is longer than [`GAP_S`] and its
//! ranges change no faster than a tag can move. A frame that shows it at another place than every tag speaks for a tag
//! of its own, by at most [`FOR`] nats; one at the place of another tag speaks against it, by at most [`AGAINST`], for tags
//! meet. Where others are heard a frame speaks for a tag of its own only as far as its ranges follow from those before
//! (`way`): damaged ranges are like nobody's either. It is admitted with [`FRAMES`] times the most that a frame can say. A
//! number that is at the place of some admitted tag all the time is that tag's number damaged on its way, or a second tag at the same place; the ranges can't
//! tell, so it is not admitted, and the kit's findings say so. Before the first tag of a session is admitted its damaged
//! numbers are rivals: candidates with more frames count as tags do, and it must be [`LEAD`] frames ahead of those at
//! its place, or be ahead after [`CLEAR_FRAMES`].
//!
//! **A number that comes seldom** ([`SELDOM_S`]) can't be compared in time. It is admitted too with [`FRAMES`] in a row that come
//! when they are due, contradict nobody, and leave none of another number missing: a damaged frame is missing where it belongs.
//!
//! **At the same place** is judged anchor by anchor, as a sum of log likelihood ratios: two ranges of one tag agree in
//! [`AGREE`] of the cases (noise and late ranges allowed for), those of two tags in [`BY_CHANCE`] (they lie at one distance from
//! an anchor). The candidate's last range and its new one are laid on a line, which is read at the instants of the other
//! tag's last two ranges (error: an acceleration within the gap). Shortly after such a range the new one is compared with it as
//! well; to agree with any of these is enough, because each of them may be late. Where nothing of that is possible, because
//! the other tag was not heard since, only a difference that is too large for the way that it can have gone meanwhile
//! counts, until it has been silent for [`SILENT_S`].
//!
//! **A known number on a damaged frame.** A frame of an admitted tag that has jumped to the place of another one is not
//! taken for its own until [`FRAMES`] in a row say the same. A tag that was away ([`AWAY_S`], [`AWAY_GAPS`]) may have been
//! switched off: its frames are its own again after [`APART_FRAMES`] in a row that are like no other tag, or after [`FRAMES`] of
//! which none took the place of another's: a frame with a damaged number is missing where it belongs, so the next one of the
//! tag that it is like comes later than it is due ([`DUE`]). Where nobody can be compared it is held against all. Frames before that
//! do not keep the tag from being retired.
//!
//! **A listed number** is a tag with its first frame when nobody else is heard, else with [`APART_FRAMES`] in a row that are like
//! no other's, or with [`FRAMES`] of which none took the place of another's, as after a silence.
//!
//! **Who need not prove anything**: kits whose frames carry no number, and epochs that come from
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

use hereabout_core::{Doubt, Epoch, MAX_ANCHORS, MAX_TAGS, Micros, Site, TagId, Timestamp};

use crate::output::{KitFinding, NAMED_TAGS, Unsettled};

/// Frames that admit a tag, and the most that one says for and against it, nats.
pub(crate) const FRAMES: u32 = 5;
const FOR: f64 = 4.0;
const AGAINST: f64 = 1.0;
/// How often two ranges to one place agree, and two to different places.
const AGREE: f64 = 0.8;
const BY_CHANCE: f64 = 0.25;
/// Frames by which it must be ahead of a rival at its place, and from which on being ahead is enough.
const LEAD: u32 = 14;
const CLEAR_FRAMES: u32 = 100;
/// Two numbers from one place with so many frames each, and paces within this factor, are two tags.
const PAIR_FRAMES: u32 = 20;
const PAIR_RATIO: f64 = 2.0;
/// From so many frames on a number that nothing speaks for is told of.
const HOPELESS_FRAMES: u32 = 20;
/// A longer gap ends the row, seconds; that of a number which comes seldom after so many of its usual gaps, at the latest
/// after so long.
const GAP_S: f64 = 5.0;
const ROW_GAPS: f64 = 3.0;
const MAX_GAP_S: f64 = 30.0;
/// A number that usually comes no sooner than this, seconds, is one that comes seldom.
const SELDOM_S: f64 = 1.0;
/// A line between two ranges says nothing where it may be bent by more than this, metres.
const MAX_BEND_M: f64 = 1.2;
/// An admitted tag that was silent for this long is not where it was, seconds.
const SILENT_S: f64 = 10.0;
/// Differences up to this are noise, metres; or so many standard deviations of a range.
const NOISE_M: f64 = 0.4;
const NOISE_SIGMAS: f64 = 4.0;
/// The most that is allowed for a difference that can tell that two ranges agree, metres.
const TIGHT_M: f64 = 1.2;
/// Ranges that a jump of an admitted tag shows in.
const FEW: usize = 3;
/// What bends the line between two ranges: so much acceleration, metres per second squared.
const BEND_MPS2: f64 = 2.0;
/// A range to a tag that goes on its way changes by at most so much, metres per second: to compare two tags, and to
/// believe that two frames are of one tag.
const WAY_MPS: f64 = 3.5;
const FASTEST_MPS: f64 = 8.0;
const JUMP_M: f64 = 0.5;
/// A jump of an admitted tag is looked at when its last range is not older than this, seconds.
const JUMP_WITHIN_S: f64 = 2.0;
/// After so long a silence, seconds, and so many of its usual gaps, an admitted tag must prove itself where others are.
const AWAY_S: f64 = 0.5;
const AWAY_GAPS: f64 = 3.0;
/// A frame is due until so many usual gaps after the one before.
const DUE: f64 = 1.5;
/// A frame is like no other tag when so much speaks against it, nats, and no tag has so many frames like none by chance.
const CLEARLY_APART: f64 = 2.5;
const APART_FRAMES: u32 = 2;
/// Numbers that one is held against at a time.
const BESIDE: usize = 8;
/// Numbers that are looked at before they are tags.
const CANDIDATES: usize = 256;
/// Frames whose number never settled are told from so many a minute on, and until a minute without any.
const TOLD_FROM: u32 = 3;
const MINUTE_S: i64 = 60;

/// What a frame is to the roster.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Admission {
    /// Of the admitted tag in this slot.
    Known(usize),
    /// Of the tag in this slot, which is admitted with it.
    Admitted(usize),
    /// Its number is no tag, or not yet.
    Unknown,
    /// It would be one, but all slots are taken.
    NoRoom,
}

/// A range and when it came.
type Heard = (Timestamp, f64);

/// The last two ranges of each anchor, by its index in the site, newest first.
#[derive(Clone, Copy, Debug)]
struct Ranges([[Option<Heard>; 2]; MAX_ANCHORS]);

impl Ranges {
    const NONE: Ranges = Ranges([[None; 2]; MAX_ANCHORS]);

    /// Those of one epoch that can be ranges.
    fn of(epoch: &Epoch, site: &Site) -> Ranges {
        let [near_m, far_m] = site.range_span_m();
        let mut ranges = Ranges::NONE;
        for reading in &epoch.readings {
            let index = site.anchor_index(reading.anchor).filter(|i| *i < MAX_ANCHORS);
            let range_m = reading.raw_range_m.filter(|r| (near_m..=far_m).contains(r));
            if let Some(i) = index {
                ranges.0[i][0] = range_m.map(|range_m| (epoch.at, range_m));
            }
        }
        ranges
    }

    fn last(&self, anchor: usize) -> Option<Heard> {
        self.0[anchor][0]
    }

    fn take(&mut self, newer: &Ranges) {
        for (own, new) in self.0.iter_mut().zip(&newer.0) {
            if new[0].is_some() {
                *own = [new[0], own[0]];
            }
        }
    }

    fn newest(&self) -> Option<Timestamp> {
        self.0.iter().filter_map(|r| r[0]).map(|(at, _)| at).max()
    }

    fn count(&self) -> usize {
        self.0.iter().filter(|r| r[0].is_some()).count()
    }
}

/// What the ranges of one anchor say about a candidate and another tag.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Says {
    Agree,
    Differ,
    Nothing,
}

/// The candidate's range was `before` and is `now_m` at `at`; the other tag's last two are `other`. Noise up to `noise_m`.
fn one_anchor(
    before: Option<Heard>,
    now_m: f64,
    other: &[Option<Heard>; 2],
    at: Timestamp,
    noise_m: f64,
) -> Says {
    let age_s = |t: Timestamp| at.since(t).secs_f64().max(0.0);
    let heard = || other.iter().flatten().filter(|(t, _)| age_s(*t) <= SILENT_S);
    let (mut looked, mut too_far) = (false, heard().next().is_none());
    for (then, then_m) in heard() {
        let off_m = (now_m - then_m).abs();
        let allowed_m = noise_m + WAY_MPS * age_s(*then);
        let tight = allowed_m <= TIGHT_M.max(noise_m + WAY_MPS * 0.1);
        let on_line = before.filter(|(from, _)| from <= then).map(|(from, from_m)| {
            let gap_s = age_s(from);
            let share = if gap_s > 0.0 { 1.0 - age_s(*then) / gap_s } else { 1.0 };
            let bend_m = 0.5 * BEND_MPS2 * share * (1.0 - share) * gap_s * gap_s;
            let off_m = (from_m + share * (now_m - from_m) - then_m).abs();
            (bend_m <= MAX_BEND_M).then_some(off_m <= noise_m + bend_m)
        });
        let on_line = on_line.flatten();
        if (tight && off_m <= allowed_m) || on_line == Some(true) {
            return Says::Agree;
        }
        looked |= tight || on_line.is_some();
        too_far |= off_m > allowed_m;
    }
    if looked || too_far { Says::Differ } else { Says::Nothing }
}

/// How much speaks for one place of a candidate, whose ranges were `before` and are `now`, and of a tag that was last heard
/// with `other`, nats; `None` when nobody can say. Ranges are of one site with noise up to `noise_m`.
fn likeness(before: &Ranges, now: &Ranges, other: &Ranges, at: Timestamp, noise_m: f64) -> Option<f64> {
    now.newest()?;
    if other.newest().is_none_or(|heard| at.since(heard).secs_f64() > SILENT_S) {
        return Some(f64::NEG_INFINITY);
    }
    let mut nats = None;
    for i in 0..MAX_ANCHORS {
        let Some((_, now_m)) = now.last(i) else { continue };
        let says = one_anchor(before.last(i), now_m, &other.0[i], at, noise_m);
        let ratio = match says {
            Says::Agree => (AGREE / BY_CHANCE).ln(),
            Says::Differ => ((1.0 - AGREE) / (1.0 - BY_CHANCE)).ln(),
            Says::Nothing => continue,
        };
        nats = Some(nats.unwrap_or(0.0) + ratio);
    }
    nats
}

/// From an anchor's range before to its range now: in how long, how far, and how far a tag can have gone.
struct Step {
    gap_s: f64,
    off_m: f64,
    most_m: f64,
}

fn steps<'a>(before: &'a Ranges, now: &'a Ranges, at: Timestamp) -> impl Iterator<Item = Step> + 'a {
    (0..MAX_ANCHORS).filter_map(move |i| {
        let ((from, from_m), (_, now_m)) = (before.last(i)?, now.last(i)?);
        let gap_s = at.since(from).secs_f64();
        Some(Step { gap_s, off_m: (now_m - from_m).abs(), most_m: JUMP_M + FASTEST_MPS * gap_s })
    })
}

/// Whether ranges changed faster than any tag moves: more than half of those that can be compared; `None` when none can.
fn jumped(before: &Ranges, now: &Ranges, at: Timestamp, within_s: f64) -> Option<bool> {
    let (mut all, mut jumps) = (0, 0);
    for step in steps(before, now, at).filter(|step| step.gap_s <= within_s) {
        all += 1;
        jumps += usize::from(step.off_m > step.most_m);
    }
    (all > 0).then_some(2 * jumps > all)
}

/// What the way from its frames before to this one says for one tag, rather than for any numbers within `span_m`, nats; 0
/// when nothing can be compared, or when the gap is so long that any range could follow.
fn way(before: &Ranges, now: &Ranges, at: Timestamp, span_m: f64) -> f64 {
    let mut nats = 0.0;
    for step in steps(before, now, at) {
        let by_chance = 2.0 * step.most_m / span_m;
        if by_chance < AGREE {
            nats +=
                if step.off_m <= step.most_m { AGREE / by_chance } else { (1.0 - AGREE) / (1.0 - by_chance) }
                    .ln();
        }
    }
    nats
}

/// How often a number comes.
#[derive(Clone, Copy, Debug)]
struct Pace {
    frames: u32,
    /// The usual gap, seconds; damaged frames make single gaps longer, so it follows shorter ones faster.
    gap_s: f64,
    /// When a frame came last after it was due.
    late_at: Option<Timestamp>,
}

impl Pace {
    const NONE: Pace = Pace { frames: 0, gap_s: 0.0, late_at: None };

    /// Takes in a frame that came so long after the one before. Whether it came when it was due, so that none is missing.
    fn take(&mut self, at: Timestamp, gap_s: f64) -> bool {
        let is_due = self.frames >= 2 && gap_s <= DUE * self.gap_s;
        if !is_due {
            self.late_at = Some(at);
        }
        match self.frames {
            0 => {}
            1 => self.gap_s = gap_s,
            _ => self.gap_s += (gap_s - self.gap_s) * if gap_s < self.gap_s { 0.3 } else { 0.05 },
        }
        self.frames = self.frames.saturating_add(1);
        is_due
    }

    /// Its number is not a rare one.
    fn is_settled(&self) -> bool {
        self.frames >= FRAMES
    }
}

/// Whether a frame is like those of another number, and of which it must be seen that they go on: those that are settled.
type Beside = (bool, [Option<TagId>; BESIDE]);

/// What a number still has to prove that should be a tag and is like one that is heard.
#[derive(Clone, Copy, Debug)]
struct Proof {
    /// The numbers that its last frame was like and that were not heard since.
    beside: [Option<TagId>; BESIDE],
    /// Frames beside others of which none was missing.
    row: u32,
    /// Frames in a row that are like none.
    apart: u32,
    /// Frames that are not counted as never settled yet.
    uncounted: u32,
    /// A number that it was like had a frame missing since.
    spoilt: bool,
}

impl Proof {
    const NONE: Proof = Proof { beside: [None; BESIDE], row: 0, apart: 0, uncounted: 0, spoilt: false };

    /// A frame of another number came, when it was due or late.
    fn other(&mut self, id: TagId, is_due: bool) {
        for one in self.beside.iter_mut().filter(|b| **b == Some(id)) {
            *one = None;
            self.spoilt |= !is_due;
        }
    }

    /// A frame came that was like others, or not. Whether it is enough, and how many frames never settled.
    fn take(&mut self, (is_like, beside): Beside) -> (bool, u32) {
        self.uncounted = self.uncounted.saturating_add(1);
        if !is_like {
            (self.row, self.apart) = (0, self.apart + 1);
            (self.beside, self.spoilt) = (beside, false);
            return (self.apart >= APART_FRAMES, 0);
        }
        self.apart = 0;
        let mut lost = 0;
        if std::mem::take(&mut self.spoilt) {
            lost = std::mem::take(&mut self.uncounted);
            self.row = 0;
        }
        // Until those that the last one was like have been heard it tells nothing.
        self.row += u32::from(self.beside.iter().all(Option::is_none));
        self.beside = beside;
        (self.row >= FRAMES, lost)
    }
}

/// An admitted tag.
#[derive(Clone, Copy, Debug)]
struct Known {
    id: TagId,
    heard_at: Timestamp,
    pace: Pace,
    ranges: Ranges,
    /// Frames in a row that were at the place of another tag.
    foreign: u32,
    /// How far it has come since it was silent.
    back: Proof,
}

impl Known {
    fn new(id: TagId, heard_at: Timestamp) -> Known {
        Known { id, heard_at, pace: Pace::NONE, ranges: Ranges::NONE, foreign: 0, back: Proof::NONE }
    }
}

#[derive(Clone, Copy, Debug)]
struct TagCandidate {
    id: TagId,
    heard_at: Timestamp,
    ranges: Ranges,
    /// Frames since its row began, and what they say for a tag of its own.
    frames: u32,
    /// Nats, from nothing to what admits it.
    score: f64,
    /// Frames that are not counted as never settled yet.
    uncounted: u32,
    /// It has proved itself, but the site has a list without it.
    named: bool,
    pace: Pace,
    /// Frames in a row that came when they were due while none of another number was missing.
    turns: u32,
    /// The number at whose place its last frame was.
    like: Option<TagId>,
    /// What it has proved, if the site lists it.
    proof: Proof,
}

impl TagCandidate {
    /// Takes in a frame; whether it came when it was due.
    fn hear(&mut self, now: &Ranges, at: Timestamp) -> bool {
        let is_due = self.pace.take(at, at.since(self.heard_at).secs_f64());
        self.heard_at = at;
        self.ranges.take(now);
        self.frames = self.frames.saturating_add(1);
        is_due
    }
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
    /// A place for each of [`MAX_TAGS`].
    known: Vec<Option<Known>>,
    candidates: Vec<TagCandidate>,
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
            known: vec![None; MAX_TAGS],
            candidates: Vec::with_capacity(CANDIDATES),
            unsettled: LastMinute { frames: [0; MINUTE_S as usize], second: 0 },
            example: TagId(0),
            told: false,
        }
    }

    /// Where the tag of an epoch stands. A live one (`judges`) must have proved itself; any other says itself by its doubt
    /// whether it had. `sigma_m` is the noise of a good range.
    pub(crate) fn admission(
        &mut self,
        epoch: &Epoch,
        judges: bool,
        site: &Site,
        sigma_m: impl Fn() -> f64,
    ) -> Admission {
        let now = Ranges::of(epoch, site);
        let single = self.known.iter().flatten().count() == 1 && self.candidates.is_empty();
        // One tag alone is compared with nobody.
        let sigma_m = if single { 0.0 } else { sigma_m() };
        let noise_m = NOISE_M.max(NOISE_SIGMAS * sigma_m);
        let [near_m, far_m] = site.range_span_m();
        let span_m = far_m - near_m;
        let said_unknown = epoch.doubt == Some(Doubt::UnknownTag);
        if let Some(slot) = self.slot(epoch.tag) {
            let foreign = if judges { self.is_foreign(slot, &now, epoch.at, noise_m) } else { said_unknown };
            if judges && self.was_away(slot, epoch.at) {
                let back = self.is_back(slot, &now, epoch.at, noise_m);
                return if back { self.known(slot, &now, epoch.at) } else { Admission::Unknown };
            }
            return if foreign { self.foreign(slot, epoch) } else { self.known(slot, &now, epoch.at) };
        }
        if !is_welcome(site, epoch.tag) {
            if self.observe(epoch, &now, noise_m, span_m) {
                self.name(epoch.tag);
            }
            return Admission::Unknown;
        }
        let listed = !site.tags().is_empty();
        let proved = if judges && !self.numbered {
            true
        } else if listed {
            (!judges && !said_unknown) || self.is_listed_tag(epoch, &now, noise_m)
        } else if judges {
            self.observe(epoch, &now, noise_m, span_m)
        } else {
            if said_unknown {
                self.observe(epoch, &now, noise_m, span_m);
            }
            !said_unknown
        };
        if !proved {
            return Admission::Unknown;
        }
        let Some(slot) = self.admit(epoch.tag, epoch.at) else { return Admission::NoRoom };
        self.known(slot, &now, epoch.at);
        Admission::Admitted(slot)
    }

    /// Gives a tag a slot without asking; `None` when all are taken. `heard_at` is when its last frame came.
    pub(crate) fn admit(&mut self, id: TagId, heard_at: Timestamp) -> Option<usize> {
        let slot = self.known.iter().position(Option::is_none)?;
        self.candidates.retain(|c| c.id != id);
        self.known[slot] = Some(Known::new(id, heard_at));
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
        let (example, why) = self.why_unsettled();
        let unknown = self.told.then_some(KitFinding::UnknownTags { count, example, why });
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

    /// A number that never settles, and why.
    fn why_unsettled(&self) -> (TagId, Unsettled) {
        let pace_of = |id: TagId| {
            let known = self.known.iter().flatten().find(|k| k.id == id).map(|k| k.pace);
            known.or_else(|| self.candidates.iter().find(|c| c.id == id).map(|c| c.pace))
        };
        for candidate in &self.candidates {
            let Some((like, pace)) = candidate.like.and_then(|like| Some((like, pace_of(like)?))) else {
                continue;
            };
            let own = candidate.pace;
            let are_many = own.frames.min(pace.frames) >= PAIR_FRAMES;
            if are_many && own.gap_s <= PAIR_RATIO * pace.gap_s && pace.gap_s <= PAIR_RATIO * own.gap_s {
                return (candidate.id, Unsettled::OnePlace { like });
            }
        }
        let is_seldom = |c: &&TagCandidate| !c.named && c.pace.gap_s >= SELDOM_S && c.turns > 0;
        if let Some(candidate) = self.candidates.iter().find(is_seldom) {
            return (candidate.id, Unsettled::TooSeldom);
        }
        // Damaged numbers come beside a tag, which is admitted before them.
        let nobody = self.known.iter().all(Option::is_none);
        (self.example, if nobody { Unsettled::TooSeldom } else { Unsettled::Damaged })
    }

    /// A frame of an admitted tag.
    fn known(&mut self, slot: usize, now: &Ranges, at: Timestamp) -> Admission {
        if let Some(known) = &mut self.known[slot] {
            let (id, is_due) = (known.id, known.pace.take(at, at.since(known.heard_at).secs_f64()));
            known.heard_at = known.heard_at.max(at);
            known.ranges.take(now);
            (known.foreign, known.back) = (0, Proof::NONE);
            self.was_heard(id, is_due);
        }
        Admission::Known(slot)
    }

    /// Tells all that have to prove themselves beside it of a frame of this number.
    fn was_heard(&mut self, id: TagId, is_due: bool) {
        self.known.iter_mut().flatten().for_each(|k| k.back.other(id, is_due));
        self.candidates.iter_mut().for_each(|c| c.proof.other(id, is_due));
    }

    /// Whether an admitted tag was silent for so long that a frame of another one with a damaged number is as likely.
    fn was_away(&self, slot: usize, at: Timestamp) -> bool {
        self.known[slot].is_some_and(|k| {
            let away_s = if k.pace.frames < 2 { SILENT_S } else { AWAY_S.max(AWAY_GAPS * k.pace.gap_s) };
            k.pace.frames > 0 && at.since(k.heard_at).secs_f64() > away_s
        })
    }

    /// Takes in a frame of an admitted tag that was silent. Whether it is back.
    fn is_back(&mut self, slot: usize, now: &Ranges, at: Timestamp, noise_m: f64) -> bool {
        let Some(id) = self.known[slot].map(|k| k.id) else { return false };
        if !self.is_anyone_else(id, at) {
            return true;
        }
        let beside = self.beside(id, now, at, noise_m);
        let Some(known) = &mut self.known[slot] else { return false };
        let (enough, lost) = known.back.take(beside);
        self.count(id, at, lost);
        enough
    }

    /// Whether a listed number that is not admitted is a tag: at its first frame where it can be no other's.
    fn is_listed_tag(&mut self, epoch: &Epoch, now: &Ranges, noise_m: f64) -> bool {
        self.sweep(epoch.at);
        let (id, at) = (epoch.tag, epoch.at);
        let place = self.candidates.iter().position(|c| c.id == id);
        if place.is_none() && !self.is_anyone_else(id, at) {
            return true;
        }
        let index = place.unwrap_or_else(|| self.make_room(id, at));
        let beside = self.beside(id, now, at, noise_m);
        self.candidates[index].hear(now, at);
        let (enough, lost) = self.candidates[index].proof.take(beside);
        self.count(id, at, lost);
        enough
    }

    /// Whether another number was heard lately.
    fn is_anyone_else(&self, id: TagId, at: Timestamp) -> bool {
        let lately = |heard_at: Timestamp| at.since(heard_at).secs_f64() <= SILENT_S;
        self.known.iter().flatten().any(|k| k.id != id && lately(k.heard_at))
            || self
                .candidates
                .iter()
                .any(|c| c.id != id && (c.named || self.slot(id).is_none()) && lately(c.heard_at))
    }

    /// The numbers from whose places a frame of this one can't be told.
    fn beside(&self, id: TagId, now: &Ranges, at: Timestamp, noise_m: f64) -> Beside {
        let (mut is_like, mut beside) = (false, [None; BESIDE]);
        let mut free = beside.iter_mut();
        let own_frames = self.candidates.iter().find(|c| c.id == id).map_or(0, |c| c.frames);
        let known = self.known.iter().flatten().map(|k| (k.id, k.heard_at, &k.ranges, k.pace.is_settled()));
        // An admitted tag has been one before: numbers that never settled are rather damaged ones of its own.
        let is_known = self.slot(id).is_some();
        let rivals = self.candidates.iter().filter(|c| c.named || (!is_known && c.frames > own_frames));
        let others = known.chain(rivals.map(|c| (c.id, c.heard_at, &c.ranges, c.named)));
        for (other, heard_at, ranges, is_settled) in others.filter(|other| other.0 != id) {
            if at.since(heard_at).secs_f64() > SILENT_S {
                continue;
            }
            // How it came there tells nothing: it may have been away, or never there.
            let nats = likeness(&Ranges::NONE, now, ranges, at, noise_m);
            if nats.is_none_or(|nats| nats > -CLEARLY_APART) {
                is_like = true;
                // Another one that is not settled may be the damaged one itself.
                if let (true, Some(place)) = (is_settled, free.next()) {
                    *place = Some(other);
                }
            }
        }
        (is_like, beside)
    }

    /// A frame with an admitted tag's number that is not its own.
    fn foreign(&mut self, slot: usize, epoch: &Epoch) -> Admission {
        if let Some(known) = &mut self.known[slot] {
            known.foreign += 1;
        }
        self.count(epoch.tag, epoch.at, 1);
        Admission::Unknown
    }

    /// Whether a frame with this tag's number has jumped to the place of another tag, and not for long.
    fn is_foreign(&self, slot: usize, now: &Ranges, at: Timestamp, noise_m: f64) -> bool {
        let Some(known) = &self.known[slot] else { return false };
        let jump = now.count() >= FEW && jumped(&known.ranges, now, at, JUMP_WITHIN_S) == Some(true);
        if !jump || known.foreign + 1 >= FRAMES {
            return false;
        }
        let others =
            self.known.iter().enumerate().filter(|(i, _)| *i != slot).filter_map(|(_, k)| k.as_ref());
        // It comes from where it can't have come: what it was before tells nothing.
        others
            .filter_map(|other| likeness(&Ranges::NONE, now, &other.ranges, at, noise_m))
            .any(|nats| nats > 0.0)
    }

    /// Takes in a frame of a number that is not admitted. Whether it has proved to be a tag.
    fn observe(&mut self, epoch: &Epoch, now: &Ranges, noise_m: f64, span_m: f64) -> bool {
        self.sweep(epoch.at);
        let place = self.candidates.iter().position(|c| c.id == epoch.tag);
        let index = place.unwrap_or_else(|| self.make_room(epoch.tag, epoch.at));
        let before = self.candidates[index];
        let fits = match jumped(&before.ranges, now, epoch.at, MAX_GAP_S) {
            _ if before.frames == 0 => true,
            Some(true) => {
                self.begin_row(index);
                true
            }
            Some(false) => true,
            // An anchor that was not heard before can't be compared; frames without any range go on as they began.
            None => before.ranges.newest().is_none() && now.newest().is_none(),
        };
        let before = self.candidates[index];
        let (nats, like) = match fits {
            true => self.place_among_others(&before, now, epoch.at, noise_m),
            false => (0.0, None),
        };
        // Damaged ranges are like nobody's either, so it has to be seen that these go on as they began.
        let is_silent =
            before.ranges.newest().is_none() && epoch.readings.iter().all(|r| r.raw_range_m.is_none());
        let is_asked = before.frames > 0 && !is_silent && self.is_anyone_else(epoch.tag, epoch.at);
        let nats =
            if is_asked && nats > 0.0 { nats.min(way(&before.ranges, now, epoch.at, span_m)) } else { nats };
        let is_due = self.candidates[index].hear(now, epoch.at);
        let others = self.none_is_missing(epoch.tag, before.heard_at).filter(|_| is_due);
        self.was_heard(epoch.tag, is_due);
        let candidate = &mut self.candidates[index];
        candidate.like = like.filter(|_| nats < 0.0);
        candidate.turns = match others.is_some() {
            true if nats >= 0.0 => candidate.turns + 1,
            // Tags meet.
            true => candidate.turns.saturating_sub(1),
            false => 0,
        };
        let is_seldom = candidate.pace.gap_s >= SELDOM_S;
        // Of two numbers alone one may be the other's, damaged as it happens to be its turn.
        let enough_turns = if others == Some(1) { 2 * FRAMES } else { FRAMES };
        if is_seldom && candidate.turns >= enough_turns {
            return true;
        }
        candidate.uncounted += u32::from(!candidate.named);
        let enough = f64::from(FRAMES) * FOR;
        candidate.score = (candidate.score + nats.clamp(-AGAINST, FOR)).clamp(0.0, enough);
        if nats < 0.0 && candidate.score <= 0.0 && candidate.frames >= HOPELESS_FRAMES {
            let frames = std::mem::take(&mut candidate.uncounted);
            candidate.named = false;
            self.count(epoch.tag, epoch.at, frames);
        }
        nats > 0.0
            && self.candidates[index].score >= enough
            && self.leads(index, &before.ranges, now, noise_m)
    }

    /// The count of others, if every other number that is heard came when it was due since then, and one of them at all.
    fn none_is_missing(&self, id: TagId, since: Timestamp) -> Option<usize> {
        let known = self.known.iter().flatten().map(|k| (k.id, k.heard_at, k.pace));
        let others = known.chain(self.candidates.iter().map(|c| (c.id, c.heard_at, c.pace)));
        let (mut count, mut came) = (0, false);
        for (_, heard_at, pace) in others.filter(|o| o.0 != id && since.since(o.1).secs_f64() <= SILENT_S) {
            count += 1;
            came |= heard_at >= since;
            // One that was heard once or twice may be a damaged number: it has no pace.
            if pace.frames > 2 && pace.late_at.is_some_and(|late_at| late_at >= since) {
                return None;
            }
        }
        (came || count == 0).then_some(count)
    }

    /// The row of a candidate begins anew; its frames so far never settled.
    fn begin_row(&mut self, index: usize) {
        let candidate = &mut self.candidates[index];
        let (id, at, frames) = (candidate.id, candidate.heard_at, std::mem::take(&mut candidate.uncounted));
        (candidate.frames, candidate.score, candidate.named) = (0, 0.0, false);
        candidate.ranges = Ranges::NONE;
        self.count(id, at, frames);
    }

    /// What speaks for a place of its own, nats: against the likest of the admitted tags and of those candidates that have more
    /// frames; and which that is.
    fn place_among_others(
        &self,
        own: &TagCandidate,
        now: &Ranges,
        at: Timestamp,
        noise_m: f64,
    ) -> (f64, Option<TagId>) {
        let silent = |other: &&Known| at.since(other.heard_at).secs_f64() > SILENT_S;
        let is_somewhere = now.newest().is_some();
        let mut likest = (f64::NEG_INFINITY, None);
        let mut hold = |id: TagId, nats: f64| {
            if nats > likest.0 {
                likest = (nats, Some(id));
            }
        };
        for known in self.known.iter().flatten().filter(|other| !silent(other)) {
            // As long as one can't be told apart nothing speaks for it.
            hold(known.id, likeness(&own.ranges, now, &known.ranges, at, noise_m).unwrap_or(0.0));
        }
        for other in self.candidates.iter().filter(|c| c.frames > own.frames) {
            let nats = likeness(&own.ranges, now, &other.ranges, at, noise_m);
            hold(other.id, nats.unwrap_or(if is_somewhere { 0.0 } else { f64::NEG_INFINITY }));
        }
        (-likest.0, likest.1)
    }

    /// Whether a candidate is well ahead of all others at its place.
    fn leads(&self, index: usize, before: &Ranges, now: &Ranges, noise_m: f64) -> bool {
        let own = &self.candidates[index];
        let rivals = self.candidates.iter().filter(|c| c.id != own.id && !c.named);
        let is_somewhere = now.newest().is_some();
        let beside = rivals.filter(|c| {
            let nats = likeness(before, now, &c.ranges, own.heard_at, noise_m);
            nats.map_or(is_somewhere, |nats| nats > 0.0)
        });
        let most = beside.map(|c| c.frames).max().unwrap_or(0);
        most == 0 || own.frames >= most + LEAD || (own.frames >= CLEAR_FRAMES && own.frames >= most)
    }

    /// A number that the site does not list has proved to be a tag.
    fn name(&mut self, id: TagId) {
        if let Some(candidate) = self.candidates.iter_mut().find(|c| c.id == id) {
            (candidate.named, candidate.uncounted) = (true, 0);
        }
    }

    /// Lets go of candidates whose row has ended, and counts their frames.
    fn sweep(&mut self, at: Timestamp) {
        let lasts = |c: &TagCandidate| {
            let most_s = match c {
                _ if c.named => MINUTE_S as f64,
                _ if c.frames < 3 => MAX_GAP_S,
                _ => (ROW_GAPS * c.pace.gap_s).clamp(GAP_S, MAX_GAP_S),
            };
            at.since(c.heard_at).secs_f64() <= most_s
        };
        let mut i = 0;
        while let Some(candidate) = self.candidates.get(i).copied() {
            if lasts(&candidate) {
                i += 1;
                if at.since(candidate.heard_at).secs_f64() > GAP_S.max(ROW_GAPS * candidate.pace.gap_s) {
                    self.candidates[i - 1].uncounted = 0;
                    self.count(candidate.id, at, candidate.uncounted);
                }
            } else {
                self.candidates.swap_remove(i);
                self.count(candidate.id, at, candidate.uncounted + candidate.proof.uncounted);
            }
        }
    }

    /// A place for a new candidate.
    fn make_room(&mut self, id: TagId, at: Timestamp) -> usize {
        if self.candidates.len() >= CANDIDATES {
            let first = self.candidates.iter().enumerate().min_by_key(|(_, c)| (c.frames, c.heard_at, c.id));
            if let Some((out, candidate)) = first.map(|(i, c)| (i, *c)) {
                self.candidates.swap_remove(out);
                self.count(candidate.id, at, candidate.uncounted + candidate.proof.uncounted);
            }
        }
        self.candidates.push(TagCandidate {
            id,
            heard_at: at,
            ranges: Ranges::NONE,
            frames: 0,
            score: 0.0,
            uncounted: 0,
            named: false,
            pace: Pace::NONE,
            turns: 0,
            like: None,
            proof: Proof::NONE,
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
mod tests;
