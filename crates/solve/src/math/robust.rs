//! Order statistics and block statistics that one bad range cannot move.
//!
//! Ranges of a standing tag are a narrow heap with a long tail of NLOS ones. The half-sample mode
//! finds the heap without knowing its width (D. R. Bickel and R. Frühwirth, "On a fast, robust
//! estimator of the mode", Computational Statistics and Data Analysis 50, 2006); the median absolute
//! deviation gives a width; means of consecutive blocks show what neighbouring ranges share, which
//! s/√n does not.
//!
//! All functions take plain slices, leave them as they are, and answer `None` for too few values.
//! Values must be finite; a NaN sorts last and spoils only its own rank.

use statrs::distribution::{ContinuousCDF, StudentsT};
use statrs::function::gamma::ln_gamma;

/// Standard deviations per median absolute deviation of a normal distribution: 1/Φ⁻¹(3/4).
pub const SIGMA_PER_MAD: f64 = 1.482_602_218_505_602;

/// Mean and sample standard deviation (n - 1) by the two-pass formula.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MeanSd {
    /// Arithmetic mean, unit of the values.
    pub mean: f64,
    /// Sample standard deviation, unit of the values.
    pub sd: f64,
}

/// A sorted copy.
pub(crate) fn sorted(values: &[f64]) -> Vec<f64> {
    let mut copy = values.to_vec();
    copy.sort_unstable_by(f64::total_cmp);
    copy
}

/// The middle value, or the mean of the two middle ones; `None` for an empty slice.
pub fn median(values: &[f64]) -> Option<f64> {
    median_of_sorted(&sorted(values))
}

/// The same of values that are sorted already.
pub(crate) fn median_of_sorted(values: &[f64]) -> Option<f64> {
    let n = values.len();
    let upper = *values.get(n / 2)?;
    Some(if n % 2 == 1 { upper } else { 0.5 * (values[n / 2 - 1] + upper) })
}

/// Median absolute deviation from `centre`, scaled to the standard deviation of a normal
/// distribution; `None` for an empty slice.
pub fn mad_sigma(values: &[f64], centre: f64) -> Option<f64> {
    let off: Vec<f64> = values.iter().map(|v| (v - centre).abs()).collect();
    Some(SIGMA_PER_MAD * median(&off)?)
}

/// The half-sample mode: the narrowest half of the values, then of that half, and so on.
///
/// Among equally narrow halves (ranges come in whole centimetres) the middle one is taken, so that
/// rounding does not pull to one side. `None` for an empty slice.
pub fn half_sample_mode(values: &[f64]) -> Option<f64> {
    let values = sorted(values);
    let mut part = values.as_slice();
    while part.len() > 3 {
        let half = part.len().div_ceil(2);
        let width = |i: usize| part[i + half - 1] - part[i];
        let starts = 0..=part.len() - half;
        let narrowest = starts.clone().map(width).fold(f64::INFINITY, f64::min);
        let ties: Vec<usize> = starts.filter(|&i| width(i) <= narrowest).collect();
        // Only a NaN can leave no window; then the lower half is as good as any.
        let from = ties.get(ties.len() / 2).copied().unwrap_or(0);
        part = &part[from..from + half];
    }
    match *part {
        [] => None,
        [a, b, c] if b - a < c - b => Some(0.5 * (a + b)),
        [a, b, c] if b - a > c - b => Some(0.5 * (b + c)),
        _ => median_of_sorted(part),
    }
}

/// Mean and standard deviation; `None` for fewer than two values.
///
/// Two passes with the mean's own rounding error taken out again: the textbook Σx² formula loses
/// every digit when the spread is small beside the level (NIST StRD NumAcc3, NumAcc4).
pub fn mean_sd(values: &[f64]) -> Option<MeanSd> {
    if values.len() < 2 {
        return None;
    }
    let n = values.len() as f64;
    let rough = values.iter().sum::<f64>() / n;
    let rest = values.iter().map(|v| v - rough).sum::<f64>();
    let squares = values.iter().map(|v| (v - rough) * (v - rough)).sum::<f64>();
    Some(MeanSd { mean: rough + rest / n, sd: ((squares - rest * rest / n).max(0.0) / (n - 1.0)).sqrt() })
}

/// Correlation of each value with the next one; `None` for fewer than two values or no spread.
pub fn lag1_correlation(values: &[f64]) -> Option<f64> {
    let mean = mean_sd(values)?.mean;
    let squares: f64 = values.iter().map(|v| (v - mean) * (v - mean)).sum();
    let pairs: f64 = values.windows(2).map(|w| (w[0] - mean) * (w[1] - mean)).sum();
    (squares > 0.0).then(|| pairs / squares)
}

/// `blocks` consecutive index spans that cover `0..n`, their lengths differing by at most one.
/// Fewer spans when there are fewer values than blocks.
pub fn block_spans(n: usize, blocks: usize) -> Vec<std::ops::Range<usize>> {
    let blocks = blocks.min(n);
    (0..blocks).map(|b| n * b / blocks..n * (b + 1) / blocks).collect()
}

/// The mean of consecutive blocks, reported with the error that correlated values leave in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BlockError {
    /// Half of the 95 % interval over 1.96: a standard error that may be used as if it were known.
    pub se: f64,
    /// The plain standard error of the blocks' mean, before correlation and Student's t.
    pub plain_se: f64,
    /// Correlation of neighbouring blocks, freed from its small-sample bias, not below 0.
    pub correlation: f64,
}

/// Largest correlation of neighbouring blocks that is believed: above it the stand is too short
/// for any block statistics, and the caller's limit on the standard error decides.
const MAX_BLOCK_CORRELATION: f64 = 0.6;

/// Blocks whose spread passes the single values' own by less than this factor (of variance) may do so
/// by chance: the 95 % quantile of χ² over its 11 degrees of freedom.
const CHANCE_SPREAD: f64 = 1.8;

/// Error of the mean of block means; `None` for fewer than four blocks.
///
/// Model: block means are a first-order autoregression with correlation ρ. Its sample value is low
/// by (1 + 4ρ)/B (M. G. Kendall, Biometrika 41, 1954; from memory), the variance of the mean grows by
/// (1 + ρ)/(1 - ρ), and the quantile is Student's with one degree of freedom less than blocks.
///
/// `white_se` is the error that the scatter of the single values alone would leave. Only blocks that
/// spread more than that share something slow; a dozen blocks are too few to show how slow, so ρ is at
/// least `neighbours`, in proportion to the slow part of the variance. The sample's own ρ counts only where
/// the spread is more than chance: in white noise it is nothing but noise.
pub fn block_error(means: &[f64], white_se: f64, neighbours: f64) -> Option<BlockError> {
    if means.len() < 4 {
        return None;
    }
    let b = means.len() as f64;
    let plain_se = mean_sd(means)?.sd / b.sqrt();
    let white_share = (white_se / plain_se.max(f64::MIN_POSITIVE)).powi(2);
    let seen = if CHANCE_SPREAD * white_share < 1.0 {
        (lag1_correlation(means).unwrap_or(0.0) * b + 1.0) / (b - 4.0).max(1.0)
    } else {
        0.0
    };
    let correlation = seen.max(neighbours * (1.0 - white_share)).clamp(0.0, MAX_BLOCK_CORRELATION);
    let growth = ((1.0 + correlation) / (1.0 - correlation)).sqrt();
    let t = student_t_975(b - 1.0);
    Some(BlockError { se: plain_se * growth * t / Z_975, plain_se, correlation })
}

/// Normal quantile at 0.975.
pub(crate) const Z_975: f64 = 1.959_963_984_540_054;

/// Student's t quantile at 0.975 for `dof` > 0 degrees of freedom (two-sided 95 %); not below one
/// degree of freedom.
pub fn student_t_975(dof: f64) -> f64 {
    let dof = if dof.is_finite() { dof.max(1.0) } else { return Z_975 };
    let Ok(law) = StudentsT::new(0.0, 1.0, dof) else { return Z_975 };
    // The library's inverse is good to six digits or so; its distribution function to all of them.
    let mut t = law.inverse_cdf(0.975);
    for _ in 0..3 {
        t -= (law.cdf(t) - 0.975) / student_density(t, dof);
    }
    t
}

fn student_density(t: f64, dof: f64) -> f64 {
    let scale = ln_gamma(0.5 * (dof + 1.0)) - ln_gamma(0.5 * dof) - 0.5 * (dof * std::f64::consts::PI).ln();
    (scale - 0.5 * (dof + 1.0) * (t * t / dof).ln_1p()).exp()
}

#[cfg(test)]
mod tests;
