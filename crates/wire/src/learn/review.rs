//! What speaks against believing a proposal, from the whole capture.
//!
//! A proposal is made from one half of a capture (the first half in time, or the second when the first
//! shows none). Here it is held against all of it, the other half above all: bytes that it leaves
//! unread, bytes and numbers that vary and have no role that was shown (range, counter, checksum,
//! clock, a companion beside every range), ranges that jump as those of several tags or groups of
//! anchors in turn do, and a unit that changes on the way.
//!
//! **Key.** A small number with few values beside the ranges is a tag until shown otherwise. The
//! evidence is how much smoother the ranges are within one of its values than where it changes; that
//! cannot tell the number of a tag from that of a group of anchors, so it is never sure.
//!
//! **Damage.** Bytes that were lost or hurt lie in pieces as long as frames, give or take a few bytes,
//! with most of the constant bytes in their places. Whatever else is unread is another kind of frame.

use std::collections::BTreeMap;
use std::ops::Range;

use super::bytes::columns::{self, Counter};
use super::bytes::compose::FrameStructure;
use super::fields::Kind;
use super::outcome::{FrameGuess, Question, SMOOTHER};
use super::proof::{ReadBack, Row};
use crate::ByteOrder;

/// Share of the bytes or lines that may be unread and not look like damage.
const OTHER_SHARE: f64 = 0.01;
/// Share of them that is too much whatever it looks like.
const MUCH_UNREAD: f64 = 0.1;
/// Share of all lines that one kind of unread line has only when it is no damage.
const OFTEN: f64 = 0.04;
/// Lines with more elements than those that are read, and longer, that are no damage, however much is hurt.
const MORE_LINES: usize = 4;
/// Share of the unread lines that may be unlike those that are read: damage can be heavy.
const STRANGE: f64 = 0.04;
/// Share of the lines that may be hurt.
const MAX_HURT: f64 = 0.45;
/// A piece of so many frames is no damage, whatever it looks like, unless so much is hurt that chance makes one.
const LONG: usize = 8;
/// A run of unread frames that chance makes in fewer captures than this share is no damage.
const BY_CHANCE: f64 = 0.01;
/// Share of its frames that a few values must cover to be those of a key.
const KEY_COVERS: f64 = 0.985;
/// The most values of a key.
const KEY_VALUES: usize = 4;
/// Different values that a byte beside every range must take to count as their companion.
const COMPANION_VALUES: usize = 6;
/// Share of the frames in which it must differ from the frame before: damage makes many values, but seldom.
const COMPANION_STEPS: f64 = 0.15;
/// A step of so many times the lower quartile of all steps is a jump, if it is also so many metres.
const JUMP: (f64, f64) = (8.0, 0.5);
/// Share of the frames at which most ranges jump at once that a kit can have.
const JUMPS: f64 = 0.08;
/// The same for one range alone: late ranges jump as well.
const JUMPS_OF_ONE: f64 = 0.35;
/// A range that leaps by so many metres and stays there is another's.
const SHIFT_M: f64 = 1.5;
/// A range that leaps once by so many metres is another's when for so many frames before and after it varies by less than a part of
/// that.
const HANDS_M: f64 = 3.0;
const HANDS_STAY: usize = 8;
const HANDS_STEADY: f64 = 8.0;
/// Share of the frames with such a leap that a kit can have.
const SHIFTS: f64 = 0.02;
/// Neighbouring frames of one tag differ by less than this share of what frames far apart do.
const SCATTERED: f64 = 0.5;
/// With so few fields the upper end alone counts, if it is higher.
const FEW_FIELDS: usize = 2;
const SCATTERED_UPPER: f64 = 0.7;
/// So many steps in one direction are too many for a range.
const LONG_WAY: usize = 40;
/// Factor by which all ranges change at once when the unit does.
const FACTOR: f64 = 4.0;
/// Frames before and after that are compared for it.
const BESIDE: usize = 6;
const NEAREST: usize = 2;
/// The largest of the factors between two units, and some more.
const MAX_FACTOR: f64 = 1500.0;
/// So few values in four times as many frames are not those of a range that moves.
const FEW_VALUES: usize = 12;
/// A number that stays as it is from frame to frame in more than the first share of them, while most others do in less than the
/// second, is no range.
const STAYS: (f64, f64) = (0.9, 0.6);
/// Share of the frames that these must cover.
const FEW_COVER: f64 = 0.95;
/// Of so many frames one may break the rule of a counter's upper byte.
const CARRY_BROKEN: usize = 40;
/// Steps that a counter may go at once.
const MAX_STEPS: u64 = 16;
/// Different values of a byte that counts.
const COUNTED: usize = 24;
/// So many leaps are no damage and no restart.
const LEAPS: usize = 2;
/// One is enough when all but the upper byte goes on by at most so many steps, and chance does that more seldom than this.
const GOES_ON: (u64, f64) = (4, 0.05);
/// Pieces with groups of bytes that no frame has: so many, and so large a share of the pieces.
const SAME_BYTES: (usize, f64) = (5, 0.08);
/// Bytes of a group that is looked for.
const GROUP: usize = 3;
/// Bytes in a row that one hurt byte makes unusual, and one more.
const UNUSUAL: usize = 7;
/// The most places without a role that are named.
const MAX_NAMED: usize = 4;

/// One field's ranges, frame by frame; `None` is no range.
pub(super) type Series = Vec<Option<f64>>;

/// What was found, and the place that may be the tag's number.
#[derive(Clone, Debug, Default)]
pub(super) struct Review {
    pub(super) questions: Vec<Question>,
    /// The place of the likeliest key; ranges are smoother within its values.
    pub(super) key: Option<usize>,
}

/// Reviews a reading of binary frames of one length.
pub(super) fn binary(
    capture: &[u8],
    structure: &FrameStructure,
    guess: &FrameGuess,
    back: &ReadBack,
) -> Review {
    let len = structure.columns.len();
    let trusted = Trusted::new(back, guess, len);
    let series = trusted.heard();
    let mut review = Review::default();
    review.questions.extend(unread_frames(capture, structure, back));
    let mut named: Vec<(usize, Question)> = changed_constants(capture, structure, back);
    named.extend(leaping_counters(capture, structure, &trusted));
    for at in (0..len).filter(|&c| !has_role(structure, c) || trusted.is_silent(structure, c)) {
        let values = trusted.column(capture, at);
        let blank = values.iter().filter(|v| matches!(v, 0 | 0xFF)).count();
        if is_steady(&values, structure.sum.is_some())
            || (trusted.is_silent(structure, at) && blank * 20 >= values.len() * 19)
            || counts_evenly(&values)
            || is_companion(capture, structure, &trusted, at)
            || is_carry(capture, structure, &trusted, at)
            || trusted.goes_with_a_range(capture, structure, at)
        {
            continue;
        }
        let key: Vec<Option<i64>> = trusted.rows.iter().map(|r| Some(i64::from(capture[r.0 + at]))).collect();
        named.push((at, role_question(&format!("byte {at}"), &key, &series)));
    }
    take_named(named, &mut review);
    review.questions.extend(moves(&series, guess.unit.per_metre()));
    review
}

/// Adds what was named, the likeliest key first, and only a few.
pub(super) fn take_named(mut named: Vec<(usize, Question)>, review: &mut Review) {
    let gain = |q: &Question| if let Question::TagNumber { smoother, .. } = q { *smoother } else { -1.0 };
    named.sort_by(|a, b| gain(&b.1).total_cmp(&gain(&a.1)));
    review.key = named.first().filter(|(_, q)| matches!(q, Question::TagNumber { .. })).map(|(at, _)| *at);
    review.questions.extend(named.into_iter().take(MAX_NAMED).map(|(_, q)| q));
}

/// Frames that another follows at once: of others a byte may have been lost.
struct Trusted {
    /// Where they start.
    starts: Vec<usize>,
    /// Of those whose ranges were kept: the start, and the ranges.
    rows: Vec<(usize, Vec<Option<f64>>)>,
}

impl Trusted {
    fn new(back: &ReadBack, guess: &FrameGuess, len: usize) -> Trusted {
        let followed = |i: &usize| back.starts.get(i + 1).is_some_and(|next| *next == back.starts[*i] + len);
        let numbers: Vec<usize> = (0..back.starts.len()).filter(followed).collect();
        let late = back.starts.len() - back.late_rows.len();
        let row = |i: usize| match i {
            i if i < back.rows.len() => back.rows.get(i),
            i if i >= late => back.late_rows.get(i - late),
            _ => None,
        };
        let is_range = |n: &f64| n.is_finite() && *n > 0.0 && !guess.no_range.contains(n);
        let ranges = |row: &Row| row.iter().map(|w| w.number().filter(is_range)).collect();
        let rows = numbers.iter().filter_map(|&i| Some((back.starts[i], ranges(row(i)?)))).collect();
        Trusted { starts: numbers.iter().map(|&i| back.starts[i]).collect(), rows }
    }

    fn column(&self, capture: &[u8], at: usize) -> Vec<u8> {
        self.starts.iter().map(|s| capture[s + at]).collect()
    }

    /// Ranges of the fields that are heard.
    fn heard(&self) -> Vec<Series> {
        let fields = self.rows.first().map_or(0, |row| row.1.len());
        let series = |f: usize| self.rows.iter().map(|row| *row.1.get(f)?).collect::<Series>();
        (0..fields).map(series).filter(|s| s.iter().flatten().count() >= 8).collect()
    }

    /// Whether a byte is of a field that never has a range: then it must not vary other than between all bits
    /// off and all on, or it is something else.
    fn is_silent(&self, structure: &FrameStructure, at: usize) -> bool {
        let field = structure.array.slots.iter().position(|s| structure.word(s.at).contains(&at));
        field.is_some_and(|f| self.rows.iter().all(|row| row.1.get(f).is_none_or(Option::is_none)))
    }

    /// Whether a byte right behind (or before) a range is one value where that has no range, and never
    /// else: its upper byte, or a lively one that belongs to it.
    fn goes_with_a_range(&self, capture: &[u8], structure: &FrameStructure, at: usize) -> bool {
        let beside = |i: &usize| {
            let word = structure.word(structure.array.slots[*i].at);
            let zero = |c: usize| structure.columns[c].constant && structure.columns[c].mode == 0;
            (word.end <= at && (word.end..at).all(zero)) || at + 1 == word.start
        };
        (0..structure.array.slots.len()).filter(beside).any(|field| {
            let byte = |row: &&(usize, Vec<Option<f64>>)| capture[row.0 + at];
            let has = |row: &&(usize, Vec<Option<f64>>)| row.1.get(field).is_some_and(Option::is_some);
            let mut with: Vec<u8> = self.rows.iter().filter(has).map(|r| byte(&r)).collect();
            let out: Vec<u8> = self.rows.iter().filter(|r| !has(r)).map(|r| byte(&r)).collect();
            let Some(value) = most_common(&out) else { return false };
            let same = |bytes: &[u8]| bytes.iter().filter(|b| **b == value).count();
            let broken = out.len() - same(&out) + same(&with);
            let is_upper = most_common(&with)
                .is_some_and(|mode| with.iter().filter(|b| **b == mode).count() * 100 >= with.len() * 97);
            with.sort_unstable();
            with.dedup();
            same(&out) >= 2 && broken * 2 <= out.len() && (is_upper || with.len() >= COMPANION_VALUES)
        })
    }
}

fn most_common(bytes: &[u8]) -> Option<u8> {
    let mut sorted = bytes.to_vec();
    sorted.sort_unstable();
    sorted.chunk_by(|a, b| a == b).max_by_key(|run| run.len()).map(|run| run[0])
}

/// Whether the layout reads the byte, or insists on it.
fn has_role(structure: &FrameStructure, at: usize) -> bool {
    at < structure.preamble
        || at >= structure.trailer
        || structure.array.slots.iter().any(|s| structure.word(s.at).contains(&at))
        || structure.counters.iter().any(|(c, _)| c.columns().contains(&at))
        || structure.sum.as_ref().is_some_and(|s| (s.at..s.at + s.width()).contains(&at))
}

/// Whether a byte never changes, damage aside; behind a checksum there is none.
fn is_steady(values: &[u8], has_sum: bool) -> bool {
    let mut counts = [0_usize; 256];
    for &value in values {
        counts[usize::from(value)] += 1;
    }
    let most = counts.iter().max().copied().unwrap_or(0);
    let second = {
        let mut sorted = counts;
        sorted.sort_unstable();
        sorted[254]
    };
    if most == values.len() {
        return true;
    }
    let run_of_others = |mode: u8| {
        values.chunk_by(|a, b| a == b).filter(|r| r[0] != mode).map(<[u8]>::len).max().unwrap_or(0)
    };
    // A stray frame or two may have passed a checksum of one byte by chance.
    if has_sum {
        let mode = (0..=255_u8).max_by_key(|v| counts[usize::from(*v)]).unwrap_or_default();
        return most + 3 >= values.len() && most >= 20 && second <= 2 && run_of_others(mode) < 2;
    }
    let Some(mode) = (0..=255_u8).max_by_key(|v| counts[usize::from(*v)]) else { return true };
    let strays = values.len() - most;
    let run = run_of_others(mode);
    // Damage strikes alone, and each time otherwise.
    strays * 20 <= values.len() && run < 3 && (second < 4 || second * 2 <= strays)
}

/// Whether a byte steps by one and the same number nearly always: a counter in a damaged stream.
fn counts_evenly(values: &[u8]) -> bool {
    let mut steps = [0_usize; 256];
    for pair in values.windows(2) {
        steps[usize::from(pair[1].wrapping_sub(pair[0]))] += 1;
    }
    let most = steps[1..].iter().max().copied().unwrap_or(0);
    // Tags or groups in turn count as well, but not far.
    let mut distinct = values.to_vec();
    distinct.sort_unstable();
    distinct.dedup();
    distinct.len() >= COUNTED && most * 10 >= (values.len() - 1) * 6
}

/// Whether a byte stands beside every heard range and takes many values: a signal strength, say. Beside
/// one heard range alone the same byte of the silent ones must be still.
fn is_companion(capture: &[u8], structure: &FrameStructure, trusted: &Trusted, at: usize) -> bool {
    let heard: Vec<Range<usize>> = structure.array.heard().map(|s| structure.word(s.at)).collect();
    let (stride, words) = (structure.array.stride, structure.width());
    if structure.array.slots.len() < 2 || stride <= words {
        return false;
    }
    let lively = |c: usize| {
        let values = trusted.column(capture, c);
        let steps = values.windows(2).filter(|w| w[0] != w[1]).count();
        let mut seen = [false; 256];
        for value in &values {
            seen[usize::from(*value)] = true;
        }
        seen.iter().filter(|s| **s).count() >= COMPANION_VALUES
            && steps as f64 >= COMPANION_STEPS * values.len() as f64
    };
    // Behind each word, or before each: at one and the same distance.
    let first = heard.iter().map(|w| w.start).min().unwrap_or(0) as isize;
    let off = (at as isize - first).rem_euclid(stride as isize);
    if off < words as isize {
        return false;
    }
    let fits =
        |c: &isize| usize::try_from(*c).is_ok_and(|c| c < structure.columns.len() && !has_role(structure, c));
    let still = |places: &[isize]| {
        let others = places.iter().filter(|c| **c != at as isize && fits(c));
        others.clone().count() > 0 && others.into_iter().all(|c| structure.columns[*c as usize].constant)
    };
    [off, off - stride as isize].into_iter().any(|off| {
        let places: Vec<isize> =
            structure.array.slots.iter().map(|s| structure.word(s.at).start as isize + off).collect();
        let heard = heard.iter().map(|w| w.start as isize + off);
        places.contains(&(at as isize))
            && heard.clone().all(|c| fits(&c))
            && heard.clone().all(|c| lively(c as usize))
            && (heard.len() > 1 || still(&places))
    })
}

/// Whether a byte beside a counter is its next higher one: it steps by one exactly when that wraps.
fn is_carry(capture: &[u8], structure: &FrameStructure, trusted: &Trusted, at: usize) -> bool {
    let byte = |start: usize, c: usize| capture[start + c];
    structure.counters.iter().any(|(counter, _)| {
        let top = match () {
            () if at == counter.at + counter.width => at - 1,
            () if at + 1 == counter.at => counter.at,
            () => return false,
        };
        let mut uppers = trusted.column(capture, at);
        // Damage strikes once, and the next frame goes on as before.
        for i in 1..uppers.len().saturating_sub(1) {
            if uppers[i - 1] == uppers[i + 1] {
                uppers[i] = uppers[i - 1];
            }
        }
        let (mut kept, mut broken) = (0, 0);
        for (pair, upper) in trusted.starts.windows(2).zip(uppers.windows(2)) {
            let wraps = byte(pair[1], top) < byte(pair[0], top);
            match (wraps, upper[1].wrapping_sub(upper[0])) {
                (true, 1) => kept += 1,
                (false, 0) => {}
                _ => broken += 1,
            }
        }
        // Now and then damage hides a wrap or strikes twice.
        kept > 0 && broken * CARRY_BROKEN <= trusted.starts.len()
    })
}

/// Counters that leap and go on from there, again and again: their upper byte is another thing, such as a
/// state, that happens to stand in front.
fn leaping_counters(capture: &[u8], structure: &FrameStructure, trusted: &Trusted) -> Vec<(usize, Question)> {
    let len = structure.columns.len();
    let leaps = |counter: &Counter| {
        let value = |start: usize| {
            let bytes = &capture[start..start + len][counter.columns()];
            let add = |sum: u64, byte: &u8| sum << 8 | u64::from(*byte);
            match counter.order {
                ByteOrder::LowFirst => bytes.iter().rev().fold(0, add),
                ByteOrder::HighFirst => bytes.iter().fold(0, add),
            }
        };
        let modulus = 1_u64 << (8 * counter.width);
        let step = counter.step.unsigned_abs().max(1);
        let goes_on = |pair: &[usize]| {
            let (a, b) = (value(pair[0]), value(pair[1]));
            let ahead = if counter.step < 0 { a.wrapping_sub(b) } else { b.wrapping_sub(a) } % modulus;
            // Frames may be lost, and a clock comes late.
            ahead <= MAX_STEPS * step
        };
        let is_leap = |w: &&[usize]| goes_on(&w[..2]) && !goes_on(&w[1..3]) && goes_on(&w[2..]);
        let below = modulus >> 8;
        let telling = ((GOES_ON.0 * step) as f64) < GOES_ON.1 * below as f64;
        let only_above = |w: &[usize]| {
            let (a, b) = (value(w[1]) % below, value(w[2]) % below);
            let ahead = if counter.step < 0 { a.wrapping_sub(b) } else { b.wrapping_sub(a) } % below;
            telling && (1..=GOES_ON.0 * step).contains(&ahead)
        };
        let mut leaps = trusted.starts.windows(4).filter(is_leap).peekable();
        let first = leaps.peek().copied();
        first.is_some_and(only_above) || leaps.count() >= LEAPS
    };
    let asks = |counter: &Counter| {
        let at =
            if counter.order == ByteOrder::LowFirst { counter.at + counter.width - 1 } else { counter.at };
        let top: Vec<Option<i64>> =
            trusted.starts.iter().map(|start| Some(i64::from(capture[start + at]))).collect();
        (at, role_question(&format!("byte {at}"), &top, &[]))
    };
    let counters = structure.counters.iter().map(|(counter, _)| counter);
    counters.filter(|c| c.width > 1 && leaps(c)).map(asks).collect()
}

/// The question about a number that varies and has no role, by what its values do to the ranges.
pub(super) fn role_question(place: &str, numbers: &[Option<i64>], ranges: &[Series]) -> Question {
    let mut counts: BTreeMap<Option<i64>, usize> = BTreeMap::new();
    for number in numbers {
        *counts.entry(*number).or_default() += 1;
    }
    let distinct = counts.len();
    let mut common: Vec<(Option<i64>, usize)> = counts.into_iter().collect();
    common.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(&b.0)));
    common.truncate(KEY_VALUES);
    let mut values: Vec<i64> = Vec::new();
    let mut covered = 0;
    for (value, count) in common {
        // What comes once or twice is damage, unless nothing else is left.
        if values.len() < 2 || count * 50 > numbers.len() {
            values.extend(value);
            covered += count;
        }
    }
    values.sort_unstable();
    let place = place.to_owned();
    let is_key = covered as f64 >= KEY_COVERS * numbers.len() as f64 && values.iter().all(|v| *v >= 0);
    if !is_key {
        return Question::NoRole { place, values, distinct };
    }
    Question::TagNumber { place, values, smoother: smoother(numbers, ranges) }
}

/// How many times smoother the ranges are within one value of a key than where it changes; about 1 when
/// they do not depend on it.
fn smoother(key: &[Option<i64>], ranges: &[Series]) -> f64 {
    let mut ratios: Vec<f64> = Vec::new();
    for series in ranges {
        let mut last: BTreeMap<i64, f64> = BTreeMap::new();
        let mut before: Option<(i64, f64)> = None;
        let (mut within, mut across) = (Vec::new(), Vec::new());
        for (key, range) in key.iter().zip(series) {
            let (Some(key), Some(range)) = (key, range) else { continue };
            if let Some(last) = last.insert(*key, *range) {
                within.push((range - last).abs());
            }
            if let Some((_, last)) = before.filter(|b| b.0 != *key) {
                across.push((range - last).abs());
            }
            before = Some((*key, *range));
        }
        if within.len() >= 4 && across.len() >= 4 {
            ratios.push(quantile(across, 0.5) / quantile(within, 0.5).max(1e-6));
        }
    }
    if ratios.is_empty() { 1.0 } else { quantile(ratios, 0.5) }
}

/// What the ranges do that those of one tag among fixed anchors in one unit do not.
pub(super) fn moves(ranges: &[Series], per_metre: f64) -> Vec<Question> {
    let mut questions = Vec::new();
    if let Some(factor) = unit_change(ranges) {
        questions.push(Question::UnitChanges { factor });
    }
    let share = jump_share(ranges, per_metre);
    let allowed = if ranges.len() > 1 { JUMPS } else { JUMPS_OF_ONE };
    let shifts = shift_share(ranges, per_metre);
    if share > allowed
        || shifts > SHIFTS
        || alternate(ranges)
        || is_scattered(ranges)
        || changes_hands(ranges, per_metre)
    {
        let share = share.max(shifts);
        questions.push(Question::Jumps { share });
    }
    let stays: Vec<f64> = ranges.iter().map(stay_share).collect();
    let others_stay = quantile(stays, 0.5);
    let is_frozen = |s: &Series| stay_share(s) > STAYS.0 && others_stay < STAYS.1;
    let is_other = |s: &Series| has_few_values(s) && (is_scattered(std::slice::from_ref(s)) || is_frozen(s));
    let others = ranges.iter().filter(|s| is_other(s)).count();
    if ranges.iter().any(only_rises) || (others > 0 && others < ranges.len()) {
        questions.push(Question::WhichNumbers);
    }
    questions
}

fn steps(series: &Series, lag: usize) -> Vec<f64> {
    let later = series.iter().skip(lag);
    series.iter().zip(later).filter_map(|(a, b)| Some((b.as_ref()? - a.as_ref()?).abs())).collect()
}

/// Share of the frames at which more than half of the ranges jump.
fn jump_share(ranges: &[Series], per_metre: f64) -> f64 {
    let limit = |s: &Series| (JUMP.0 * quantile(steps(s, 1), 0.25)).max(JUMP.1 * per_metre);
    let limits: Vec<f64> = ranges.iter().map(limit).collect();
    let frames = ranges.first().map_or(0, Vec::len);
    let (mut compared, mut jumps) = (0_usize, 0_usize);
    for n in 1..frames {
        let (mut both, mut far) = (0, 0);
        for (series, limit) in ranges.iter().zip(&limits) {
            let (Some(a), Some(b)) = (series[n - 1], series[n]) else { continue };
            both += 1;
            far += usize::from((b - a).abs() > *limit);
        }
        compared += usize::from(both > 0);
        jumps += usize::from(both > 0 && far * 2 > both);
    }
    jumps as f64 / compared.max(1) as f64
}

/// Share of the frames at which any range leaps to another level and stays there: it is another anchor's, or
/// another tag's, from there on.
fn shift_share(ranges: &[Series], per_metre: f64) -> f64 {
    let frames = ranges.first().map_or(0, Vec::len);
    let mut shifts = vec![false; frames];
    for series in ranges {
        let limit = (JUMP.0 * quantile(steps(series, 1), 0.25)).max(SHIFT_M * per_metre);
        for (n, w) in series.windows(4).enumerate() {
            let [Some(a), Some(b), Some(c), Some(d)] = w else { continue };
            shifts[n + 2] |=
                (c - b).abs() > limit && (b - a).abs() < 0.5 * limit && (d - c).abs() < 0.5 * limit;
        }
    }
    let count = shifts.iter().filter(|s| **s).count();
    if count < 3 { 0.0 } else { count as f64 / frames as f64 }
}

/// Whether a range leaps once, by metres, and stays on its new level for long: from there on it is another anchor's.
fn changes_hands(ranges: &[Series], per_metre: f64) -> bool {
    let level = |s: &[Option<f64>]| {
        let present: Vec<f64> = s.iter().flatten().copied().collect();
        // One or two may be late or hurt.
        let spread = quantile(present.clone(), 0.8) - quantile(present.clone(), 0.2);
        (present.len() * 4 >= s.len() * 3).then(|| (quantile(present, 0.5), spread))
    };
    let leaps = |s: &Series| {
        // In between one frame may be late.
        (HANDS_STAY..s.len().saturating_sub(HANDS_STAY)).any(|n| {
            let (before, after) = (level(&s[n - HANDS_STAY..n]), level(&s[n + 1..=n + HANDS_STAY]));
            before.zip(after).is_some_and(|(a, b)| {
                let leap = (b.0 - a.0).abs();
                leap > HANDS_M * per_metre && a.1.max(b.1) * HANDS_STEADY < leap
            })
        })
    };
    ranges.iter().any(leaps)
}

/// Whether frames a few apart are more alike than neighbours, in most of the fields.
fn alternate(ranges: &[Series]) -> bool {
    let is = |s: &&Series| {
        let near = quantile(steps(s, 1), 0.5);
        (2..=4).any(|lag| near > SMOOTHER * quantile(steps(s, lag), 0.5).max(1e-6))
    };
    ranges.iter().filter(is).count() * 2 > ranges.len()
}

/// Whether neighbouring frames are hardly more alike than frames far apart, in most of the fields: two or
/// more tags by chance, too seldom heard for a jump to stand out. The median alone would blame a tag
/// that mostly stands, the upper end alone late ranges.
fn is_scattered(ranges: &[Series]) -> bool {
    let is = |s: &&Series| {
        let far = (1..=3).flat_map(|quarter| steps(s, s.len() * quarter / 4)).collect::<Vec<_>>();
        let near = steps(s, 1);
        let share = |q: f64| quantile(near.clone(), q) / quantile(far.clone(), q).max(1e-6);
        let upper_end = share(0.9) > if ranges.len() <= FEW_FIELDS { SCATTERED_UPPER } else { f64::INFINITY };
        let both_ends = share(0.5) > SCATTERED && share(0.9) > SCATTERED;
        near.len() >= 12 && far.len() >= 12 && (both_ends || upper_end)
    };
    ranges.iter().filter(is).count() * 2 > ranges.len()
}

/// The factor by which all ranges change from one frame to the next, if they ever do.
fn unit_change(ranges: &[Series]) -> Option<f64> {
    let frames = ranges.first().map_or(0, Vec::len);
    let level = |s: &[Option<f64>]| {
        let present: Vec<f64> = s.iter().flatten().copied().collect();
        (present.len() * 2 > s.len()).then(|| quantile(present, 0.5))
    };
    // One range alone may come near its anchor in a few frames.
    let least = if ranges.len() > 1 { FACTOR } else { 1.9 * FACTOR };
    (BESIDE..frames.saturating_sub(BESIDE)).find_map(|n| {
        let ratios = |frames: usize| -> Vec<f64> {
            let ratio = |s: &Series| Some(level(&s[n..n + frames])? / level(&s[n - frames..n])?);
            ranges.iter().filter_map(ratio).collect()
        };
        let one_factor = |ratios: &[f64]| {
            let factor = quantile(ratios.to_vec(), 0.5);
            ratios.iter().all(|r| (0.5..2.0).contains(&(r / factor)))
        };
        // In a slow stream the tag walks on meanwhile, so that only the nearest frames show one factor.
        let (ratios, nearest) = (ratios(BESIDE), ratios(NEAREST));
        let all = |is: &dyn Fn(f64) -> bool| !ratios.is_empty() && ratios.iter().all(|r| is(*r));
        let changed = all(&|r| r > least) || all(&|r| r < 1.0 / least);
        let factor = quantile(ratios.clone(), 0.5);
        let is_one = one_factor(&ratios) || (nearest.len() == ratios.len() && one_factor(&nearest));
        // More than that is damage.
        let sensible = (1.0 / MAX_FACTOR..MAX_FACTOR).contains(&factor);
        (changed && is_one && sensible && ratios.len() * 2 > ranges.len()).then_some(factor)
    })
}

/// Whether a number takes so few values, damage aside, that it is rather a state or a temperature than a range.
fn has_few_values(series: &Series) -> bool {
    let mut bits: Vec<u64> = series.iter().flatten().map(|n| n.to_bits()).collect();
    bits.sort_unstable();
    let mut counts: Vec<usize> = bits.chunk_by(|a, b| a == b).map(<[u64]>::len).collect();
    counts.sort_unstable_by_key(|count| std::cmp::Reverse(*count));
    let by_few: usize = counts.iter().take(FEW_VALUES).sum();
    bits.len() >= 4 * FEW_VALUES && by_few as f64 >= FEW_COVER * bits.len() as f64
}

/// Share of the frames in which a number is the same as in the frame before.
fn stay_share(series: &Series) -> f64 {
    let present: Vec<f64> = series.iter().flatten().copied().collect();
    let stays = present.windows(2).filter(|w| w[0].to_bits() == w[1].to_bits()).count();
    stays as f64 / present.len().saturating_sub(1).max(1) as f64
}

/// How many different numbers a field takes.
fn distinct(field: &Series) -> usize {
    let mut bits: Vec<u64> = field.iter().flatten().map(|n| n.to_bits()).collect();
    bits.sort_unstable();
    bits.dedup();
    bits.len()
}

/// Whether a number only ever rises (or falls): it counts something.
fn only_rises(series: &Series) -> bool {
    let heard: Vec<f64> = series.iter().flatten().copied().collect();
    // In a short capture a range may rise throughout as well, but not in like steps.
    if one_way(&heard) {
        return heard.len() > LONG_WAY || has_like_steps(&heard);
    }
    // A hurt number goes back on its way again at once.
    let middle = |w: &[f64]| w[0].max(w[1]).min(w[0].min(w[1]).max(w[2]));
    let smooth: Vec<f64> = heard.windows(3).map(middle).collect();
    smooth.len() > LONG_WAY && one_way(&smooth) && steps_by_one_size(&smooth)
}

/// Whether nearly all steps go the same way.
fn one_way(numbers: &[f64]) -> bool {
    let up = numbers.windows(2).filter(|w| w[1] > w[0]).count();
    let down = numbers.windows(2).filter(|w| w[1] < w[0]).count();
    up + down >= 12 && up.max(down) as f64 >= 0.95 * (up + down) as f64
}

/// Whether a quarter of the steps and more are of the very same size, the others being over lost frames.
fn steps_by_one_size(numbers: &[f64]) -> bool {
    let sizes: Vec<f64> = numbers.windows(2).map(|w| (w[1] - w[0]).abs()).filter(|s| *s > 0.0).collect();
    quantile(sizes.clone(), 0.25) == quantile(sizes, 0.5)
}

/// Whether most steps are about as large, as those of a clock are.
fn has_like_steps(present: &[f64]) -> bool {
    let sizes: Vec<f64> = present.windows(2).map(|w| (w[1] - w[0]).abs()).collect();
    let [low, middle, high] = [0.25, 0.5, 0.75].map(|q| quantile(sizes.clone(), q));
    high - low <= 0.5 * middle
}

/// Bytes between frames that are no damage: many in all, a long piece, or the same beginning again and
/// again.
fn unread_frames(capture: &[u8], structure: &FrameStructure, back: &ReadBack) -> Option<Question> {
    let len = structure.columns.len();
    let half = capture.len() / 2;
    let mut other: Vec<Range<usize>> = Vec::new();
    for piece in &back.unread {
        // A frame may be cut at either end of the capture.
        let is_end = piece.start == 0 || piece.end == capture.len();
        if !((is_end && piece.len() < len) || is_damage(&capture[piece.clone()], structure)) {
            other.push(piece.clone());
        }
    }
    let share = other.iter().map(Range::len).sum::<usize>() as f64 / capture.len().max(1) as f64;
    let mut begins: BTreeMap<&[u8], (usize, Range<usize>)> = BTreeMap::new();
    for piece in other.iter().filter(|p| p.len() >= 2 && !is_own(&capture[p.start..p.start + 2], structure)) {
        begins.entry(&capture[piece.start..piece.start + 2]).or_insert((0, piece.clone())).0 += 1;
    }
    let usual = begins.values().max_by_key(|(n, _)| *n).cloned();
    let is_again = |(n, _): &(usize, Range<usize>)| *n >= 3 && n * 3 >= other.len();
    let again = usual.filter(is_again).map(|(_, piece)| piece).or_else(|| twins(capture, &other, structure));
    let again = again.filter(|_| share > OTHER_SHARE);
    let foreign = foreign_pieces(capture, back, len);
    let again = again.or_else(|| foreign.first().cloned());
    let long = longest_no_damage(capture, back, len);
    other.extend(foreign);
    other.extend(long.clone());
    other.sort_by_key(|piece| piece.start);
    other.dedup();
    let many = other.first().filter(|_| share > MUCH_UNREAD).cloned();
    let sample = again.or(long).or(many)?;
    let of = |second: bool| {
        let in_half = other.iter().filter(|p| (p.start >= half) == second);
        in_half.map(Range::len).sum::<usize>() as f64 / half.max(1) as f64
    };
    let sample: Vec<String> = capture[sample].iter().take(8).map(|b| format!("{b:02x}")).collect();
    Some(Question::OtherFrames { halves: [of(false).min(1.0), of(true).min(1.0)], sample: sample.join(" ") })
}

/// The longest unread piece, if it is of more frames than damage leaves unread in a row.
fn longest_no_damage(capture: &[u8], back: &ReadBack, len: usize) -> Option<Range<usize>> {
    let piece = back.unread.iter().max_by_key(|p| p.len())?;
    let frames = capture.len() as f64 / len as f64;
    let hurt = back.unread.iter().map(Range::len).sum::<usize>() as f64 / capture.len().max(1) as f64;
    let by_chance = (frames / BY_CHANCE).ln() / (1.0 / hurt.min(0.99)).ln();
    (piece.len() as f64 >= by_chance.max(LONG as f64) * len as f64).then(|| piece.clone())
}

/// Two pieces that begin with the same bytes, which no frame has: damage strikes otherwise each time.
fn twins(capture: &[u8], pieces: &[Range<usize>], structure: &FrameStructure) -> Option<Range<usize>> {
    let own = |piece: &Range<usize>| {
        (0..GROUP - 1).any(|i| is_own(&capture[piece.start + i..piece.start + i + 2], structure))
    };
    let long: Vec<&Range<usize>> = pieces.iter().filter(|p| p.len() >= UNUSUAL && !own(p)).collect();
    let begins = |piece: &Range<usize>| &capture[piece.start..piece.start + GROUP];
    let is_twin =
        |piece: &&&Range<usize>| long.iter().filter(|other| begins(other) == begins(piece)).count() >= 2;
    long.iter().find(is_twin).map(|piece| (*piece).clone())
}

/// Pieces with bytes of another kind of frame: groups of three bytes that come again and again in what is not
/// read and never in frames. Damage hits one place in one way as well, but then a few bytes alone are unusual.
fn foreign_pieces(capture: &[u8], back: &ReadBack, len: usize) -> Vec<Range<usize>> {
    let places = |from: Range<usize>| from.start..(from.end + 1).saturating_sub(GROUP);
    let mut seen: BTreeMap<&[u8], (usize, usize)> = BTreeMap::new();
    for at in back.unread.iter().flat_map(|piece| places(piece.clone())) {
        seen.entry(&capture[at..at + GROUP]).or_default().0 += 1;
    }
    // Where absent anchors give one byte over and over, one hit looks the same in many places.
    let is_telling = |group: &[u8]| group[0] != group[1] && group[1] != group[2] && group[0] != group[2];
    seen.retain(|group, count| count.0 >= SAME_BYTES.0 && is_telling(group));
    for start in &back.starts {
        // Two frames in a row have groups across their border as well.
        let follows = back.starts.binary_search(&(start + len)).is_ok();
        let end = if follows { start + len + GROUP - 1 } else { start + len };
        for at in places(*start..end.min(capture.len())) {
            if let Some(count) = seen.get_mut(&capture[at..at + GROUP]) {
                count.1 += 1;
            }
        }
    }
    seen.retain(|_, (unread, read)| *read * 10 <= *unread);
    let is_foreign = |piece: &&Range<usize>| {
        let mut found = places((*piece).clone()).filter(|at| seen.contains_key(&capture[*at..at + GROUP]));
        found
            .next()
            .is_some_and(|first| found.next_back().is_some_and(|last| last + GROUP - first >= UNUSUAL))
    };
    let foreign: Vec<Range<usize>> = back.unread.iter().filter(is_foreign).cloned().collect();
    let least = SAME_BYTES.0.max((SAME_BYTES.1 * back.unread.len() as f64).ceil() as usize);
    if foreign.len() < least { Vec::new() } else { foreign }
}

/// Bytes that the layout insists on, and that are one and the same other value in many of the frames that
/// it does not read.
fn changed_constants(capture: &[u8], structure: &FrameStructure, back: &ReadBack) -> Vec<(usize, Question)> {
    let len = structure.columns.len();
    // A piece begins or ends where frames do.
    let forward = |p: &Range<usize>| (p.start..(p.end + 1).saturating_sub(len)).step_by(len);
    let backward = |p: &Range<usize>| (p.start + p.len() % len..(p.end + 1).saturating_sub(len)).step_by(len);
    let mut starts: Vec<usize> =
        back.unread.iter().flat_map(forward).chain(back.unread.iter().flat_map(backward)).collect();
    starts.sort_unstable();
    starts.dedup();
    // Where a byte was lost its neighbour stands.
    let is_neighbour = |at: usize, byte: u8| {
        [at + 1, at + len - 1].iter().any(|c| {
            let column = &structure.columns[c % len];
            column.constant && column.mode == byte
        })
    };
    let insists = |c: &usize| *c < structure.preamble || *c >= structure.trailer;
    let differs = |start: usize, at: usize| capture[start + at] != structure.columns[at].mode;
    let changed = |at: usize| {
        let alone = |s: &&usize| (0..len).filter(insists).all(|c| differs(**s, c) == (c == at));
        let others: Vec<u8> = starts.iter().filter(alone).map(|s| capture[s + at]).collect();
        let twins = starts.windows(2).filter(|w| {
            let same = capture[w[0] + at] == capture[w[1] + at];
            w[1] == w[0] + len && same && w.iter().all(|s| alone(&s))
        });
        // Damage strikes now and then; another value stays, or comes again and again.
        let run = others.chunk_by(|a, b| a == b).max_by_key(|run| run.len())?;
        let least = if is_neighbour(at, run[0]) { 12.max(back.starts.len() / 10) } else { 4 };
        let stays = run.len() >= least && (run.len() * 2 > others.len() || run.len() >= 12);
        (stays || (least == 4 && twins.count() >= 3)).then(|| {
            let (is, was) = (i64::from(run[0]), i64::from(structure.columns[at].mode));
            let values = vec![is.min(was), is.max(was)];
            (at, Question::NoRole { place: format!("byte {at}"), values, distinct: 2 })
        })
    };
    (0..len).filter(insists).filter_map(changed).collect()
}

/// Whether two bytes are neighbours among the constants of the frame.
fn is_own(pair: &[u8], structure: &FrameStructure) -> bool {
    let len = structure.columns.len();
    let is =
        |c: usize, byte: u8| structure.columns[c % len].constant && structure.columns[c % len].mode == byte;
    (0..len).any(|c| is(c, pair[0]) && is(c + 1, pair[1]))
}

/// Whether a piece looks like frames with bytes lost or hurt: most constants stand where they should, for
/// some cut near where one is expected.
fn is_damage(piece: &[u8], structure: &FrameStructure) -> bool {
    let len = structure.columns.len();
    let telling = |c: &columns::Column| c.constant && c.mode != 0 && c.mode != 0xFF;
    let some_tell = structure.columns.iter().any(telling);
    let counts = |c: &columns::Column| if some_tell { telling(c) } else { c.constant };
    // Long pieces are several frames, each of them cut anew.
    piece.chunks(len).filter(|chunk| chunk.len() * 2 > len || piece.len() < len).all(|chunk| {
        (0..len).any(|phase| {
            let at = |i: usize| &structure.columns[(i + phase) % len];
            let compared = (0..chunk.len()).filter(|&i| counts(at(i))).count();
            let fits = (0..chunk.len()).filter(|&i| counts(at(i)) && at(i).mode == chunk[i]).count();
            compared > 0
                && fits * 2 >= compared
                && fits * 3 >= structure.columns.iter().filter(|c| counts(c)).count()
        })
    })
}

/// A field of lines with what it is called, and what it may be.
pub(super) struct Column<'a> {
    /// Its place among the fields.
    pub(super) at: usize,
    pub(super) name: String,
    pub(super) field: &'a Series,
    pub(super) kind: Kind,
}

/// Reviews a reading of lines: `columns` are those that are no ranges, `ranges` those of the heard fields,
/// with their places.
pub(super) fn lines(columns: &[Column<'_>], ranges: &[Series], members: &[usize], per_metre: f64) -> Review {
    let mut review = Review::default();
    let mut named = Vec::new();
    for column in columns {
        let is_shown = matches!(column.kind, Kind::Counter(_))
            || is_still(column.field)
            || rises(column.field)
            || is_beside(column.at, columns, members);
        if is_shown {
            continue;
        }
        let whole = |n: &f64| n.fract() == 0.0 && n.abs() < 1e15;
        let key: Vec<Option<i64>> = column.field.iter().map(|n| n.filter(whole).map(|n| n as i64)).collect();
        let is_whole = column.field.iter().flatten().all(whole);
        let question = role_question(&column.name, &key, ranges);
        let question = match question {
            Question::TagNumber { .. } | Question::NoRole { .. } if is_whole => question,
            _ => {
                let distinct = distinct(column.field);
                Question::NoRole { place: column.name.clone(), values: Vec::new(), distinct }
            }
        };
        named.push((column.at, question));
    }
    take_named(named, &mut review);
    review.questions.extend(moves(ranges, per_metre));
    review
}

/// Whether a field is one number, or empty, in every line, damage aside.
pub(super) fn is_still(field: &Series) -> bool {
    let bits: Vec<u64> = field.iter().map(|n| n.map_or(u64::MAX, f64::to_bits)).collect();
    is_still_by(&bits)
}

/// The same for anything that can be put in order.
pub(super) fn is_still_by<T: Ord + Clone>(values: &[T]) -> bool {
    let mut sorted = values.to_vec();
    sorted.sort();
    let mut counts: Vec<(usize, &T)> = sorted.chunk_by(|a, b| a == b).map(|r| (r.len(), &r[0])).collect();
    counts.sort_by_key(|count| std::cmp::Reverse(count.0));
    let Some((most, mode)) = counts.first().copied() else { return true };
    let strays = values.len() - most;
    let second = counts.get(1).map_or(0, |c| c.0);
    let run = values.chunk_by(|a, b| a == b).filter(|r| &r[0] != mode).map(<[T]>::len).max().unwrap_or(0);
    strays * 20 <= values.len() && run < 3 && (second < 4 || second * 2 <= strays)
}

/// Whether a number only rises, as a time does.
fn rises(field: &Series) -> bool {
    let present: Vec<f64> = field.iter().flatten().copied().collect();
    let falls = present.windows(2).filter(|w| w[1] < w[0]).count();
    let steps = present.windows(2).filter(|w| w[1] > w[0]).count();
    present.len() * 20 >= field.len() * 19 && steps * 2 >= present.len() && falls * 50 <= present.len()
}

/// Whether a column stands at one distance beside every range, and all of its kind take many values.
fn is_beside(at: usize, columns: &[Column<'_>], members: &[usize]) -> bool {
    let [first, second, ..] = members else { return false };
    let stride = second - first;
    if stride < 2 || !members.windows(2).all(|w| w[1] - w[0] == stride) {
        return false;
    }
    let lively = |at: usize| {
        columns.iter().find(|c| c.at == at).is_some_and(|column| distinct(column.field) >= COMPANION_VALUES)
    };
    let behind = at.checked_sub(*first).map(|off| off % stride).filter(|off| *off > 0);
    let in_turn = |off: usize, before: bool| {
        let beside = |m: &usize| if before { m.checked_sub(stride - off) } else { Some(m + off) };
        let places: Vec<Option<usize>> = members.iter().map(beside).collect();
        places.contains(&Some(at)) && places.iter().all(|p| p.is_some_and(lively))
    };
    match behind {
        Some(off) => in_turn(off, false) || in_turn(off, true),
        None => at < *first && first - at < stride && in_turn(stride - (first - at), true),
    }
}

/// The lines that a layout does not read.
pub(super) struct Unread<'a> {
    /// Each with about where in the capture it stands (0 to 1).
    pub(super) lines: &'a [(Vec<u8>, f64)],
    /// Lines that are read, and their usual length.
    pub(super) read: u64,
    pub(super) usual_len: usize,
    /// The kind of a line: the literals around its numbers.
    pub(super) kind: &'a dyn Fn(&[u8]) -> Vec<Vec<u8>>,
    /// Whether a line is one of those that are read but for a few bytes.
    pub(super) is_damage: &'a dyn Fn(&[u8]) -> bool,
}

impl Unread<'_> {
    /// What of them is no damage: one kind again and again, a line unlike those that are read, or too many;
    /// `usual` is the kind of the lines that are read.
    pub(super) fn question(&self, usual: Option<&[Vec<u8>]>) -> Option<Question> {
        let unread = self.lines;
        let total = self.read as f64 + unread.len() as f64;
        let mut kinds: BTreeMap<Vec<Vec<u8>>, (usize, usize)> = BTreeMap::new();
        for (index, (line, _)) in unread.iter().enumerate() {
            kinds.entry((self.kind)(line)).or_insert((0, index)).0 += 1;
        }
        let most = kinds.iter().max_by_key(|(_, seen)| seen.0)?;
        let (count, index) = *most.1;
        let share = unread.len() as f64 / total;
        let again =
            count >= 3 && (count * 3 >= unread.len() && share > OTHER_SHARE || count as f64 > OFTEN * total);
        let elements = |literals: &[Vec<u8>]| literals.len() - 1;
        let left_out = |usual: &[Vec<u8>], literals: &[Vec<u8>], count: usize| {
            let (a, b) = (elements(usual), elements(literals));
            let (short, lines) = (if a < b { total as usize - count } else { count }, total as usize);
            Question::LeftOut { place: "a line".to_owned(), seen: (a.min(b), a.max(b)), short, lines }
        };
        if let Some(usual) = usual.filter(|u| u.first() == most.0.first() && again) {
            return Some(left_out(usual, most.0, count));
        }
        // A hurt byte may part a number in two, but makes no line longer.
        let more = |least: usize| {
            let usual = usual?;
            let (literals, seen) = kinds.iter().find(|(literals, seen)| {
                let is_more = usual.first() == literals.first() && elements(usual) < elements(literals);
                is_more && seen.0 >= least && {
                    let of_kind =
                        unread.iter().map(|(line, _)| line).filter(|line| (self.kind)(line) == **literals);
                    let mut lengths: Vec<usize> = of_kind.map(Vec::len).collect();
                    lengths.sort_unstable();
                    lengths[lengths.len() / 2] >= self.usual_len + 2
                }
            })?;
            Some(left_out(usual, literals, seen.0))
        };
        if let Some(question) = more(MORE_LINES) {
            return Some(question);
        }
        let strange: Vec<usize> = (0..unread.len()).filter(|&i| !(self.is_damage)(&unread[i].0)).collect();
        let is_strange = strange.len() as f64 > STRANGE * unread.len() as f64;
        let sample = match strange.first() {
            _ if again || share > MAX_HURT => index,
            Some(first) if is_strange => *first,
            // Nothing else speaks against it, so that a single such line counts.
            _ => return more(1),
        };
        Some(self.other_frames(sample, total))
    }

    fn other_frames(&self, sample: usize, total: f64) -> Question {
        let of = |second: bool| {
            let count = self.lines.iter().filter(|(_, at)| (*at >= 0.5) == second).count();
            (count as f64 / (0.5 * total)).min(1.0)
        };
        let text = String::from_utf8_lossy(&self.lines[sample].0);
        let sample: String = text.chars().filter(|c| !c.is_control()).take(24).collect();
        Question::OtherFrames { halves: [of(false), of(true)], sample: format!("\"{sample}\"") }
    }
}

/// The quantile of numbers in any order; 0 of nothing.
fn quantile(mut numbers: Vec<f64>, share: f64) -> f64 {
    numbers.sort_by(f64::total_cmp);
    let last = numbers.len().saturating_sub(1);
    numbers.get((share * last as f64).round() as usize).copied().unwrap_or_default()
}
