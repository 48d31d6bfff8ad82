//! One hypothesis about the tag: which anchors are NLOS, whether it moves, and a Gaussian for the rest.
//!
//! **State.** `x = [position (d), velocity (d), one bias per NLOS anchor]`, d = 2 or 3, with the lower
//! triangle of its covariance packed row by row. Biases are appended when an anchor becomes NLOS and
//! taken out when it is good again, so that the usual hypothesis (nobody NLOS) costs 4 × 4. In the *still*
//! motion the velocity rows are exactly zero.
//!
//! **Updates** are scalar, one range at a time: no matrix is ever inverted, the covariance stays
//! symmetric by construction, and every innovation variance is at least the noise variance.

use hereabout_core::{AnchorSet, MAX_ANCHORS};

use super::motion::propagate;
use crate::math::small_matrix::{Sym, at};

/// Rows of the largest state.
pub(crate) const MAX_STATE: usize = 6 + MAX_ANCHORS;
const PACKED: usize = MAX_STATE * (MAX_STATE + 1) / 2;

/// See the module's prose.
#[derive(Clone, Debug)]
pub(crate) struct Hypothesis {
    /// Unknown coordinates, 2 or 3.
    pub(crate) d: usize,
    /// Rows in use.
    pub(crate) rows: usize,
    pub(crate) state: [f64; MAX_STATE],
    pub(crate) covariance: [f64; PACKED],
    /// Anchor of each bias row.
    bias_of: [u8; MAX_ANCHORS],
    /// Anchors labelled NLOS.
    pub(crate) nlos: AnchorSet,
    /// Whether the tag moves.
    pub(crate) moving: bool,
    /// Share of the belief.
    pub(crate) weight: f64,
    /// Hypotheses that descend from one start or restart share a number.
    pub(crate) restart_id: u32,
    /// Labels before this epoch.
    pub(crate) was_nlos: AnchorSet,
    /// Anchors whose range of this epoch was taken as good, …
    pub(crate) good_now: AnchorSet,
    /// … as NLOS with a new bias, …
    pub(crate) fresh_now: AnchorSet,
    /// … or as wild.
    pub(crate) wild_now: AnchorSet,
}

impl Hypothesis {
    /// A hypothesis without content, to be filled by [`Hypothesis::copy_from`].
    pub(crate) fn blank(d: usize) -> Hypothesis {
        Hypothesis {
            d,
            rows: 2 * d,
            state: [0.0; MAX_STATE],
            covariance: [0.0; PACKED],
            bias_of: [0; MAX_ANCHORS],
            nlos: AnchorSet::EMPTY,
            moving: true,
            weight: 0.0,
            restart_id: 0,
            was_nlos: AnchorSet::EMPTY,
            good_now: AnchorSet::EMPTY,
            fresh_now: AnchorSet::EMPTY,
            wild_now: AnchorSet::EMPTY,
        }
    }

    /// A moving tag at `place_m` with covariance `covariance_m2` and unknown velocity.
    pub(crate) fn start(
        &mut self,
        place_m: &[f64; 3],
        covariance_m2: &Sym,
        speed_sd_mps: f64,
        weight: f64,
        restart_id: u32,
    ) {
        let d = self.d;
        *self = Hypothesis { weight, restart_id, ..Hypothesis::blank(d) };
        self.state[..d].copy_from_slice(&place_m[..d]);
        for i in 0..d {
            for j in 0..=i {
                self.covariance[at(i, j)] = covariance_m2[at(i, j)];
            }
            self.covariance[at(d + i, d + i)] = speed_sd_mps * speed_sd_mps;
        }
    }

    /// Takes over another hypothesis; only the rows in use are copied.
    pub(crate) fn copy_from(&mut self, o: &Hypothesis) {
        let n = o.rows;
        let packed = n * (n + 1) / 2;
        self.d = o.d;
        self.rows = n;
        self.state[..n].copy_from_slice(&o.state[..n]);
        self.covariance[..packed].copy_from_slice(&o.covariance[..packed]);
        self.bias_of = o.bias_of;
        self.nlos = o.nlos;
        self.moving = o.moving;
        self.weight = o.weight;
        self.restart_id = o.restart_id;
        self.was_nlos = o.was_nlos;
        self.good_now = o.good_now;
        self.fresh_now = o.fresh_now;
        self.wild_now = o.wild_now;
    }

    /// Place, with `height_m` for the coordinate that 2D doesn't estimate.
    pub(crate) fn place(&self, height_m: f64) -> [f64; 3] {
        [self.state[0], self.state[1], if self.d == 3 { self.state[2] } else { height_m }]
    }

    /// Covariance of the place.
    pub(crate) fn place_cov(&self) -> Sym {
        let mut c = [0.0; 6];
        let packed = self.d * (self.d + 1) / 2;
        c[..packed].copy_from_slice(&self.covariance[..packed]);
        c
    }

    /// Row of an anchor's bias; `None` while the anchor is good.
    pub(crate) fn bias_row(&self, anchor: usize) -> Option<usize> {
        if !self.nlos.contains(anchor) {
            return None;
        }
        let first = 2 * self.d;
        (first..self.rows).find(|&r| usize::from(self.bias_of[r - first]) == anchor)
    }

    /// Time passes for a moving tag ([`propagate`]).
    pub(crate) fn drift(&mut self, dt_s: f64, acceleration_m2ps3: f64) {
        propagate(&mut self.state, &mut self.covariance, self.d, self.rows, dt_s, acceleration_m2ps3);
    }

    /// Time passes for a standing tag: the place creeps by `var_m2` per axis.
    pub(crate) fn creep(&mut self, var_m2: f64) {
        for a in 0..self.d {
            self.covariance[at(a, a)] += var_m2;
        }
    }

    /// From 1 for a velocity of zero down to 0 for one that is surely larger than `brake_mps`.
    pub(crate) fn slowness(&self, brake_mps: f64) -> f64 {
        let d = self.d;
        let miss: f64 = (d..2 * d)
            .map(|v| self.state[v] * self.state[v] / (brake_mps * brake_mps + self.covariance[at(v, v)]))
            .sum();
        (-0.5 * miss).exp()
    }

    /// The tag stops: velocity exactly zero.
    pub(crate) fn stop(&mut self) {
        self.moving = false;
        self.set_velocity(0.0);
    }

    /// The tag sets off with a velocity that is not known.
    pub(crate) fn set_off(&mut self, speed_sd_mps: f64) {
        self.moving = true;
        self.set_velocity(speed_sd_mps * speed_sd_mps);
    }

    fn set_velocity(&mut self, variance_m2ps2: f64) {
        for v in self.d..2 * self.d {
            self.state[v] = 0.0;
            for j in 0..self.rows {
                self.covariance[at(v, j)] = 0.0;
            }
            self.covariance[at(v, v)] = variance_m2ps2;
        }
    }

    /// Labels an anchor NLOS with a bias of this mean and variance, independent of everything else.
    pub(crate) fn add_bias(&mut self, anchor: usize, mean_m: f64, var_m2: f64) {
        let r = self.rows;
        self.bias_of[r - 2 * self.d] = anchor as u8;
        self.rows += 1;
        self.state[r] = mean_m;
        for j in 0..r {
            self.covariance[at(r, j)] = 0.0;
        }
        self.covariance[at(r, r)] = var_m2;
        self.nlos.insert(anchor);
    }

    /// Labels an anchor good; its bias is forgotten.
    pub(crate) fn drop_bias(&mut self, anchor: usize) {
        let Some(gone) = self.bias_row(anchor) else { return };
        for i in gone + 1..self.rows {
            for j in 0..=i {
                let value = self.covariance[at(i, j)];
                if j != gone {
                    self.covariance[at(i - 1, if j > gone { j - 1 } else { j })] = value;
                }
            }
            self.state[i - 1] = self.state[i];
            self.bias_of[i - 1 - 2 * self.d] = self.bias_of[i - 2 * self.d];
        }
        self.rows -= 1;
        self.nlos.remove(anchor);
    }

    /// One scalar Kalman update with the row vector h = [u on the place, 1 on `bias`], innovation
    /// `innovation_m` and innovation variance `innovation_m2`.
    pub(crate) fn update(
        &mut self,
        direction: &[f64; 3],
        bias: Option<usize>,
        innovation_m: f64,
        innovation_m2: f64,
    ) {
        let n = self.rows;
        let mut ph = [0.0; MAX_STATE];
        for (i, v) in ph.iter_mut().enumerate().take(n) {
            *v = (0..self.d).map(|j| self.covariance[at(i, j)] * direction[j]).sum();
            if let Some(b) = bias {
                *v += self.covariance[at(i, b)];
            }
        }
        let mut k = 0;
        for i in 0..n {
            let gain = ph[i] / innovation_m2;
            self.state[i] += gain * innovation_m;
            for other in &ph[..=i] {
                self.covariance[k] -= gain * other;
                k += 1;
            }
        }
        // Rounding must not leave a variance at or below zero where there was one.
        for i in 0..n {
            let v = &mut self.covariance[at(i, i)];
            if *v < 0.0 {
                *v = 1e-12;
            }
        }
    }

    /// uᵀ·(covariance between place and bias row `b`).
    pub(crate) fn cross(&self, direction: &[f64; 3], b: usize) -> f64 {
        (0..self.d).map(|j| self.covariance[at(b, j)] * direction[j]).sum()
    }

    /// Joins another hypothesis with the same labels: weighted mean, moment-matched covariance. The bias
    /// rows may stand in another order over there.
    pub(crate) fn merge(&mut self, o: &Hypothesis) {
        let total = self.weight + o.weight;
        if total.is_nan() || total <= 0.0 || self.rows != o.rows {
            return;
        }
        let share = o.weight / total;
        let first = 2 * self.d;
        let mut from = [0usize; MAX_STATE];
        for (i, f) in from.iter_mut().enumerate().take(self.rows) {
            *f = if i < first { i } else { o.bias_row(usize::from(self.bias_of[i - first])).unwrap_or(i) };
        }
        let mut gap = [0.0; MAX_STATE];
        for i in 0..self.rows {
            gap[i] = o.state[from[i]] - self.state[i];
        }
        for i in 0..self.rows {
            for j in 0..=i {
                let p = &mut self.covariance[at(i, j)];
                *p += share * (o.covariance[at(from[i], from[j])] - *p)
                    + share * (1.0 - share) * gap[i] * gap[j];
            }
            self.state[i] += share * gap[i];
        }
        if o.weight > self.weight {
            self.was_nlos = o.was_nlos;
            self.good_now = o.good_now;
            self.fresh_now = o.fresh_now;
            self.wild_now = o.wild_now;
            self.restart_id = o.restart_id;
        }
        self.weight = total;
    }
}

#[cfg(test)]
mod tests;
