//! Every kind of source on this machine alone: pseudo-terminals, loopback sockets, files, feeders.
#![expect(clippy::unwrap_used, reason = "a test that can't set itself up has failed")]

use std::fs;
use std::io::Write as _;
use std::net::{TcpListener, UdpSocket};
use std::os::fd::OwnedFd;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::time::Duration;

use hereabout_core::Timestamp;
use hereabout_ingest::{
    CaptureWriter, Clock, Feed, FeedStep, Feeder, LinkReason, LinkStatus, MAX_CHUNK, Pace, RunEnd, Source,
    run,
};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

/// Only there so that a broken build ends: far longer than anything takes.
const PATIENCE: Duration = Duration::from_secs(20);

/// A source under test, and the reader of its channel, which checks the stamps.
struct Rig {
    rx: mpsc::Receiver<Feed>,
    shutdown: CancellationToken,
    task: JoinHandle<RunEnd>,
    last: Timestamp,
    ticks: usize,
}

impl Rig {
    fn start(source: Source) -> Rig {
        Rig::with_room(source, 256)
    }

    fn with_room(source: Source, room: usize) -> Rig {
        let (tx, rx) = mpsc::channel(room);
        let shutdown = CancellationToken::new();
        let task = tokio::spawn(run(source, Clock::start(), tx, shutdown.clone()));
        Rig { rx, shutdown, task, last: Timestamp::MIN, ticks: 0 }
    }

    /// The next message that is no tick; `None` when the channel is closed.
    async fn next(&mut self) -> Option<Feed> {
        loop {
            let feed = tokio::time::timeout(PATIENCE, self.rx.recv()).await.expect("a message in time")?;
            assert!(feed.at() >= self.last, "stamps go backward");
            self.last = feed.at();
            match feed {
                Feed::Tick(_) => self.ticks += 1,
                Feed::Bytes(chunk) => {
                    assert!((1..=MAX_CHUNK).contains(&chunk.bytes.len()));
                    return Some(Feed::Bytes(chunk));
                }
                other => return Some(other),
            }
        }
    }

    async fn bytes(&mut self, n: usize) -> Vec<u8> {
        let mut all = Vec::new();
        while all.len() < n {
            match self.next().await {
                Some(Feed::Bytes(chunk)) => all.extend(chunk.bytes),
                other => panic!("expected bytes, got {other:?} after {}", all.len()),
            }
        }
        all
    }

    async fn connected(&mut self) {
        match self.next().await {
            Some(Feed::Link(link)) if link.status == LinkStatus::Connected => {}
            other => panic!("expected a connection, got {other:?}"),
        }
    }

    async fn waiting(&mut self) -> LinkReason {
        match self.next().await {
            Some(Feed::Link(link)) => match link.status {
                LinkStatus::Waiting { reason } => reason,
                LinkStatus::Connected => panic!("expected a wait, got a connection"),
            },
            other => panic!("expected a wait, got {other:?}"),
        }
    }

    /// Counts ticks for as long as it takes to get `n`, with nothing else coming in between.
    async fn quiet(&mut self, n: usize) {
        for _ in 0..n {
            let feed = tokio::time::timeout(PATIENCE, self.rx.recv()).await.expect("a tick in time").unwrap();
            assert!(matches!(feed, Feed::Tick(_)), "expected a tick, got {feed:?}");
            assert!(feed.at() >= self.last, "stamps go backward");
            self.last = feed.at();
        }
    }

    async fn stop(mut self) {
        self.shutdown.cancel();
        while self.rx.recv().await.is_some() {}
        assert_eq!(tokio::time::timeout(PATIENCE, self.task).await.unwrap().unwrap(), RunEnd::Shutdown);
    }
}

/// A pseudo-terminal: the kit's side, and the path that the program opens.
fn pseudo_terminal() -> (OwnedFd, PathBuf) {
    let kit = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
    grantpt(&kit).unwrap();
    unlockpt(&kit).unwrap();
    let name = ptsname(&kit, Vec::new()).unwrap();
    (kit, PathBuf::from(name.to_str().unwrap()))
}

fn send(kit: &OwnedFd, mut bytes: &[u8]) {
    while !bytes.is_empty() {
        bytes = &bytes[rustix::io::write(kit, bytes).unwrap()..];
    }
}

fn serial(path: &Path) -> Source {
    Source::Serial { path: path.into(), baud: 115_200 }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_serial_port_is_read_and_comes_back_after_unplugging() {
    let dir = tempfile::tempdir().unwrap();
    let port = dir.path().join("kit"); // like a name under by-id: a link to the device of the day
    let mut rig = Rig::start(serial(&port));
    assert_eq!(rig.waiting().await, LinkReason::SerialAbsent { path: port.clone() });

    let (kit, device) = pseudo_terminal();
    symlink(&device, &port).unwrap();
    rig.connected().await;
    // Bytes that a terminal would act on: line ends, control-C, XON, XOFF, NUL, eighth bit.
    let every: Vec<u8> = (0..=255).collect();
    send(&kit, &every);
    assert_eq!(rig.bytes(256).await, every);

    drop(kit);
    fs::remove_file(&port).unwrap();
    // The closed pseudo-terminal reads as zero bytes for ever: one message, then silence and ticks.
    let LinkReason::Unplugged { path, .. } = rig.waiting().await else { panic!("not unplugged") };
    assert_eq!(path, port);
    assert_eq!(rig.waiting().await, LinkReason::SerialAbsent { path: port.clone() });
    rig.quiet(30).await;

    let (kit, device) = pseudo_terminal();
    symlink(&device, &port).unwrap();
    rig.connected().await;
    send(&kit, b"back");
    assert_eq!(rig.bytes(4).await, b"back");
    rig.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_port_that_another_program_holds_is_busy_until_it_lets_go() {
    let (kit, device) = pseudo_terminal();
    let mut first = Rig::start(serial(&device));
    first.connected().await;
    let mut second = Rig::start(serial(&device));
    assert_eq!(second.waiting().await, LinkReason::SerialBusy { path: device.clone() });
    first.stop().await;
    second.connected().await;
    send(&kit, b"mine");
    assert_eq!(second.bytes(4).await, b"mine");
    second.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn tcp_is_refused_read_closed_and_connected_again() {
    let spare = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = spare.local_addr().unwrap();
    drop(spare);
    let addr = address.to_string();
    let mut rig = Rig::start(Source::Tcp { addr: addr.clone() });
    assert_eq!(rig.waiting().await, LinkReason::TcpRefused { addr: addr.clone() });

    let server = TcpListener::bind(address).unwrap();
    rig.connected().await;
    let (mut peer, _) = server.accept().unwrap();
    peer.write_all(&[0x5a; 9000]).unwrap();
    assert_eq!(rig.bytes(9000).await, [0x5a; 9000]);
    drop(peer);
    assert_eq!(rig.waiting().await, LinkReason::TcpClosed { addr });
    rig.connected().await;
    let (mut peer, _) = server.accept().unwrap();
    peer.write_all(b"again").unwrap();
    assert_eq!(rig.bytes(5).await, b"again");
    rig.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn each_datagram_is_a_chunk_and_a_taken_port_is_told() {
    let other = UdpSocket::bind("127.0.0.1:0").unwrap();
    let addr = other.local_addr().unwrap();
    let mut rig = Rig::start(Source::Udp { addr });
    let reason = rig.waiting().await;
    assert!(
        matches!(&reason, LinkReason::UdpBind { addr: told, .. } if *told == addr.to_string()),
        "{reason}"
    );
    drop(other);
    rig.connected().await;

    let kit = UdpSocket::bind("127.0.0.1:0").unwrap();
    for datagram in [&b"one"[..], b"", b"three"] {
        kit.send_to(datagram, addr).unwrap();
    }
    for expected in [&b"one"[..], b"three"] {
        let Some(Feed::Bytes(chunk)) = rig.next().await else { panic!("no datagram") };
        assert_eq!(chunk.bytes, expected);
    }
    kit.send_to(&[7; 10_000], addr).unwrap();
    assert_eq!(rig.bytes(10_000).await, [7; 10_000]);
    rig.stop().await;
}

#[tokio::test]
async fn a_file_is_waited_for_played_in_order_through_a_narrow_channel_and_ends() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.bin");
    let mut rig = Rig::with_room(Source::File { path: path.clone(), pace: Pace::Auto }, 1);
    assert_eq!(rig.waiting().await, LinkReason::FileMissing { path: path.clone() });
    let bytes: Vec<u8> = (0..300_000u32).map(|i| (i / 7) as u8).collect();
    let whole = dir.path().join("whole");
    fs::write(&whole, &bytes).unwrap();
    fs::rename(whole, path).unwrap();
    rig.connected().await;
    assert_eq!(rig.bytes(bytes.len()).await, bytes);
    assert!(matches!(rig.next().await, Some(Feed::End(_))));
    assert_eq!(rig.next().await, None);
    assert_eq!(rig.task.await.unwrap(), RunEnd::Exhausted);
}

#[tokio::test]
async fn a_capture_is_played_with_its_own_waits() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.bin");
    let mut writer = CaptureWriter::create(&path).unwrap();
    for (us, bytes) in [(0, "a"), (300_000, "b"), (900_000, "c")] {
        writer.write(Timestamp::from_micros(1_777_885_951_000_000 + us), bytes.as_bytes()).unwrap();
    }
    writer.flush().unwrap();
    let mut rig = Rig::start(Source::File { path, pace: Pace::Timed(3.0) });
    rig.connected().await;
    let mut stamps = Vec::new();
    for expected in [b"a", b"b", b"c"] {
        let Some(Feed::Bytes(chunk)) = rig.next().await else { panic!("no bytes") };
        assert_eq!(chunk.bytes, expected);
        stamps.push(chunk.received_at.micros());
    }
    // 0.9 s at three times the speed; a wait can only come out longer, and was asked for from the
    // first step on, so the lower bound holds on any machine.
    assert!(stamps[2] - stamps[0] >= 280_000, "{stamps:?}");
    assert!(rig.ticks > 0, "time is told during a wait");
    assert!(matches!(rig.next().await, Some(Feed::End(_))));
}

#[tokio::test]
async fn a_capture_that_does_not_fit_its_times_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.bin");
    fs::write(&path, b"abc").unwrap();
    let mut rig = Rig::start(Source::File { path: path.clone(), pace: Pace::Timed(1.0) });
    let LinkReason::FileUnreadable { detail, .. } = rig.waiting().await else { panic!("must wait") };
    assert!(detail.contains("a.times.csv"), "{detail}");
    let whole = dir.path().join("whole");
    fs::write(&whole, "byte_offset,time_s\n0,1\nrubbish\n").unwrap();
    fs::rename(whole, dir.path().join("a.times.csv")).unwrap();
    let LinkReason::FileUnreadable { detail, .. } = rig.waiting().await else { panic!("must wait") };
    assert!(detail.contains("line 3"), "{detail}");
    rig.stop().await;
}

/// Steps from a list.
struct List(std::vec::IntoIter<FeedStep>);

impl Feeder for List {
    fn next(&mut self) -> Option<FeedStep> {
        self.0.next()
    }
}

fn feeder(steps: Vec<(u64, Vec<u8>)>) -> Source {
    let steps: Vec<FeedStep> =
        steps.into_iter().map(|(ms, bytes)| FeedStep { wait: Duration::from_millis(ms), bytes }).collect();
    Source::Feeder(Box::new(List(steps.into_iter())))
}

#[tokio::test]
async fn a_feeder_is_played_and_ends() {
    let mut rig = Rig::start(feeder(vec![(0, b"a".to_vec()), (120, b"b".to_vec()), (0, vec![1; 5000])]));
    rig.connected().await;
    assert_eq!(rig.bytes(5002).await.len(), 5002);
    assert!(rig.ticks > 0, "time is told during a wait");
    assert!(matches!(rig.next().await, Some(Feed::End(_))));
    assert_eq!(rig.task.await.unwrap(), RunEnd::Exhausted);
}

/// Never ends, never waits.
struct Endless;

impl Feeder for Endless {
    fn next(&mut self) -> Option<FeedStep> {
        Some(FeedStep { wait: Duration::ZERO, bytes: vec![0; 64] })
    }
}

#[tokio::test]
async fn a_run_stops_whether_or_not_anyone_reads() {
    // Nobody takes anything, the channel is full.
    let Rig { rx, shutdown, task, .. } = Rig::with_room(Source::Feeder(Box::new(Endless)), 2);
    shutdown.cancel();
    assert_eq!(tokio::time::timeout(PATIENCE, task).await.unwrap().unwrap(), RunEnd::Shutdown);
    drop(rx);

    // The reader is gone.
    let Rig { rx, task, .. } = Rig::with_room(Source::Feeder(Box::new(Endless)), 2);
    drop(rx);
    assert_eq!(tokio::time::timeout(PATIENCE, task).await.unwrap().unwrap(), RunEnd::Unheard);

    // The reader is gone while nothing comes.
    let (_kit, device) = pseudo_terminal();
    let Rig { rx, task, .. } = Rig::start(serial(&device));
    drop(rx);
    assert_eq!(tokio::time::timeout(PATIENCE, task).await.unwrap().unwrap(), RunEnd::Unheard);

    // A reader that goes on reading after the shutdown gets what was under way, whole.
    let mut rig = Rig::with_room(Source::Feeder(Box::new(Endless)), 1);
    rig.connected().await;
    rig.shutdown.cancel();
    let mut n = 0;
    while let Some(feed) = rig.next().await {
        assert!(matches!(feed, Feed::Bytes(chunk) if chunk.bytes.len() == 64));
        n += 1;
    }
    assert!(n > 0);
    assert_eq!(rig.task.await.unwrap(), RunEnd::Shutdown);
}
