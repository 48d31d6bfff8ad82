//! The examples for people who act, against the simulated kit: whatever makes the zone uncertain closes the door.
//!
//! A cart is parked in the roller door's zone, so that every example opens; then its reason is taken away. What lies
//! between daemon and example is a [`Between`]: it holds messages back, or lets none through. A daemon whose clock is
//! another one than this machine's is a hub of the library.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::SeqCst};
use std::sync::mpsc::{Receiver, channel};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant, SystemTime};

use hereabout::site_file::SiteFile;
use hereabout_api::{ApiSettings, ClockStatus, Connectivity, Hub, HubInfo, LinkView, bind, serve};
use hereabout_core::{Location, Micros, Place, PositionReport, TagId, TagPlace, Timestamp, ZoneState};
use hereabout_engine::{Output, ZoneReport, ZoneWhy};
use rustix::process::Signal;
use serde_json::Value;
use tokio_util::sync::CancellationToken;

use crate::support::nursery::{LAYOUT, PLACES_M};
use crate::support::{Daemon, Live, PATIENCE, get, root, wait_for};

const ZONE: &str = "roller door";
/// A zone that the cart never comes to.
const FAR_ZONE: &str = "seed beds";
/// East and north of the parked cart, metres.
const PARKED_M: [f64; 2] = [11.0, 2.0];

/// A site with the simulated kit; the anchors from `off_from` on lose their power 30 s after the start.
fn site(folder: &Path, name: &str, off_from: usize) -> PathBuf {
    let mut scenario = format!(
        "seed = 7\nframe_rate_hz = 10.0\n[frame]\nlayout = \"{LAYOUT}\"\nunit = \"cm\"\nno_range = 0\n\n\
         [[tag]]\nid = 0\nheight_m = 0.9\npath_m = [{PARKED_M:?}]\nend = \"stop\"\n"
    );
    let mut text = format!(
        "[site]\nname = \"{name}\"\ndimension = \"2d\"\ntag_height_m = 0.9\n\n[source]\nport = \"sim://scenario.toml\"\n\n\
         [frame]\nlayout = \"{LAYOUT}\"\nunit = \"cm\"\nno_range = 0\n\n[[zone]]\nname = \"{ZONE}\"\n\
         polygon_m = [[9.0, 0.0], [13.0, 0.0], [13.0, 4.0], [9.0, 4.0]]\n\n[[zone]]\nname = \"{FAR_ZONE}\"\n\
         polygon_m = [[17.0, 8.0], [21.0, 8.0], [21.0, 12.0], [17.0, 12.0]]\n"
    );
    for (i, at_m) in PLACES_M.iter().enumerate() {
        text += &format!("\n[[anchor]]\nid = {i}\nat_m = {at_m:?}\n");
        scenario += &format!("\n[[anchor]]\nid = {i}\nat_m = {at_m:?}\n");
        if i >= off_from {
            scenario += &format!(
                "\n[[fault]]\nkind = \"anchor_off\"\nanchor = {i}\nfrom_s = 30.0\nto_s = 100000.0\n"
            );
        }
    }
    std::fs::create_dir_all(folder).unwrap();
    std::fs::write(folder.join("scenario.toml"), scenario).unwrap();
    std::fs::write(folder.join("site.toml"), text).unwrap();
    folder.join("site.toml")
}

/// The lines of a stream as they come.
fn lines_of(stream: impl Read + Send + 'static) -> Receiver<String> {
    let (send, lines) = channel();
    std::thread::spawn(move || {
        for line in BufReader::new(stream).lines().map_while(Result::ok) {
            if send.send(line).is_err() {
                return;
            }
        }
    });
    lines
}

/// A running example with the lines that it prints.
struct Example {
    name: &'static str,
    child: Child,
    lines: Receiver<String>,
    errors: Receiver<String>,
}

impl Example {
    fn start(name: &'static str, command: &mut Command) -> Example {
        let piped = command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = piped.spawn().unwrap();
        let lines = lines_of(child.stdout.take().unwrap());
        let errors = lines_of(child.stderr.take().unwrap());
        Example { name, child, lines, errors }
    }

    /// The next line on standard error with one of these words in it; others are passed over.
    fn told(&self, words: &[&str]) -> String {
        loop {
            match self.errors.recv_timeout(PATIENCE) {
                Ok(line) if words.iter().any(|w| line.contains(w)) => return line,
                Ok(_) => {}
                Err(e) => panic!("{}: waited in vain for {words:?}: {e}", self.name),
            }
        }
    }

    /// Whether the door was opened since the last look.
    fn opened(&self) -> bool {
        self.printed().iter().any(|line| line.starts_with("OPEN"))
    }

    /// The next line that begins with `word`; lines of other kinds are passed over.
    fn line(&self, word: &str) -> String {
        loop {
            match self.lines.recv_timeout(PATIENCE) {
                Ok(line) if line.starts_with(word) => return line,
                Ok(_) => {}
                Err(e) => panic!("{}: waited in vain for {word}: {e}", self.name),
            }
        }
    }

    /// What was printed since the last look.
    fn printed(&self) -> Vec<String> {
        let mut out = Vec::new();
        loop {
            match self.lines.try_recv() {
                Ok(line) => out.push(line),
                Err(_) => return out,
            }
        }
    }

    fn signal(&self, name: Signal) {
        let pid = rustix::process::Pid::from_raw(self.child.id() as i32).unwrap();
        rustix::process::kill_process(pid, name).unwrap();
    }
}

impl Drop for Example {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn example(path: &str) -> PathBuf {
    root().join("examples").join(path)
}

/// The three controllers of a door, following the daemon at `url` about a zone.
fn doors(url: &str, zone: &str) -> [Example; 3] {
    // Examples are built beside the tests.
    let built = std::env::current_exe().unwrap();
    let websocket = built.parent().unwrap().with_file_name("examples").join("gate_websocket");
    let doors = [
        Example::start(
            "gate_controller.py",
            Command::new("python3").arg(example("gate_controller.py")).args(["--url", url, "--zone", zone]),
        ),
        Example::start("gate_websocket", Command::new(websocket).args(["--url", url, zone])),
        Example::start("gate_curl.sh", Command::new(example("gate_curl.sh")).args([zone, url])),
    ];
    for door in &doors {
        assert_eq!(door.line(""), "CLOSE start", "{}", door.name);
    }
    doors
}

/// The same with each door open.
fn open_doors(url: &str) -> [Example; 3] {
    let doors = doors(url, ZONE);
    for door in &doors {
        door.line("OPEN");
    }
    doors
}

fn follower(url: &str) -> Example {
    let path = example("robot_follower/robot_follower.py");
    let follower =
        Example::start("robot_follower.py", Command::new("python3").arg(path).args(["--url", url]));
    assert_eq!(follower.line(""), r#"{"stop": "start"}"#);
    follower
}

/// What lies between the daemon and who follows it.
struct Between {
    url: String,
    /// What the daemon says is passed on this much later, milliseconds.
    late_ms: Arc<AtomicU64>,
    /// What is said to the daemon does not reach it.
    deaf: Arc<AtomicBool>,
}

impl Between {
    fn new(daemon_url: &str) -> Between {
        let daemon: SocketAddr = daemon_url.trim_start_matches("http://").parse().unwrap();
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let url = format!("http://{}", listener.local_addr().unwrap());
        let between = Between { url, late_ms: Arc::default(), deaf: Arc::default() };
        let (late_ms, deaf) = (between.late_ms.clone(), between.deaf.clone());
        std::thread::spawn(move || {
            for client in listener.incoming().map_while(Result::ok) {
                // A daemon that is gone refuses, and so does what lies before it.
                let Ok(server) = TcpStream::connect(daemon) else { continue };
                let up = (client.try_clone().unwrap(), server.try_clone().unwrap());
                let deaf = deaf.clone();
                std::thread::spawn(move || pass_on(up.0, up.1, || !deaf.load(SeqCst)));
                let late_ms = late_ms.clone();
                std::thread::spawn(move || hold_back(server, client, &late_ms));
            }
        });
        between
    }
}

/// Bytes from one side to the other, as far as they are let through.
fn pass_on(mut from: TcpStream, mut to: TcpStream, through: impl Fn() -> bool) {
    let mut bytes = [0; 4096];
    while let Ok(n @ 1..) = from.read(&mut bytes) {
        if through() && to.write_all(&bytes[..n]).is_err() {
            break;
        }
    }
    let _ = to.shutdown(Shutdown::Write);
}

/// The same in its order, each piece no sooner than so long after it came.
fn hold_back(mut from: TcpStream, mut to: TcpStream, late_ms: &AtomicU64) {
    let (send, waiting) = channel::<(Instant, Vec<u8>)>();
    let reading = std::thread::spawn(move || {
        let mut bytes = [0; 4096];
        while let Ok(n @ 1..) = from.read(&mut bytes) {
            if send.send((Instant::now(), bytes[..n].to_vec())).is_err() {
                break;
            }
        }
        let _ = from.shutdown(Shutdown::Both);
    });
    while let Ok((came, bytes)) = waiting.recv() {
        while came.elapsed() < Duration::from_millis(late_ms.load(SeqCst)) {
            std::thread::sleep(Duration::from_millis(5));
        }
        if to.write_all(&bytes).is_err() {
            break;
        }
    }
    let _ = to.shutdown(Shutdown::Both);
    drop(waiting);
    let _ = reading.join();
}

fn started(folder: &Path) -> Daemon {
    Daemon::start(&site(folder, "Larkfield test yard", PLACES_M.len()), &[])
}

#[test]
fn silence_closes_and_a_word_opens_again() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = started(folder.path());
    let doors = open_doors(&daemon.url);
    // The connections stay open, and nobody speaks.
    daemon.signal(Signal::STOP);
    for door in &doors {
        door.line("CLOSE");
    }
    daemon.signal(Signal::CONT);
    for door in &doors {
        door.line("OPEN");
    }
}

#[test]
fn what_waited_in_a_buffer_opens_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = started(folder.path());
    let [controller, websocket, _] = open_doors(&daemon.url);
    for door in [&controller, &websocket] {
        door.signal(Signal::STOP);
    }
    let mut live = Live::connect(&daemon, "topics=zone");
    for _ in 0..30 {
        live.next_of("zone"); // a tenth of a second each
    }
    // From here on the daemon speaks no more, and what it said lies in the sockets.
    daemon.signal(Signal::STOP);
    for door in [&controller, &websocket] {
        door.signal(Signal::CONT);
        door.line("CLOSE");
    }
    daemon.signal(Signal::CONT);
    for door in [&controller, &websocket] {
        door.line("OPEN");
    }
}

#[test]
fn unknown_closes_although_positions_go_on() {
    let folder = tempfile::tempdir().unwrap();
    // Three anchors give a position, and none is left over to check it with.
    let daemon = Daemon::start(&site(folder.path(), "Larkfield test yard", 3), &[]);
    let doors = open_doors(&daemon.url);
    wait_for("a zone that is unknown for want of a check", || {
        let zone = daemon.json("/v1/zones/roller%20door");
        (zone["state"] == "unknown" && zone["tags"][0]["why"] == "unchecked").then_some(())
    });
    // Messages and positions go on, so it is no silence that closes.
    let mut live = Live::connect(&daemon, "topics=zone,position");
    for _ in 0..20 {
        let position = live.next_of("position");
        assert!(position["state"] == "located" || position["state"] == "ambiguous", "{position}");
        assert_eq!(live.next_of("zone")["state"], "unknown");
    }
    for door in &doors {
        let last = door.printed().pop().unwrap_or_default();
        assert!(last.starts_with("CLOSE"), "{}: {last}", door.name);
    }
}

#[test]
fn a_kit_without_ranges_closes() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(&site(folder.path(), "Larkfield test yard", 0), &[]);
    let doors = open_doors(&daemon.url);
    for door in &doors {
        door.line("CLOSE");
    }
    let zone = wait_for("a zone that is unknown for want of a position", || {
        let zone = daemon.json("/v1/zones/roller%20door");
        (zone["tags"][0]["why"] == "lost").then_some(zone)
    });
    assert_eq!(zone["state"], "unknown", "{zone}");
    for door in &doors {
        assert!(door.printed().iter().all(|l| !l.starts_with("OPEN")), "{}", door.name);
    }
}

#[test]
fn a_killed_daemon_closes_and_the_same_one_opens_again() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = started(folder.path());
    let address = daemon.url.trim_start_matches("http://").to_owned();
    let doors = open_doors(&daemon.url);
    daemon.signal(Signal::KILL);
    for door in &doors {
        door.line("CLOSE");
    }
    drop(daemon);
    let daemon = Daemon::start_at(&folder.path().join("site.toml"), &address, &[]);
    for door in &doors {
        door.line("OPEN");
    }
    daemon.stop();
}

#[test]
fn another_daemon_on_the_port_opens_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = started(folder.path());
    let address = daemon.url.trim_start_matches("http://").to_owned();
    let doors = open_doors(&daemon.url);
    let other = site(&folder.path().join("other"), "another yard", PLACES_M.len());
    for door in &doors {
        door.printed(); // what a busy machine may have made of it before
    }
    daemon.signal(Signal::KILL);
    drop(daemon);
    let daemon = Daemon::start_at(&other, &address, &[]);
    for door in &doors {
        door.line("CLOSE");
    }
    // Its cart is in its zone of the same name, and everybody has time to see that.
    let mut live = Live::connect(&daemon, "topics=zone");
    let mut inside = 0;
    while inside < 30 {
        inside += u32::from(live.next_of("zone")["state"] == "inside");
    }
    for door in &doors {
        let opened: Vec<String> = door.printed().into_iter().filter(|l| l.starts_with("OPEN")).collect();
        assert!(opened.is_empty(), "{}: {opened:?}", door.name);
    }
    daemon.stop();
}

#[test]
fn an_example_that_is_ended_closes_first() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = started(folder.path());
    for door in open_doors(&daemon.url) {
        door.signal(Signal::TERM);
        door.line("CLOSE");
    }
}

#[test]
fn every_example_begins_with_its_caution() {
    for name in
        ["gate_controller.py", "gate_websocket.rs", "gate_curl.sh", "robot_follower/robot_follower.py"]
    {
        let text = std::fs::read_to_string(example(name)).unwrap();
        let first: Vec<&str> = text.lines().take(12).collect();
        let first = first.join("\n");
        for word in ["CAUTION", "not a safety component", "emergency stop", "overrule"] {
            assert!(first.contains(word), "{name} says {word:?} in its first lines");
        }
    }
}

#[test]
fn poses_are_of_the_map_frame_and_stop_with_the_daemon() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = started(folder.path());
    let follower = follower(&daemon.url);
    // Until the track has settled, noise can look like the motion of a slow tag.
    let pose = wait_for("a pose without a heading", || {
        let line: Value = serde_json::from_str(&follower.line("{")).unwrap();
        (line["stop"].is_null() && line["orientation"].is_null()).then_some(line)
    });
    // REP-105: a pose of the tag's frame in the frame that does not drift. REP-103: metres, x east, y north, z up.
    assert_eq!((&pose["frame_id"], &pose["child_frame_id"]), (&"map".into(), &"tag_0".into()), "{pose}");
    let off = |axis: &str, true_m: f64| (pose["position"][axis].as_f64().unwrap() - true_m).abs();
    assert!(off("x", PARKED_M[0]) < 0.5 && off("y", PARKED_M[1]) < 0.5, "{pose}");
    assert_eq!(pose["position"]["z"], 0.9);
    // REP-103: x, y, z and the rotations about them, row by row. A parked tag has no heading: null, not 0.
    let covariance = pose["covariance"].as_array().unwrap();
    assert_eq!(covariance.len(), 36);
    assert!(covariance[0].as_f64().unwrap() > 0.0 && covariance[7].as_f64().unwrap() > 0.0, "{pose}");
    assert_eq!(covariance[1], covariance[6]);
    assert_eq!(covariance[14], Value::Null, "nobody stated the error of the height: {pose}");
    assert_eq!((&covariance[35], &pose["orientation"]), (&Value::Null, &Value::Null));
    daemon.signal(Signal::KILL);
    wait_for("a stop", || follower.line("{").contains("stop").then_some(()));
}

#[test]
fn a_door_that_never_opens_says_why() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = started(folder.path());
    for door in doors(&daemon.url, FAR_ZONE) {
        let told = door.told(&["closed: outside"]);
        assert!(told.contains("Tag 0 is outside seed beds"), "{}: {told}", door.name);
        // Figures that change are no new reason.
        let mut live = Live::connect(&daemon, "topics=zone");
        (0..40).for_each(|_| {
            live.next_of("zone");
        });
        let again: Vec<String> = door.errors.try_iter().filter(|l| l.contains("outside")).collect();
        assert!(again.is_empty() && !door.opened(), "{}: {again:?}", door.name);
    }
    // A name that is spelt wrong, and a tag that nobody has.
    for door in doors(&daemon.url, "rolling door") {
        let told = door.told(&["no zone", "unknown-zone"]);
        assert!(told.contains("rolling door") || told.contains(ZONE), "{}: {told}", door.name);
    }
    let nobody = Example::start(
        "gate_controller.py",
        Command::new("python3").arg(example("gate_controller.py")).args([
            "--url",
            &daemon.url,
            "--zone",
            ZONE,
            "--tag",
            "7",
        ]),
    );
    nobody.told(&["closed: unknown: Whether tag 7 is inside roller door is not known"]);
    // No daemon at all.
    let url = daemon.url.clone();
    daemon.stop();
    for door in doors(&url, ZONE) {
        door.told(&["onnect"]);
        assert!(!door.opened());
    }
}

#[test]
fn what_comes_late_from_the_start_opens_nothing_and_says_why() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = started(folder.path());
    drop(open_doors(&daemon.url));
    let between = Between::new(&daemon.url);
    between.late_ms.store(700, SeqCst); // longer than a message holds, shorter than anybody waits for an answer
    let late = ["took", "waited for", "no answer", "timed out"];
    let doors = doors(&between.url, ZONE);
    for door in &doors {
        door.told(&late);
    }
    let follower = follower(&between.url);
    assert!(follower.line("{").contains("to open"));
    // Everybody has heard much more of the zone by now.
    let mut live = Live::connect(&daemon, "topics=zone");
    (0..40).for_each(|_| {
        live.next_of("zone");
    });
    for door in &doors {
        assert!(!door.opened(), "{}", door.name);
    }
    assert!(follower.printed().iter().all(|l| l.contains("stop")));
    between.late_ms.store(0, SeqCst);
    for door in &doors {
        door.line("OPEN");
    }
}

#[test]
fn what_begins_to_come_late_closes_with_that_reason() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = started(folder.path());
    let between = Between::new(&daemon.url);
    let doors = open_doors(&between.url);
    between.late_ms.store(700, SeqCst);
    for door in &doors {
        door.line("CLOSE");
    }
    let [controller, websocket, curl] = &doors;
    for door in [controller, websocket] {
        door.told(&["waited for"]);
    }
    assert!(doors.iter().all(|d| !d.opened()));
    between.late_ms.store(0, SeqCst);
    for door in [controller, websocket, curl] {
        door.line("OPEN");
    }
}

#[test]
fn a_ping_without_a_pong_closes() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = started(folder.path());
    let between = Between::new(&daemon.url);
    let [_, websocket, _] = open_doors(&between.url);
    // Messages go on; nothing that this one says gets through.
    between.deaf.store(true, SeqCst);
    assert_eq!(websocket.line("CLOSE"), "CLOSE no answer to my ping: what I read may be old");
    assert!(!websocket.opened());
    between.deaf.store(false, SeqCst);
    websocket.line("OPEN");
}

/// An answer of the daemon as it was some time ago: head and body, or the first messages of a stream.
fn recorded(daemon: &Daemon, path: &str, until: &str) -> Vec<u8> {
    let mut stream = TcpStream::connect(daemon.url.trim_start_matches("http://")).unwrap();
    write!(stream, "GET {path} HTTP/1.0\r\nHost: localhost\r\n\r\n").unwrap();
    let mut bytes = Vec::new();
    while !String::from_utf8_lossy(&bytes).contains(until) {
        let mut more = [0; 4096];
        let n = stream.read(&mut more).unwrap();
        assert!(n > 0, "the end before {until}: {}", String::from_utf8_lossy(&bytes));
        bytes.extend_from_slice(&more[..n]);
    }
    bytes
}

#[test]
fn an_answer_to_another_question_opens_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = started(folder.path());
    drop(open_doors(&daemon.url));
    // What says again and again what was true once, and passes on the rest.
    let inside = "\"state\":\"inside\"";
    let stream = recorded(&daemon, "/v1/live.sse?topics=zone,event&nonce=old", inside);
    let answer = recorded(&daemon, "/v1/zones/roller%20door?nonce=old", "\"nonce\":\"old\"}");
    assert!(String::from_utf8_lossy(&answer).contains(inside));
    let site = recorded(&daemon, "/v1/site", "\"tags\":[]}");
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("http://{}", listener.local_addr().unwrap());
    let asked = Arc::new(Mutex::new(0));
    let counted = asked.clone();
    std::thread::spawn(move || {
        for mut client in listener.incoming().map_while(Result::ok) {
            let mut bytes = [0; 4096];
            let n = client.read(&mut bytes).unwrap_or(0);
            let request = String::from_utf8_lossy(&bytes[..n]).into_owned();
            let says = if request.contains("/v1/live.sse") {
                &stream
            } else if request.contains("/v1/zones") {
                &answer
            } else {
                &site
            };
            *counted.lock().unwrap() += 1;
            let _ = client.write_all(says);
        }
    });
    let [controller, _, curl] = doors(&url, ZONE);
    controller.told(&["does not begin with the nonce"]);
    curl.told(&["not to this question"]);
    let follower = follower(&url);
    assert!(follower.line("{").contains("does not begin with the nonce"));
    wait_for("many more questions", || (*asked.lock().unwrap() > 30).then_some(()));
    assert!(!controller.opened() && !curl.opened());
    daemon.stop();
}

fn wall_clock() -> Timestamp {
    let since = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap();
    Timestamp::from_micros(since.as_micros() as i64)
}

/// A daemon of the library whose clock is this far from the one of this machine. Its cart is in the roller door's zone.
struct OtherClock {
    url: String,
    stop: CancellationToken,
    threads: Vec<std::thread::JoinHandle<()>>,
}

impl OtherClock {
    fn start(site: &Path, by_s: f64) -> OtherClock {
        let hub = Hub::new(HubInfo {
            version: "0.1.0".into(),
            started_at: wall_clock(),
            source: "sim://yard.toml".into(),
            site: (&SiteFile::load(site).unwrap().site).into(),
        });
        let utc_minus_session = Micros::from_secs_f64(by_s);
        hub.set_clock(ClockStatus { utc_minus_session, changed_at: wall_clock(), synchronised: Some(false) });
        hub.set_link(LinkView { state: Connectivity::Connected, reason: None, since: wall_clock() });
        let (stop, scale, served) = (CancellationToken::new(), hub.clone(), hub.clone());
        let (tell, told) = channel();
        let (ended, token) = (stop.clone(), stop.clone());
        let serving = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
            runtime.block_on(async {
                let listener = bind(SocketAddr::from(([127, 0, 0, 1], 0))).await.unwrap();
                tell.send(listener.local_addr().unwrap()).unwrap();
                let settings = ApiSettings::new(Arc::new(move || scale.utc(wall_clock())));
                serve(listener, served, settings, token).await.unwrap();
            });
        });
        let url = format!("http://{}", told.recv().unwrap());
        let feeding = std::thread::spawn(move || {
            for seq in (1..).take_while(|_| !ended.is_cancelled()) {
                let [position, zone] = parked(seq, wall_clock());
                hub.publish(&position);
                hub.publish(&zone);
                std::thread::sleep(Duration::from_millis(50));
            }
        });
        OtherClock { url, stop, threads: vec![serving, feeding] }
    }
}

impl Drop for OtherClock {
    fn drop(&mut self) {
        self.stop.cancel();
        self.threads.drain(..).for_each(|t| drop(t.join()));
    }
}

/// The parked cart, located and inside, at an instant.
fn parked(seq: u64, at: Timestamp) -> [Output; 2] {
    let valid_until = at.plus(Micros::from_millis(500));
    let position = PositionReport {
        seq,
        tag: TagId(0),
        at,
        received_at: at,
        valid_until,
        location: Location::Located(TagPlace {
            protection_radius_m: Some(0.4),
            checked: true,
            hdop: Some(0.8),
            ..TagPlace::of(
                Place {
                    position_m: [PARKED_M[0], PARKED_M[1], 0.9],
                    covariance_m2: [[0.01, 0.0, 0.0], [0.0, 0.01, 0.0], [0.0; 3]],
                },
                0.25,
            )
        }),
        restarted: false,
        used: Default::default(),
        rejected: Default::default(),
        no_fix: None,
    };
    let zone = ZoneReport {
        seq,
        zone: 0,
        tag: TagId(0),
        at,
        valid_until,
        state: ZoneState::Inside,
        was: ZoneState::Inside,
        since: at,
        why: ZoneWhy::Probability,
        probability: Some(0.999),
        depth_m: Some(1.8),
        eta_s: None,
    };
    [Output::Position(position), Output::Zone(zone)]
}

/// "... differ by N s": N.
fn seconds_apart(line: &str) -> f64 {
    let (_, rest) = line.split_once("the daemon's clock and this one differ by ").expect(line);
    rest.split(' ').next().unwrap().parse().unwrap()
}

#[test]
fn clocks_that_differ_keep_no_door_closed_and_are_told_once() {
    let folder = tempfile::tempdir().unwrap();
    let site = site(folder.path(), "Larkfield test yard", PLACES_M.len());
    for by_s in [-30.0, 3_600.0] {
        let daemon = OtherClock::start(&site, by_s);
        let differs = ["differ by"];
        for door in open_doors(&daemon.url) {
            let apart_s = seconds_apart(&door.told(&differs));
            assert!((apart_s - f64::abs(by_s)).abs() < 10.0, "{}: {apart_s}", door.name);
            let seq = || {
                let (_, _, tag) = get(&format!("{}/v1/tags/0", daemon.url));
                serde_json::from_str::<Value>(&tag).unwrap()["seq"].as_u64().unwrap()
            };
            let first = seq();
            wait_for("many more messages", || (seq() > first + 30).then_some(()));
            let again = door.errors.try_iter().filter(|l| l.contains("differ by")).count();
            assert_eq!(again, 0, "{}: once", door.name);
        }
        let follower = follower(&daemon.url);
        wait_for("a pose", || follower.line("{").contains("\"position\"").then_some(()));
        follower.told(&differs);
    }
}

#[test]
fn a_clock_that_keeps_a_door_closed_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let site = site(folder.path(), "Larkfield test yard", PLACES_M.len());
    let daemon = OtherClock::start(&site, 30.0);
    let strict = Example::start(
        "gate_controller.py",
        Command::new("python3").arg(example("gate_controller.py")).args([
            "--url",
            &daemon.url,
            "--zone",
            ZONE,
            "--max-age-s",
            "1",
        ]),
    );
    let told = strict.told(&["closed: the daemon's clock"]);
    assert!(told.contains("where --max-age-s allows 1.0 s"), "{told}");
    assert!(!strict.opened());
}
