//! What the black-box tests share: the real binary as a child, pseudo-terminals, HTTP and WebSocket.
//!
//! Waiting is always for something to happen, with a limit far beyond what it takes; nothing here
//! measures time.

pub(crate) mod nursery;

use std::fs::File;
use std::io::{BufRead, BufReader, Read, Write};
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStderr, Command, ExitStatus, Output, Stdio};
use std::time::{Duration, Instant};

use futures_util::StreamExt;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use serde_json::Value;
use tokio_tungstenite::tungstenite::Message;

/// Nothing that works takes this long.
pub(crate) const PATIENCE: Duration = Duration::from_secs(240);

/// The root of the repository.
pub(crate) fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").canonicalize().unwrap()
}

/// The binary under test with these arguments.
pub(crate) fn hereabout(args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_hereabout"));
    command.args(args).stdin(Stdio::null());
    command
}

/// Runs a command to its end; standard output, standard error, exit code.
pub(crate) fn run(args: &[&str]) -> (String, String, i32) {
    let Output { status, stdout, stderr } = hereabout(args).output().unwrap();
    let text = |b: Vec<u8>| String::from_utf8(b).unwrap();
    (text(stdout), text(stderr), status.code().unwrap_or(-1))
}

/// Waits until `probe` gives something.
pub(crate) fn wait_for<T>(what: &str, mut probe: impl FnMut() -> Option<T>) -> T {
    let until = Instant::now() + PATIENCE;
    loop {
        if let Some(found) = probe() {
            return found;
        }
        assert!(Instant::now() < until, "waited in vain for {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// A running daemon; killed by its own id when the test ends early.
pub(crate) struct Daemon {
    child: Child,
    stderr: Option<ChildStderr>,
    /// `http://127.0.0.1:PORT`.
    pub(crate) url: String,
}

impl Daemon {
    /// Starts `run SITE` on a free port and waits for its start line.
    pub(crate) fn start(site: &Path, more: &[&str]) -> Daemon {
        Daemon::start_at(site, "127.0.0.1:0", more)
    }

    /// The same on a port of one's choice.
    pub(crate) fn start_at(site: &Path, listen: &str, more: &[&str]) -> Daemon {
        Daemon::start_as(hereabout(&[]), site, listen, more)
    }

    /// The same by a command that ends in the binary, such as a shell that sets limits.
    pub(crate) fn start_as(mut command: Command, site: &Path, listen: &str, more: &[&str]) -> Daemon {
        command.args(["run", site.to_str().unwrap(), "--listen", listen, "--json"]).args(more);
        command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = command.spawn().unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let stderr = child.stderr.take();
        let Ok(start) = serde_json::from_str::<Value>(&line) else {
            let mut words = String::new();
            stderr.unwrap().read_to_string(&mut words).unwrap();
            panic!("no start line, but {line:?}; {words}");
        };
        Daemon { child, stderr, url: start["url"].as_str().unwrap().to_owned() }
    }

    /// `GET`: status, content type, body.
    pub(crate) fn get(&self, path: &str) -> (u16, String, String) {
        get(&format!("{}{path}", self.url))
    }

    /// `POST` of JSON with the key in the file that the daemon names: status and body.
    pub(crate) fn post(&self, path: &str, text: &str) -> (u16, String) {
        let file = self.json("/v1/status")["changes"]["key_file"].as_str().unwrap().to_owned();
        let key = std::fs::read_to_string(file).unwrap();
        let config =
            ureq::Agent::config_builder().http_status_as_error(false).timeout_global(Some(PATIENCE)).build();
        let request = config.new_agent().post(format!("{}{path}", self.url));
        let request = request
            .header("content-type", "application/json")
            .header("authorization", format!("Bearer {}", key.trim()));
        let mut response = request.send(text).unwrap();
        (response.status().as_u16(), response.body_mut().read_to_string().unwrap())
    }

    /// `GET` of a JSON body that must be there.
    pub(crate) fn json(&self, path: &str) -> Value {
        let (status, _, body) = self.get(path);
        assert_eq!(status, 200, "{path}: {body}");
        serde_json::from_str(&body).unwrap()
    }

    /// The latest position of tag 0, when it is in this state.
    pub(crate) fn position_in(&self, state: &str) -> Option<Value> {
        let (status, _, body) = self.get("/v1/tags/0");
        let position: Value = serde_json::from_str(&body).ok()?;
        (status == 200 && position["state"] == state).then_some(position)
    }

    /// The process id.
    pub(crate) fn id(&self) -> u32 {
        self.child.id()
    }

    /// Resident memory in KiB.
    pub(crate) fn resident_kib(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).unwrap();
        let line = status.lines().find(|l| l.starts_with("VmRSS:")).unwrap();
        line.split_whitespace().nth(1).unwrap().parse().unwrap()
    }

    /// Sends a signal by name.
    pub(crate) fn signal(&self, name: rustix::process::Signal) {
        let pid = rustix::process::Pid::from_raw(self.child.id() as i32).unwrap();
        rustix::process::kill_process(pid, name).unwrap();
    }

    /// Waits for the end; the exit status and what it said on standard error.
    pub(crate) fn wait(mut self) -> (ExitStatus, String) {
        let mut stderr = self.stderr.take().unwrap();
        let status = wait_for("the daemon's end", || self.child.try_wait().unwrap());
        let mut words = String::new();
        stderr.read_to_string(&mut words).unwrap();
        (status, words)
    }

    /// SIGTERM, then [`Daemon::wait`]; it must have ended well.
    pub(crate) fn stop(self) -> String {
        self.signal(rustix::process::Signal::TERM);
        let (status, words) = self.wait();
        assert!(status.success(), "{status}: {words}");
        words
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        if matches!(self.child.try_wait(), Ok(None)) {
            let _ = self.child.kill();
            let _ = self.child.wait();
        }
    }
}

/// `GET`: status, content type, body.
pub(crate) fn get(url: &str) -> (u16, String, String) {
    let config =
        ureq::Agent::config_builder().http_status_as_error(false).timeout_global(Some(PATIENCE)).build();
    let mut response = config.new_agent().get(url).call().unwrap();
    let kind = response.headers().get("content-type").map_or("", |v| v.to_str().unwrap()).to_owned();
    (response.status().as_u16(), kind, response.body_mut().read_to_string().unwrap())
}

/// A pseudo-terminal that plays the primary anchor's serial line, with a link that names it.
pub(crate) struct Line {
    master: File,
    _slave: OwnedFd,
    link: PathBuf,
}

impl Line {
    /// A new terminal under `link`, raw, as a serial line is. Closed on exec: a daemon started by another test
    /// must not hold this line open.
    pub(crate) fn new(link: &Path) -> Line {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        let name = ptsname(&master, Vec::new()).unwrap();
        let flags = rustix::fs::OFlags::RDWR | rustix::fs::OFlags::NOCTTY | rustix::fs::OFlags::CLOEXEC;
        let slave = rustix::fs::open(name.as_c_str(), flags, rustix::fs::Mode::empty()).unwrap();
        let mut attributes = tcgetattr(&slave).unwrap();
        attributes.make_raw();
        tcsetattr(&slave, OptionalActions::Now, &attributes).unwrap();
        let _ = std::fs::remove_file(link);
        std::os::unix::fs::symlink(name.to_str().unwrap(), link).unwrap();
        Line { master: File::from(master), _slave: slave, link: link.to_owned() }
    }

    /// Sends bytes down the line.
    pub(crate) fn send(&mut self, bytes: &[u8]) {
        self.master.write_all(bytes).unwrap();
    }

    /// Pulls the cable: the link goes, the terminal is closed.
    pub(crate) fn unplug(self) {
        std::fs::remove_file(&self.link).unwrap();
    }
}

/// A subscriber of `/v1/live`.
pub(crate) struct Live {
    runtime: tokio::runtime::Runtime,
    socket: tokio_tungstenite::WebSocketStream<tokio::net::TcpStream>,
}

impl Live {
    /// Connects with this query (without the question mark).
    pub(crate) fn connect(daemon: &Daemon, query: &str) -> Live {
        Live::try_connect(&daemon.url, query).expect("a daemon that listens")
    }

    /// The same, when somebody listens there.
    pub(crate) fn try_connect(url: &str, query: &str) -> Option<Live> {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        let host = url.trim_start_matches("http://").to_owned();
        let url = format!("ws://{host}/v1/live?{query}");
        let socket = runtime.block_on(async {
            let stream = tokio::net::TcpStream::connect(&host).await.ok()?;
            Some(tokio_tungstenite::client_async(url, stream).await.ok()?.0)
        })?;
        Some(Live { runtime, socket })
    }

    /// The next text message, or the close frame's code as an error.
    pub(crate) fn next(&mut self) -> Result<String, Option<u16>> {
        self.runtime.block_on(async {
            loop {
                let message =
                    tokio::time::timeout(PATIENCE, self.socket.next()).await.expect("a message in time");
                match message {
                    Some(Ok(Message::Text(text))) => return Ok(text.to_string()),
                    Some(Ok(Message::Close(frame))) => return Err(frame.map(|f| f.code.into())),
                    Some(Ok(_)) => {}
                    Some(Err(_)) | None => return Err(None),
                }
            }
        })
    }

    /// The next message of this type.
    pub(crate) fn next_of(&mut self, kind: &str) -> Value {
        loop {
            let message: Value = serde_json::from_str(&self.next().expect("an open socket")).unwrap();
            if message["type"] == kind {
                return message;
            }
        }
    }
}

/// The live message without its age, as a replay writes it.
pub(crate) fn without_age(message: &str) -> String {
    let Some(at) = message.rfind(",\"age_s\":") else { return message.to_owned() };
    format!("{}}}", &message[..at])
}
