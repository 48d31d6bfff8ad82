//! The frames laid under one another, over lost and damaged bytes.
//!
//! A pivot (a byte, or two neighbours, that stand once in every frame) gives the first rough picture
//! of what stands in each column, because every occurrence anchors its own frame and lost bytes
//! between frames do no harm. Then, a few times over: score every place of the stream by the columns'
//! values (log-likelihood ratio against any bytes), take the best chain of places that do not overlap
//! (dynamic programming), and count the columns anew.

use crate::learn::triage::histogram;

/// Counts are softened by this many bytes drawn from the whole stream.
const SOFTENING: f64 = 12.0;
/// How often the picture is refined.
const ROUNDS: usize = 4;
/// A place must reach this share of the usual frame's score.
const ACCEPT: f64 = 0.5;
/// Bytes on which the pivots compete.
const CONTEST_BYTES: usize = 12 * 1024;
/// How many single bytes, and how many pairs, compete.
const MAX_PIVOTS: usize = 5;
/// Frames that a fold must have.
const MIN_FRAMES: usize = 16;
/// Share of the bytes that must lie in frames.
const MIN_COVERED: f64 = 0.4;

/// Frames of one length in a stream. A row is a frame, a column a place in it.
#[derive(Clone, Debug)]
pub(in crate::learn) struct Fold<'a> {
    pub(in crate::learn) bytes: &'a [u8],
    pub(in crate::learn) len: usize,
    /// Where each row starts, rising, not overlapping.
    pub(in crate::learn) starts: Vec<usize>,
}

impl Fold<'_> {
    pub(in crate::learn) fn rows(&self) -> usize {
        self.starts.len()
    }

    pub(in crate::learn) fn row(&self, row: usize) -> &[u8] {
        &self.bytes[self.starts[row]..self.starts[row] + self.len]
    }

    pub(in crate::learn) fn column(&self, column: usize) -> impl Iterator<Item = u8> {
        self.starts.iter().map(move |start| self.bytes[start + column])
    }

    /// Whether row `row + 1` follows `row` without a byte between.
    pub(in crate::learn) fn adjacent(&self, row: usize) -> bool {
        self.starts.get(row + 1).is_some_and(|&next| next == self.starts[row] + self.len)
    }

    /// The same frames cut `by` bytes later; rows that would run over a gap are dropped.
    pub(in crate::learn) fn turned(&self, by: usize) -> Fold<'_> {
        let whole = |&row: &usize| by == 0 || self.adjacent(row);
        let starts = (0..self.rows()).filter(whole).map(|row| self.starts[row] + by).collect();
        Fold { bytes: self.bytes, len: self.len, starts }
    }

    /// These frames cut at the same column as those of `other`, whose bytes begin `later` bytes later.
    pub(in crate::learn) fn in_phase_with(&self, other: &Fold<'_>, later: usize) -> Fold<'_> {
        let mut votes = vec![0_usize; self.len];
        for start in other.starts.iter().map(|s| s + later) {
            let row = self.starts.partition_point(|&s| s <= start);
            let by = row.checked_sub(1).map(|r| start - self.starts[r]);
            if let Some(vote) = by.and_then(|by| votes.get_mut(by)) {
                *vote += 1;
            }
        }
        let by = (0..self.len).max_by_key(|&by| (votes[by], std::cmp::Reverse(by))).unwrap_or(0);
        self.turned(by)
    }

    /// Only the rows that another follows at once and that `holds` is true of: no byte of them was
    /// lost, and none is known to be damaged.
    pub(in crate::learn) fn trusted(&self, holds: impl Fn(&[u8]) -> bool) -> Fold<'_> {
        let good = |&row: &usize| self.adjacent(row) && holds(self.row(row));
        let starts = (0..self.rows()).filter(good).map(|row| self.starts[row]).collect();
        Fold { bytes: self.bytes, len: self.len, starts }
    }

    /// Share of the bytes that lie in frames.
    pub(in crate::learn) fn covered(&self) -> f64 {
        (self.rows() * self.len) as f64 / self.bytes.len().max(1) as f64
    }
}

/// Lays out the frames of `len` bytes; `None` when there is no such chain.
pub(in crate::learn) fn fold(bytes: &[u8], len: usize) -> Option<Fold<'_>> {
    // The pivots compete on a part: the chain that says most wins.
    let part = &bytes[..bytes.len().min(CONTEST_BYTES)];
    let contest = |pivot: &Pivot| Some((refined(pivot.starts(part, len), ROUNDS)?.1, *pivot));
    let (_, best) = pivots(part, len).iter().filter_map(contest).max_by(|a, b| a.0.total_cmp(&b.0))?;
    let (fold, _) = refined(best.starts(bytes, len), ROUNDS)?;
    (fold.covered() >= MIN_COVERED).then_some(fold)
}

/// Scores, chains and counts anew, `rounds` times over; with the score of the last chain.
fn refined(mut fold: Fold<'_>, rounds: usize) -> Option<(Fold<'_>, f64)> {
    let mut total = 0.0;
    for round in 0..rounds {
        let scores = ByteOdds::of(&fold).scores(fold.bytes);
        let mut usual: Vec<f32> = fold.starts.iter().map(|&s| scores[s]).collect();
        usual.sort_by(f32::total_cmp);
        let median = f64::from(*usual.get(usual.len() / 2)?);
        let share = if round == 0 { 0.5 * ACCEPT } else { ACCEPT };
        fold.starts = best_chain(&scores, fold.len, (share * median).max(1.0) as f32);
        if fold.rows() < MIN_FRAMES {
            return None;
        }
        total = fold.starts.iter().map(|&s| f64::from(scores[s])).sum();
    }
    Some((fold, total))
}

/// A byte, or two neighbours, that stand once in nearly every frame.
#[derive(Clone, Copy, Debug)]
enum Pivot {
    Byte(u8),
    Pair(u8, u8),
}

impl Pivot {
    fn is_at(self, bytes: &[u8], i: usize) -> bool {
        match self {
            Pivot::Byte(a) => bytes[i] == a,
            Pivot::Pair(a, b) => bytes[i] == a && bytes.get(i + 1) == Some(&b),
        }
    }

    /// Rough frames: the places that have the same a frame before or after.
    fn starts(self, bytes: &[u8], len: usize) -> Fold<'_> {
        let at = |i: usize| self.is_at(bytes, i);
        let again = |i: usize| (i + len < bytes.len() && at(i + len)) || (i >= len && at(i - len));
        let starts = (0..bytes.len()).filter(|&i| i + len <= bytes.len() && at(i) && again(i)).collect();
        Fold { bytes, len, starts }
    }
}

/// The likeliest pivots.
fn pivots(bytes: &[u8], len: usize) -> Vec<Pivot> {
    let frames = bytes.len() as f64 / len as f64;
    let end = bytes.len() - 1;
    let pair_at = |i: usize| (usize::from(bytes[i]) << 8) | usize::from(bytes[i + 1]);
    let mut found = Vec::new();
    for value in best_values(end, len, frames, 256, |i| usize::from(bytes[i])) {
        found.push(Pivot::Byte(value as u8));
    }
    for value in best_values(end, len, frames, 65_536, pair_at) {
        found.push(Pivot::Pair((value >> 8) as u8, (value & 0xFF) as u8));
    }
    found
}

/// The values that most nearly stand once in every frame.
fn best_values(
    end: usize,
    len: usize,
    frames: f64,
    values: usize,
    at: impl Fn(usize) -> usize,
) -> Vec<usize> {
    let mut seen = vec![0_u32; values];
    let mut again = vec![0_u32; values];
    for i in 0..end {
        seen[at(i)] += 1;
        if i + len < end && at(i) == at(i + len) {
            again[at(i)] += 1;
        }
    }
    let quality = |value: usize| {
        let per_frame = f64::from(again[value]) / frames;
        let purity = f64::from(again[value]) / f64::from(seen[value].max(1));
        if per_frame > 1.25 { 0.0 } else { per_frame.min(1.0) * purity }
    };
    let mut order: Vec<usize> = (0..values).filter(|&v| quality(v) > 0.05).collect();
    order.sort_by(|&a, &b| quality(b).total_cmp(&quality(a)));
    order.truncate(MAX_PIVOTS);
    order
}

/// Log-likelihood ratios, in bits, of every byte value in every column.
struct ByteOdds {
    len: usize,
    bits: Vec<f32>,
}

impl ByteOdds {
    fn of(fold: &Fold<'_>) -> ByteOdds {
        let counts = histogram(fold.bytes);
        let total = fold.bytes.len() as f64;
        let anywhere = counts.map(|n| (f64::from(n) + 0.5) / (total + 128.0));
        let mut bits = vec![0.0; fold.len * 256];
        let rows = fold.rows() as f64;
        for column in 0..fold.len {
            let mut here = [0_u32; 256];
            for byte in fold.column(column) {
                here[usize::from(byte)] += 1;
            }
            let mode = here.iter().copied().max().unwrap_or_default();
            // A frame is told by its constants; elsewhere a rare value (an anchor that missed) is no
            // reason to doubt the frame.
            let floor: f64 = if f64::from(mode) >= 0.9 * rows { -5.0 } else { -1.0 };
            for value in 0..256 {
                let share = (f64::from(here[value]) + SOFTENING * anywhere[value]) / (rows + SOFTENING);
                bits[column * 256 + value] = (share / anywhere[value]).log2().max(floor) as f32;
            }
        }
        ByteOdds { len: fold.len, bits }
    }

    /// The score of a frame that starts at each place; -inf where none fits before the end.
    fn scores(&self, bytes: &[u8]) -> Vec<f32> {
        let score = |window: &[u8]| {
            let columns = self.bits.chunks_exact(256).zip(window);
            columns.map(|(column, &byte)| column[usize::from(byte)]).sum()
        };
        let mut scores: Vec<f32> = bytes.windows(self.len).map(score).collect();
        scores.resize(bytes.len(), f32::NEG_INFINITY);
        scores
    }
}

/// Starts of the frames of the chain with the greatest sum of scores above `threshold`.
fn best_chain(scores: &[f32], len: usize, threshold: f32) -> Vec<usize> {
    // best[i]: the greatest sum with the first i bytes.
    let mut best = vec![0.0_f64; scores.len() + 1];
    let mut takes = vec![false; scores.len() + 1];
    for i in 1..=scores.len() {
        best[i] = best[i - 1];
        if i >= len && scores[i - len] > threshold {
            let with = best[i - len] + f64::from(scores[i - len]);
            if with > best[i] {
                best[i] = with;
                takes[i] = true;
            }
        }
    }
    let mut starts = Vec::new();
    let mut i = scores.len();
    while i > 0 {
        if takes[i] {
            i -= len;
            starts.push(i);
        } else {
            i -= 1;
        }
    }
    starts.reverse();
    starts
}
