//! The real binary, end to end: latency from the byte on the line to the WebSocket, replay speed
//! without and with a log, and resident memory after a million frames.
//!
//! Figures come with a reference of the same run: the round trip of one byte over a loopback socket
//! for the latency, and the bytes of the log written plainly for the replay. Quick: about two minutes.
//! `cargo bench -p hereabout --bench daemon`; a number behind `--` shortens the runs (`-- 0.1`).
#![expect(clippy::unwrap_used, reason = "a bench is a program of its own")]

use std::fs::File;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use futures_util::StreamExt;
use hereabout_sim::{FrameText, Kit, Nlos, Scenario, SimAnchor, SimTag};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use tokio_tungstenite::tungstenite::Message;

const BIN: &str = env!("CARGO_BIN_EXE_hereabout");
const LAYOUT: &str = "c3 5a seq:u8 range:u16le*8 sum8 0a";
const PLACES_M: [[f64; 3]; 8] = [
    [0.0, 0.0, 2.6],
    [12.0, 0.0, 1.8],
    [24.0, 0.0, 2.4],
    [24.0, 7.0, 0.9],
    [24.0, 14.0, 2.8],
    [12.0, 14.0, 3.0],
    [0.0, 14.0, 2.2],
    [0.0, 7.0, 1.2],
];

fn main() {
    // Cargo passes `--bench`; a plain number scales the runs.
    let scale: f64 = std::env::args().skip(1).find_map(|a| a.parse().ok()).unwrap_or(1.0);
    let folder = tempfile::tempdir().unwrap();
    latency(folder.path(), (1_500.0 * scale) as usize);
    let day = (864_000.0 * scale) as u64;
    replay(folder.path(), day);
    memory(folder.path(), (1_000_000.0 * scale) as u64);
}

fn scenario(frames: u64) -> Scenario {
    let anchor =
        |(i, at_m): (usize, &[f64; 3])| SimAnchor { id: i as u16, at_m: *at_m, ..SimAnchor::default() };
    Scenario {
        seed: 5,
        duration_s: Some(frames as f64 / 10.0),
        frame: Some(FrameText { layout: Some(LAYOUT.into()), unit: "cm".into(), ..FrameText::default() }),
        anchors: PLACES_M.iter().enumerate().map(anchor).collect(),
        tags: vec![SimTag {
            path_m: vec![vec![4.0, 3.0], vec![20.0, 4.0], vec![19.0, 11.0], vec![5.0, 10.0]],
            height_m: Some(0.9),
            ..SimTag::default()
        }],
        nlos: Nlos { share: 0.1, ..Nlos::default() },
        ..Scenario::default()
    }
}

fn site(folder: &Path, port: &str) -> PathBuf {
    let mut text = format!(
        "[site]\nname = \"bench\"\ndimension = \"2d\"\ntag_height_m = 0.9\n[source]\nport = \"{port}\"\n\
         [frame]\nlayout = \"{LAYOUT}\"\nunit = \"cm\"\nno_range = 0\n"
    );
    for (i, [e, n, u]) in PLACES_M.iter().enumerate() {
        text += &format!("[[anchor]]\nid = {i}\nat_m = [{e:?}, {n:?}, {u:?}]\n");
    }
    let path = folder.join("site.toml");
    std::fs::write(&path, text).unwrap();
    path
}

struct Daemon(Child, String);

impl Daemon {
    fn start(site: &Path) -> Daemon {
        let mut child = Command::new(BIN)
            .args(["run", site.to_str().unwrap(), "--listen", "127.0.0.1:0", "--no-log", "--json"])
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let start: serde_json::Value = serde_json::from_str(&line).unwrap();
        let host = start["url"].as_str().unwrap().trim_start_matches("http://").to_owned();
        Daemon(child, host)
    }

    fn status(&self) -> serde_json::Value {
        let mut body = ureq::get(format!("http://{}/v1/status", self.1)).call().unwrap().into_body();
        serde_json::from_str(&body.read_to_string().unwrap()).unwrap()
    }

    fn resident_kib(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.0.id())).unwrap();
        let line = status.lines().find(|l| l.starts_with("VmRSS:")).unwrap();
        line.split_whitespace().nth(1).unwrap().parse().unwrap()
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// p50, p99 and the largest, in milliseconds.
fn quantiles(mut times: Vec<Duration>) -> [f64; 3] {
    times.sort();
    [times.len() / 2, times.len() * 99 / 100, times.len() - 1].map(|i| times[i].as_secs_f64() * 1e3)
}

/// From the write of a frame's last byte to the position message in a subscriber's hands.
fn latency(folder: &Path, frames: usize) {
    let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC;
    let master = openpt(flags).unwrap();
    grantpt(&master).unwrap();
    unlockpt(&master).unwrap();
    let name = ptsname(&master, Vec::new()).unwrap().into_string().unwrap();
    let open = rustix::fs::OFlags::RDWR | rustix::fs::OFlags::NOCTTY | rustix::fs::OFlags::CLOEXEC;
    let line = rustix::fs::open(name.as_str(), open, rustix::fs::Mode::empty()).unwrap();
    let mut attributes = tcgetattr(&line).unwrap();
    attributes.make_raw();
    tcsetattr(&line, OptionalActions::Now, &attributes).unwrap();
    let daemon = Daemon::start(&site(folder, &name));
    while daemon.status()["link"]["state"] != "connected" {
        std::thread::sleep(Duration::from_millis(20));
    }
    let mut master = File::from(master);
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let times = runtime.block_on(async {
        let stream = tokio::net::TcpStream::connect(&daemon.1).await.unwrap();
        let url = format!("ws://{}/v1/live?topics=position", daemon.1);
        let (mut live, _) = tokio_tungstenite::client_async(url, stream).await.unwrap();
        let mut times = Vec::new();
        for frame in Kit::new(&scenario(frames as u64)).unwrap() {
            let sent = Instant::now();
            master.write_all(&frame.bytes).unwrap();
            loop {
                if let Message::Text(_) = live.next().await.unwrap().unwrap() {
                    break;
                }
            }
            times.push(sent.elapsed());
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        times
    });
    let [p50, p99, max] = quantiles(times);
    let [r50, r99, _] = quantiles(echo(frames));
    println!("latency byte in -> WebSocket out   p50 {p50:.3} ms   p99 {p99:.3} ms   max {max:.3} ms");
    println!("  reference: loopback echo         p50 {r50:.3} ms   p99 {r99:.3} ms");
    println!("  ratio                            p50 {:.1}      p99 {:.1}", p50 / r50, p99 / r99);
}

/// One byte there and back over loopback.
fn echo(rounds: usize) -> Vec<Duration> {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let addr = listener.local_addr().unwrap();
    let server = std::thread::spawn(move || {
        let (mut socket, _) = listener.accept().unwrap();
        socket.set_nodelay(true).unwrap();
        let mut byte = [0];
        while socket.read_exact(&mut byte).is_ok() {
            socket.write_all(&byte).unwrap();
        }
    });
    let mut socket = TcpStream::connect(addr).unwrap();
    socket.set_nodelay(true).unwrap();
    let mut times = Vec::new();
    for _ in 0..rounds {
        let sent = Instant::now();
        socket.write_all(&[1]).unwrap();
        socket.read_exact(&mut [0]).unwrap();
        times.push(sent.elapsed());
        std::thread::sleep(Duration::from_millis(10));
    }
    drop(socket);
    server.join().unwrap();
    times
}

fn capture(folder: &Path, frames: u64) -> PathBuf {
    let path = folder.join(format!("{frames}.bin"));
    let mut out = std::io::BufWriter::new(File::create(&path).unwrap());
    for frame in Kit::new(&scenario(frames)).unwrap() {
        out.write_all(&frame.bytes).unwrap();
    }
    out.flush().unwrap();
    path
}

fn replay(folder: &Path, frames: u64) {
    let capture = capture(folder, frames);
    let site = site(folder, "/dev/null");
    let log = folder.join("bench.db");
    let args =
        ["replay", capture.to_str().unwrap(), "--site", site.to_str().unwrap(), "--frame-period", "100ms"];
    let timed = |more: &[&str]| {
        let started = Instant::now();
        let done = Command::new(BIN).args(args).args(more).stderr(Stdio::null()).status().unwrap();
        assert!(done.success());
        started.elapsed().as_secs_f64()
    };
    let bare = timed(&[]);
    let logged = timed(&["--log", log.to_str().unwrap()]);
    let size = std::fs::metadata(&log).unwrap().len();
    let started = Instant::now();
    let mut plain = File::create(folder.join("plain")).unwrap();
    let block = vec![0x5A; 1 << 20];
    for _ in 0..size >> 20 {
        plain.write_all(&block).unwrap();
    }
    plain.sync_all().unwrap();
    let reference = started.elapsed().as_secs_f64();
    let rate = |s: f64| frames as f64 / s;
    println!("replay of {frames} frames without log   {bare:.1} s   {:.0} frames/s", rate(bare));
    println!("replay of {frames} frames with log      {logged:.1} s   {:.0} frames/s", rate(logged));
    println!("  log {:.0} MB; reference: the same bytes written plainly {reference:.1} s", size as f64 / 1e6);
    println!("  ratio with log / without {:.1}", logged / bare);
}

fn memory(folder: &Path, frames: u64) {
    let capture = capture(folder, frames);
    let daemon = Daemon::start(&site(folder, &format!("file://{}?pace=max", capture.display())));
    let at_start = daemon.resident_kib();
    let mut half = None;
    loop {
        let heard = daemon.status()["decoder"]["frames"].as_u64().unwrap_or(0);
        if heard >= frames / 2 {
            half.get_or_insert_with(|| daemon.resident_kib());
        }
        if heard >= frames {
            break;
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    let mib = |kib: u64| kib as f64 / 1024.0;
    println!(
        "resident memory   start {:.1} MiB   half way {:.1} MiB   after {frames} frames {:.1} MiB",
        mib(at_start),
        half.map_or(f64::NAN, mib),
        mib(daemon.resident_kib())
    );
}
