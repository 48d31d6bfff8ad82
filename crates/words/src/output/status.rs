//! What needs a person, beside what is found about anchors and kit.

use crate::said::{Said, Topic};

fn row(code: &'static str, words: impl Into<String>, advice: impl Into<String>) -> Said {
    Said::new(Topic::Status, code, words, advice)
}

/// The computer's clock is not synchronised.
pub fn clock_not_synchronised() -> Said {
    row(
        "clock_not_synchronised",
        "the clock of this computer is not synchronised",
        "set up time synchronisation; stamps and logs may be off, answers are not",
    )
}

/// So many frames, positions and events were lost on their way to the log at `path`.
pub fn log_rows_lost(path: &str, [frames, positions, events]: [u64; 3]) -> Said {
    row(
        "log_rows_lost",
        format!(
            "log {path}: lost since the start: {frames} frames, {positions} positions, {events} events; the disk did not \
             take them in time"
        ),
        "",
    )
}

/// So many frames came of tags beyond the `max` that are tracked.
pub fn too_many_tags(frames: u64, max: usize) -> Said {
    row(
        "too_many_tags",
        format!("frames of further tags left out: {frames}; {max} tags are tracked already"),
        "switch some off, or list in the site file those to track",
    )
}
