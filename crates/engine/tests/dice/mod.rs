//! Seeded random numbers for the simulated kits of tests and studies.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, Exp1, StandardNormal, StandardUniform};

/// Seeded random numbers.
#[derive(Clone, Debug)]
pub(crate) struct Dice(ChaCha8Rng);

impl Dice {
    /// The same numbers for the same seed on every machine.
    pub(crate) fn new(seed: u64) -> Dice {
        Dice(ChaCha8Rng::seed_from_u64(seed))
    }
    /// Uniform between the two.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        let unit: f64 = StandardUniform.sample(&mut self.0);
        low + (high - low) * unit
    }
    /// True with this probability.
    pub(crate) fn odds(&mut self, p: f64) -> bool {
        self.between(0.0, 1.0) < p
    }
    /// Standard normal.
    pub(crate) fn gauss(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }
    /// How much longer a late range is, metres: 0.2 and an exponential of mean 0.6.
    pub(crate) fn delay(&mut self) -> f64 {
        let exp: f64 = Exp1.sample(&mut self.0);
        0.2 + 0.6 * exp
    }
}
