//! Position from ranges: weighted least squares, outlier gate, covariance and dilution of precision.
//!
//! Pure numerics: no I/O, no clock, no logging, no allocation per epoch, the same result on every run.
//! [`locate()`] turns the ranges of one instant into a [`Fix`] or says why there is none; it never panics and
//! never gives NaN, whatever it is fed.
//!
//! ```text
//! RangeObs -> local ranges -> linear_start -> least_squares -> minima (one, or two) -> gate -> Solution
//! ```
//!
//! When ranges may be NLOS, [`snapshot()`](snapshot::snapshot) weighs every subset of them instead of throwing single ones
//! out, [`Tracker`](tracker::Tracker) follows a tag over time with a small bank of such hypotheses, and
//! [`Smoother`](tracker::smoother::Smoother) hands the same track on a second later and calmer.
//!
//! ```text
//! snapshot: ranges -> starts -> modes -> subsets -> mean, covariance, P(good), protection radius
//! tracker:  ranges -> bank of hypotheses <-> learning, restart -> publish -> (smoother)
//! ```
//!
//! Shelves: [`math`] (numbers alone), [`model`] (ranges and their errors), [`snapshot`] (one instant), [`tracker`] (a way),
//! [`calibrate`], [`verify`], [`fit`] (does the site fit at all), [`watch`] (has an anchor changed), [`zone`].
//!
//! [`zone`] says how probable it is that a tag is inside an area.
//!
//! Beside it: [`radius95_m`] and [`ellipse`] draw a covariance, [`dop`](mod@model::dop) rates a geometry, [`metrics`](math::metrics) rates
//! an estimate against the truth, [`distribution`](math::distribution) has the tails and quantiles that all of these use.
//!
//! Commissioning: [`site_check`](verify::site_check) before the first range; [`occupation`](calibrate::occupation) and [`displacement`](calibrate::displacement) measure a standing tag, [`adjust`](calibrate::adjust)
//! makes offsets of several occupations, [`known_path`](calibrate::known_path) of a moving tag, [`verify`] proves the accuracy. These allocate.
#![forbid(unsafe_code)]

pub mod calibrate;
pub mod fit;
pub mod math;
pub mod model;
pub mod snapshot;
pub mod tracker;
pub mod verify;
pub mod watch;
pub mod zone;

pub use math::radius::{
    Ellipse, ellipse, ellipse_factor, probability_beyond, probability_radius, radius95_m,
};
pub use model::dop::Dop;
pub use model::range_obs::RangeObs;
pub use snapshot::gate::GateSettings;
pub use snapshot::locate::{Fix, PlaceEstimate, Residual, Solution, locate, plain_fix};
pub use snapshot::minima::MINIMA_APART_CHI2;
