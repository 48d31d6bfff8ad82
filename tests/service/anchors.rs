//! `hereabout anchors`: the table of a running daemon, and what it says of whoever else is there.

use std::io::{Read, Write};
use std::net::TcpListener;

use serde_json::Value;

use crate::support::{self, nursery};
use crate::support::{Daemon, hereabout, run, wait_for};

/// A listener that sends this to the first who asks, then closes; with `None` it never answers.
fn stranger(answer: Option<Vec<u8>>) -> (String, std::thread::JoinHandle<()>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("http://{}", listener.local_addr().unwrap());
    let thread = std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().unwrap();
        let mut asked = [0; 1024];
        let _ = stream.read(&mut asked);
        match answer {
            Some(bytes) => {
                let _ = stream.write_all(&bytes); // who has seen enough may close first
            }
            None => while matches!(stream.read(&mut asked), Ok(n) if n > 0) {},
        }
    });
    (url, thread)
}

/// With the key it is done and is an event; without it, and for an anchor that is not there, nothing is.
fn says_that_an_anchor_was_mended(daemon: &Daemon) {
    let key = daemon.json("/v1/status")["changes"]["key_file"].as_str().unwrap().to_owned();
    let (told, words, code) = run(&["anchors", &daemon.url, "--mended", "2", "--key", &key]);
    assert_eq!((code, words.as_str()), (0, ""));
    assert!(told.starts_with("anchor 2: forgotten"), "{told}");
    let events = daemon.json("/v1/events?after=0").to_string();
    assert!(events.contains("was said to be mended"), "{events}");
    let (_, words, code) = run(&["anchors", &daemon.url, "--mended", "77", "--key", &key]);
    assert!(code == 69 && words.contains("status 404"), "{code} {words}");
    assert_eq!(run(&["anchors", &daemon.url, "--mended", "2"]).2, 64, "without a key");
}

#[test]
fn the_table_of_a_running_daemon_is_the_one_it_serves() {
    let folder = tempfile::tempdir().unwrap();
    let mut line = support::Line::new(&folder.path().join("port"));
    let site = nursery::site(folder.path(), folder.path().join("port").to_str().unwrap());
    let daemon = Daemon::start(&site, &[]);
    let mut frames = nursery::frames(60.0).into_iter();
    wait_for("six anchors that are heard", || {
        line.send(&frames.next()?.bytes);
        let rows = daemon.json("/v1/anchors");
        rows["anchors"].as_array()?.iter().all(|a| a["state"] == "heard").then_some(())
    });

    let (table, words, code) = run(&["anchors", &daemon.url]);
    assert_eq!((code, words.as_str()), (0, ""));
    let (_, kind, served) = daemon.get("/v1/anchors.txt");
    assert!(kind.starts_with("text/plain"));
    // The two differ in what has changed meanwhile: stamps and figures.
    let shape =
        |t: &str| t.lines().map(|l| l.chars().filter(|c| c.is_alphabetic()).count()).collect::<Vec<_>>();
    assert!(table.starts_with("Anchors of test yard at "), "{table}");
    assert_eq!(table.lines().count(), served.lines().count(), "{table}\n{served}");
    assert_eq!(shape(&table)[3], shape(&served)[3]);
    assert!(table.lines().all(|l| l.chars().count() <= 80), "{table}");

    let (rows, _, code) = run(&["anchors", &daemon.url, "--json"]);
    let rows: Value = serde_json::from_str(&rows).unwrap();
    assert_eq!((code, rows["anchors"].as_array().unwrap().len()), (0, 6));
    assert!(rows["anchors"][0]["place"]["words"].is_string());
    assert!(rows["not_told_yet"]["words"].as_str().unwrap().contains("not told yet"), "{rows}");
    says_that_an_anchor_was_mended(&daemon);
    daemon.stop();
}

#[test]
fn a_reader_that_closes_early_is_no_failure() {
    let folder = tempfile::tempdir().unwrap();
    let _line = support::Line::new(&folder.path().join("port"));
    let site = nursery::site(folder.path(), folder.path().join("port").to_str().unwrap());
    let daemon = Daemon::start(&site, &[]);
    let mut child =
        hereabout(&["anchors", &daemon.url]).stdout(std::process::Stdio::piped()).spawn().unwrap();
    drop(child.stdout.take());
    assert!(child.wait().unwrap().success());
}

#[test]
fn nobody_there_says_what_to_look_for() {
    let free = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap(); // closed again at once
    let (out, words, code) = run(&["anchors", &format!("http://{free}")]);
    assert_eq!((out.as_str(), code), ("", 69));
    assert!(words.contains("nobody listens there") && words.contains("hereabout run SITE"), "{words}");
}

#[test]
fn strangers_are_named_and_never_waited_for_without_end() {
    let html = b"HTTP/1.1 200 OK\r\nContent-Type: text/html\r\n\r\n<!doctype html>".to_vec();
    let mut endless = b"HTTP/1.1 200 OK\r\nContent-Type: text/plain\r\n\r\nAnchors of ".to_vec();
    endless.extend(std::iter::repeat_n(b'x', 4 << 20));
    let mut bytes = b"HTTP/1.1 200 OK\r\nContent-Type: text/plain\r\n\r\n".to_vec();
    bytes.extend([0xff; 100]);
    let cut =
        b"HTTP/1.1 200 OK\r\nContent-Type: text/plain\r\nContent-Length: 999\r\n\r\nAnchors of".to_vec();
    for (answer, code, told) in [
        (Some(b"SSH-2.0-greenhouse\r\n".to_vec()), 65, "not HTTP (protocol"),
        (Some(b"HTTP/1.1 404 Not Found\r\n\r\nno".to_vec()), 65, "status 404"),
        (Some(html), 65, "no table of anchors"),
        (Some(vec![0xff; 100]), 65, "not HTTP (protocol"),
        (Some(bytes), 65, "not text"),
        (Some(Vec::new()), 69, "cut short"),
        (Some(endless), 65, "no end"),
        (Some(cut), 69, "cut short"),
        (None, 69, "no whole answer within 300ms"),
    ] {
        let (url, thread) = stranger(answer);
        let (out, words, found) = run(&["anchors", &url, "--timeout", "300ms"]);
        assert_eq!((out.as_str(), found), ("", code), "{told}: {words}");
        assert!(words.contains(told) && words.contains(&url), "{told}: {words}");
        thread.join().unwrap();
    }
}

#[test]
fn an_address_that_makes_no_sense_is_a_usage_error() {
    for url in ["https://127.0.0.1:6208", "http://127.0.0.1:6208/v1/anchors", "127.0.0.1:x"] {
        let (_, words, code) = run(&["anchors", url]);
        assert_eq!(code, 64, "{words}");
        assert!(words.contains("http://127.0.0.1:6208"), "{words}");
    }
}
