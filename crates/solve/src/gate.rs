//! The outlier gate: which ranges of one epoch contradict the others.
//!
//! **Global test.** If all errors are Gaussian with the stated σ, χ² of the best place follows the χ² distribution with
//! `n − u` degrees of freedom. A tail probability below `alpha_global` says that something is wrong. It is one level for any
//! number of ranges, so that false alarms come at one rate; 0.001 makes one in a thousand good epochs suspect.
//!
//! **Local test** (Baarda 1968). The standardised residual `w = v/(σ√r)` of a good range is standard normal. The largest
//! |w| is blamed if its two-sided tail is below `alpha_local` (0.001: |w| > 3.29), it is taken out, and the rest is solved again until
//! the global test passes.
//!
//! **Who can be blamed.** Leaving out range `i` lowers χ² by `w_i²` (linearised). With one degree of freedom all |w| are
//! equal: the ranges contradict each other and none can be blamed. The same holds for any two ranges whose removal would each heal the
//! epoch, with nothing to choose between them: a rectangle's opposite corners seen from its centre. So a range is blamed only
//! if no other removal that also passes comes within [`BLAME_APART`] of it (odds of twenty to one). Otherwise
//! the answer is "inconsistent", never a guess.
//!
//! **Limits.** At most half of the redundancy is given up: beyond that the ranges left over could agree by chance.
//!
//! Symbols: `n` ranges, `u` unknowns, `v` residual, `r` redundancy number, `k` critical value, `δ0` non-centrality.

use arrayvec::ArrayVec;
use hereabout_core::{Fence, NoFixReason};

use crate::distribution::{chi2_tail, normal_quantile, normal_two_sided_tail};
use crate::locate::{PLACES_APART, Seen};
use crate::places::{Place, places};
use crate::sights::Sights;

/// Difference in χ² that makes one range twenty times as likely as another to be the wrong one: 2 ln 20.
pub const BLAME_APART: f64 = 5.991_464_547_107_982;

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

    fn epoch_passes(&self, chi2: f64, dof: usize) -> bool {
        chi2_tail(chi2, dof) >= self.alpha_global
    }
}

/// What the gate says about one epoch.
#[derive(Clone, Debug)]
pub(crate) enum Judgement<const D: usize> {
    /// One place, from the ranges in `used`.
    Accepted { place: Place<D>, used: Sights<D> },
    /// Two places that pass and cannot be told apart, likelier first.
    TwoPlaces { places: ArrayVec<Place<D>, 2>, used: Sights<D> },
    /// A contradiction without a culprit; `place` is what all ranges together give.
    Inconsistent { place: Place<D> },
    /// No place to judge.
    Impossible(NoFixReason),
}

/// Solves, tests, and takes ranges out as long as one can be blamed.
pub(crate) fn judge<const D: usize>(all: &Sights<D>, fence: &Fence, gate: &GateSettings) -> Judgement<D> {
    let mut used = all.clone();
    let mut of_all = None;
    loop {
        let found = match places(&used, fence) {
            Ok(found) => found,
            Err(reason) => return of_all.map_or(Judgement::Impossible(reason), inconsistent),
        };
        let believable: ArrayVec<Place<D>, 2> =
            found.iter().filter(|p| passes(p, used.dof(), gate)).copied().collect();
        match believable[..] {
            [a, b] if b.weight() - a.weight() < PLACES_APART => {
                return Judgement::TwoPlaces { places: believable, used };
            }
            [place, ..] => return Judgement::Accepted { place, used },
            [] => {}
        }
        let place = *of_all.get_or_insert(found[0]);
        let given_up = all.list.len() - used.list.len();
        if 2 * (given_up + 1) > all.dof() {
            return inconsistent(place);
        }
        match blamed(&used, &found[0], gate) {
            Some(at) => used.list.remove(at),
            None => return inconsistent(place),
        };
    }
}

fn inconsistent<const D: usize>(place: Place<D>) -> Judgement<D> {
    Judgement::Inconsistent { place }
}

/// Whether ranges and fence allow this place.
fn passes<const D: usize>(place: &Place<D>, dof: usize, gate: &GateSettings) -> bool {
    place.penalty < PLACES_APART && gate.epoch_passes(place.chi2, dof)
}

/// Position in the list of the one range that explains the misfit, if there is one.
fn blamed<const D: usize>(used: &Sights<D>, place: &Place<D>, gate: &GateSettings) -> Option<usize> {
    let squares: ArrayVec<f64, { hereabout_core::MAX_ANCHORS }> =
        used.list.iter().map(|s| Seen::new(s, place).standardised().map_or(0.0, |w| w * w)).collect();
    let (worst, &most) = squares.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1))?;
    if normal_two_sided_tail(most.sqrt()) >= gate.alpha_local {
        return None;
    }
    let rival = squares.iter().enumerate().any(|(i, &square)| {
        i != worst && most - square < BLAME_APART && gate.epoch_passes(place.chi2 - square, used.dof() - 1)
    });
    (!rival).then_some(worst)
}

#[cfg(test)]
#[path = "gate_tests.rs"]
mod tests;
