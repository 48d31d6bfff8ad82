//! How long before its arrival a frame was measured, and whether that is known.
//!
//! **Model.** Frames are measured at a pace of their own and wait somewhere before they are read: arrival = measurement +
//! wait. Waits are never negative, and now and then there is none. So what a schedule of measurements tells is how far an
//! arrival is *behind* the promptest ones.
//!
//! **The schedule** is the frame's own clock where it has one: rate and offset are learned from the promptest arrivals
//! (the lower envelope, in blocks of [`BLOCK_S`]). Else it is the learned pace, times what the counter says was
//! sent since the frame before, or one frame (and those that the decoder saw damaged). Then a gap that is longer than the
//! schedule says puts the frame behind by the difference, and frames that come early afterwards bring it back: the
//! recursion of a queue (Lindley 1952, from memory), b ← max(0, b + gap − scheduled).
//!
//! Without a counter frames are not all alike: some kits send a frame for each range, in bursts, and fewer when fewer anchors
//! answer. So only a gap longer than the usual longest one ([`LONGER`]) puts the frame behind, and "too many" is told by the
//! number of frames of the last second against the long-run pace.
//!
//! **Known or not.** After the start, a new row, or a gap that nothing explains, the age is not known until the pace was
//! normal for max([`NORMAL_S`], [`NORMAL_INTERVALS`] intervals) (within a tenth): a backlog that is worked off comes faster, and while
//! it does its age is known to be large. Frames that come faster than measured without having been
//! behind are too many: some of them are not of the present. A pace that has changed for good is learned again when it was steady for
//! [`RELEARN_S`]; a faster one only when nothing is behind.
//!
//! Without a clock small lags of a settled stream are forgotten with a time constant of [`FORGET_S`], because a
//! pace is never quite even; a clock needs no such thing.

use hereabout_core::{Micros, Timestamp};

/// The pace must have been normal for so long, and so many intervals, …
const NORMAL_S: f64 = 1.0;
const NORMAL_INTERVALS: f64 = 5.0;
/// … within this share, …
const NORMAL_WITHIN: f64 = 0.1;
/// … and this for what arrivals jitter at the ends, seconds and share of an interval, whichever is less.
const JITTER_S: f64 = 0.05;
const JITTER_INTERVALS: f64 = 0.5;
/// Intervals longer than scheduled by this share of one, and so many seconds, are gaps.
const GAP_INTERVALS: f64 = 0.5;
const GAP_S: f64 = 0.03;
/// Without a counter: a gap is longer than this times the usual longest interval; the longest is forgotten by this share a
/// frame, and never taken as more than so many intervals, or seconds.
const LONGER: f64 = 1.5;
const FORGET_MAX: f64 = 0.001;
const MAX_INTERVALS: f64 = 3.0;
const MAX_INTERVAL_S: f64 = 0.3;
/// Without a counter: so many times as many frames as usual are too many; the usual pace is learned with this weight.
const TOO_MANY: f64 = 1.6;
const SLOW_GAIN: f64 = 0.005;
/// A kit whose pace is uneven by more than [`NORMAL_WITHIN`] is allowed this much more than what was seen of it, and at most
/// so much in all.
const UNEVEN: f64 = 1.2;
const MAX_UNEVEN_SHARE: f64 = 0.5;
/// Two halves of a stretch have one pace within this share: the first time, and when it is learned again.
const STEADY_FIRST: f64 = 0.3;
const STEADY_AGAIN: f64 = 0.15;
/// A changed pace is believed after so many seconds and frames.
const RELEARN_S: f64 = 3.0;
const RELEARN_FRAMES: usize = 10;
/// Frames that the pace is the mean over, and the weight of a newer mean.
const PACE_FRAMES: usize = 32;
const PACE_GAIN: f64 = 0.2;
/// Small lags are forgotten, and earliness too, with these time constants, seconds.
const FORGET_S: f64 = 5.0;
const FORGET_EARLY_S: f64 = 2.0;
/// So much must have been caught up, seconds and intervals, before it is a backlog.
const CAUGHT_UP_S: f64 = 0.5;
const CAUGHT_UP_INTERVALS: f64 = 4.0;
/// Arrivals that are kept: a second of the fastest kit and more.
const MARKS: usize = 256;

/// How a frame came.
#[derive(Clone, Copy, Debug)]
pub(super) struct Arrival {
    pub(super) at: Timestamp,
    /// When the reader last found nothing to read.
    pub(super) empty_at: Option<Timestamp>,
    /// Frames that may have been damaged since the one before.
    pub(super) lost: u32,
    /// From this age on a frame is old.
    pub(super) max_age_s: f64,
}

/// What is known of a frame's age.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Age {
    /// From measurement to arrival, seconds; the likeliest value when it is not known.
    pub(super) delay_s: f64,
    pub(super) is_known: bool,
}

/// An arrival with what was sent up to it.
#[derive(Clone, Copy, Debug, Default)]
struct Mark {
    at: Timestamp,
    counts: i64,
    clock_ms: i64,
}

/// The last arrivals, numbered from 0.
#[derive(Clone, Debug)]
struct Marks {
    ring: [Mark; MARKS],
    count: usize,
}

impl Default for Marks {
    fn default() -> Marks {
        Marks { ring: [Mark::default(); MARKS], count: 0 }
    }
}

impl Marks {
    fn push(&mut self, mark: Mark) {
        self.ring[self.count % MARKS] = mark;
        self.count += 1;
    }

    fn oldest(&self) -> usize {
        self.count.saturating_sub(MARKS)
    }

    fn get(&self, number: usize) -> Mark {
        self.ring[number % MARKS]
    }

    /// The newest mark, not before number `from`, that is at least `back_s` older than the last one.
    fn back(&self, from: usize, back_s: f64) -> Option<usize> {
        let last = self.get(self.count.checked_sub(1)?).at;
        let from = from.max(self.oldest());
        (from..self.count).rev().find(|n| last.since(self.get(*n).at).secs_f64() >= back_s)
    }

    /// Seconds and counts between two marks.
    fn between(&self, from: usize, to: usize) -> (f64, f64) {
        let (a, b) = (self.get(from), self.get(to));
        (b.at.since(a.at).secs_f64(), (b.counts - a.counts) as f64)
    }

    /// The mean seconds a count from `from` on, when both halves agree within `within`.
    fn steady(&self, from: usize, within: f64) -> Option<f64> {
        let last = self.count.checked_sub(1)?;
        let middle = from + (last - from) / 2;
        let pace = |(s, counts): (f64, f64)| (counts > 0.0 && s > 0.0).then(|| s / counts);
        let (a, b) = (pace(self.between(from, middle))?, pace(self.between(middle, last))?);
        let mean = pace(self.between(from, last))?;
        ((a - b).abs() <= within * mean).then_some(mean)
    }
}

/// See the module's prose.
#[derive(Clone, Debug, Default)]
pub(super) struct Delay {
    marks: Marks,
    /// Seconds a count.
    interval_s: Option<f64>,
    /// Without a counter: the usual longest interval, and the pace in the long run.
    longest_s: f64,
    slow_interval_s: f64,
    /// How far the pace of a second (or five intervals) was off that of the long run, a share.
    uneven: f64,
    behind_s: f64,
    /// The same before it was caught up with.
    peak_s: f64,
    /// Without a counter: how far a frame is behind within the usual unevenness, for its stamp alone.
    lag_s: f64,
    early_s: f64,
    settled: bool,
    /// Number of the mark from which on the pace is looked at.
    since: usize,
    /// Number of the mark after the last gap: the pace is learned from there on.
    no_gap_since: usize,
    link_changed: bool,
    envelope: Option<Envelope>,
}

impl Delay {
    /// How far the newest frame is behind, seconds.
    pub(super) fn behind_s(&self) -> f64 {
        self.behind_s
    }

    /// Seconds a count; `None` until it is known.
    pub(super) fn interval_s(&self) -> Option<f64> {
        self.interval_s
    }

    /// Whether the frame's clock is what the age is told from.
    pub(super) fn clock_is_used(&self) -> bool {
        self.envelope.is_some()
    }

    /// See [`super::Freshness::link_changed`].
    pub(super) fn link_changed(&mut self) {
        self.link_changed = true;
    }

    /// The first frame of a row.
    pub(super) fn anew(&mut self, arrival: &Arrival, millis: Option<u32>) -> Age {
        self.marks.count = 0;
        self.marks.push(Mark { at: arrival.at, counts: 0, clock_ms: 0 });
        (self.behind_s, self.peak_s, self.lag_s, self.early_s) = (0.0, 0.0, 0.0, 0.0);
        (self.settled, self.since, self.no_gap_since, self.link_changed) = (false, 0, 0, false);
        self.envelope = millis.map(|_| Envelope::new(arrival.at));
        Age { delay_s: 0.0, is_known: false }
    }

    /// The frame after the one before: so many counts later, so much later by its clock.
    pub(super) fn next(&mut self, arrival: &Arrival, counts: Option<u32>, clock_ms: Option<i64>) -> Age {
        let last = self.marks.get(self.marks.count - 1);
        let passed_s = arrival.at.since(last.at).secs_f64().max(0.0);
        let sent = counts.map_or_else(|| self.sent(passed_s, arrival.lost), i64::from);
        let clock_step = clock_ms.unwrap_or((sent as f64 * self.interval_s.unwrap_or(0.0) * 1e3) as i64);
        self.marks.push(Mark {
            at: arrival.at,
            counts: last.counts + sent,
            clock_ms: last.clock_ms + clock_step,
        });
        let link_changed = std::mem::take(&mut self.link_changed);
        let waited = arrival.empty_at.map_or(0.0, |t| arrival.at.since(t).secs_f64());
        if !self.settled && waited > arrival.max_age_s {
            // A backlog on this machine: the pace of the kit shows only when it is worked off.
            self.since = self.marks.count - 1;
        }
        let clock_s = (last.clock_ms + clock_step) as f64 / 1e3;
        if let Some(envelope) = &mut self.envelope {
            self.behind_s = envelope.take(arrival.at, clock_s);
        } else if let Some(interval_s) = self.interval_s {
            let off_s = passed_s - sent as f64 * interval_s;
            if counts.is_some() {
                self.queue(off_s, passed_s, interval_s, arrival.max_age_s);
            } else {
                self.queue_uncounted(off_s, passed_s, interval_s, arrival.max_age_s);
            }
            if link_changed && counts.is_none() {
                self.unsettle(self.marks.count - 1);
            }
        }
        if !self.settled {
            self.settle();
        }
        self.learn_pace();
        let backlog = self.interval_s.is_some_and(|t| {
            let caught_up_s = self.peak_s - self.behind_s;
            caught_up_s >= CAUGHT_UP_S.max(CAUGHT_UP_INTERVALS * t) && self.behind_s > arrival.max_age_s
        });
        Age {
            delay_s: self.behind_s.max(self.lag_s),
            is_known: self.settled || (backlog && self.envelope.is_none()),
        }
    }

    /// How many were sent without a counter that says so: one, and of those that may have been damaged as many as
    /// the time that passed has room for.
    fn sent(&self, passed_s: f64, lost: u32) -> i64 {
        let room = self.interval_s.map_or(0.0, |t| (passed_s / t).round() - 1.0);
        1 + (room.max(0.0) as i64).min(i64::from(lost))
    }

    /// One step of the queue: the frame came `off_s` later than scheduled.
    fn queue(&mut self, off_s: f64, passed_s: f64, interval_s: f64, max_age_s: f64) {
        let number = self.marks.count - 1;
        if self.settled {
            self.behind_s *= (-passed_s / FORGET_S).exp();
        }
        self.behind_s += off_s;
        self.early_s *= (-passed_s / FORGET_EARLY_S).exp();
        if self.behind_s < 0.0 {
            self.early_s -= self.behind_s;
            self.behind_s = 0.0;
        }
        self.peak_s = self.peak_s.max(self.behind_s);
        let is_gap = off_s > GAP_S.max(GAP_INTERVALS * interval_s);
        if is_gap {
            (self.no_gap_since, self.peak_s) = (number, self.behind_s);
        }
        if self.behind_s > max_age_s && (self.settled || is_gap) {
            self.unsettle(number);
        }
        if self.early_s > max_age_s.max(1.5 * interval_s) && self.settled {
            self.unsettle(number);
        }
    }

    /// The same without a counter: only what is longer than any usual interval puts the frame behind.
    fn queue_uncounted(&mut self, off_s: f64, passed_s: f64, interval_s: f64, max_age_s: f64) {
        let number = self.marks.count - 1;
        if self.settled {
            self.behind_s *= (-passed_s / FORGET_S).exp();
        }
        let longest_s = self.longest_s.max(interval_s);
        // A stamp may be off by this without making the frame old.
        let most_lag_s = (longest_s - interval_s).min(0.9 * max_age_s);
        self.lag_s = ((self.lag_s + off_s) * (-passed_s / FORGET_S).exp()).clamp(0.0, most_lag_s);
        let is_gap = off_s > GAP_S && (passed_s > LONGER * longest_s || off_s > max_age_s);
        if is_gap || self.behind_s > 0.0 {
            self.behind_s = (self.behind_s + off_s).max(0.0);
        }
        self.peak_s = self.peak_s.max(self.behind_s);
        if is_gap {
            (self.no_gap_since, self.peak_s) = (number, self.behind_s);
        }
        let most_s = MAX_INTERVAL_S.max(MAX_INTERVALS * interval_s);
        if self.settled {
            self.longest_s = (longest_s * (1.0 - FORGET_MAX)).max(passed_s.min(most_s));
        }
        if self.behind_s > max_age_s && (self.settled || is_gap) || self.settled && self.too_many() {
            self.unsettle(number);
        }
    }

    /// Whether more frames came lately than the pace of the long run gives.
    fn too_many(&self) -> bool {
        let slow_s = self.slow_interval_s;
        let last = self.marks.count - 1;
        let from = self.marks.back(self.no_gap_since, NORMAL_S.max(NORMAL_INTERVALS * slow_s));
        from.is_some_and(|from| {
            let (passed_s, counts) = self.marks.between(from, last);
            counts * slow_s > TOO_MANY * passed_s
        })
    }

    fn unsettle(&mut self, number: usize) {
        self.settled = false;
        self.since = number;
    }

    /// Whether the age is known from now on.
    fn settle(&mut self) {
        let last = self.marks.count - 1;
        let pace = self.interval_s.or_else(|| {
            let few = last.checked_sub(NORMAL_INTERVALS as usize)?;
            let from = self.marks.back(self.since, NORMAL_S)?.min(few);
            self.marks.steady(from, STEADY_FIRST).filter(|_| from >= self.since)
        });
        let Some(interval_s) = pace else { return };
        let window_s = NORMAL_S.max(NORMAL_INTERVALS * interval_s);
        let normal = self.marks.back(self.since, window_s).is_some_and(|from| {
            let (passed_s, counts) = self.marks.between(from, last);
            let scheduled_s = match &self.envelope {
                None => counts * interval_s,
                Some(_) => (self.marks.get(last).clock_ms - self.marks.get(from).clock_ms) as f64 / 1e3,
            };
            let jitter_s = JITTER_S.min(JITTER_INTERVALS * interval_s);
            let within = NORMAL_WITHIN.max((UNEVEN * self.uneven).min(MAX_UNEVEN_SHARE));
            (scheduled_s - passed_s).abs() <= within * passed_s + jitter_s
        });
        if normal {
            self.be_settled(interval_s);
        } else if self.envelope.is_none() {
            self.learn_again(interval_s);
        }
    }

    fn be_settled(&mut self, interval_s: f64) {
        self.settled = true;
        self.interval_s.get_or_insert(interval_s);
        if self.slow_interval_s == 0.0 {
            self.slow_interval_s = interval_s;
        }
        (self.early_s, self.peak_s) = (0.0, 0.0);
        if self.envelope.is_none() {
            self.behind_s = 0.0;
        }
    }

    /// A pace that has changed for good.
    fn learn_again(&mut self, interval_s: f64) {
        let few = self.marks.count.checked_sub(RELEARN_FRAMES + 1);
        let Some((from, few)) = self.marks.back(0, RELEARN_S).zip(few) else { return };
        let from = from.min(few).max(self.marks.oldest());
        let believed = |pace: &f64| *pace > interval_s || self.behind_s <= 0.0;
        if let Some(pace_s) = self.marks.steady(from, STEADY_AGAIN).filter(believed) {
            self.interval_s = Some(pace_s);
            self.slow_interval_s = pace_s;
            self.no_gap_since = from;
            self.be_settled(pace_s);
        }
    }

    /// The pace of a settled stream, from the arrivals since the last gap.
    fn learn_pace(&mut self) {
        let Some(interval_s) = self.interval_s.filter(|_| self.settled && self.behind_s < GAP_S) else {
            return;
        };
        let last = self.marks.count - 1;
        let from = self.no_gap_since.max(last.saturating_sub(PACE_FRAMES)).max(self.marks.oldest());
        let (passed_s, counts) = self.marks.between(from, last);
        if last - from >= PACE_FRAMES / 2 && counts > 0.0 && passed_s > 0.0 {
            let pace_s = passed_s / counts;
            self.interval_s = Some(interval_s + PACE_GAIN * (pace_s - interval_s));
            self.slow_interval_s += SLOW_GAIN * (pace_s - self.slow_interval_s);
            self.note_unevenness();
        }
    }

    fn note_unevenness(&mut self) {
        let (last, slow_s) = (self.marks.count - 1, self.slow_interval_s);
        let window = self.marks.back(self.no_gap_since, NORMAL_S.max(NORMAL_INTERVALS * slow_s));
        let Some((passed_s, counts)) = window.map(|from| self.marks.between(from, last)) else { return };
        let off = ((counts * slow_s - passed_s).abs() / passed_s).min(MAX_UNEVEN_SHARE);
        self.uneven = (self.uneven * (1.0 - FORGET_MAX)).max(off);
    }
}

/// Blocks that the promptest arrival is taken of, seconds: before and after the rate is learned.
const BLOCK_S: [f64; 2] = [3.0, 8.0];
/// A frame's clock is at most this much faster or slower than ours: cheap boards without a crystal.
const MAX_RATE_ERROR: f64 = 0.03;
/// How far the promptest arrival of a block may be late, a second of the block: before and after the rate is learned.
const RISE: [f64; 2] = [0.03, 0.01];
const RISE_S: f64 = 0.01;
/// Weight of a new sample of the rate.
const RATE_GAIN: f64 = 0.3;

/// The promptest arrivals by the frame's clock.
#[derive(Clone, Copy, Debug)]
struct Envelope {
    origin: Timestamp,
    /// Arrival minus clock of a prompt frame, seconds, at `at`; and how that grows, seconds a second.
    base_s: f64,
    at: Timestamp,
    rate: f64,
    block_from: Timestamp,
    /// The promptest of this block, and how far it was behind; the promptest of the block before.
    prompt: Option<(Timestamp, f64, f64)>,
    before: Option<(Timestamp, f64)>,
    learned: bool,
}

impl Envelope {
    fn new(at: Timestamp) -> Envelope {
        Envelope {
            origin: at,
            base_s: 0.0,
            at,
            rate: 0.0,
            block_from: at,
            prompt: None,
            before: None,
            learned: false,
        }
    }

    /// How far an arrival is behind the promptest ones; `clock_s` is the frame's clock since the origin. Seconds.
    fn take(&mut self, at: Timestamp, clock_s: f64) -> f64 {
        let block_s = BLOCK_S[usize::from(self.learned)];
        let e = at.since(self.origin).secs_f64() - clock_s;
        let late_s = e - self.prompt_at(at);
        let behind_s = late_s.max(0.0);
        if late_s < 0.0 {
            (self.base_s, self.at) = (e, at);
            self.prompt = Some((at, e, 0.0));
        } else if self.prompt.is_none_or(|(_, _, least)| behind_s < least) {
            self.prompt = Some((at, e, behind_s));
        }
        if at.since(self.block_from) >= Micros::from_secs_f64(block_s) {
            self.end_block();
            self.block_from = at;
        }
        behind_s
    }

    fn prompt_at(&self, at: Timestamp) -> f64 {
        self.base_s + self.rate * at.since(self.at).secs_f64()
    }

    fn end_block(&mut self) {
        let Some((at, e, behind_s)) = self.prompt.take() else { return };
        let learned = usize::from(self.learned);
        let risen = behind_s <= RISE[learned] * BLOCK_S[learned] + RISE_S;
        if !risen {
            // A whole block of late frames: that is no clock that drifts.
            return;
        }
        if let Some((was_at, was)) = self.before {
            let sample = (e - was) / at.since(was_at).secs_f64().max(1.0);
            if sample.abs() <= MAX_RATE_ERROR {
                self.rate += if self.learned { RATE_GAIN * (sample - self.rate) } else { sample };
                self.learned = true;
            }
        }
        (self.base_s, self.at) = (e, at);
        self.before = Some((at, e));
    }
}
