//! How a tag moves from one instant to the next, said once for the bank, the published moments and the smoother.
//!
//! **Model.** A moving tag has constant velocity with white-noise acceleration of density q (m²/s³). Over a step Δt, per axis:
//!
//! ```text
//! F = [1 Δt; 0 1]        Q = q · [Δt³/3  Δt²/2; Δt²/2  Δt]
//! ```
//!
//! A tag that stands still creeps: its place gains a variance that grows with Δt.
//!
//! **State.** `x = [position (d), velocity (d), anything that does not move]` with the packed lower triangle `covariance` of its
//! covariance, row by row ([`at`]).
//!
//! **Source.** Continuous white-noise acceleration: Bar-Shalom, Li & Kirubarajan 2001, ch. 6, from memory.

use crate::math::small_matrix::at;

/// How the tag moves and how delays wander.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Motion {
    /// Density q of the white-noise acceleration of a moving tag, m²/s³.
    pub acceleration_m2ps3: f64,
    /// Creep of a standing tag, metres per √(0.1 s).
    pub creep_m: f64,
    /// Stops of a moving tag per second.
    pub stop_hz: f64,
    /// Starts of a standing tag per second.
    pub start_hz: f64,
    /// A tag brakes before it stops: speed from which it may stop at once, m/s.
    pub brake_mps: f64,
    /// Spread of the velocity with which a tag sets off, m/s.
    pub set_off_mps: f64,
    /// Wander of an NLOS range's delay, metres per √(0.1 s).
    pub delay_walk_m: f64,
}

impl Default for Motion {
    fn default() -> Motion {
        Motion {
            acceleration_m2ps3: 0.1,
            creep_m: 0.002,
            stop_hz: 0.05,
            start_hz: 0.2,
            brake_mps: 0.1,
            set_off_mps: 0.4,
            delay_walk_m: 0.08,
        }
    }
}

impl Motion {
    /// Variance that a standing tag's place gains per axis in `dt_s`, m².
    pub(crate) fn creep_m2(&self, dt_s: f64) -> f64 {
        self.creep_m * self.creep_m * dt_s / 0.1
    }
}

/// Process noise of one axis.
#[derive(Clone, Copy, Debug)]
pub(crate) struct ProcessNoise {
    /// Variance of the position, m².
    pub(crate) position_m2: f64,
    /// Covariance of position and velocity, m²/s.
    pub(crate) cross_m2ps: f64,
    /// Variance of the velocity, m²/s².
    pub(crate) velocity_m2ps2: f64,
}

impl ProcessNoise {
    /// Over a step of `dt_s` with an acceleration of density `acceleration_m2ps3`.
    pub(crate) fn over(dt_s: f64, acceleration_m2ps3: f64) -> ProcessNoise {
        ProcessNoise {
            position_m2: acceleration_m2ps3 * dt_s * dt_s * dt_s / 3.0,
            cross_m2ps: acceleration_m2ps3 * dt_s * dt_s / 2.0,
            velocity_m2ps2: acceleration_m2ps3 * dt_s,
        }
    }
}

/// Carries the first `rows` rows of a state in `d` dimensions on by `dt_s`: x ← F·x, P ← F·P·Fᵀ + Q.
pub(crate) fn propagate(
    state: &mut [f64],
    covariance: &mut [f64],
    d: usize,
    rows: usize,
    dt_s: f64,
    acceleration_m2ps3: f64,
) {
    for a in 0..d {
        let v = d + a;
        state[a] += dt_s * state[v];
        covariance[at(a, a)] += dt_s * (2.0 * covariance[at(v, a)] + dt_s * covariance[at(v, v)]);
        for j in (0..rows).filter(|&j| j != a) {
            covariance[at(a, j)] += dt_s * covariance[at(v, j)];
        }
    }
    let noise = ProcessNoise::over(dt_s, acceleration_m2ps3);
    for a in 0..d {
        let v = d + a;
        covariance[at(a, a)] += noise.position_m2;
        covariance[at(v, a)] += noise.cross_m2ps;
        covariance[at(v, v)] += noise.velocity_m2ps2;
    }
}
