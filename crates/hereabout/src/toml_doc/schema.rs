//! The keys that a file may have, and what each expects.

use crate::toml_doc::path::Step;

/// Keys that a table may have, with what each expects, in words.
pub struct Schema {
    /// Key, expectation, and the schema of the table or array of tables below it.
    pub keys: &'static [(&'static str, &'static str, Option<&'static Schema>)],
}

impl Schema {
    /// Whether a table may have this key.
    pub fn has(&self, key: &str) -> bool {
        self.keys.iter().any(|(known, _, _)| *known == key)
    }
}

/// What the key at the end of `path` expects, in words.
pub(super) fn expectation(schema: &'static Schema, path: &[Step]) -> Option<&'static str> {
    let mut schema = schema;
    let mut words = None;
    for step in path {
        let Step::Key(key) = step else { continue };
        let Some((_, text, below)) = schema.keys.iter().find(|(k, _, _)| k == key) else { break };
        words = Some(*text);
        let Some(below) = below else { break };
        schema = below;
    }
    words
}

/// The known key that was probably meant.
pub(super) fn nearest<'a>(name: &str, known: &[&'a str]) -> Option<&'a str> {
    known
        .iter()
        .map(|k| (strsim::damerau_levenshtein(name, k), *k))
        .filter(|(d, k)| *d <= 1 + k.chars().count() / 3)
        .min()
        .map(|(_, k)| k)
}
