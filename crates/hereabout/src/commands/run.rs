//! `run`: the daemon.

use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;

use hereabout_api::v1::{BeforeName, EventsKeptIn, RunBefore};
use hereabout_api::{ApiError, ApiSettings, Hub, HubInfo, Listeners, Rights, SiteInfo};
use hereabout_core::{LogFault, Timestamp};
use hereabout_engine::Engine;
use hereabout_ingest::{Clock, Feed, RunEnd, Source};
use hereabout_store::{EventNumbers, Found, SessionStart, SessionWriter, Store, WriterOptions, clock_number};
use hereabout_wire::Decoder;
use hereabout_words::io::error_words;
use tokio::net::UnixListener;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;

use crate::access::key_file;
use crate::access::open_files;
use crate::access::socket_file::{SocketError, SocketFile, beside};
use crate::cli::RunArgs;
use crate::commands::runtime;
use crate::daemon::ConfigReloader;
use crate::daemon::pipeline::{Drained, Events, Pipeline, log_status};
use crate::daemon::runnable::{Instead, Obstacle, obstacles};
use crate::daemon::wall_clock::watch_synchronisation;
use crate::exit::{self, Failure};
use crate::site_file::SiteFile;
use crate::source::open_source;

/// Chunks that may wait between the reader and the engine; at 4 KiB each 1 MiB at most.
const FEED_QUEUE: usize = 256;

/// Everything that `serve` needs from outside.
pub struct Ports {
    /// Where bytes come from.
    pub source: Source,
    /// The source as people wrote it.
    pub source_text: String,
    /// Where to serve.
    pub listeners: Listeners,
    /// Who may change.
    pub rights: Rights,
    /// The clock of the session.
    pub clock: Clock,
    /// Where everything is published.
    pub hub: Hub,
    /// The numbers of events, and the log.
    pub events: Events,
}

/// Runs the daemon until a signal.
///
/// # Errors
/// Everything that keeps it from starting, and a log that could not be finished.
pub fn run(args: RunArgs) -> Result<u8, Failure> {
    let mut site = SiteFile::load(&args.site)?;
    for warning in &site.warnings {
        eprintln!("{warning}");
    }
    let instead = Instead { source: args.source.as_deref(), listen: args.listen.is_some() };
    site.listen = args.listen.unwrap_or(site.listen);
    site.log = if args.no_log { None } else { args.log.clone().or(site.log.take()) };
    refuse_obstacles(&site, instead)?;
    open_files::raise_limit();
    runtime()?.block_on(async move {
        let (source, source_text) = open_source(&site, args.source.as_deref())?;
        let loopback = hereabout_api::bind(site.listen).await.map_err(api_failure)?;
        let addr = loopback.local_addr().map_err(|e| Failure::new(exit::SOFTWARE, e))?;
        // Removed when the daemon has ended, however it ends.
        let (rights, socket, _socket_file) = make_rights(&site);
        let listeners = Listeners { loopback, socket };
        let clock = Clock::start();
        let hub = Hub::new(HubInfo {
            version: env!("CARGO_PKG_VERSION").to_owned(),
            started_at: clock.started_at(),
            source: source_text.clone(),
            site: SiteInfo::from(&site.site),
        });
        let events = begin_events(&site, &source_text, &clock, &hub).await;
        // Only now: what keeps it from starting comes first.
        rights.problems().iter().for_each(|problem| eprintln!("{problem}"));
        let greeting = if args.json { greet_json(&site, addr) } else { greet(&site, &source_text, addr) };
        let stop = CancellationToken::new();
        stop_on_signals(stop.clone())?;
        let ports = Ports { source, source_text, listeners, rights, clock, hub, events };
        let running = tokio::spawn(serve(site, ports, stop));
        println!("{greeting}");
        let done = running.await.map_err(|_| {
            Failure::new(exit::SOFTWARE, "the daemon broke off: a fault of the program, told above")
        })?;
        done.map(|()| 0)
    })
}

/// Tells what people should know before a start, and refuses what can't be started.
fn refuse_obstacles(site: &SiteFile, instead: Instead<'_>) -> Result<(), Failure> {
    let (stops, warns): (Vec<Obstacle>, Vec<Obstacle>) =
        obstacles(site, instead).into_iter().partition(Obstacle::stops);
    for warning in &warns {
        eprintln!("{}", warning.problem);
    }
    let Some(first) = stops.first() else { return Ok(()) };
    let lines: Vec<String> = stops.iter().map(|o| o.problem.to_string()).collect();
    Err(Failure::new(first.code, lines.join("\n")))
}

/// The key and the socket of those who may change. The daemon runs without them, too: its first task is to tell where
/// tags are. Makes files, so it comes before other tasks do.
fn make_rights(site: &SiteFile) -> (Rights, Option<UnixListener>, Option<SocketFile>) {
    let base = site.log.as_deref().unwrap_or(&site.path);
    let mut problems: Vec<String> = open_files::too_few().into_iter().collect();
    let socket = site.socket.path(site.folder(), beside(base, "socket"));
    let socket = socket.and_then(|path| {
        let unable = |e: SocketError| problems.push(format!("changes over a socket are not possible: {e}"));
        SocketFile::listen(&path).map_err(unable).ok()
    });
    let (file, listener) = socket.unzip();
    let key_file = beside(base, "key");
    let key = match key_file::key(&key_file) {
        Ok(key) => Ok((key, key_file.display().to_string())),
        Err(why) => {
            problems.push(format!("changes over HTTP are refused: {why}"));
            Err(why.to_string())
        }
    };
    let path = file.as_ref().map(|f| f.path().display().to_string());
    (Rights::new(key, path, problems), listener, file)
}

/// Runs until `stop` is cancelled: input first, then what was heard is worked off, then the log is
/// finished and the subscribers are told.
///
/// # Errors
/// A site without a frame layout, a service that ended early, a log that could not be finished.
pub async fn serve(site: SiteFile, ports: Ports, stop: CancellationToken) -> Result<(), Failure> {
    let Some(frame) = site.frame.clone() else {
        let what = "the site file has no [frame], so the bytes of the kit can't be read";
        let todo = "add [frame] with layout = \"…\" and unit = \"cm\"";
        return Err(Failure::new(exit::CONFIG, format!("{}: {what}\n  {todo}", site.path.display())));
    };
    let clock = ports.clock.clone();
    let hub = ports.hub;
    let stop_api = CancellationToken::new();
    let (api_clock, api_hub, api_start) = (clock.clone(), hub.clone(), clock.clone());
    let mut settings = ApiSettings::new(Arc::new(move || api_hub.utc(api_clock.now())));
    settings.since_start = Arc::new(move || api_start.since_start());
    let (operator, operations) = mpsc::channel(4);
    settings.operator = Some(operator);
    settings.rights = Arc::new(ports.rights);
    settings.max_connections = open_files::connections();
    let api = hereabout_api::serve(ports.listeners, hub.clone(), settings, stop_api.clone());
    let api = tokio::spawn(vital(&stop, api));

    let (tx, rx) = mpsc::channel(FEED_QUEUE);
    let decoder = Decoder::new(frame.layout.clone());
    let engine = Engine::new(site.site.clone(), Some(frame));
    let (updates_in, updates) = mpsc::channel(1);
    let (synchronised_in, synchronised) = watch::channel(None);
    tokio::spawn(watch_synchronisation(synchronised_in, stop.clone()));
    let source_text = ports.source_text.clone();
    let pipeline = Pipeline::new(
        decoder,
        engine,
        hub.clone(),
        ports.events,
        source_text,
        clock.started_at(),
        synchronised,
    );
    let pipeline = tokio::spawn(vital(&stop, pipeline.run(rx, updates)));
    let reloader = ConfigReloader::new(site, hub, clock.clone(), updates_in);
    let reloader = tokio::spawn(vital(&stop, reloader.run(operations, stop.clone())));
    let input = tokio::spawn(read_source(ports.source, clock.clone(), tx, stop.clone()));
    let broke = |_: tokio::task::JoinError| {
        Failure::new(exit::SOFTWARE, "a task broke off: a fault of the program, told above")
    };
    stop.cancelled().await;
    let input = input.await.map_err(broke);
    let reloaded = reloader.await.map_err(broke);
    let drained = pipeline.await.map_err(broke)?;
    let finished = finish_log(drained, clock.now()).await;
    stop_api.cancel();
    let served = api.await.map_err(broke)?.map_err(api_failure);
    input?;
    reloaded??;
    finished.and(served)
}

/// `work`, whose end stops everything, however it ended: a daemon without its engine would go on serving
/// the last position it had.
fn vital<T, F: Future<Output = T>>(stop: &CancellationToken, work: F) -> impl Future<Output = T> + use<T, F> {
    let guard = stop.clone().drop_guard();
    async move {
        let _guard = guard;
        work.await
    }
}

/// Reads the source; when it has ended, time goes on all the same until `stop`.
async fn read_source(source: Source, clock: Clock, tx: mpsc::Sender<Feed>, stop: CancellationToken) {
    let end = hereabout_ingest::run(source, clock.clone(), tx.clone(), stop.clone()).await;
    if end == RunEnd::Exhausted {
        hereabout_ingest::idle(clock, tx, stop).await;
    }
}

async fn finish_log(drained: Drained, now: Timestamp) -> Result<(), Failure> {
    let Some(log) = drained.log else { return Ok(()) };
    let ended_at = drained.newest.unwrap_or(now);
    let stats = log
        .finish(ended_at)
        .await
        .map_err(|e| Failure::new(exit::IO, hereabout_words::log::fault(&e).line()))?;
    if stats.dropped() > 0 {
        eprintln!(
            "not in the log: {} frames, {} positions, {} events",
            stats.dropped_frames, stats.dropped_fixes, stats.dropped_events
        );
    }
    Ok(())
}

/// Opens the log, as far as there is one and it can be opened: positions never wait for it. The hub gets the events of
/// before.
async fn begin_events(site: &SiteFile, source: &str, clock: &Clock, hub: &Hub) -> Events {
    let least = clock_number(clock.started_at());
    let Some(path) = &site.log else {
        let numbers = EventNumbers::starting_at(least);
        hub.begin_event_numbers(0, least);
        return Events { numbers, log: None, log_path: String::new(), before: RunBefore::UNKNOWN };
    };
    hub.set_events_kept_in(EventsKeptIn::Log);
    let log_path = path.display().to_string();
    let start = SessionStart {
        started_at: clock.started_at(),
        site_text: site.text.clone(),
        calibration_text: site.calibration_text.clone(),
        frame_layout: site.frame_text.clone().unwrap_or_default(),
        source: source.to_owned(),
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
        other_sites: site.other_sites.clone(),
    };
    let mut least = least;
    let (log, numbers, before) = match open_log(path, start.clone(), &mut least, hub).await {
        Ok(begun) => begun,
        Err(e) => {
            let why = hereabout_words::log::fault(&e).line();
            eprintln!("nothing is logged yet, and it is tried again every second; all else goes on: {why}");
            let numbers = EventNumbers::starting_at(least);
            hub.begin_event_numbers(0, least);
            let options = WriterOptions::default();
            let log = SessionWriter::keep(path.clone(), start, options, numbers.clone(), &e);
            (log, numbers, RunBefore::UNKNOWN)
        }
    };
    hub.set_log(log_status(&log.stats(), &log_path));
    Events { numbers, log: Some(log), log_path, before }
}

async fn open_log(
    path: &Path,
    start: SessionStart,
    least: &mut u64,
    hub: &Hub,
) -> Result<(SessionWriter, EventNumbers, RunBefore), LogFault> {
    let Found { mut store, instead_of } = Store::open_with_patience(path).await?;
    // Whatever comes after this: the numbers in the file are others' for good.
    let numbers = EventNumbers::starting_after(*least, store.first_event_number());
    *least = numbers.next();
    let end = store.last_end().await?;
    let stored = store.newest_events(hereabout_api::MAX_EVENTS + 1).await?;
    let before = RunBefore {
        ended: match end {
            // The one before may be in the damaged file.
            None if instead_of.is_some() => BeforeName::Unknown,
            None => BeforeName::None,
            Some(end) if end.cut_off => BeforeName::CutOff,
            Some(_) => BeforeName::Stopped,
        },
        seq: stored.last().map(|e| e.seq),
        missing: match end {
            None => instead_of.is_none().then_some(0),
            Some(end) => (!end.cut_off).then_some(end.dropped_events),
        },
    };
    let writer = store.begin_kept_session(path.to_owned(), start, instead_of, numbers.clone()).await?;
    hub.begin_event_numbers(before.seq.unwrap_or(0), numbers.next());
    for event in stored {
        hub.publish_event(event.seq, event.at, &event.kind, &event.detail);
    }
    if let Some(note) = writer.stats().note {
        eprintln!("{}", hereabout_words::log::note(&note).line());
    }
    Ok((writer, numbers, before))
}

/// Cancels `stop` on Ctrl-C and SIGTERM; a second signal ends the program at once.
fn stop_on_signals(stop: CancellationToken) -> Result<(), Failure> {
    let broke = |e: std::io::Error| {
        Failure::new(exit::SOFTWARE, format!("can't watch for signals: {}", error_words(&e)))
    };
    let mut interrupt = signal(SignalKind::interrupt()).map_err(broke)?;
    let mut terminate = signal(SignalKind::terminate()).map_err(broke)?;
    // From here on a hangup ends nothing, although nobody listens to it yet; the handler stays for good.
    drop(signal(SignalKind::hangup()).map_err(broke)?);
    tokio::spawn(async move {
        for second in [false, true] {
            let code = tokio::select! {
                _ = interrupt.recv() => 130,
                _ = terminate.recv() => 143,
            };
            if second {
                std::process::exit(code);
            }
            stop.cancel();
        }
    });
    Ok(())
}

fn greet(site: &SiteFile, source: &str, addr: SocketAddr) -> String {
    let log = site.log.as_ref().map_or("no log is kept".to_owned(), |p| format!("log {}", p.display()));
    let anchors = site.site.anchors().len();
    format!(
        "{name}: {anchors} anchors, listening to {source}
http://{addr}   {log}

Try:
  curl http://{addr}/v1/tags/0
  curl http://{addr}/v1/anchors.txt
  websocat ws://{addr}/v1/live?topics=position      (any WebSocket client)

Not a safety component: silence, lost, or a large radius mean \"no position\". Ctrl-C stops.",
        name = site.site.name(),
    )
}

fn greet_json(site: &SiteFile, addr: SocketAddr) -> String {
    let log = site.log.as_ref().map(|p| p.display().to_string());
    serde_json::json!({ "site": site.site.name(), "url": format!("http://{addr}"), "log": log }).to_string()
}

fn api_failure(e: ApiError) -> Failure {
    let code = match e {
        ApiError::NotLoopback { .. } => exit::CONFIG,
        _ => exit::UNAVAILABLE,
    };
    Failure::new(code, e)
}

/// The exit code of a log that can't be kept.
#[expect(clippy::needless_pass_by_value, reason = "it ends in `map_err`")]
pub fn store_failure(fault: LogFault) -> Failure {
    Failure::new(exit::CANT_CREATE, hereabout_words::log::fault(&fault).line())
}

#[cfg(test)]
mod tests;
