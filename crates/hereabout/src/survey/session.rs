//! One survey session with the tag at known places: from a recording, or live with a person who carries it.
//!
//! Live, a place's time begins when the person says so (a line on standard input) and lasts as long as asked, in
//! the data's own time; what is heard in between goes on into the [`EpochSink`], which knows when a place's
//! time is over. Ctrl-C ends the session with exit code 130, before anything was written.

use std::io::{BufRead, IsTerminal};
use std::path::Path;

use hereabout_commission::survey::{MAX_SPOTS, Spot, SurveySession};
use hereabout_core::{Epoch, Micros, Site, TagId, Timestamp};
use hereabout_engine::epoch_from_frame;
use hereabout_ingest::{Clock, Feed, LinkStatus};
use hereabout_wire::Decoder;
use hereabout_words::link::{advice, words};
use indicatif::{ProgressBar, ProgressStyle};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

use crate::cli::SurveyArgs;
use crate::exit::{self, Failure};
use crate::recording::{Kind, Recording, Step};
use crate::site_file::SiteFile;
use crate::source::link_log::log_link;
use crate::source::open_source;

/// Exit code of a run that Ctrl-C ended, as shells have it.
const INTERRUPTED: u8 = 130;
/// Without a terminal progress is one line this often.
const REPORT_EVERY: Micros = Micros::from_millis(10_000);
/// Longest stay at one place, seconds.
const MAX_OCCUPATION_S: f64 = 86_400.0;

/// What receives the ranges of a survey session.
pub trait EpochSink {
    /// A place's time begins; `false` when there is no room for another one.
    fn begin(&mut self, spot: Spot) -> bool;
    /// The ranges of one epoch.
    fn take(&mut self, epoch: &Epoch);
    /// Nothing was heard, but time went on.
    fn tick(&mut self, _at: Timestamp) {}
    /// What is being measured now, in one line.
    fn glance(&self) -> String;
}

/// A place to go to.
#[derive(Clone, Debug, PartialEq)]
pub struct Target {
    /// What people call it.
    pub name: String,
    /// East, north, up of the tag's antenna, metres; `None` when only a distance counts.
    pub at_m: Option<[f64; 3]>,
}

impl Target {
    fn words(&self) -> String {
        match self.at_m {
            Some([e, n, u]) => format!("put the tag at {}: {e:.2} east, {n:.2} north, {u:.2} up", self.name),
            None => format!("put the tag {}", self.name),
        }
    }
}

/// Reads a whole recording.
///
/// # Errors
/// A recording that can't be opened or read on.
pub async fn from_recording(
    path: &Path,
    site: &SiteFile,
    args: &SurveyArgs,
    sink: &mut dyn EpochSink,
) -> Result<(), Failure> {
    let mut recording = Recording::open(path, site, args.session, args.frame_period).await?;
    let name = path.display().to_string();
    while let Some(step) = recording.next().await? {
        match (&step, &site.frame) {
            (Step::Frame(frame), Some(spec)) => sink.take(&epoch_from_frame(frame, spec, &site.site)),
            (Step::Frame(_), None) => {}
            (Step::Epoch(epoch), _) => sink.take(epoch),
            (Step::End(at) | Step::HandOn(at), _) => sink.tick(*at),
        }
        recording.report_bad_rows(&name);
    }
    recording.report_bad_rows(&name);
    Ok(())
}

/// The site as it is for what is heard: the ranges of a table are in metres, whatever unit the kit has.
pub(crate) fn tested_site(args: &SurveyArgs, site: &SiteFile) -> Site {
    let table =
        args.input.as_deref().is_some_and(|input| Kind::of(input).is_ok_and(|kind| kind == Kind::Table));
    if table { site.site.clone().with_range_unit(None) } else { site.site.clone() }
}

/// Goes from place to place on the site's live source.
///
/// # Errors
/// A source that can't be opened or that ends, standard input that ends before the last place, Ctrl-C.
pub async fn live(
    targets: &[Target],
    seconds: f64,
    site: &SiteFile,
    source: Option<&str>,
    sink: &mut dyn EpochSink,
) -> Result<(), Failure> {
    if targets.len() > MAX_SPOTS {
        return Err(Failure::new(exit::USAGE, format!("more than {MAX_SPOTS} places are too many at once")));
    }
    let mut live_source = LiveSource::open(site, source)?;
    let done = tokio::select! {
        done = live_source.visit(targets, seconds, sink) => done,
        _ = tokio::signal::ctrl_c() => {
            Err(Failure::new(INTERRUPTED, "stopped; nothing was written"))
        }
    };
    live_source.close().await;
    done
}

/// The live source, decoded.
struct LiveSource<'a> {
    site: &'a SiteFile,
    feed: mpsc::Receiver<Feed>,
    decoder: Decoder,
    stop: CancellationToken,
    input: tokio::task::JoinHandle<()>,
    newest: Timestamp,
    /// Lines of standard input, read by a thread of its own, from the first time one is waited for.
    lines: Option<mpsc::UnboundedReceiver<()>>,
}

impl<'a> LiveSource<'a> {
    fn open(site: &'a SiteFile, source: Option<&str>) -> Result<LiveSource<'a>, Failure> {
        let Some(frame) = &site.frame else {
            let what = "the site file has no [frame], so the bytes can't be read";
            return Err(Failure::new(exit::CONFIG, format!("{}: {what}", site.path.display())));
        };
        let decoder = Decoder::new(frame.layout.clone());
        let (source, text) = open_source(site, source)?;
        eprintln!("listening to {text}; Ctrl-C stops, and leaves everything as it is");
        let (stop, clock) = (CancellationToken::new(), Clock::start());
        let newest = clock.started_at();
        let (tx, feed) = mpsc::channel(256);
        let run = hereabout_ingest::run(source, clock, tx, stop.clone());
        let input = tokio::spawn(async move {
            run.await;
        });
        Ok(LiveSource { site, feed, decoder, stop, input, newest, lines: None })
    }

    async fn close(self) {
        self.stop.cancel();
        drop(self.feed);
        let _ = self.input.await;
    }

    async fn visit(
        &mut self,
        targets: &[Target],
        seconds: f64,
        sink: &mut dyn EpochSink,
    ) -> Result<(), Failure> {
        let terminal = std::io::stdin().is_terminal();
        for (k, target) in targets.iter().enumerate() {
            let place =
                if targets.len() > 1 { format!("{} of {}: ", k + 1, targets.len()) } else { String::new() };
            if k > 0 || terminal {
                eprintln!("{place}{}, then press Enter", target.words());
                self.wait_for_line(sink).await?;
            } else {
                eprintln!("{place}{} (measured from now on)", target.words());
            }
            self.occupy(target, seconds, sink).await?;
        }
        Ok(())
    }

    /// Hears on until a line comes in.
    async fn wait_for_line(&mut self, sink: &mut dyn EpochSink) -> Result<(), Failure> {
        let mut lines = self.lines.take().unwrap_or_else(read_lines);
        loop {
            tokio::select! {
                line = lines.recv() => {
                    self.lines = Some(lines);
                    return line.ok_or_else(|| {
                        let what = "standard input ended before the tag was at its last place";
                        let todo = "run it on a terminal, or record first and give --spots with --input";
                        Failure::new(exit::USAGE, format!("{what}; nothing was written\n  {todo}"))
                    });
                }
                item = self.feed.recv() => { self.receive(item, sink)?; }
            }
        }
    }

    async fn occupy(
        &mut self,
        target: &Target,
        seconds: f64,
        sink: &mut dyn EpochSink,
    ) -> Result<(), Failure> {
        // What waited in the channel is from before the line.
        while let Ok(item) = self.feed.try_recv() {
            self.receive(Some(item), sink)?;
        }
        let from = self.newest.plus(Micros::from_micros(1));
        let to = from.plus(Micros::from_secs_f64(seconds));
        let at_m = target.at_m.unwrap_or_default();
        sink.begin(Spot { name: target.name.clone(), at_m, from, to });
        let bar = progress(seconds);
        let mut reported_at = from;
        while self.newest < to {
            let item = self.feed.recv().await;
            self.receive(item, sink)?;
            let so_far = self.newest.since(from).secs_f64();
            bar.set_position((so_far.max(0.0) * 10.0) as u64);
            bar.set_message(sink.glance());
            if bar.is_hidden() && self.newest.since(reported_at) >= REPORT_EVERY {
                reported_at = self.newest;
                eprintln!("  {so_far:.0} s of {seconds:.0} s: {}", sink.glance());
            }
        }
        bar.finish_and_clear();
        eprintln!("  {} done: {}", target.name, sink.glance());
        Ok(())
    }

    fn receive(&mut self, item: Option<Feed>, sink: &mut dyn EpochSink) -> Result<(), Failure> {
        let ended = || {
            let what = "the source ended before the last place was measured; nothing was written";
            Failure::new(exit::DATA, what)
        };
        let item = item.ok_or_else(ended)?;
        self.newest = item.at();
        match item {
            Feed::Bytes(chunk) => self.decode(chunk.received_at, &chunk.bytes, sink),
            Feed::Tick(at) => sink.tick(at),
            Feed::Clock(_) => {}
            Feed::Link(link) => {
                // Half a frame ends with the link.
                self.decoder.cut();
                log_link(&link.status);
                if let LinkStatus::Waiting { reason } = &link.status {
                    eprintln!("  waiting: {}\n  {}", words(reason), advice(reason));
                }
            }
            Feed::End(_) => return Err(ended()),
        }
        Ok(())
    }

    fn decode(&mut self, at: Timestamp, bytes: &[u8], sink: &mut dyn EpochSink) {
        let Some(spec) = &self.site.frame else { return };
        let mut rest = bytes;
        while !rest.is_empty() {
            rest = &rest[self.decoder.push(at, rest)..];
            while let Some(frame) = self.decoder.next_frame() {
                sink.take(&epoch_from_frame(&frame, spec, &self.site.site));
            }
        }
    }
}

/// Says when a line came in; ends with standard input.
fn read_lines() -> mpsc::UnboundedReceiver<()> {
    let (tx, rx) = mpsc::unbounded_channel();
    // A thread, not a task: a read of a terminal can't be cancelled, and must not hold up the end of the program.
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines() {
            if line.is_err() || tx.send(()).is_err() {
                break;
            }
        }
    });
    rx
}

fn progress(seconds: f64) -> ProgressBar {
    if !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::new((seconds * 10.0) as u64);
    if let Ok(style) = ProgressStyle::with_template("  {bar:20} {percent:>3} %  {wide_msg}") {
        bar.set_style(style);
    }
    bar
}

/// The time at each place from the command line, seconds.
///
/// # Errors
/// Something that is no length of time.
pub fn occupation_s(given: Option<f64>, usual: f64) -> Result<f64, Failure> {
    let s = given.unwrap_or(usual);
    if s > 0.0 && s <= MAX_OCCUPATION_S {
        Ok(s)
    } else {
        let what = format!(
            "--seconds {s} is not a time to stand; expected more than 0 and at most {MAX_OCCUPATION_S}"
        );
        Err(Failure::new(exit::USAGE, what))
    }
}

/// A place from the command line: `E,N` or `E,N,U`, metres. `up_m` is taken when there is no third number.
///
/// # Errors
/// Anything else.
pub fn place(text: &str, up_m: Option<f64>) -> Result<Target, Failure> {
    let bad = |what: &str| {
        let expected = "expected metres as E,N or E,N,U, like --at 3.20,4.10";
        Failure::new(exit::USAGE, format!("--at {text}: {what}\n  {expected}"))
    };
    let numbers: Result<Vec<f64>, _> = text.split(',').map(|t| t.trim().parse::<f64>()).collect();
    let numbers = numbers.map_err(|_| bad("not numbers"))?;
    if numbers.iter().any(|v| !v.is_finite() || v.abs() > 10_000.0) {
        return Err(bad("farther than any site reaches"));
    }
    let at_m = match (&numbers[..], up_m) {
        (&[e, n, u], _) | (&[e, n], Some(u)) => [e, n, u],
        (&[_, _], None) => return Err(bad("a 3D site needs the height as well")),
        _ => return Err(bad("two or three numbers, please")),
    };
    Ok(Target { name: text.to_owned(), at_m: Some(at_m) })
}

/// Refuses a session that received nothing, or several tags of which nobody said which one it was.
///
/// # Errors
/// With what to do.
pub fn check_received(heard: &SurveySession, asked: Option<TagId>) -> Result<(), Failure> {
    let list = || heard.tags().iter().map(ToString::to_string).collect::<Vec<_>>().join(", ");
    match heard.tags().len() {
        0 => {
            let of = asked.map_or(String::new(), |t| format!(" of tag {t}"));
            let todo = "look at the frames with `hereabout listen`";
            Err(Failure::new(exit::DATA, format!("no ranges{of} were heard at all\n  {todo}")))
        }
        1 => Ok(()),
        _ => {
            let what = format!("ranges of several tags were heard: {}", list());
            Err(Failure::new(exit::DATA, format!("{what}\n  say which one stood at the places: --tag N")))
        }
    }
}
