//! The sending side of the channel: stamps, order, ticks, and the end of a run.

use std::time::Duration;

use tokio::sync::mpsc;
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

use crate::{Chunk, Clock, Feed, LinkReason, LinkState, LinkStatus, MAX_CHUNK};

/// How often time is told while nothing comes.
const TICK: Duration = Duration::from_millis(20);
/// How long a reader that is behind may still take bytes after the shutdown began.
const LAST_WORDS: Duration = Duration::from_millis(250);

/// Why [`crate::run`] returned.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RunEnd {
    /// It was told to.
    Shutdown,
    /// A file or a feeder has nothing more.
    Exhausted,
    /// Nobody reads the channel any more.
    Unheard,
}

/// The one sender of a run.
pub(crate) struct Outbox {
    clock: Clock,
    tx: mpsc::Sender<Feed>,
    shutdown: CancellationToken,
    next_tick: Instant,
    link: Option<LinkStatus>,
}

impl Outbox {
    pub(crate) fn new(clock: Clock, tx: mpsc::Sender<Feed>, shutdown: CancellationToken) -> Outbox {
        Outbox { clock, tx, shutdown, next_tick: Instant::now(), link: None }
    }

    /// Sends bytes that were read just now, in chunks with one stamp.
    pub(crate) async fn bytes(&mut self, bytes: &[u8]) -> Result<(), RunEnd> {
        let received_at = self.clock.now();
        for piece in bytes.chunks(MAX_CHUNK) {
            self.send(Feed::Bytes(Chunk { received_at, bytes: piece.to_vec() })).await?;
        }
        self.next_tick = Instant::now() + TICK;
        Ok(())
    }

    /// Says that the link is up, unless that is known.
    pub(crate) async fn connected(&mut self) -> Result<(), RunEnd> {
        if self.link != Some(LinkStatus::Connected) {
            tracing::info!("source connected");
            self.status(LinkStatus::Connected).await?;
        }
        Ok(())
    }

    /// Says why the link is down, unless that is known.
    pub(crate) async fn waiting(&mut self, reason: LinkReason) -> Result<(), RunEnd> {
        let status = LinkStatus::Waiting { reason };
        if self.link.as_ref() != Some(&status) {
            if let LinkStatus::Waiting { reason } = &status {
                tracing::warn!("source waiting: {reason}; {}", reason.advice());
            }
            self.status(status).await?;
        }
        Ok(())
    }

    async fn status(&mut self, status: LinkStatus) -> Result<(), RunEnd> {
        self.link = Some(status.clone());
        let at = self.clock.now();
        self.send(Feed::Link(LinkState { at, status })).await
    }

    /// The last message.
    pub(crate) async fn end(&mut self) -> RunEnd {
        let at = self.clock.now();
        self.send(Feed::End(at)).await.err().unwrap_or(RunEnd::Exhausted)
    }

    /// Waits for `work`, telling the time meanwhile; `work` is dropped on shutdown.
    pub(crate) async fn during<T>(&mut self, work: impl Future<Output = T>) -> Result<T, RunEnd> {
        tokio::pin!(work);
        loop {
            tokio::select! {
                biased;
                () = self.shutdown.cancelled() => return Err(RunEnd::Shutdown),
                done = &mut work => return Ok(done),
                () = tokio::time::sleep_until(self.next_tick) => self.tick()?,
            }
        }
    }

    /// A tick is worth nothing when the channel is full: what waits there will tell the time.
    fn tick(&mut self) -> Result<(), RunEnd> {
        self.next_tick = Instant::now() + TICK;
        match self.tx.try_send(Feed::Tick(self.clock.now())) {
            Err(mpsc::error::TrySendError::Closed(_)) => Err(RunEnd::Unheard),
            Ok(()) | Err(mpsc::error::TrySendError::Full(_)) => Ok(()),
        }
    }

    /// Waits for room. Bytes that were read are not thrown away at once when the shutdown begins:
    /// a reader that goes on gets them.
    async fn send(&mut self, feed: Feed) -> Result<(), RunEnd> {
        let feed = match self.tx.try_send(feed) {
            Ok(()) => return Ok(()),
            Err(mpsc::error::TrySendError::Closed(_)) => return Err(RunEnd::Unheard),
            Err(mpsc::error::TrySendError::Full(feed)) => feed,
        };
        let send = self.tx.send(feed);
        tokio::pin!(send);
        tokio::select! {
            biased;
            sent = &mut send => return sent.map_err(|_| RunEnd::Unheard),
            () = self.shutdown.cancelled() => {}
        }
        match tokio::time::timeout(LAST_WORDS, send).await {
            Ok(Err(_)) => Err(RunEnd::Unheard),
            Ok(Ok(())) | Err(_) => Err(RunEnd::Shutdown),
        }
    }
}
