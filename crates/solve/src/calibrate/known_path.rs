//! One board against a known path: offset, and scale where it is proven, from a tag that moves.
//!
//! For kits with a reference instrument beside them (total station, satellite positions), and for judging
//! a calibration by the truth of another run. Model: raw = scale·d + offset + e with the occupation's mixture of
//! good and NLOS ranges for e ([`crate::calibrate::occupation`]); the distances d are taken as exact. Expectation and
//! maximisation alternates between the mixture and a weighted line; the line starts from the medians of
//! eight groups of like distance (Theil and Sen: the median of all slopes between them), so that a scale
//! of several per cent does not look like NLOS ranges. Errors come from leaving out one block of time
//! after the other, as at an occupation.

use hereabout_core::{Micros, Timestamp};
use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::calibrate::adjust::{MIN_UNASKED_SCALE_RATIO, ScaleChoice};
use crate::calibrate::occupation::RANGE_LIMIT_M;
use crate::math::robust::{block_error, block_spans, median};
use crate::model::mixture::{FINE_M, Mixture};

/// A range and the true distance at its instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PathRange {
    /// Stamp of the frame that brought it: when its last byte was received.
    pub at: Timestamp,
    /// True distance from anchor to tag, metres.
    pub distance_m: f64,
    /// The range as sent, metres.
    pub raw_range_m: f64,
}

/// One board's correction from a path: true range = (raw - offset) / scale.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PathOffset {
    /// Number of ranges that were used.
    pub ranges: usize,
    /// From the first to the last of them.
    pub span: Micros,
    /// Mean of the true distances, metres.
    pub mean_distance_m: f64,
    /// Constant part, metres; positive when the board reads long.
    pub offset_m: f64,
    /// Standard error of the correction at the mean distance, metres.
    pub se_m: f64,
    /// Proportional part; 1 when it is fixed.
    pub scale: f64,
    /// Standard error of the scale; `None` when it is fixed.
    pub scale_se: Option<f64>,
    /// Probability of as large a scale by chance; `None` when it was not looked for.
    pub scale_chance_probability: Option<f64>,
    /// Standard deviation of the good ranges, metres.
    pub sigma_m: f64,
    /// Share of NLOS ranges, 0 to 1.
    pub nlos_share: f64,
}

/// Why a path gives no correction.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum PathRefusal {
    /// Too few ranges with a distance.
    TooFewRanges {
        /// Usable ranges with a distance.
        have: usize,
        /// Ranges that it takes.
        need: usize,
    },
    /// A scale was asked for and the distances do not spread enough.
    ScaleNotSupported {
        /// Spread of the true distances, metres.
        spread_m: f64,
        /// Spread that a scale needs at least, metres.
        need_m: f64,
    },
}

const BLOCKS: usize = 12;
const MIN_RANGES: usize = 100;
const GROUPS: usize = 8;
const MIN_SCALE_SPREAD_M: f64 = 3.0;
const MAX_SCALE_CHANCE_PROBABILITY: f64 = 1e-3;
/// Memory of the slow error, seconds (trials).
const NOISE_MEMORY_S: f64 = 10.0;
const MAX_ROUNDS: usize = 80;
const SETTLED_M: f64 = 5e-5;

/// Fits one board. `ranges` in any order; values that are no distances are left out. `sigma_max_m` bounds the
/// scatter of good ranges.
///
/// # Errors
/// [`PathRefusal`].
pub fn fit_path(
    ranges: &[PathRange],
    scale: ScaleChoice,
    sigma_max_m: f64,
) -> Result<PathOffset, PathRefusal> {
    let fitter = Fitter::of(ranges, sigma_max_m)?;
    let supported = fitter.spread_m >= MIN_SCALE_SPREAD_M;
    if scale == ScaleChoice::Asked && !supported {
        return Err(PathRefusal::ScaleNotSupported { spread_m: fitter.spread_m, need_m: MIN_SCALE_SPREAD_M });
    }
    if scale != ScaleChoice::Never && supported {
        let sloped = fitter.correction(Slope::Free);
        let proven = sloped.scale_chance_probability.is_some_and(|c| c < MAX_SCALE_CHANCE_PROBABILITY)
            && (sloped.scale - 1.0).abs() >= MIN_UNASKED_SCALE_RATIO;
        if proven || scale == ScaleChoice::Asked {
            return Ok(sloped);
        }
        return Ok(PathOffset {
            scale_chance_probability: sloped.scale_chance_probability,
            ..fitter.correction(Slope::Fixed(0.0))
        });
    }
    Ok(fitter.correction(Slope::Fixed(0.0)))
}

/// Fits all boards of one path, one list of ranges each.
///
/// As [`fit_path`], but boards share what they know about the scale: the weighted mean of the boards' scales
/// (without odd ones) is taken for every board when it is proven or asked for, except for a board that provably
/// differs from it.
pub fn fit_paths(
    boards: &[Vec<PathRange>],
    scale: ScaleChoice,
    sigma_max_m: f64,
) -> Vec<Result<PathOffset, PathRefusal>> {
    let single = || boards.iter().map(|ranges| fit_path(ranges, ScaleChoice::Never, sigma_max_m));
    if scale == ScaleChoice::Never {
        return single().collect();
    }
    let own: Vec<Option<(f64, f64)>> = boards
        .iter()
        .map(|ranges| {
            let free = fit_path(ranges, ScaleChoice::Asked, sigma_max_m).ok()?;
            Some((free.scale - 1.0, free.scale_se.filter(|se| *se > 0.0)?))
        })
        .collect();
    let Some((common, common_se)) = common_slope(&own) else { return single().collect() };
    let chance = chance_of(common / common_se);
    if scale != ScaleChoice::Asked
        && (chance >= MAX_SCALE_CHANCE_PROBABILITY || common.abs() < MIN_UNASKED_SCALE_RATIO)
    {
        let with_chance = |b: PathOffset| PathOffset { scale_chance_probability: Some(chance), ..b };
        return single().map(|b| b.map(with_chance)).collect();
    }
    let board = |(ranges, own): (&Vec<PathRange>, &Option<(f64, f64)>)| {
        let fitter = Fitter::of(ranges, sigma_max_m)?;
        if own.is_some_and(|(k, se)| chance_of((k - common) / se) < MAX_SCALE_CHANCE_PROBABILITY) {
            return Ok(fitter.correction(Slope::Free));
        }
        let fixed = fitter.correction(Slope::Fixed(common));
        Ok(PathOffset { scale_se: Some(common_se), scale_chance_probability: Some(chance), ..fixed })
    };
    boards.iter().zip(&own).map(board).collect()
}

/// Weighted mean and standard error of the boards' slopes, without those that are far from the middle one
/// for their own error.
fn common_slope(own_ratios: &[Option<(f64, f64)>]) -> Option<(f64, f64)> {
    let slopes: Vec<f64> = own_ratios.iter().flatten().map(|(k, _)| *k).collect();
    let middle = median(&slopes)?;
    let (mut weight, mut sum) = (0.0, 0.0);
    for (k, se) in own_ratios.iter().flatten().filter(|(k, se)| (k - middle).abs() <= 4.0 * se) {
        weight += 1.0 / (se * se);
        sum += k / (se * se);
    }
    (weight > 0.0).then(|| (sum / weight, 1.0 / weight.sqrt()))
}

/// Whether the scale is sought.
#[derive(Clone, Copy, PartialEq)]
enum Slope {
    Free,
    /// Scale minus one.
    Fixed(f64),
}

/// Level and slope of raw - distance over distance - mean distance.
#[derive(Clone, Copy)]
struct Line {
    mixture: Mixture,
    slope_ratio: f64,
}

struct Fitter {
    /// Distance minus its mean, metres, in order of time.
    beyond_m: Vec<f64>,
    /// Raw minus distance, metres.
    excess_m: Vec<f64>,
    mean_m: f64,
    spread_m: f64,
    span: Micros,
    sigma_max_m: f64,
}

impl Fitter {
    fn of(ranges: &[PathRange], sigma_max_m: f64) -> Result<Fitter, PathRefusal> {
        let real = |r: &&PathRange| {
            r.raw_range_m > 0.0
                && r.raw_range_m < RANGE_LIMIT_M
                && r.distance_m >= 0.0
                && r.distance_m < RANGE_LIMIT_M
        };
        let mut kept: Vec<PathRange> = ranges.iter().filter(real).copied().collect();
        kept.sort_by_key(|r| r.at);
        if kept.len() < MIN_RANGES {
            return Err(PathRefusal::TooFewRanges { have: kept.len(), need: MIN_RANGES });
        }
        Ok(Fitter::new(&kept, sigma_max_m))
    }

    fn new(kept: &[PathRange], sigma_max_m: f64) -> Fitter {
        let distances = || kept.iter().map(|r| r.distance_m);
        let mean_m = distances().sum::<f64>() / kept.len().max(1) as f64;
        let low = distances().fold(f64::INFINITY, f64::min);
        let span = match kept {
            [first, .., last] => last.at.since(first.at),
            _ => Micros::ZERO,
        };
        Fitter {
            beyond_m: distances().map(|d| d - mean_m).collect(),
            excess_m: kept.iter().map(|r| r.raw_range_m - r.distance_m).collect(),
            mean_m,
            spread_m: distances().fold(0.0, f64::max) - low,
            span,
            sigma_max_m,
        }
    }

    fn correction(&self, slope: Slope) -> PathOffset {
        let all = vec![1.0; self.excess_m.len()];
        let whole = self.refine(self.start(slope), &all, slope);
        let good = (all.len() as f64 * (1.0 - whole.mixture.nlos_share)).max(1.0);
        let white_se = whole.mixture.sigma_m / good.sqrt();
        let neighbours = (-self.span.secs_f64() / BLOCKS as f64 / NOISE_MEMORY_S).exp();
        let (levels, slopes) = self.pseudo_values(whole, slope);
        let error =
            |means: &[f64], white| block_error(means, white, neighbours).map_or(white, |e| e.se.max(white));
        let width = (self.beyond_m.iter().map(|b| b * b).sum::<f64>() / all.len() as f64).sqrt();
        let slope_se = error(&slopes, white_se / width.max(1e-9));
        PathOffset {
            ranges: all.len(),
            span: self.span,
            mean_distance_m: self.mean_m,
            offset_m: whole.mixture.level_m - whole.slope_ratio * self.mean_m,
            se_m: error(&levels, white_se),
            scale: 1.0 + whole.slope_ratio,
            scale_se: (slope == Slope::Free).then_some(slope_se),
            scale_chance_probability: (slope == Slope::Free).then(|| chance_of(whole.slope_ratio / slope_se)),
            sigma_m: whole.mixture.sigma_m,
            nlos_share: whole.mixture.nlos_share,
        }
    }

    fn start(&self, slope: Slope) -> Line {
        let slope = match slope {
            Slope::Free => self.group_slope(),
            Slope::Fixed(slope) => slope,
        };
        let mixture = Mixture::start(&self.residuals(slope)).unwrap_or(Mixture {
            level_m: 0.0,
            sigma_m: 0.1,
            nlos_share: 0.1,
            nlos_mean_m: 0.6,
        });
        Line { mixture, slope_ratio: slope }
    }

    fn residuals(&self, slope_ratio: f64) -> Vec<f64> {
        self.excess_m.iter().zip(&self.beyond_m).map(|(e, b)| e - slope_ratio * b).collect()
    }

    /// Median of the slopes between the medians of groups of like distance.
    fn group_slope(&self) -> f64 {
        let mut order: Vec<usize> = (0..self.beyond_m.len()).collect();
        order.sort_by(|a, b| self.beyond_m[*a].total_cmp(&self.beyond_m[*b]));
        let centre = |span: std::ops::Range<usize>| {
            let of =
                |values: &[f64]| median(&order[span.clone()].iter().map(|i| values[*i]).collect::<Vec<_>>());
            Some((of(&self.beyond_m)?, of(&self.excess_m)?))
        };
        let centres: Vec<(f64, f64)> =
            block_spans(order.len(), GROUPS).into_iter().filter_map(centre).collect();
        let mut slopes = Vec::new();
        for (k, (x0, y0)) in centres.iter().enumerate() {
            slopes.extend(
                centres[k + 1..]
                    .iter()
                    .filter(|(x1, _)| x1 - x0 > 1e-3)
                    .map(|(x1, y1)| (y1 - y0) / (x1 - x0)),
            );
        }
        median(&slopes).unwrap_or(0.0)
    }

    /// Mixture and line in turn, a round each, over the ranges whose count is not zero.
    fn refine(&self, mut line: Line, counts: &[f64], slope: Slope) -> Line {
        if slope != Slope::Free {
            line.mixture =
                line.mixture.refine(&self.residuals(line.slope_ratio), counts, self.sigma_max_m, FINE_M);
            return line;
        }
        for _ in 0..MAX_ROUNDS {
            let level_m = line.mixture.level_m;
            line.mixture = line.mixture.round(&self.residuals(line.slope_ratio), counts, self.sigma_max_m);
            let (mut w, mut wx, mut wy, mut wxx, mut wxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
            let judge = line.mixture.judge();
            for ((x, y), count) in self.beyond_m.iter().zip(&self.excess_m).zip(counts) {
                let weight = count * judge(y - line.slope_ratio * x);
                w += weight;
                wx += weight * x;
                wy += weight * y;
                wxx += weight * x * x;
                wxy += weight * x * y;
            }
            let spread = w * wxx - wx * wx;
            if spread <= 1e-9 * w * wxx {
                break;
            }
            let next = (w * wxy - wx * wy) / spread;
            let moved = (next - line.slope_ratio).abs() * self.spread_m;
            line.slope_ratio = next;
            if moved < SETTLED_M && (line.mixture.level_m - level_m).abs() < SETTLED_M {
                break;
            }
        }
        line
    }

    /// Jackknife pseudo-values of level and slope, one a block of time.
    fn pseudo_values(&self, whole: Line, slope: Slope) -> (Vec<f64>, Vec<f64>) {
        let n = self.excess_m.len();
        let spans = block_spans(n, BLOCKS);
        let blocks = spans.len() as f64;
        let pseudo = |all: f64, without: f64| blocks * all - (blocks - 1.0) * without;
        let one = |span: std::ops::Range<usize>| {
            let counts: Vec<f64> = (0..n).map(|i| f64::from(u8::from(!span.contains(&i)))).collect();
            let rest = self.refine(whole, &counts, slope);
            (pseudo(whole.mixture.level_m, rest.mixture.level_m), pseudo(whole.slope_ratio, rest.slope_ratio))
        };
        spans.into_iter().map(one).unzip()
    }
}

/// Two-sided probability of Student's t with the blocks' degrees of freedom.
fn chance_of(t_sigmas: f64) -> f64 {
    if !t_sigmas.is_finite() {
        return 1.0;
    }
    StudentsT::new(0.0, 1.0, (BLOCKS - 1) as f64).map_or(1.0, |law| 2.0 * law.sf(t_sigmas.abs()))
}

#[cfg(test)]
mod tests;
