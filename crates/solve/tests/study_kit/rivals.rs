//! What the tracker is measured against: a filter that knows which ranges are NLOS, and one that gates.

use hereabout_core::Dimension;
use nalgebra::{SMatrix, SVector};

use crate::kit::{Kit, TrueEpoch};

type V6 = SVector<f64, 6>;
type M6 = SMatrix<f64, 6, 6>;

/// Which ranges the filter takes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Choice {
    /// Exactly the good ones: nobody can know that.
    Oracle,
    /// Those within this many σ of the prediction.
    Gate(f64),
}

/// Constant velocity with white-noise acceleration, extended Kalman filter.
#[derive(Clone, Debug)]
pub(crate) struct Filter {
    x: V6,
    p: M6,
    q: f64,
    choice: Choice,
}

impl Filter {
    /// Starts at a place known to 0.1 m, velocity unknown.
    pub(crate) fn new(at: [f64; 3], q: f64, choice: Choice, dimension: Dimension) -> Filter {
        let mut p = M6::identity() * 0.01;
        for i in 3..6 {
            p[(i, i)] = 0.5;
        }
        if dimension.unknowns() == 2 {
            p[(2, 2)] = 0.0;
            p[(5, 5)] = 0.0;
        }
        Filter { x: V6::new(at[0], at[1], at[2], 0.0, 0.0, 0.0), p, q, choice }
    }

    /// One epoch; the place after it.
    pub(crate) fn step(&mut self, dt: f64, epoch: &TrueEpoch, kit: &Kit) -> [f64; 3] {
        let mut f = M6::identity();
        let mut q = M6::zeros();
        for i in 0..kit.dimension.unknowns() {
            f[(i, i + 3)] = dt;
            q[(i, i)] = self.q * dt * dt * dt / 3.0;
            q[(i, i + 3)] = self.q * dt * dt / 2.0;
            q[(i + 3, i)] = q[(i, i + 3)];
            q[(i + 3, i + 3)] = self.q * dt;
        }
        self.x = f * self.x;
        self.p = f * self.p * f.transpose() + q;
        for r in &epoch.ranges {
            let a = nalgebra::Vector3::from(kit.anchors[r.anchor]);
            let v = self.x.fixed_rows::<3>(0) - a;
            let n = v.norm().max(1e-3);
            let mut h = V6::zeros();
            for i in 0..kit.dimension.unknowns() {
                h[i] = v[i] / n;
            }
            let s = (h.transpose() * self.p * h)[0] + kit.sigma_m * kit.sigma_m;
            let e = r.range_m - n;
            let take = match self.choice {
                Choice::Oracle => r.good,
                Choice::Gate(k) => e * e < k * k * s,
            };
            if take {
                let gain = self.p * h / s;
                self.x += gain * e;
                self.p -= gain * h.transpose() * self.p;
                self.p = (self.p + self.p.transpose()) * 0.5;
            }
        }
        [self.x[0], self.x[1], self.x[2]]
    }

    /// After a jump: the oracle knows it, too.
    pub(crate) fn put(&mut self, at: [f64; 3], dimension: Dimension) {
        *self = Filter::new(at, self.q, self.choice, dimension);
    }
}
