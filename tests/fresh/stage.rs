//! The stage: a real daemon, the way of the bytes to it, a gate that listens, and a script played in real time.
//!
//! The script's zero is the moment at which the daemon has opened its source. One thread sends the bytes when they are
//! due, another one is the gate's ears and writes down every message with its arrival; orders to the daemon are carried
//! out by the test itself ([`Stage::until`]). The gate's decisions are a matter of messages and times alone, so they are
//! made afterwards, from what was written down.

use std::collections::{HashMap, VecDeque};
use std::io::Write;
use std::net::{TcpListener, TcpStream, UdpSocket};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant, SystemTime};

use hereabout_core::{JudgedEpoch, TagState, Verdict};
use hereabout_store::{LogReader, SessionPick, StoredFix};
use rustix::process::Signal;
use serde_json::Value;

use super::gate::{Gate, Judgement};
use super::kit::{Zone, micros, secs, site_text};
use super::script::{Do, Script, Step};
use crate::support::{Daemon, Line, Live, wait_for};

/// All that a cursor of the log gives.
macro_rules! all_of {
    ($cursor:expr) => {{
        let mut cursor = $cursor.await.unwrap();
        let mut all = Vec::new();
        loop {
            let batch = cursor.next_batch().await.unwrap();
            if batch.is_empty() {
                break all;
            }
            all.extend(batch);
        }
    }};
}

/// A stamp that is farther off than this is of another clock, and only how long the message holds counts.
const OTHER_CLOCK_US: i64 = 30_000_000;

/// How bytes come to the daemon.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Wire {
    /// It connects to a server.
    Tcp,
    /// A pseudo-terminal.
    Pty,
    /// Datagrams.
    Udp,
}

/// The way to the daemon.
pub(crate) enum Way {
    Tcp { listener: TcpListener, stream: Option<TcpStream>, closed: bool },
    Pty(Line),
    Udp(UdpSocket, String),
}

impl Way {
    /// The way, and the port's text for the site file.
    pub(crate) fn new(wire: Wire, folder: &Path) -> (Way, String) {
        match wire {
            Wire::Tcp => {
                let listener = TcpListener::bind("127.0.0.1:0").unwrap();
                listener.set_nonblocking(true).unwrap();
                let port = format!("tcp://{}", listener.local_addr().unwrap());
                (Way::Tcp { listener, stream: None, closed: false }, port)
            }
            Wire::Pty => {
                let link = folder.join("port");
                (Way::Pty(Line::new(&link)), link.to_str().unwrap().to_owned())
            }
            Wire::Udp => {
                // A free port, given back for the daemon to take.
                let free = UdpSocket::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
                (Way::Udp(UdpSocket::bind("127.0.0.1:0").unwrap(), free.to_string()), format!("udp://{free}"))
            }
        }
    }

    /// Sends bytes to whoever is connected; to nobody they are lost.
    pub(crate) fn send(&mut self, bytes: &[u8]) {
        self.accept();
        match self {
            Way::Tcp { stream, .. } => {
                if stream.as_mut().is_some_and(|s| s.write_all(bytes).is_err()) {
                    *stream = None;
                }
            }
            Way::Pty(line) => line.send(bytes),
            // Nobody may listen yet.
            Way::Udp(socket, to) => drop(socket.send_to(bytes, to.as_str())),
        }
    }

    /// Takes whoever has connected last; tells whether somebody is connected.
    pub(crate) fn accept(&mut self) -> bool {
        let Way::Tcp { listener, stream, closed } = self else { return true };
        while let Ok((newer, _)) = listener.accept() {
            newer.set_nonblocking(false).unwrap();
            newer.set_nodelay(true).unwrap();
            *stream = Some(newer);
        }
        if *closed {
            *stream = None;
        }
        stream.is_some()
    }

    /// Closes the connection, or lets the next one be. Only TCP has one.
    pub(crate) fn close(&mut self, close: bool) {
        self.accept();
        if let Way::Tcp { stream, closed, .. } = self {
            *closed = close;
            *stream = if close { None } else { stream.take() };
        }
    }
}

/// A daemon at work.
pub(crate) struct Stage {
    folder: tempfile::TempDir,
    site: PathBuf,
    /// The daemon; none while it is killed.
    daemon: Option<Daemon>,
    script: Script,
    orders: VecDeque<Step>,
    clock: StageClock,
    player: JoinHandle<(Way, f64)>,
    ears: Ears,
}

/// The script's time, and the wall clock at its zero.
#[derive(Clone, Copy, Debug)]
pub(crate) struct StageClock {
    zero: Instant,
    zero_wall_us: i64,
}

impl StageClock {
    fn start() -> StageClock {
        let wall = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap();
        StageClock { zero: Instant::now(), zero_wall_us: wall.as_micros() as i64 }
    }

    /// Microseconds since zero.
    fn now_us(&self) -> i64 {
        self.zero.elapsed().as_micros() as i64
    }

    fn sleep_until(&self, at_us: i64) {
        let left_us = (at_us - self.now_us()).max(0);
        std::thread::sleep(Duration::from_micros(left_us.unsigned_abs()));
    }

    /// A stamp of a message in the script's time.
    fn of_stamp(&self, stamp: &Value) -> i64 {
        stamp.as_str().unwrap().parse::<jiff::Timestamp>().unwrap().as_microsecond() - self.zero_wall_us
    }
}

impl Stage {
    /// Starts a daemon and plays the script.
    pub(crate) fn start(script: Script, wire: Wire) -> Stage {
        let folder = tempfile::tempdir().unwrap();
        let (way, port) = Way::new(wire, folder.path());
        let site = folder.path().join("site.toml");
        std::fs::write(&site, site_text(script.kit.layout, &port)).unwrap();
        let daemon = Daemon::start(&site, &[]);
        wait_for("the link", || (daemon.json("/v1/status")["link"]["state"] == "connected").then_some(()));
        let (bytes, orders): (Vec<Step>, Vec<Step>) = script
            .steps()
            .into_iter()
            .partition(|s| matches!(s.todo, Do::Send(_) | Do::Disconnect | Do::Connect));
        let ears = Ears::open(&daemon.url);
        let clock = StageClock::start();
        ears.begin(clock);
        let player = std::thread::spawn(move || play(way, &bytes, clock));
        Stage { folder, site, daemon: Some(daemon), script, orders: orders.into(), clock, player, ears }
    }

    /// The daemon.
    pub(crate) fn daemon(&self) -> &Daemon {
        self.daemon.as_ref().unwrap()
    }

    /// Its site file.
    pub(crate) fn site(&self) -> &Path {
        &self.site
    }

    /// Carries out what is ordered, until that second.
    pub(crate) fn until(&mut self, at_s: f64) {
        let at_us = micros(at_s);
        while let Some(step) = self.orders.pop_front_if(|s| s.at_us <= at_us) {
            self.clock.sleep_until(step.at_us);
            self.order(&step.todo);
        }
        self.clock.sleep_until(at_us);
    }

    fn order(&mut self, order: &Do) {
        let signal = |name| self.daemon.iter().for_each(|d| d.signal(name)); // nobody may be there to hear it
        match order {
            Do::Reload => {
                // Files that are as before are not taken over again.
                let text = std::fs::read_to_string(&self.site).unwrap() + "# a remark\n";
                std::fs::write(&self.site, text).unwrap();
                signal(Signal::HUP);
            }
            Do::Stop => signal(Signal::STOP),
            Do::Continue => signal(Signal::CONT),
            // Dropping it is SIGKILL; the address stays the same for those who listen.
            Do::Kill => self.daemon = None,
            Do::Start => {
                let address = self.ears.url.trim_start_matches("http://").to_owned();
                self.daemon = Some(Daemon::start_at(&self.site, &address, &[]));
            }
            Do::Send(_) | Do::Disconnect | Do::Connect => {}
        }
    }

    /// Plays the script to its end and stops the daemon.
    pub(crate) fn end(mut self) -> Seen {
        self.until(self.script.until_s);
        // The link stays open until the daemon has gone: closing it would be one more fault.
        let (way, late_s) = self.player.join().unwrap();
        let heard = self.ears.close(|| drop(self.daemon.take().unwrap().stop()));
        drop(way);
        Seen { folder: self.folder, script: self.script, clock: self.clock, heard, late_s }
    }
}

/// Sends what is due; gives the way back, and by how much the latest of it was late, seconds.
fn play(mut way: Way, steps: &[Step], clock: StageClock) -> (Way, f64) {
    let mut late_s = 0.0_f64;
    for step in steps {
        clock.sleep_until(step.at_us);
        late_s = late_s.max(secs(clock.now_us() - step.at_us));
        match &step.todo {
            Do::Send(bytes) => way.send(bytes),
            Do::Disconnect => way.close(true),
            Do::Connect => way.close(false),
            _ => {}
        }
    }
    (way, late_s)
}

/// Messages with their arrivals, microseconds.
type Heard = Vec<(i64, Value)>;

/// What the gate hears: a subscription that is taken up again whenever it ends.
struct Ears {
    url: String,
    begin: std::sync::mpsc::Sender<StageClock>,
    closing: Closing,
    thread: JoinHandle<Heard>,
}

/// Ends the subscription for good, also when the test ends early.
struct Closing(Arc<AtomicBool>);

impl Drop for Closing {
    fn drop(&mut self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

impl Ears {
    /// Connects; what is heard counts from [`Ears::begin`] on.
    fn open(url: &str) -> Ears {
        let (begin, begun) = std::sync::mpsc::channel();
        let closing = Closing(Arc::default());
        let (of_thread, url_of_thread) = (closing.0.clone(), url.to_owned());
        let thread = std::thread::spawn(move || {
            let clock: StageClock = begun.recv().unwrap();
            let mut heard = Vec::new();
            while !of_thread.load(Ordering::Relaxed) {
                let live = Live::try_connect(&url_of_thread, "topics=zone,position,event");
                for text in live.into_iter().flat_map(|mut l| std::iter::from_fn(move || l.next().ok())) {
                    heard.push((clock.now_us(), serde_json::from_str(&text).unwrap()));
                }
                std::thread::sleep(Duration::from_millis(20));
            }
            heard
        });
        Ears { url: url.to_owned(), begin, closing, thread }
    }

    fn begin(&self, clock: StageClock) {
        self.begin.send(clock).unwrap();
    }

    /// What was heard up to the end that `stop` brings about.
    fn close(self, stop: impl FnOnce()) -> Heard {
        drop(self.closing);
        stop();
        self.thread.join().unwrap()
    }
}

/// What was seen of a run.
pub(crate) struct Seen {
    folder: tempfile::TempDir,
    script: Script,
    clock: StageClock,
    heard: Heard,
    /// By how much bytes were sent too late, seconds: a machine that is too busy for this test shows here.
    pub(crate) late_s: f64,
}

impl Seen {
    /// All messages of a type with their arrivals, seconds.
    pub(crate) fn messages(&self, kind: &str) -> impl Iterator<Item = (f64, &Value)> {
        self.heard.iter().filter(move |(_, m)| m["type"] == kind).map(|(at, m)| (secs(*at), m))
    }

    /// The gate of a zone, as its rule has it.
    pub(crate) fn gate(&self, zone: Zone) -> Gate {
        let mut gate = Gate::default();
        for (at_us, message) in &self.heard {
            if message["type"] == "position" {
                gate.hear_radius(*at_us, message["protection_radius_m"].as_f64());
            } else if message["type"] == "zone" && message["zone"] == zone.name() {
                gate.hear_zone(*at_us, message["state"] == "inside", self.valid_until_us(*at_us, message));
            }
        }
        gate
    }

    fn valid_until_us(&self, at_us: i64, message: &Value) -> i64 {
        let stamp = |key: &str| self.clock.of_stamp(&message[key]);
        let (made_us, until_us) = (stamp("time"), stamp("valid_until"));
        if (made_us - at_us).abs() > OTHER_CLOCK_US { at_us + until_us - made_us } else { until_us }
    }

    /// The gate held against where the cart was.
    pub(crate) fn judge(&self, zone: Zone) -> Judgement {
        let drive = &self.script.kit.drive;
        self.gate(zone).judge(|at_us| zone.outside_m(drive.at(at_us)), micros(self.script.until_s))
    }

    /// Positions that one may act on, `located` and checked, and that are false all the same: arrival in seconds, and
    /// by how much farther from the cart than their protection radius, metres.
    pub(crate) fn false_positions(&self, beyond_m: f64) -> Vec<(f64, f64)> {
        let sure = |(at_s, m): &(f64, &Value)| {
            let holds = self.clock.of_stamp(&m["valid_until"]) > micros(*at_s);
            m["state"] == "located" && m["checked"] == true && holds
        };
        let error = |(at_s, m): (f64, &Value)| {
            let axis = |i: usize| m["position_m"][i].as_f64().unwrap();
            let off_m = self.off_m(micros(at_s), axis(0), axis(1));
            (at_s, off_m - m["protection_radius_m"].as_f64().unwrap_or(0.0))
        };
        self.messages("position").filter(sure).map(error).filter(|(_, m)| *m > beyond_m).collect()
    }

    /// Positions that the log has as published, `located` and checked, and that are not where the cart was at their own
    /// stamp: that stamp in seconds, and by how much farther than their protection radius, metres.
    pub(crate) fn falsely_dated(&self, beyond_m: f64) -> Vec<(f64, f64)> {
        let fixes = self.logged(|log, session| async move { all_of!(log.fixes(session)) });
        let error = |fix: StoredFix| {
            let report = fix.report;
            let place = report.place().filter(|_| report.state() == TagState::Located && report.checked())?;
            let at_us = report.at.micros() - self.clock.zero_wall_us;
            let off_m = self.off_m(at_us, place.position_m[0], place.position_m[1]);
            Some((secs(at_us), off_m - report.protection_radius_m().unwrap_or(0.0)))
        };
        fixes.into_iter().filter_map(error).filter(|(_, m)| *m > beyond_m).collect()
    }

    /// How far the cart is from a place at an instant, metres.
    fn off_m(&self, at_us: i64, east_m: f64, north_m: f64) -> f64 {
        let [e, n] = self.script.kit.drive.at(at_us);
        ((east_m - e).powi(2) + (north_m - n).powi(2)).sqrt()
    }

    /// How often one and the same set of ranges took part in positions, at most, by the log. The noise of eight anchors
    /// doesn't make a set twice.
    pub(crate) fn most_uses_of_one_set(&self) -> usize {
        let mut uses: HashMap<Vec<u64>, usize> = HashMap::new();
        for frame in self.frames() {
            let bits = frame.ranges.iter().map(|r| r.raw_range_m.map_or(0, f64::to_bits)).collect();
            let used = frame.ranges.iter().any(|r| r.verdict == Verdict::Used);
            *uses.entry(bits).or_default() += usize::from(used);
        }
        uses.into_values().max().unwrap_or(0)
    }

    /// All verdicts on ranges of an anchor, or of any, by the log.
    pub(crate) fn verdicts(&self, anchor: Option<u16>) -> Vec<Verdict> {
        let ranges = self.frames().into_iter().flat_map(|f| f.ranges);
        let mut found = Vec::new();
        for range in ranges.filter(|r| anchor.is_none_or(|id| r.anchor.0 == id)) {
            if !found.contains(&range.verdict) {
                found.push(range.verdict);
            }
        }
        found
    }

    /// Every frame of the last session in the log, with the verdicts of its ranges.
    fn frames(&self) -> Vec<JudgedEpoch> {
        self.logged(|log, session| async move { all_of!(log.frames(session)) })
    }

    /// Reads something from the last session in the log.
    fn logged<T, F: Future<Output = T>>(&self, read: impl FnOnce(LogReader, i64) -> F) -> T {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            let log = LogReader::open(self.folder.path().join("test.db")).await.unwrap();
            let session = log.session(SessionPick::Latest).await.unwrap().id;
            read(log, session).await
        })
    }
}
