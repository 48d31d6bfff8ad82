//! Range words at even spacing: one for each anchor, silent ones among them.
//!
//! Every type, first column, spacing and count is scored by the bits that its words save, with a
//! bonus for each word that moves at the pace of the others and a small cost for silent ones. A
//! rival that explains other columns nearly as well leaves the matter open.

use super::fold::Fold;
use super::words::{Base, Evidence, Words};

/// The widest spacing of range words.
const WIDEST_STRIDE: usize = 14;
/// The most range words: one for each anchor of a kit.
const MAX_SLOTS: usize = 8;
/// Bits that a word which moves at the pace of the others is worth by itself.
const LIKE_PACE: f64 = 6.0;
/// How far apart two paces may be.
const PACE_FACTOR: f64 = 6.0;
/// A word may lose this many bits, and so much more for each value, and still be a range without a
/// carry: damaged and late values cost a little.
const LOSS_ALLOWED: f64 = 10.0;
const LOSS_PER_VALUE: f64 = 0.1;
/// Cost of a silent word between others.
const SILENT_COST: f64 = 0.5;
/// Cost of a word whose upper byte is always zero: it may be a byte of another kind beside a zero.
const ZERO_COST: f64 = 2.0;
/// Bits that a word with another fixed upper byte is worth.
const FIXED_PACE: f64 = 3.0;
/// Bits below which a reading is not proven.
pub(in crate::learn) const PROVEN: f64 = 12.0;

/// One word of an array.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::learn) struct Slot {
    pub(in crate::learn) at: usize,
    pub(in crate::learn) heard: bool,
    /// Its upper byte, when that never moves.
    fixed: Option<u32>,
    bits: f64,
}

impl Slot {
    fn silent(at: usize) -> Slot {
        Slot { at, heard: false, fixed: None, bits: 0.0 }
    }

    /// What the word is worth by itself, when it moves at the pace of the others.
    fn worth(&self) -> f64 {
        match (self.heard, self.fixed) {
            (true, None) => self.bits + LIKE_PACE,
            (true, Some(0)) => self.bits - ZERO_COST,
            (true, Some(_)) => self.bits + FIXED_PACE,
            (false, _) => -SILENT_COST,
        }
    }
}

/// Words of one type at even spacing.
#[derive(Clone, Debug, PartialEq)]
pub(in crate::learn) struct Array {
    pub(in crate::learn) base: Base,
    pub(in crate::learn) stride: usize,
    pub(in crate::learn) slots: Vec<Slot>,
    /// Bits saved by all words.
    pub(in crate::learn) bits: f64,
    /// Usual change from frame to frame, in units.
    pub(in crate::learn) pace: f64,
    score: f64,
}

impl Array {
    pub(in crate::learn) fn heard(&self) -> impl Iterator<Item = &Slot> {
        self.slots.iter().filter(|s| s.heard)
    }

    /// Whether `column` belongs to a word.
    pub(in crate::learn) fn covers(&self, column: usize) -> bool {
        self.slots.iter().any(|s| (s.at..s.at + self.base.width()).contains(&column))
    }

    /// First bytes between the words that move beside every heard word: a signal strength, say.
    fn companions(&self, len: usize, lively: impl Fn(usize) -> bool) -> Vec<usize> {
        if self.heard().count() < 2 {
            return Vec::new();
        }
        let beside = (self.base.width()..self.stride)
            .filter(|d| self.heard().all(|s| s.at + d < len && lively(s.at + d)));
        beside.flat_map(|d| self.slots.iter().map(move |s| s.at + d)).collect()
    }

    /// Whether it reads the same words and more of them, with upper bytes that never move; bytes that
    /// go with every word are no such words.
    fn extends(&self, other: &Array, companions: &[usize]) -> bool {
        let has = |array: &Array, at: usize| array.heard().any(|s| s.at == at);
        let more: Vec<&Slot> = self.heard().filter(|s| !has(other, s.at)).collect();
        let explained =
            |s: &&Slot| s.fixed.is_none() || companions.contains(&s.at) || companions.contains(&(s.at + 1));
        self.base == other.base
            && is_like(self.pace, other.pace)
            && other.heard().all(|s| has(self, s.at))
            && !more.is_empty()
            && !more.iter().any(explained)
    }

    fn overlaps(&self, other: &Array) -> bool {
        other.heard().any(|s| (s.at..s.at + other.base.width()).any(|c| self.covers(c)))
    }

    /// Value of the heard words that `other` does not read in the same way.
    fn beyond(&self, other: &Array) -> f64 {
        let same = |s: &Slot| self.base == other.base && other.heard().any(|o| o.at == s.at);
        self.heard().filter(|s| !same(s)).map(Slot::worth).sum()
    }
}

/// What was found: the best array, and what stands against it.
#[derive(Clone, Debug)]
pub(in crate::learn) struct Found {
    pub(in crate::learn) best: Array,
    /// Arrays that read some of the same columns otherwise, nearly as well.
    pub(in crate::learn) rivals: Vec<Array>,
    /// Arrays of like pace beside the best.
    pub(in crate::learn) left_out: Vec<Array>,
    /// For each column: whether a word of the best array's type there never says anything.
    pub(in crate::learn) silent: Vec<bool>,
}

/// Finds the ranges among the columns that are not `taken`; the first `preamble` columns may be a preamble.
pub(in crate::learn) fn arrays(fold: &Fold<'_>, taken: &[bool], preamble: usize) -> Option<Found> {
    let words = Words::new(fold);
    let mut all = Vec::new();
    let evidence_at = |base: Base, at: usize| {
        let columns = at..at + base.width();
        if columns.end > fold.len {
            return Evidence::Nothing;
        }
        let free = columns.into_iter().all(|c| !taken[c]);
        match words.evidence(base, at) {
            _ if !free => Evidence::Nothing,
            // Constants of the preamble can be an upper byte, and are no absent anchor.
            Evidence::Silent { .. } if at < preamble => Evidence::Nothing,
            evidence => evidence,
        }
    };
    // Half of a sensible float is no better a number than the whole, on the same frames.
    let halves = |base: Base, at: usize, evidence: Evidence| {
        let Evidence::Heard { bits, change, values, fixed } = evidence else { return evidence };
        let whole = if base == Base::U16Le { Base::F32Le } else { Base::F32Be };
        let starts = if base.is_float() { 0..0 } else { at.saturating_sub(2)..(at + 1).min(fold.len) };
        let capped = starts.filter_map(|start| match evidence_at(whole, start) {
            Evidence::Heard { bits, values, .. } if bits >= -loss_allowed(whole, values) => Some(bits),
            _ => None,
        });
        Evidence::Heard { bits: capped.fold(bits, f64::min), change, values, fixed }
    };
    for base in Base::ALL {
        let evidence: Vec<Evidence> =
            (0..fold.len).map(|at| halves(base, at, evidence_at(base, at))).collect();
        for stride in base.width()..=WIDEST_STRIDE {
            for at in 0..fold.len {
                all.extend(array(base, stride, at, &evidence));
            }
        }
    }
    drop_parts_of_floats(&mut all);
    all.sort_by(|a, b| b.score.total_cmp(&a.score));
    let mut all = all.into_iter();
    let best = all.next()?;
    let lively = |c: usize| {
        let mut column: Vec<u8> = fold.column(c).collect();
        column.sort_unstable();
        column.dedup();
        column.len() >= 4
    };
    let companions: Vec<usize> = best.companions(fold.len, lively);
    let found_base = best.base;
    let is_silent = |at: usize| matches!(evidence_at(best.base, at), Evidence::Silent { .. });
    let silent = (0..fold.len).map(is_silent).collect();
    let mut found = Found { best, rivals: Vec::new(), left_out: Vec::new(), silent };
    for other in all {
        sort_in(other, &companions, &mut found);
    }
    add_forgotten(&companions, |at| evidence_at(found_base, at), fold.len, &mut found);
    Some(found)
}

/// The best array that begins with a heard word at `at`, and the longest one.
fn array(base: Base, stride: usize, at: usize, evidence: &[Evidence]) -> Vec<Array> {
    let mut slots = Vec::new();
    let (mut best, mut last): (Option<Array>, Option<Array>) = (None, None);
    let mut paces: Vec<f64> = Vec::new();
    let places = (at..evidence.len()).step_by(stride).take(MAX_SLOTS);
    for at in places {
        match evidence[at] {
            Evidence::Heard { bits, change, values, fixed } if bits >= -loss_allowed(base, values) => {
                paces.push(change);
                slots.push(Slot { at, heard: true, fixed, bits: bits.max(0.0) });
            }
            Evidence::Silent { .. } if !slots.is_empty() => slots.push(Slot::silent(at)),
            _ => break,
        }
        if !slots.last().is_some_and(|s| s.heard) || has_stray_upper(&slots) {
            continue;
        }
        let array = scored(base, stride, &slots, &paces);
        if best.as_ref().is_none_or(|b| array.score > b.score) {
            best = Some(array.clone());
        }
        last = Some(array);
    }
    let longer = last.filter(|l| best.as_ref().is_some_and(|b| b.slots.len() < l.slots.len()));
    best.into_iter().chain(longer).collect()
}

/// Bits that a word of `values` values may lose and still be a range: more for floats, whose coarse
/// upper halves are coded badly, and whose sizes are a proof of their own.
fn loss_allowed(base: Base, values: usize) -> f64 {
    LOSS_ALLOWED + if base.is_float() { 4.0 } else { 1.0 } * LOSS_PER_VALUE * values as f64
}

/// Whether a word's fixed upper byte is far above what the moving ones are likely to reach.
fn has_stray_upper(slots: &[Slot]) -> bool {
    let fixed: Vec<u32> = slots.iter().filter_map(|s| s.fixed).collect();
    let (least, most) = (fixed.iter().min(), fixed.iter().max());
    // Twice the least, and a few metres in centimetres.
    least.zip(most).is_some_and(|(least, most)| *most > 2 * least + 8) || most.is_some_and(|m| *m >= 0x80)
}

fn scored(base: Base, stride: usize, slots: &[Slot], paces: &[f64]) -> Array {
    let mut sorted = paces.to_vec();
    sorted.sort_by(f64::total_cmp);
    let pace = sorted[sorted.len() / 2];
    let bits: f64 = slots.iter().map(|s| s.bits).sum();
    let unlike = paces.iter().filter(|p| !is_like(**p, pace)).count() as f64;
    let score = slots.iter().map(Slot::worth).sum::<f64>() - 2.0 * LIKE_PACE * unlike;
    Array { base, stride, slots: slots.to_vec(), bits, pace, score }
}

/// Whether two usual changes are of the same size.
fn is_like(a: f64, b: f64) -> bool {
    let (a, b) = (a.max(0.5), b.max(0.5));
    a <= b * PACE_FACTOR && b <= a * PACE_FACTOR
}

/// Inside of a proven float array other bytes move together as well; they are its own.
fn drop_parts_of_floats(all: &mut Vec<Array>) {
    // That all words of two or more places are sensible floats does not happen by chance.
    let is_float = |a: &&Array| a.base.is_float() && a.heard().count() > 1;
    let floats: Vec<Array> = all.iter().filter(is_float).cloned().collect();
    all.retain(|array| {
        array.base.is_float()
            || !floats.iter().any(|float| {
                let inside = |s: &Slot| (s.at..s.at + 2).all(|c| float.covers(c));
                array.heard().all(inside)
            })
    });
}

fn sort_in(other: Array, companions: &[usize], found: &mut Found) {
    let beyond = other.beyond(&found.best);
    if other.extends(&found.best, companions)
        && !found.rivals.iter().any(|r| r.extends(&found.best, companions))
    {
        found.rivals.push(other);
        return;
    }
    // Without proof for the best every other reading counts.
    let least = if found.best.bits < PROVEN { 1.0 } else { PROVEN };
    if beyond < least {
        return;
    }
    if found.best.overlaps(&other) {
        let missed = found.best.beyond(&other) * if other.base.is_float() { 0.5 } else { 1.0 };
        let known = |r: &Array| other.beyond(r) < least;
        if beyond >= 0.8 * missed - 10.0 && !found.rivals.iter().any(known) {
            found.rivals.push(other);
        }
    } else if is_like(other.pace, found.best.pace) && !found.left_out.iter().any(|l| l.overlaps(&other)) {
        found.left_out.push(other);
    }
}

/// A word beside the array that moves at its pace and could be a range without a carry leaves the
/// matter open, unless it is a byte that goes with every range.
fn add_forgotten(companions: &[usize], evidence: impl Fn(usize) -> Evidence, len: usize, found: &mut Found) {
    let base = found.best.base;
    for at in 0..len {
        let Evidence::Heard { bits, change, values, fixed } = evidence(at) else { continue };
        let low = if base.is_low_first() { at } else { at + base.width() - 1 };
        let slot = Slot { at, heard: true, fixed, bits: bits.max(0.0) };
        let known = (at..at + base.width()).any(|c| found.best.covers(c)) || companions.contains(&low);
        let named = found.rivals.iter().chain(&found.left_out).any(|a| a.heard().any(|s| s.at == at));
        let is_range = bits >= -loss_allowed(base, values) && is_like(change, found.best.pace);
        if is_range && !known && !named && !has_stray_upper(&[slot]) {
            found.left_out.push(scored(base, base.width(), &[slot], &[change]));
        }
    }
}

/// Adds silent words at both ends as far as the columns go, up to the most slots. Returns all words
/// that may belong to absent anchors, also those beyond the most.
pub(in crate::learn) fn widen_over_silence(array: &mut Array, silent: &[bool]) -> Vec<usize> {
    let (stride, first) = (array.stride, array.slots[0].at);
    let last = array.slots[array.slots.len() - 1].at;
    let word_is_silent = |at: usize| silent.get(at).is_some_and(|s| *s);
    let mut before = Vec::new();
    let mut at = first;
    while at >= stride && word_is_silent(at - stride) {
        at -= stride;
        before.push(at);
    }
    let mut after = Vec::new();
    let mut at = last + stride;
    while word_is_silent(at) {
        after.push(at);
        at += stride;
    }
    for &at in &before {
        if array.slots.len() < MAX_SLOTS {
            array.slots.insert(0, Slot::silent(at));
        }
    }
    for &at in &after {
        if array.slots.len() < MAX_SLOTS {
            array.slots.push(Slot::silent(at));
        }
    }
    let between = array.slots.iter().filter(|s| !s.heard).map(|s| s.at);
    let mut silent: Vec<usize> = before.iter().chain(&after).copied().chain(between).collect();
    silent.sort_unstable();
    silent.dedup();
    silent
}
