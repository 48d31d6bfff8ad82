//! Probability of a two-dimensional Gaussian inside an area.
//!
//! **Method.** With y = L⁻¹(x − mean), L·Lᵀ the covariance, the Gaussian is round and the area another
//! area with the same topology. The density is the divergence of a field that points away from the mean,
//!
//! ```text
//! e^(−|y|²/2) / 2π = div [ y·ψ(|y|²) ] / 2π        ψ(q) = (1 − e^(−q/2)) / q
//! ```
//!
//! so that the mass is an integral along the border alone, P = (1/2π) ∮ ψ(|y|²)·(y × dy). ψ is smooth
//! everywhere (ψ(0) = ½): nothing happens when the mean comes to lie on an edge or on a corner. Along a straight
//! edge y × dy = h·ds with h the distance of the edge's line from the mean, positive when the mean is on the
//! area's side, and |y|² = h² + s².
//!
//! Farther out than [`FAR_SIGMAS`] ψ(q) is 1/q to 10⁻⁹, and the integral is the angle under which the piece is seen.
//! The rest is cut into pieces of at most two units, five Gauss-Legendre points each. An arc is
//! halved until its pieces are short or far. Errors of both, measured against closed forms and dense
//! quadrature, stay below 2·10⁻⁸.
//!
//! **Symbols.** `cholesky_m` = L as [l₁₁, l₂₁, l₂₂]; `sigma_max_m` the longest semi-axis of the 1σ ellipse.
//!
//! **Source.** Divergence theorem; the nodes are those of Abramowitz & Stegun, table 25.4 (from memory, checked by
//! the closed forms). Choice of field and cuts are the project's own.

use std::f64::consts::{FRAC_PI_4, TAU};

use hereabout_core::geometry::area::{Area, Border};
use hereabout_core::geometry::vector::{cross_plane as cross, dot, length, minus};

/// Beyond this many standard deviations the density is taken as zero: e^(−FAR²/2) = 7·10⁻¹⁰.
const FAR_SIGMAS: f64 = 6.5;
/// Longest piece of a straight edge, in standard deviations.
const PIECE_SIGMAS: f64 = 2.0;
/// Longest piece of an arc, in standard deviations.
const ARC_PIECE_SIGMAS: f64 = 2.0;
/// Halvings of an eighth of an arc; a covariance that can be inverted never needs as many.
const MAX_HALVINGS: u32 = 40;
/// Smallest variance, m² and as a share of the trace: a needle, a point or a rounding error stays a Gaussian.
const MIN_VARIANCE_M2: f64 = 1e-12;

const NODE_RATIOS: [f64; 5] =
    [-0.906_179_845_938_664, -0.538_469_310_105_683_1, 0.0, 0.538_469_310_105_683_1, 0.906_179_845_938_664];
const WEIGHTS: [f64; 5] = [
    0.236_926_885_056_189_08,
    0.478_628_670_499_366_47,
    0.568_888_888_888_888_9,
    0.478_628_670_499_366_47,
    0.236_926_885_056_189_08,
];

/// What is known about a place: mean and covariance, ready to be asked for masses.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gaussian {
    mean_m: [f64; 2],
    cholesky_m: [f64; 3],
    sigma_max_m: f64,
    sigma_min_m: f64,
}

impl Gaussian {
    /// Mean in metres, covariance in m². `None` for numbers that are not finite or variances below zero.
    ///
    /// A micrometre is added to every direction, so that a singular covariance is one that can be worked with.
    pub fn new(mean_m: [f64; 2], covariance_m2: [[f64; 2]; 2]) -> Option<Gaussian> {
        let [[xx, xy], [yx, yy]] = covariance_m2;
        let finite = [mean_m[0], mean_m[1], xx, xy, yx, yy].iter().all(|v| v.is_finite() && v.abs() < 1e100);
        if !finite || xx < 0.0 || yy < 0.0 {
            return None;
        }
        let least = MIN_VARIANCE_M2 * (1.0 + xx + yy);
        let (xx, xy, yy) = (xx + least, 0.5 * (xy + yx), yy + least);
        let l11 = xx.sqrt();
        let l21 = xy / l11;
        // Rounding, or a matrix that is no covariance, may leave nothing here.
        let l22 = (yy - l21 * l21).max(least).sqrt();
        let yy = l21 * l21 + l22 * l22;
        let half = 0.5 * (xx - yy);
        let sigma_max_m = (0.5 * (xx + yy) + (half * half + xy * xy).sqrt()).sqrt();
        let sigma_min_m = l11 * l22 / sigma_max_m;
        Some(Gaussian { mean_m, cholesky_m: [l11, l21, l22], sigma_max_m, sigma_min_m })
    }

    /// The mean, metres.
    pub fn mean_m(&self) -> [f64; 2] {
        self.mean_m
    }

    /// Longest semi-axis of the 1σ ellipse, metres.
    pub fn sigma_max_m(&self) -> f64 {
        self.sigma_max_m
    }

    /// A direction or difference in standard deviations.
    fn whiten(&self, offset_m: [f64; 2]) -> [f64; 2] {
        let y = offset_m[0] / self.cholesky_m[0];
        [y, (offset_m[1] - self.cholesky_m[1] * y) / self.cholesky_m[2]]
    }
}

impl Gaussian {
    /// Probability of being inside, from 0 to 1, good to 2·10⁻⁸.
    pub fn mass_in(&self, area: &Area) -> f64 {
        self.mass_in_at(area, area.signed_distance_m(self.mean_m))
    }

    /// [`Gaussian::mass_in`] for who has the [`Area::signed_distance_m`] of the mean at hand already.
    pub fn mass_in_at(&self, area: &Area, signed_distance_m: f64) -> f64 {
        // The circle round the mean that the border leaves free holds all but e^(−FAR²/2).
        if signed_distance_m.abs() > FAR_SIGMAS * self.sigma_max_m {
            return if signed_distance_m < 0.0 { 1.0 } else { 0.0 };
        }
        let swept: f64 = match area.border() {
            Border::Rings(edges) => {
                let y = |corner: [f64; 2]| self.whiten(minus(corner, self.mean_m));
                edges.iter().map(|[a, b]| along_edge(y(*a), y(*b))).sum()
            }
            Border::Circle { at_m, radius_m } => {
                let arc = CircleArc::new(self, *at_m, *radius_m);
                (0..8).map(|k| arc.along(FRAC_PI_4 * f64::from(k), FRAC_PI_4, MAX_HALVINGS)).sum()
            }
        };
        (swept / TAU).clamp(0.0, 1.0)
    }
}

/// (1 − e^(−q/2)) / q.
fn psi(radius_sq: f64) -> f64 {
    if radius_sq < 1e-3 {
        0.5 - radius_sq * (0.125 - radius_sq * (1.0 / 48.0 - radius_sq / 384.0))
    } else {
        (1.0 - (-0.5 * radius_sq).exp()) / radius_sq
    }
}

/// The angle from `a_sigmas` to `b_sigmas` as seen from the mean, radians in (−π, π].
fn angle(a_sigmas: [f64; 2], b_sigmas: [f64; 2]) -> f64 {
    cross(a_sigmas, b_sigmas).atan2(dot(a_sigmas, b_sigmas))
}

/// ∫ h·ψ(h² + s²) ds along the edge from `a_sigmas` to `b_sigmas`, both in standard deviations from the mean.
fn along_edge(a_sigmas: [f64; 2], b_sigmas: [f64; 2]) -> f64 {
    let d = minus(b_sigmas, a_sigmas);
    let len = length(d);
    if len <= 0.0 {
        return 0.0;
    }
    let t = [d[0] / len, d[1] / len];
    let h = cross(a_sigmas, t);
    if h.abs() >= FAR_SIGMAS {
        return angle(a_sigmas, b_sigmas);
    }
    let reach = (FAR_SIGMAS * FAR_SIGMAS - h * h).sqrt();
    let (from, to) = (dot(a_sigmas, t), dot(b_sigmas, t));
    let (lo, hi) = (from.max(-reach), to.min(reach));
    if lo >= hi {
        return angle(a_sigmas, b_sigmas);
    }
    // ∫ h/(h² + s²) ds over the far ends.
    let far = |s0: f64, s1: f64| if s1 > s0 { (h * (s1 - s0)).atan2(h * h + s0 * s1) } else { 0.0 };
    let pieces = ((hi - lo) / PIECE_SIGMAS).ceil().max(1.0);
    let half = 0.5 * (hi - lo) / pieces;
    let mut near = 0.0;
    for k in 0..pieces as u32 {
        let middle = lo + half * (2.0 * f64::from(k) + 1.0);
        for (node, weight) in NODE_RATIOS.iter().zip(WEIGHTS) {
            let s = middle + half * node;
            near += weight * psi(h * h + s * s);
        }
    }
    far(from, lo) + h * half * near + far(hi, to)
}

/// The arc of a circle in standard deviations from the mean: y(θ) = middle + cos θ · east + sin θ · north.
struct CircleArc {
    middle_sigmas: [f64; 2],
    east_sigmas: [f64; 2],
    north_sigmas: [f64; 2],
    /// The longest |y''| there can be.
    bend_sigmas: f64,
}

impl CircleArc {
    fn new(place: &Gaussian, at_m: [f64; 2], radius_m: f64) -> CircleArc {
        CircleArc {
            middle_sigmas: place.whiten(minus(at_m, place.mean_m)),
            east_sigmas: place.whiten([radius_m, 0.0]),
            north_sigmas: place.whiten([0.0, radius_m]),
            bend_sigmas: radius_m / place.sigma_min_m,
        }
    }

    /// The place on the arc and its derivative by the angle, from the sine and cosine of the angle.
    fn at(&self, (sin, cos): (f64, f64)) -> ([f64; 2], [f64; 2]) {
        let (e, n) = (self.east_sigmas, self.north_sigmas);
        let y = [0, 1].map(|i| self.middle_sigmas[i] + cos * e[i] + sin * n[i]);
        (y, [cos * n[0] - sin * e[0], cos * n[1] - sin * e[1]])
    }

    /// ∫ ψ(|y|²)·(y × y') dθ from `theta_rad` over `span_rad`, at most an eighth of a turn.
    fn along(&self, theta_rad: f64, span_rad: f64, halvings: u32) -> f64 {
        let half = 0.5 * span_rad;
        let turn = (theta_rad + half).sin_cos();
        let (y, slope) = self.at(turn);
        // The piece is at most this long.
        let longest = length(slope) * span_rad + 0.25 * self.bend_sigmas * span_rad * span_rad;
        if length(y) - 0.5 * longest >= FAR_SIGMAS {
            let ends = [-half, half].map(|by| self.at(turned(turn, by)).0);
            return angle(ends[0], ends[1]);
        }
        if longest > ARC_PIECE_SIGMAS && halvings > 0 {
            return self.along(theta_rad, half, halvings - 1)
                + self.along(theta_rad + half, half, halvings - 1);
        }
        let at = |node: f64| {
            let (y, slope) = self.at(turned(turn, half * node));
            psi(dot(y, y)) * cross(y, slope)
        };
        half * NODE_RATIOS.iter().zip(WEIGHTS).map(|(node, weight)| weight * at(*node)).sum::<f64>()
    }
}

/// Sine and cosine of an angle that is larger by `by_rad` ≤ π/8, by their series (10⁻¹³): many times cheaper than anew.
fn turned((sin, cos): (f64, f64), by_rad: f64) -> (f64, f64) {
    let q = by_rad * by_rad;
    let s = by_rad * (1.0 - q / 6.0 * (1.0 - q / 20.0 * (1.0 - q / 42.0 * (1.0 - q / 72.0))));
    let c = 1.0 - q / 2.0 * (1.0 - q / 12.0 * (1.0 - q / 30.0 * (1.0 - q / 56.0 * (1.0 - q / 90.0))));
    (sin * c + cos * s, cos * c - sin * s)
}
