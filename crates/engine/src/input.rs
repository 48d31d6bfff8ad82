//! What goes into the engine.

use hereabout_core::{Epoch, Frame, Timestamp};

/// What the engine is reported.
#[derive(Clone, Copy, Debug)]
pub enum Input<'a> {
    /// A frame from the decoder.
    Frame(&'a Frame),
    /// Ranges that are in metres already: a row of a table, a frame read back from a log.
    Epoch(&'a Epoch),
    /// Nothing new, but this much time has passed.
    Tick(Timestamp),
    /// The link to the kit was opened or fell away: what comes next need not follow on what came before.
    LinkChanged(Timestamp),
}
