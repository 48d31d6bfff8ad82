//! The examples for people who act, against the simulated kit: whatever makes the zone uncertain closes the door.
//!
//! A cart is parked in the roller door's zone, so that every example opens; then its reason is taken away.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};

use rustix::process::Signal;
use serde_json::Value;

use crate::nursery::{LAYOUT, PLACES_M};
use crate::support::{Daemon, Live, PATIENCE, root, wait_for};

const ZONE: &str = "roller door";
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
         polygon_m = [[9.0, 0.0], [13.0, 0.0], [13.0, 4.0], [9.0, 4.0]]\n"
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

/// A running example with the lines that it prints.
struct Example {
    name: &'static str,
    child: Child,
    lines: Receiver<String>,
}

impl Example {
    fn start(name: &'static str, command: &mut Command) -> Example {
        let mut child = command.stdin(Stdio::null()).stdout(Stdio::piped()).spawn().unwrap();
        let stdout = BufReader::new(child.stdout.take().unwrap());
        let (send, lines) = channel();
        std::thread::spawn(move || {
            for line in stdout.lines().map_while(Result::ok) {
                if send.send(line).is_err() {
                    return;
                }
            }
        });
        Example { name, child, lines }
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

/// The three controllers, following the daemon at `url`, each with its door open.
fn open_doors(url: &str) -> [Example; 3] {
    // Examples are built beside the tests.
    let built = std::env::current_exe().unwrap();
    let websocket = built.parent().unwrap().with_file_name("examples").join("gate_websocket");
    let doors = [
        Example::start(
            "gate_controller.py",
            Command::new("python3").arg(example("gate_controller.py")).args(["--url", url, "--zone", ZONE]),
        ),
        Example::start("gate_websocket", Command::new(websocket).args(["--url", url, ZONE])),
        Example::start("gate_curl.sh", Command::new(example("gate_curl.sh")).args([ZONE, url])),
    ];
    for door in &doors {
        assert_eq!(door.line(""), "CLOSE start", "{}", door.name);
        door.line("OPEN");
    }
    doors
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
    let follower = Example::start(
        "robot_follower.py",
        Command::new("python3").arg(example("robot_follower/robot_follower.py")).args(["--url", &daemon.url]),
    );
    assert_eq!(follower.line(""), r#"{"stop": "start"}"#);
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
    assert_eq!((&covariance[35], &pose["orientation"]), (&Value::Null, &Value::Null));
    daemon.signal(Signal::KILL);
    wait_for("a stop", || follower.line("{").contains("stop").then_some(()));
}
