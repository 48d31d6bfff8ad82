//! One module a command, and what they share.

pub mod calibrate;
pub mod check;
pub mod listen;
pub mod replay;
pub mod report;
pub mod run;
pub mod simulate;
pub mod verify;

use std::path::Path;

use hereabout_ingest::{Source, SourceText};

use crate::cli::Command;
use crate::exit::{self, Failure};
use crate::site_file::SiteFile;

/// Runs a command to its end; gives the exit code.
///
/// # Errors
/// Why it could not be done, with its exit code.
pub fn dispatch(command: Command) -> Result<u8, Failure> {
    match command {
        Command::Run(args) => run::run(args),
        Command::Check(args) => check::check(&args),
        Command::Calibrate(args) => calibrate::calibrate(&args),
        Command::Verify(args) => verify::verify(&args),
        Command::Listen(args) => listen::listen(&args),
        Command::Replay(args) => replay::replay(&args),
        Command::Report(args) => report::report(&args),
        Command::Simulate(args) => simulate::simulate(&args),
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
    let (text, baud) = match (instead, &site.source) {
        (Some(text), source) => (text.to_owned(), source.as_ref().map_or(115_200, |s| s.baud)),
        (None, Some(source)) => (source.port.clone(), source.baud),
        (None, None) => {
            let what = "the site file has no [source], so there is nothing to hear";
            let todo = "add [source] port = \"/dev/serial/by-id/…\" (or tcp://…, udp://…, file://…, sim://…), or give --source";
            return Err(Failure::new(exit::CONFIG, format!("{}: {what}\n  {todo}", site.path.display())));
        }
    };
    let base = if instead.is_some() { Path::new("") } else { site.folder() };
    let parsed = Source::parse(&text, baud, base)
        .map_err(|e| Failure::new(exit::CONFIG, format!("{}: source.port: {e}", site.path.display())))?;
    let source = match parsed {
        SourceText::Ready(source) => source,
        SourceText::Sim(path) => Source::Feeder(Box::new(simulate::KitFeeder::open(&path, 1.0)?)),
    };
    Ok((source, text))
}
