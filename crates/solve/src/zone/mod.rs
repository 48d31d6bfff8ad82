//! Zones: how probable it is that a tag is inside an area.
//!
//! **Mass.** What is known about a tag is a [`Gaussian`]; [`Gaussian::mass_in`] is its probability inside an
//! [`hereabout_core::geometry::area::Area`], good to 2·10⁻⁸ (`mass` has the method).

mod mass;

pub use mass::Gaussian;

#[cfg(test)]
mod tests;
