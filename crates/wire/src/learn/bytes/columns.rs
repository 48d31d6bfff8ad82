//! Columns that say no range: constant bytes, and counters with their carries.

use super::fold::Fold;
use crate::ByteOrder;

/// Share of damaged bytes up to which a column still counts as constant.
const DAMAGED: f64 = 0.04;
/// Share of strays that need not differ among themselves.
const RARE: f64 = 0.03;
/// Share of even steps that makes a counter.
const EVEN: f64 = 0.8;
/// The largest step of a counter: five seconds in milliseconds.
const MAX_STEP: i64 = 5000;

/// What is known about one column.
#[derive(Clone, Copy, Debug)]
pub(in crate::learn) struct Column {
    /// The commonest byte.
    pub(in crate::learn) mode: u8,
    /// It is that byte in every frame, damage aside.
    pub(in crate::learn) constant: bool,
    /// How many byte values occur.
    pub(in crate::learn) distinct: usize,
}

/// Looks at every column.
pub(in crate::learn) fn columns(fold: &Fold<'_>) -> Vec<Column> {
    (0..fold.len).map(|c| column(&fold.column(c).collect::<Vec<u8>>())).collect()
}

fn column(values: &[u8]) -> Column {
    let counts = crate::learn::triage::histogram(values);
    let (mode, most) = (0..=255_u8).zip(counts).max_by_key(|&(_, n)| n).unwrap_or_default();
    let distinct = counts.iter().filter(|&&n| n > 0).count();
    let strays = values.len() - most as usize;
    Column { mode, constant: strays == 0 || is_damage(values, mode, strays), distinct }
}

/// Whether the bytes that differ from the mode are damage and not another value that stands for a
/// while: they stand alone, and are not all the same.
fn is_damage(values: &[u8], mode: u8, strays: usize) -> bool {
    if strays as f64 > DAMAGED * values.len() as f64 {
        return false;
    }
    let runs = values.windows(2).filter(|pair| pair[0] != mode && pair[1] != mode).count();
    let mut others: Vec<u8> = values.iter().copied().filter(|&b| b != mode).collect();
    others.sort_unstable();
    others.dedup();
    // Where the byte itself was lost its neighbour stands, always the same.
    let is_rare = strays as f64 <= RARE * values.len() as f64;
    runs * 4 <= strays && (is_rare || others.len() * 2 >= strays.min(8))
}

/// A number that steps evenly from frame to frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::learn) struct Counter {
    pub(in crate::learn) at: usize,
    pub(in crate::learn) width: usize,
    pub(in crate::learn) order: ByteOrder,
    pub(in crate::learn) step: i64,
}

impl Counter {
    pub(in crate::learn) fn columns(&self) -> std::ops::Range<usize> {
        self.at..self.at + self.width
    }
}

/// All counters, none overlapping another; the widest proven by a carry first.
pub(in crate::learn) fn counters(fold: &Fold<'_>, columns: &[Column]) -> Vec<Counter> {
    let mut found: Vec<Counter> = Vec::new();
    for width in [4, 3, 2, 1] {
        for at in 0..(fold.len + 1).saturating_sub(width) {
            let place = at..at + width;
            if found.iter().any(|c| c.columns().any(|x| place.contains(&x))) {
                continue;
            }
            let orders = [ByteOrder::LowFirst, ByteOrder::HighFirst];
            let orders = if width == 1 { &orders[..1] } else { &orders[..] };
            found.extend(orders.iter().find_map(|&order| counter(fold, columns, at, width, order)));
        }
    }
    found.sort_by_key(|c| c.at);
    found
}

fn counter(
    fold: &Fold<'_>,
    columns: &[Column],
    at: usize,
    width: usize,
    order: ByteOrder,
) -> Option<Counter> {
    let (top, low) = match order {
        ByteOrder::LowFirst => (at + width - 1, at),
        ByteOrder::HighFirst => (at, at + width - 1),
    };
    // A top byte that never moved proves no carry; a low byte that never moved counts nothing.
    if columns[top].constant || columns[low].distinct < 4 {
        return None;
    }
    let bits = 8 * width as u32;
    let word = |row: usize| i64::from(crate::layout::read_bits(&fold.row(row)[at..at + width], order));
    let pairs: Vec<usize> = (0..fold.rows()).filter(|&row| fold.adjacent(row)).collect();
    let steps: Vec<i64> =
        pairs.iter().map(|&row| (word(row + 1) - word(row)).rem_euclid(1 << bits)).collect();
    let step = even_step(&steps)?;
    // In one byte a slow fall looks like a large step, give or take a little.
    if width == 1
        && (step > 127 || steps.iter().filter(|s| **s == step).count() as f64 <= EVEN * steps.len() as f64)
    {
        return None;
    }
    // A low byte that hardly moves: the step comes from a narrower counter in the upper one.
    let low_step = (step + 128).rem_euclid(256) - 128;
    if width > 1 && low_step.abs() <= slack(step) {
        return None;
    }
    // A neighbour that changes now and then must not pass for carries.
    let carries: Vec<i64> = pairs
        .iter()
        .zip(&steps)
        .filter(|(row, _)| fold.row(**row)[top] != fold.row(**row + 1)[top])
        .map(|(_, s)| *s)
        .collect();
    let even = carries.iter().filter(|&&s| (s - step).abs() <= slack(step)).count();
    if even * 4 < carries.len() * 3 {
        return None;
    }
    Some(Counter { at, width, order, step })
}

/// The step that most of `steps` are, give or take a little for clocks; `None` when they are not even.
pub(in crate::learn) fn even_step(steps: &[i64]) -> Option<i64> {
    let mut sorted = steps.to_vec();
    sorted.sort_unstable();
    let median = *sorted.get(sorted.len() / 2)?;
    if sorted.len() < 10 || !(1..=MAX_STEP).contains(&median) {
        return None;
    }
    let even = sorted.iter().filter(|&&s| (s - median).abs() <= slack(median)).count();
    (even as f64 >= EVEN * sorted.len() as f64).then_some(median)
}

/// How far single steps of a clock may be off. A small step must be exact: ranges of a slow tag change
/// by little as well.
fn slack(step: i64) -> i64 {
    if step < 8 { 0 } else { (step / 16).clamp(2, 40) }
}
