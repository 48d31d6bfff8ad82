//! The program's own log of the link: one line for each change.

use std::sync::atomic::{AtomicU32, Ordering};

use hereabout_ingest::{LinkStatus, latency_matters};
use hereabout_words::link::{LATENCY_ADVICE, advice, latency_words, words};

/// The latency timer that was logged last, milliseconds; a program listens to one kit.
static LOGGED_LATENCY_MS: AtomicU32 = AtomicU32::new(0);

/// Logs what became of the link, and what to do about it. A latency timer that matters at any pace of the frames is
/// logged once, unless it was changed meanwhile.
pub(crate) fn log_link(status: &LinkStatus) {
    match status {
        LinkStatus::Connected { latency_ms } => {
            tracing::info!("source connected");
            if let Some(ms) = latency_ms.filter(|ms| latency_matters(*ms, None))
                && LOGGED_LATENCY_MS.swap(ms, Ordering::Relaxed) != ms
            {
                tracing::warn!("{}: {LATENCY_ADVICE}", latency_words(ms));
            }
        }
        LinkStatus::Waiting { reason } => {
            tracing::warn!("source waiting: {}; {}", words(reason), advice(reason));
        }
    }
}
