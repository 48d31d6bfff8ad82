//! The same track, a moment later and calmer: a fixed-lag smoother.
//!
//! **Model.** The tracker's estimate at instant k knows the ranges up to k. A second later more is known
//! about k: where the tag went. With the tracker's own motion model x(k+1) = F·x(k) + noise Q, the mean xₖ
//! and covariance Pₖ of place and velocity are corrected backwards from the newest estimate (Rauch, Tung
//! and Striebel):
//!
//! ```text
//! P⁻ = F·Pₖ·Fᵀ + Q     G = Pₖ·Fᵀ·(P⁻)⁻¹
//! xˢₖ = xₖ + G·(xˢₖ₊₁ − F·xₖ)     Pˢₖ = Pₖ + G·(Pˢₖ₊₁ − P⁻)·Gᵀ
//! ```
//!
//! **State.** The published mixture's mean and moment-matched covariance per epoch; Q uses the acceleration
//! density times the probability that the tag moves. What calibration left uncertain in the offsets (the
//! consider part) is added again at the end: no smoothing removes it.
//!
//! **Assumptions.** One straight history: nothing is smoothed across a restart, an ambiguity or a loss.
//! The protection radius is the causal one plus the distance by which smoothing moved the place: safe,
//! not tight, for this stream is meant for maps and reports, not for gates.
//!
//! **Source.** Rauch, Tung & Striebel, AIAA Journal 3(8), 1965, from memory; lag as a setting.

use std::collections::VecDeque;

use hereabout_core::geometry::vector::{length, minus};
use hereabout_core::{Dimension, Micros, Timestamp};
use nalgebra::{SMatrix, SVector};

use crate::math::small_matrix::{Sym, at, full};
use crate::tracker::motion::ProcessNoise;
use crate::tracker::{Motion, PosVel, Support, Track, TrackEstimate};

/// The most estimates that wait; at higher rates the lag becomes shorter.
const CAPACITY: usize = 128;

/// Holds estimates back and hands them on corrected. See the module's prose.
#[derive(Clone, Debug)]
pub struct Smoother {
    lag: Micros,
    motion: Motion,
    dimension: Dimension,
    waiting: VecDeque<TrackEstimate>,
}

impl Smoother {
    /// A smoother that waits for `lag`. Allocates all the memory that it will ever use.
    pub fn new(lag: Micros, motion: Motion, dimension: Dimension) -> Smoother {
        Smoother { lag, motion, dimension, waiting: VecDeque::with_capacity(CAPACITY + 1) }
    }

    /// Takes the tracker's newest estimate. Estimates that are not newer than the last one replace it.
    ///
    /// Call [`Smoother::poll`] until it gives `None` before the next push: when 128 estimates wait
    /// the oldest is dropped otherwise.
    pub fn push(&mut self, estimate: &TrackEstimate) {
        match self.waiting.back_mut() {
            Some(last)
                if last.at >= estimate.at && estimate.at.since(last.at) > Micros::from_millis(-1_000) =>
            {
                let restarted = last.restarted || estimate.restarted;
                last.clone_from(estimate);
                last.restarted = restarted;
            }
            Some(last) if last.at > estimate.at => {
                // The clock of the data was set back: nothing in common with what waits.
                self.waiting.clear();
                self.waiting.push_back(estimate.clone());
            }
            _ => {
                if self.waiting.len() > CAPACITY {
                    self.waiting.pop_front();
                }
                self.waiting.push_back(estimate.clone());
            }
        }
    }

    /// The oldest estimate that has waited long enough at `now`, corrected by everything after it.
    pub fn poll(&mut self, now: Timestamp) -> Option<TrackEstimate> {
        let due = now.since(self.waiting.front()?.at) >= self.lag || self.waiting.len() > CAPACITY;
        due.then(|| self.take()).flatten()
    }

    /// The oldest estimate, however short it has waited: for the end of a stream.
    pub fn finish(&mut self) -> Option<TrackEstimate> {
        self.take()
    }

    fn take(&mut self) -> Option<TrackEstimate> {
        let corrected = if self.dimension.unknowns() == 2 { self.back::<4>() } else { self.back::<6>() };
        let mut oldest = self.waiting.pop_front()?;
        if let (Some(m), Some(track)) = (corrected, &mut oldest.track) {
            apply(track, &m, self.dimension);
        }
        Some(oldest)
    }

    /// The backward pass from the newest connected estimate to the oldest; `None` when there is nothing
    /// to correct it by.
    fn back<const N: usize>(&self) -> Option<PosVel> {
        let first = self.waiting.front()?;
        steady(first)?;
        let connected =
            self.waiting.iter().skip(1).take_while(|e| steady(e).is_some() && !e.restarted).count();
        let (mut x, mut p) = unpack::<N>(&steady(&self.waiting[connected])?.moments);
        for k in (0..connected).rev() {
            let dt = self.waiting[k + 1].at.since(self.waiting[k].at).secs_f64();
            let (here, next) = (steady(&self.waiting[k])?, steady(&self.waiting[k + 1])?);
            let (xk, pk) = unpack::<N>(&here.moments);
            let (f, q) = step::<N>(dt, next.moving_probability, &self.motion);
            let ahead = f * pk * f.transpose() + q;
            // Gᵀ = (P⁻)⁻¹·F·Pₖ. Without an inverse the chain ends here and starts anew.
            (x, p) = match ahead.cholesky() {
                Some(c) => {
                    let gain = c.solve(&(f * pk)).transpose();
                    let moved = pk + gain * (p - ahead) * gain.transpose();
                    (xk + gain * (x - f * xk), (moved + moved.transpose()) * 0.5)
                }
                None => (xk, pk),
            };
        }
        let sound = x.iter().all(|v| v.is_finite()) && (0..N).all(|i| p[(i, i)] >= 0.0);
        sound.then(|| pack::<N>(&x, &p))
    }
}

/// A track that smoothing may touch.
fn steady(e: &TrackEstimate) -> Option<&Track> {
    e.track.as_ref().filter(|t| matches!(t.support, Support::Located | Support::Coasting))
}

fn step<const N: usize>(
    dt_s: f64,
    moving_probability: f64,
    motion: &Motion,
) -> (SMatrix<f64, N, N>, SMatrix<f64, N, N>) {
    let d = N / 2;
    let mut f = SMatrix::<f64, N, N>::identity();
    let mut q = SMatrix::<f64, N, N>::zeros();
    let density = motion.acceleration_m2ps3 * moving_probability.clamp(0.0, 1.0);
    let creep_m2 = motion.creep_m2(dt_s);
    let noise = ProcessNoise::over(dt_s, density);
    for a in 0..d {
        let v = d + a;
        f[(a, v)] = dt_s;
        // The last terms keep a standing tag's covariance invertible.
        q[(a, a)] = noise.position_m2 + creep_m2 + 1e-10;
        q[(a, v)] = noise.cross_m2ps;
        q[(v, a)] = q[(a, v)];
        q[(v, v)] = noise.velocity_m2ps2 + 1e-8;
    }
    (f, q)
}

fn unpack<const N: usize>(m: &PosVel) -> (SVector<f64, N>, SMatrix<f64, N, N>) {
    (SVector::from_fn(|i, _| m.state[i]), SMatrix::from_fn(|i, j| m.covariance[at(i, j)]))
}

fn pack<const N: usize>(x: &SVector<f64, N>, p: &SMatrix<f64, N, N>) -> PosVel {
    let mut m = PosVel { d: N / 2, ..PosVel::NONE };
    for i in 0..N {
        m.state[i] = x[i];
        for j in 0..=i {
            m.covariance[at(i, j)] = p[(i, j)];
        }
    }
    m
}

/// Puts the corrected moments into a track.
fn apply(e: &mut Track, m: &PosVel, dimension: Dimension) {
    let place = m.place(e.position_m[2]);
    let cov: Sym = std::array::from_fn(|i| m.place_cov()[i] + e.consider_covariance_m2[i]);
    e.protection_radius_m += length(minus(place, e.position_m));
    e.position_m = place;
    e.velocity_mps = m.velocity();
    e.covariance_m2 = full(&cov, m.d);
    e.radius95_m = crate::radius95_m(&e.covariance_m2, dimension);
    e.moments = *m;
}

#[cfg(test)]
mod tests;
