//! Zones from outside: answers over HTTP and live, unknown when the data stop, events, and their replay.

use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::daemon::events::Sse;
use crate::support::nursery;
use crate::support::{Daemon, Line, Live, run, wait_for};
use hereabout_store::{LogReader, SessionPick};
use serde_json::Value;

/// The nursery with a zone that holds all of it and one that is far away.
fn site(folder: &Path, port: &Path) -> PathBuf {
    let path = nursery::site(folder, port.to_str().unwrap());
    let zone = |name: &str, at: &str| {
        format!(
            "\n[[zone]]\nname = \"{name}\"\ncircle = {{ at_m = {at}, radius_m = 40.0 }}\n\
             max_protection_radius_m = 20.0\nallow_unchecked = true\n"
        )
    };
    let text = std::fs::read_to_string(&path).unwrap()
        + &zone("whole yard", "[12.0, 7.0]")
        + &zone("far / field", "[400.0, 7.0]");
    std::fs::write(&path, text).unwrap();
    path
}

/// The state of a zone over HTTP.
fn state(daemon: &Daemon, zone: &str) -> Value {
    daemon.json(&format!("/v1/zones/{zone}"))["state"].clone()
}

#[test]
fn zones_are_unknown_then_known_then_unknown_when_the_data_stop_and_replay_says_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("port");
    let mut line = Line::new(&port);
    let daemon = Daemon::start(&site(folder.path(), &port), &[]);
    wait_for("the link", || (daemon.json("/v1/status")["link"]["state"] == "connected").then_some(()));
    let all = daemon.json("/v1/zones");
    for zone in all["zones"].as_array().unwrap() {
        assert_eq!((&zone["state"], &zone["tags"][0]["why"]), (&"unknown".into(), &"never_heard".into()));
    }
    let mut live = Live::connect(&daemon, "topics=event,zone&zone=whole%20yard&tag=0");
    let (_, mut sse) = Sse::connect(&daemon, "topics=zone&zone=far%20/%20field&max_rate_hz=0.01", "");
    let reader = std::thread::spawn(move || {
        std::iter::from_fn(|| live.next().ok()).collect::<Vec<_>>() // until the daemon stops
    });

    let frames = nursery::frames(20.0);
    for burst in frames.chunks(60).take(3) {
        for frame in burst {
            line.send(&frame.bytes);
            std::thread::sleep(Duration::from_millis(40));
        }
        wait_for("inside", || (state(&daemon, "whole%20yard") == "inside").then_some(()));
        assert_eq!(state(&daemon, "far%20%2F%20field"), "outside");
        // Nothing comes any more: the answer runs out by itself.
        wait_for("unknown", || (state(&daemon, "whole%20yard") == "unknown").then_some(()));
        assert_eq!(state(&daemon, "far%20%2F%20field"), "unknown");
        // Not only that it has run out, which the service says by itself.
        wait_for("the tag's loss", || {
            daemon.position_in("lost").filter(|position| position["no_fix"]["code"] != "expired")
        });
    }
    daemon.stop();
    drop(line);

    // A change of state is not thinned away, however few messages were asked for.
    let mut states: Vec<String> = std::iter::from_fn(|| sse.next())
        .map(|m| serde_json::from_str::<Value>(&m).unwrap())
        .filter(|m| m["type"] == "zone")
        .map(|m| m["state"].as_str().unwrap().to_owned())
        .collect();
    states.dedup();
    let turn = ["outside", "unknown"];
    assert_eq!(states[..1], ["unknown"]);
    assert_eq!(states[1..], [turn, turn, turn].concat());

    let heard = reader.join().unwrap();
    let messages: Vec<Value> = heard.iter().map(|m| serde_json::from_str(m).unwrap()).collect();
    let zones: Vec<&Value> = messages.iter().filter(|m| m["type"] == "zone").collect();
    assert!(zones.iter().all(|z| z["zone"] == "whole yard"), "only what was asked for");
    let mut ran_out = 0;
    for two in zones.windows(2) {
        if two[0]["state"] == "inside" && two[1]["state"] == "unknown" {
            assert_eq!(two[1]["time"], two[0]["valid_until"], "at the very deadline");
            assert_eq!(two[1]["since"], two[1]["time"]);
            ran_out += 1;
        }
    }
    assert_eq!(ran_out, 3);

    replay_is_what_was_published(folder.path(), &heard);
}

#[test]
fn after_an_anchor_was_mended_zones_are_earned_again_and_replay_says_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("port");
    let mut line = Line::new(&port);
    let daemon = Daemon::start(&site(folder.path(), &port), &[]);
    wait_for("the link", || (daemon.json("/v1/status")["link"]["state"] == "connected").then_some(()));
    let mut live = Live::connect(&daemon, "topics=event");
    let reader = std::thread::spawn(move || std::iter::from_fn(|| live.next().ok()).collect::<Vec<_>>());
    let mut frames = nursery::frames(30.0).into_iter();
    let mut send = |frames_left: usize| {
        for frame in frames.by_ref().take(frames_left) {
            line.send(&frame.bytes);
            std::thread::sleep(Duration::from_millis(40));
        }
    };
    send(60);
    wait_for("inside", || (state(&daemon, "whole%20yard") == "inside").then_some(()));
    let key = daemon.json("/v1/status")["changes"]["key_file"].as_str().unwrap().to_owned();
    let (_, words, code) = run(&["anchors", &daemon.url, "--mended", "2", "--key", &key]);
    assert_eq!((code, words.as_str()), (0, ""));
    send(100);
    wait_for("inside again", || (state(&daemon, "whole%20yard") == "inside").then_some(()));
    daemon.stop();

    let heard = reader.join().unwrap();
    let mended = heard.iter().position(|m| m.contains("was said to be mended")).expect("the event");
    let zones = |events: &[String]| {
        let of_yard = |m: &&String| m.contains("\"kind\":\"zone\"") && m.contains("whole yard");
        events.iter().filter(of_yard).map(|m| m.contains("\"state\":\"inside\"")).collect::<Vec<bool>>()
    };
    assert_eq!(zones(&heard), [true, false, true], "what was earned before counts no more");
    assert_eq!(replayed(folder.path()), published(&heard[mended..]));
}

/// The events of the replay are those that were heard, byte for byte but for their numbers.
fn replay_is_what_was_published(folder: &Path, heard: &[String]) {
    let published = published(heard);
    assert!(published.iter().filter(|m| m.contains("\"kind\":\"zone\"")).count() >= 12, "{published:#?}");
    assert_eq!(replayed(folder), published);
}

/// What the replay of the newest session tells.
fn replayed(folder: &Path) -> Vec<String> {
    let (replayed, words, code) = run(&["replay", folder.join("test.db").to_str().unwrap(), "--events", "-"]);
    assert_eq!(code, 0, "{words}");
    replayed.lines().map(str::to_owned).collect()
}

/// The events of the engine among what was heard, without their numbers.
fn published(heard: &[String]) -> Vec<String> {
    let kinds = ["zone", "anchor", "finding", "kit", "restart", "tag_admitted", "tag_retired"];
    let of_engine = |m: &str| {
        let value: Value = serde_json::from_str(m).unwrap();
        // The log has frames, not the bytes that tell these two.
        let by_bytes = m.contains("\"cable_out\"") || m.contains("\"frames_cut\"");
        value["type"] == "event" && kinds.contains(&value["kind"].as_str().unwrap()) && !by_bytes
    };
    let without_seq = |m: &str| {
        let (head, rest) = m.split_once(",\"seq\":").unwrap();
        format!("{head},{}", rest.split_once(',').unwrap().1)
    };
    heard.iter().filter(|m| of_engine(m)).map(|m| without_seq(m)).collect()
}

/// Words and facts of the events that a log has.
fn events_in(log: &Path) -> Vec<String> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let log = LogReader::open(log).await.unwrap();
        let session = log.session(SessionPick::Latest).await.unwrap();
        let events = log.events(session.id).await.unwrap().next_batch().await.unwrap();
        events.into_iter().map(|e| e.detail).collect()
    })
}

#[test]
fn a_killed_daemon_replays_its_last_word_too() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("port");
    let mut line = Line::new(&port);
    let daemon = Daemon::start(&site(folder.path(), &port), &[]);
    wait_for("the link", || (daemon.json("/v1/status")["link"]["state"] == "connected").then_some(()));
    let mut live = Live::connect(&daemon, "topics=event&after=0");
    // A second until it is known how old frames are, and more for the zones to be earned.
    for frame in nursery::frames(10.0) {
        line.send(&frame.bytes);
        std::thread::sleep(Duration::from_millis(30));
    }
    let mut heard = Vec::new();
    // Until both zones have been known and have run out.
    while heard.iter().filter(|m: &&String| m.contains("\"was\":\"inside\"")).count() < 1
        || heard.iter().filter(|m| m.contains("\"was\":\"outside\"")).count() < 1
    {
        heard.push(live.next().unwrap());
    }
    // Told at once, and in the file a moment later.
    let log = folder.path().join("test.db");
    wait_for("the log", || {
        let logged = events_in(&log).into_iter().filter(|e| e.contains("\"state\":\"unknown\""));
        (logged.count() >= 2).then_some(())
    });
    daemon.signal(rustix::process::Signal::KILL);
    daemon.wait();
    let (replayed, words, code) = run(&["replay", log.to_str().unwrap(), "--events", "-"]);
    assert_eq!(code, 0, "{words}");
    let zones = |lines: &mut dyn Iterator<Item = &str>| {
        lines
            .map(|l| serde_json::from_str::<Value>(l).unwrap())
            .filter(|e| e["kind"] == "zone")
            .map(|e| (e["time"].clone(), e["zone"].clone(), e["state"].clone()))
            .collect::<Vec<_>>()
    };
    let published = zones(&mut heard.iter().map(String::as_str));
    assert!(published.len() >= 4, "{published:?}");
    assert_eq!(zones(&mut replayed.lines()), published, "the unknown of the deadline among them");
}

#[test]
fn what_is_wrong_with_a_request_for_zones_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(&site(folder.path(), Path::new("/dev/null")), &["--no-log"]);
    let (status, kind, body) = daemon.get("/v1/zones/gate");
    assert_eq!((status, kind.as_str()), (404, "application/problem+json"));
    assert!(body.contains("whole yard") && body.contains("far / field"), "{body}");
    for (path, expected) in [
        ("/v1/zones?tag=cart", 422),
        ("/v1/zones?zone=gate", 422),
        ("/v1/zones/whole%20yard?tag=-1", 422),
        ("/v1/zones/", 404),
        ("/v1/live?zone=gate", 426), // no WebSocket comes before anything else
        ("/v1/live.sse?zone=gate", 404),
        ("/v1/live.sse?zone=", 404),
    ] {
        let (status, kind, body) = daemon.get(path);
        assert_eq!((status, kind.as_str()), (expected, "application/problem+json"), "{path}: {body}");
    }
    daemon.stop();
}

#[test]
fn two_streams_to_stdout_are_refused() {
    let (_, words, code) = run(&["replay", "x.db", "--out", "-", "--events", "-"]);
    assert_eq!(code, 64, "{words}");
    assert!(words.contains("--events"), "{words}");
}
