//! Tag numbers that are damaged on their way, on a line without a checksum: no tag comes of them, live and in replay.

use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::support::nursery;
use crate::support::{Daemon, Line, Live, run, wait_for};
use serde_json::Value;

/// The nursery with a tag number in its frames, no checksum, and a zone without `tags` around all of it.
fn site(folder: &Path, port: &Path, tags: &str) -> PathBuf {
    let path = nursery::site(folder, port.to_str().unwrap());
    let text = std::fs::read_to_string(&path).unwrap();
    let text = text.replace(nursery::LAYOUT, "c3 5a tag:u8 range:u16le*8")
        + tags
        + "\n[[zone]]\nname = \"yard\"\ncircle = { at_m = [12.0, 7.0], radius_m = 40.0 }\n\
           max_protection_radius_m = 20.0\nallow_unchecked = true\n";
    std::fs::write(&path, text).unwrap();
    path
}

/// The frames of cart 3, one in eight of them with another number.
fn frames(seconds: f64) -> Vec<Vec<u8>> {
    let one = |(k, bytes): (usize, Vec<u8>)| {
        // Mark, counter, eight ranges, sum: the counter's place is the tag's.
        let ghost = k % 8 == 7;
        let tag = if ghost { 40 + (k / 8 % 200) as u8 } else { 3 };
        [&bytes[..2], &[tag], &bytes[3..19]].concat()
    };
    nursery::frames(seconds).into_iter().map(|f| f.bytes).enumerate().map(one).collect()
}

fn send(line: &mut Line, frames: &[Vec<u8>]) {
    for frame in frames {
        line.send(frame);
        std::thread::sleep(Duration::from_millis(20));
    }
}

#[test]
fn damaged_tag_numbers_keep_no_zone_from_being_known_and_no_tag_out() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("port");
    let mut line = Line::new(&port);
    let daemon = Daemon::start(&site(folder.path(), &port, ""), &[]);
    wait_for("the link", || (daemon.json("/v1/status")["link"]["state"] == "connected").then_some(()));
    let mut live = Live::connect(&daemon, "topics=event,zone,position&after=0");
    let frames = frames(60.0);
    // More than a minute at the pace of the kit: sixty damaged numbers, twice what is kept apart.
    send(&mut line, &frames);
    wait_for("inside", || {
        send(&mut line, &frames[..25]);
        (daemon.json("/v1/zones/yard")["state"] == "inside").then_some(())
    });
    let tags = daemon.json("/v1/tags")["tags"].clone();
    assert_eq!(tags.as_array().unwrap().len(), 1, "{tags}");
    assert_eq!(tags[0]["tag"], 3);
    let status = daemon.json("/v1/status");
    assert_eq!(status["outputs"]["too_many_tags"], 0, "{status}");
    let told = |p: &Value| p.as_str().unwrap().contains("numbers that are no tag");
    assert!(status["problems"].as_array().unwrap().iter().any(told), "{status}");
    let (_, _, metrics) = daemon.get("/metrics");
    assert!(metrics.contains("verdict=\"unknown_tag\"") && !metrics.contains("tag=\"4"), "{metrics}");
    let events = daemon.json("/v1/events?after=0&limit=1000")["events"].as_array().unwrap().clone();
    daemon.stop();
    drop(line);
    let messages: Vec<Value> =
        std::iter::from_fn(|| live.next().ok()).map(|m| serde_json::from_str(&m).unwrap()).collect();
    let of_others = |m: &&Value| m["tag"].is_u64() && m["tag"] != 3;
    assert_eq!(messages.iter().find(of_others), None);
    let admitted = events.iter().filter(|m| m["kind"] == "tag_admitted").count();
    assert_eq!(admitted, 1);

    // The log has every frame, and a replay admits no ghost either.
    let log = folder.path().join("test.db");
    let (replayed, words, code) = run(&["replay", log.to_str().unwrap(), "--events", "-"]);
    assert_eq!(code, 0, "{words}");
    let kinds: Vec<Value> = replayed.lines().map(|l| serde_json::from_str::<Value>(l).unwrap()).collect();
    assert_eq!(kinds.iter().filter(|e| e["kind"] == "tag_admitted").count(), 1);
    let kit = |list: &[Value]| -> Vec<Value> {
        let told = list.iter().filter(|e| e["finding"]["kind"] == "unknown_tags");
        told.map(|e| (e["time"].clone(), e["words"].clone())).map(|(t, w)| Value::from(vec![t, w])).collect()
    };
    assert_eq!(kit(&kinds)[0], kit(&events)[0]);
    assert!(!kit(&kinds).is_empty());
}

#[test]
fn a_site_that_lists_its_tags_names_the_others() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("port");
    let mut line = Line::new(&port);
    let listed = "\n[[tag]]\nid = 5\nname = \"potting cart\"\n";
    let daemon = Daemon::start(&site(folder.path(), &port, listed), &["--no-log"]);
    wait_for("the link", || (daemon.json("/v1/status")["link"]["state"] == "connected").then_some(()));
    let frames = frames(8.0);
    let named = wait_for("the tag's name", || {
        send(&mut line, &frames);
        let problems = daemon.json("/v1/status")["problems"].clone();
        let named = |p: &Value| p.as_str().unwrap().contains("tag 3 is not in the site file");
        problems.as_array().unwrap().iter().any(named).then_some(problems)
    });
    assert_eq!(daemon.json("/v1/tags")["tags"].as_array().unwrap().len(), 0, "{named}");
    let zone = daemon.json("/v1/zones/yard");
    assert_eq!(
        (&zone["state"], &zone["tags"][0]["tag_name"]),
        (&"unknown".into(), &"potting cart".into()),
        "{zone}"
    );
    daemon.stop();
}
