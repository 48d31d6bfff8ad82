//! A tag for people, with what they call it where the site says that.

use hereabout_core::TagId;

/// Within a sentence.
pub fn named(tag: TagId, name: Option<&str>) -> String {
    name.map_or_else(|| format!("tag {tag}"), |name| format!("tag {tag} ({name})"))
}

/// At the beginning of a sentence.
pub fn begins(tag: TagId, name: Option<&str>) -> String {
    name.map_or_else(|| format!("Tag {tag}"), |name| format!("Tag {tag} ({name})"))
}
