//! Whether the latency timer of the kit's USB serial adapter matters at the pace of the frames.
//!
//! The pace is learned by counting: frames of at least five seconds and twenty frames. A timer that has been found to
//! matter stays reported until the link comes up again.

use hereabout_core::{Micros, Timestamp};
use hereabout_ingest::{LinkStatus, latency_matters};
use hereabout_words::link::{LATENCY_ADVICE, latency_words};

/// A count of frames spans at least this long,
const MIN_SPAN: Micros = Micros::from_millis(5_000);
/// and so many frames.
const MIN_FRAMES: u64 = 20;

/// The adapter of the link that is up.
#[derive(Debug, Default)]
pub(crate) struct Adapter {
    latency_ms: Option<u32>,
    /// When the count began, and the frames by then.
    from: Option<(Timestamp, u64)>,
    reported: bool,
    /// The timer that standard error has heard of, over all links.
    said_ms: Option<u32>,
}

impl Adapter {
    /// Takes over what the link became.
    pub(crate) fn link(&mut self, status: &LinkStatus) {
        let latency_ms = match status {
            LinkStatus::Connected { latency_ms } => *latency_ms,
            LinkStatus::Waiting { .. } => None,
        };
        *self = Adapter { latency_ms, said_ms: self.said_ms, ..Adapter::default() };
    }

    /// What is to be said about it at `at`, when so many frames have come in all; `None` when nothing is.
    pub(crate) fn look(&mut self, at: Timestamp, frames: u64) -> Option<String> {
        let latency_ms = self.latency_ms?;
        let (from, before) = *self.from.get_or_insert((at, frames));
        let (span, count) = (at.since(from), frames.saturating_sub(before));
        let mut interval = None;
        if span >= MIN_SPAN && count >= MIN_FRAMES {
            interval = i64::try_from(count).ok().map(|count| Micros::from_micros(span.micros() / count));
            self.from = Some((at, frames));
        }
        let words = || format!("{}: {LATENCY_ADVICE}", latency_words(latency_ms));
        let at_any_pace = latency_matters(latency_ms, None);
        self.reported |= at_any_pace || latency_matters(latency_ms, interval);
        // What matters at any pace the reader of the port has said already.
        if self.reported && !at_any_pace && self.said_ms != self.latency_ms {
            self.said_ms = self.latency_ms;
            eprintln!("{}", words());
        }
        self.reported.then(words)
    }
}

#[cfg(test)]
mod tests;
