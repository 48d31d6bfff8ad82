//! One module a command, and what they share.

pub mod anchors;
pub mod calibrate;
pub mod check;
pub mod learn;
pub mod listen;
pub mod replay;
pub mod report;
pub mod run;
pub mod simulate;
pub mod start;
pub mod verify;

use std::path::Path;

use hereabout_ingest::{Source, SourceText as Parsed};

use crate::cli::Command;
use crate::exit::{self, Failure};
use crate::site_file::{SiteFile, SourceText};

/// Runs a command to its end; gives the exit code.
///
/// # Errors
/// Why it could not be done, with its exit code.
pub fn dispatch(command: Command) -> Result<u8, Failure> {
    match command {
        Command::Run(args) => run::run(args),
        Command::Anchors(args) => anchors::anchors(&args),
        Command::Check(args) => check::check(&args),
        Command::Calibrate(args) => calibrate::calibrate(&args),
        Command::Verify(args) => verify::verify(&args),
        Command::Listen(args) => listen::listen(&args),
        Command::Replay(args) => replay::replay(&args),
        Command::Report(args) => report::report(&args),
        Command::Simulate(args) => simulate::simulate(&args),
        Command::Learn(args) => learn::learn(&args),
        Command::Start(args) => start::start(&args),
    }
}

/// The runtime of the commands that wait for something.
fn runtime() -> Result<tokio::runtime::Runtime, Failure> {
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(|e| Failure::new(exit::SOFTWARE, format!("can't start the runtime: {e}")))
}

/// The source of a site file, or the one given on the command line instead.
pub(crate) fn open_source(site: &SiteFile, instead: Option<&str>) -> Result<(Source, String), Failure> {
    let source = match (instead, &site.source) {
        (Some(text), Some(source)) => SourceText { port: text.to_owned(), ..source.clone() },
        (Some(text), None) => SourceText { port: text.to_owned(), baud: 115_200, dtr: None },
        (None, Some(source)) => source.clone(),
        (None, None) => {
            let what = "the site file has no [source], so there is nothing to hear";
            let todo = "add [source] port = \"/dev/serial/by-id/…\" (or tcp://…, udp://…, file://…, sim://…), or give --source";
            return Err(Failure::new(exit::CONFIG, format!("{}: {what}\n  {todo}", site.path.display())));
        }
    };
    let base = if instead.is_some() { Path::new("") } else { site.folder() };
    let opened = parse_source(&source, base, &site.path.display().to_string())?;
    Ok((opened, source.port))
}

/// The source that a port's text means. `named` is where it was named, `base` where relative names start.
fn parse_source(source: &SourceText, base: &Path, named: &str) -> Result<Source, Failure> {
    let parsed = Source::parse(&source.port, source.baud, base)
        .map_err(|e| Failure::new(exit::CONFIG, format!("{named}: source.port: {e}")))?;
    Ok(match parsed {
        Parsed::Ready(ready) => ready.with_dtr(source.dtr),
        Parsed::Sim(path) => Source::Feeder(Box::new(simulate::KitFeeder::open(&path, 1.0)?)),
    })
}
