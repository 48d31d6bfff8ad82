//! From what a site file or the command line says to a source that can be opened.

pub mod kit_feeder;
pub(crate) mod link_log;

use std::path::Path;

use hereabout_ingest::{Source, SourceText as Parsed};
use hereabout_words::address;

use crate::exit::{self, Failure};
use crate::site_file::{SiteFile, SourceText};
use crate::source::kit_feeder::KitFeeder;

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
pub(crate) fn parse_source(source: &SourceText, base: &Path, named: &str) -> Result<Source, Failure> {
    let parsed = Source::parse(&source.port, source.baud, base).map_err(|e| {
        Failure::new(exit::CONFIG, format!("{named}: source.port: {}", address::fault(&e).line()))
    })?;
    Ok(match parsed {
        Parsed::Ready(ready) => ready.with_dtr(source.dtr),
        Parsed::Sim(path) => Source::Feeder(Box::new(KitFeeder::open(&path, 1.0)?)),
    })
}
