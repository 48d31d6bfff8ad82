//! What is wrong with a site file or with numbers for it, and what follows from a good one.

pub mod plausible;
pub mod site_fact;
pub mod site_fit;
pub mod site_problem;
