//! The task that owns the source: open, pump, and again.

use std::time::Duration;

use hereabout_core::{LinkReason, Micros};
use tokio::io::{AsyncRead, AsyncReadExt};
use tokio::sync::mpsc;
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

use crate::feed_sender::FeedSender;
use crate::link::gauge::Gauge;
use crate::link::line::{Line, Opened};
use crate::link::{file, net, serial};
use crate::{Clock, Feed, FeedStep, Feeder, MAX_CHUNK, RunEnd, Source};

/// First pause between two tries.
const FIRST_PAUSE: Duration = Duration::from_millis(50);
/// Longest pause between two tries: short enough to be back within a second of a port's return.
const MAX_PAUSE: Duration = Duration::from_millis(500);
/// A feeder that is this late (the machine slept) goes on from now instead of catching up.
const MAX_BEHIND: Duration = Duration::from_secs(1);

/// Reads `source` until it ends, `shutdown` is cancelled, or nobody hears any more, and sends what
/// happens to `tx`. Live sources never end by themselves: they are opened again.
///
/// Returns within about 250 ms of `shutdown`. The channel's bound is the caller's choice; some
/// hundred messages are plenty.
pub async fn run(
    source: Source,
    clock: Clock,
    tx: mpsc::Sender<Feed>,
    shutdown: CancellationToken,
) -> RunEnd {
    let mut out = FeedSender::new(clock, tx, shutdown);
    let ended = match source {
        Source::Serial { path, baud, dtr } => {
            keep_open(&mut out, serial::SerialPort::new(path, baud, dtr)).await
        }
        Source::Tcp { addr } => keep_open(&mut out, net::TcpServer { addr }).await,
        Source::Udp { addr } => receive(&mut out, addr).await,
        Source::File { path, pace } => play_file(&mut out, &path, pace).await,
        Source::Feeder(feeder) => play_feeder(&mut out, feeder).await,
    };
    match ended {
        Ok(()) => out.end().await,
        Err(end) => end,
    }
}

/// Goes on telling the time after a source has ended: a daemon that serves what it heard must see its
/// tags get lost and its anchors fall silent. Says once that the link waits for a source that has ended.
pub async fn idle(clock: Clock, tx: mpsc::Sender<Feed>, shutdown: CancellationToken) -> RunEnd {
    let mut out = FeedSender::new(clock, tx, shutdown);
    if let Err(end) = out.waiting(LinkReason::Ended).await {
        return end;
    }
    match out.during(std::future::pending::<std::convert::Infallible>()).await {
        Ok(never) => match never {},
        Err(end) => end,
    }
}

/// The pauses between tries.
struct Backoff(Duration);

impl Backoff {
    fn new() -> Backoff {
        Backoff(FIRST_PAUSE)
    }

    fn next_pause(&mut self) -> Duration {
        let pause = self.0;
        self.0 = (self.0 * 2).min(MAX_PAUSE);
        pause
    }

    async fn pause(&mut self, out: &mut FeedSender) -> Result<(), RunEnd> {
        out.during(tokio::time::sleep(self.next_pause())).await
    }
}

/// Opens a line, reads it until it is lost, and again for ever.
async fn keep_open(out: &mut FeedSender, line: impl Line) -> Result<(), RunEnd> {
    let mut backoff = Backoff::new();
    loop {
        match out.during(line.open()).await? {
            Ok(opened) => {
                out.connected(opened.latency_ms).await?;
                let (heard, error) = pump(out, opened).await?;
                if heard {
                    // Only bytes prove the link: a port that opens and ends at once is not hammered.
                    backoff = Backoff::new();
                }
                out.waiting(line.lost(error)).await?;
            }
            Err(reason) => out.waiting(reason).await?,
        }
        backoff.pause(out).await?;
    }
}

/// Reads until the end or an error; tells whether any byte came.
///
/// A read of no bytes is an end and nothing else: a closed pseudo-terminal answers so for ever.
async fn pump<S: AsyncRead + Unpin>(
    out: &mut FeedSender,
    opened: Opened<S>,
) -> Result<(bool, Option<std::io::Error>), RunEnd> {
    let Opened { mut stream, gauge, .. } = opened;
    let mut buffer = [0; MAX_CHUNK];
    let mut heard = false;
    loop {
        match out.reading(&gauge, stream.read(&mut buffer)).await? {
            Ok(0) => return Ok((heard, None)),
            Ok(n) => out.bytes(&buffer[..n]).await?,
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => continue,
            Err(e) => return Ok((heard, Some(e))),
        }
        heard = true;
    }
}

/// Datagrams, each a chunk. Empty ones carry nothing and are left out, which is reported once.
async fn receive(out: &mut FeedSender, addr: std::net::SocketAddr) -> Result<(), RunEnd> {
    let mut buffer = vec![0; 65_536];
    let mut backoff = Backoff::new();
    let mut reported_empty = false;
    loop {
        match net::bind(addr).await {
            Ok(socket) => {
                out.connected(None).await?;
                let gauge = Gauge::of(&socket);
                let error = loop {
                    match out.reading(&gauge, socket.recv_from(&mut buffer)).await? {
                        Ok((0, from)) => {
                            if !std::mem::replace(&mut reported_empty, true) {
                                tracing::warn!("empty datagrams come from {from}; they are left out");
                            }
                        }
                        Ok((n, _)) => out.bytes(&buffer[..n]).await?,
                        Err(e) => break e,
                    }
                };
                out.waiting(net::udp_failed(addr, &error)).await?;
            }
            Err(reason) => out.waiting(reason).await?,
        }
        backoff.pause(out).await?;
    }
}

/// A capture: opened until it is there, played once.
async fn play_file(out: &mut FeedSender, path: &std::path::Path, pace: crate::Pace) -> Result<(), RunEnd> {
    let mut backoff = Backoff::new();
    let mut steps = loop {
        match file::FileSteps::open(path, pace) {
            Ok(steps) => break steps,
            Err(reason) => out.waiting(reason).await?,
        }
        backoff.pause(out).await?;
    };
    out.connected(None).await?;
    let mut due = Due::new();
    loop {
        match steps.next_step() {
            Ok(Some(step)) => {
                due.next(&step);
                due.play(out, &step).await?;
            }
            Ok(None) => return Ok(()),
            Err(reason) => return out.waiting(reason).await,
        }
    }
}

async fn play_feeder(out: &mut FeedSender, mut feeder: Box<dyn Feeder>) -> Result<(), RunEnd> {
    out.connected(None).await?;
    let mut due = Due::new();
    while let Some(step) = feeder.next() {
        // A feeder's bytes are made at their due time, however late they are played. The clock is read first: what
        // comes in between makes that time older only.
        let before = out.now();
        if let Some(wait) = due.next(&step) {
            let wait_us = i64::try_from(wait.as_micros()).unwrap_or(i64::MAX);
            out.made_at(before.plus(Micros::from_micros(wait_us)));
        }
        due.play(out, &step).await?;
    }
    Ok(())
}

/// Plays steps at their due times, so that late wake-ups do not add up.
struct Due(Instant);

impl Due {
    fn new() -> Due {
        Due(Instant::now())
    }

    /// Sets the due time of this step; how long it is until then, when that has not passed.
    fn next(&mut self, step: &FeedStep) -> Option<Duration> {
        let now = Instant::now();
        self.0 = self.0.checked_add(step.wait).unwrap_or(now);
        if self.0 + MAX_BEHIND < now {
            self.0 = now;
        }
        (self.0 > now).then(|| self.0 - now)
    }

    /// Waits for the due time and sends the bytes.
    async fn play(&mut self, out: &mut FeedSender, step: &FeedStep) -> Result<(), RunEnd> {
        if self.0 > Instant::now() {
            out.during(tokio::time::sleep_until(self.0)).await?;
        } else {
            // No wait, but a shutdown must get in between two steps.
            out.during(std::future::ready(())).await?;
        }
        out.bytes(&step.bytes).await
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_grow_from_50_ms_and_stay_well_below_a_second() {
        let mut backoff = Backoff::new();
        let pauses: Vec<u128> = (0..7).map(|_| backoff.next_pause().as_millis()).collect();
        assert_eq!(pauses, [50, 100, 200, 400, 500, 500, 500]);
    }
}
