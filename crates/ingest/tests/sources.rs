//! Every kind of source on this machine alone: pseudo-terminals, loopback sockets, files, feeders.
#![expect(clippy::unwrap_used, reason = "a test that can't set itself up has failed")]

use std::fs;
use std::io::Write as _;
use std::net::{TcpListener, UdpSocket};
use std::os::fd::OwnedFd;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::sync::mpsc::RecvTimeoutError;
use std::time::Duration;

use hereabout_core::{CaptureFault, Holder, LinkReason, Micros, Timestamp};
use hereabout_ingest::{
    CaptureWriter, Chunk, Clock, Feed, FeedStep, Feeder, LinkStatus, MAX_CHUNK, Pace, RunEnd, Source, run,
};
use rustix::fs::{FlockOperation, OFlags, flock};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{ControlModes, OptionalActions, tcgetattr, tcsetattr};
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
    /// The same that the source is stamped with.
    clock: Clock,
}

impl Rig {
    fn start(source: Source) -> Rig {
        Rig::with_room(source, 256)
    }

    fn with_room(source: Source, room: usize) -> Rig {
        let (tx, rx) = mpsc::channel(room);
        let shutdown = CancellationToken::new();
        let clock = Clock::start();
        let task = tokio::spawn(run(source, clock.clone(), tx, shutdown.clone()));
        Rig { rx, shutdown, task, last: Timestamp::MIN, ticks: 0, clock }
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
        self.chunks(n).await.into_iter().flat_map(|chunk| chunk.bytes).collect()
    }

    /// The chunks of the next `n` bytes.
    async fn chunks(&mut self, n: usize) -> Vec<Chunk> {
        let (mut all, mut so_far) = (Vec::new(), 0);
        while so_far < n {
            match self.next().await {
                Some(Feed::Bytes(chunk)) => {
                    assert!(chunk.empty_at.is_none_or(|at| at <= chunk.received_at), "{chunk:?}");
                    so_far += chunk.bytes.len();
                    all.push(chunk);
                }
                other => panic!("expected bytes, got {other:?} after {so_far}"),
            }
        }
        all
    }

    async fn connected(&mut self) {
        match self.next().await {
            Some(Feed::Link(link)) if link.status == LinkStatus::Connected { latency_ms: None } => {}
            other => panic!("expected a connection, got {other:?}"),
        }
    }

    /// Waits until a held port is free. A holder that goes between the try and the search is not named any more.
    async fn connected_when_free(&mut self) {
        loop {
            match self.next().await {
                Some(Feed::Link(link)) => match link.status {
                    LinkStatus::Connected { .. } => return,
                    LinkStatus::Waiting { reason: LinkReason::SerialBusy { .. } } => {}
                    LinkStatus::Waiting { reason } => panic!("expected a busy port: {reason:?}"),
                },
                other => panic!("expected news of the link, got {other:?}"),
            }
        }
    }

    async fn waiting(&mut self) -> LinkReason {
        match self.next().await {
            Some(Feed::Link(link)) => match link.status {
                LinkStatus::Waiting { reason } => reason,
                LinkStatus::Connected { .. } => panic!("expected a wait, got a connection"),
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
    Source::Serial { path: path.into(), baud: 115_200, dtr: None }
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

/// This process as the holder of a port.
fn this_process() -> Holder {
    let name = fs::read_to_string("/proc/self/comm").unwrap();
    Holder { pid: std::process::id(), name: name.trim_end().to_owned(), seen: true }
}

/// The holder that a busy port's reason names.
fn holder(reason: &LinkReason, port: &Path) -> Option<Holder> {
    match reason {
        LinkReason::SerialBusy { path, holder } if path == port => holder.clone(),
        other => panic!("not busy: {other:?}"),
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_port_that_another_program_holds_is_busy_until_it_lets_go() {
    let (kit, device) = pseudo_terminal();
    let mut first = Rig::start(serial(&device));
    first.connected().await;
    let mut second = Rig::start(serial(&device));
    assert_eq!(holder(&second.waiting().await, &device), Some(this_process()));
    first.stop().await;
    second.connected_when_free().await;
    send(&kit, b"mine");
    assert_eq!(second.bytes(4).await, b"mine");
    second.stop().await;
}

/// Opens a terminal as somebody who may not pass over `TIOCEXCL`; gives what the shell says.
fn opened_by_a_stranger(device: &Path) -> (bool, String) {
    let mut command = std::process::Command::new("sh");
    command.args(["-c", ": < \"$0\""]).arg(device);
    if rustix::process::geteuid().is_root() {
        std::os::unix::process::CommandExt::uid(&mut command, 65_534);
    }
    let out = command.output().unwrap();
    (out.status.success(), String::from_utf8_lossy(&out.stderr).into_owned())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_try_on_a_held_port_does_not_open_it_to_others() {
    let (_kit, device) = pseudo_terminal();
    rustix::fs::chmod(&device, rustix::fs::Mode::from_raw_mode(0o666)).unwrap();
    assert!(opened_by_a_stranger(&device).0, "a port that nobody holds");
    let mut first = Rig::start(serial(&device));
    first.connected().await;
    let (opened, words) = opened_by_a_stranger(&device);
    assert!(!opened && words.contains("busy"), "{words}");
    let mut second = Rig::start(serial(&device));
    assert_eq!(holder(&second.waiting().await, &device), Some(this_process()));
    second.stop().await;
    let (opened, words) = opened_by_a_stranger(&device);
    assert!(!opened && words.contains("busy"), "{words}");
    first.stop().await;
}

/// The far side of a pseudo-terminal, locked as other programs lock a serial port. Without `TIOCEXCL`, which would
/// stay on a pseudo-terminal after its holder has gone.
fn taken(device: &Path) -> OwnedFd {
    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC;
    let line = rustix::fs::open(device, flags, rustix::fs::Mode::empty()).unwrap();
    flock(&line, FlockOperation::NonBlockingLockExclusive).unwrap();
    line
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_modem_service_that_holds_the_port_is_named_with_what_to_do_until_it_lets_go() {
    let dir = tempfile::tempdir().unwrap();
    let port = dir.path().join("kit");
    let (kit, device) = pseudo_terminal();
    symlink(&device, &port).unwrap();
    // Another program under the service's name, which lets go when its input ends.
    let mut service = std::process::Command::new("sh")
        .args(["-c", "echo ModemManager > /proc/$$/comm; read end; true"])
        .stdin(std::process::Stdio::piped())
        .stdout(std::process::Stdio::null())
        .stderr(taken(&device))
        .spawn()
        .unwrap();
    let mut rig = Rig::start(serial(&port));
    let reason = loop {
        // It takes its name only after it was started.
        let reason = rig.waiting().await;
        let holder = holder(&reason, &port).expect("a holder");
        assert!(holder.seen && holder.pid == service.id(), "{holder:?}");
        if holder.probes_modems() {
            break reason;
        }
    };
    let holder = Holder { pid: service.id(), name: "ModemManager".into(), seen: true };
    assert_eq!(reason, LinkReason::SerialBusy { path: port.clone(), holder: Some(holder) });
    drop(service.stdin.take());
    assert!(service.wait().unwrap().success());
    rig.connected_when_free().await;
    send(&kit, b"free");
    assert_eq!(rig.bytes(4).await, b"free");
    rig.stop().await;
}

/// Whether closing the port would let DTR go.
fn hangs_up(kit: &OwnedFd) -> bool {
    tcgetattr(kit).unwrap().control_modes.contains(ControlModes::HUPCL)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn closing_lets_no_line_go_unless_modem_lines_are_asked_for() {
    for dtr in [None, Some(true), Some(false)] {
        let (kit, device) = pseudo_terminal();
        let mut settings = tcgetattr(&kit).unwrap();
        settings.control_modes.insert(ControlModes::HUPCL);
        tcsetattr(&kit, OptionalActions::Now, &settings).unwrap();
        assert!(hangs_up(&kit));
        let mut rig = Rig::start(serial(&device).with_dtr(dtr));
        // A pseudo-terminal has no modem lines: that is reported, and it is read all the same.
        rig.connected().await;
        assert_eq!(hangs_up(&kit), dtr.is_some(), "{dtr:?}");
        send(&kit, b"frame");
        assert_eq!(rig.bytes(5).await, b"frame");
        rig.stop().await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_waited_in_a_port_before_it_was_opened_is_not_heard_as_new() {
    for held_open in [false, true] {
        let (kit, device) = pseudo_terminal();
        let line = held_open.then(|| {
            let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC;
            let line = rustix::fs::open(&device, flags, rustix::fs::Mode::empty()).unwrap();
            let mut settings = tcgetattr(&line).unwrap();
            settings.make_raw();
            tcsetattr(&line, OptionalActions::Now, &settings).unwrap();
            line
        });
        // As much as the kernel takes: more than its nearer buffer of 4 KiB when somebody made it raw.
        rustix::fs::fcntl_setfl(&kit, OFlags::NONBLOCK).unwrap();
        let mut old = 0;
        while let Ok(n) = rustix::io::write(&kit, &[b'o'; 512]) {
            old += n;
        }
        assert!(old > 4096, "{old} bytes");

        let mut rig = Rig::start(serial(&device));
        rig.connected().await;
        rig.quiet(3).await;
        send(&kit, b"new");
        assert_eq!(rig.bytes(3).await, b"new", "held open: {held_open}");
        rig.stop().await;
        drop(line);
    }
}

// The following run on one thread, so that a test that does not let go of it stops the reader as well.

#[tokio::test]
async fn bytes_that_waited_here_say_how_old_they_may_be() {
    let (kit, device) = pseudo_terminal();
    let mut rig = Rig::start(serial(&device));
    rig.connected().await;
    rig.quiet(3).await;
    let before = rig.clock.now();
    send(&kit, b"old");
    std::thread::sleep(Duration::from_millis(60));
    let after = rig.clock.now();
    let chunk = rig.chunks(3).await.remove(0);
    let empty_at = chunk.empty_at.expect("it was empty during the quiet");
    assert!(empty_at <= before && after <= chunk.received_at, "{chunk:?}, sent at {before}");

    // Quiet again: the next ones can't be older than the last look.
    rig.quiet(3).await;
    send(&kit, b"fresh");
    let fresh = rig.chunks(5).await.remove(0);
    assert!(fresh.empty_at.is_some_and(|at| at > chunk.received_at), "{fresh:?} after {chunk:?}");
    rig.stop().await;
}

#[tokio::test]
async fn all_pieces_of_a_backlog_say_the_same_age() {
    let server = TcpListener::bind("127.0.0.1:0").unwrap();
    let mut rig = Rig::start(Source::Tcp { addr: server.local_addr().unwrap().to_string() });
    rig.connected().await;
    let (mut peer, _) = server.accept().unwrap();
    rig.quiet(3).await;
    let before = rig.clock.now();
    // More than two reads.
    peer.write_all(&[0x5a; 2 * MAX_CHUNK + 100]).unwrap();
    std::thread::sleep(Duration::from_millis(60));
    let chunks = rig.chunks(2 * MAX_CHUNK + 100).await;
    assert!(chunks.len() >= 3);
    let empty_at = chunks[0].empty_at;
    assert!(empty_at.is_some_and(|at| at <= before), "{empty_at:?}, sent at {before}");
    assert!(chunks.iter().all(|c| c.empty_at == empty_at), "{empty_at:?}");
    // A new connection knows nothing of the time before it.
    drop(peer);
    assert!(matches!(rig.waiting().await, LinkReason::TcpClosed { .. }));
    rig.connected().await;
    let (mut peer, _) = server.accept().unwrap();
    rig.quiet(3).await;
    peer.write_all(b"x").unwrap();
    let again = rig.chunks(1).await.remove(0).empty_at;
    assert!(again.is_some_and(|at| at > before), "{again:?}");
    rig.stop().await;
}

#[tokio::test]
async fn datagrams_that_waited_say_so_and_empty_ones_hold_up_no_tick() {
    let spare = UdpSocket::bind("127.0.0.1:0").unwrap();
    let addr = spare.local_addr().unwrap();
    drop(spare);
    let mut rig = Rig::start(Source::Udp { addr });
    rig.connected().await;
    rig.quiet(3).await;
    let kit = UdpSocket::bind("127.0.0.1:0").unwrap();
    let before = rig.clock.now();
    kit.send_to(b"one", addr).unwrap();
    kit.send_to(b"two", addr).unwrap();
    std::thread::sleep(Duration::from_millis(60));
    for chunk in rig.chunks(6).await {
        assert!(chunk.empty_at.is_some_and(|at| at <= before), "{chunk:?}, sent at {before}");
    }
    // Many more than ticks, until the ticks are there.
    let (enough, until) = std::sync::mpsc::channel::<()>();
    let flood = std::thread::spawn(move || {
        while until.recv_timeout(Duration::from_millis(2)) == Err(RecvTimeoutError::Timeout) {
            kit.send_to(b"", addr).unwrap();
        }
    });
    rig.quiet(20).await;
    drop(enough);
    flood.join().unwrap();
    rig.stop().await;
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
        "{reason:?}"
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
        assert_eq!((&chunk.bytes[..], chunk.empty_at), (&expected[..], None), "a file was never empty");
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
    let times = dir.path().join("a.times.csv");
    let LinkReason::FileUnreadable { fault, .. } = rig.waiting().await else { panic!("must wait") };
    assert_eq!(fault, CaptureFault::NoTimes { path: times.clone() });
    let whole = dir.path().join("whole");
    fs::write(&whole, "byte_offset,time_s\n0,1\nrubbish\n").unwrap();
    fs::rename(whole, dir.path().join("a.times.csv")).unwrap();
    let LinkReason::FileUnreadable { fault, .. } = rig.waiting().await else { panic!("must wait") };
    assert!(matches!(&fault, CaptureFault::Times { path, line: 3, .. } if *path == times), "{fault:?}");
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
    let chunks = rig.chunks(5002).await;
    assert_eq!(chunks.iter().map(|c| c.bytes.len()).sum::<usize>(), 5002);
    assert!(rig.ticks > 0, "time is told during a wait");
    // They are made at the end of a wait: not older than that, and it is known only when there was one.
    assert_eq!(chunks[0].empty_at, None);
    let made_at = chunks[1].empty_at.expect("a wait");
    // 120 ms after the start, and a machine can only make the start later.
    assert!(made_at.since(rig.clock.started_at()) >= Micros::from_millis(60), "{made_at}");
    assert!(chunks[2..].iter().all(|c| c.empty_at == Some(made_at)), "{chunks:?}");
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
    assert_eq!(tokio::time::timeout(PATIENCE, task).await.unwrap().unwrap(), RunEnd::NoReceiver);

    // The reader is gone while nothing comes.
    let (_kit, device) = pseudo_terminal();
    let Rig { rx, task, .. } = Rig::start(serial(&device));
    drop(rx);
    assert_eq!(tokio::time::timeout(PATIENCE, task).await.unwrap().unwrap(), RunEnd::NoReceiver);

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
