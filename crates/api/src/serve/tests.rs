use std::{
    io,
    sync::atomic::{AtomicU32, Ordering},
};

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

#[test]
fn a_refused_address_is_said_without_the_system_s_own_words() {
    let addr = SocketAddr::from(([127, 0, 0, 1], 80));
    for (errno, expected) in [
        (Errno::ACCESS, "cannot listen on 127.0.0.1:80: this user may not listen there"),
        (Errno::ADDRNOTAVAIL, "this computer has no such address; set [api] listen"),
        (Errno::MFILE, "too many files are open"),
        (Errno::NFILE, "too many files are open"),
        (Errno::AFNOSUPPORT, "IPv6 may be off"),
        (Errno::NOMEM, "no memory left"),
        (Errno::IO, "the system refuses it, with its number 5"),
    ] {
        let said = ApiError::Listen { addr, source: errno.into() }.to_string();
        assert!(said.contains(expected) && said.ends_with("that this user may use"), "{said}");
        assert!(!said.contains("os error") && !said.contains("denied"), "{said}");
    }
    assert_eq!(refusal(&io::Error::other("x")), "the system refuses it and does not say why");
}
