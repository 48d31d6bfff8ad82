//! What is the matter with the kit as a whole, as far as frames tell: who stopped answering, and in which manner.
//!
//! Frames come, but without ranges of a tag for [`QUIET`]:
//!
//! - other tags still get ranges: this tag is off;
//! - the anchors stopped at one instant (within [`AT_ONCE`]): the tag is off, for anchors do not fail in step. Two
//!   tags that stop in the same instant are no such sign: nobody can say;
//! - they stopped one after the other: the anchors are gone;
//! - nothing was ever heard, or there is one anchor only: nobody can say.
//!
//! All but one anchor of at least three gone while that one goes on: the anchors are gone, for the one that is wired to
//! the computer has its own power. What cannot be seen from frames (no byte at all, damage) is told by
//! [`super::link::KitWatch`].
//!
//! **Doubts.** Frames that must not be taken for the present ([`Doubt`]) are told by kind: frozen at once, repeated and old
//! from [`TIMES`] within [`DOUBT_LASTS`] on, of unknown age when that has gone on for [`UNKNOWN_FOR`]; over when none came
//! for [`DOUBT_LASTS`]. While they last nothing is said about who answers.
//!
//! **Uneven clock.** Intervals between the frames of each tag, in bins of a twelfth of an octave, one minute at a time: the
//! share that is off the median by more than half. Told of each tag by itself.
//!
//! What others find is reported with these: numbers that are no tags (`roster`), and tags to which all anchors read long or
//! short (`place`).

use arrayvec::ArrayVec;
use hereabout_core::{Doubt, MAX_ANCHORS, MAX_TAGS, Micros, TagId, Timestamp};

use crate::output::{KitFinding, MAX_KIT_FINDINGS};

/// Frames without a range for this long say something.
const QUIET: Micros = Micros::from_millis(2_000);
/// Last ranges within this span stopped at one instant: a range that was missed by chance is allowed for.
const AT_ONCE: Micros = Micros::from_millis(700);
/// Two tags whose last ranges are nearer than this stopped together.
const IN_STEP: Micros = Micros::from_millis(1_000);
/// An anchor takes part in this when it was heard within this span before the last range.
const ACTIVE: Micros = Micros::from_millis(60_000);
/// Frames must still be coming.
const COMING: Micros = Micros::from_millis(1_500);
/// Share of uneven intervals that begins and ends the finding, and the intervals that it takes to judge.
const UNEVEN: f64 = 0.10;
const UNEVEN_OVER: f64 = 0.05;
const UNEVEN_MIN_GAPS: u32 = 100;
/// Repeated and old frames are told from so many on.
const TIMES: u32 = 3;
const DOUBT_LASTS: Micros = Micros::from_millis(2_000);
/// Every start and every gap takes a while to settle.
const UNKNOWN_FOR: Micros = Micros::from_millis(3_000);
const MINUTE: Micros = Micros::from_millis(60_000);
/// A longer interval is an outage, not unevenness. Seconds.
const OUTAGE_S: f64 = 10.0;
/// Bins to the octave, and where they begin. Seconds.
const TO_OCTAVE: f64 = 12.0;
const BINS: usize = 192;
const MIN_GAP_S: f64 = 0.000_5;

#[derive(Clone, Debug)]
struct KitTag {
    id: TagId,
    last_frame: Timestamp,
    last_range: Option<Timestamp>,
    by_anchor: [Option<Timestamp>; MAX_ANCHORS],
    /// In the order of [`Doubt::ALL`].
    doubts: [Doubts; Doubt::ALL.len()],
    clock: Clock,
}

/// Frames of one tag that were doubted for one reason, without a pause.
#[derive(Clone, Copy, Debug, Default)]
struct Doubts {
    first: Option<Timestamp>,
    last: Option<Timestamp>,
    times: u32,
    /// How old the newest one was.
    age: Micros,
}

impl Doubts {
    fn note(&mut self, at: Timestamp, age: Micros) {
        if !self.lasts(at) {
            *self = Doubts { first: Some(at), ..Doubts::default() };
        }
        self.last = Some(at);
        self.times += 1;
        self.age = age;
    }

    fn lasts(&self, at: Timestamp) -> bool {
        self.last.is_some_and(|last| at.since(last) < DOUBT_LASTS)
    }

    fn finding(&self, doubt: Doubt, tag: TagId, at: Timestamp) -> Option<KitFinding> {
        if !self.lasts(at) {
            return None;
        }
        let often = self.times >= TIMES;
        match doubt {
            Doubt::Frozen => Some(KitFinding::Frozen { tag }),
            Doubt::Repeated => often.then_some(KitFinding::Repeated { tag }),
            Doubt::Old => often.then_some(KitFinding::OldFrames { tag, age: self.age }),
            // Such a frame is no tag's.
            Doubt::UnknownTag => None,
            Doubt::Unsettled => {
                let long = self.first.zip(self.last).is_some_and(|(a, b)| b.since(a) >= UNKNOWN_FOR);
                long.then_some(KitFinding::AgeUnknown { tag })
            }
        }
    }
}

/// What a tag without ranges looks like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Quiet {
    AtOnce,
    OneByOne,
    Unclear,
}

/// Everything that is kept.
#[derive(Clone, Debug)]
pub(crate) struct Kit {
    tags: ArrayVec<Box<KitTag>, MAX_TAGS>,
    /// What is to be told of numbers that are no tags.
    pub(super) strangers: [Option<KitFinding>; 2],
    /// Tags to which all anchors read long or short alike, and by how much, metres.
    pub(super) offsets: ArrayVec<(TagId, f64), MAX_TAGS>,
}

impl Kit {
    pub(crate) fn new() -> Kit {
        Kit { tags: ArrayVec::new(), strangers: [None; 2], offsets: ArrayVec::new() }
    }

    /// A frame of a tag, with the anchors (by index) that had a range.
    pub(crate) fn hear(&mut self, at: Timestamp, tag: TagId, heard: impl Iterator<Item = usize>) {
        let place = self.tags.iter().position(|t| t.id == tag);
        let fresh = || KitTag {
            id: tag,
            last_frame: at,
            last_range: None,
            by_anchor: [None; MAX_ANCHORS],
            doubts: [Doubts::default(); Doubt::ALL.len()],
            clock: Clock::default(),
        };
        let Some(index) = place.or_else(|| {
            self.tags.try_push(Box::new(fresh())).ok()?;
            Some(self.tags.len() - 1)
        }) else {
            return;
        };
        let known = &mut self.tags[index];
        known.clock.hear(at, at.since(known.last_frame));
        known.last_frame = at;
        for anchor in heard {
            known.last_range = Some(at);
            if let Some(slot) = known.by_anchor.get_mut(anchor) {
                *slot = Some(at);
            }
        }
    }

    /// The tag was retired.
    pub(crate) fn forget(&mut self, tag: TagId) {
        self.tags.retain(|t| t.id != tag);
        self.offsets.retain(|(id, _)| *id != tag);
    }

    /// What was said of a frame of this tag, heard just before: `None` when it is one of the present. Whether that is reported
    /// at once.
    pub(crate) fn doubt(
        &mut self,
        at: Timestamp,
        measured_at: Timestamp,
        tag: TagId,
        doubt: Option<Doubt>,
    ) -> bool {
        let Some(known) = self.tags.iter_mut().find(|t| t.id == tag) else { return false };
        let Some(doubt) = doubt else {
            // Settled: the next time is another one.
            known.doubts[Doubt::Unsettled as usize] = Doubts::default();
            return false;
        };
        let of = &mut known.doubts[doubt as usize];
        let was = of.finding(doubt, tag, at).is_some();
        of.note(at, at.since(measured_at));
        of.finding(doubt, tag, at).is_some() != was
    }

    /// What is the case at `at`, given what lasts; `began` is the first input of the session, `whole` what is said of the
    /// site as a whole, which comes first.
    pub(crate) fn findings(
        &self,
        at: Timestamp,
        began: Timestamp,
        lasting: &[KitFinding],
        whole: Option<KitFinding>,
    ) -> ArrayVec<KitFinding, MAX_KIT_FINDINGS> {
        let mut now: ArrayVec<KitFinding, MAX_KIT_FINDINGS> = whole.into_iter().collect();
        let mut add = |finding| {
            if !now.contains(&finding) {
                // More than these at a time are not told; the tags' own positions tell the rest.
                let _ = now.try_push(finding);
            }
        };
        self.strangers.iter().flatten().for_each(|finding| add(*finding));
        for tag in &self.tags {
            for doubt in Doubt::ALL {
                if let Some(finding) = tag.doubts[doubt as usize].finding(doubt, tag.id, at) {
                    add(finding);
                }
            }
            if let Some(finding) = self.finding(tag, at, began, lasting) {
                add(finding);
            }
            if let Some(finding) = tag.clock.finding(tag.id, lasting) {
                add(finding);
            }
        }
        for (tag, by_m) in self.offsets.iter().copied() {
            add(KitFinding::TagOffset { tag, by_m });
        }
        now
    }

    fn finding(
        &self,
        tag: &KitTag,
        at: Timestamp,
        began: Timestamp,
        lasting: &[KitFinding],
    ) -> Option<KitFinding> {
        if tag.doubts.iter().any(|d| d.lasts(at)) {
            return None;
        }
        let coming = at.since(tag.last_frame) < COMING;
        let Some(last_range) = tag.last_range else {
            return (coming && at.since(began) >= QUIET).then_some(KitFinding::NobodyAnswers);
        };
        if tag.last_frame.since(last_range) < QUIET {
            let alone = self.tags.len() == 1 && coming && tag.all_but_one_gone();
            return alone.then_some(KitFinding::AnchorsGone);
        }
        // What was said once stays said while the silence lasts, whatever happens to the other tags meanwhile.
        let said = |f: &&KitFinding| match f {
            KitFinding::TagOff { tag: id } => *id == tag.id,
            KitFinding::AnchorsGone | KitFinding::NobodyAnswers => self.tags.len() == 1,
            _ => false,
        };
        if let Some(finding) = lasting.iter().find(said) {
            return Some(*finding);
        }
        if !coming {
            return None;
        }
        let others = || self.tags.iter().filter(|t| t.id != tag.id);
        let answered = |t: &KitTag| t.last_range.is_some_and(|r| r.since(last_range) >= IN_STEP);
        if others().any(|t| answered(t)) {
            return Some(KitFinding::TagOff { tag: tag.id });
        }
        let together = others().any(|t| t.last_range.is_some_and(|r| last_range.since(r) < IN_STEP));
        match tag.manner(last_range) {
            Quiet::AtOnce if together => Some(KitFinding::NobodyAnswers),
            Quiet::AtOnce => Some(KitFinding::TagOff { tag: tag.id }),
            Quiet::OneByOne => Some(KitFinding::AnchorsGone),
            Quiet::Unclear => Some(KitFinding::NobodyAnswers),
        }
    }
}

impl KitTag {
    /// The last ranges of the anchors that took part shortly before the last one of all.
    fn active(&self, last_range: Timestamp) -> impl Iterator<Item = Timestamp> + '_ {
        self.by_anchor.iter().flatten().copied().filter(move |t| last_range.since(*t) < ACTIVE)
    }

    /// All anchors but one have been quiet for long while that one goes on.
    fn all_but_one_gone(&self) -> bool {
        let known = self.by_anchor.iter().flatten().count();
        let quiet = self.by_anchor.iter().flatten().filter(|t| self.last_frame.since(**t) >= QUIET).count();
        known >= 3 && quiet + 1 == known
    }

    fn manner(&self, last_range: Timestamp) -> Quiet {
        let active = self.active(last_range).count();
        let at_once = self.active(last_range).filter(|t| last_range.since(*t) <= AT_ONCE).count();
        match (active, at_once) {
            (0 | 1, _) => Quiet::Unclear,
            (active, at_once) if 3 * at_once >= 2 * active && at_once >= 2 => Quiet::AtOnce,
            _ => Quiet::OneByOne,
        }
    }
}

/// Intervals of one minute.
#[derive(Clone, Debug)]
struct Clock {
    from: Option<Timestamp>,
    bins: [u16; BINS],
    intervals: u32,
    longest: Micros,
    /// Of the last full minute: median, longest, share of uneven ones.
    last: Option<(Micros, Micros, f64)>,
}

impl Default for Clock {
    fn default() -> Clock {
        Clock { from: None, bins: [0; BINS], intervals: 0, longest: Micros::ZERO, last: None }
    }
}

impl Clock {
    fn hear(&mut self, at: Timestamp, interval: Micros) {
        let from = *self.from.get_or_insert(at);
        if at.since(from) >= MINUTE {
            self.close();
            self.from = Some(at);
        }
        let s = interval.secs_f64();
        if !(0.0..OUTAGE_S).contains(&s) || interval == Micros::ZERO {
            return;
        }
        let bin = ((s / MIN_GAP_S).max(1.0).log2() * TO_OCTAVE) as usize;
        let bin = &mut self.bins[bin.min(BINS - 1)];
        *bin = bin.saturating_add(1);
        self.intervals += 1;
        self.longest = self.longest.max(interval);
    }

    /// Sums a minute up and begins the next one.
    fn close(&mut self) {
        self.last = (self.intervals >= UNEVEN_MIN_GAPS).then(|| {
            let mut below = 0;
            let half = self.intervals / 2;
            let reaches_half = |n: &u16| {
                below += u32::from(*n);
                below > half
            };
            let median = self.bins.iter().position(reaches_half).unwrap_or(0);
            let middle = |bin: usize| MIN_GAP_S * ((bin as f64 + 0.5) / TO_OCTAVE).exp2();
            let usual = middle(median);
            let off = |(bin, _): &(usize, &u16)| !(0.5 * usual..=1.5 * usual).contains(&middle(*bin));
            let uneven: u32 = self.bins.iter().enumerate().filter(off).map(|(_, n)| u32::from(*n)).sum();
            (Micros::from_secs_f64(usual), self.longest, f64::from(uneven) / f64::from(self.intervals))
        });
        self.bins = [0; BINS];
        self.intervals = 0;
        self.longest = Micros::ZERO;
    }

    fn finding(&self, tag: TagId, lasting: &[KitFinding]) -> Option<KitFinding> {
        let (usual, longest, share) = self.last?;
        let was = lasting.iter().any(|f| matches!(f, KitFinding::UnevenClock { tag: of, .. } if *of == tag));
        let limit = if was { UNEVEN_OVER } else { UNEVEN };
        (share >= limit).then_some(KitFinding::UnevenClock { tag, usual, longest, share })
    }
}
