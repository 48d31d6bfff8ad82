//! What a running daemon finds: about an anchor, its place, the kit as a whole.

pub mod anchor;
pub mod kit;
pub mod place;
