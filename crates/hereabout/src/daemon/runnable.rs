//! Whether the daemon can be started with a site: one judgement for `run` and `check`.
//!
//! Nothing is opened but files that are read: no port is touched, no address is taken, no log is made. What depends on
//! the moment (a port that is taken, a disk that fills up, a kit that is away) only a start can tell.

use std::fs;
use std::io::Read;
use std::path::Path;

use hereabout_core::plausible::is_out_of_reach;
use hereabout_ingest::Source;
use hereabout_words::io::error_words;
use rustix::fs::{Access, AtFlags, CWD, accessat};

use crate::access::socket_file::{SocketChoice, beside};
use crate::exit;
use crate::files::outputs::FilesInUse;
use crate::site_file::SiteFile;
use crate::source::open_source;
use crate::toml_doc::{Level, Problem};

/// What the command line says instead of the site file.
#[derive(Clone, Copy, Debug, Default)]
pub struct Instead<'a> {
    /// `--source`.
    pub source: Option<&'a str>,
    /// `--listen` was given; the address is in the [`SiteFile`] already.
    pub listen: bool,
}

/// Something that keeps the daemon from starting, or that people should know before it does.
#[derive(Clone, Debug, PartialEq)]
pub struct Obstacle {
    /// What, where, and what to do; a warning keeps nothing from starting.
    pub problem: Problem,
    /// The exit code of `run`.
    pub code: u8,
}

impl Obstacle {
    fn new(problem: Problem, code: u8) -> Obstacle {
        Obstacle { problem, code }
    }

    /// Whether the daemon does not start.
    pub fn stops(&self) -> bool {
        self.problem.level == Level::Error
    }
}

/// Everything that stands between a valid site and a running daemon.
pub fn obstacles(site: &SiteFile, instead: Instead<'_>) -> Vec<Obstacle> {
    let mut found = Vec::new();
    if site.frame.is_none() {
        let what = "there is no [frame], so the bytes of the kit can't be read";
        let todo = "add [frame] with layout = \"…\" and unit = \"cm\"; `hereabout learn` proposes it";
        found.push(Obstacle::new(
            site.problem(["frame", "layout"], what, todo).coded("no_frame"),
            exit::CONFIG,
        ));
    }
    found.extend(source(site, instead.source));
    found.extend(listen(site, instead.listen));
    found.extend(socket(site));
    found
}

/// At a key of the site file, or about the flag that stands for it.
fn at(site: &SiteFile, path: [&str; 2], flag: Option<&str>, what: &str, todo: &str) -> Problem {
    let mut problem = site.problem(path, what, todo);
    if let Some(flag) = flag {
        (problem.line, problem.column, problem.source_line) = (0, 0, String::new());
        flag.clone_into(&mut problem.key);
    }
    problem
}

fn source(site: &SiteFile, instead: Option<&str>) -> Option<Obstacle> {
    let flag = instead.map(|_| "--source");
    if instead.is_none() && site.source.is_none() {
        let what = "there is no [source], so there is nothing to hear";
        let todo = "add [source] port = \"/dev/serial/by-id/…\" (or tcp://…, udp://…, file://…, sim://…), or give --source";
        return Some(Obstacle::new(
            site.problem(["source", "port"], what, todo).coded("no_source"),
            exit::CONFIG,
        ));
    }
    match open_source(site, instead) {
        Ok((Source::Udp { addr }, _)) if !addr.ip().to_canonical().is_loopback() => {
            let what = format!(
                "{addr} takes datagrams of everybody on that network: who can send there decides where tags are"
            );
            let todo = "keep that network to the kit alone, or listen on 127.0.0.1 and have a program of this machine pass them on";
            let problem = at(site, ["source", "port"], flag, &what, todo).coded("open_to_network");
            Some(Obstacle::new(problem.as_warning(), 0))
        }
        Ok(_) => None,
        Err(failure) => {
            let mut words = failure.message.lines();
            let what = words.next().unwrap_or_default().to_owned();
            let todo: Vec<&str> = words.map(str::trim_start).collect();
            let problem = at(site, ["source", "port"], flag, &what, &todo.join("\n")).coded("bad_source");
            Some(Obstacle::new(problem, failure.code))
        }
    }
}

fn listen(site: &SiteFile, given: bool) -> Option<Obstacle> {
    let refused = hereabout_api::check_loopback(site.listen).err()?.to_string();
    let (what, todo) = refused.split_once(": ").unwrap_or((refused.as_str(), ""));
    let problem = at(site, ["api", "listen"], given.then_some("--listen"), what, todo).coded("not_loopback");
    Some(Obstacle::new(problem, exit::CONFIG))
}

/// A socket in the place of the log, or of a file that belongs to it, would keep that from being made.
fn socket(site: &SiteFile) -> Option<Obstacle> {
    let SocketChoice::At(_) = &site.socket else { return None };
    let log = site.log.as_deref()?;
    let socket = site.socket.path(site.folder(), log.to_owned())?;
    let in_use = FilesInUse::inputs([log]).refuse(&socket).is_err() || socket == beside(log, "key");
    let what = format!("{} is the log, or a file that belongs to it", socket.display());
    let problem = site.problem(["api", "socket"], &what, "give the socket another name").coded("socket_name");
    in_use.then(|| Obstacle::new(problem, exit::CONFIG))
}

/// What speaks against the log's place. The daemon starts all the same and tries again, and says so itself then.
pub fn log_warning(site: &SiteFile) -> Option<Problem> {
    let path = site.log.as_deref()?;
    let (why, todo) = log_trouble(path)?;
    let what = format!("no log can be kept in {}: {why}; positions come without it", path.display());
    Some(site.problem(["log", "path"], &what, todo).coded("no_log").as_warning())
}

/// Zones that no tag can ever be in: a slip of the unit, as a rule.
pub fn zone_warnings(site: &SiteFile) -> Vec<Problem> {
    let lost = site.site.zones().iter().filter(|z| is_out_of_reach(&site.site, &z.shape));
    lost.map(|z| {
        let what = format!("no tag can ever be in zone \"{}\": it lies beyond the anchors' reach", z.name);
        let todo = "check its numbers: metres, east first";
        site.problem(["zone", &z.name], &what, todo).coded("zone_out_of_reach").as_warning()
    })
    .collect()
}

/// Why no log can be written at `path`, and what to do; `None` when nothing speaks against it.
fn log_trouble(path: &Path) -> Option<(String, &'static str)> {
    let elsewhere = "give another file; this one stays as it is";
    match fs::metadata(path) {
        Ok(found) if found.is_dir() => return Some(("it is a folder".into(), elsewhere)),
        Ok(found) if found.is_file() && !may_be_log(path) => {
            return Some(("it is another file, and no database".into(), elsewhere));
        }
        Ok(_) => {}
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => {}
        Err(e) => return Some((error_words(&e), "give another file, or make it accessible for this user")),
    }
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    if !folder.is_dir() {
        let why = format!("there is no folder {}", folder.display());
        return Some((why, "make the folder first, or give another file"));
    }
    let access = accessat(CWD, folder, Access::WRITE_OK | Access::EXEC_OK, AtFlags::EACCESS);
    let folder = folder.display();
    access.err().map(|e| {
        (
            format!("nothing can be made in {folder}: {}", error_words(&e.into())),
            "make the folder writable for this user",
        )
    })
}

/// Whether a file is empty or begins like an SQLite database ("Database File Format" of the SQLite documentation,
/// section 1.3). Whose database it is the start tells.
fn may_be_log(path: &Path) -> bool {
    let mut head = Vec::new();
    let read = fs::File::open(path).and_then(|f| f.take(16).read_to_end(&mut head));
    // What can't be read is no reason to call it another file.
    read.is_err() || head.is_empty() || head == b"SQLite format 3\0"
}
