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
//! When ranges may be late, [`snapshot()`](snapshot::snapshot) weighs every subset of them instead of throwing single ones
//! out, [`Tracker`](tracker::Tracker) follows a tag over time with a small bank of such stories, and
//! [`Smoother`](smoother::Smoother) hands the same track on a second later and calmer.
//!
//! ```text
//! snapshot: ranges -> starts -> modes -> subsets -> mean, covariance, P(good), protection radius
//! tracker:  ranges -> bank of hypotheses <-> learning, restart -> publish -> (smoother)
//! ```
//!
//! [`zone`] says how probable it is that a tag is inside an area.
//!
//! Beside it: [`radius95_m`] and [`ellipse`] draw a covariance, [`dop`](mod@dop) rates a geometry, [`metrics`] rates
//! an estimate against the truth, [`distribution`] has the tails and quantiles that all of these use.
//!
//! Commissioning: [`site_check`] before the first range; [`stand`] and [`bump`] measure a standing tag, [`adjust`]
//! makes offsets of several stands, [`known_path`] of a moving tag, [`verify`] proves the accuracy. These allocate.
#![forbid(unsafe_code)]

pub mod adjust;
pub mod bump;
pub mod congruence;
pub mod distribution;
pub mod dop;
pub mod error_model;
pub mod fit;
pub mod gate;
pub mod geometry;
pub mod known_path;
pub mod least_squares;
pub mod linear;
pub mod metrics;
pub mod protection;
pub mod robust;
pub mod site_check;
pub mod smoother;
pub mod snapshot;
pub mod stand;
pub mod tracker;
pub mod verify;
pub mod watch;
pub mod zone;

mod blocked;
mod linear_start;
mod locate;
mod misfit;
mod mixture;
mod places;
mod radius;
mod range_obs;
mod sights;
mod small_matrix;

pub use dop::Dop;
pub use gate::GateSettings;
pub use locate::{Fix, PlaceEstimate, Residual, Solution, locate, plain_fix};
pub use places::PLACES_APART;
pub use radius::{Ellipse, ellipse, ellipse_factor, probability_beyond, probability_radius, radius95_m};
pub use range_obs::RangeObs;

#[cfg(test)]
mod blocked_study;
#[cfg(test)]
mod calibration_sim;
