//! Where a value stands in the tree.

/// One step of a path into the tree.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Step {
    /// A table key.
    Key(String),
    /// An array index, from 0.
    Index(usize),
}

/// `anchor[2].at_m`.
pub fn path_text(path: &[Step]) -> String {
    let mut out = String::new();
    for step in path {
        match step {
            Step::Key(key) if out.is_empty() => out.push_str(key),
            Step::Key(key) => {
                out.push('.');
                out.push_str(key);
            }
            Step::Index(i) => out.push_str(&format!("[{i}]")),
        }
    }
    out
}

/// A step to a key.
pub(crate) fn key(name: &str) -> Step {
    Step::Key(name.to_owned())
}
