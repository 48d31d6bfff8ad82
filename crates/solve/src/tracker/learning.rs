//! What the tracker learns while it runs: noise per anchor, how often labels change.
//!
//! **Noise.** σ² of an anchor is the mean of (residual² + variance of the predicted range) over its good
//! ranges, weighted by the probability that they were good: the expectation step of EM, run online with
//! forgetting. A kit that is several times noisier than its start value would fool it for ever: half of
//! its errors would pass as NLOS. But an NLOS range is never *short*: the short side alone is a clean half
//! of the Gaussian. The mean of (innovation² − predicted variance) over short ranges is kept beside the
//! other estimate, and when it is clearly larger, it counts. A single mad reading counts as four σ at most.
//!
//! **Labels.** A good anchor turns NLOS with probability `good_to_nlos` per reading, an NLOS one turns
//! good with `nlos_to_good`; an NLOS one that stays NLOS takes a new delay with `renewal_probability`. These are counted
//! over all anchors together from the hypotheses' own labels, with forgetting, on top of a few imagined
//! readings that keep the rates sane at the start.

use hereabout_core::MAX_ANCHORS;

/// Probabilities of label changes between two readings of one anchor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Rates {
    pub(crate) good_to_nlos_probability: f64,
    pub(crate) nlos_to_good_probability: f64,
    /// Share of the NLOS that stay NLOS but with a new delay.
    pub(crate) renewal_probability: f64,
    pub(crate) wild_probability: f64,
}

/// Memory of the label rates, in readings.
const RATE_MEMORY_READINGS: f64 = 1_500.0;
/// Memory of the noise, in good readings of one anchor.
const NOISE_MEMORY_READINGS: f64 = 600.0;
/// The short side's σ² counts from 1/0.6 of the other one on: below that it may be chance or a manoeuvre.
const SHORT_TRUST_RATIO: f64 = 0.6;
/// The start value of σ counts like this many readings.
const NOISE_START_READINGS: f64 = 25.0;
/// Memory of an anchor's NLOS share, in readings.
const SHARE_MEMORY_READINGS: f64 = 300.0;
/// The noise is never taken as less or more than this, metres.
const SIGMA_SPAN_M: [f64; 2] = [0.02, 3.0];

/// Expected changes of label, from which the rates follow.
#[derive(Clone, Copy, Debug)]
pub(crate) struct LabelCounts {
    from_good_weight: f64,
    good_to_nlos_weight: f64,
    from_nlos_weight: f64,
    nlos_to_good_weight: f64,
    renewed_weight: f64,
}

impl LabelCounts {
    /// Imagined readings: NLOS for about a second at ten ranges a second, 15 % of the time.
    pub(crate) fn start() -> LabelCounts {
        LabelCounts {
            from_good_weight: 60.0,
            good_to_nlos_weight: 1.5,
            from_nlos_weight: 20.0,
            nlos_to_good_weight: 3.0,
            renewed_weight: 3.0,
        }
    }

    /// Lets the past fade by one reading.
    pub(crate) fn fade(&mut self) {
        let start = LabelCounts::start();
        let keep = 1.0 - 1.0 / RATE_MEMORY_READINGS;
        let fade = |v: &mut f64, s: f64| *v = s + (*v - s) * keep;
        fade(&mut self.from_good_weight, start.from_good_weight);
        fade(&mut self.good_to_nlos_weight, start.good_to_nlos_weight);
        fade(&mut self.from_nlos_weight, start.from_nlos_weight);
        fade(&mut self.nlos_to_good_weight, start.nlos_to_good_weight);
        fade(&mut self.renewed_weight, start.renewed_weight);
    }

    /// One change (or none) of probability `weight`.
    pub(crate) fn count(&mut self, was_nlos: bool, is_nlos: bool, fresh: bool, weight: f64) {
        if was_nlos {
            self.from_nlos_weight += weight;
            self.nlos_to_good_weight += if is_nlos { 0.0 } else { weight };
            self.renewed_weight += if is_nlos && fresh { weight } else { 0.0 };
        } else {
            self.from_good_weight += weight;
            self.good_to_nlos_weight += if is_nlos { weight } else { 0.0 };
        }
    }

    /// The rates for an anchor that was last heard `gap_s` ago.
    pub(crate) fn rates(&self, gap_s: f64, wild_probability: f64) -> Rates {
        let mut good_to_nlos = (self.good_to_nlos_weight / self.from_good_weight).clamp(0.002, 0.5);
        let mut nlos_to_good = (self.nlos_to_good_weight / self.from_nlos_weight).clamp(0.02, 0.98);
        let stays = (self.from_nlos_weight - self.nlos_to_good_weight).max(1e-3);
        let renew = (self.renewed_weight / stays).clamp(0.02, 0.98);
        // After a long silence the old label says little: go over to the long-run shares.
        let forget = 1.0 - (-(gap_s - 0.5).max(0.0)).exp();
        let nlos_share = good_to_nlos / (good_to_nlos + nlos_to_good);
        good_to_nlos += forget * (nlos_share - good_to_nlos);
        nlos_to_good += forget * (1.0 - nlos_share - nlos_to_good);
        Rates {
            good_to_nlos_probability: good_to_nlos,
            nlos_to_good_probability: nlos_to_good,
            renewal_probability: renew,
            wild_probability,
        }
    }
}

/// Share of an anchor's ranges lately that must be too short to contradict a place.
const MIN_CONTRADICTING_SHARE: f64 = 0.3;
/// And so many of them: a single wild one says nothing.
const MIN_SHORT_READINGS: f64 = 1.5;

/// What was learned about one anchor.
#[derive(Clone, Copy, Debug)]
pub(crate) struct AnchorMemory {
    square_sum_m2: f64,
    square_weight: f64,
    short_square_sum_m2: f64,
    short_weight: f64,
    nlos_weight: f64,
    label_weight: f64,
    pub(crate) readings: u64,
    /// Information that its good ranges gave lately, 1/m², fading within about a second.
    pub(crate) information_per_m2: f64,
    /// Its ranges lately, and those among them that were far too short, fading alike.
    recent_weight: f64,
    recent_short_weight: f64,
}

impl AnchorMemory {
    pub(crate) fn new(sigma_m: f64) -> AnchorMemory {
        AnchorMemory {
            square_sum_m2: NOISE_START_READINGS * sigma_m * sigma_m,
            square_weight: NOISE_START_READINGS,
            short_square_sum_m2: NOISE_START_READINGS * sigma_m * sigma_m,
            short_weight: NOISE_START_READINGS,
            nlos_weight: 0.0,
            label_weight: 0.0,
            readings: 0,
            information_per_m2: 0.0,
            recent_weight: 0.0,
            recent_short_weight: 0.0,
        }
    }

    /// Time goes by: what was heard fades by this factor.
    pub(crate) fn fade(&mut self, by_factor: f64) {
        self.information_per_m2 *= by_factor;
        self.recent_weight *= by_factor;
        self.recent_short_weight *= by_factor;
    }

    /// One more range, far too short for the place or not.
    pub(crate) fn count_short(&mut self, too_short: bool) {
        self.recent_weight += 1.0;
        self.recent_short_weight += if too_short { 1.0 } else { 0.0 };
    }

    /// Whether its ranges lately can't come from the place: nothing that stands in the way makes a range too short.
    pub(crate) fn contradicts(&self) -> bool {
        self.recent_short_weight > MIN_SHORT_READINGS.max(MIN_CONTRADICTING_SHARE * self.recent_weight)
    }

    /// The present σ, metres.
    pub(crate) fn sigma_m(&self) -> f64 {
        let both = self.square_sum_m2 / self.square_weight;
        let short = SHORT_TRUST_RATIO * self.short_square_sum_m2 / self.short_weight;
        both.max(short).max(0.0).sqrt().clamp(SIGMA_SPAN_M[0], SIGMA_SPAN_M[1])
    }

    /// Share of NLOS or wild ranges lately; `None` before the first range.
    pub(crate) fn nlos_share(&self) -> Option<f64> {
        (self.label_weight > 0.0).then(|| (self.nlos_weight / self.label_weight).clamp(0.0, 1.0))
    }

    /// A range that was good with `weight`; `square_m2` = residual² + predicted variance.
    pub(crate) fn noise(&mut self, weight: f64, square_m2: f64) {
        let keep = 1.0 - weight / NOISE_MEMORY_READINGS;
        self.square_sum_m2 = self.square_sum_m2 * keep + weight * square_m2;
        self.square_weight = self.square_weight * keep + weight;
    }

    /// A range that was short with `weight`.
    pub(crate) fn short(&mut self, weight: f64, square_m2: f64) {
        let keep = 1.0 - weight / NOISE_MEMORY_READINGS;
        self.short_square_sum_m2 = self.short_square_sum_m2 * keep + weight * square_m2;
        self.short_weight = self.short_weight * keep + weight;
    }

    /// One more range, good with probability `p_good`.
    pub(crate) fn heard(&mut self, p_good: f64) {
        let keep = 1.0 - 1.0 / SHARE_MEMORY_READINGS;
        self.nlos_weight = self.nlos_weight * keep + 1.0 - p_good;
        self.label_weight = self.label_weight * keep + 1.0;
        self.readings += 1;
    }
}

/// One memory per anchor.
pub(crate) type Memories = arrayvec::ArrayVec<AnchorMemory, MAX_ANCHORS>;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rates_follow_what_was_counted() {
        let mut c = LabelCounts::start();
        for k in 0..20_000 {
            c.fade();
            // Every fifth good reading turns NLOS, every NLOS one turns good again.
            let nlos = k % 5 == 0;
            c.count(nlos, !nlos && k % 5 == 4, false, 1.0);
        }
        let r = c.rates(0.1, 0.003);
        assert!((0.2..0.27).contains(&r.good_to_nlos_probability), "{r:?}");
        assert!((0.85..=0.98).contains(&r.nlos_to_good_probability), "{r:?}");
    }

    #[test]
    fn after_a_long_silence_the_old_label_counts_for_nothing() {
        let r = LabelCounts::start().rates(100.0, 0.003);
        assert!((r.good_to_nlos_probability + r.nlos_to_good_probability - 1.0).abs() < 1e-9);
    }

    #[test]
    fn noise_converges_to_the_mean_square_of_good_ranges() {
        let mut m = AnchorMemory::new(0.1);
        for _ in 0..20_000 {
            m.noise(1.0, 0.04 * 0.04);
            m.short(0.5, 0.04 * 0.04);
        }
        assert!((m.sigma_m() - 0.04).abs() < 1e-6);
        // A short side that is far worse wins: the long side hides behind a blocked path.
        for _ in 0..20_000 {
            m.short(0.5, 0.2 * 0.2);
        }
        assert!((m.sigma_m() - 0.2 * SHORT_TRUST_RATIO.sqrt()).abs() < 1e-6);
        assert_eq!(m.nlos_share(), None);
        m.heard(0.25);
        assert_eq!(m.nlos_share(), Some(0.75));
    }
}
