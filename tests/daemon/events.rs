//! Numbered events from outside: kinds, resuming over both live routes, numbers over kills, restarts and sessions, with
//! a log, with a log that fails, and without one.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Write};
use std::net::TcpStream;
use std::path::Path;
use std::time::Duration;

use crate::support::nursery;
use crate::support::{Daemon, Line, Live, PATIENCE, run, wait_for};
use rustix::process::Signal;
use serde_json::Value;

/// A reader of `/v1/live.sse`, as the WHATWG HTML Living Standard (section "Server-sent events") has it.
pub(crate) struct Sse {
    lines: BufReader<TcpStream>,
    /// The last `id:`.
    pub(crate) last_id: Option<String>,
}

impl Sse {
    /// Asks with HTTP/1.0, so that the body comes without chunks; `more` is further header lines.
    pub(crate) fn connect(daemon: &Daemon, query: &str, more: &str) -> (String, Sse) {
        let mut stream = TcpStream::connect(daemon.url.trim_start_matches("http://")).unwrap();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        write!(stream, "GET /v1/live.sse?{query} HTTP/1.0\r\nHost: localhost\r\n{more}\r\n").unwrap();
        let mut sse = Sse { lines: BufReader::new(stream), last_id: None };
        let head: String =
            std::iter::from_fn(|| sse.line().filter(|l| !l.is_empty())).map(|l| l + "\n").collect();
        (head, sse)
    }

    fn line(&mut self) -> Option<String> {
        let mut line = String::new();
        let n = self.lines.read_line(&mut line).ok()?;
        // A killed daemon may leave half a line: that is no message.
        (n > 0 && line.ends_with('\n')).then(|| line.trim_end().to_owned())
    }

    /// The next message as text; `None` at the end.
    pub(crate) fn next(&mut self) -> Option<String> {
        let (mut data, mut id) = (String::new(), None);
        loop {
            let line = self.line()?;
            if line.is_empty() {
                self.last_id = id.take().or(self.last_id.take());
                if !data.is_empty() {
                    return Some(data);
                }
            } else if let Some(text) = line.strip_prefix("data: ") {
                data = text.to_owned();
            } else if let Some(text) = line.strip_prefix("id: ") {
                id = Some(text.to_owned());
            }
        }
    }

    /// The next event as text.
    fn next_event(&mut self) -> Option<String> {
        std::iter::from_fn(|| self.next()).find(|m| m.starts_with("{\"type\":\"event\""))
    }
}

fn seq(event: &str) -> u64 {
    serde_json::from_str::<Value>(event).unwrap()["seq"].as_u64().unwrap()
}

/// The texts of all events that the daemon keeps, by number.
fn kept(daemon: &Daemon) -> BTreeMap<u64, String> {
    let mut all = BTreeMap::new();
    let mut after = 0;
    loop {
        let (status, _, text) = daemon.get(&format!("/v1/events?after={after}&limit=1000"));
        assert_eq!(status, 200, "{text}");
        let page: Value = serde_json::from_str(&text).unwrap();
        assert!(page.get("no_longer_kept").is_none(), "{page}");
        let events = page["events"].as_array().unwrap();
        if events.is_empty() {
            assert_eq!(page["next_after"].as_u64().unwrap(), after);
            return all;
        }
        all.extend(events.iter().map(|e| (e["seq"].as_u64().unwrap(), e.to_string())));
        after = page["next_after"].as_u64().unwrap();
    }
}

/// Waits for an event of this kind after a number; gives it.
fn event_of(daemon: &Daemon, after: u64, kind: &str) -> Value {
    wait_for(kind, || {
        let page = daemon.json(&format!("/v1/events?after={after}&limit=1000"));
        page["events"].as_array().unwrap().iter().find(|e| e["kind"] == kind).cloned()
    })
}

fn newest(daemon: &Daemon) -> u64 {
    // The event of the start has its number as soon as it is in the file.
    wait_for("the first number", || daemon.json("/v1/events?limit=1")["newest"].as_u64())
}

fn site(folder: &Path) -> (std::path::PathBuf, Line) {
    let port = folder.join("port");
    let line = Line::new(&port);
    (nursery::site(folder, port.to_str().unwrap()), line)
}

/// Another text of the same site.
fn remark(site: &Path) {
    let text = std::fs::read_to_string(site).unwrap() + "# a remark\n";
    std::fs::write(site, text).unwrap();
}

#[test]
fn numbers_go_on_over_kills_without_a_double() {
    let folder = tempfile::tempdir().unwrap();
    let (site, _line) = site(folder.path());
    // What the subscriber has, in the order in which it came.
    let mut seen: Vec<String> = Vec::new();
    for round in 0..12_u64 {
        let daemon = Daemon::start(&site, &[]);
        let header = seen.last().map_or(String::new(), |e| format!("Last-Event-ID: {}\r\n", seq(e)));
        // The very first one asks for all.
        let (_, mut sse) = Sse::connect(&daemon, "topics=event&after=0", &header);
        let url_of = daemon.url.clone();
        let reader = std::thread::spawn(move || {
            std::iter::from_fn(|| sse.next_event()).collect::<Vec<_>>() // until the daemon is gone
        });
        // A signal with a new text is a change of configuration: an event, and a session of its own. The second one waits
        // for some seconds, or is cut short by the kill.
        for again in 0..4 + round {
            let before = newest(&daemon);
            remark(&site);
            daemon.signal(Signal::HUP);
            if again == 0 && round % 2 == 0 || again == 1 && round % 4 == 0 {
                wait_for("the event", || (newest(&daemon) > before).then_some(()));
            } else {
                std::thread::sleep(Duration::from_millis(7 * round));
            }
        }
        daemon.signal(Signal::KILL);
        let (status, _) = daemon.wait();
        assert!(!status.success(), "{url_of} was killed");
        seen.extend(reader.join().unwrap());
    }
    let daemon = Daemon::start(&site, &[]);
    let (_, mut sse) =
        Sse::connect(&daemon, "topics=event", &format!("Last-Event-ID: {}\r\n", seq(seen.last().unwrap())));
    event_of(&daemon, seq(seen.last().unwrap()), "start");
    let to = newest(&daemon);
    while seen.last().map(|e| seq(e)) != Some(to) {
        seen.push(sse.next_event().unwrap());
    }
    let numbers: Vec<u64> = seen.iter().map(|e| seq(e)).collect();
    assert!(numbers.is_sorted_by(|a, b| a < b), "each number once, in order: {numbers:?}");
    assert!(numbers.len() > 30, "{numbers:?}");
    // By one within a run, by more over a start.
    for (before, event) in numbers.iter().zip(&seen[1..]) {
        let is_start = event.contains("\"kind\":\"start\"");
        assert_eq!(seq(event) == before + 1, !is_start, "after {before}: {event}");
    }
    let kept = kept(&daemon);
    let mut unkept = 0;
    for event in &seen {
        let value: Value = serde_json::from_str(event).unwrap();
        match kept.get(&seq(event)) {
            Some(text) => assert_eq!(*text, value.to_string(), "what was seen is what the file has"),
            None => unkept += 1,
        }
    }
    // A kill may take what was reported in its last moments, and the start after it says so.
    assert!(unkept <= 3 * 12, "{unkept} of {}", seen.len());
    for start in seen.iter().filter(|e| e.contains("\"kind\":\"start\"")).skip(1) {
        assert!(start.contains("\"before\":\"cut_off\""), "{start}");
    }
    assert_eq!(seen.iter().filter(|e| e.contains("\"kind\":\"start\"")).count(), 13);
    assert_eq!(seen.iter().filter(|e| e.contains("\"kind\":\"stop\"")).count(), 0, "all were killed");
    assert_eq!(daemon.json("/v1/events")["kept_in"], "log");
    daemon.stop();
    let daemon = Daemon::start(&site, &[]);
    let start = event_of(&daemon, to, "start");
    assert_eq!((&start["before"], &start["before_missing"]), (&"stopped".into(), &0.into()), "{start}");
    let page = daemon.json(&format!("/v1/events?after={to}"));
    let mut kinds: Vec<&str> =
        page["events"].as_array().unwrap().iter().map(|e| e["kind"].as_str().unwrap()).collect();
    kinds.retain(|kind| *kind != "link"); // the line is opened whenever it is
    assert_eq!(kinds, ["stop", "start"], "{page}");
    daemon.stop();
}

#[test]
fn a_reader_resumes_over_both_live_routes_and_hears_the_stop() {
    let folder = tempfile::tempdir().unwrap();
    let (site, _line) = site(folder.path());
    let daemon = Daemon::start(&site, &[]);
    let first = event_of(&daemon, 0, "start")["seq"].as_u64().unwrap();
    for _ in 0..3 {
        let before = newest(&daemon);
        remark(&site);
        daemon.signal(Signal::HUP);
        event_of(&daemon, before, "configuration");
    }
    let to = newest(&daemon);
    let mut live = Live::connect(&daemon, &format!("topics=event,link&after={first}"));
    let (head, mut sse) = Sse::connect(&daemon, &format!("after={first}"), "");
    assert!(head.to_ascii_lowercase().contains("content-type: text/event-stream"), "{head}");
    for number in first + 1..=to {
        let text = live.next().unwrap();
        assert_eq!(seq(&text), number, "events come first: {text}");
        assert_eq!(sse.next().unwrap(), text, "one text on both routes");
        assert_eq!(sse.last_id.as_deref(), Some(number.to_string().as_str()));
    }
    let mut ahead = Live::connect(&daemon, &format!("topics=event&after={}", to + 9_999));
    assert_eq!(ahead.next_of("numbers_anew")["newest"], to);
    assert_eq!(ahead.next_of("event")["seq"], first);

    daemon.signal(Signal::TERM);
    let stop = live.next_of("event");
    assert_eq!((&stop["kind"], &stop["seq"]), (&"stop".into(), &(to + 1).into()));
    let mut last = None;
    while let Some(event) = sse.next_event() {
        last = Some(event);
    }
    assert_eq!(serde_json::from_str::<Value>(&last.unwrap()).unwrap(), stop);
    assert!(daemon.wait().0.success());
}

#[test]
fn what_is_wrong_with_a_request_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let (site, _line) = site(folder.path());
    let daemon = Daemon::start(&site, &["--no-log"]);
    for (path, expected) in [
        ("/v1/events?after=x", 422),
        ("/v1/events?limit=0", 422),
        ("/v1/events?since=1", 422),
        ("/v1/live.sse?topics=zone&after=3", 422),
        ("/v1/live.sse?zone=nowhere", 404),
    ] {
        let (status, kind, body) = daemon.get(path);
        assert_eq!((status, kind.as_str()), (expected, "application/problem+json"), "{path}: {body}");
    }
    for (more, status) in [
        ("Last-Event-ID: x\r\n", " 400 "),
        ("Origin: https://larkfield.example\r\n", " 403 "),
        ("Host: rebound.example\r\n", " 400 "), // the second one of its kind
    ] {
        let (head, _) = Sse::connect(&daemon, "", more);
        assert!(head.lines().next().unwrap().contains(status), "{more}: {head}");
    }
    daemon.stop();
}

#[test]
fn without_a_log_events_of_before_the_start_are_gone_and_that_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let (site, _line) = site(folder.path());
    let mut starts: Vec<(u64, String)> = Vec::new();
    for _ in 0..2 {
        let daemon = Daemon::start(&site, &["--no-log"]);
        let start = event_of(&daemon, 0, "start");
        assert_eq!((&start["before"], &start["before_seq"]), (&"unknown".into(), &Value::Null), "{start}");
        let first = start["seq"].as_u64().unwrap();
        let after = starts.last().map_or(700, |s| s.0);
        let page = daemon.json(&format!("/v1/events?after={after}"));
        assert_eq!(page["kept_in"], "memory");
        assert_eq!(page["events"][0]["seq"], first);
        assert_eq!(
            (&page["no_longer_kept"]["from"], &page["no_longer_kept"]["to"]),
            (&(after + 1).into(), &(first - 1).into())
        );
        starts.push((first, page["kept_since"].as_str().unwrap().to_owned()));
        daemon.stop();
    }
    assert!(starts[0].0 < starts[1].0 && starts[0].1 != starts[1].1, "{starts:?}");
}

#[test]
fn events_are_told_while_the_log_is_away_and_it_is_made_anew() {
    let folder = tempfile::tempdir().unwrap();
    let (site, mut line) = site(folder.path());
    let daemon = Daemon::start(&site, &[]);
    event_of(&daemon, 0, "link");
    let (log, aside) = (folder.path().join("test.db"), folder.path().join("aside.db"));
    std::fs::rename(&log, &aside).unwrap();
    let before = newest(&daemon);
    let mut live = Live::connect(&daemon, "topics=event,position");
    let frames = nursery::frames(20.0);
    let mut feed = frames.iter();
    wait_for("a position", || {
        line.send(&feed.next().unwrap().bytes);
        std::thread::sleep(Duration::from_millis(30));
        daemon.position_in("located")
    });
    // The tag is admitted and six anchors are heard: seven events.
    for number in before + 1..=before + 7 {
        let event = live.next_of("event");
        let kind = if number == before + 1 { "tag_admitted" } else { "anchor" };
        assert_eq!((&event["seq"], &event["kind"]), (&number.into(), &kind.into()), "{event}");
    }
    remark(&site);
    daemon.signal(Signal::HUP);
    event_of(&daemon, before, "configuration");
    wait_for("another log", || {
        let state = daemon.json("/v1/status")["log"].clone();
        (log.is_file() && state["problem"].is_null() && state["rows_waiting"] == 0).then_some(())
    });
    let told = kept(&daemon);
    daemon.stop();
    // Together the two files have each event once.
    let mut logged = std::collections::BTreeSet::new();
    for file in [&aside, &log] {
        let name = format!("--log={}", file.display());
        let daemon = Daemon::start(&site, &[&name]);
        let events = kept(&daemon);
        logged.extend(events.keys().copied().filter(|seq| told.contains_key(seq)));
        for (seq, text) in events {
            assert!(told.get(&seq).is_none_or(|t| *t == text), "{text}");
        }
        daemon.stop();
    }
    assert!(logged.iter().eq(told.keys()), "{logged:?}");
}

#[test]
fn damage_on_the_line_is_an_event_in_coarse_steps() {
    let folder = tempfile::tempdir().unwrap();
    let (site, mut line) = site(folder.path());
    let daemon = Daemon::start(&site, &["--no-log"]);
    event_of(&daemon, 0, "link");
    for frame in nursery::frames(4.0) {
        let mut bytes = frame.bytes.clone();
        *bytes.last_mut().unwrap() ^= 0x55; // the checksum
        line.send(&bytes);
        std::thread::sleep(Duration::from_millis(2));
    }
    let event = event_of(&daemon, 0, "data_lost");
    assert_eq!(event["what"], "damaged_frames", "{event}");
    assert!(event["count"].as_u64().unwrap() >= 10, "{event}");
    let damaged = daemon.json("/v1/status")["decoder"]["bad_checksum"].as_u64().unwrap();
    let mut live = Live::connect(&daemon, "topics=event&after=0");
    daemon.signal(Signal::TERM);
    let mut told = 0;
    while let Ok(text) = live.next() {
        let event: Value = serde_json::from_str(&text).unwrap();
        told += event["count"].as_u64().unwrap_or(0);
    }
    assert!(told >= damaged, "{told} told, {damaged} counted: the rest comes with the stop");
    assert!(daemon.wait().0.success());
}

#[test]
fn a_new_calibration_keeps_the_numbering_over_its_session() {
    let folder = tempfile::tempdir().unwrap();
    let (site, _line) = site(folder.path());
    let daemon = Daemon::start(&site, &[]);
    event_of(&daemon, 0, "link");
    let (status, body) = daemon.post("/v1/calibrations", r#"{"anchors":[{"id":4,"offset_m":0.23}]}"#);
    assert_eq!(status, 200, "{body}");
    let set = event_of(&daemon, 0, "calibration");
    assert!(set["words"].as_str().unwrap().contains("set over HTTP"), "{set}");
    // The same by hand, and then the site file itself.
    let calibration = folder.path().join("calibration.toml");
    let text = std::fs::read_to_string(&calibration).unwrap().replace("0.23", "0.24");
    std::fs::write(&calibration, text).unwrap();
    daemon.signal(Signal::HUP);
    let by_hand = event_of(&daemon, set["seq"].as_u64().unwrap(), "calibration");
    assert!(by_hand["words"].as_str().unwrap().contains("SIGHUP"), "{by_hand}");
    remark(&site);
    daemon.signal(Signal::HUP);
    let changed = event_of(&daemon, 0, "configuration");
    let kept = kept(&daemon);
    let first = *kept.keys().next().unwrap();
    assert!(kept.keys().copied().eq(first..first + kept.len() as u64), "{kept:?}");
    assert!(changed["seq"].as_u64() > by_hand["seq"].as_u64());
    daemon.stop();
    let (_, words, code) = run(&["replay", folder.path().join("test.db").to_str().unwrap(), "--json"]);
    assert_eq!(code, 65, "there was not a single frame, which is told: {words}");
}

#[test]
fn a_line_that_says_nothing_is_a_cable_out_and_over_with_the_first_byte() {
    let folder = tempfile::tempdir().unwrap();
    let (site, mut line) = site(folder.path());
    let daemon = Daemon::start(&site, &[]);
    let out = event_of(&daemon, 0, "kit");
    assert_eq!((&out["finding"]["kind"], &out["over"]), (&"cable_out".into(), &false.into()), "{out}");
    let kit = daemon.json("/v1/anchors")["kit"].to_string();
    assert!(kit.contains("cable_out"), "{kit}");
    assert!(daemon.get("/v1/anchors.txt").2.contains("The kit as a whole"));
    let frames = nursery::frames(9.0);
    let mut feed = frames.iter();
    let over = wait_for("its end", || {
        line.send(&feed.next().unwrap().bytes);
        std::thread::sleep(Duration::from_millis(100));
        let page = daemon.json(&format!("/v1/events?after={}", out["seq"]));
        page["events"].as_array().unwrap().iter().find(|e| e["kind"] == "kit").cloned()
    });
    assert_eq!((&over["finding"]["kind"], &over["over"]), (&"cable_out".into(), &true.into()), "{over}");
    daemon.stop();
}
