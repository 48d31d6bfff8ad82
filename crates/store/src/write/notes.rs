//! What a person should know of a log that is not where it was.

use std::path::Path;

use crate::StoreError;

/// What a person should know of a log that goes on in `path`.
pub(crate) fn note(damage: &StoreError, path: &Path) -> String {
    format!("{damage} The log goes on in {} until the damaged file is moved away.", path.display())
}

/// What a person should know of a write-ahead log that was renamed.
pub(crate) fn left_words(left: &Path) -> String {
    format!(
        "the log was moved while another program was reading it, so its last rows are in {}: give that the moved file's \
         name with -wal at its end",
        left.display()
    )
}
