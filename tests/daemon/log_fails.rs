//! The log fails in every way: what people act on goes on and is reported at once, and what becomes of the log is said.

use std::fs;
use std::io::Read as _;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use rustix::process::Signal;
use serde_json::Value;

use crate::support::nursery;
use crate::support::{Daemon, Line, Live, run, wait_for};

/// A yard whose zone is where the tag is, with the log in a folder of its own.
struct Yard {
    top: tempfile::TempDir,
    site: PathBuf,
    line: Line,
    frames: Vec<Vec<u8>>,
    sent: usize,
}

impl Yard {
    fn new() -> Yard {
        let top = tempfile::tempdir().unwrap();
        fs::create_dir(top.path().join("logs")).unwrap();
        let port = top.path().join("port");
        let line = Line::new(&port);
        let site = nursery::site(top.path(), port.to_str().unwrap());
        let text = fs::read_to_string(&site).unwrap().replace("\"test.db\"", "\"logs/test.db\"");
        fs::write(&site, text + &zone(0.0, 24.0)).unwrap();
        let frames = nursery::frames(60.0).into_iter().map(|f| f.bytes).collect();
        Yard { top, site, line, frames, sent: 0 }
    }

    fn log(&self) -> PathBuf {
        self.top.path().join("logs/test.db")
    }

    /// Sends a frame now and then until `probe` gives something.
    fn send_until<T>(&mut self, what: &str, mut probe: impl FnMut() -> Option<T>) -> T {
        wait_for(what, || {
            self.line.send(&self.frames[self.sent % self.frames.len()]);
            self.sent += 1;
            std::thread::sleep(Duration::from_millis(70));
            probe()
        })
    }

    /// The log's state once it says something with these words.
    fn problem(&mut self, daemon: &Daemon, words: &str) -> Value {
        self.send_until(words, || {
            let log = daemon.json("/v1/status")["log"].clone();
            log["problem"].as_str().is_some_and(|p| p.contains(words)).then_some(log)
        })
    }

    fn well(&mut self, daemon: &Daemon) -> Value {
        self.send_until("a log that is well", || {
            let log = daemon.json("/v1/status")["log"].clone();
            log["problem"].is_null().then_some(log)
        })
    }
}

/// The whole yard between these two, as a zone.
fn zone(from_m: f64, to_m: f64) -> String {
    format!(
        "\n[[zone]]\nname = \"roller door\"\npolygon_m = [[{from_m:?}, 0.0], [{to_m:?}, 0.0], [{to_m:?}, 14.0], [{from_m:?}, 14.0]]\n"
    )
}

fn replayed(log: &Path) -> u64 {
    let (summary, words, code) = run(&["replay", log.to_str().unwrap(), "--json"]);
    assert_eq!(code, 0, "{words}");
    serde_json::from_str::<Value>(&summary).unwrap()["epochs"].as_u64().unwrap()
}

/// A change that a gate must hear of comes at once, although the log is gone with its folder; then the log is made anew.
#[test]
fn a_changed_zone_is_told_at_once_without_a_log_and_the_log_is_made_anew() {
    let mut yard = Yard::new();
    let daemon = Daemon::start(&yard.site, &[]);
    yard.send_until("inside", || (daemon.json("/v1/zones")["zones"][0]["state"] == "inside").then_some(()));
    let mut live = Live::connect(&daemon, "topics=event");
    fs::remove_dir_all(yard.top.path().join("logs")).unwrap();
    // Another outline, far from the tag.
    let text = fs::read_to_string(&yard.site).unwrap();
    fs::write(&yard.site, text.replace(&zone(0.0, 24.0), &zone(40.0, 50.0))).unwrap();
    daemon.signal(Signal::HUP);
    let kinds = std::iter::from_fn(|| Some(live.next_of("event"))).map(|e| e["kind"].clone());
    let told: Vec<Value> = kinds.take(2).collect();
    assert_eq!(
        told,
        ["zone", "configuration"],
        "what was said of the old outline ends, and then it is another one"
    );
    assert_ne!(daemon.json("/v1/zones")["zones"][0]["state"], "inside");
    let log = yard.log();
    yard.send_until("a log again", || log.is_file().then_some(()));
    let newest = daemon.json("/v1/events")["newest"].clone();
    yard.well(&daemon);
    daemon.stop();
    assert!(replayed(&log) > 0, "what was not safe went into the new file");
    // The numbers go on, whatever became of the file.
    let daemon = Daemon::start(&yard.site, &[]);
    let start = wait_for("the start", || {
        let page = daemon.json(&format!("/v1/events?after={newest}"));
        page["events"].as_array().unwrap().iter().find(|e| e["kind"] == "start").cloned()
    });
    assert!(start["seq"].as_u64() > newest.as_u64(), "{start} after {newest}");
    assert_eq!((&start["kind"], &start["before"]), (&"start".into(), &"stopped".into()));
    daemon.stop();
}

/// The end of a daemon that could not write says so.
#[test]
fn a_stop_that_loses_something_does_not_end_well() {
    let mut yard = Yard::new();
    let daemon = Daemon::start(&yard.site, &[]);
    yard.send_until("a position", || daemon.position_in("located"));
    // Not to be made anew: something else stands there.
    let folder = yard.top.path().join("logs");
    fs::remove_dir_all(&folder).unwrap();
    fs::write(&folder, "in the way").unwrap();
    yard.problem(&daemon, "logs");
    daemon.signal(Signal::TERM);
    let (status, words) = daemon.wait();
    assert_eq!(status.code(), Some(74), "{words}");
    assert!(words.contains("could not be written") && words.contains("events"), "{words}");
}

/// Whatever is wrong with the log at the start, positions come, the reason is the true one, and it is taken up when it is
/// well.
#[test]
fn a_daemon_starts_whatever_is_wrong_with_its_log() {
    let mut yard = Yard::new();
    let (log, folder) = (yard.log(), yard.top.path().join("logs"));
    // A folder in the file's place.
    fs::create_dir(&log).unwrap();
    let daemon = Daemon::start(&yard.site, &[]);
    yard.send_until("a position", || daemon.position_in("located"));
    let state = yard.problem(&daemon, "folder");
    assert_eq!((&state["rows_written"], &state["rows_dropped"]), (&0.into(), &0.into()));
    assert!(state["rows_waiting"].as_u64().unwrap() > 10, "{state}");
    let start = daemon.json("/v1/events")["events"][0].clone();
    assert_eq!((&start["kind"], &start["before"]), (&"start".into(), &"unknown".into()), "{start}");
    let problems = daemon.json("/v1/status")["problems"].to_string();
    assert!(problems.contains("folder"), "{problems}");
    assert!(daemon.get("/metrics").2.contains("hereabout_log_failing 1"));
    fs::remove_dir(&log).unwrap();
    let state = yard.well(&daemon);
    assert_eq!((&state["rows_dropped"], &state["frames_dropped"]), (&0.into(), &0.into()));
    let words = daemon.stop();
    assert!(words.contains("nothing is logged yet"), "{words}");
    let epochs = replayed(&log);
    assert!(epochs + 5 >= yard.sent as u64, "{epochs} epochs of {} frames: from the start on", yard.sent);

    // No rights to the folder; root has them anyhow.
    if !rustix::process::geteuid().is_root() {
        fs::set_permissions(&folder, fs::Permissions::from_mode(0o500)).unwrap();
        fs::remove_file(&log).unwrap_err();
        fs::set_permissions(&log, fs::Permissions::from_mode(0o400)).unwrap();
        let daemon = Daemon::start(&yard.site, &[]);
        yard.send_until("a position", || daemon.position_in("located"));
        yard.problem(&daemon, "permission denied");
        fs::set_permissions(&log, fs::Permissions::from_mode(0o600)).unwrap();
        fs::set_permissions(&folder, fs::Permissions::from_mode(0o700)).unwrap();
        yard.well(&daemon);
        daemon.stop();
    }
}

#[test]
fn a_damaged_log_is_left_and_the_daemon_goes_on_beside_it_over_starts() {
    let mut yard = Yard::new();
    let log = yard.log();
    let rubbish = vec![0x5a_u8; 20_000];
    fs::write(&log, &rubbish).unwrap();
    let beside = log.with_file_name("test.2.db");
    for before in ["unknown", "stopped"] {
        let daemon = Daemon::start(&yard.site, &[]);
        yard.send_until("a position", || daemon.position_in("located"));
        let state = yard.problem(&daemon, "test.2.db");
        assert!(state["path"].as_str().unwrap().ends_with("test.2.db"), "{state}");
        assert!(state["rows_written"].as_u64().unwrap() > 0, "{state}");
        let page = daemon.json("/v1/events?limit=1000");
        let start = page["events"].as_array().unwrap().iter().rfind(|e| e["kind"] == "start").unwrap();
        assert_eq!(start["before"], before, "{start}");
        let words = daemon.stop();
        assert!(words.contains("goes on in"), "{words}");
    }
    assert_eq!(fs::read(&log).unwrap(), rubbish, "it is left as it is");
    assert!(replayed(&beside) > 0);
}

/// A number means one event for ever: over kills, a deleted log, one that was put back, and none at all.
#[test]
fn no_number_means_two_events_whatever_becomes_of_the_log() {
    let yard = Yard::new();
    let log = yard.log();
    let copy = yard.top.path().join("copy.db");
    let mut told: Vec<(u64, String)> = Vec::new();
    for round in 0..6 {
        let more: &[&str] = if round == 4 { &["--no-log"] } else { &[] };
        let daemon = Daemon::start(&yard.site, more);
        let mut live = Live::connect(&daemon, "topics=event&after=1");
        let before = told.last().map_or(0, |t| t.0);
        // Of runs that the file does not have nothing is known, and who heard of them is told so.
        let missing = daemon.json(&format!("/v1/events?after={before}")).get("no_longer_kept").cloned();
        match round {
            2 => assert_eq!(missing, None, "the run before stopped"),
            3..=5 => assert_eq!(missing.unwrap()["from"], before + 1, "round {round}"),
            // A kill may have taken the last event with it.
            _ => {}
        }
        let text = fs::read_to_string(&yard.site).unwrap() + "# a remark\n";
        fs::write(&yard.site, text).unwrap();
        daemon.signal(Signal::HUP);
        wait_for("a change", || {
            let event = live.next_of("event");
            let (seq, time) = (event["seq"].as_u64().unwrap(), event["time"].to_string());
            // A resumed reader gets those of before again.
            if told.last().is_none_or(|t| seq > t.0) {
                told.push((seq, time));
            } else {
                assert!(
                    told.contains(&(seq, time)),
                    "{event} is not what that number was before: {round} {told:?}"
                );
            }
            (event["kind"] == "configuration" && seq > before).then_some(())
        });
        if round % 2 == 0 {
            daemon.signal(Signal::KILL);
            daemon.wait();
        } else {
            daemon.stop();
        }
        match round {
            1 => drop(fs::copy(&log, &copy).unwrap()),
            2 => fs::remove_file(&log).unwrap(),
            // The old one comes back, which knows nothing of what was reported since.
            3 => drop(fs::copy(&copy, &log).unwrap()),
            _ => {}
        }
    }
    assert!(told.is_sorted_by(|a, b| a.0 < b.0), "{told:?}");
    assert!(told.len() >= 18, "{told:?}");
}

/// A daemon whose log lies on a disk of 16 megabytes; `None` where that can't be made.
fn on_a_small_disk(yard: &Yard) -> Option<Daemon> {
    let folder = yard.top.path().join("logs");
    let mount = format!("mount -t tmpfs -o size=16m none {}", folder.display());
    let tried = Command::new("unshare").args(["-rm", "sh", "-c", &mount]).stderr(Stdio::null()).status();
    if !tried.is_ok_and(|s| s.success()) {
        println!("skipped: no small disk can be mounted here");
        return None;
    }
    let mut command = Command::new("unshare");
    let script = format!("{mount} && exec \"$@\"");
    // The word after a shell's script is its own name.
    command.args(["-rm", "sh", "-c", &script, "sh", env!("CARGO_BIN_EXE_hereabout")]);
    Some(Daemon::start_as(command, &yard.site, "127.0.0.1:0", &[]))
}

/// The disk is full, a calibration comes: nothing that waits is lost, the counters go on, and when there is room it is all
/// written.
#[test]
fn a_full_disk_loses_nothing_while_the_queue_holds() {
    let mut yard = Yard::new();
    let Some(daemon) = on_a_small_disk(&yard) else { return };
    // Seen from outside of the daemon's own view of the folders.
    let inside = PathBuf::from(format!("/proc/{}/root{}/logs", daemon.id(), yard.top.path().display()));
    yard.send_until("a position", || daemon.position_in("located"));
    let filler = inside.join("filler");
    let mut rest = fs::File::create(&filler).unwrap();
    let _ = std::io::copy(&mut std::io::repeat(1).take(100_000_000), &mut rest).unwrap_err();
    drop(rest);
    let full = yard.problem(&daemon, "is full");
    let written = full["rows_written"].as_u64().unwrap();
    assert!(written > 0);
    let mut live = Live::connect(&daemon, "topics=event");
    // A changed calibration ends the session and begins another one.
    fs::write(
        yard.top.path().join("calibration.toml"),
        "[[anchor]]\nid = 0\noffset_m = 0.01\nscale = 1.0\ndate = \"2026-05-04T09:00:00Z\"\nmethod = \"test\"\n",
    )
    .unwrap();
    daemon.signal(Signal::HUP);
    let event = live.next_of("event");
    assert!(matches!(event["kind"].as_str(), Some("zone" | "calibration")), "{event}");
    for _ in 0..30 {
        yard.send_until("a frame", || Some(()));
    }
    let state = daemon.json("/v1/status")["log"].clone();
    assert!(state["rows_written"].as_u64().unwrap() >= written, "{state}, {written} before");
    assert_eq!(state["rows_dropped"], 0, "{state}");
    assert!(state["problem"].as_str().unwrap().contains("is full"), "the true reason: {state}");
    fs::remove_file(&filler).unwrap();
    let state = yard.well(&daemon);
    assert_eq!(state["rows_dropped"], 0, "{state}");
    assert!(state["rows_written"].as_u64().unwrap() > written + 60, "{state}, {written} before");
    // The disk goes with the daemon, so what is on it is looked at now.
    let copy = yard.top.path().join("copy.db");
    for ending in ["", "-wal"] {
        fs::copy(inside.join(format!("test.db{ending}")), format!("{}{ending}", copy.display())).unwrap();
    }
    let epochs = replayed(&copy);
    assert!(
        epochs > 20,
        "{epochs}: the session of the new calibration has what came while the disk was full"
    );
    daemon.stop();
}
