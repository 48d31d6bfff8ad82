//! Seeded ranges for the tests of zones: good, late in stretches, or wild, at any rate.

/// Numbers that look random, the same everywhere.
pub(super) struct Dice(pub(super) u64);

impl Dice {
    /// Uniform in 0..1.
    pub(super) fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) as f64 / (1u64 << 31) as f64
    }

    /// Near enough to a Gaussian of standard deviation 1.
    pub(super) fn gauss(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }
}

/// Error of one anchor's ranges, metres: noise of 8 cm; late stretches of 1.5 s on average for a share of the time, by
/// 0.2 m and an exponential of mean 0.6 m on top, wandering by 5 cm in a tenth of a second.
pub(super) struct Errors {
    late: f64,
    rate_hz: f64,
    delay_m: Option<f64>,
}

impl Errors {
    pub(super) fn new(late: f64, rate_hz: f64) -> Errors {
        Errors { late, rate_hz, delay_m: None }
    }

    pub(super) fn next_m(&mut self, dice: &mut Dice) -> f64 {
        let leave = (1.0 / (1.5 * self.rate_hz)).min(1.0);
        let enter = leave * self.late / (1.0 - self.late);
        let wander_m = 0.05 * (10.0 / self.rate_hz).sqrt();
        self.delay_m = match self.delay_m {
            None => (dice.unit() < enter).then(|| 0.2 - 0.6 * dice.unit().max(1e-9).ln()),
            Some(_) if dice.unit() < leave => None,
            Some(d) => Some((d + wander_m * dice.gauss()).max(0.1)),
        };
        0.08 * dice.gauss() + self.delay_m.unwrap_or(0.0)
    }
}
