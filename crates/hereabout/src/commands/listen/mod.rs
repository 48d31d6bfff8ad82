//! `listen`: what the kit says, without computing a position.
//!
//! On a terminal a live table, one row an anchor, redrawn in place. Into a pipe one aligned line a frame
//! with a column for each anchor, and once in five seconds a line of rates. For programs JSON Lines.
//! `--raw` shows the bytes of every good frame and of every rejected piece with the reason under it.
//! What is odd (a silent anchor, two boards with one id, cut frames) is said in words in each form.
//!
//! All pacing is by the stamps of what was heard: this command reads no clock.

mod table;

use std::collections::BTreeSet;
use std::io::{self, Write};
use std::path::Path;
use std::time::Duration;

use hereabout_commission::hearing::{Hearing, HearingTable};
use hereabout_core::{AnchorId, Epoch, Frame, MAX_ANCHORS, Micros, Site, TagId, Timestamp};
use hereabout_engine::epoch_by_field;
use hereabout_engine::epoch_from_frame;
use hereabout_ingest::{Clock, Feed, LinkStatus};
use hereabout_wire::{Decoder, FrameSpec, Item};
use hereabout_words::hearing::{self, Names};
use hereabout_words::layout::rejection_words;
use hereabout_words::link as link_words;
use hereabout_words::site_fit;
use serde_json::json;
use table::View;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

use crate::calibration::fit_test::{FitTest, SiteFault};
use crate::cli::ListenArgs;
use crate::commands::runtime;
use crate::exit::{self, Failure};
use crate::site_file::SourceText;
use crate::site_file::kit_file::KitFile;
use crate::source::link_log::log_link;
use crate::source::parse_source;
use crate::terminal::{Screen, can_redraw};

/// A line of rates comes this often.
const RATES_EVERY: Micros = Micros::from_millis(5_000);
/// Warnings are looked for this often, when nothing is redrawn anyway.
const WARN_EVERY: Micros = Micros::from_millis(1_000);
/// The table is redrawn at most this often.
const DRAW_EVERY: Micros = Micros::from_millis(200);

/// Listens until Ctrl-C, the given limits, or the end of the source.
///
/// # Errors
/// A kit without source or frame layout; an output that can't be written.
pub fn listen(args: &ListenArgs) -> Result<u8, Failure> {
    let setup = ListenSetup::open(args)?;
    runtime()?.block_on(async {
        let source = parse_source(&setup.source, &setup.base, &setup.named)?;
        let stop = CancellationToken::new();
        let (tx, rx) = mpsc::channel(256);
        let limit = args.seconds.filter(|s| *s >= 0.0).and_then(|s| Duration::try_from_secs_f64(s).ok());
        let mut show = Show::new(args, setup);
        if show.form != Form::Table {
            eprintln!("listening to {}; Ctrl-C stops", show.setup.source.port);
        }
        let input = tokio::spawn(hereabout_ingest::run(source, Clock::start(), tx, stop.clone()));
        let outcome = tokio::select! {
            done = show.run(rx) => done,
            () = until(limit) => Ok(()),
            _ = tokio::signal::ctrl_c() => Ok(()),
        };
        stop.cancel();
        let _ = input.await;
        match outcome.and_then(|()| show.finish().map_err(write_failed)) {
            // Whoever read has heard enough.
            Err(failure) if !failure.is_quiet() => return Err(failure),
            _ => {}
        }
        Ok(if show.frames > 0 { 0 } else { exit::DATA })
    })
}

async fn until(limit: Option<Duration>) {
    match limit {
        Some(limit) => tokio::time::sleep(limit).await,
        None => std::future::pending().await,
    }
}

/// What is listened to, and how it is read.
struct ListenSetup {
    /// What stands over the table.
    title: String,
    site: Option<Site>,
    names: Names,
    frame: FrameSpec,
    source: SourceText,
    /// Relative file names start here.
    base: std::path::PathBuf,
    /// Where the port was named, for messages.
    named: String,
}

impl ListenSetup {
    /// From the site or kit file, and the flags that replace parts of it.
    fn open(args: &ListenArgs) -> Result<ListenSetup, Failure> {
        let kit = match &args.site {
            Some(path) => KitFile::load(path)?,
            None => KitFile { site: None, source: None, frame: None, frame_text: None },
        };
        for warning in kit.site.iter().flat_map(|s| &s.warnings) {
            eprintln!("{warning}");
        }
        let named = args.site.as_ref().map_or("command line".to_owned(), |p| p.display().to_string());
        let Some(frame) = args.frame.kit()?.frame.or(kit.frame) else {
            let what = "no frame layout is given, so the bytes can't be read";
            let help = "give a site file with [frame], or --layout; `hereabout learn --port …` proposes one";
            let code = if args.site.is_some() { exit::CONFIG } else { exit::USAGE };
            return Err(Failure::new(code, format!("{named}: {what}\n  {help}")));
        };
        let site_folder = args.site.as_deref().and_then(Path::parent).unwrap_or(Path::new(""));
        let baud = args.baud.or(kit.source.as_ref().map(|s| s.baud)).unwrap_or(115_200);
        let dtr = kit.source.as_ref().and_then(|s| s.dtr);
        let (port, base) = match (&args.port, kit.source) {
            (Some(port), _) => (port.clone(), Path::new("")),
            (None, Some(source)) => (source.port, site_folder),
            (None, None) => {
                let what = "no port is given, so there is nothing to hear";
                let help = "give --port /dev/serial/by-id/… (or tcp://…, udp://…, file://…, sim://…)";
                let code = if args.site.is_some() { exit::CONFIG } else { exit::USAGE };
                return Err(Failure::new(code, format!("{named}: {what}\n  {help}")));
            }
        };
        let base = base.to_owned();
        // The unit that is listened with may be another one than the file's.
        let units_per_m = frame.unit.per_metre();
        let site = kit.site.map(|s| s.site.with_range_unit(Some(units_per_m)));
        let names = match &site {
            Some(site) => Names::of_site(site),
            None => Names::of_fields(frame.layout.range_fields()),
        };
        let title =
            site.as_ref().map_or("no site: range fields by number".to_owned(), |s| s.name().to_owned());
        Ok(ListenSetup { title, site, names, frame, source: SourceText { port, baud, dtr }, base, named })
    }

    fn epoch(&self, frame: &Frame) -> Epoch {
        match &self.site {
            Some(site) => epoch_from_frame(frame, &self.frame, site),
            None => epoch_by_field(frame, &self.frame),
        }
    }
}

/// In which form things are shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Form {
    Table,
    Lines,
    Raw,
    Json,
}

/// A trouble that has been reported and lasts.
type Reported = BTreeSet<(&'static str, Option<TagId>, Option<AnchorId>)>;

struct Show {
    setup: ListenSetup,
    form: Form,
    screen: Screen,
    /// Stop after so many good frames.
    limit: Option<u64>,
    decoder: Decoder,
    hearing: Hearing,
    frames: u64,
    first: Option<Timestamp>,
    newest: Option<Timestamp>,
    link: Option<LinkStatus>,
    rates_due: Option<Timestamp>,
    look_due: Option<Timestamp>,
    reported: Reported,
    /// Whether the ranges fit the site, when there is one.
    fit: Option<FitTest>,
}

impl Show {
    fn new(args: &ListenArgs, setup: ListenSetup) -> Show {
        let form = match (args.json, args.raw) {
            (true, _) => Form::Json,
            (_, true) => Form::Raw,
            _ if can_redraw() => Form::Table,
            _ => Form::Lines,
        };
        Show {
            form,
            screen: Screen::new(),
            limit: args.frames,
            decoder: Decoder::new(setup.frame.layout.clone()),
            hearing: Hearing::new(setup.names.ids()),
            frames: 0,
            first: None,
            newest: None,
            link: None,
            rates_due: None,
            look_due: None,
            reported: Reported::new(),
            fit: setup.site.as_ref().map(FitTest::new),
            setup,
        }
    }

    async fn run(&mut self, mut feed: mpsc::Receiver<Feed>) -> Result<(), Failure> {
        while let Some(item) = feed.recv().await {
            let at = item.at();
            self.newest = Some(at);
            match item {
                Feed::Bytes(chunk) => self.bytes(at, &chunk.bytes).map_err(write_failed)?,
                Feed::Tick(_) | Feed::Clock(_) => {}
                Feed::Link(link) => self.link(link.status),
                Feed::End(_) => return Ok(()),
            }
            self.look(at).map_err(write_failed)?;
            if self.is_enough() {
                return Ok(());
            }
        }
        Ok(())
    }

    fn is_enough(&self) -> bool {
        self.limit.is_some_and(|limit| self.frames >= limit)
    }

    fn link(&mut self, status: LinkStatus) {
        log_link(&status);
        match &status {
            _ if self.form == Form::Table => self.look_due = None,
            LinkStatus::Connected { .. } => eprintln!("connected"),
            LinkStatus::Waiting { reason } => {
                eprintln!("waiting: {}\n  {}", link_words::words(reason), link_words::advice(reason));
            }
        }
        // Half a frame ends with the link.
        self.decoder.cut();
        self.link = Some(status);
    }

    fn bytes(&mut self, at: Timestamp, bytes: &[u8]) -> io::Result<()> {
        self.hearing.bytes(at, bytes.len());
        let mut rest = bytes;
        // Through a buffer, which is handed on at the end of the chunk.
        let mut out = io::BufWriter::new(io::stdout().lock());
        while !rest.is_empty() {
            let taken = self.decoder.push(at, rest);
            rest = &rest[taken..];
            while let Some(item) = self.decoder.next_item() {
                match item {
                    Item::Frame { frame, bytes } => {
                        if self.form == Form::Raw {
                            writeln!(out, "good  {}", hex(bytes))?;
                        }
                        self.frame(&frame, &mut out)?;
                    }
                    Item::Rejected { reason, bytes } => {
                        if self.form == Form::Raw {
                            writeln!(out, "bad   {}\n      {}", hex(bytes), rejection_words(reason))?;
                        }
                        self.hearing.damaged(at);
                    }
                }
                if self.is_enough() {
                    return out.flush();
                }
            }
        }
        out.flush()
    }

    fn frame(&mut self, frame: &Frame, out: &mut impl Write) -> io::Result<()> {
        self.frames += 1;
        let first = *self.first.get_or_insert(frame.received_at);
        let epoch = self.setup.epoch(frame);
        self.hearing.hear(&epoch);
        if let Some(fit) = &mut self.fit {
            fit.take(&epoch);
        }
        match self.form {
            Form::Json => writeln!(out, "{}", frame_row(frame, &epoch)),
            Form::Lines => self.line(&epoch, first, out),
            Form::Raw | Form::Table => Ok(()),
        }
    }

    fn line(&mut self, epoch: &Epoch, first: Timestamp, out: &mut impl Write) -> io::Result<()> {
        if self.rates_due.is_none() {
            self.header(out)?;
            self.rates_due = Some(first.plus(RATES_EVERY));
        }
        write!(out, "{:>8.2}  {:>4}", epoch.at.since(first).secs_f64(), epoch.tag)?;
        for reading in &epoch.readings {
            match reading.raw_range_m {
                Some(r) => write!(out, " {r:>8.3}")?,
                None => write!(out, " {:>8}", "-")?,
            }
        }
        writeln!(out)?;
        if self.rates_due.is_some_and(|due| epoch.at >= due) {
            self.rates_due = Some(epoch.at.plus(RATES_EVERY));
            self.rates(epoch, out)?;
        }
        Ok(())
    }

    fn header(&self, out: &mut impl Write) -> io::Result<()> {
        write!(out, "{:>8}  {:>4}", "s", "tag")?;
        for id in self.setup.names.ids() {
            write!(out, " {:>8}", format!("#{id}"))?;
        }
        writeln!(out)
    }

    /// Rates of the anchors as this tag has them.
    fn rates(&self, epoch: &Epoch, out: &mut impl Write) -> io::Result<()> {
        write!(out, "{:>14}", "per second")?;
        for row in self.hearing.table(epoch.at).rows.iter().filter(|r| r.tag == epoch.tag) {
            write!(out, " {:>8.1}", row.rate_hz)?;
        }
        writeln!(out)
    }

    /// Redraws the table, or tells what has become odd, when it is time to.
    fn look(&mut self, at: Timestamp) -> io::Result<()> {
        if self.look_due.is_some_and(|due| at < due) {
            return Ok(());
        }
        let every = if self.form == Form::Table { DRAW_EVERY } else { WARN_EVERY };
        self.look_due = Some(at.plus(every));
        self.look_now(at)
    }

    fn look_now(&mut self, at: Timestamp) -> io::Result<()> {
        let table = self.hearing.table(at);
        if self.form == Form::Table {
            let (columns, _) = Screen::size();
            let site_fault = self.site_fault().map(|m| m.note().line());
            let lines = self.view(&table, site_fault.as_deref()).lines(columns);
            return self.screen.draw(&lines);
        }
        let mut odd = Reported::new();
        for warning in &table.warnings {
            let (code, (tag, anchor)) = (hearing::code(warning), warning.about());
            odd.insert((code, tag, anchor));
            if self.reported.contains(&(code, tag, anchor)) {
                continue;
            }
            let words = hearing::line(warning, &self.setup.names, several_tags(&table));
            if self.form == Form::Json {
                let row = json!({
                    "type": "warning", "time_s": at.unix_secs_f64(), "kind": code, "code": code,
                    "tag": tag.map(|t| t.0), "anchor": anchor.map(|a| a.0), "words": words,
                });
                writeln!(io::stdout().lock(), "{row}")?;
            } else {
                let seconds = self.first.map_or(0.0, |first| at.since(first).secs_f64());
                eprintln!("{seconds:>8.2}  {words}");
            }
        }
        if let Some(site_fault) = self.site_fault() {
            // Once when it begins, and once more when its cause is known.
            let topic =
                if site_fault.doubt.cause.is_some() { "site_does_not_fit: cause" } else { site_fit::CODE };
            odd.insert((topic, None, None));
            if !self.reported.contains(&(topic, None, None)) {
                self.report_site_fault(at, &site_fault)?;
            }
        }
        self.reported = odd;
        Ok(())
    }

    fn site_fault(&self) -> Option<SiteFault> {
        self.fit.as_ref()?.site_fault()
    }

    fn report_site_fault(&self, at: Timestamp, site_fault: &SiteFault) -> io::Result<()> {
        let words = site_fault.note().line();
        if self.form == Form::Json {
            let row = json!({
                "type": "warning", "time_s": at.unix_secs_f64(), "kind": site_fit::CODE, "code": site_fit::CODE,
                "tag": null, "anchor": null, "words": words, "site_fit": site_fault.to_json(),
            });
            writeln!(io::stdout().lock(), "{row}")
        } else {
            let seconds = self.first.map_or(0.0, |first| at.since(first).secs_f64());
            eprintln!("{seconds:>8.2}  {words}");
            Ok(())
        }
    }

    fn view<'a>(&'a self, table: &'a HearingTable, site_fault: Option<&'a str>) -> View<'a> {
        View {
            site_fault,
            title: &self.setup.title,
            port: &self.setup.source.port,
            link: self.link.as_ref(),
            names: &self.setup.names,
            frames: self.frames,
            bytes: self.decoder.counts().bytes,
            seconds: self.first.map_or(0.0, |first| table.at.since(first).secs_f64()),
            several_tags: several_tags(table),
            table,
        }
    }

    /// The last look, and what there was in all.
    fn finish(&mut self) -> io::Result<()> {
        if let Some(fit) = &mut self.fit {
            fit.settle();
        }
        if let Some(at) = self.newest {
            self.look_now(at)?;
        }
        let counts = self.decoder.counts();
        eprintln!(
            "{} good frames, {} with a wrong checksum, {} bytes that belonged to no frame",
            counts.frames_good, counts.bad_checksum, counts.skipped_bytes
        );
        if counts.frames_good == 0 && counts.bytes > 0 {
            eprintln!("the layout fits nothing that came: `hereabout learn` proposes one from the bytes");
        }
        Ok(())
    }
}

fn several_tags(table: &HearingTable) -> bool {
    table.rows.first().zip(table.rows.last()).is_some_and(|(first, last)| first.tag != last.tag)
}

fn frame_row(frame: &Frame, epoch: &Epoch) -> serde_json::Value {
    let ranges: serde_json::Map<String, serde_json::Value> = epoch
        .readings
        .iter()
        .take(MAX_ANCHORS)
        .map(|r| (r.anchor.to_string(), json!(r.raw_range_m)))
        .collect();
    json!({
        "type": "frame", "time_s": frame.received_at.unix_secs_f64(), "tag": epoch.tag.0,
        "seq": epoch.frame_seq, "millis": frame.millis, "range_m": ranges,
    })
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect::<Vec<_>>().join(" ")
}

#[expect(clippy::needless_pass_by_value, reason = "the shape that map_err wants")]
fn write_failed(e: io::Error) -> Failure {
    Failure::writing("can't write", &e)
}
