//! `simulate`: the virtual kit to a file, to whoever connects to a TCP port, or on a pseudo-terminal,
//! with its truth beside it.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use hereabout_ingest::{CaptureReader, CaptureWriter};
use hereabout_sim::{SimFrame, write_truth_header, write_truth_row};
use hereabout_words::io::error_words;
use hereabout_words::link::capture_words;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use tokio::io::AsyncWriteExt;
use tokio::net::TcpListener;

use crate::cli::SimulateArgs;
use crate::commands::runtime;
use crate::exit::{self, Failure};
use crate::files::outputs::{FilesInUse, Output};
use crate::source::kit_feeder::KitFeeder;

/// Runs the kit until it ends or Ctrl-C.
///
/// # Errors
/// A scenario that can't be used, an output that can't be made or written.
pub fn simulate(args: &SimulateArgs) -> Result<u8, Failure> {
    if !(args.speed.is_finite() && args.speed > 0.0) {
        return Err(Failure::new(
            exit::USAGE,
            format!("--speed {} is not a speed; 1 is real time", args.speed),
        ));
    }
    let feeder = KitFeeder::with(&args.scenario, args.speed, args.seed, args.seconds)?;
    let mut in_use = FilesInUse::inputs([args.scenario.as_path()]);
    let truth = |in_use: &mut FilesInUse| args.truth.as_deref().map(|p| Truth::create(p, in_use)).transpose();
    match (&args.out, args.tcp, &args.pty) {
        (Some(out), _, _) => to_file(feeder, out, &mut in_use),
        (_, Some(addr), _) => {
            let mut truth = truth(&mut in_use)?;
            let done = runtime()?.block_on(or_interrupt(to_tcp(feeder, addr, &mut truth)));
            Truth::finish(truth).and(done)
        }
        (_, _, Some(link)) => {
            in_use.refuse(link)?;
            let mut truth = truth(&mut in_use)?;
            let done = runtime()?.block_on(or_interrupt(to_pty(feeder, link.clone(), &mut truth)));
            Truth::finish(truth).and(done)
        }
        _ => Err(Failure::new(exit::USAGE, "where to? give --out NAME.bin, --tcp ADDR:PORT or --pty LINK")),
    }
}

async fn or_interrupt(work: impl Future<Output = Result<u8, Failure>>) -> Result<u8, Failure> {
    tokio::select! {
        done = work => done,
        _ = tokio::signal::ctrl_c() => Ok(0),
    }
}

fn to_file(mut feeder: KitFeeder, out: &Path, in_use: &mut FilesInUse) -> Result<u8, Failure> {
    if feeder.scenario().duration_s.is_none() {
        return Err(Failure::new(exit::USAGE, "the scenario runs for ever: give --seconds"));
    }
    let broken = |e: hereabout_core::CaptureFault| Failure::new(exit::CANT_CREATE, capture_words(&e));
    let bytes = Output::begin(out, in_use)?;
    let times = Output::begin(&CaptureReader::times_path(out), in_use)?;
    let mut capture = CaptureWriter::new(out, bytes, times).map_err(broken)?;
    let truth_path = out.with_extension("truth.csv");
    let mut truth = Some(Truth::create(&truth_path, in_use)?);
    let mut frames = 0_u64;
    while let Some((_, frame)) = feeder.next_frame() {
        capture.write(frame.epoch.at, &frame.bytes).map_err(broken)?;
        Truth::write(&mut truth, &frame)?;
        frames += 1;
    }
    let (bytes, times) = capture.into_files().map_err(broken)?;
    times.finish()?;
    bytes.finish()?;
    Truth::finish(truth)?;
    eprintln!("{frames} frames in {}, truth in {}", out.display(), truth_path.display());
    Ok(0)
}

async fn to_tcp(mut feeder: KitFeeder, addr: SocketAddr, truth: &mut Option<Truth>) -> Result<u8, Failure> {
    let cannot_listen =
        |e| Failure::new(exit::UNAVAILABLE, format!("{addr}: can't listen there: {}", error_words(&e)));
    let listener = TcpListener::bind(addr).await.map_err(cannot_listen)?;
    let addr = listener.local_addr().map_err(cannot_listen)?;
    eprintln!("sending to whoever connects to tcp://{addr}; Ctrl-C stops");
    let mut subscriber = None;
    while let Some((wait, frame)) = feeder.next_frame() {
        let due = tokio::time::sleep(wait);
        tokio::pin!(due);
        loop {
            tokio::select! {
                () = &mut due => break,
                accepted = listener.accept() => subscriber = accepted.ok().map(|(s, _)| s).or(subscriber),
            }
        }
        Truth::write(truth, &frame)?;
        if let Some(mut socket) = subscriber.take() {
            // Who hangs up makes room for the next one; frames meanwhile are gone, as on a real line.
            if socket.write_all(&frame.bytes).await.is_ok() {
                subscriber = Some(socket);
            }
        }
    }
    Ok(0)
}

async fn to_pty(mut feeder: KitFeeder, link: PathBuf, truth: &mut Option<Truth>) -> Result<u8, Failure> {
    let broken = |e: std::io::Error| {
        Failure::new(exit::CANT_CREATE, format!("{}: {}", link.display(), error_words(&e)))
    };
    let terminal = Terminal::open(&link).map_err(broken)?;
    eprintln!("sending on {}; Ctrl-C stops", link.display());
    while let Some((wait, frame)) = feeder.next_frame() {
        tokio::time::sleep(wait).await;
        Truth::write(truth, &frame)?;
        // Nobody reads: the terminal's buffer fills up and the rest is gone, as on a real line.
        let _ = rustix::io::write(&terminal.master, &frame.bytes);
    }
    Ok(0)
}

/// A raw pseudo-terminal with a link that names it; the link goes with it.
struct Terminal {
    master: std::os::fd::OwnedFd,
    /// Kept open, so that a reader that comes and goes does not hang up the line.
    _line: std::os::fd::OwnedFd,
    link: PathBuf,
}

impl Terminal {
    fn open(link: &Path) -> std::io::Result<Terminal> {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
        grantpt(&master)?;
        unlockpt(&master)?;
        let name = ptsname(&master, Vec::new())?;
        let flags = rustix::fs::OFlags::RDWR | rustix::fs::OFlags::NOCTTY | rustix::fs::OFlags::CLOEXEC;
        let line = rustix::fs::open(name.as_c_str(), flags, rustix::fs::Mode::empty())?;
        let mut attributes = tcgetattr(&line)?;
        attributes.make_raw();
        tcsetattr(&line, OptionalActions::Now, &attributes)?;
        rustix::fs::fcntl_setfl(&master, rustix::fs::OFlags::NONBLOCK)?;
        // Only what a terminal of before left may go.
        if std::fs::read_link(link).is_ok_and(|to| to.starts_with("/dev/pts")) {
            std::fs::remove_file(link)?;
        }
        std::os::unix::fs::symlink(name.to_string_lossy().as_ref(), link)?;
        Ok(Terminal { master, _line: line, link: link.to_owned() })
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.link);
    }
}

/// The truth table being written.
struct Truth {
    path: PathBuf,
    out: Output,
}

impl Truth {
    fn create(path: &Path, in_use: &mut FilesInUse) -> Result<Truth, Failure> {
        let mut truth = Truth { path: path.to_owned(), out: Output::begin(path, in_use)? };
        write_truth_header(&mut truth.out, true).map_err(|e| Truth::broken(path, &e))?;
        Ok(truth)
    }

    fn write(truth: &mut Option<Truth>, frame: &SimFrame) -> Result<(), Failure> {
        let Some(truth) = truth else { return Ok(()) };
        write_truth_row(&mut truth.out, &frame.epoch, true).map_err(|e| Truth::broken(&truth.path, &e))
    }

    fn finish(truth: Option<Truth>) -> Result<(), Failure> {
        truth.map_or(Ok(()), |truth| truth.out.finish())
    }

    fn broken(path: &Path, e: &std::io::Error) -> Failure {
        Failure::new(exit::CANT_CREATE, format!("{}: can't be written: {}", path.display(), error_words(e)))
    }
}
