//! Tails and quantiles of the normal and the χ² distribution, for whole degrees of freedom.
//!
//! The gate compares tail probabilities with its levels instead of statistics with quantiles: for whole
//! degrees of freedom the χ² tail is a finite sum (Abramowitz & Stegun 26.4.4 and 26.4.5, from memory;
//! checked against `chi2_quantiles.csv`), cheap enough for every epoch, and no table limits the number of
//! ranges.

use std::f64::consts::{PI, SQRT_2};

use libm::erfc;
use statrs::function::erf::erfc_inv;

/// P(χ² > `x`) with `dof` degrees of freedom; 1 for `x` ≤ 0, and for `dof` 0 (nothing to contradict).
pub fn chi2_tail(x: f64, dof: usize) -> f64 {
    if dof == 0 || x <= 0.0 {
        return 1.0;
    }
    let h = 0.5 * x;
    let bell = (-h).exp();
    let (mut tail, mut term, mut k) = if dof.is_multiple_of(2) {
        (0.0, bell, 1.0)
    } else {
        (erfc(h.sqrt()), bell * 2.0 * (h / PI).sqrt(), 1.5)
    };
    for _ in 0..dof / 2 {
        tail += term;
        term *= h / k;
        k += 1.0;
    }
    // Far out `bell` is 0 while the powers of `h` overflow: that product is 0, not NaN.
    if tail.is_nan() { 0.0 } else { tail.min(1.0) }
}

/// Density of χ² with `dof` ≥ 1 degrees of freedom at `x` > 0.
fn chi2_density(x: f64, dof: usize) -> f64 {
    // tail(dof + 2) − tail(dof) is the last term of the sum, h^(dof/2) e^-h / Γ(dof/2 + 1).
    (chi2_tail(x, dof + 2) - chi2_tail(x, dof)) * dof as f64 / (2.0 * x)
}

/// The value that χ² with `dof` degrees of freedom exceeds with probability `tail`, 0 < `tail` < 1.
///
/// 0 for `dof` 0 or `tail` ≥ 1; infinite for `tail` ≤ 0 or NaN.
pub fn chi2_quantile(tail: f64, dof: usize) -> f64 {
    if dof == 0 || tail >= 1.0 {
        return 0.0;
    }
    if tail.is_nan() || tail <= 0.0 {
        return f64::INFINITY;
    }
    // Bracket, then Newton kept inside the bracket by bisection.
    let (mut lo, mut hi) = (0.0, dof as f64 + 10.0);
    while chi2_tail(hi, dof) > tail && hi < 1e5 {
        (lo, hi) = (hi, 2.0 * hi);
    }
    let mut x = 0.5 * (lo + hi);
    for _ in 0..200 {
        let over = chi2_tail(x, dof) - tail;
        if over > 0.0 {
            lo = x;
        } else {
            hi = x;
        }
        let newton = x + over / chi2_density(x, dof);
        let next = if newton > lo && newton < hi { newton } else { 0.5 * (lo + hi) };
        if (next - x).abs() <= 1e-15 * x {
            return next;
        }
        x = next;
    }
    x
}

/// P(|z| > `w`) of the standard normal distribution.
pub fn normal_two_sided_tail(w: f64) -> f64 {
    erfc(w.abs() / SQRT_2)
}

/// The standard normal quantile of `p`, 0 < `p` < 1.
pub fn normal_quantile(p: f64) -> f64 {
    -SQRT_2 * erfc_inv(2.0 * p)
}
