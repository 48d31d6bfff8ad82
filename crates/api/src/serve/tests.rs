use std::sync::atomic::{AtomicU32, Ordering};

use super::*;

/// A listener that finds no file, for so many times.
struct NoFiles(AtomicU32);

impl Accepts for NoFiles {
    type Stream = tokio::io::DuplexStream;
    const WAY: Way = Way::Loopback;

    async fn next(&self) -> io::Result<Self::Stream> {
        match self.0.fetch_sub(1, Ordering::Relaxed) {
            1 => Ok(tokio::io::duplex(1).0),
            _ => Err(Errno::MFILE.into()),
        }
    }
}

#[tokio::test(start_paused = true)]
async fn without_files_it_waits_longer_and_longer_and_sends_idle_ones_away() {
    let seats = Seats::new(2);
    let idle = [seats.take().await.unwrap(), seats.take().await.unwrap()];
    let begun = tokio::time::Instant::now();
    accept(&NoFiles(AtomicU32::new(20)), &seats).await;
    // 50, 100, 200, 400 and 800 ms, then a second each: not twenty times at once.
    assert_eq!(begun.elapsed().as_millis(), 1_550 + 14 * 1_000);
    for seat in idle {
        seat.sent_away().await;
    }
}
