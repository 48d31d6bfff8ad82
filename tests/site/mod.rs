//! Site files that do not fit the world.
//!
//! - `site_fit`: ranges and a site file that do not belong to each other
//! - `wrong_sites`: wrong settings and places are named before anyone acts on them

mod site_fit;
mod wrong_sites;
