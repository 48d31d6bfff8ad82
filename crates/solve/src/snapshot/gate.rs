//! The outlier gate: which ranges of one epoch contradict the others.
//!
//! **Global test.** If all errors are Gaussian with the stated σ, χ² of the best place follows the χ²
//! distribution with `n − u` degrees of freedom. A tail probability below `alpha_global` says that something
//! is wrong. It is one level for any number of ranges, so that false alarms come at one rate; 0.001 makes one
//! in a thousand good epochs suspect.
//!
//! **Local test** (Baarda 1968). The standardised residual `w = v/(σ√r)` of a good range is standard normal,
//! and `w²` is what leaving that range out takes off χ². Errors of a metre or more bend the linear model, so
//! the gate does not trust the formula: it solves once without each range and takes what χ² really loses. The
//! range with the largest loss is identified as the outlier if the two-sided tail of that |w| is below `alpha_local` (0.001: |w|
//! > 3.29); it is taken out, and the rest is tested again.
//!
//! **What can be identified.** With one degree of freedom leaving out any range heals the epoch: the ranges
//! contradict each other and none can be identified. The same holds for any two ranges whose removal would each
//! heal it, with nothing to choose between them: a rectangle's opposite corners seen from its centre. So a
//! range is identified only if no other removal that also passes comes within [`FAULTS_APART_CHI2`] of it (odds of
//! twenty to one). Otherwise the answer is "inconsistent", never a guess.
//!
//! **Limits.** At most half of the redundancy is given up: beyond that the ranges left over could agree by
//! chance.
//!
//! Symbols: `n` ranges, `u` unknowns, `v` residual, `r` redundancy number, `k` critical value, `δ0`
//! non-centrality.

use hereabout_core::{Fence, NoFixReason};

use crate::math::distribution::{chi2_tail, normal_quantile, normal_two_sided_tail};
use crate::snapshot::linearised::LocalRanges;
use crate::snapshot::minima::{MINIMA_APART_CHI2, PositionMinima, PositionMinimum, minima};

/// Difference in χ² that makes one range twenty times as likely as another to be the wrong one: 2 ln 20.
pub const FAULTS_APART_CHI2: f64 = 5.991_464_547_107_982;

/// Levels of the gate's two tests.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GateSettings {
    /// Probability that the global test fails a good epoch.
    pub alpha_global: f64,
    /// Probability that the local test finds fault with a good range.
    pub alpha_local: f64,
}

impl Default for GateSettings {
    /// Baarda's 0.001 for one range (k = 3.29), and the same for the epoch.
    fn default() -> GateSettings {
        GateSettings { alpha_global: 0.001, alpha_local: 0.001 }
    }
}

impl GateSettings {
    /// Critical value `k` of |w|.
    pub fn critical(&self) -> f64 {
        normal_quantile(1.0 - 0.5 * self.alpha_local)
    }

    /// Baarda's `δ0`: how many standard deviations of its residual an error must have to be found with
    /// probability `power`.
    pub fn noncentrality(&self, power: f64) -> f64 {
        self.critical() + normal_quantile(power)
    }

    /// The smallest error of one range (metres) that the local test finds with probability `power`: δ0 σ/√r.
    /// Infinite without redundancy.
    pub fn detectable_m(&self, sigma_m: f64, redundancy: f64, power: f64) -> f64 {
        self.noncentrality(power) * sigma_m / redundancy.max(0.0).sqrt()
    }
}

/// What the gate says about one epoch.
#[derive(Clone, Debug)]
pub(crate) enum Judgement<const D: usize> {
    /// One place, from the ranges in `used`.
    Accepted { place: PositionMinimum<D>, used: LocalRanges<D> },
    /// Two places that pass and cannot be distinguished, likelier first.
    TwoPlaces { places: PositionMinima<D>, used: LocalRanges<D> },
    /// A contradiction without a culprit; `place` is what all ranges together give.
    Inconsistent { place: PositionMinimum<D> },
    /// No place that could be judged: too few ranges or weak geometry.
    Impossible(NoFixReason),
}

/// Solves, tests, and takes ranges out as long as one can be identified.
pub(crate) fn judge<const D: usize>(
    all: &LocalRanges<D>,
    fence: &Fence,
    gate: &GateSettings,
) -> Judgement<D> {
    let mut used = all.clone();
    let mut found = match minima(&used, fence) {
        Ok(found) => found,
        Err(reason) => return Judgement::Impossible(reason),
    };
    let of_all = found[0];
    loop {
        let believable: PositionMinima<D> =
            found.iter().filter(|p| passes(p, used.dof(), gate)).copied().collect();
        match believable[..] {
            [a, b] if b.penalised_chi2() - a.penalised_chi2() < MINIMA_APART_CHI2 => {
                return Judgement::TwoPlaces { places: believable, used };
            }
            [place, ..] => return Judgement::Accepted { place, used },
            [] => {}
        }
        let given_up = all.list.len() - used.list.len();
        let blamed =
            if 2 * (given_up + 1) > all.dof() { None } else { identify(&used, &found[0], fence, gate) };
        match blamed {
            Some((index, without)) => {
                used.list.remove(index);
                found = without;
            }
            None => return Judgement::Inconsistent { place: of_all },
        }
    }
}

/// Whether ranges and fence allow this place.
fn passes<const D: usize>(place: &PositionMinimum<D>, dof: usize, gate: &GateSettings) -> bool {
    place.penalty_chi2 < MINIMA_APART_CHI2 && chi2_tail(place.chi2, dof) >= gate.alpha_global
}

/// The one range that explains the residuals, if there is one: its position in the list, and the places without
/// it.
fn identify<const D: usize>(
    used: &LocalRanges<D>,
    place: &PositionMinimum<D>,
    fence: &Fence,
    gate: &GateSettings,
) -> Option<(usize, PositionMinima<D>)> {
    let mut best: Option<(usize, PositionMinima<D>)> = None;
    // The lowest weight among the removals that pass but are not the best.
    let mut rival = f64::INFINITY;
    let mut lowest = f64::INFINITY;
    for index in 0..used.list.len() {
        let mut rest = used.clone();
        rest.list.remove(index);
        let Ok(without) = minima(&rest, fence) else { continue };
        let weight = without[0].penalised_chi2();
        let heals = passes(&without[0], rest.dof(), gate);
        if weight < lowest {
            if best.as_ref().is_some_and(|(_, b)| passes(&b[0], rest.dof(), gate)) {
                rival = rival.min(lowest);
            }
            lowest = weight;
            best = Some((index, without));
        } else if heals {
            rival = rival.min(weight);
        }
    }
    let lost = (place.penalised_chi2() - lowest).max(0.0);
    let identified =
        normal_two_sided_tail(lost.sqrt()) < gate.alpha_local && rival - lowest >= FAULTS_APART_CHI2;
    best.filter(|_| identified)
}

#[cfg(test)]
mod tests;
