//! Hearing any kit: `learn`, `listen` and `start` from outside, in pipes and on terminals, and the way
//! of a newcomer from an unknown cable to a position.

use std::fs::File;
use std::io::{Read, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc;
use std::time::Duration;

use crate::support::nursery;
use crate::support::{Daemon, Line, Live, hereabout, root, run, wait_for};
use hereabout_sim::{Fault, Kit, Scenario};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{Winsize, tcsetwinsize};
use serde_json::Value;

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// Writes what a kit of this scenario sends, with its arrival times.
fn capture(scenario: &Scenario, bin: &Path) {
    let mut bytes = Vec::new();
    let mut times = "byte_offset,time_s\n".to_owned();
    for frame in Kit::new(scenario).unwrap() {
        times += &format!("{},{}\n", bytes.len(), frame.epoch.at);
        bytes.extend_from_slice(&frame.bytes);
    }
    std::fs::write(bin, bytes).unwrap();
    std::fs::write(bin.with_extension("times.csv"), times).unwrap();
}

/// A terminal of this size that a command runs on; a thread keeps what it shows.
pub(crate) struct Terminal {
    pub(crate) master: File,
    child: Child,
    shown: mpsc::Receiver<Vec<u8>>,
    all: Vec<u8>,
}

/// Which streams of a command are the terminal; the others are pipes.
#[derive(Clone, Copy, PartialEq)]
pub(crate) enum Ends {
    Output,
    Input,
}

impl Terminal {
    pub(crate) fn start(mut command: Command, columns: u16, ends: Ends) -> Terminal {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        let name = ptsname(&master, Vec::new()).unwrap();
        let slave = File::options().read(true).write(true).open(name.to_str().unwrap()).unwrap();
        tcsetwinsize(&slave, Winsize { ws_row: 24, ws_col: columns, ws_xpixel: 0, ws_ypixel: 0 }).unwrap();
        match ends {
            Ends::Output => command.stdout(slave).stderr(Stdio::piped()),
            Ends::Input => command.stdin(slave).stdout(Stdio::piped()).stderr(Stdio::piped()),
        };
        let child = command.spawn().unwrap();
        // The command's own copies of the terminal go, so that its end ends the reading below.
        drop(command);
        let master = File::from(master);
        let mut reader = master.try_clone().unwrap();
        let (tell, shown) = mpsc::channel();
        std::thread::spawn(move || {
            let mut piece = [0; 4096];
            while let Ok(n @ 1..) = reader.read(&mut piece) {
                if tell.send(piece[..n].to_vec()).is_err() {
                    return;
                }
            }
        });
        Terminal { master, child, shown, all: Vec::new() }
    }

    /// Everything that was shown so far, cursor movements and all.
    fn shown(&mut self) -> String {
        self.all.extend(self.shown.try_iter().flatten());
        String::from_utf8_lossy(&self.all).into_owned()
    }

    fn interrupt(&self) {
        let pid = rustix::process::Pid::from_raw(self.child.id() as i32).unwrap();
        rustix::process::kill_process(pid, rustix::process::Signal::INT).unwrap();
    }

    /// Waits for the end: exit code, and what it said beside the terminal.
    pub(crate) fn wait(mut self) -> (i32, String) {
        let status = wait_for("the command's end", || self.child.try_wait().unwrap());
        let mut words = String::new();
        self.child.stderr.take().unwrap().read_to_string(&mut words).unwrap();
        (status.code().unwrap_or(-1), words)
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        if matches!(self.child.try_wait(), Ok(None)) {
            let _ = self.child.kill();
            let _ = self.child.wait();
        }
    }
}

/// What stands on the screen after the last redraw, without attributes.
fn last_screen(shown: &str) -> String {
    let last = shown.rsplit("\x1b[J").next().unwrap_or("");
    ["\x1b[1m", "\x1b[2m", "\x1b[33m", "\x1b[0m"].iter().fold(last.to_owned(), |t, a| t.replace(a, ""))
}

/// Sends a kit's frames down a line until the receiver hangs up.
fn feed(mut line: Line, frames: Vec<Vec<u8>>, pause: Duration) -> mpsc::Sender<()> {
    let (stop, stopped) = mpsc::channel::<()>();
    std::thread::spawn(move || {
        for frame in frames.iter().cycle() {
            line.send(frame);
            if stopped.recv_timeout(pause) != Err(mpsc::RecvTimeoutError::Timeout) {
                return;
            }
        }
    });
    stop
}

#[test]
fn learn_proposes_the_frame_that_the_kit_sends() {
    let folder = tempfile::tempdir().unwrap();
    let bin = folder.path().join("kit.bin");
    capture(&nursery::scenario(30.0), &bin);
    let (out, words, code) = run(&["learn", text(&bin)]);
    assert_eq!(code, 0, "{words}");
    // The nursery's own layout: six anchors alive of eight fields.
    let table: toml::Table = toml::from_str(&out).unwrap();
    assert_eq!(table["frame"]["unit"].as_str(), Some("cm"), "{out}");
    let layout = table["frame"]["layout"].as_str().unwrap();
    assert!(layout.starts_with("c3 5a seq:u8 range:u16le*") && layout.ends_with("sum8"), "{out}");
    assert!(
        out.contains("#   sure ") && out.contains("a counter at 2"),
        "each part with how sure it is: {out}"
    );
    assert!(out.contains("anchors that are off"), "fields 6 and 7 were never heard: {out}");
    let one_line = out.replace("\n# ", " ");
    assert!(one_line.contains("10.0 frames a second"), "from the arrival times: {out}");
    assert!(out.lines().all(|l| l.chars().count() <= 100), "{out}");

    let (out, _, code) = run(&["learn", text(&bin), "--json"]);
    assert_eq!(code, 0);
    let facts: Value = serde_json::from_str(&out).unwrap();
    assert_eq!((&facts["outcome"], &facts["frame"]["layout"]), (&"proposal".into(), &layout.into()));
    assert!(facts["parts"].as_array().unwrap().iter().all(|p| p["sureness"].is_string()), "{facts}");
}

#[test]
fn learn_writes_a_new_file_that_listen_and_start_read() {
    let folder = tempfile::tempdir().unwrap();
    let (bin, kit) = (folder.path().join("kit.bin"), folder.path().join("kit.toml"));
    capture(&nursery::scenario(30.0), &bin);
    let (_, words, code) = run(&["learn", text(&bin), "--farthest", "28", "--write", text(&kit)]);
    assert_eq!(code, 0, "{words}");
    let before = std::fs::read_to_string(&kit).unwrap();
    let (_, words, code) = run(&["learn", text(&bin), "--write", text(&kit)]);
    assert_eq!(code, 73, "never overwritten: {words}");
    assert_eq!(std::fs::read_to_string(&kit).unwrap(), before);

    let port = format!("file://{}?pace=max", bin.display());
    let (out, words, code) = run(&["listen", text(&kit), "--port", &port, "--json", "--frames", "3"]);
    assert_eq!(code, 0, "{words}");
    let row: Value = serde_json::from_str(out.lines().next().unwrap()).unwrap();
    let truth = nursery::frames(1.0)[0].epoch.ranges[1].raw_m.ok();
    let heard = row["range_m"]["1"].as_f64();
    assert!((heard.unwrap() - truth.unwrap()).abs() < 0.006, "to the centimetre: {heard:?} {truth:?}");

    let yard = folder.path().join("yard");
    let args = ["start", text(&yard), "--kit", text(&kit), "--tag-height", "0.9", "--anchor", "0,0,0,2.6"];
    let (_, words, code) = run(&args);
    assert_eq!(code, 0, "{words}");
    let site = std::fs::read_to_string(yard.join("site.toml")).unwrap();
    assert!(site.contains("c3 5a seq:u8 range:u16le"), "{site}");
}

/// Pseudo-random bytes: xorshift64.
fn noise(count: usize) -> Vec<u8> {
    let mut state = 0x9E37_79B9_7F4A_7C15_u64;
    let mut next = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state as u8
    };
    (0..count).map(|_| next()).collect()
}

/// What a port reads that runs at `speed` times the speed of the line. A byte on the line is a start bit
/// (low), eight bits, lowest first, and a stop bit (high); the line rests high. The port waits for a low
/// and takes each of its bits in the middle. (8N1, as every serial port has it.)
fn read_at_another_speed(frames: &[Vec<u8>], speed: f64) -> Vec<u8> {
    let mut line = Vec::new();
    for frame in frames {
        line.extend([true; 400]);
        for byte in frame {
            line.push(false);
            line.extend((0..8).map(|bit| byte >> bit & 1 == 1));
            line.push(true);
        }
    }
    let level = |at: f64| line.get(at as usize).copied();
    let mut bytes = Vec::new();
    let mut at = 0.0;
    while let Some(is_high) = level(at) {
        if is_high {
            at += 0.25;
            continue;
        }
        let bit = |i: u8| u8::from(level(at + (f64::from(i) + 1.5) / speed).unwrap_or(true)) << i;
        bytes.push((0..8).map(bit).sum());
        at += 9.5 / speed;
    }
    bytes
}

#[test]
fn the_model_of_a_serial_port_reads_at_the_right_speed_what_was_sent() {
    let sent = vec![noise(500), noise(700)];
    assert_eq!(read_at_another_speed(&sent, 1.0), sent.concat());
}

#[test]
fn what_is_no_frames_is_named_with_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let frames: Vec<Vec<u8>> = nursery::frames(60.0).into_iter().map(|f| f.bytes).collect();
    let mut lines = String::new();
    for i in 0..300 {
        lines += &format!("R,0,{i},{},{},{}\r\n", 400 + i, 900 - i, 650 + i / 2);
    }
    let mut damaged = lines.into_bytes();
    for (i, byte) in damaged.iter_mut().enumerate() {
        if i % 20 == 7 {
            *byte |= 0x80;
        }
    }
    let console =
        "nursery> help\r\ncommands: go, stop, show\r\nnursery> \r\nwaiting for a command\r\n".repeat(20);
    let sent = frames.concat();
    let shifted: Vec<u8> = sent.windows(2).map(|w| (w[0] << 3) | (w[1] >> 5)).collect();
    let cases: [(&str, Vec<u8>, &str, &str); 7] = [
        ("silence", Vec::new(), "nothing came", "check power"),
        ("constant_byte", vec![0; 4000], "only the byte 00", "baud"),
        ("rubbish", noise(20_000), "nothing repeats", "baud"),
        ("console_text", console.into_bytes(), "nursery> help", "command"),
        ("damaged_text", damaged, "damaged", "check cable"),
        ("wrong_baud", read_at_another_speed(&frames, 2.0), "wrong baud rate", "try others"),
        ("wrong_baud", shifted, "shifted by", "byte format"),
    ];
    for (kind, bytes, what, todo) in cases {
        let path = folder.path().join(format!("{kind}.bin"));
        std::fs::write(&path, bytes).unwrap();
        let (out, words, code) = run(&["learn", text(&path)]);
        assert_eq!((code, out.as_str()), (65, ""), "{kind}: {words}");
        assert!(words.contains(what) && words.contains(todo), "{kind}: {words}");
        let (out, _, code) = run(&["learn", text(&path), "--json"]);
        let facts: Value = serde_json::from_str(&out).unwrap();
        assert_eq!(
            (code, facts["outcome"].as_str(), facts["kind"].as_str()),
            (65, Some("not_frames"), Some(kind))
        );
    }
}

#[test]
fn learn_asks_for_more_when_the_tag_stood_still() {
    let folder = tempfile::tempdir().unwrap();
    let (bin, kit) = (folder.path().join("still.bin"), folder.path().join("kit.toml"));
    let mut scenario = nursery::scenario(20.0);
    scenario.tags[0].path_m.truncate(1);
    capture(&scenario, &bin);
    let (out, words, code) = run(&["learn", text(&bin), "--write", text(&kit)]);
    assert_eq!(code, 75, "{words}{out}");
    assert!(words.contains("undecided") && words.contains("kit.toml is not written"), "{words}");
    assert!(!kit.exists());
    assert!(out.lines().all(|l| l.starts_with('#')), "nothing to run with by accident: {out}");
    assert!(out.contains("move the tag"), "{out}");
}

#[test]
fn a_number_with_two_values_is_a_tag_until_shown_otherwise() {
    let folder = tempfile::tempdir().unwrap();
    let (bin, kit) = (folder.path().join("two.bin"), folder.path().join("kit.toml"));
    // Two tags, some frames of each in turn, far from each other, their number behind the mark.
    let mut bytes = Vec::new();
    for (n, frame) in nursery::frames(60.0).iter().enumerate() {
        let tag = n / 7 % 2;
        bytes.extend([0xC3, 0x5A, 1 + tag as u8]);
        for range in &frame.epoch.ranges[..4] {
            let cm = range.raw_m.ok().map_or(0, |m| (100.0 * m + 700.0 * tag as f64) as u16);
            bytes.extend(cm.to_le_bytes());
        }
        bytes.push(0x0A);
    }
    std::fs::write(&bin, bytes).unwrap();
    let (out, words, code) = run(&["learn", text(&bin), "--write", text(&kit)]);
    assert_eq!(code, 75, "{words}{out}");
    assert!(!kit.exists() && words.contains("kit.toml is not written"), "{words}");
    assert!(out.lines().all(|l| l.starts_with('#')), "nothing to run with by accident: {out}");
    let (_, words, code) = run(&["start", text(&folder.path().join("yard")), "--kit", text(&kit)]);
    assert_ne!(code, 0, "start has no kit to go on with: {words}");

    let (out, _, code) = run(&["learn", text(&bin), "--json"]);
    let facts: Value = serde_json::from_str(&out).unwrap();
    assert_eq!((code, facts["outcome"].as_str()), (75, Some("undecided")));
    let reasons = facts["reasons"].as_array().unwrap();
    assert!(reasons.iter().all(|r| r["code"].is_string() && r["words"].is_string()), "{facts}");
    let tag = reasons
        .iter()
        .find(|r| r["code"] == "tag_number")
        .unwrap_or_else(|| panic!("byte 2 may be the tag's number: {facts}"));
    assert_eq!((&tag["place"], &tag["values"]), (&"byte 2".into(), &serde_json::json!([1, 2])), "{facts}");
    assert!(facts["alternatives"][0]["frame"]["layout"].as_str().unwrap().contains("tag:u8"), "{facts}");
}

#[test]
fn learn_tells_usage_from_absence() {
    let folder = tempfile::tempdir().unwrap();
    let (bin, absent) = (folder.path().join("kit.bin"), folder.path().join("no-port"));
    assert_eq!(run(&["learn"]).2, 64);
    assert_eq!(run(&["learn", text(&bin)]).2, 66);
    assert_eq!(run(&["learn", text(&bin), "--port", "/dev/null"]).2, 64);
    let args = ["learn", "--port", text(&absent), "--seconds", "0.3", "--keep", text(&bin)];
    let (out, words, code) = run(&args);
    assert_eq!((code, out.as_str()), (69, ""), "{words}");
    assert!(words.contains("there is no serial port"), "{words}");
    assert!(!bin.exists() && !bin.with_extension("times.csv").exists(), "nothing is left behind");
    std::fs::write(&bin, "mine").unwrap();
    assert_eq!(run(&args).2, 73);
    assert_eq!(std::fs::read(&bin).unwrap(), b"mine");
}

#[test]
fn listen_without_a_site_numbers_the_fields_and_says_what_is_odd() {
    let folder = tempfile::tempdir().unwrap();
    let bin = folder.path().join("kit.bin");
    let mut scenario = nursery::scenario(12.0);
    scenario.faults = vec![
        Fault::DuplicateId { anchor: 1, at_m: [3.0, 8.0, 2.0], share: 0.4, from_s: 0.0, to_s: None },
        Fault::CutFrames { share: 0.1, from_s: 0.0, to_s: None },
    ];
    capture(&scenario, &bin);
    let port = format!("file://{}?pace=2", bin.display());
    let kit = ["--port", &port, "--layout", nursery::LAYOUT, "--unit", "cm", "--no-range", "0"];
    let (out, words, code) = run(&[&["listen"], &kit[..], &["--json"]].concat());
    assert_eq!(code, 0, "{words}");
    let rows: Vec<Value> = out.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    let frames = rows.iter().filter(|r| r["type"] == "frame").count();
    assert!((80..120).contains(&frames), "{frames} frames");
    assert_eq!(rows[0]["range_m"].as_object().unwrap().len(), 8);
    let warned = |kind: &str| rows.iter().find(|r| r["type"] == "warning" && r["kind"] == kind);
    let two = warned("two_values").expect("two boards with one id");
    assert_eq!((&two["anchor"], &two["code"]), (&1.into(), &"two_values".into()));
    assert!(two["words"].as_str().unwrap().contains("two boards"), "{two}");
    assert!(warned("damaged").is_some() && warned("never_heard").is_some(), "{out}");

    let port = format!("file://{}?pace=max", bin.display());
    let kit = ["--port", &port, "--layout", nursery::LAYOUT, "--unit", "cm", "--no-range", "0"];
    let (out, words, _) = run(&[&["listen"], &kit[..]].concat());
    assert!(out.starts_with("       s   tag       #0       #1"), "{out}");
    assert!(!out.contains('\x1b') && !words.contains('\x1b'), "a pipe is no terminal");
    let (out, _, _) = run(&[&["listen"], &kit[..], &["--raw"]].concat());
    let lines: Vec<&str> = out.lines().collect();
    let bad = lines.iter().position(|l| l.starts_with("bad   ")).unwrap();
    assert!(
        lines[bad + 1].starts_with("      ") && lines[bad + 1].trim().len() > 10,
        "the reason: {}",
        lines[bad + 1]
    );

    let (_, words, code) = run(&["listen", "--port", &port]);
    assert_eq!(code, 64, "{words}");
    let (_, words, code) = run(&["listen", "--port", &port, "--layout", "c3 range:u17"]);
    assert_eq!(code, 78, "{words}");
    let (_, words, code) = run(&["listen", "--port", &port, "--layout", "11 22 33 range:u8"]);
    assert_eq!(code, 65, "{words}");
    assert!(words.contains("hereabout learn"), "{words}");
}

/// Listens on a terminal of so many columns until `done` is seen on it; everything shown.
fn listen_on_terminal(columns: u16, no_color: bool, done: impl Fn(&str) -> bool) -> String {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("port");
    let line = Line::new(&port);
    let site = nursery::site(folder.path(), text(&port));
    let mut command = hereabout(&["listen", text(&site)]);
    command.env("TERM", "xterm").env_remove("NO_COLOR");
    if no_color {
        command.env("NO_COLOR", "1");
    }
    let mut terminal = Terminal::start(command, columns, Ends::Output);
    // Anchor 2 is off after five seconds, which come fast.
    let mut scenario = nursery::scenario(10.0);
    scenario.faults = vec![Fault::AnchorOff { anchor: 2, from_s: 1.0, to_s: 9e3, start_up_s: 2.5 }];
    let frames: Vec<Vec<u8>> = Kit::new(&scenario).unwrap().map(|f| f.bytes).collect();
    let (on, off) = frames.split_at(10);
    let mut line = line;
    wait_for("the table with a frame", || {
        line.send(&on[0]);
        std::thread::sleep(Duration::from_millis(20));
        last_screen(&terminal.shown()).contains("anchor 2").then_some(())
    });
    let feeder = feed(line, off.to_vec(), Duration::from_millis(20));
    let shown = wait_for("what is to be seen", || Some(terminal.shown()).filter(|t| done(&last_screen(t))));
    drop(feeder);
    terminal.interrupt();
    let (code, words) = terminal.wait();
    assert_eq!(code, 0, "{words}");
    assert!(words.contains("good frames"), "{words}");
    shown
}

#[test]
fn listen_on_a_terminal_redraws_a_table_that_fits() {
    let vanished = |screen: &str| screen.contains("anchor 2 vanished");
    let shown = listen_on_terminal(80, false, vanished);
    let moves_up =
        |piece: &str| piece.trim_start_matches(|c: char| c.is_ascii_digit()).starts_with("A\r\x1b[J");
    assert!(shown.match_indices("\x1b[").any(|(i, _)| moves_up(&shown[i + 2..])), "redrawn in place");
    assert!(shown.contains("\x1b[33m"), "what is odd stands out");
    let screen = last_screen(&shown);
    assert!(
        screen.contains("back in 2-3 s after power is") && screen.contains("spread m  last minute"),
        "{screen}"
    );
    assert!(screen.lines().all(|l| l.trim_end().chars().count() < 80), "{screen}");
    assert!(!screen.contains("farthest"), "{screen}");

    let shown = listen_on_terminal(120, true, vanished);
    let attributes = ["\x1b[1m", "\x1b[2m", "\x1b[33m", "\x1b[0m"];
    assert!(attributes.iter().all(|a| !shown.contains(a)), "NO_COLOR");
    let screen = last_screen(&shown);
    assert!(screen.contains("farthest"), "{screen}");
    assert!(screen.lines().all(|l| l.trim_end().chars().count() < 120), "{screen}");
}

const FLAGS: [&str; 10] = [
    "--name",
    "O'Hara's \"north\" yard",
    "--tag-height",
    "0.9",
    "--anchor",
    "0,0,0,2.6,shed corner",
    "--anchor",
    "1,24,0.3,2.2",
    "--anchor",
    "2,23.6,13.8,3.2,gable",
];

#[test]
fn start_writes_a_site_from_flags_that_check_passes() {
    let folder = tempfile::tempdir().unwrap();
    let yard = folder.path().join("north/yard");
    let site = yard.join("site.toml");
    let port = ["--port", "/dev/ttyUSB0", "--layout", "c3 5a range:u16le*3 sum8", "--no-range", "0"];
    let all = [&["start", text(&yard)], &FLAGS[..], &port].concat();
    let (_, words, code) = run(&all);
    assert_eq!(code, 0, "{words}");
    assert!(words.contains("hereabout run"), "what to do next: {words}");
    let (out, _, code) = run(&["check", text(&site)]);
    assert_eq!(code, 0, "{out}");
    assert!(out.contains("O'Hara's \"north\" yard") && out.contains("shed corner"), "{out}");
    let written = std::fs::read_to_string(&site).unwrap();
    assert!(written.matches('#').count() >= 5, "commented: {written}");

    let (_, words, code) = run(&all);
    assert_eq!(code, 73, "{words}");
    assert_eq!(std::fs::read_to_string(&site).unwrap(), written, "never overwritten");

    // Without a port and a layout it is a site all the same, with the way on in it.
    let bare = folder.path().join("bare");
    let (_, words, code) = run(&[&["start", text(&bare)], &FLAGS[2..]].concat());
    assert_eq!(code, 0, "{words}");
    assert!(words.contains("hereabout learn --port"), "{words}");
    let (out, _, code) = run(&["check", text(&bare.join("site.toml"))]);
    assert_eq!(code, 78, "there is nothing yet that could be run: {out}");
    let (out, _, code) = run(&["check", text(&bare.join("site.toml")), "--replay-only"]);
    assert_eq!(code, 0, "{out}");
    assert!(out.starts_with("bare:"), "called as its folder: {out}");
}

#[test]
fn start_writes_nothing_when_something_is_missing_or_wrong() {
    let folder = tempfile::tempdir().unwrap();
    let yard = folder.path().join("yard");
    let told = |more: &[&str]| {
        let (_, words, code) = run(&[&["start", text(&yard)], more].concat());
        assert!(!yard.exists(), "{words}");
        (words, code)
    };
    let (words, code) = told(&["--yes"]);
    assert_eq!(code, 64);
    assert!(words.contains("--tag-height") && words.contains("--anchor"), "{words}");
    let (words, code) = told(&["--tag-height", "0.9", "--anchor", "0,0,0"]);
    assert_eq!(code, 64);
    assert!(words.contains("id,east,north,up"), "{words}");
    let twice = ["--tag-height", "0.9", "--anchor", "0,0,0,2", "--anchor", "0,9,0,2"];
    assert_eq!(told(&twice).1, 64);
    let (words, code) = told(&["--tag-height", "0.9", "--anchor", "0,0,0,2600"]);
    assert_eq!(code, 78);
    assert!(words.contains("centimetres"), "an anchor 2600 m up: {words}");
    let (words, code) = told(&["--tag-height", "0.9", "--anchor", "0,0,0,2", "--layout", "c3 range:u17"]);
    assert_eq!(code, 78);
    assert!(words.contains("u17"), "{words}");
}

#[test]
fn start_asks_on_a_terminal_until_each_answer_is_one() {
    let folder = tempfile::tempdir().unwrap();
    let yard = folder.path().join("yard");
    let command = hereabout(&["start", text(&yard), "--port", "/dev/ttyUSB0"]);
    let mut terminal = Terminal::start(command, 80, Ends::Input);
    let answers = "Larkfield nursery\nflat\n2d\nhigh\n0.9\nc3 range:u17\nc3 5a range:u16le*3 sum8\n\n65535\n\
                   0,0,0\n0,0,0,2.6,shed corner\n0,5,5,2\n1,24,0.3,2.2\n2,23.6,13.8,3.2\n\n";
    terminal.master.write_all(answers.as_bytes()).unwrap();
    let (code, words) = terminal.wait();
    assert_eq!(code, 0, "{words}");
    for again in ["answer 2d or 3d", "a number of metres", "u17", "expected id,east,north,up", "given twice"]
    {
        assert!(words.contains(again), "{again}: {words}");
    }
    let (out, _, code) = run(&["check", text(&yard.join("site.toml"))]);
    assert_eq!(code, 0, "{out}");
    assert!(out.contains("Larkfield nursery: 2D, tag at 0.9 m, 3 anchors"), "{out}");
    assert!(std::fs::read_to_string(yard.join("site.toml")).unwrap().contains("no_range = 65535"));

    // The end of the answers before the last question writes nothing.
    let barn = folder.path().join("barn");
    let mut terminal = Terminal::start(hereabout(&["start", text(&barn)]), 80, Ends::Input);
    terminal.master.write_all(b"barn\n2d\n\x04").unwrap();
    let (code, words) = terminal.wait();
    assert_eq!(code, 64, "{words}");
    assert!(words.contains("nothing is written") && !barn.exists(), "{words}");
}

#[test]
fn a_kit_of_one_or_two_anchors_gives_its_ranges_everywhere() {
    for anchors in [1, 2] {
        let folder = tempfile::tempdir().unwrap();
        let port = folder.path().join("port");
        let line = Line::new(&port);
        let site = nursery::site(folder.path(), text(&port));
        let whole = std::fs::read_to_string(&site).unwrap();
        let end = whole.find(&format!("[[anchor]]\nid = {anchors}")).unwrap();
        std::fs::write(&site, &whole[..end]).unwrap();
        let frames = nursery::frames(30.0);
        let truth: Vec<f64> = frames.iter().map(|f| f.epoch.ranges[0].raw_m.unwrap_or(f64::NAN)).collect();
        let is_true = |range: f64| truth.iter().any(|t| (t - range).abs() < 0.006);
        let feeder = feed(line, frames.into_iter().map(|f| f.bytes).collect(), Duration::from_millis(20));

        let (out, words, code) = run(&["listen", text(&site), "--json", "--frames", "5"]);
        assert_eq!(code, 0, "{words}");
        assert!(words.contains("a position needs"), "{words}");
        for row in out.lines().map(|l| serde_json::from_str::<Value>(l).unwrap()) {
            let ranges = row["range_m"].as_object().unwrap();
            assert_eq!(ranges.len(), anchors);
            assert!(ranges["0"].as_f64().is_none_or(is_true), "{row}");
        }

        let daemon = Daemon::start(&site, &["--no-log"]);
        let mut live = Live::connect(&daemon, "topics=range");
        for _ in 0..5 {
            let message = live.next_of("range");
            let ranges = message["ranges"].as_array().unwrap();
            assert_eq!(ranges.len(), anchors, "{message}");
            assert!(ranges[0]["raw_range_m"].as_f64().is_none_or(is_true), "{message}");
        }
        let heard = wait_for("every anchor", || {
            let body = daemon.json("/v1/anchors");
            let list = body["anchors"].as_array().unwrap().clone();
            list.iter().all(|a| a["state"] == "heard").then_some(list)
        });
        assert_eq!(heard.len(), anchors);
        // One range is a circle; two leave two places on either side of the line between the anchors.
        let state = if anchors == 1 { "lost" } else { "ambiguous" };
        let position = wait_for("a word on the position", || daemon.position_in(state));
        assert_eq!(position["position_m"], Value::Null);
        if anchors == 1 {
            assert!(position["no_fix"].to_string().len() > 20, "why there is none: {position}");
        } else {
            assert_eq!(position["candidates"].as_array().unwrap().len(), 2, "{position}");
        }
        drop(feeder);
        daemon.stop();
    }
}

/// A command that runs beside the test; killed by its own id.
struct Beside(Child);

impl Drop for Beside {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[test]
fn a_newcomer_gets_from_an_unknown_cable_to_a_position() {
    let folder = tempfile::tempdir().unwrap();
    let (port, yard, bin) =
        (folder.path().join("kit"), folder.path().join("yard"), folder.path().join("kit.bin"));
    let site = yard.join("site.toml");
    // The kit, five times as fast as life.
    let scenario = root().join("examples/larkfield/scenario.toml");
    let kit = hereabout(&["simulate", text(&scenario), "--pty", text(&port), "--speed", "5"])
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let _kit = Beside(kit);
    wait_for("the kit's terminal", || port.exists().then_some(()));

    let anchors = [
        "0,0,0,2.6,shed corner",
        "1,24,0.3,2.2",
        "2,23.6,13.8,3.2",
        "3,0.4,13.6,1.8",
        "4,11,0.1,3",
        "5,6.5,9.6,0.6",
        "6,15.8,8.4,2.4",
        "7,23.8,7,1.4",
    ];
    let mut args = vec![
        "start",
        text(&yard),
        "--name",
        "Larkfield nursery",
        "--tag-height",
        "0.9",
        "--port",
        text(&port),
    ];
    args.extend(anchors.iter().flat_map(|a| ["--anchor", a]));
    let (_, words, code) = run(&args);
    assert_eq!(code, 0, "{words}");
    assert!(words.contains("hereabout learn --port"), "{words}");

    let args = ["learn", "--port", text(&port), "--seconds", "6", "--keep", text(&bin), "--farthest", "30"];
    let (table, words, code) = run(&args);
    assert_eq!(code, 0, "{words}{table}");
    assert!(
        words.contains("bytes in") && bin.exists() && bin.with_extension("times.csv").exists(),
        "{words}"
    );
    let mut file = File::options().append(true).open(&site).unwrap();
    file.write_all(table.as_bytes()).unwrap();
    drop(file);
    let (out, words, code) = run(&["check", text(&site)]);
    assert_eq!(code, 0, "{words}{out}");

    let (out, words, code) = run(&["listen", text(&site), "--frames", "30"]);
    assert_eq!(code, 0, "{words}");
    assert!(out.lines().count() > 30 && out.contains("#7"), "{out}");

    let daemon = Daemon::start(&site, &["--no-log"]);
    let position = wait_for("a position", || daemon.position_in("located"));
    let at_m: Vec<f64> =
        position["position_m"].as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect();
    // The yard is 24 m by 14 m; a wrong unit or byte order would be anywhere else.
    assert!((-1.0..25.0).contains(&at_m[0]) && (-1.0..15.0).contains(&at_m[1]), "{position}");
    daemon.stop();
}
