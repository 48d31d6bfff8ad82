//! The real binary as its users meet it: started on a site, asked over HTTP, subscribed to, unplugged,
//! fed rubbish, stopped.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::Duration;

use crate::support::nursery;
use crate::support::{Daemon, Line, Live, PATIENCE, hereabout, root, run, wait_for};
use rustix::fs::{FlockOperation, OFlags, flock};
use rustix::process::Signal;
use rustix::termios::{ioctl_tiocexcl, ioctl_tiocnxcl};
use serde_json::Value;

/// A daemon on a pseudo-terminal that a thread feeds at a multiple of real speed for ever.
fn fed(folder: &std::path::Path) -> (Daemon, std::sync::mpsc::Sender<()>) {
    let port = folder.join("port");
    let mut line = Line::new(&port);
    let daemon = Daemon::start(&nursery::site(folder, port.to_str().unwrap()), &[]);
    let (stop, stopped) = std::sync::mpsc::channel::<()>();
    std::thread::spawn(move || {
        let frames = nursery::frames(60.0);
        for frame in frames.iter().cycle() {
            line.send(&frame.bytes);
            if stopped.recv_timeout(Duration::from_millis(20))
                != Err(std::sync::mpsc::RecvTimeoutError::Timeout)
            {
                return;
            }
        }
    });
    wait_for("a position", || daemon.position_in("located"));
    (daemon, stop)
}

#[test]
fn positions_over_a_pseudo_terminal_are_where_the_tag_is() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("port");
    let mut line = Line::new(&port);
    let daemon = Daemon::start(&nursery::site(folder.path(), port.to_str().unwrap()), &[]);
    wait_for("the link", || (daemon.json("/v1/status")["link"]["state"] == "connected").then_some(()));
    // At the kit's own pace: to a tracker a cart at forty times its speed is not a cart.
    let frames = nursery::frames(12.0);
    for frame in &frames {
        line.send(&frame.bytes);
        std::thread::sleep(Duration::from_millis(100));
    }
    wait_for("the last frame", || {
        let heard = daemon.json("/v1/status")["decoder"]["frames"].as_u64().unwrap_or(0);
        (heard == frames.len() as u64).then_some(())
    });
    daemon.stop();
    let log = folder.path().join("test.db");
    let (out, words, code) = run(&["replay", log.to_str().unwrap(), "--out", "-"]);
    assert_eq!(code, 0, "{words}");
    // How old the first frames are is not known; from then on each has its report, the last one the last.
    let located = out.lines().filter(|row| row.contains("\"located\"")).count();
    let mut errors: Vec<f64> = out
        .lines()
        .map(|row| serde_json::from_str::<Value>(row).unwrap())
        .filter(|row| row["state"] == "located")
        .zip(&frames[frames.len() - located..])
        .map(|(row, frame)| {
            let at = |i: usize| row["position_m"][i].as_f64().unwrap() - frame.epoch.truth_m[i];
            (at(0) * at(0) + at(1) * at(1)).sqrt()
        })
        .collect();
    assert!(errors.len() > 100, "{} positions", errors.len());
    errors.sort_by(f64::total_cmp);
    let median = errors[errors.len() / 2];
    assert!(median < 0.15, "median error {median} m");
    assert!(median > 0.001, "an error of {median} m is too good to be true");
}

#[test]
fn an_unplugged_port_is_told_and_comes_back() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("port");
    let mut line = Line::new(&port);
    let daemon = Daemon::start(&nursery::site(folder.path(), port.to_str().unwrap()), &[]);
    let frames = nursery::frames(120.0);
    let mut live = Live::connect(&daemon, "topics=link,position");
    let mut feed = frames.iter();
    let mut until_located = |line: &mut Line| {
        wait_for("a position", || {
            line.send(&feed.next().unwrap().bytes);
            std::thread::sleep(Duration::from_millis(30));
            daemon.position_in("located")
        })
    };
    wait_for("the link", || (daemon.json("/v1/status")["link"]["state"] == "connected").then_some(()));
    until_located(&mut line);

    line.unplug();
    let link = wait_for("the loss of the link", || {
        let link = daemon.json("/v1/status")["link"].clone();
        (link["state"] == "waiting").then_some(link)
    });
    let reason = link["reason"].as_str().unwrap();
    assert!(reason.len() > 20, "the reason is in words: {reason}");
    assert!(link["since"].as_str().unwrap().ends_with('Z'));
    // Asked once: a late word of the engine may say "coasting" for a moment more.
    let lost = wait_for("the loss of the tag", || daemon.position_in("lost"));
    assert_eq!(lost["position_m"], Value::Null);

    let mut line = Line::new(&port);
    wait_for("the link", || (daemon.json("/v1/status")["link"]["state"] == "connected").then_some(()));
    until_located(&mut line);
    let mut states = Vec::new();
    while states.last() != Some(&"connected".to_owned()) || !states.contains(&"waiting".to_owned()) {
        states.push(live.next_of("link")["state"].as_str().unwrap().to_owned());
    }
    daemon.stop();
}

#[test]
fn a_port_in_use_names_its_holder_and_lines_that_are_not_there_are_told_once() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("port");
    let line = Line::new(&port);
    let site = nursery::site(folder.path(), port.to_str().unwrap());
    let text = std::fs::read_to_string(&site).unwrap();
    std::fs::write(&site, text.replace("[source]\n", "[source]\ndtr = false\n")).unwrap();
    let holder = {
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC;
        let holder = rustix::fs::open(&port, flags, rustix::fs::Mode::empty()).unwrap();
        ioctl_tiocexcl(&holder).unwrap();
        flock(&holder, FlockOperation::NonBlockingLockExclusive).unwrap();
        holder
    };
    let daemon = Daemon::start(&site, &[]);
    let link = |state: &str| {
        let link = daemon.json("/v1/status")["link"].clone();
        (link["state"] == state).then_some(link)
    };
    let named = format!("(process {})", std::process::id());
    wait_for("the holder's name", || {
        link("waiting").filter(|l| l["reason"].as_str().is_some_and(|words| words.contains(&named)))
    });
    let problems = daemon.json("/v1/status")["problems"].to_string();
    assert!(problems.contains(&named), "{problems}");
    ioctl_tiocnxcl(&holder).unwrap();
    drop(holder);

    // A pseudo-terminal has no modem lines. It is read all the same, each time it is opened.
    wait_for("the link", || link("connected"));
    line.unplug();
    wait_for("the loss of the link", || link("waiting"));
    let _line = Line::new(&port);
    wait_for("the link", || link("connected"));

    // Whatever becomes of the lines, it is for the next start.
    std::fs::write(&site, text.replace("[source]\n", "[source]\ndtr = true\n")).unwrap();
    daemon.signal(Signal::HUP);
    wait_for("word of the restart", || {
        let problems = daemon.json("/v1/status")["problems"].to_string();
        problems.contains("[source] changed: restart the daemon").then_some(())
    });
    let words = daemon.stop();
    assert_eq!(words.matches("dtr has no effect").count(), 1, "{words}");
}

#[test]
fn sigterm_with_a_subscriber_says_goodbye_and_loses_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let (daemon, feeder) = fed(folder.path());
    let mut live = Live::connect(&daemon, "");
    let first: Value = serde_json::from_str(&live.next().unwrap()).unwrap();
    assert!(["link", "anchor", "position"].contains(&first["type"].as_str().unwrap()), "{first}");
    live.next_of("position");
    let heard = daemon.json("/v1/status")["decoder"]["frames"].as_u64().unwrap_or(0);
    daemon.signal(Signal::TERM);
    let code = loop {
        if let Err(code) = live.next() {
            break code;
        }
    };
    assert_eq!(code, Some(1001), "going away");
    let (status, words) = daemon.wait();
    assert!(status.success(), "{status}: {words}");
    drop(feeder);
    let log = folder.path().join("test.db");
    let (summary, words, code) = run(&["replay", log.to_str().unwrap(), "--json"]);
    assert_eq!(code, 0, "{words}");
    let logged = serde_json::from_str::<Value>(&summary).unwrap()["epochs"].as_u64().unwrap();
    assert!(logged >= heard, "{logged} epochs in the log, {heard} were heard");
}

#[test]
fn the_demo_runs_as_the_readme_says() {
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("demo.db");
    let site = root().join("examples/larkfield/site.toml");
    let daemon = Daemon::start(&site, &["--log", log.to_str().unwrap()]);
    let position = wait_for("a position", || daemon.position_in("located"));
    assert_eq!(position["type"], "position");
    assert_eq!(position["position_m"].as_array().unwrap().len(), 3);
    assert!(position["radius95_m"].as_f64().unwrap() > 0.0);
    let (status, kind, table) = daemon.get("/v1/anchors.txt");
    assert_eq!((status, kind.as_str()), (200, "text/plain; charset=utf-8"));
    assert!(table.lines().all(|l| l.chars().count() <= 80), "{table}");
    for path in ["/v1/site", "/v1/tags", "/v1/anchors", "/v1/anchors/0", "/v1/status", "/openapi.json"] {
        daemon.json(path);
    }
    for path in ["/livez", "/readyz", "/metrics"] {
        assert_eq!(daemon.get(path).0, 200, "{path}");
    }
    daemon.stop();
}

/// A child that is killed by its own id when the test is over.
struct Child(std::process::Child);

impl Drop for Child {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[test]
fn the_simulated_kit_serves_a_daemon_over_tcp_and_over_a_terminal() {
    let folder = tempfile::tempdir().unwrap();
    let scenario = root().join("examples/larkfield/scenario.toml");
    let site = root().join("examples/larkfield/site.toml");
    let link = folder.path().join("kit");
    let truth = folder.path().join("truth.csv");
    // A free port, given back for the kit to take.
    let addr = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().to_string();
    let simulate = |how: [&str; 2]| {
        let args =
            ["simulate", scenario.to_str().unwrap(), "--truth", truth.to_str().unwrap(), "--speed", "5"];
        Child(hereabout(&[&args[..], &how].concat()).stderr(std::process::Stdio::null()).spawn().unwrap())
    };
    for (how, source) in [
        (["--tcp", &addr], format!("tcp://{addr}")),
        (["--pty", link.to_str().unwrap()], link.display().to_string()),
    ] {
        let kit = simulate(how);
        let daemon = Daemon::start(&site, &["--source", &source, "--no-log"]);
        wait_for("a position", || daemon.position_in("located"));
        drop(kit);
        wait_for("the loss of the link", || {
            (daemon.json("/v1/status")["link"]["state"] == "waiting").then_some(())
        });
        daemon.stop();
    }
    let (out, _, code) = run(&["simulate", scenario.to_str().unwrap()]);
    assert_eq!((code, out.as_str()), (64, ""), "says where it can go");
}

#[test]
fn a_taken_port_and_a_foreign_address_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let addr = taken.local_addr().unwrap().to_string();
    let site = nursery::site(folder.path(), "/dev/null");
    let site = site.to_str().unwrap();
    let (out, words, code) = run(&["run", site, "--listen", &addr, "--no-log"]);
    assert_eq!((code, out.as_str()), (69, ""), "{words}");
    assert!(words.contains(&addr), "{words}");
    let (_, words, code) = run(&["run", site, "--listen", "0.0.0.0:0", "--no-log"]);
    assert_eq!(code, 78, "{words}");
    assert!(words.contains("loopback"), "{words}");
}

#[test]
fn a_log_that_cannot_be_made_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let site = nursery::site(folder.path(), "/dev/null");
    // No file can be made in there, not even by root.
    let log = "/proc/hereabout-test/x.db";
    let daemon = Daemon::start(&site, &["--log", log]);
    let problem = daemon.json("/v1/status")["log"]["problem"].to_string();
    assert!(problem.contains(log) && problem.contains("no folder"), "{problem}");
    daemon.signal(Signal::TERM);
    let (status, words) = daemon.wait();
    assert_eq!(status.code(), Some(74), "its events were lost: {words}");
    assert!(words.contains(log), "{words}");
}

#[test]
fn a_bad_site_file_is_told_with_its_place() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bad.toml");
    std::fs::write(&path, "[site]\nname = \"yard\"\ndimensoin = \"2d\"\n").unwrap();
    for command in ["run", "check", "listen"] {
        let (out, words, code) = run(&[command, path.to_str().unwrap()]);
        assert_eq!((code, out.as_str()), (78, ""), "{command}: {words}");
        assert!(words.contains("bad.toml:3:1: error: site.dimensoin: unknown key"), "{words}");
        assert!(words.contains("did you mean dimension?"), "{words}");
    }
}

#[test]
fn a_file_of_rubbish_ends_well_and_takes_no_memory() {
    let folder = tempfile::tempdir().unwrap();
    let rubbish = folder.path().join("rubbish.bin");
    let mut file = std::io::BufWriter::new(std::fs::File::create(&rubbish).unwrap());
    let mut state = 0x9E37_79B9_7F4A_7C15_u64;
    for _ in 0..100 * 1024 * 1024 / 8 {
        // xorshift64: fast, and no frame comes of it by design.
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        file.write_all(&state.to_le_bytes()).unwrap();
    }
    file.flush().unwrap();
    drop(file);
    let site = nursery::site(folder.path(), &format!("file://{}?pace=max", rubbish.display()));
    let daemon = Daemon::start(&site, &["--no-log"]);
    let before = daemon.resident_kib();
    wait_for("the end of the file", || {
        let bytes = daemon.json("/v1/status")["decoder"]["bytes"].as_u64().unwrap_or(0);
        (bytes == 100 * 1024 * 1024).then_some(())
    });
    let after = daemon.resident_kib();
    assert!(after < before + 20 * 1024, "{before} KiB before, {after} KiB after");
    let decoder = daemon.json("/v1/status")["decoder"].clone();
    assert!(decoder["skipped_bytes"].as_u64().unwrap() > 99 * 1024 * 1024, "{decoder}");
    // The file has ended, and time goes on.
    wait_for("the end of the link", || {
        let link = daemon.json("/v1/status")["link"].clone();
        (link["state"] == "waiting" && link["reason"].as_str()?.contains("end")).then_some(())
    });
    daemon.stop();
}

/// Sends bytes, gives the answer's head and body as far as they come.
fn raw(daemon: &Daemon, request: &[u8]) -> String {
    let mut socket = TcpStream::connect(daemon.url.trim_start_matches("http://")).unwrap();
    socket.set_read_timeout(Some(PATIENCE)).unwrap();
    // The daemon may hang up before it has read everything; what it said counts.
    let _ = socket.write_all(request);
    let mut answer = Vec::new();
    let mut piece = [0; 4096];
    while let Ok(n) = socket.read(&mut piece) {
        answer.extend_from_slice(&piece[..n]);
        let text = String::from_utf8_lossy(&answer);
        let Some((head, body)) = text.split_once("\r\n\r\n") else { if n == 0 { break } else { continue } };
        let length =
            head.lines().find_map(|l| l.to_ascii_lowercase().strip_prefix("content-length: ")?.parse().ok());
        if n == 0 || length.is_some_and(|l: usize| body.len() >= l) {
            break;
        }
    }
    String::from_utf8_lossy(&answer).into_owned()
}

#[test]
fn abuse_gets_the_right_answer_and_the_daemon_stays_well() {
    let folder = tempfile::tempdir().unwrap();
    let (daemon, _feeder) = fed(folder.path());
    let paths = [
        "/v1/site",
        "/v1/tags",
        "/v1/tags/0",
        "/v1/anchors",
        "/v1/anchors/0",
        "/v1/anchors.txt",
        "/v1/zones",
        "/v1/zones/gate",
        "/v1/events",
        "/v1/live",
        "/v1/live.sse",
        "/v1/status",
        "/livez",
        "/readyz",
        "/metrics",
        "/openapi.json",
    ];
    let big = vec![b'x'; 10 * 1024 * 1024];
    for path in paths {
        let answer = raw(&daemon, format!("DELETE {path} HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n").as_bytes());
        assert!(answer.starts_with("HTTP/1.1 405"), "{path}: {answer}");
        assert!(answer.contains("application/problem+json"), "{path}: {answer}");

        let answer = raw(
            &daemon,
            format!("GET {path}?%%%=\u{fffd}&rubbish HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n").as_bytes(),
        );
        let status: u16 = answer.get(9..12).unwrap_or("0").parse().unwrap();
        assert!((400..500).contains(&status), "{path}: {answer}");

        let head =
            format!("POST {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: {}\r\n\r\n", big.len());
        let answer = raw(&daemon, &[head.as_bytes(), &big].concat());
        assert!(answer.starts_with("HTTP/1.1 405") || answer.starts_with("HTTP/1.1 413"), "{path}: {answer}");

        let long = "y".repeat(64 * 1024);
        let answer = raw(
            &daemon,
            format!("GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Long: {long}\r\n\r\n").as_bytes(),
        );
        assert!(answer.starts_with("HTTP/1.1 431") || answer.is_empty(), "{path}: {answer}");
    }
    let (status, kind, body) = daemon.get("/v1/nothing");
    assert_eq!((status, kind.as_str()), (404, "application/problem+json"));
    let problem: Value = serde_json::from_str(&body).unwrap();
    assert!(problem["detail"].as_str().unwrap().len() > 20, "{problem}");
    daemon.position_in("located").expect("still well");
    daemon.stop();
}

#[test]
fn the_smallest_kit_serves_ranges_and_says_why_there_is_no_position() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("port");
    let mut line = Line::new(&port);
    let site = nursery::site(folder.path(), port.to_str().unwrap());
    let text = std::fs::read_to_string(&site).unwrap();
    let one = &text[..text.find("[[anchor]]\nid = 1").unwrap()];
    std::fs::write(&site, one).unwrap();
    let daemon = Daemon::start(&site, &["--no-log"]);
    wait_for("the link", || (daemon.json("/v1/status")["link"]["state"] == "connected").then_some(()));
    let frames = nursery::frames(20.0);
    let mut feed = frames.iter();
    let position = wait_for("a report", || {
        line.send(&feed.next().unwrap().bytes);
        std::thread::sleep(Duration::from_millis(30));
        daemon.position_in("lost")
    });
    assert_eq!(position["position_m"], Value::Null);
    assert!(position["no_fix"].to_string().len() > 20, "{position}");
    let anchor = daemon.json("/v1/anchors/0");
    assert!(anchor["last_range_m"].as_f64().unwrap() > 0.5, "{anchor}");
    daemon.stop();
}
