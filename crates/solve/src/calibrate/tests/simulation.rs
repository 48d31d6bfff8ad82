//! Seeded ranges of a standing tag for the calibration tests: white and slow noise, NLOS stretches.

use hereabout_core::Timestamp;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Exp, StandardNormal};

use crate::calibrate::occupation::TimedRange;

pub(crate) fn rng(seed: u64) -> ChaCha8Rng {
    ChaCha8Rng::seed_from_u64(seed)
}

pub(crate) fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// How one board's ranges behave at one occupation.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Kit {
    pub(crate) rate_hz: f64,
    pub(crate) seconds: f64,
    pub(crate) sigma_m: f64,
    /// Standard deviation and memory of the slow part.
    pub(crate) slow_sd_m: f64,
    pub(crate) slow_s: f64,
    pub(crate) nlos_share: f64,
    /// Mean length of an NLOS stretch; 0 makes every frame independent.
    pub(crate) nlos_s: f64,
    /// Whether a stretch is NLOS by the same amount from its first range to its last (as `sim` has it).
    pub(crate) nlos_same: bool,
}

impl Kit {
    pub(crate) const WHITE: Kit = Kit {
        rate_hz: 10.0,
        seconds: 60.0,
        sigma_m: 0.07,
        slow_sd_m: 0.0,
        slow_s: 10.0,
        nlos_share: 0.0,
        nlos_s: 1.5,
        nlos_same: false,
    };

    /// Ranges about `level_m`, rounded to the centimetre as kits send them.
    pub(crate) fn ranges(&self, rng: &mut ChaCha8Rng, level_m: f64) -> Vec<TimedRange> {
        let dt = 1.0 / self.rate_hz;
        let keep = (-dt / self.slow_s).exp();
        let mut slow = self.slow_sd_m * normal(rng);
        let mut nlos = rng.random::<f64>() < self.nlos_share;
        let tail = Exp::new(1.0 / 0.6).unwrap();
        let mut same = if self.nlos_same { 0.2 + tail.sample(rng) } else { 0.0 };
        let n = (self.seconds * self.rate_hz).round() as usize;
        (0..n)
            .map(|i| {
                slow = keep * slow + (1.0 - keep * keep).sqrt() * self.slow_sd_m * normal(rng);
                let was_nlos = nlos;
                nlos = self.next_nlos(rng, nlos, dt);
                if self.nlos_same && nlos && !was_nlos {
                    same = 0.2 + tail.sample(rng);
                }
                let extra = match nlos {
                    true if self.nlos_same => same,
                    true => 0.2 + tail.sample(rng),
                    false => 0.0,
                };
                let raw = level_m + slow + extra + self.sigma_m * normal(rng);
                let at = Timestamp::from_micros((i as f64 * dt * 1e6) as i64);
                TimedRange { at, raw_range_m: (raw * 100.0).round() / 100.0 }
            })
            .collect()
    }

    fn next_nlos(&self, rng: &mut ChaCha8Rng, nlos: bool, dt: f64) -> bool {
        let u: f64 = rng.random();
        if self.nlos_s <= 0.0 {
            return u < self.nlos_share;
        }
        let leave = (dt / self.nlos_s).min(1.0);
        let enter = leave * self.nlos_share / (1.0 - self.nlos_share);
        if nlos { u >= leave } else { u < enter }
    }
}
