//! The sending side of the channel: stamps, order, ticks, and the end of a run.

use std::time::Duration;

use hereabout_core::{LinkReason, Micros, Timestamp};
use tokio::sync::mpsc;
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

use crate::link::gauge::Gauge;
use crate::{Chunk, Clock, ClockChange, Feed, LinkState, LinkStatus, MAX_CHUNK};

/// How often a tick is sent, whatever comes in between.
const TICK: Duration = Duration::from_millis(20);
/// The wall clock and the steady one may drift apart by this much before it is reported as a change.
const CLOCK_CHANGED: Micros = Micros::from_millis(100);
/// How long a reader that is behind may still take bytes after the shutdown began.
const DRAIN_TIMEOUT: Duration = Duration::from_millis(250);

/// Why [`crate::run`] returned.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RunEnd {
    /// It was asked to.
    Shutdown,
    /// A file or a feeder has nothing more.
    Exhausted,
    /// Nobody reads the channel any more.
    NoReceiver,
}

/// The one sender of a run.
pub(crate) struct FeedSender {
    clock: Clock,
    tx: mpsc::Sender<Feed>,
    shutdown: CancellationToken,
    next_tick: Instant,
    link: Option<LinkStatus>,
    /// As [`Chunk::empty_at`] of what is read next.
    empty_at: Option<Timestamp>,
    /// The difference of the wall clock that was reported last.
    reported_utc_minus_session: Micros,
}

impl FeedSender {
    pub(crate) fn new(clock: Clock, tx: mpsc::Sender<Feed>, shutdown: CancellationToken) -> FeedSender {
        FeedSender {
            clock,
            tx,
            shutdown,
            next_tick: Instant::now(),
            link: None,
            empty_at: None,
            reported_utc_minus_session: Micros::ZERO,
        }
    }

    /// Sends bytes that were read just now, in chunks with one stamp. No bytes are no message.
    pub(crate) async fn bytes(&mut self, bytes: &[u8]) -> Result<(), RunEnd> {
        let (received_at, empty_at) = (self.clock.now(), self.empty_at);
        for piece in bytes.chunks(MAX_CHUNK) {
            self.send(Feed::Bytes(Chunk { received_at, empty_at, bytes: piece.to_vec() })).await?;
        }
        Ok(())
    }

    /// Says that the link is up, unless that is known. Its input was not found empty yet.
    pub(crate) async fn connected(&mut self, latency_ms: Option<u32>) -> Result<(), RunEnd> {
        self.empty_at = None;
        let status = LinkStatus::Connected { latency_ms };
        if self.link.as_ref() != Some(&status) {
            self.status(status).await?;
        }
        Ok(())
    }

    /// Notes the instant when the input is empty now.
    pub(crate) fn look(&mut self, gauge: &Gauge) {
        let before = self.clock.now();
        if gauge.is_empty() {
            self.empty_at = Some(before);
        }
    }

    /// For sources that know when their bytes are made: none of the next ones is older than `at`.
    pub(crate) fn made_at(&mut self, at: Timestamp) {
        self.empty_at = Some(at);
    }

    /// The present instant on the session's time scale.
    pub(crate) fn now(&self) -> Timestamp {
        self.clock.now()
    }

    /// Says why the link is down, unless that is known.
    pub(crate) async fn waiting(&mut self, reason: LinkReason) -> Result<(), RunEnd> {
        let status = LinkStatus::Waiting { reason };
        if self.link.as_ref() != Some(&status) {
            self.status(status).await?;
        }
        Ok(())
    }

    async fn status(&mut self, status: LinkStatus) -> Result<(), RunEnd> {
        self.link = Some(status.clone());
        let at = self.clock.now();
        self.send(Feed::Link(LinkState { at, status })).await
    }

    /// Sends the last message of the channel.
    pub(crate) async fn end(&mut self) -> RunEnd {
        let at = self.clock.now();
        self.send(Feed::End(at)).await.err().unwrap_or(RunEnd::Exhausted)
    }

    /// Waits for `work`, sending ticks meanwhile; `work` is dropped on shutdown.
    pub(crate) async fn during<T>(&mut self, work: impl Future<Output = T>) -> Result<T, RunEnd> {
        self.ticking(None, work).await
    }

    /// Waits for `read` of an input, sending ticks and asking its gauge meanwhile.
    pub(crate) async fn reading<T>(
        &mut self,
        gauge: &Gauge,
        read: impl Future<Output = T>,
    ) -> Result<T, RunEnd> {
        self.look(gauge);
        self.ticking(Some(gauge), read).await
    }

    /// A tick that is due comes before work that is done: else a stream of work would starve the ticks.
    async fn ticking<T>(
        &mut self,
        gauge: Option<&Gauge>,
        work: impl Future<Output = T>,
    ) -> Result<T, RunEnd> {
        tokio::pin!(work);
        loop {
            if Instant::now() >= self.next_tick {
                if let Some(gauge) = gauge {
                    self.look(gauge);
                }
                self.tick()?;
            }
            tokio::select! {
                biased;
                () = self.shutdown.cancelled() => return Err(RunEnd::Shutdown),
                done = &mut work => return Ok(done),
                () = tokio::time::sleep_until(self.next_tick) => {}
            }
        }
    }

    /// A tick is worth nothing when the channel is full: what waits there will tell the time.
    fn tick(&mut self) -> Result<(), RunEnd> {
        let now = Instant::now();
        self.next_tick += TICK;
        if self.next_tick <= now {
            // Ticks that were missed are not made up for.
            self.next_tick = now + TICK;
        }
        self.report_clock()?;
        match self.tx.try_send(Feed::Tick(self.clock.now())) {
            Err(mpsc::error::TrySendError::Closed(_)) => Err(RunEnd::NoReceiver),
            Ok(()) | Err(mpsc::error::TrySendError::Full(_)) => Ok(()),
        }
    }

    /// Says when the wall clock was changed; when the channel is full, at the next tick.
    fn report_clock(&mut self) -> Result<(), RunEnd> {
        let Some(utc_minus_session) = self.clock.utc_minus_session() else { return Ok(()) };
        let off_us = utc_minus_session.micros().saturating_sub(self.reported_utc_minus_session.micros());
        if off_us.saturating_abs() <= CLOCK_CHANGED.micros() {
            return Ok(());
        }
        let change = ClockChange { at: self.clock.now(), utc_minus_session };
        match self.tx.try_send(Feed::Clock(change)) {
            Err(mpsc::error::TrySendError::Closed(_)) => Err(RunEnd::NoReceiver),
            Err(mpsc::error::TrySendError::Full(_)) => Ok(()),
            Ok(()) => {
                tracing::warn!("the wall clock was changed by {} s", off_us as f64 / 1e6);
                self.reported_utc_minus_session = utc_minus_session;
                Ok(())
            }
        }
    }

    /// Waits for room. Bytes that were read are not thrown away at once when the shutdown begins:
    /// a reader that goes on gets them.
    async fn send(&mut self, feed: Feed) -> Result<(), RunEnd> {
        let feed = match self.tx.try_send(feed) {
            Ok(()) => return Ok(()),
            Err(mpsc::error::TrySendError::Closed(_)) => return Err(RunEnd::NoReceiver),
            Err(mpsc::error::TrySendError::Full(feed)) => feed,
        };
        let send = self.tx.send(feed);
        tokio::pin!(send);
        tokio::select! {
            biased;
            sent = &mut send => return sent.map_err(|_| RunEnd::NoReceiver),
            () = self.shutdown.cancelled() => {}
        }
        match tokio::time::timeout(DRAIN_TIMEOUT, send).await {
            Ok(Err(_)) => Err(RunEnd::NoReceiver),
            Ok(Ok(())) | Err(_) => Err(RunEnd::Shutdown),
        }
    }
}

#[cfg(test)]
mod tests;
