//! `calibration.toml`, which stands beside the site file and which the program writes.
//!
//! One `[[anchor]]` table a board (offset, scale, standard error, date, method) and one `[[place]]` table for
//! each place that the newest calibration rests on, so that a proof can say when it repeats one.
//!
//! Writing is all or nothing: the text goes to a new file in the same folder, is forced to the disk, takes the
//! old one's name in one step, and the folder is forced to the disk as well. Before that step the old file gets
//! a second name, `calibration-<UTC stamp>.toml`; before the first file ever a file of that kind without entries says that
//! there was none, so that the first calibration can be undone like any other. Whoever is killed anywhere on the way leaves the old file
//! or the new one, never a part of one; the tests stop it at every [`WritePoint`].

use std::fmt::Write as _;
use std::fs::{self, File};
use std::io::{self, Write as _};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use hereabout_core::{AnchorId, Correction, FileFault, Micros, Timestamp, odd_kind};
use hereabout_ingest::open_plain_unlinked;
use hereabout_store::files::{FILE_MODE, create_new, is_shared, is_trusted, look};
use hereabout_words::io::error_words;
use hereabout_words::time::stamp_of_file;
use serde::Deserialize;

use crate::exit::{self, Failure};
use crate::toml_doc::{Document, Problem, Schema, quoted};

/// Previous files that are kept; the oldest go first.
pub const MAX_PREVIOUS_FILES: usize = 20;
/// Places that are written down.
const MAX_PLACES: usize = 200;

/// One board's line.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Id of the anchor, 0 to 65535.
    pub id: AnchorId,
    /// Offset, scale, standard error.
    pub correction: Correction,
    /// When it was found, as written; RFC 3339 when this program wrote it.
    pub date: Option<String>,
    /// How it was found, in words.
    pub method: Option<String>,
}

impl Entry {
    /// The day of its date, as it is written.
    pub fn day(&self) -> Option<&str> {
        self.date.as_deref().map(|date| date.get(..10).unwrap_or(date))
    }

    /// The instant of its date; `None` without one that can be read. A day counts from its start, UTC.
    pub fn found_at(&self) -> Option<Timestamp> {
        let text = self.date.as_deref()?;
        let midnight = |day: jiff::civil::Date| jiff::tz::Offset::UTC.to_timestamp(day.at(0, 0, 0, 0)).ok();
        let at = text.parse().ok().or_else(|| midnight(text.parse().ok()?))?;
        let at: jiff::Timestamp = at;
        Some(Timestamp::from_micros(at.as_microsecond()))
    }
}

/// A place that the calibration rests on.
#[derive(Clone, Debug, PartialEq)]
pub struct UsedPlace {
    /// What people call it.
    pub name: String,
    /// East, north, up, metres.
    pub at_m: [f64; 3],
}

/// The whole file.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct CalibrationFile {
    /// The boards.
    pub entries: Vec<Entry>,
    /// Places of the newest calibration at known places.
    pub places: Vec<UsedPlace>,
}

impl CalibrationFile {
    /// Reads a calibration file; `None` when there is none.
    ///
    /// # Errors
    /// Everything that is wrong in it, with its place.
    pub fn read(path: &Path) -> Result<Option<CalibrationFile>, Vec<Problem>> {
        Document::read_own(path)?.as_ref().map(CalibrationFile::parse).transpose()
    }

    /// The same from a text that is at hand.
    ///
    /// # Errors
    /// As [`CalibrationFile::read`].
    pub fn parse(document: &Document) -> Result<CalibrationFile, Vec<Problem>> {
        let (raw, _) = document.parse::<RawCalibration>(&CALIBRATION)?;
        let entry = |r: RawCorrection| Entry {
            id: AnchorId(r.id),
            correction: Correction {
                offset_m: r.offset_m,
                scale: r.scale.unwrap_or(1.0),
                offset_se_m: r.offset_se_m,
            },
            date: r.date.map(|d| d.as_str().map_or_else(|| d.to_string(), str::to_owned)),
            method: r.method,
        };
        let place = |r: RawPlace| UsedPlace { name: r.name.unwrap_or_default(), at_m: r.at_m };
        Ok(CalibrationFile {
            entries: raw.anchor.into_iter().map(entry).collect(),
            places: raw.place.into_iter().map(place).collect(),
        })
    }

    /// The entry of an anchor.
    pub fn entry(&self, id: AnchorId) -> Option<&Entry> {
        self.entries.iter().find(|e| e.id == id)
    }

    /// Takes over new entries; boards that are not among them keep theirs.
    pub fn put(&mut self, entries: Vec<Entry>) {
        for entry in entries {
            match self.entries.iter_mut().find(|e| e.id == entry.id) {
                Some(old) => *old = entry,
                None => self.entries.push(entry),
            }
        }
        self.entries.sort_by_key(|e| e.id);
    }

    /// The file's text.
    pub fn to_toml(&self) -> String {
        let mut out = "# What calibration found for each board: true range = (raw - offset_m) / scale.\n\
                       # Written by hereabout; the ones before are kept beside it.\n"
            .to_owned();
        for e in &self.entries {
            let Correction { offset_m, scale, offset_se_m } = e.correction;
            let _ =
                write!(out, "\n[[anchor]]\nid = {}\noffset_m = {offset_m:.4}\nscale = {scale:.6}\n", e.id);
            if let Some(se) = offset_se_m {
                let _ = writeln!(out, "offset_se_m = {se:.4}");
            }
            for (key, text) in [("date", &e.date), ("method", &e.method)] {
                if let Some(text) = text {
                    let _ = writeln!(out, "{key} = {}", quoted(text));
                }
            }
        }
        for place in self.places.iter().take(MAX_PLACES) {
            let [e, n, u] = place.at_m;
            let name = quoted(&place.name);
            let _ = write!(out, "\n[[place]]\nname = {name}\nat_m = [{e:.4}, {n:.4}, {u:.4}]\n");
        }
        out
    }
}

/// Steps of writing, each of which may be the last one that happens.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WritePoint {
    /// Nothing happened yet.
    Start,
    /// The new file is there and empty.
    Created,
    /// Half of its text is written.
    Half,
    /// All of its text is written.
    Written,
    /// It is on the disk.
    Forced,
    /// Before the first file ever: what says that there was none is there, still empty.
    Marked,
    /// The old file has its second name, or it is said that there was none.
    Kept,
    /// The new file has taken the place of the old one.
    Renamed,
    /// The folder is on the disk.
    FolderForced,
}

/// Called at every step; an error stops there as a kill would, and nothing is cleaned up.
pub type Hook<'a> = &'a mut dyn FnMut(WritePoint) -> io::Result<()>;

/// Replaces the file at `path` by `text`, keeping the one before.
///
/// # Errors
/// Why it could not be written, with what to do; the old file is then still in its place.
pub fn replace(path: &Path, text: &str, now: Timestamp) -> Result<(), Failure> {
    replace_with(path, text, now, &mut |_| Ok(())).map_err(|e| cannot_write(path, &e))
}

/// [`replace`] that calls `hook` at every step.
///
/// # Errors
/// What the system or the hook said.
pub fn replace_with(path: &Path, text: &str, now: Timestamp, hook: Hook<'_>) -> io::Result<()> {
    hook(WritePoint::Start)?;
    let old = old_file(path)?;
    remove_leftovers(path);
    let fresh = sibling(path, &format!(".calibration.toml.new-{}", std::process::id()));
    let mut file = create_new(&fresh, FILE_MODE)?;
    give_to_readers(&file, path, old.as_ref());
    hook(WritePoint::Created)?;
    let (first, rest) = text.as_bytes().split_at(text.len() / 2);
    file.write_all(first)?;
    hook(WritePoint::Half)?;
    file.write_all(rest)?;
    hook(WritePoint::Written)?;
    file.sync_all()?;
    hook(WritePoint::Forced)?;
    if old.is_some() {
        keep(path, "calibration-", now)?;
    } else {
        mark_none(path, now, hook)?;
    }
    hook(WritePoint::Kept)?;
    fs::rename(&fresh, path)?;
    hook(WritePoint::Renamed)?;
    force_folder(path)?;
    hook(WritePoint::FolderForced)?;
    prune(path, "calibration-");
    Ok(())
}

/// What a file before the first one says.
const NONE_BEFORE: &str = "# Before this there was no calibration.\n";

/// Says that there was no file before the first one. A part of it says the same.
fn mark_none(path: &Path, now: Timestamp, hook: Hook<'_>) -> io::Result<()> {
    let new = |name: &Path| create_new(name, FILE_MODE);
    let (_, mut file) = with_free_name(path, "calibration-", now, new)?;
    give_to_readers(&file, path, None);
    hook(WritePoint::Marked)?;
    file.write_all(NONE_BEFORE.as_bytes())?;
    file.sync_all()
}

/// Where [`restore`] went back to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Restored {
    /// The file that was kept under this name is in force again.
    File(PathBuf),
    /// There is no calibration any more, as before the first one.
    None,
}

/// Goes back to the newest kept file, or to none where there was none; the present one is kept as
/// `calibration-undone-<stamp>.toml`, so going back again goes further. What the present one says does not matter: it
/// may be damaged or refused.
///
/// # Errors
/// Nothing to go back to, or what the system said.
pub fn restore(path: &Path, now: Timestamp) -> Result<Restored, Failure> {
    let mut unread = None;
    for previous in previous_files(path) {
        // One that is not to be trusted (a link, a stranger's) keeps nobody from the others.
        let document = match Document::read_own(&previous) {
            Ok(Some(document)) => document,
            Ok(None) => continue,
            Err(problems) => {
                unread.get_or_insert(problems);
                continue;
            }
        };
        // What comes back must make sense, else the daemon would not start with it.
        let file = CalibrationFile::parse(&document)?;
        let to_none = file == CalibrationFile::default();
        if to_none && !path.exists() {
            // A first write was stopped: there is none already.
            fs::remove_file(&previous).map_err(|e| cannot_write(path, &e))?;
            continue;
        }
        if to_none {
            move_aside(path, now)?;
            // One file too many does no harm: the next restore takes it away.
            let _ = fs::remove_file(&previous);
            return Ok(Restored::None);
        }
        let undo = || {
            if old_file(path)?.is_some() {
                keep(path, "calibration-undone-", now)?;
            }
            fs::rename(&previous, path)?;
            force_folder(path)
        };
        undo().map_err(|e| cannot_write(path, &e))?;
        prune(path, "calibration-undone-");
        return Ok(Restored::File(previous));
    }
    if let Some(problems) = unread {
        return Err(problems.into());
    }
    let what = format!("{}: there is no previous calibration beside it", path.display());
    let todo = "only what this program replaced can come back";
    Err(Failure::new(exit::NO_INPUT, format!("{what}\n  {todo}")))
}

/// Takes the present file out of force; it is kept as `calibration-undone-<stamp>.toml`.
///
/// # Errors
/// What the system said; the file is then still in force.
pub fn move_aside(path: &Path, now: Timestamp) -> Result<PathBuf, Failure> {
    let undo = || {
        let aside = keep(path, "calibration-undone-", now)?;
        fs::remove_file(path)?;
        force_folder(path)?;
        Ok(aside)
    };
    let aside = undo().map_err(|e| cannot_write(path, &e))?;
    prune(path, "calibration-undone-");
    Ok(aside)
}

/// The kept files beside `path`, newest first.
pub fn previous_files(path: &Path) -> Vec<PathBuf> {
    named(path, "calibration-")
}

/// Files beside `path` whose name is `prefix`, a stamp and `.toml`, newest first.
fn named(path: &Path, prefix: &str) -> Vec<PathBuf> {
    let is_ours = |p: &PathBuf| {
        let name = p.file_name().and_then(|n| n.to_str()).unwrap_or("");
        let stamp = name.strip_prefix(prefix).and_then(|rest| rest.strip_suffix(".toml"));
        stamp.is_some_and(|s| s.starts_with(|c: char| c.is_ascii_digit()))
    };
    let Ok(folder) = fs::read_dir(folder_of(path)) else { return Vec::new() };
    let mut all: Vec<PathBuf> = folder.filter_map(|e| Some(e.ok()?.path())).filter(is_ours).collect();
    all.sort();
    all.reverse();
    all
}

/// Gives the file a second name, so that it is there whatever happens to the first one.
fn keep(path: &Path, prefix: &str, now: Timestamp) -> io::Result<PathBuf> {
    let link = |name: &Path| match fs::hard_link(path, name) {
        Err(e) if e.kind() != io::ErrorKind::AlreadyExists => copy(path, name),
        Err(_) if is_same(path, name) => Ok(()),
        previous_files => previous_files,
    };
    with_free_name(path, prefix, now, link).map(|(name, ())| name)
}

/// Makes something under the first free name from `now` on. A name that is taken (by one of the same instant, or
/// somebody's) is left, and one of a microsecond later is tried.
fn with_free_name<T>(
    path: &Path,
    prefix: &str,
    now: Timestamp,
    make: impl Fn(&Path) -> io::Result<T>,
) -> io::Result<(PathBuf, T)> {
    let mut at = now;
    loop {
        let stamp = stamp_of_file(at);
        let name = sibling(path, &format!("{prefix}{stamp}.toml"));
        match make(&name) {
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => at = at.plus(Micros::from_micros(1)),
            made => return made.map(|made| (name, made)),
        }
    }
}

fn is_same(a: &Path, b: &Path) -> bool {
    let (Ok(a), Ok(b)) = (fs::symlink_metadata(a), fs::symlink_metadata(b)) else { return false };
    (a.dev(), a.ino()) == (b.dev(), b.ino())
}

/// Not every file system has second names.
fn copy(path: &Path, name: &Path) -> io::Result<()> {
    let mut from = open_plain_unlinked(path)?;
    let to = create_new(name, FILE_MODE)?;
    give_to_readers(&to, path, Some(&from.metadata()?));
    io::copy(&mut from, &mut &to).map(|_| ())
}

/// The file that is replaced, which is a plain one.
fn old_file(path: &Path) -> io::Result<Option<fs::Metadata>> {
    let Some(meta) = look(path).map_err(|fault| untouched(&fault))? else { return Ok(None) };
    let path = path.to_owned();
    match odd_kind(&meta) {
        None => Ok(Some(meta)),
        Some(_) if meta.is_symlink() => Err(untouched(&FileFault::Link { path })),
        Some(kind) => Err(untouched(&FileFault::NotPlain { path, kind })),
    }
}

/// Why a file is not touched, as an error with our words.
fn untouched(fault: &FileFault) -> io::Error {
    io::Error::other(hereabout_words::file::fault(fault).line())
}

/// Whoever could read the calibration before must be able to read the new one, the daemon's user above all: it gets
/// owner and group of the old file, else the group of the folder, as far as this user may give it. In a folder that others
/// can write that would be theirs to choose, so there it stays with this user.
fn give_to_readers(file: &File, path: &Path, old: Option<&fs::Metadata>) {
    let Ok(folder) = fs::metadata(folder_of(path)) else { return };
    let (owner, group) = match old {
        Some(old) if is_trusted(old.uid()) || old.uid() == folder.uid() => (Some(old.uid()), old.gid()),
        _ if !is_shared(&folder) => (None, folder.gid()),
        _ => return,
    };
    // Without the right to give a file away the group alone may do.
    let _ = std::os::unix::fs::fchown(file, owner, Some(group))
        .or_else(|_| std::os::unix::fs::fchown(file, None, Some(group)));
}

fn prune(path: &Path, prefix: &str) {
    for old in named(path, prefix).into_iter().skip(MAX_PREVIOUS_FILES) {
        // One file too many does no harm.
        let _ = fs::remove_file(old);
    }
}

/// What a killed run left behind.
fn remove_leftovers(path: &Path) {
    let Ok(folder) = fs::read_dir(folder_of(path)) else { return };
    for entry in folder.filter_map(Result::ok) {
        if entry.file_name().to_string_lossy().starts_with(".calibration.toml.new-") {
            let _ = fs::remove_file(entry.path());
        }
    }
}

fn force_folder(path: &Path) -> io::Result<()> {
    File::open(folder_of(path))?.sync_all()
}

fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

fn sibling(path: &Path, name: &str) -> PathBuf {
    folder_of(path).join(name)
}

fn cannot_write(path: &Path, e: &io::Error) -> Failure {
    let what = format!("{}: can't be written: {}; the old one is untouched", path.display(), error_words(e));
    let todo = "make its folder writable for this user, or give it more room; --dry-run shows the result without writing";
    Failure::new(exit::CANT_CREATE, format!("{what}\n  {todo}"))
}

#[derive(Deserialize)]
pub(crate) struct RawCalibration {
    #[serde(default)]
    pub(crate) anchor: Vec<RawCorrection>,
    #[serde(default)]
    pub(crate) place: Vec<RawPlace>,
}

#[derive(Deserialize)]
pub(crate) struct RawCorrection {
    pub(crate) id: u16,
    pub(crate) offset_m: f64,
    pub(crate) scale: Option<f64>,
    pub(crate) offset_se_m: Option<f64>,
    /// Text or one of TOML's own dates.
    pub(crate) date: Option<toml::Value>,
    pub(crate) method: Option<String>,
}

#[derive(Deserialize)]
pub(crate) struct RawPlace {
    name: Option<String>,
    at_m: [f64; 3],
}

pub(crate) const CALIBRATION: Schema = Schema {
    keys: &[
        ("anchor", "tables [[anchor]], one a board", Some(&CORRECTION)),
        ("place", "tables [[place]], one for each place of the calibration", Some(&PLACE)),
        ("note", "text", None),
    ],
};
const CORRECTION: Schema = Schema {
    keys: &[
        ("id", "the id the board is set to", None),
        ("offset_m", "a number of metres", None),
        ("scale", "a factor near 1", None),
        ("offset_se_m", "a number of metres", None),
        ("date", "a date", None),
        ("method", "text", None),
    ],
};
const PLACE: Schema =
    Schema { keys: &[("name", "text", None), ("at_m", "[east, north, up] in metres, three numbers", None)] };

#[cfg(test)]
mod tests;
