//! Tags that come and go.

use hereabout_core::{Micros, TagId, Timestamp};

/// A tag was admitted or retired.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TagChange {
    /// In the time scale of the session.
    pub at: Timestamp,
    /// The number that the kit gives the tag.
    pub tag: TagId,
    /// Admitted, or retired after a silence.
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
