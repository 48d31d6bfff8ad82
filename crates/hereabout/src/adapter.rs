//! Whether the latency timer of the kit's USB serial adapter matters at the pace of the frames.
//!
//! The pace is learned by counting: frames of at least five seconds and twenty frames. A timer that has been found to
//! matter stays told until the link comes up again.

use hereabout_core::{Micros, Timestamp};
use hereabout_ingest::{LinkStatus, latency_matters};
use hereabout_words::link::{LATENCY_ADVICE, latency_words};

/// A count of frames spans at least this long,
const LEAST_SPAN: Micros = Micros::from_millis(5_000);
/// and so many frames.
const LEAST_FRAMES: u64 = 20;

/// The adapter of the link that is up.
#[derive(Debug, Default)]
pub(crate) struct Adapter {
    latency_ms: Option<u32>,
    /// When the count began, and the frames by then.
    from: Option<(Timestamp, u64)>,
    told: bool,
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
        if span >= LEAST_SPAN && count >= LEAST_FRAMES {
            interval = i64::try_from(count).ok().map(|count| Micros::from_micros(span.micros() / count));
            self.from = Some((at, frames));
        }
        let words = || format!("{}: {LATENCY_ADVICE}", latency_words(latency_ms));
        let at_any_pace = latency_matters(latency_ms, None);
        self.told |= at_any_pace || latency_matters(latency_ms, interval);
        // What matters at any pace the reader of the port has said already.
        if self.told && !at_any_pace && self.said_ms != self.latency_ms {
            self.said_ms = self.latency_ms;
            eprintln!("{}", words());
        }
        self.told.then(words)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is said after so many seconds of frames at this pace.
    fn said(adapter: &mut Adapter, from_s: i64, seconds: i64, hz: i64) -> Option<String> {
        let looks = (from_s * 2)..=((from_s + seconds) * 2);
        let at = |half_s: i64| Timestamp::from_micros(half_s * 500_000);
        looks.map(|k| adapter.look(at(k), (k * hz / 2).unsigned_abs())).last().flatten()
    }

    fn connected(latency_ms: Option<u32>) -> Adapter {
        let mut adapter = Adapter::default();
        adapter.link(&LinkStatus::Connected { latency_ms });
        adapter
    }

    #[test]
    fn a_timer_is_told_when_the_pace_makes_it_matter_and_until_the_link_changes() {
        let mut usual = connected(Some(16));
        assert_eq!(said(&mut usual, 0, 4, 10), None, "the pace is not known yet");
        let words = said(&mut usual, 4, 3, 10).expect("16 ms of 100 ms");
        assert!(words.contains("16 ms"), "{words}");
        assert!(said(&mut usual, 7, 60, 1).is_some(), "an outage makes it no better");
        usual.link(&LinkStatus::Waiting { reason: hereabout_core::LinkReason::Ended });
        assert_eq!(said(&mut usual, 67, 60, 10), None);
    }

    #[test]
    fn a_timer_that_is_short_for_the_pace_is_not_told() {
        assert_eq!(said(&mut connected(Some(16)), 0, 60, 4), None);
        assert_eq!(said(&mut connected(Some(1)), 0, 60, 100), None);
        assert_eq!(said(&mut connected(None), 0, 60, 100), None);
        assert!(said(&mut connected(Some(17)), 0, 0, 0).is_some(), "long whatever the pace is");
    }
}
