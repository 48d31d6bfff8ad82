//! The names of what a frame can carry.

use std::fmt;

/// What a frame can carry.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FieldName {
    /// A raw range; the only one that may stand more than once, and must stand.
    Range,
    /// Which tag the frame is about.
    Tag,
    /// The module's frame counter.
    Seq,
    /// The module's own millisecond clock.
    Millis,
}

impl FieldName {
    pub(crate) fn named(name: &str) -> Option<FieldName> {
        match name {
            "range" => Some(FieldName::Range),
            "tag" => Some(FieldName::Tag),
            "seq" => Some(FieldName::Seq),
            "millis" => Some(FieldName::Millis),
            _ => None,
        }
    }
}

impl fmt::Display for FieldName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            FieldName::Range => "range",
            FieldName::Tag => "tag",
            FieldName::Seq => "seq",
            FieldName::Millis => "millis",
        })
    }
}
