//! Which bytes move together as one number: bits saved by coding them jointly.
//!
//! A number that changes little from frame to frame costs few bits when its change is coded; its
//! bytes coded one by one cost more, because each carry of the low byte is a surprise in the high
//! byte. The difference is the evidence, and it is all in the carries: a number that never carries
//! gives none, and a wrong byte order or a wrong pair of bytes gives a loss.
//!
//! Changes are coded by a two-sided geometric distribution, with a share of a heavy tail for
//! damaged and late values; its width is chosen for each series, for bytes and words alike.

use super::fold::Fold;

/// Rows that are looked at.
const MAX_ROWS: usize = 700;
/// Rows with a value that a series must have to count as heard.
const MIN_HEARD: usize = 12;

/// Share of "no range" from which on a word counts as silent: the rest is damage.
const SILENT: f64 = 0.93;
/// A value that is off both of its neighbours by so many usual changes is damaged.
const SPIKE: f64 = 25.0;

/// What a range word is made of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::learn) enum Base {
    U16Le,
    U16Be,
    F32Le,
    F32Be,
}

impl Base {
    pub(in crate::learn) const ALL: [Base; 4] = [Base::U16Le, Base::U16Be, Base::F32Le, Base::F32Be];

    pub(in crate::learn) fn width(self) -> usize {
        if self.is_float() { 4 } else { 2 }
    }

    pub(in crate::learn) fn is_float(self) -> bool {
        matches!(self, Base::F32Le | Base::F32Be)
    }

    pub(in crate::learn) fn is_low_first(self) -> bool {
        matches!(self, Base::U16Le | Base::F32Le)
    }

    /// Columns from the highest byte down, for a word at `at`. Of a float only the upper three: they
    /// order positive floats as integers do, and the lowest byte is noise.
    fn columns(self, at: usize) -> Vec<usize> {
        match self {
            Base::U16Le => vec![at + 1, at],
            Base::U16Be => vec![at, at + 1],
            Base::F32Le => vec![at + 3, at + 2, at + 1],
            Base::F32Be => vec![at, at + 1, at + 2],
        }
    }

    /// Whether the bits say "no range" by themselves: zero, all ones; for floats also negative, NaN
    /// and infinite.
    fn is_absent(self, bits: u32) -> bool {
        if self.is_float() { (bits >> 7) == 0 || (bits >> 15) >= 0xFF } else { bits == 0 || bits == 0xFFFF }
    }

    /// Whether a float's bits are a size that some unit gives a sense: 8 mm to 500 km.
    fn is_sensible(self, bits: u32) -> bool {
        !self.is_float() || (0x3C_0000..=0x49_0000).contains(&bits)
    }
}

/// What a word at one place says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::learn) enum Evidence {
    /// It moves; the bits saved by reading it as one word (negative for a loss), the usual change (of
    /// floats in thousandths), how many values there are, and the upper byte when it never moves:
    /// then it may be one byte of another kind beside a constant.
    Heard { bits: f64, change: f64, values: usize, fixed: Option<u32> },
    /// Nothing but one and the same "no range" word, which is given.
    Silent { word: u32 },
    /// Not a range.
    Nothing,
}

/// Columns by column, so that each word is cut once.
pub(in crate::learn) struct Words {
    columns: Vec<Vec<u8>>,
}

impl Words {
    pub(in crate::learn) fn new(fold: &Fold<'_>) -> Words {
        let column = |c| fold.column(c).take(MAX_ROWS).collect();
        Words { columns: (0..fold.len).map(column).collect() }
    }

    /// Judges the word of type `base` at column `at`.
    pub(in crate::learn) fn evidence(&self, base: Base, at: usize) -> Evidence {
        let columns = base.columns(at);
        let rows = self.columns[columns[0]].len();
        let word =
            |row: usize| columns.iter().fold(0, |bits, &c| (bits << 8) | u32::from(self.columns[c][row]));
        let words: Vec<u32> = (0..rows).map(word).collect();
        let absent = words.iter().filter(|w| base.is_absent(**w)).count();
        if absent as f64 >= SILENT * rows as f64 {
            return silent(base, &words);
        }
        let heard: Vec<u32> = words.iter().copied().filter(|w| !base.is_absent(*w)).collect();
        let heard = without_spikes(&heard);
        let sensible = heard.iter().filter(|w| base.is_sensible(**w)).count();
        if heard.len() < MIN_HEARD || (sensible as f64) < 0.95 * heard.len() as f64 {
            return Evidence::Nothing;
        }
        let mut values = heard.clone();
        values.sort_unstable();
        values.dedup();
        if values.len() < 4 || (base.is_float() && values.len() * 4 < heard.len()) {
            return Evidence::Nothing;
        }
        let mut bits = saved_bits(&heard, columns.len());
        if base.is_float() {
            // The third byte may be noise alone; then the upper two carry all the evidence.
            let upper: Vec<u32> = heard.iter().map(|w| w >> 8).collect();
            bits = bits.max(saved_bits(&upper, 2));
        }
        let size = |pair: &[u32]| match base.is_float() {
            // In thousandths, so that all anchors have one scale whatever their exponents.
            true => 1000.0 * f64::from((f32::from_bits(pair[1] << 8) - f32::from_bits(pair[0] << 8)).abs()),
            false => (f64::from(pair[1]) - f64::from(pair[0])).abs(),
        };
        let mut sizes: Vec<f64> = heard.windows(2).map(size).collect();
        sizes.sort_by(f64::total_cmp);
        let middle = values[values.len() / 2] >> 8;
        let moved = heard.iter().filter(|w| **w >> 8 != middle).count();
        let fixed = !base.is_float() && moved * 50 <= heard.len();
        Evidence::Heard {
            bits,
            change: sizes[sizes.len() / 2],
            values: heard.len(),
            fixed: fixed.then_some(middle),
        }
    }
}

/// Leaves out values that stand alone far off both neighbours, as single damaged ones do.
fn without_spikes(words: &[u32]) -> Vec<u32> {
    let mut sizes: Vec<u32> = words.windows(2).map(|p| p[0].abs_diff(p[1])).collect();
    sizes.sort_unstable();
    let usual = f64::from(sizes.get(sizes.len() / 2).copied().unwrap_or_default()).max(1.0);
    let far = |a: u32, b: u32| f64::from(a.abs_diff(b)) > SPIKE * usual;
    let keeps = |&i: &usize| {
        i == 0 || i + 1 == words.len() || !(far(words[i], words[i - 1]) && far(words[i], words[i + 1]))
    };
    (0..words.len()).filter(keeps).map(|i| words[i]).collect()
}

/// Bits saved by coding words of `bytes` bytes as numbers instead of byte by byte.
fn saved_bits(words: &[u32], bytes: usize) -> f64 {
    let joint: Vec<i64> = words.windows(2).map(|p| i64::from(p[1]) - i64::from(p[0])).collect();
    let alone = |index: usize| {
        let byte = |w: u32| i64::from((w >> (8 * index)) & 0xFF);
        // Each byte alone is a circle: 255 is beside 0.
        let circular = |p: &[u32]| (byte(p[1]) - byte(p[0]) + 128).rem_euclid(256) - 128;
        code_bits(&words.windows(2).map(circular).collect::<Vec<_>>(), 256)
    };
    (0..bytes).map(alone).sum::<f64>() - code_bits(&joint, 1 << (8 * bytes))
}

fn silent(base: Base, words: &[u32]) -> Evidence {
    let mut absent: Vec<u32> = words.iter().copied().filter(|w| base.is_absent(*w)).collect();
    absent.sort_unstable();
    let word = absent.get(absent.len() / 2).copied().unwrap_or_default();
    let same = absent.iter().filter(|w| **w == word).count();
    if same as f64 >= SILENT * words.len() as f64 { Evidence::Silent { word } } else { Evidence::Nothing }
}

/// Length in bits of changes within `range` values, by the best of a few widths and tails.
fn code_bits(changes: &[i64], range: i64) -> f64 {
    let mut sizes: Vec<i64> = changes.iter().map(|d| d.abs()).collect();
    sizes.sort_unstable();
    let mean = |share: f64| {
        let count = ((sizes.len() as f64 * share).ceil() as usize).min(sizes.len());
        sizes[..count].iter().sum::<i64>() as f64 / count.max(1) as f64
    };
    let flat = (range as f64).log2() * sizes.len() as f64;
    let few = 1.0 / (sizes.len() as f64 + 2.0);
    let mut best = flat;
    for width in [mean(0.7), mean(0.9), mean(1.0)] {
        for tail in [few, 0.05, 0.2] {
            best = best.min(coded_bits(&sizes, width, tail, range as f64));
        }
    }
    best
}

/// Length of sizes of change under a two-sided geometric distribution with this mean size, mixed with
/// a share `tail` of a heavy one that falls as size to the -3/2: late and damaged values.
fn coded_bits(sizes: &[i64], mean: f64, tail: f64, range: f64) -> f64 {
    // Mean size m of the two-sided geometric distribution: m = 2q / (1 - q²).
    let q = if mean <= 0.0 { 0.0 } else { ((1.0 + mean * mean).sqrt() - 1.0) / mean };
    let half = range / 2.0;
    let within = 1.0 - 2.0 * q * q.powf(half) / (1.0 + q);
    let peak = (1.0 - q) / (1.0 + q) / within;
    // Sum of (|d| + 1)^-3/2 over all changes: twice the zeta function at 3/2, less the zero. It hardly
    // depends on the range, so that bytes and words pay the same for the same stray.
    let all = 2.0 * 2.612 - 1.0;
    let bits = |size: i64| {
        let size = size as f64;
        let near = if q > 0.0 { peak * (q.ln() * size).exp() } else { f64::from(u8::from(size == 0.0)) };
        -((1.0 - tail) * near + tail / ((size + 1.0) * (size + 1.0).sqrt()) / all).log2()
    };
    // Sorted sizes come in runs: one logarithm a run.
    sizes.chunk_by(|a, b| a == b).map(|run| bits(run[0]) * run.len() as f64).sum()
}
