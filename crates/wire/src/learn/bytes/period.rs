//! The frame length: the distance at which bytes are equal more often than by chance.
//!
//! A match of a rare byte counts for more than one of a common byte (by -log2 of its share), else the
//! zeros of absent anchors would win. A divisor of the best distance is preferred when it is nearly
//! as good, because every multiple of the true length scores about as well.

use crate::MAX_FRAME_BYTES;
use crate::learn::triage::histogram;

/// The shortest frame that is looked for: a preamble, a range and one more byte.
const MIN_FRAME_BYTES: usize = 4;
/// Frames that a length must have in the bytes to be believed.
const MIN_FRAMES: usize = 20;
/// How far a length must stand out of chance, in standard deviations.
const STANDS_OUT: f64 = 8.0;
/// A divisor of the best length with this share of its score wins.
const DIVISOR_SHARE: f64 = 0.85;
/// How many lengths are tried.
const MAX_PERIODS: usize = 3;

/// -log2 of the share of each byte value.
pub(in crate::learn) fn surprise(bytes: &[u8]) -> [f64; 256] {
    let total = bytes.len().max(1) as f64;
    histogram(bytes).map(|n| -((f64::from(n) + 0.5) / (total + 128.0)).log2())
}

/// Likely frame lengths, best first; empty when nothing repeats.
pub(in crate::learn) fn periods(bytes: &[u8]) -> Vec<usize> {
    let longest = MAX_FRAME_BYTES.min(bytes.len() / MIN_FRAMES);
    if longest < MIN_FRAME_BYTES {
        return Vec::new();
    }
    let weight = surprise(bytes);
    let score: Vec<f64> =
        (0..=longest).map(|lag| if lag == 0 { 0.0 } else { at_lag(bytes, lag, &weight) }).collect();
    let mut sorted = score[1..].to_vec();
    sorted.sort_by(f64::total_cmp);
    let median = sorted[sorted.len() / 2];
    let (expected, deviation) = by_chance(bytes, &weight);
    let excess = |lag: usize| score[lag] - median;
    let mut order: Vec<usize> = (MIN_FRAME_BYTES..=longest).collect();
    order.sort_by(|&a, &b| score[b].total_cmp(&score[a]));
    let mut found: Vec<usize> = Vec::new();
    for lag in order {
        if score[lag] - expected < STANDS_OUT * deviation || excess(lag) <= 0.0 || found.len() == MAX_PERIODS
        {
            break;
        }
        let divisors = (MIN_FRAME_BYTES..lag).filter(|d| lag.is_multiple_of(*d));
        let length = divisors.into_iter().find(|&d| excess(d) >= DIVISOR_SHARE * excess(lag)).unwrap_or(lag);
        if !found.iter().any(|&f| length.is_multiple_of(f)) {
            found.push(length);
        }
    }
    found
}

/// Mean weight of the matches at one distance.
fn at_lag(bytes: &[u8], lag: usize, weight: &[f64; 256]) -> f64 {
    let pairs = bytes.iter().zip(&bytes[lag..]);
    let sum: f64 = pairs.filter(|(a, b)| a == b).map(|(a, _)| weight[usize::from(*a)]).sum();
    sum / (bytes.len() - lag) as f64
}

/// Mean and standard deviation of [`at_lag`] when nothing repeats.
fn by_chance(bytes: &[u8], weight: &[f64; 256]) -> (f64, f64) {
    let total = bytes.len() as f64;
    let (mut mean, mut square) = (0.0, 0.0);
    for (&count, w) in histogram(bytes).iter().zip(weight) {
        let share = f64::from(count) / total;
        mean += share * share * w;
        square += share * share * w * w;
    }
    (mean, (square / total).sqrt())
}
