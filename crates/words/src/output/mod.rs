//! What a running daemon reports: positions, zones, tags, events, and what needs a person.

pub mod event;
pub mod position;
pub mod status;
pub mod tag;
pub mod zone;
