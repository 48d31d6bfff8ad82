//! One occupation, one anchor: what a board reads while the tag stands still.
//!
//! Model: good ranges scatter normally about one level, NLOS ones (blocked, reflected) lie above it by
//! 0.2 m plus an exponential; neighbouring ranges share a slow error (people, multipath). The level is
//! the good part's mean (`mixture`); its standard error comes from leaving out one block of
//! consecutive ranges after the other (delete-a-block jackknife), which carries the doubt about which
//! ranges are NLOS, widened for blocks that still resemble their neighbours and by Student's t: s/√n
//! would claim two to four times too much.
//!
//! A level is not an offset: at a taped distance `offset = level - distance` ([`offset_at_distance`]);
//! several occupations go into one adjustment ([`crate::calibrate::adjust`]).
//!
//! An occupation that is NLOS from its first range to its last by one amount looks like a good one: only the other
//! occupations of its board show it ([`crate::calibrate::adjust`]).
//!
//! An occupation is refused with all its reasons when it cannot be trusted to the centimetre. What could be
//! measured is handed over with the refusal, for the picture and for the words.

use hereabout_core::{Micros, Timestamp};

use crate::math::robust::{block_error, block_spans, sorted};
use crate::model::mixture::{COARSE_M, FINE_M, Mixture};

/// A range and when it came.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TimedRange {
    /// Stamp of the frame that brought it: when its last byte was received.
    pub at: Timestamp,
    /// The range as sent, metres, before any correction.
    pub raw_range_m: f64,
}

/// What an occupation must reach.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OccupationSettings {
    /// Standard deviation that a good range of this kit should have, metres.
    pub expected_sigma_m: f64,
    /// Ranges that an occupation needs at least.
    pub min_ranges: usize,
    /// Largest share of NLOS ranges.
    pub max_nlos_share: f64,
    /// Largest scatter of the good ranges, as a multiple of the expected one.
    pub max_sigma_ratio: f64,
    /// Largest step of the level within the occupation, metres.
    pub max_step_m: f64,
    /// Largest standard error of the level, metres.
    pub max_se_m: f64,
}

impl Default for OccupationSettings {
    /// Limits found in trials; the expected σ is the site's default.
    fn default() -> OccupationSettings {
        OccupationSettings {
            expected_sigma_m: 0.10,
            min_ranges: 100,
            max_nlos_share: 0.40,
            max_sigma_ratio: 2.0,
            max_step_m: 0.15,
            max_se_m: 0.02,
        }
    }
}

/// What one board read at one occupation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OccupationReading {
    /// Number of ranges that were used.
    pub ranges: usize,
    /// From the first to the last of them.
    pub span: Micros,
    /// What the board reads with free sight, metres.
    pub level_m: f64,
    /// Standard error of the level, metres: half of its 95 % interval over 1.96.
    pub se_m: f64,
    /// σ/√n of the good ranges, metres: what the error would be without correlation.
    pub naive_se_m: f64,
    /// Standard deviation of the good ranges, metres.
    pub sigma_m: f64,
    /// Share of NLOS ranges, 0 to 1.
    pub nlos_share: f64,
    /// Largest step between an earlier and a later part of the occupation, metres, signed (later - earlier).
    pub step_m: f64,
    /// Where that step lies; the end of the occupation when it is too short to look for one.
    pub step_at: Timestamp,
    /// The noise is correlated and the occupation shorter than two minutes: its error is a rough guess.
    pub short_for_noise: bool,
}

/// Why an occupation is not taken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum OccupationRefusal {
    /// Too few ranges arrived.
    TooFewRanges {
        /// Usable ranges that arrived.
        have: usize,
        /// Ranges that it takes ([`OccupationSettings::min_ranges`]).
        need: usize,
    },
    /// Something stands in the line of sight.
    TooManyNlos {
        /// Share of NLOS ranges, 0 to 1.
        share: f64,
        /// Largest share that is accepted, 0 to 1.
        limit_share: f64,
    },
    /// The good ranges scatter too much.
    TooNoisy {
        /// Standard deviation of the good ranges, metres.
        sigma_m: f64,
        /// Largest value that is accepted, metres.
        limit_m: f64,
    },
    /// The level changed: the tag was moved, or something came into the way.
    Stepped {
        /// Later level minus earlier one, metres.
        by_m: f64,
        /// Largest value that is accepted, metres.
        limit_m: f64,
        /// Stamp of the first range after the step.
        at: Timestamp,
    },
    /// The level is not known well enough: stand longer.
    TooUncertain {
        /// Standard error of the level, metres.
        se_m: f64,
        /// Largest value that is accepted, metres.
        limit_m: f64,
    },
}

/// An occupation that is not taken.
#[derive(Clone, Debug, PartialEq)]
pub struct RefusedOccupation {
    /// Every reason, at least one.
    pub reasons: Vec<OccupationRefusal>,
    /// What was measured all the same; `None` with too few ranges to measure anything.
    pub reading: Option<OccupationReading>,
}

/// Blocks of an occupation: enough for a spread, few enough to outlast the noise's memory.
const BLOCKS: usize = 12;
/// Fewer ranges than this say nothing at all.
const MIN_RANGES: usize = 2 * BLOCKS;
/// A step is looked for where both sides keep this many of the blocks.
const STEP_SIDE_BLOCKS: usize = 3;
/// The good ranges of a part scatter at most this many times as much as those of the whole occupation.
const PART_SCATTER_RATIO: f64 = 1.5;
/// Farther below a level than this many of its standard deviations there are no ranges to speak of...
const BELOW_SIGMAS: f64 = 3.0;
/// ... and this share of them tells that the level is not that of the good ranges.
const MAX_BELOW_SHARE: f64 = 0.1;
/// A minute is short in noise with a memory of ten seconds (trials): below this span it is said.
const SHORT: Micros = Micros::from_millis(120_000);
/// No radio of this kind reaches so far, metres.
pub(crate) const RANGE_LIMIT_M: f64 = 10_000.0;
/// More different values than this are counted by the millimetre.
const MANY_VALUES: usize = 4_000;
/// Memory of the slow error where there is one, seconds (trials).
const NOISE_MEMORY_S: f64 = 10.0;
/// From this ratio of the block error to σ/√n on, the noise counts as correlated.
const CORRELATED_RATIO: f64 = 1.6;

/// Measures one occupation of one board.
///
/// `ranges` in any order; values that are no distances (not finite, not above zero, 10 km and more) are
/// left out.
///
/// # Errors
/// [`RefusedOccupation`] with every reason and with what was measured.
pub fn measure_occupation(
    ranges: &[TimedRange],
    settings: &OccupationSettings,
) -> Result<OccupationReading, RefusedOccupation> {
    let ranges = usable(ranges);
    let need = settings.min_ranges.max(MIN_RANGES);
    let mut reasons = Vec::new();
    if ranges.len() < need {
        reasons.push(OccupationRefusal::TooFewRanges { have: ranges.len(), need });
    }
    let reading = read(&ranges, settings);
    if let Some(r) = &reading {
        judge(r, settings, &mut reasons);
    }
    match reading {
        Some(reading) if reasons.is_empty() => Ok(reading),
        _ => Err(RefusedOccupation { reasons, reading }),
    }
}

/// The one-metre occupation: what a board reads too long at a taped distance, metres.
///
/// `distance_m` is from antenna to antenna, as a slant.
pub fn offset_at_distance(reading: &OccupationReading, distance_m: f64) -> f64 {
    reading.level_m - distance_m
}

fn usable(ranges: &[TimedRange]) -> Vec<TimedRange> {
    let real = |r: &&TimedRange| r.raw_range_m > 0.0 && r.raw_range_m < RANGE_LIMIT_M;
    let mut kept: Vec<TimedRange> = ranges.iter().filter(real).copied().collect();
    kept.sort_by_key(|r| r.at);
    kept
}

fn judge(r: &OccupationReading, settings: &OccupationSettings, reasons: &mut Vec<OccupationRefusal>) {
    let limit_m = settings.max_sigma_ratio * settings.expected_sigma_m;
    if r.nlos_share > settings.max_nlos_share {
        reasons.push(OccupationRefusal::TooManyNlos {
            share: r.nlos_share,
            limit_share: settings.max_nlos_share,
        });
    }
    if r.sigma_m > limit_m {
        reasons.push(OccupationRefusal::TooNoisy { sigma_m: r.sigma_m, limit_m });
    }
    if r.step_m.abs() > settings.max_step_m {
        let (by_m, limit_m, at) = (r.step_m, settings.max_step_m, r.step_at);
        reasons.push(OccupationRefusal::Stepped { by_m, limit_m, at });
    }
    if r.se_m > settings.max_se_m {
        reasons.push(OccupationRefusal::TooUncertain { se_m: r.se_m, limit_m: settings.max_se_m });
    }
}

fn read(ranges: &[TimedRange], settings: &OccupationSettings) -> Option<OccupationReading> {
    if ranges.len() < MIN_RANGES {
        return None;
    }
    let values: Vec<f64> = ranges.iter().map(|r| r.raw_range_m).collect();
    // The scatter may pass the limit (else it could not be refused), but not without bound.
    let sigma_max_m = 2.0 * settings.max_sigma_ratio * settings.expected_sigma_m;
    let table = CountTable::new(&values);
    let whole = Mixture::start(&values)?.refine(&table.values_m, &table.total_counts, sigma_max_m, FINE_M);
    let good = (values.len() as f64 * (1.0 - whole.nlos_share)).max(1.0);
    let naive_se_m = whole.sigma_m / good.sqrt();
    let (first, last) = (ranges.first()?.at, ranges.last()?.at);
    let span = last.since(first);
    let neighbours = (-span.secs_f64() / BLOCKS as f64 / NOISE_MEMORY_S).exp();
    let error = block_error(&table.pseudo_levels(whole, sigma_max_m), naive_se_m, neighbours)?;
    let (step_m, step_index) = table.largest_step(&values, PART_SCATTER_RATIO * whole.sigma_m);
    Some(OccupationReading {
        ranges: values.len(),
        span,
        level_m: whole.level_m,
        // The blocks can agree by chance; the ranges' own scatter is a floor.
        se_m: error.se.max(naive_se_m),
        naive_se_m,
        sigma_m: whole.sigma_m,
        nlos_share: whole.nlos_share,
        step_m,
        step_at: ranges.get(step_index).map_or(last, |r| r.at),
        short_for_noise: span < SHORT && error.plain_se > CORRELATED_RATIO * naive_se_m,
    })
}

/// How often each value came, in all and by block: kits send whole centimetres or millimetres, so an
/// occupation of thousands of ranges holds some hundred values.
struct CountTable {
    spans: Vec<std::ops::Range<usize>>,
    /// The different values, ascending.
    values_m: Vec<f64>,
    /// Counts by block, then by value.
    counts_by_block: Vec<Vec<f64>>,
    /// Counts by value.
    total_counts: Vec<f64>,
}

impl CountTable {
    fn new(ranges_m: &[f64]) -> CountTable {
        let spans = block_spans(ranges_m.len(), BLOCKS);
        let mut values = sorted(ranges_m);
        values.dedup();
        // Floating-point ranges hardly ever repeat; a millimetre is far below what is asked of the mean.
        let coarse = values.len() > MANY_VALUES;
        let cell = |v: f64| if coarse { (v * 1e3).round() / 1e3 } else { v };
        values.iter_mut().for_each(|v| *v = cell(*v));
        values.dedup();
        let count = |part: &[f64]| {
            let mut counts = vec![0.0; values.len()];
            for v in part {
                if let Ok(k) = values.binary_search_by(|x| x.total_cmp(&cell(*v))) {
                    counts[k] += 1.0;
                }
            }
            counts
        };
        let by_block = spans.iter().map(|s| count(&ranges_m[s.clone()])).collect();
        let total = count(ranges_m);
        CountTable { spans, values_m: values, counts_by_block: by_block, total_counts: total }
    }

    /// Jackknife pseudo-values: one level a block, from the fits that leave the block out.
    fn pseudo_levels(&self, whole: Mixture, sigma_max_m: f64) -> Vec<f64> {
        let blocks = self.counts_by_block.len() as f64;
        let without = |block: &Vec<f64>| {
            let rest: Vec<f64> = self.total_counts.iter().zip(block).map(|(all, own)| all - own).collect();
            let level_m = whole.refine(&self.values_m, &rest, sigma_max_m, FINE_M).level_m;
            blocks * whole.level_m - (blocks - 1.0) * level_m
        };
        self.counts_by_block.iter().map(without).collect()
    }

    /// The largest step of the level at a block boundary, and the index of the first range after it.
    /// `ranges_m` are those the table was made of.
    ///
    /// A side that somebody stood in front of for a while holds two heaps. It has no wider good part than the
    /// whole occupation has (`sigma_max_m`), and nothing lies far below a level: where it does, the heap is an NLOS one.
    ///
    /// Beside the true boundary one side holds ranges of both levels and shows the full step as well, with
    /// the strangers among its NLOS ranges: the step counts as much as both sides have good ones.
    fn largest_step(&self, ranges_m: &[f64], sigma_max_m: f64) -> (f64, usize) {
        let mut found = (0.0, ranges_m.len());
        let mut largest = 0.0;
        let mut before = vec![0.0; self.values_m.len()];
        for (k, (span, block)) in self.spans.iter().zip(&self.counts_by_block).enumerate() {
            if k >= STEP_SIDE_BLOCKS && k + STEP_SIDE_BLOCKS <= self.spans.len() {
                let (early, nlos) = ranges_m.split_at(span.start);
                let after: Vec<f64> = self.total_counts.iter().zip(&before).map(|(all, b)| all - b).collect();
                let fit = |part: &[f64], counts: &[f64]| {
                    Some(Mixture::start(part)?.refine(&self.values_m, counts, sigma_max_m, COARSE_M))
                };
                if let (Some(a), Some(b)) = (fit(early, &before), fit(nlos, &after)) {
                    let step = b.level_m - a.level_m;
                    let weight = step.abs() * (1.0 - a.nlos_share) * (1.0 - b.nlos_share);
                    let sound =
                        self.share_below(&a, &before).max(self.share_below(&b, &after)) < MAX_BELOW_SHARE;
                    if sound && weight > largest {
                        (largest, found) = (weight, (step, span.start));
                    }
                }
            }
            for (sum, own) in before.iter_mut().zip(block) {
                *sum += own;
            }
        }
        found
    }

    /// Share of these ranges that lie below a part's level by more than its scatter explains.
    fn share_below(&self, part: &Mixture, counts: &[f64]) -> f64 {
        let below = part.level_m - BELOW_SIGMAS * part.sigma_m;
        let end = self.values_m.partition_point(|v| *v < below);
        counts[..end].iter().sum::<f64>() / counts.iter().sum::<f64>().max(1.0)
    }
}

#[cfg(test)]
mod tests;
