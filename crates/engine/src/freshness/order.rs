//! Where a frame stands among the frames of its tag: the next one, one that came before, or the first of a new row.
//!
//! **Counter.** Numbers go up by what was sent since the frame before, modulo the field's turn. The same number again is
//! the same frame. A step is believed forward up to half a turn, and only when no more frames than time allows would have
//! been sent meanwhile. After a pause of more than half a turn any number may be the right one: it tells nothing then.
//!
//! **Clock.** Its steps are believed forward up to half a turn, and not faster than time.
//!
//! **Backward.** A frame that stands before the newest one is old, unless the module was started anew: its counter and clock
//! then tell a time since its start that is not longer than the pause was, or the memory has another frame of that number from
//! back then. A frame that was not heard when it was due may come late, and a daemon that was started a moment ago remembers little: so a
//! row that goes on behind the newest frame is taken for old ones until it has caught up, or for [`BEHIND_FOR_S`].
//!
//! **Out of row.** A frame that is neither the next one nor known from before ([`super::memory`]) is a stray (a bit error,
//! a stranger). Two strays in a row that follow on each other begin a new row: the module was started anew, or its clock was set.

use hereabout_core::{Frame, Timestamp};

use super::delay::Delay;
use super::memory::{FRAMES, Memory};

/// A step is too long for the time that passed by this share of it, and so many seconds.
const HASTE: f64 = 0.25;
const HASTE_S: f64 = 0.3;
/// Two stamps of a clock closer than this are no step backward: a clock may jitter. Milliseconds.
const CLOCK_JITTER_MS: i64 = 20;

/// A module has started anew when its uptime is not longer than the pause by more than this, seconds.
const STARTED_S: f64 = 1.0;
/// A row behind the newest frame is believed after so long, seconds.
const BEHIND_FOR_S: f64 = 60.0;

/// Values that a field takes before it begins again; `None` without the field.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Turns {
    pub(super) seq: Option<u64>,
    pub(super) millis: Option<u64>,
}

/// Where a frame stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Sequence {
    /// After the one before it, by so many counts and so much of the frame's clock.
    Next { counts: Option<u32>, clock_ms: Option<i64> },
    /// It came before.
    Repeated,
    /// Out of row.
    Stray,
    /// The first of a new row.
    Anew,
}

/// How far before the newest frame.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Behind {
    Counts(u64),
    Seconds(f64),
}

/// Counter and clock of a frame.
#[derive(Clone, Copy, Debug, Default)]
struct Mark {
    seq: Option<u32>,
    millis: Option<u32>,
    at: Timestamp,
    content: u32,
}

/// See the module's prose.
#[derive(Clone, Debug, Default)]
pub(super) struct Order {
    newest: Option<Mark>,
    stray: Option<Mark>,
    /// The last step of the counter that was believed.
    step: u64,
    /// Since when frames have stood before the newest one.
    behind_since: Option<Timestamp>,
    memory: Memory,
}

impl Order {
    /// Places a frame with this content; `delay` knows the pace.
    pub(super) fn place(&mut self, frame: &Frame, content: u32, turns: &Turns, delay: &Delay) -> Sequence {
        let mark = Mark {
            seq: frame.seq.filter(|_| turns.seq.is_some()),
            millis: frame.millis.filter(|_| turns.millis.is_some()),
            at: frame.received_at,
            content,
        };
        let Some(newest) = self.newest else {
            self.follow(mark);
            return Sequence::Anew;
        };
        let among = self.among(&newest, &mark, turns, delay);
        let sequence = among.unwrap_or_else(|by| self.behind(by, &newest, &mark, delay));
        match sequence {
            Sequence::Next { counts, .. } => {
                self.step = counts.map_or(0, u64::from);
                self.follow(mark);
                sequence
            }
            Sequence::Repeated => sequence,
            Sequence::Stray | Sequence::Anew => {
                let goes_on = self.stray.is_some_and(|stray| {
                    matches!(self.among(&stray, &mark, turns, delay), Ok(Sequence::Next { .. }))
                });
                if goes_on || sequence == Sequence::Anew {
                    self.follow(mark);
                    return Sequence::Anew;
                }
                self.stray = Some(mark);
                Sequence::Stray
            }
        }
    }

    /// What a frame before the newest one is: an old one, or the first of a module that was started anew.
    fn behind(&mut self, by: Behind, newest: &Mark, mark: &Mark, delay: &Delay) -> Sequence {
        let since = *self.behind_since.get_or_insert(mark.at);
        let passed_s = mark.at.since(newest.at).secs_f64();
        let interval_s = delay.interval_s().unwrap_or(f64::INFINITY);
        // Both must say so: either may be at nought by turning over.
        let by_counter_s = mark.seq.map_or(0.0, |seq| f64::from(seq) * interval_s);
        let up_s = by_counter_s.max(mark.millis.map_or(0.0, |ms| f64::from(ms) / 1e3));
        let counts = match by {
            Behind::Counts(counts) => counts as usize,
            Behind::Seconds(s) => (s / interval_s) as usize,
        };
        let reach = if mark.seq.is_some() { 0 } else { (500.0 * interval_s).min(1e6) as u32 };
        let number = mark.seq.or(mark.millis);
        let heard_then = number.is_some_and(|n| self.memory.has_number(n, reach, counts + counts / 4 + 8));
        let for_s = mark.at.since(since).secs_f64();
        if up_s <= passed_s + STARTED_S || heard_then || for_s > BEHIND_FOR_S {
            Sequence::Stray
        } else {
            Sequence::Repeated
        }
    }

    fn follow(&mut self, mark: Mark) {
        (self.newest, self.stray, self.behind_since) = (Some(mark), None, None);
        if let Some(key) = mark.seq.or(mark.millis) {
            self.memory.keep(key, mark.content);
        }
    }

    /// Where `mark` stands after `before`; an error when it stands before it.
    fn among(&self, before: &Mark, mark: &Mark, turns: &Turns, delay: &Delay) -> Result<Sequence, Behind> {
        let passed_s = mark.at.since(before.at).secs_f64().max(0.0);
        // A backlog may catch up with what it was behind.
        let most_s = passed_s * (1.0 + HASTE) + delay.behind_s() + HASTE_S;
        let interval_s = delay.interval_s();
        let known = |key: Option<u32>| key.is_some_and(|k| self.memory.knows(k, mark.content));
        let (mut counts, mut clock_ms) = (None, None);
        if let (Some(turn), Some(was), Some(now)) = (turns.seq, before.seq, mark.seq) {
            let step = (u64::from(now) + turn - u64::from(was) % turn) % turn;
            let ambiguous = interval_s.is_some_and(|t| passed_s > t * turn as f64 / 2.0);
            if step == 0 && !(ambiguous && mark.content != before.content) {
                return Ok(Sequence::Repeated);
            }
            let in_time = interval_s.is_some_and(|t| passed_s < 1.5 * t * step as f64 + HASTE_S);
            let as_usual = step == self.step.max(1) && in_time;
            if !as_usual && known(mark.seq) {
                return Ok(Sequence::Repeated);
            }
            let too_fast = interval_s.is_some_and(|t| t * (step.max(1) - 1) as f64 > most_s);
            if !ambiguous && step > turn / 2 {
                return Err(Behind::Counts(turn - step));
            }
            if !ambiguous && too_fast {
                // Ahead of time, or, where the turn is short, from before half a turn.
                let short = turn - step <= FRAMES as u64;
                return if short { Err(Behind::Counts(turn - step)) } else { Ok(Sequence::Stray) };
            }
            counts = u32::try_from(step).ok().filter(|_| !ambiguous);
        }
        if let (Some(turn), Some(was), Some(now)) = (turns.millis, before.millis, mark.millis) {
            let forward = (u64::from(now) + turn - u64::from(was) % turn) % turn;
            let step_ms = if forward > turn / 2 { forward as i64 - turn as i64 } else { forward as i64 };
            if mark.seq.is_none() {
                if step_ms == 0 && mark.content == before.content {
                    return Ok(Sequence::Repeated);
                }
                let as_usual = step_ms > 0 && interval_s.is_some_and(|t| passed_s < 2.5 * t);
                if !(as_usual && step_ms as f64 / 1e3 <= most_s) && known(mark.millis) {
                    return Ok(Sequence::Repeated);
                }
            }
            if passed_s > turn as f64 / 2e3 {
                return Ok(Sequence::Anew);
            }
            if step_ms < -CLOCK_JITTER_MS && (delay.clock_is_used() || counts.is_none()) {
                return Err(Behind::Seconds(-step_ms as f64 / 1e3));
            }
            if step_ms < -CLOCK_JITTER_MS || step_ms as f64 / 1e3 > most_s {
                let by_clock = delay.clock_is_used() || counts.is_none();
                return Ok(if by_clock {
                    Sequence::Stray
                } else {
                    Sequence::Next { counts, clock_ms: None }
                });
            }
            clock_ms = Some(step_ms);
        }
        Ok(Sequence::Next { counts, clock_ms })
    }
}
