//! Random numbers that repeat on every machine, one independent stream per concern.
//!
//! The generator is ChaCha with 8 rounds: its output is defined by bits, and one key has 2^64
//! independent streams. The distributions use only the four operations, the square root (both exact
//! by IEEE 754) and a logarithm in software, because the platform's own may differ in its last bit.

use rand::Rng as _;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng as _;

/// What a stream is for. The numbers are part of every seeded result: never renumber.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Concern {
    Noise = 1,
    Nlos = 2,
    Dropout = 3,
    SecondBoard = 4,
    Jitter = 5,
    Cut = 6,
    Flip = 7,
}

/// One stream of random numbers.
#[derive(Clone, Debug)]
pub(crate) struct Stream {
    bits: ChaCha8Rng,
    spare_normal: Option<f64>,
}

impl Stream {
    /// The stream of one concern about one tag and one anchor (0 where it is about neither).
    pub(crate) fn new(seed: u64, concern: Concern, tag: u32, anchor: u16) -> Stream {
        let mut key = [0; 32];
        key[..8].copy_from_slice(&seed.to_le_bytes());
        let mut bits = ChaCha8Rng::from_seed(key);
        bits.set_stream((concern as u64) << 56 | u64::from(tag) << 16 | u64::from(anchor));
        Stream { bits, spare_normal: None }
    }

    /// Uniform in [0, 1), 53 bits.
    pub(crate) fn uniform(&mut self) -> f64 {
        (self.bits.next_u64() >> 11) as f64 * (1.0 / (1u64 << 53) as f64)
    }

    /// Uniform over 0 to n - 1; 0 for n = 0. The bias of the plain product is below n / 2^53.
    pub(crate) fn below(&mut self, n: usize) -> usize {
        ((self.uniform() * n as f64) as usize).min(n.saturating_sub(1))
    }

    /// Exponential with mean 1.
    pub(crate) fn exponential(&mut self) -> f64 {
        -libm::log(1.0 - self.uniform())
    }

    /// Normal with mean 0 and deviation 1, by Marsaglia's polar method (Marsaglia and Bray 1964,
    /// SIAM Review 6(3), from memory).
    pub(crate) fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare_normal.take() {
            return spare;
        }
        loop {
            let x = 2.0 * self.uniform() - 1.0;
            let y = 2.0 * self.uniform() - 1.0;
            let s = x * x + y * y;
            if s > 0.0 && s < 1.0 {
                let stretch = (-2.0 * libm::log(s) / s).sqrt();
                self.spare_normal = Some(y * stretch);
                return x * stretch;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stream(seed: u64, anchor: u16) -> Stream {
        Stream::new(seed, Concern::Noise, 0, anchor)
    }

    /// Share of `n` draws at or below each bound, against the distribution, within 4.5 standard errors.
    fn check(mut draw: impl FnMut() -> f64, expected: &[(f64, f64)]) {
        let n = 200_000;
        let mut draws: Vec<f64> = (0..n).map(|_| draw()).collect();
        draws.sort_by(f64::total_cmp);
        for (bound, share) in expected {
            let got = draws.partition_point(|d| d <= bound) as f64 / f64::from(n);
            let error = (share * (1.0 - share) / f64::from(n)).sqrt();
            assert!((got - share).abs() <= 4.5 * error, "at {bound}: {got}, expected {share}");
        }
    }

    #[test]
    fn the_distributions_are_what_they_are_called() {
        // Normal: standard table, from memory (1.644854, 1.959964, 3.090232 are the usual quantiles).
        let mut s = stream(1, 0);
        let table =
            [(-3.090_232, 0.001), (-1.644_854, 0.05), (0.0, 0.5), (1.0, 0.841_345), (1.959_964, 0.975)];
        check(|| s.normal(), &table);
        // Exponential: 1 - e^-x at ln 2 and at 1, from the definition.
        let mut s = stream(2, 0);
        check(|| s.exponential(), &[(0.0, 0.0), (std::f64::consts::LN_2, 0.5), (1.0, 0.632_120_558_8)]);
        let mut s = stream(3, 0);
        check(|| s.uniform(), &[(0.1, 0.1), (0.5, 0.5), (0.99, 0.99)]);
        let mut s = stream(4, 0);
        check(|| s.below(4) as f64, &[(0.0, 0.25), (1.0, 0.5), (2.0, 0.75), (3.0, 1.0)]);
    }

    #[test]
    fn streams_repeat_and_differ() {
        let draws = |seed, anchor| {
            let mut s = stream(seed, anchor);
            [s.normal(), s.uniform(), s.exponential()]
        };
        assert_eq!(draws(7, 1), draws(7, 1));
        assert_ne!(draws(7, 1), draws(7, 2));
        assert_ne!(draws(7, 1), draws(8, 1));
        assert_eq!(stream(1, 1).below(0), 0);
    }

    #[test]
    fn the_bits_are_those_of_chacha() {
        // Key 0, stream 0, 8 rounds: first keystream word of the ECRYPT test vectors for ChaCha8
        // (set 1 style, all-zero key and nonce), from memory: 3e 00 ef 2f 89 5f 40 d6.
        let mut zero = ChaCha8Rng::from_seed([0; 32]);
        assert_eq!(zero.next_u64().to_le_bytes(), [0x3e, 0x00, 0xef, 0x2f, 0x89, 0x5f, 0x40, 0xd6]);
    }
}
