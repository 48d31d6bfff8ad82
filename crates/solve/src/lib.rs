//! Position from ranges: weighted least squares, outlier gate, covariance and dilution of precision.
//!
//! Pure numerics: no I/O, no clock, no logging, no allocation per epoch, the same result on every run.
//! [`locate()`] turns the ranges of one instant into a [`Fix`] or says why there is none; it never panics and
//! never gives NaN, whatever it is fed.
//!
//! ```text
//! RangeObs -> sights -> linear_start -> least_squares -> places (one, or two) -> gate -> Solution
//! ```
//!
//! Beside it: [`radius95_m`] and [`ellipse`] draw a covariance, [`dop`](mod@dop) rates a geometry, [`metrics`] rates
//! an estimate against the truth, [`distribution`] has the tails and quantiles that all of these use.
#![forbid(unsafe_code)]

pub mod distribution;
pub mod dop;
pub mod gate;
pub mod geometry;
pub mod least_squares;
pub mod metrics;

mod linear_start;
mod locate;
mod places;
mod radius;
mod sights;

pub use dop::Dop;
pub use gate::GateSettings;
pub use locate::{Fix, PLACES_APART, PlaceEstimate, RangeObs, Residual, Solution, locate, plain_fix};
pub use radius::{Ellipse, ellipse, ellipse_factor, probability_beyond, probability_radius, radius95_m};
