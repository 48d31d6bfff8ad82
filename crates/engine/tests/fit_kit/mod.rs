//! Sites with faults, for the tests and the study of what does not fit.

pub(crate) mod trial;
pub(crate) mod world;
