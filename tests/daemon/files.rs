//! What commands do to files: nothing that is read is written over, no link of a stranger is followed, nobody else may read
//! what is made, and nothing waits for a file that does not answer.

use std::fs::{self, Permissions};
use std::io::{Read, Write};
use std::os::unix::fs::{MetadataExt, PermissionsExt, symlink};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use rustix::process::Signal;

use crate::support::nursery;
use crate::support::{Daemon, Line, hereabout, root, run, wait_for};

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// A folder with a site, a capture of some seconds, and a log that was made of it.
struct Yard(tempfile::TempDir);

impl Yard {
    fn new() -> Yard {
        let yard = Yard(tempfile::tempdir().unwrap());
        yard.copy("examples/larkfield/site.toml", "site.toml");
        yard.copy("examples/larkfield/scenario.toml", "scenario.toml");
        let capture = yard.at("walk.bin");
        let args = ["simulate", &yard.name("scenario.toml"), "--seconds", "40", "--out", text(&capture)];
        assert_eq!(run(&args).2, 0);
        let args =
            ["replay", text(&capture), "--site", &yard.name("site.toml"), "--log", &yard.name("walk.db")];
        assert_eq!(run(&args).2, 0);
        yard
    }

    fn copy(&self, from: &str, to: &str) {
        fs::copy(root().join(from), self.at(to)).unwrap();
    }

    fn at(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn name(&self, name: &str) -> String {
        text(&self.at(name)).to_owned()
    }

    /// Every file with its bytes.
    fn all(&self) -> Vec<(PathBuf, Vec<u8>)> {
        let mut all: Vec<_> = fs::read_dir(self.0.path()).unwrap().map(|e| e.unwrap().path()).collect();
        all.sort();
        all.into_iter().filter(|p| p.is_file()).map(|p| (p.clone(), fs::read(p).unwrap())).collect()
    }
}

fn mode(path: &Path) -> u32 {
    fs::metadata(path).unwrap().mode() & 0o7777
}

fn fifo(path: &Path) {
    assert!(Command::new("mkfifo").arg(path).status().unwrap().success());
}

#[test]
fn no_command_writes_over_what_it_reads() {
    let yard = Yard::new();
    symlink(yard.at("walk.db"), yard.at("link.db")).unwrap();
    symlink(yard.0.path(), yard.at("way")).unwrap();
    fs::hard_link(yard.at("walk.db"), yard.at("second-name")).unwrap();
    fs::copy(yard.at("walk.truth.csv"), yard.at("truth.csv")).unwrap();
    fs::write(yard.at("calibration.toml"), "").unwrap();
    let before = yard.all();
    let commands = [
        "replay walk.db --out walk.db",
        "replay walk.db --out link.db",
        "replay walk.db --out second-name",
        "replay walk.db --out way/walk.db",
        "replay walk.db --out walk.db-wal",
        "replay walk.db --out way/walk.db-shm",
        "replay walk.db --svg walk.db",
        "replay walk.db --events walk.db",
        "replay walk.db --log walk.db",
        "replay walk.db --log way/walk.db",
        "replay walk.bin --site site.toml --out walk.bin",
        "replay walk.bin --site site.toml --out walk.times.csv",
        "replay walk.bin --site site.toml --out site.toml",
        "replay walk.bin --site site.toml --out calibration.toml",
        "replay walk.bin --site site.toml --truth truth.csv --svg truth.csv",
        "replay walk.db --out new.jsonl --svg new.jsonl",
        "replay walk.db --log new.db --out new.db",
        "report walk.db --out walk.db",
        "report walk.db --out walk.db.lock",
        "report --site site.toml --out site.toml",
        "check site.toml --svg site.toml",
        "check site.toml --svg calibration.toml",
        "check site.toml --svg larkfield.db",
        "simulate scenario.toml --seconds 1 --out scenario.toml",
        "simulate scenario.toml --seconds 1 --tcp 127.0.0.1:0 --truth scenario.toml",
        "simulate scenario.toml --seconds 1 --pty scenario.toml",
    ];
    for command in commands {
        let args: Vec<&str> = command.split(' ').collect();
        let done = hereabout(&args).current_dir(yard.0.path()).output().unwrap();
        let words = String::from_utf8(done.stderr).unwrap();
        assert_eq!(done.status.code(), Some(73), "{command}: {words}");
        assert!(words.contains("give the output another name"), "{command}: {words}");
        let after = yard.all();
        let names = |all: &[(PathBuf, Vec<u8>)]| all.iter().map(|f| f.0.clone()).collect::<Vec<_>>();
        assert_eq!(names(&after), names(&before), "{command}");
        assert!(after == before, "{command} changed an input");
    }
    // A shell that leads standard output into the input.
    for out in ["-", "/dev/stdout"] {
        let input = fs::File::options().append(true).open(yard.at("walk.db")).unwrap();
        let args = ["replay", &yard.name("walk.db"), "--out", out];
        let done = hereabout(&args).stdout(input).stderr(Stdio::null()).status().unwrap();
        assert_eq!(done.code(), Some(73));
        let log = before.iter().find(|f| f.0.ends_with("walk.db")).unwrap();
        assert!(fs::read(yard.at("walk.db")).unwrap() == log.1, "the log is as it was");
    }
}

#[test]
fn what_is_made_is_for_its_owner_and_group_alone() {
    let yard = Yard::new();
    let [site, db] = [yard.name("site.toml"), yard.name("walk.db")];
    let made = ["rows.jsonl", "events.jsonl", "run.svg", "check.svg", "report.html", "kit.toml"]
        .map(|n| yard.name(n));
    let [rows, events, picture, check, report, kit] = &made;
    let dir = yard.name("other");
    let commands: [&[&str]; 5] = [
        &["replay", &db, "--out", rows, "--events", events, "--svg", picture],
        &["check", &site, "--svg", check],
        &["report", &db, "--out", report],
        &[
            "start",
            &dir,
            "--kit",
            &site,
            "--yes",
            "--tag-height",
            "0.9",
            "--anchor",
            "0,0,0,2",
            "--anchor",
            "1,9,0,2",
            "--anchor",
            "2,9,9,2",
            "--anchor",
            "3,0,9,2",
        ],
        &["learn", &yard.name("walk.bin"), "--write", kit],
    ];
    for args in commands {
        let (_, words, code) = run(args);
        assert_eq!(code, 0, "{args:?}: {words}");
    }
    let mut files: Vec<PathBuf> = made.iter().map(PathBuf::from).collect();
    files.extend(
        ["walk.bin", "walk.times.csv", "walk.truth.csv", "walk.db", "walk.db.lock"].map(|n| yard.at(n)),
    );
    files.push(Path::new(&dir).join("site.toml"));
    for file in files {
        assert_eq!(mode(&file) & !0o640, 0, "{} has mode {:04o}", file.display(), mode(&file));
    }
}

/// The letter of a process's state, as `/proc` has it.
fn state_of(pid: u32) -> Option<char> {
    let stat = fs::read_to_string(format!("/proc/{pid}/stat")).ok()?;
    stat.rsplit_once(") ")?.1.chars().next()
}

#[test]
fn a_replay_that_is_paused_at_any_time_holds_no_read_transaction() {
    let yard = Yard::new();
    let (capture, db) = (yard.name("long.bin"), yard.name("long.db"));
    let scenario = yard.name("scenario.toml");
    assert_eq!(run(&["simulate", &scenario, "--seconds", "1200", "--out", &capture]).2, 0);
    assert_eq!(run(&["replay", &capture, "--site", &yard.name("site.toml"), "--log", &db]).2, 0);
    let (plain, _, _) = run(&["replay", &db, "--out", "-"]);
    // Something is written, then the write-ahead log is worked off: 0 unless a reader stands in the way.
    let checkpoint = "import sqlite3, sys\nc = sqlite3.connect(sys.argv[1], timeout=0, isolation_level=None)\n\
                      c.execute('UPDATE session SET source = source || 1')\n\
                      print(c.execute('PRAGMA wal_checkpoint(TRUNCATE)').fetchone()[0])";
    let out = yard.at("rows.jsonl");
    let mut child = hereabout(&["replay", &db, "--out", text(&out)]).stderr(Stdio::null()).spawn().unwrap();
    let pid = rustix::process::Pid::from_raw(child.id() as i32).unwrap();
    let mut pauses = 0;
    std::thread::sleep(Duration::from_millis(100));
    while child.try_wait().unwrap().is_none() {
        let _ = rustix::process::kill_process(pid, Signal::TSTP);
        wait_for("the pause", || state_of(child.id()).filter(|s| "TZ".contains(*s)));
        if state_of(child.id()) == Some('T') {
            let done = Command::new("python3").args(["-c", checkpoint, &db]).output().unwrap();
            assert_eq!(String::from_utf8(done.stdout).unwrap().trim(), "0", "a reader stands in the way");
            pauses += 1;
            let _ = rustix::process::kill_process(pid, Signal::CONT);
        }
        std::thread::sleep(Duration::from_millis(60));
    }
    assert!(pauses > 3, "it was paused {pauses} times");
    assert_eq!(fs::read_to_string(&out).unwrap(), plain);
}

#[test]
fn a_run_that_is_cut_off_leaves_the_output_of_before() {
    let yard = Yard::new();
    let rows = yard.at("rows.jsonl");
    fs::write(&rows, "from before").unwrap();
    let args = ["replay", &yard.name("walk.db"), "--speed", "0.5", "--out", text(&rows)];
    let mut running = hereabout(&args).stderr(Stdio::null()).spawn().unwrap();
    let unfinished = |name: &str| name.starts_with(".hereabout.new-");
    wait_for("the new file", || {
        let mut names = fs::read_dir(yard.0.path()).unwrap().map(|e| e.unwrap().file_name());
        names.find(|n| unfinished(n.to_str().unwrap()))
    });
    running.kill().unwrap();
    running.wait().unwrap();
    assert_eq!(fs::read_to_string(&rows).unwrap(), "from before");
    // One that fails removes what it began.
    let fails =
        ["replay", &yard.name("walk.db"), "--out", text(&rows), "--svg", &yard.name("no/such/run.svg")];
    let had = fs::read_dir(yard.0.path()).unwrap().count();
    assert_eq!(run(&fails).2, 73);
    assert_eq!(fs::read_dir(yard.0.path()).unwrap().count(), had);
    assert_eq!(fs::read_to_string(&rows).unwrap(), "from before");
    assert_eq!(run(&["replay", &yard.name("walk.db"), "--out", text(&rows)]).2, 0);
    assert!(fs::read_to_string(&rows).unwrap().starts_with("{\"type\":\"position\""));
}

#[test]
fn a_link_is_followed_only_where_nobody_else_could_have_put_it() {
    let yard = Yard::new();
    let victim = yard.at("order-book.txt");
    fs::write(&victim, "400 trays of lavender").unwrap();
    let shared = yard.at("shared");
    fs::create_dir(&shared).unwrap();
    let link = shared.join("run.svg");
    symlink(&victim, &link).unwrap();
    for rights in [0o1777, 0o777, 0o775] {
        fs::set_permissions(&shared, Permissions::from_mode(rights)).unwrap();
        let (_, words, code) = run(&["check", &yard.name("site.toml"), "--svg", text(&link)]);
        assert_eq!(code, 73, "{rights:o}: {words}");
        assert!(words.contains("symbolic link"), "{words}");
        assert_eq!(fs::read_to_string(&victim).unwrap(), "400 trays of lavender");
    }
    fs::set_permissions(&shared, Permissions::from_mode(0o755)).unwrap();
    assert_eq!(run(&["check", &yard.name("site.toml"), "--svg", text(&link)]).2, 0);
    assert!(fs::read_to_string(&victim).unwrap().starts_with("<svg"));
    assert!(link.is_symlink(), "the link itself stays");
}

#[test]
fn pipes_devices_and_standard_output_are_written_directly() {
    let yard = Yard::new();
    let db = yard.name("walk.db");
    let (plain, _, code) = run(&["replay", &db, "--out", "-"]);
    assert_eq!(code, 0);
    assert!(plain.lines().count() > 50, "{plain}");
    assert_eq!(run(&["replay", &db, "--out", "/dev/stdout"]).0, plain);
    let pipe = yard.at("pipe");
    fifo(&pipe);
    let reader = std::thread::spawn({
        let pipe = pipe.clone();
        move || fs::read_to_string(pipe).unwrap()
    });
    assert_eq!(run(&["replay", &db, "--out", text(&pipe)]).2, 0);
    assert_eq!(reader.join().unwrap(), plain);
    assert_eq!(run(&["replay", &db, "--out", "/dev/null", "--svg", "/dev/null"]).2, 0);
    let args = ["replay", &db, "--out", "/dev/stderr"];
    let done = hereabout(&args).output().unwrap();
    assert!(String::from_utf8(done.stderr).unwrap().starts_with(&plain));
    let shell = format!("'{}' replay '{db}' --out /dev/fd/3 3>&1 | cat", env!("CARGO_BIN_EXE_hereabout"));
    let done = Command::new("sh").args(["-c", &shell]).stderr(Stdio::null()).output().unwrap();
    assert_eq!(String::from_utf8(done.stdout).unwrap(), plain);
}

#[test]
fn a_pipe_in_place_of_an_input_is_refused_with_words() {
    let yard = Yard::new();
    for name in ["pipe.toml", "pipe.db", "pipe.bin", "pipe.csv"] {
        fifo(&yard.at(name));
    }
    fs::create_dir(yard.at("calibrated")).unwrap();
    fs::copy(yard.at("site.toml"), yard.at("calibrated/site.toml")).unwrap();
    fifo(&yard.at("calibrated/calibration.toml"));
    let commands = [
        "run pipe.toml --no-log",
        "check pipe.toml",
        "check calibrated/site.toml",
        "listen pipe.toml",
        "replay pipe.db",
        "replay pipe.bin --site site.toml",
        "replay pipe.csv --site site.toml",
        "replay walk.db --truth pipe.csv",
        "report walk.db --spots pipe.csv",
        "learn pipe.bin",
        "simulate pipe.toml --out new.bin --seconds 1",
    ];
    for command in commands {
        let args: Vec<&str> = command.split(' ').collect();
        let mut child = hereabout(&args)
            .current_dir(yard.0.path())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let status = wait_for(command, || child.try_wait().unwrap());
        let mut words = String::new();
        child.stderr.take().unwrap().read_to_string(&mut words).unwrap();
        assert!(!status.success(), "{command}");
        assert!(words.contains("a named pipe, not a plain file"), "{command}: {words}");
    }
}

/// Waits for what must come soon, seconds; the limit is the promise and some for a busy machine.
fn within<T>(limit_s: u64, what: &str, mut probe: impl FnMut() -> Option<T>) -> T {
    let until = Instant::now() + Duration::from_secs(limit_s);
    loop {
        if let Some(found) = probe() {
            return found;
        }
        assert!(Instant::now() < until, "{what} not within {limit_s} s");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// That a changed configuration was not taken over, and why.
fn notice(daemon: &Daemon) -> Option<String> {
    let problems = daemon.json("/v1/status")["problems"].to_string();
    problems.contains("not taken over").then_some(problems)
}

#[test]
fn a_site_file_that_became_a_pipe_stops_neither_positions_nor_the_end() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("port");
    let mut line = Line::new(&port);
    let site = nursery::site(folder.path(), text(&port));
    let daemon = Daemon::start(&site, &[]);
    let frames = nursery::frames(120.0);
    let mut feed = frames.iter();
    let mut send = || {
        line.send(&feed.next().unwrap().bytes);
        std::thread::sleep(Duration::from_millis(80));
    };
    wait_for("a position", || {
        send();
        daemon.position_in("located")
    });
    for hidden in [&site, &folder.path().join("calibration.toml")] {
        let kept = fs::read(hidden).ok();
        let _ = fs::remove_file(hidden);
        fifo(hidden);
        daemon.signal(Signal::HUP);
        let told = within(10, "the notice", || {
            send();
            notice(&daemon)
        });
        assert!(told.contains("named pipe") && told.contains(text(hidden)), "{told}");
        let seq = daemon.position_in("located").unwrap()["seq"].as_u64().unwrap();
        within(10, "the next positions", || {
            send();
            (daemon.position_in("located")?["seq"].as_u64()? > seq + 3).then_some(())
        });
        fs::remove_file(hidden).unwrap();
        if let Some(bytes) = kept {
            fs::write(hidden, bytes).unwrap();
        }
        daemon.signal(Signal::HUP);
        within(10, "the end of the notice", || notice(&daemon).is_none().then_some(()));
    }
    fs::remove_file(&site).unwrap();
    fifo(&site);
    daemon.signal(Signal::HUP);
    let begun = Instant::now();
    daemon.stop();
    assert!(begun.elapsed() < Duration::from_secs(20), "it took {:?} to end", begun.elapsed());
}

#[test]
fn a_calibration_that_is_a_link_is_refused_and_what_it_leads_to_is_untouched() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("port");
    let _line = Line::new(&port);
    let site = nursery::site(folder.path(), text(&port));
    let daemon = Daemon::start(&site, &["--no-log"]);
    let victim = folder.path().join("order-book.txt");
    fs::File::create(&victim).unwrap().write_all(b"400 trays of lavender").unwrap();
    let link = folder.path().join("calibration.toml");
    symlink(&victim, &link).unwrap();
    let body = r#"{"anchors":[{"id":0,"offset_m":0.1}]}"#;
    let (status, said) = daemon.post("/v1/calibrations", body);
    assert!(status >= 400 && said.contains("symbolic link"), "{status}: {said}");
    assert_eq!(fs::read_to_string(&victim).unwrap(), "400 trays of lavender");
    assert!(link.is_symlink());
    daemon.signal(Signal::HUP);
    let told = wait_for("the notice", || notice(&daemon));
    assert!(told.contains("symbolic link"), "{told}");
    daemon.stop();

    fs::remove_file(&link).unwrap();
    let daemon = Daemon::start(&site, &["--no-log"]);
    let (status, said) = daemon.post("/v1/calibrations", body);
    assert_eq!(status, 200, "{said}");
    assert_eq!(mode(&link) & !0o640, 0);
    daemon.stop();
}
