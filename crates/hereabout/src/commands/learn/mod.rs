//! `learn`: from the bytes of an unknown module to a `[frame]` table.
//!
//! Captures first when a port is given, and keeps the capture with its arrival times: the idle gap
//! between frames is what tells where a frame begins. What the learner found goes to standard output
//! as TOML, reasons and rivals as comments, so that the whole can be appended to a site file. What is
//! no stream of frames is said in words with what to do, exit code 65.

mod say;

use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};

use hereabout_core::{CaptureFault, Micros, Timestamp};
use hereabout_ingest::{CaptureReader, CaptureWriter, Clock, Feed, LinkStatus};
use hereabout_wire::learn::{LearnOptions, NotFrames, Outcome, Undecided, learn as study};
use hereabout_words::learn as words;
use hereabout_words::link;
use indicatif::{ProgressBar, ProgressStyle};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

use crate::cli::LearnArgs;
use crate::commands::runtime;
use crate::exit::{self, Failure};
use crate::files::outputs;
use crate::site_file::SourceText;
use crate::source::link_log::log_link;
use crate::source::parse_source;
use crate::toml_doc::quoted;

/// The most of a capture that is studied: twenty minutes of a fast serial line.
const MAX_BYTES: usize = 16 * 1024 * 1024;
/// Steps of the progress bar for a second.
const STEPS_PER_S: f64 = 10.0;

/// Bytes with the arrival time of each read.
struct Capture {
    name: PathBuf,
    bytes: Vec<u8>,
    times: Vec<(u64, Timestamp)>,
    /// The port it came from, when it was captured just now.
    source: Option<SourceText>,
}

/// Proposes a layout. Exit code 0 with a proposal that holds on the half that it was not made from and leaves
/// nothing unexplained, 75 when undecided, 65 for what is no frames.
///
/// # Errors
/// A capture that can't be read or made, a file that is there already.
pub fn learn(args: &LearnArgs) -> Result<u8, Failure> {
    if let Some(far) = args.farthest.filter(|far| !(far.is_finite() && *far > 0.0)) {
        return Err(Failure::new(
            exit::USAGE,
            format!("--farthest {far} is no distance; give metres, like 8"),
        ));
    }
    if let Some(path) = &args.write {
        must_be_new(path)?;
    }
    let capture = match (&args.capture, &args.port) {
        (Some(path), _) => read(path)?,
        (None, Some(port)) => record(args, port)?,
        (None, None) => {
            return Err(Failure::new(exit::USAGE, "what from? give a capture (NAME.bin) or --port"));
        }
    };
    let options = LearnOptions { farthest_m: args.farthest, rate_hz: None };
    let times = (!capture.times.is_empty()).then_some(&capture.times[..]);
    let outcome = study(&capture.bytes, times, options);
    let shown =
        if args.json { format!("{}\n", say::json(&outcome)) } else { say::toml(&outcome, &capture.name) };
    match io::stdout().lock().write_all(shown.as_bytes()).map_err(|e| Failure::writing("can't write", &e)) {
        // Whoever read has gone, and the kit is still to be written.
        Err(failure) if !failure.is_quiet() => return Err(failure),
        _ => {}
    }
    match &outcome {
        Outcome::Proposal(_) => {
            if let Some(path) = &args.write {
                write_kit(path, &capture, &say::toml(&outcome, &capture.name))?;
            }
            next_step(args, &capture);
            Ok(0)
        }
        Outcome::Undecided(undecided) => {
            eprintln!("undecided: {}{}", why(undecided), not_written(args));
            Ok(exit::TRY_AGAIN)
        }
        Outcome::NotFrames(why) => {
            // A sample of what came may hold anything; a terminal must not take it for commands.
            let why_text = words::not_frames(why).line().replace(char::is_control, "?");
            eprintln!("{}: {why_text}{}", capture.name.display(), not_written(args));
            if let (NotFrames::WrongBaud { .. } | NotFrames::Rubbish, Some(source)) = (why, &capture.source) {
                eprintln!("  it was read at {} baud; another is tried with --baud", source.baud);
            }
            Ok(exit::DATA)
        }
    }
}

/// The first reason in a few words; all of them stand on standard output.
fn why(undecided: &Undecided) -> &'static str {
    undecided.questions.first().map_or("more than one reading fits", words::question_in_short)
}

fn not_written(args: &LearnArgs) -> String {
    args.write.as_ref().map_or(String::new(), |path| format!("; {} is not written", path.display()))
}

/// What to do with the proposal, for a person at a terminal.
fn next_step(args: &LearnArgs, capture: &Capture) {
    let live = capture.source.is_some();
    match &args.write {
        Some(path) if live => {
            eprintln!("{path} is written; see it at work: hereabout listen {path}", path = path.display());
        }
        Some(path) => {
            eprintln!(
                "{path} is written; see it at work: hereabout listen {path} --port …",
                path = path.display()
            );
        }
        None => {
            eprintln!("with this table in the site file, see it at work: hereabout listen SITE");
        }
    }
}

/// A capture from the disk, as far as it is studied.
fn read(path: &Path) -> Result<Capture, Failure> {
    let broken = |e: CaptureFault| {
        let code = if matches!(e, CaptureFault::Times { .. }) { exit::DATA } else { exit::NO_INPUT };
        Failure::new(code, link::capture_words(&e))
    };
    let mut reader = CaptureReader::open(path).map_err(broken)?;
    let mut capture = Capture { name: path.to_owned(), bytes: Vec::new(), times: Vec::new(), source: None };
    while capture.bytes.len() < MAX_BYTES {
        let Some(step) = reader.next_step().map_err(broken)? else { return Ok(capture) };
        if let Some(at) = step.at {
            capture.times.push((capture.bytes.len() as u64, at));
        }
        capture.bytes.extend_from_slice(&step.bytes);
    }
    eprintln!("{}: the first {} MiB are studied", path.display(), MAX_BYTES / 1024 / 1024);
    Ok(capture)
}

/// Captures from a port into files, and gives what came.
fn record(args: &LearnArgs, port: &str) -> Result<Capture, Failure> {
    let span = Micros::from_secs_f64(args.seconds);
    if !(args.seconds.is_finite() && (0.1..=3600.0).contains(&args.seconds)) {
        let what = format!("--seconds {} is not a time to capture; 20 is usual, at most 3600", args.seconds);
        return Err(Failure::new(exit::USAGE, what));
    }
    let name = match &args.keep {
        Some(name) => name.clone(),
        None => free_name(),
    };
    must_be_new(&name)?;
    must_be_new(&CaptureReader::times_path(&name))?;
    let source = SourceText { port: port.to_owned(), baud: args.baud, dtr: None };
    let opened = parse_source(&source, Path::new(""), "command line")?;
    runtime()?.block_on(async {
        let stop = CancellationToken::new();
        let (tx, rx) = mpsc::channel(256);
        eprintln!("capturing {} s of {port} into {}; Ctrl-C ends it early", args.seconds, name.display());
        eprintln!("meanwhile move the tag by some metres, and switch one anchor off and on");
        let input = tokio::spawn(hereabout_ingest::run(opened, Clock::start(), tx, stop.clone()));
        let mut recorder = Recorder::create(&name, span, source)?;
        let done = tokio::select! {
            done = recorder.run(rx) => done,
            _ = tokio::signal::ctrl_c() => Ok(()),
        };
        stop.cancel();
        let _ = input.await;
        done?;
        recorder.finish()
    })
}

struct Recorder {
    writer: CaptureWriter,
    capture: Capture,
    span: Micros,
    /// When the link came up first.
    since: Option<Timestamp>,
    /// Why it is not there.
    waiting: Option<String>,
    progress: ProgressBar,
}

impl Recorder {
    fn create(name: &Path, span: Micros, source: SourceText) -> Result<Recorder, Failure> {
        let writer = CaptureWriter::create(name)
            .map_err(|e| Failure::new(exit::CANT_CREATE, link::capture_words(&e)))?;
        let capture =
            Capture { name: name.to_owned(), bytes: Vec::new(), times: Vec::new(), source: Some(source) };
        Ok(Recorder { writer, capture, span, since: None, waiting: None, progress: progress(span) })
    }

    async fn run(&mut self, mut feed: mpsc::Receiver<Feed>) -> Result<(), Failure> {
        let mut began = None;
        while let Some(item) = feed.recv().await {
            let at = item.at();
            match item {
                Feed::Bytes(chunk) => self.bytes(at, &chunk.bytes)?,
                Feed::Tick(_) | Feed::Clock(_) => {}
                Feed::Link(link) => self.link(at, &link.status),
                Feed::End(_) => return Ok(()),
            }
            let past = at.since(self.since.unwrap_or(*began.get_or_insert(at)));
            // Progress shows time, not arithmetic: a saturating cast is good enough.
            self.progress.set_position((past.secs_f64() * STEPS_PER_S) as u64);
            if past >= self.span || self.capture.bytes.len() >= MAX_BYTES {
                return Ok(());
            }
        }
        Ok(())
    }

    fn bytes(&mut self, at: Timestamp, bytes: &[u8]) -> Result<(), Failure> {
        self.capture.times.push((self.capture.bytes.len() as u64, at));
        self.capture.bytes.extend_from_slice(bytes);
        self.progress.set_message(format!("{} bytes", self.capture.bytes.len()));
        self.writer.write(at, bytes).map_err(|e| Failure::new(exit::IO, link::capture_words(&e)))
    }

    fn link(&mut self, at: Timestamp, status: &LinkStatus) {
        log_link(status);
        match status {
            LinkStatus::Connected { .. } => {
                self.since.get_or_insert(at);
            }
            LinkStatus::Waiting { reason } => {
                let words = format!("{}\n  {}", link::words(reason), link::advice(reason));
                self.progress.suspend(|| eprintln!("waiting: {words}"));
                self.waiting = Some(words);
            }
        }
    }

    fn finish(mut self) -> Result<Capture, Failure> {
        self.progress.finish_and_clear();
        self.writer.flush().map_err(|e| Failure::new(exit::IO, link::capture_words(&e)))?;
        if let (None, Some(words)) = (self.since, &self.waiting) {
            self.remove_empty();
            return Err(Failure::new(exit::UNAVAILABLE, format!("nothing could be captured: {words}")));
        }
        eprintln!("{} bytes in {}", self.capture.bytes.len(), self.capture.name.display());
        Ok(self.capture)
    }

    /// A port that never opened leaves no files behind.
    fn remove_empty(&self) {
        if self.writer.bytes_written() == 0 {
            let _ = std::fs::remove_file(&self.capture.name);
            let _ = std::fs::remove_file(CaptureReader::times_path(&self.capture.name));
        }
    }
}

fn progress(span: Micros) -> ProgressBar {
    if !io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::new((span.secs_f64() * STEPS_PER_S) as u64);
    if let Ok(style) = ProgressStyle::with_template("{wide_bar} {elapsed}, {msg}") {
        bar.set_style(style);
    }
    bar
}

/// `capture.bin`, or the first of `capture-2.bin`, `capture-3.bin`, … that is free.
fn free_name() -> PathBuf {
    let numbered = (2_u32..).map(|n| PathBuf::from(format!("capture-{n}.bin")));
    let names = std::iter::once(PathBuf::from("capture.bin")).chain(numbered);
    names.into_iter().find(|name| !name.exists()).unwrap_or_else(|| "capture.bin".into())
}

fn must_be_new(path: &Path) -> Result<(), Failure> {
    if path.symlink_metadata().is_ok() {
        let what = format!("{} is there already and is never overwritten: give another name", path.display());
        return Err(Failure::new(exit::CANT_CREATE, what));
    }
    Ok(())
}

/// Writes source and frame into a new file.
fn write_kit(path: &Path, capture: &Capture, frame: &str) -> Result<(), Failure> {
    let mut text = format!(
        "# A kit: where its bytes come from and how its frames are laid out.\n\
         # `hereabout listen {path}` shows who is heard; `hereabout start DIR --kit {path}` makes a site of it.\n\n",
        path = path.display()
    );
    if let Some(source) = &capture.source {
        text += &format!("[source]\nport = {}\nbaud = {}\n\n", quoted(&source.port), source.baud);
    }
    text += frame;
    outputs::write_new(path, &text)
}
