//! What a table of numbers says about ranges: which numbers mean "no range", how they move, and the
//! unit in which that is a tag among anchors.
//!
//! **Unit.** Three sizes are measured in the numbers' own unit: noise (from second differences, MAD
//! over √6), radial speed (upper quartile of
//! the changes over a second) and the farthest range. Each has a log-normal
//! prior in metres; the unit with the greatest sum wins when it leads by [`DECIDED_NATS`]. The priors'
//! centres are those of small kits (common practice, no source).

use std::collections::BTreeMap;

use arrayvec::ArrayVec;
use hereabout_core::{MAX_ANCHORS, Word};

use super::LearnOptions;
use crate::Unit;

/// A margin from which on the unit counts as decided.
pub(super) const DECIDED_NATS: f64 = 5.0;
/// Readings that a field must have to count as heard.
const MIN_HEARD: usize = 8;
/// A "no range" word lies this many times the usual change away from the readings around it.
const FAR_OFF: f64 = 25.0;

/// The most nats that one size costs by being large.
const MAX_PRICE: f64 = 2.6;

/// A table of raw ranges, frame by frame.
pub(super) type Rows = [ArrayVec<Word, MAX_ANCHORS>];

/// What the table says.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Reading {
    /// Words that mean "no range"; the usual one when none was seen.
    pub(super) no_range: Vec<f64>,
    /// Whether a field that is heard said so at times, or a silent one always.
    pub(super) no_range_seen: bool,
    /// Fields with readings.
    pub(super) heard: Vec<usize>,
    /// White noise of a reading, in units.
    pub(super) noise: f64,
    /// Change over a second that a quarter of the changes exceed, in units.
    pub(super) speed: f64,
    /// 95 % of the readings are smaller, in units.
    pub(super) farthest: f64,
    /// The largest travel of a field, in units: from its 5 % to its 95 % quantile.
    pub(super) travel: f64,
    /// Share of readings that are even: 0 or 1 when the lowest bit never moves.
    pub(super) even: f64,
}

/// Reads a table at `rate_hz` frames a second; `silent` fields are known to have no range; `largest` is the word of all ones, when there is one.
pub(super) fn reading(rows: &Rows, silent: &[usize], rate_hz: f64, largest: Option<f64>) -> Reading {
    let fields = rows.first().map_or(0, |row| row.len());
    let numbers: Vec<Vec<Option<f64>>> =
        (0..fields).map(|f| rows.iter().map(|row| row.get(f).and_then(|w| w.number())).collect()).collect();
    let of =
        |wanted: bool| (0..fields).filter(move |f| silent.contains(f) != wanted).map(|f| numbers[f].clone());
    let mut out = Reading::default();
    out.no_range = no_range_words(&of(true).collect::<Vec<_>>(), largest);
    out.no_range_seen = !out.no_range.is_empty();
    for word in no_range_words(&of(false).collect::<Vec<_>>(), largest) {
        if !out.no_range.contains(&word) {
            out.no_range.push(word);
        }
    }
    // A row without any number is a lost frame.
    let heard = rows.iter().filter(|row| row.iter().any(|w| *w != Word::Missing));
    let has_empty = heard.flatten().any(|w| w.number().is_none());
    out.no_range_seen |= has_empty;
    let is_range = |n: &f64| n.is_finite() && *n > 0.0 && !out.no_range.contains(n);
    let ranges: Vec<Vec<Option<f64>>> =
        numbers.iter().map(|field| field.iter().map(|n| n.filter(is_range)).collect()).collect();
    let count = |field: &[Option<f64>]| field.iter().flatten().count();
    out.heard = (0..fields).filter(|f| !silent.contains(f) && count(&ranges[*f]) >= MIN_HEARD).collect();
    let heard: Vec<&[Option<f64>]> = out.heard.iter().map(|&f| ranges[f].as_slice()).collect();
    let steps = (rate_hz.round() as usize).clamp(1, 200);
    out.noise = middle(heard.iter().map(|f| noise(f)).collect());
    let mut moved: Vec<f64> = heard.iter().flat_map(|f| changes(f, steps)).collect();
    moved.sort_by(f64::total_cmp);
    out.speed = quantile(&moved, 0.75);
    let mut all: Vec<f64> = heard.iter().flat_map(|f| f.iter().flatten().copied()).collect();
    all.sort_by(f64::total_cmp);
    out.farthest = quantile(&all, 0.95);
    out.travel = heard.iter().map(|f| travel(f)).fold(0.0, f64::max);
    let even = all.iter().filter(|n| (*n / 2.0).fract() == 0.0).count();
    out.even = even as f64 / all.len().max(1) as f64;
    if has_empty && numbers.iter().flatten().flatten().any(|n| n.is_nan()) {
        out.no_range.push(f64::NAN);
    }
    out
}

/// Numbers that stand for "no range": zero, negative ones, the largest word, and a number that comes
/// again and again far off the readings before and after it.
fn no_range_words(numbers: &[Vec<Option<f64>>], largest: Option<f64>) -> Vec<f64> {
    let usual = middle(numbers.iter().map(|f| middle(changes(f, 1))).collect()).max(1e-3);
    // By bits, so that the order is fixed: how often, and how often far off.
    let mut seen: BTreeMap<u64, (f64, usize, usize)> = BTreeMap::new();
    for field in numbers {
        let present: Vec<f64> = field.iter().flatten().copied().collect();
        let far = |a: f64, b: Option<&f64>| b.is_none_or(|b| (a - b).abs() > FAR_OFF * usual);
        // A run of one number is judged by what stands before and after it.
        for (index, run) in runs(&present) {
            let n = present[index];
            let before = index.checked_sub(1).and_then(|i| present.get(i));
            let after = present.get(index + run);
            let off = far(n, before) && far(n, after) && (before.is_some() || after.is_some());
            let entry = seen.entry(n.to_bits()).or_insert((n, 0, 0));
            entry.1 += run;
            entry.2 += if off { run } else { 0 };
        }
        // A field of one number only never has a range.
        let mut present = field.iter().flatten();
        if let Some(first) = present.next()
            && present.clone().count() >= MIN_HEARD
            && present.all(|n| n == first)
            && let Some(entry) = seen.get_mut(&first.to_bits())
        {
            entry.2 = entry.1;
        }
    }
    let total: usize = seen.values().map(|e| e.1).sum();
    let counts = |&(n, count, off): &(f64, usize, usize)| {
        (count >= 2 && (n == 0.0 || n == -1.0 || Some(n) == largest))
            || (count >= 4 && n < 0.0)
            || (count >= 4 && count * 400 >= total && off * 10 >= count * 9)
    };
    let mut words: Vec<(f64, usize)> = seen.values().filter(|e| counts(e)).map(|e| (e.0, e.1)).collect();
    // The commonest first; a damaged byte makes a stray negative now and then.
    words.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.total_cmp(&b.0)));
    let most = words.first().map_or(0, |w| w.1);
    words.retain(|w| w.1 * 20 >= most);
    words.truncate(3);
    words.into_iter().map(|w| w.0).collect()
}

/// Runs of equal numbers: where each starts, and how long it is.
fn runs(numbers: &[f64]) -> impl Iterator<Item = (usize, usize)> {
    numbers.chunk_by(|a, b| a == b).scan(0, |at, run| {
        let start = *at;
        *at += run.len();
        Some((start, run.len()))
    })
}

/// Sizes of the changes over `steps` frames.
fn changes(field: &[Option<f64>], steps: usize) -> Vec<f64> {
    let later = field.iter().skip(steps);
    field.iter().zip(later).filter_map(|(a, b)| Some((b.as_ref()? - a.as_ref()?).abs())).collect()
}

/// Standard deviation of white noise on a smooth curve: the second difference has six times its
/// variance, and its median size is 0.6745 of its deviation.
fn noise(field: &[Option<f64>]) -> f64 {
    let second = |w: &[Option<f64>]| Some((w[2]? - 2.0 * w[1]? + w[0]?).abs());
    let sizes: Vec<f64> = field.windows(3).filter_map(second).collect();
    let robust = middle(sizes.clone()) / 0.6745 / 6.0_f64.sqrt();
    if robust > 0.0 {
        return robust;
    }
    // Rounded so coarsely that most differences vanish: the mean still tells the order of size.
    sizes.iter().sum::<f64>() / sizes.len().max(1) as f64 / 6.0_f64.sqrt()
}

fn travel(field: &[Option<f64>]) -> f64 {
    let mut sorted: Vec<f64> = field.iter().flatten().copied().collect();
    sorted.sort_by(f64::total_cmp);
    quantile(&sorted, 0.95) - quantile(&sorted, 0.05)
}

fn quantile(sorted: &[f64], share: f64) -> f64 {
    let last = sorted.len().saturating_sub(1);
    sorted.get((share * last as f64).round() as usize).copied().unwrap_or_default()
}

/// The median; 0 of nothing.
fn middle(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or_default()
}

/// The units in order of their scores (nats), best first.
pub(super) fn units(reading: &Reading, has_fractions: bool, options: LearnOptions) -> Vec<(Unit, f64)> {
    let score = |unit: Unit| {
        let metres = |value: f64| (value / unit.per_metre()).max(1e-6);
        // Vehicles in yards are noisier, faster and farther off than carts: no size is too large by
        // more than a bounded price.
        let prior = |value: f64, centre: f64, sd: f64| {
            let off = (metres(value) / centre).ln() / sd;
            let price = 0.5 * off * off;
            -if off > 0.0 { price.min(MAX_PRICE) } else { price }
        };
        let mut sum = prior(reading.noise, 0.05, 0.6) + prior(reading.speed, 0.6, 0.9);
        sum += match options.farthest_m {
            // A given distance is worth more than a guess, and nothing may be much farther.
            Some(far) if metres(reading.farthest) > 1.3 * far => -50.0,
            Some(far) => prior(reading.farthest, 0.8 * far, 0.5),
            None => prior(reading.farthest, 8.0, 0.9),
        };
        // Whole numbers of metres are of no use to a kit, fractions of a millimetre hardly.
        sum + match (unit, has_fractions) {
            (Unit::M, false) => -12.0,
            (Unit::M, true) => 3.0,
            _ => 0.0,
        }
    };
    let mut scores: Vec<(Unit, f64)> = [Unit::M, Unit::Cm, Unit::Mm].map(|u| (u, score(u))).to_vec();
    scores.sort_by(|a, b| b.1.total_cmp(&a.1));
    scores
}
