//! Pictures of a site and of a track, and rows of blocks for a terminal.

pub(crate) mod site_picture;
pub(crate) mod sparkline;
pub(crate) mod track_picture;
