//! Tags that come and go.

use hereabout_core::{Micros, TagId, Timestamp};

/// A tag was admitted or retired.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TagChange {
    /// When.
    pub at: Timestamp,
    /// Which tag.
    pub tag: TagId,
    /// Which of the two.
    pub now: TagLife,
}

/// A tag's begin and end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TagLife {
    /// It is tracked from now on.
    Admitted,
    /// It is forgotten.
    Retired {
        /// For how long it had been silent.
        silent_for: Micros,
    },
}
