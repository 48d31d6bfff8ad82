//! The site file: TOML that people write and the program never edits, and `calibration.toml` beside
//! it, which the program writes.
//!
//! [`SiteFile::load`] either gives a validated [`Site`] with the settings around it, or every problem
//! it found, placed in the file. Warnings come along in both cases.

mod draft;
mod frame;
pub mod kit_file;
mod kit_text;
mod other_sites;
mod schema;
mod tables;

use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use hereabout_core::Site;
use hereabout_wire::FrameSpec;

use crate::access::socket_file::SocketChoice;
use crate::calibration::{Strictness, with_calibration};
use crate::files::paths::{calibration_beside, is_same_file};
use crate::toml_doc::{Document, Level, Problem, key, path_text};

pub use draft::{ESTIMATORS, estimator};
use draft::{check_numbered, draft, place, read_listen, read_zone};
use frame::{check_port, read_frame};
pub use kit_text::{FrameText, SourceText};
use schema::{KIT, SITE};
use tables::{RawFrame, RawKit, RawSite, RawSource};

/// Where the daemon listens when the site file doesn't say.
pub const DEFAULT_LISTEN: &str = "127.0.0.1:6208";
/// Standard deviation of a range when the site file doesn't say, metres.
pub const DEFAULT_RANGE_SIGMA_M: f64 = 0.10;
/// Believable ranges when the site file doesn't say, metres.
pub const DEFAULT_RANGE_SPAN_M: [f64; 2] = [0.01, 200.0];

/// A site file that can be run or replayed with.
#[derive(Clone, Debug)]
pub struct SiteFile {
    /// Where it was read from.
    pub path: PathBuf,
    /// Its text, as stored in the log.
    pub text: String,
    /// The validated site, with the corrections of `calibration.toml`.
    pub site: Site,
    /// Where the bytes come from; absent for tables and logs.
    pub source: Option<SourceText>,
    /// The frame layout; absent for tables and logs.
    pub frame: Option<FrameSpec>,
    /// The layout's text, for the log.
    pub frame_text: Option<String>,
    /// The log file, when one is kept.
    pub log: Option<PathBuf>,
    /// Where to serve.
    pub listen: SocketAddr,
    /// Where to serve those who may change without a key.
    pub socket: SocketChoice,
    /// Text of `calibration.toml`, when there is one.
    pub calibration_text: Option<String>,
    /// What is known of other sites in the same folder, as the log has it; `None` when nothing is.
    pub other_sites: Option<String>,
    /// What works, with a limit.
    pub warnings: Vec<Problem>,
}

impl SiteFile {
    /// Reads, parses and validates a site file and the calibration beside it; other sites in the folder are looked for, too.
    ///
    /// # Errors
    /// Every problem that was found, in file order where that is known.
    pub fn load(path: &Path) -> Result<SiteFile, Vec<Problem>> {
        let document = Document::read(path)?;
        let calibration = calibration_beside(path);
        if is_same_file(path, &calibration) {
            let what = format!("this is also the calibration beside it ({})", calibration.display());
            let todo = "give the site file another name: calibration.toml is written by the program";
            return Err(vec![document.whole(what, todo.to_owned())]);
        }
        let calibration = Document::read_own(&calibration)?;
        let site = SiteFile::from_documents(&document, calibration.as_ref(), Strictness::Refuse)?;
        Ok(site.with_other_sites(other_sites::look(path, site_and_unit)))
    }

    /// The same with what is known of other sites, as a log has it.
    #[must_use]
    pub fn with_other_sites(mut self, text: Option<String>) -> SiteFile {
        let others = text.as_deref().map_or_else(Vec::new, |text| other_sites::resolve(text, &self.site));
        self.site = self.site.with_others(others);
        self.other_sites = text;
        self
    }

    /// The same from texts that are at hand, as a log keeps them; `name` is for messages. What a session ran with can be
    /// replayed: implausible corrections are only warned of.
    ///
    /// # Errors
    /// As [`SiteFile::load`].
    pub fn from_text(name: &Path, text: &str, calibration: Option<&str>) -> Result<SiteFile, Vec<Problem>> {
        let document = Document { file: name.to_owned(), text: text.to_owned() };
        let calibration = calibration
            .map(|text| Document { file: name.with_extension("calibration.toml"), text: text.to_owned() });
        SiteFile::from_documents(&document, calibration.as_ref(), Strictness::Warn)
    }

    fn from_documents(
        document: &Document,
        calibration: Option<&Document>,
        strictness: Strictness,
    ) -> Result<SiteFile, Vec<Problem>> {
        let (raw, tree) = document.parse::<RawSite>(&SITE)?;
        let mut problems = Vec::new();
        let frame = raw.frame.as_ref().and_then(|f| read_frame(f, &tree, &mut problems));
        check_port(raw.source.as_ref(), &tree, &mut problems);
        let listen = read_listen(raw.api.as_ref(), &tree, &mut problems);
        let zones =
            raw.zone.iter().enumerate().filter_map(|(i, z)| read_zone(i, z, &tree, &mut problems)).collect();
        check_numbered(&raw, frame.as_ref(), &tree, &mut problems);
        let draft = draft(&raw, zones, &tree, frame.as_ref(), &mut problems);
        let (Some(draft), Some(listen)) = (draft, listen) else { return Err(problems) };
        let (site, findings) = match draft.validate() {
            Ok((site, findings)) => (Some(site), findings),
            Err(findings) => (None, findings),
        };
        problems.extend(findings.iter().map(|f| place(&tree, f)));
        let Some(mut site) = site.filter(|_| problems.iter().all(|p| p.level == Level::Warning)) else {
            return Err(problems);
        };
        if let Some(calibration) = calibration {
            site = with_calibration(site, calibration, strictness, &document.file, &mut problems)?;
        }
        let site = site.with_range_unit(frame.as_ref().map(|f| f.unit.per_metre()));
        let folder = document.file.parent().unwrap_or(Path::new(""));
        Ok(SiteFile {
            path: document.file.clone(),
            text: document.text.clone(),
            site,
            source: raw.source.map(RawSource::read),
            frame_text: raw.frame.as_ref().map(RawFrame::text),
            frame,
            log: raw.log.map(|l| folder.join(l.path)),
            listen,
            socket: raw.api.and_then(|a| a.socket).unwrap_or_default(),
            calibration_text: calibration.map(|c| c.text.clone()),
            other_sites: None,
            warnings: problems,
        })
    }

    /// A problem about a key of the site file, at its place.
    pub(crate) fn problem(&self, path: [&str; 2], what: &str, help: &str) -> Problem {
        let document = Document { file: self.path.clone(), text: self.text.clone() };
        let path = path.map(key);
        match document.parse::<RawSite>(&SITE) {
            Ok((_, tree)) => tree.problem(&path, what, help),
            Err(_) => document.problem(None, &path_text(&path), what, help),
        }
    }

    /// The folder that relative paths of the site file start from.
    pub fn folder(&self) -> &Path {
        self.path.parent().unwrap_or(Path::new(""))
    }
}

/// The site of a text, and the unit of its ranges where it has a frame layout; `None` for a text that is no valid site.
pub(crate) fn site_and_unit(name: &Path, text: &str) -> Option<(Site, Option<String>)> {
    let found = SiteFile::from_text(name, text, None).ok()?;
    Some((found.site, found.frame.map(|f| f.unit.to_string())))
}

/// Whether a file has nothing but `[source]` and `[frame]`.
pub(crate) fn has_only_a_kit(text: &str) -> bool {
    toml::from_str::<toml::Table>(text).map_or(true, |table| table.keys().all(|key| KIT.has(key)))
}

/// `[frame]` of a site file as written.
pub(crate) fn frame_table(document: &Document) -> Result<Option<FrameText>, Vec<Problem>> {
    Ok(document.parse::<RawSite>(&SITE)?.0.frame.as_ref().and_then(RawFrame::table))
}

/// `[source]` and `[frame]` of a file without a site, the latter also as written.
pub(crate) type KitTables = (Option<SourceText>, Option<FrameSpec>, Option<FrameText>);

/// Reads a file without a site.
pub(crate) fn kit_tables(document: &Document) -> Result<KitTables, Vec<Problem>> {
    let (raw, tree) = document.parse::<RawKit>(&KIT)?;
    let mut problems = Vec::new();
    let frame = raw.frame.as_ref().and_then(|f| read_frame(f, &tree, &mut problems));
    if !problems.is_empty() {
        return Err(problems);
    }
    let frame_text = raw.frame.as_ref().and_then(RawFrame::table);
    Ok((raw.source.map(RawSource::read), frame, frame_text))
}

#[cfg(test)]
mod tests;
