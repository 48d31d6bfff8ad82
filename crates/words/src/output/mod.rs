//! What a running daemon reports: positions, zones, tags, and what needs a person.

pub mod position;
pub mod status;
pub mod tag;
pub mod zone;
