//! `replay`: a log, a capture or a range table through the very same engine, as fast as it goes or at
//! a pace.
//!
//! Every input becomes a stream of steps; what comes out of the engine is written exactly as it
//! would have been published live.

use std::collections::VecDeque;
use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use hereabout_api::v1::{EventDraft, PositionBody};
use hereabout_commission::accuracy::{Accuracy, AccuracySummary, MAX_GAP, Truth};
use hereabout_core::{Dimension, Micros, Site, TagId, TagState, Timestamp};
use hereabout_draw::track::TrackPicture;
use hereabout_engine::{Engine, Input, Output};
use hereabout_store::{Record, SessionStart, SessionWriter, Store};
use hereabout_wire::FrameSpec;
use indicatif::{ProgressBar, ProgressStyle};

use crate::cli::ReplayArgs;
use crate::commands::run::store_failure;
use crate::commands::runtime;
use crate::exit::{self, Failure};
use crate::files::outputs::{self, FilesInUse, Output as OutputFile};
use crate::picture::track_picture;
use crate::recording::range_table::{BadRow, read_truth};
use crate::recording::{Kind, Recording, Step};
use crate::site_file::{self, SiteFile};

/// Runs a replay to its end.
///
/// # Errors
/// Inputs that can't be read or used, outputs that can't be written.
pub fn replay(args: &ReplayArgs) -> Result<u8, Failure> {
    runtime()?.block_on(Replay::run(args))
}

/// Counts of a replay.
#[derive(Default)]
struct Counts {
    epochs: u64,
    positions: u64,
    located: u64,
    coasting: u64,
    ambiguous: u64,
    lost: u64,
    out_of_order: u64,
    too_many_tags: u64,
}

/// The picture that is being drawn.
struct Drawing {
    file: OutputFile,
    picture: TrackPicture,
    /// First and last stamp of what was drawn: truth outside of it does not belong to the run.
    span: Option<(Timestamp, Timestamp)>,
}

struct Replay {
    engine: Engine,
    counts: Counts,
    out: Option<OutputFile>,
    events: Option<OutputFile>,
    truth: Option<(Truth, Accuracy)>,
    picture: Option<Drawing>,
    log: Option<SessionWriter>,
    /// How the session's time scale maps to UTC, from when on; those that are still to come.
    clock: VecDeque<(Timestamp, Micros)>,
    utc_minus_session: Micros,
    /// Stamp of the first step, and when it was taken, for `--speed`.
    pace: Option<(f64, Option<(Timestamp, Instant)>)>,
    newest: Option<Timestamp>,
}

impl Replay {
    async fn run(args: &ReplayArgs) -> Result<u8, Failure> {
        let started = Instant::now();
        if to_stdout(args.out.as_deref()) && to_stdout(args.events.as_deref()) {
            let what = "--out and --events can't both go to stdout: give one of them a file";
            return Err(Failure::new(exit::USAGE, what));
        }
        let mut in_use = in_use(args)?;
        let mut prepared = Prepared::new(args).await?;
        if let Some(log) = &prepared.site_log {
            in_use.add_input(log);
            refuse_taken(args, &in_use)?;
        }
        let site = prepared.site.clone();
        let truth = args.truth.as_deref().map(|p| load_truth(p, &site)).transpose()?;
        let log = match &args.log {
            Some(path) => Some(begin_log(path, args, &prepared).await?),
            None => None,
        };
        let picture = args.svg.as_deref().map(|p| Drawing::begin(p, &site, &mut in_use)).transpose()?;
        let (start, clock) = prepared.input.beginning();
        let frame = prepared.frame.take();
        let engine = match &start {
            Some(start) => Engine::begin(site, frame, start),
            None => Engine::new(site, frame),
        };
        let mut replay = Replay {
            engine,
            clock: clock.into_iter().collect(),
            utc_minus_session: Micros::ZERO,
            counts: Counts::default(),
            out: args.out.as_deref().map(|p| OutputFile::begin(p, &mut in_use)).transpose()?,
            events: args.events.as_deref().map(|p| OutputFile::begin(p, &mut in_use)).transpose()?,
            truth,
            picture,
            log,
            pace: args.speed.filter(|s| *s > 0.0).map(|s| (s, None)),
            newest: None,
        };
        let bar = progress();
        replay.map_to_utc(start.map_or(Timestamp::MIN, |start| start.at));
        replay.take_outputs().await?;
        while let Some(step) = prepared.input.next().await? {
            replay.wait_for(&step).await;
            replay.take(&step).await?;
            if replay.counts.epochs.is_multiple_of(1_024) {
                bar.set_position(replay.counts.epochs);
            }
            prepared.report_bad_rows();
        }
        prepared.report_bad_rows();
        bar.finish_and_clear();
        replay.finish(args, &prepared, started.elapsed()).await
    }

    async fn wait_for(&mut self, step: &Step) {
        let at = step.at();
        let Some((speed, began)) = &mut self.pace else { return };
        let (first, from) = *began.get_or_insert((at, Instant::now()));
        let due = at.since(first).secs_f64() / *speed;
        // A file may hold any stamps: a wait of more than a day is a gap, not a pace.
        if let Ok(due) = Duration::try_from_secs_f64(due.clamp(0.0, 86_400.0)) {
            tokio::time::sleep_until((from + due).into()).await;
        }
    }

    async fn take(&mut self, step: &Step) -> Result<(), Failure> {
        self.newest = Some(self.newest.map_or(step.at(), |n| n.max(step.at())));
        while let Some((at, _)) = self.clock.front().copied().filter(|(at, _)| *at <= step.at()) {
            // What was said before the wall clock was changed keeps its stamps.
            self.engine.handle(Input::Tick(at));
            self.take_outputs().await?;
            self.map_to_utc(at);
        }
        match step {
            Step::Frame(frame) => self.engine.handle(Input::Frame(frame)),
            Step::Epoch(epoch) => self.engine.handle(Input::Epoch(epoch)),
            Step::End(at) => self.engine.handle(Input::Tick(*at)),
            Step::HandOn(at) => {
                self.engine.hand_on(*at);
            }
        }
        self.take_outputs().await
    }

    /// From `at` on what is said maps to UTC as the log has it.
    fn map_to_utc(&mut self, at: Timestamp) {
        while let Some((_, by)) = self.clock.pop_front_if(|(from, _)| *from <= at) {
            self.utc_minus_session = by;
        }
    }

    async fn take_outputs(&mut self) -> Result<(), Failure> {
        while let Some(output) = self.engine.poll_output() {
            let in_utc = output.shifted(self.utc_minus_session);
            self.count(&in_utc)?;
            self.write_event(&in_utc)?;
            if let (Some(log), Some(record)) = (&self.log, Record::from_output(&in_utc)) {
                log.push_wait(record).await;
            }
        }
        Ok(())
    }

    fn count(&mut self, output: &Output) -> Result<(), Failure> {
        match output {
            Output::Ranges(_) => self.counts.epochs += 1,
            Output::OutOfOrder { .. } => self.counts.out_of_order += 1,
            Output::TooManyTags { .. } => self.counts.too_many_tags += 1,
            Output::Position(report) => {
                self.counts.positions += 1;
                *match report.state() {
                    TagState::Located => &mut self.counts.located,
                    TagState::Coasting => &mut self.counts.coasting,
                    TagState::Ambiguous => &mut self.counts.ambiguous,
                    TagState::Lost => &mut self.counts.lost,
                } += 1;
                if let Some((truth, accuracy)) = &mut self.truth {
                    accuracy.grade(report, truth);
                }
                if let Some(drawing) = &mut self.picture {
                    track_picture::go_on(&mut drawing.picture, report);
                    drawing.span = Some((drawing.span.map_or(report.at, |s| s.0), report.at));
                }
                let name = self.engine.site().tag_name(report.tag);
                self.write_row(&PositionBody::from_report(report, None).named(name))?;
            }
            Output::Delayed(report) => {
                let name = self.engine.site().tag_name(report.tag);
                self.write_row(&PositionBody::from_delayed(report).named(name))?;
            }
            Output::Anchors(_)
            | Output::AnchorChanged(_)
            | Output::FindingChanged(_)
            | Output::KitChanged(_)
            | Output::TagChanged(_)
            | Output::Minute(_)
            | Output::Zone(_) => {}
        }
        Ok(())
    }

    fn write_row(&mut self, body: &PositionBody) -> Result<(), Failure> {
        let Some(out) = &mut self.out else { return Ok(()) };
        writeln!(out, "{}", body.to_json()).map_err(|e| out.failed("can't write positions", &e))
    }

    fn write_event(&mut self, output: &Output) -> Result<(), Failure> {
        let Some(out) = &mut self.events else { return Ok(()) };
        let Some(event) = EventDraft::from_output(output, self.engine.site()) else { return Ok(()) };
        writeln!(out, "{}", event.to_json()).map_err(|e| out.failed("can't write events", &e))
    }

    async fn finish(mut self, args: &ReplayArgs, prepared: &Prepared, took: Duration) -> Result<u8, Failure> {
        for out in [self.out.take(), self.events.take()].into_iter().flatten() {
            out.finish()?;
        }
        if let Some(drawing) = self.picture.take() {
            drawing.finish(self.truth.as_ref().map(|(truth, _)| truth))?;
        }
        if let Some(log) = self.log.take() {
            log.finish(self.newest.unwrap_or_default()).await.map_err(store_failure)?;
        }
        let accuracy = self.truth.as_ref().map(|(_, a)| a.summary());
        let bad_rows = prepared.input.bad_rows();
        let stdout_is_taken = to_stdout(args.out.as_deref()) || to_stdout(args.events.as_deref());
        if args.json {
            let text = summary_json(&self.counts, bad_rows, took, accuracy.as_ref());
            if stdout_is_taken { eprintln!("{text}") } else { println!("{text}") }
        } else {
            eprint!("{}", summary_text(&self.counts, bad_rows, took));
            if let Some(accuracy) = &accuracy {
                // The table is what was asked for, so it is data; unless stdout carries the positions.
                let text = accuracy_text(accuracy, prepared.site.dimension());
                if stdout_is_taken { eprint!("{text}") } else { print!("{text}") }
            }
        }
        if self.counts.epochs == 0 {
            let what =
                format!("{}: there was nothing to replay: no epoch could be read", args.input.display());
            return Err(Failure::new(exit::DATA, what));
        }
        Ok(0)
    }
}

impl Drawing {
    /// The file is made at once: a long replay should not end with a picture that has no place.
    fn begin(path: &Path, site: &Site, in_use: &mut FilesInUse) -> Result<Drawing, Failure> {
        Ok(Drawing {
            file: OutputFile::begin(path, in_use)?,
            picture: track_picture::of_site(site),
            span: None,
        })
    }

    fn finish(mut self, truth: Option<&Truth>) -> Result<(), Failure> {
        if let (Some(truth), Some((first, last))) = (truth, self.span) {
            let mut before: Option<(TagId, Timestamp)> = None;
            for (tag, at, at_m) in truth.rows().iter().filter(|r| (first..=last).contains(&r.1)) {
                if before.is_some_and(|b| b.0 == *tag && at.since(b.1) >= MAX_GAP) {
                    self.picture.reference(tag.0, None);
                }
                self.picture.reference(tag.0, Some([at_m[0], at_m[1]]));
                before = Some((*tag, *at));
            }
        }
        self.file
            .write_all(self.picture.to_svg().as_bytes())
            .map_err(|e| self.file.failed("can't write the picture", &e))?;
        self.file.finish()
    }
}

/// Input and site, before anything runs.
struct Prepared {
    input: Recording,
    name: String,
    site: Site,
    site_text: String,
    calibration_text: Option<String>,
    other_sites: Option<String>,
    frame: Option<FrameSpec>,
    frame_text: Option<String>,
    /// The log that the site file names, when one was given.
    site_log: Option<PathBuf>,
}

impl Prepared {
    async fn new(args: &ReplayArgs) -> Result<Prepared, Failure> {
        let site_file = args.site.as_deref().map(SiteFile::load).transpose()?;
        let mut prepared = match Kind::of(&args.input)? {
            Kind::Log => Prepared::log(args, site_file).await?,
            _ => {
                let site = needed(site_file)?;
                let input = Recording::open(&args.input, &site, args.session, args.frame_period).await?;
                Prepared::with(input, args, site)
            }
        };
        if matches!(prepared.input, Recording::Table(_)) {
            // Its ranges are in metres whatever unit the kit has.
            prepared.site = prepared.site.with_range_unit(None);
        }
        if let Some(name) = &args.estimator {
            let estimator = site_file::estimator(name).ok_or_else(|| {
                let known = site_file::ESTIMATORS.join(", ");
                Failure::new(exit::USAGE, format!("\"{name}\" is not an estimator; known: {known}"))
            })?;
            prepared.site = prepared.site.with_estimator(estimator);
        }
        Ok(prepared)
    }

    fn with(input: Recording, args: &ReplayArgs, site: SiteFile) -> Prepared {
        for warning in &site.warnings {
            eprintln!("{warning}");
        }
        Prepared {
            input,
            name: args.input.display().to_string(),
            site: site.site,
            site_text: site.text,
            calibration_text: site.calibration_text,
            other_sites: site.other_sites,
            frame: site.frame,
            frame_text: site.frame_text,
            site_log: site.log.filter(|_| args.site.is_some()),
        }
    }

    async fn log(args: &ReplayArgs, site: Option<SiteFile>) -> Result<Prepared, Failure> {
        let (session, mut input) = Recording::log(&args.input, args.session).await?;
        if let Some(site) = &site {
            input = input.in_units_of(site, &session);
        }
        let site = match site {
            Some(site) => site,
            None => stored_site(&args.input, &session.site_text, session.calibration_text.as_deref())?
                .with_other_sites(session.other_sites),
        };
        Ok(Prepared::with(input, args, site))
    }

    fn report_bad_rows(&mut self) {
        self.input.report_bad_rows(&self.name);
    }
}

fn needed(site: Option<SiteFile>) -> Result<SiteFile, Failure> {
    site.ok_or_else(|| Failure::new(exit::USAGE, "which site? give --site FILE (only a log carries its own)"))
}

/// The site that a session was recorded with, from the log's own text.
fn stored_site(log: &Path, text: &str, calibration: Option<&str>) -> Result<SiteFile, Failure> {
    let name = log.with_extension("site.toml");
    SiteFile::from_text(&name, text, calibration).map_err(Failure::from)
}

async fn begin_log(path: &Path, args: &ReplayArgs, prepared: &Prepared) -> Result<SessionWriter, Failure> {
    let store = Store::open(path).await.map_err(store_failure)?;
    let start = SessionStart {
        started_at: Timestamp::default(),
        site_text: prepared.site_text.clone(),
        calibration_text: prepared.calibration_text.clone(),
        frame_layout: prepared.frame_text.clone().unwrap_or_default(),
        source: format!("replay of {}", args.input.display()),
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
        other_sites: prepared.other_sites.clone(),
    };
    store.begin_session(start).await.map_err(store_failure)
}

fn load_truth(path: &Path, site: &Site) -> Result<(Truth, Accuracy), Failure> {
    let (rows, bad) = read_truth(path)?;
    for BadRow { line, what } in bad.iter().take(20) {
        eprintln!("{}:{line}: {what}; the row is left out", path.display());
    }
    let up_m = if let Dimension::TwoD { tag_height_m } = site.dimension() { tag_height_m } else { 0.0 };
    let rows: Vec<(TagId, Timestamp, [f64; 3])> =
        rows.iter().map(|r| (r.tag, r.at, [r.at_m.0[0], r.at_m.0[1], r.at_m.1.unwrap_or(up_m)])).collect();
    Ok((Truth::new(rows), Accuracy::new(site.dimension())))
}

fn to_stdout(path: Option<&Path>) -> bool {
    path.is_some_and(outputs::is_stdout)
}

/// What the outputs may not be: everything that is read, and the log that is written.
fn in_use(args: &ReplayArgs) -> Result<FilesInUse, Failure> {
    let inputs = [Some(&args.input), args.site.as_ref(), args.truth.as_ref()];
    let mut in_use = FilesInUse::inputs(inputs.into_iter().flatten().map(PathBuf::as_path));
    if let Some(log) = &args.log {
        in_use.refuse(log)?;
        in_use.add_input(log);
    }
    refuse_taken(args, &in_use)?;
    Ok(in_use)
}

/// Before anything is made.
fn refuse_taken(args: &ReplayArgs, in_use: &FilesInUse) -> Result<(), Failure> {
    let mut others = FilesInUse::default();
    for output in [&args.out, &args.events, &args.svg].into_iter().flatten() {
        in_use.refuse(output)?;
        others.refuse(output)?;
        others.add_output(output);
    }
    Ok(())
}

fn progress() -> ProgressBar {
    if !io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::new_spinner();
    if let Ok(style) = ProgressStyle::with_template("{spinner} {human_pos} epochs, {per_sec}, {elapsed}") {
        bar.set_style(style);
    }
    bar
}

fn summary_text(counts: &Counts, bad_rows: u64, took: Duration) -> String {
    let Counts { epochs, positions, located, coasting, ambiguous, lost, .. } = counts;
    let mut text = format!(
        "{epochs} epochs in {:.1} s; {positions} positions: {located} located, {coasting} coasting, {ambiguous} ambiguous, {lost} lost\n",
        took.as_secs_f64()
    );
    for (n, what) in [
        (bad_rows, "rows could not be read and were left out"),
        (counts.out_of_order, "epochs were older than the one before and were left out"),
        (
            counts.too_many_tags,
            "epochs belonged to more tags than are kept apart at a time and were left out",
        ),
    ] {
        if n > 0 {
            text += &format!("{n} {what}\n");
        }
    }
    text
}

fn accuracy_text(a: &AccuracySummary, dimension: Dimension) -> String {
    let metres = |v: Option<f64>| v.map_or("-".to_owned(), |v| format!("{v:.3} m"));
    let percent = |v: Option<f64>| v.map_or("-".to_owned(), |v| format!("{:.1} %", v * 100.0));
    let (flat, shape) =
        if dimension == Dimension::ThreeD { ("SE", "ellipsoids") } else { ("CE", "ellipses") };
    format!(
        "accuracy against the truth ({} epochs with truth)\n  share with fix      {:>9}\n  RMSE                {:>9}\n  {flat}50                {:>9}\n  {flat}95                {:>9}\n  largest             {:>9}\n  95 % {shape:<10} hold {:>7}\n",
        a.epochs,
        percent(a.share_with_fix),
        metres(a.rmse_m),
        metres(a.ce50_m),
        metres(a.ce95_m),
        metres(a.max_m),
        percent(a.coverage95),
    )
}

fn summary_json(
    counts: &Counts,
    bad_rows: u64,
    took: Duration,
    accuracy: Option<&AccuracySummary>,
) -> String {
    let accuracy = accuracy.map(|a| {
        serde_json::json!({
            "epochs": a.epochs, "located": a.located, "share_with_fix": a.share_with_fix, "rmse_m": a.rmse_m,
            "ce50_m": a.ce50_m, "ce95_m": a.ce95_m, "max_m": a.max_m, "coverage95": a.coverage95,
        })
    });
    serde_json::json!({
        "epochs": counts.epochs, "positions": counts.positions, "located": counts.located,
        "coasting": counts.coasting, "ambiguous": counts.ambiguous, "lost": counts.lost,
        "bad_rows": bad_rows, "out_of_order": counts.out_of_order, "too_many_tags": counts.too_many_tags,
        "took_s": took.as_secs_f64(), "accuracy": accuracy,
    })
    .to_string()
}
