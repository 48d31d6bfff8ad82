//! Other site files that lie in the folder of a site file: one of them may be the one that is meant.
//!
//! They are looked for when a site file is loaded. It is a help and no more: a file that can't be read, is none, or takes
//! its time is passed over without a word, and nothing of what is found changes a position. Only plain files are opened, no
//! links, at most [`MAX_FILES`] of at most [`MAX_BYTES`], on a thread of their own that is waited for no longer than
//! [`TIME_LIMIT`].
//!
//! What is kept is a text ([`look`]), which goes into the log's session word by word. The daemon makes its own
//! [`OtherSite`]s of that same text ([`resolve`]), so that a replay has them to the last bit.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU8, Ordering};
use std::sync::{Arc, mpsc};
use std::time::Duration;

use hereabout_core::{Dimension, OtherSite, Site, is_plain};
use hereabout_ingest::open_plain_unlinked;
use hereabout_wire::Unit;
use serde::{Deserialize, Serialize};

use crate::files::paths::is_same_file;

/// The most files that are looked into.
const MAX_FILES: usize = 16;
/// The most bytes of each; a site of sixteen anchors and some zones has a few thousand.
const MAX_BYTES: u64 = 64 * 1024;
/// The most names of a folder that are gone through.
const MAX_NAMES: usize = 4_096;
/// How long it may take in all.
const TIME_LIMIT: Duration = Duration::from_secs(2);
/// Places that differ by less are one, metres.
const SAME_PLACE_M: f64 = 0.001;

/// States of a thread that looks.
const WORKING: u8 = 0;
/// It has ended.
const DONE: u8 = 1;
/// Nobody waits for it any more.
const GIVEN_UP: u8 = 2;

/// A thread that was not waited for is still at it: there is never a second one.
static STUCK: AtomicBool = AtomicBool::new(false);

/// What is kept of another site file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct LoggedSite {
    /// Its name, without folders.
    file: String,
    /// Name of the site.
    name: String,
    /// Unit of its `[frame]`.
    unit: Option<String>,
    /// `None` in 3D.
    tag_height_m: Option<f64>,
    anchors: Vec<KeptAnchor>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct KeptAnchor {
    id: u16,
    /// Its range field; `None` without `[frame]`.
    field: Option<usize>,
    at_m: [f64; 3],
}

/// Reads the text of a site file: the site, and the unit of its ranges when it has a frame layout.
pub(crate) type Parse = fn(&Path, &str) -> Option<(Site, Option<String>)>;

/// What is kept of the other sites in the folder of this site file, as the log has it; `None` when there are none.
pub(crate) fn look(site: &Path, parse: Parse) -> Option<String> {
    if STUCK.load(Ordering::SeqCst) {
        return None;
    }
    let (done, found) = mpsc::channel();
    // Who comes second knows what the other one did.
    let state = Arc::new(AtomicU8::new(WORKING));
    let (site, its_state) = (site.to_owned(), state.clone());
    let thread = std::thread::Builder::new().name("other sites".to_owned()).spawn(move || {
        let _ = done.send(look_now(&site, parse));
        if its_state.swap(DONE, Ordering::SeqCst) == GIVEN_UP {
            STUCK.store(false, Ordering::SeqCst);
        }
    });
    thread.ok()?;
    match found.recv_timeout(TIME_LIMIT) {
        Ok(logged) => text(&logged),
        Err(_) => {
            STUCK.store(true, Ordering::SeqCst);
            if state.swap(GIVEN_UP, Ordering::SeqCst) == DONE {
                STUCK.store(false, Ordering::SeqCst);
            }
            None
        }
    }
}

fn text(logged: &[LoggedSite]) -> Option<String> {
    if logged.is_empty() { None } else { serde_json::to_string(logged).ok() }
}

fn look_now(site: &Path, parse: Parse) -> Vec<LoggedSite> {
    let folder = match site.parent() {
        Some(folder) if folder != Path::new("") => folder,
        _ => Path::new("."),
    };
    let Ok(names) = std::fs::read_dir(folder) else { return Vec::new() };
    let mut files: Vec<PathBuf> = names.take(MAX_NAMES).flatten().map(|n| n.path()).collect();
    files.retain(|path| may_be_site(path) && !is_same_file(path, site));
    // The order of a folder is nobody's.
    files.sort_unstable();
    files.iter().take(MAX_FILES).filter_map(|path| read(path, parse)).collect()
}

/// By its name, and by what it is.
fn may_be_site(path: &Path) -> bool {
    let Some(name) = path.file_name().and_then(|n| n.to_str()) else { return false };
    name.ends_with(".toml")
        && !name.starts_with("calibration.")
        && name.chars().all(is_plain)
        && std::fs::symlink_metadata(path).is_ok_and(|meta| meta.is_file() && meta.len() <= MAX_BYTES)
}

fn read(path: &Path, parse: Parse) -> Option<LoggedSite> {
    use std::io::Read;
    let mut text = String::new();
    let file = open_plain_unlinked(path).ok()?;
    file.take(MAX_BYTES + 1).read_to_string(&mut text).ok()?;
    if text.len() as u64 > MAX_BYTES {
        return None;
    }
    let file = path.file_name()?.to_str()?.to_owned();
    let (site, unit) = parse(path, &text)?;
    let field =
        |i: usize| (0..hereabout_core::MAX_ANCHORS).find(|slot| site.anchor_of_slot(*slot) == Some(i));
    let anchor =
        |(i, a): (usize, &hereabout_core::Anchor)| KeptAnchor { id: a.id.0, field: field(i), at_m: a.at_m };
    Some(LoggedSite {
        file,
        name: site.name().to_owned(),
        unit,
        tag_height_m: match site.dimension() {
            Dimension::TwoD { tag_height_m } => Some(tag_height_m),
            Dimension::ThreeD => None,
        },
        anchors: site.anchors().iter().enumerate().map(anchor).collect(),
    })
}

/// The other sites of a text of [`look`], seen from `site`: by range field where both have fields, by id where one has none.
/// What says the same as `site` itself (a copy) is left out; a text that is none gives nothing.
pub(crate) fn resolve(text: &str, site: &Site) -> Vec<OtherSite> {
    let logged: Vec<LoggedSite> = serde_json::from_str(text).unwrap_or_default();
    let mut others: Vec<OtherSite> = Vec::new();
    for other in logged.into_iter().take(MAX_FILES).filter_map(|logged| seen_from(logged, site)) {
        // Copies of one file would stand in each other's way: each explains as much as the other one.
        if !others.iter().any(|o| says_the_same(o, &other)) {
            others.push(other);
        }
    }
    others
}

fn says_the_same(a: &OtherSite, b: &OtherSite) -> bool {
    (&a.at_m, a.tag_height_m, a.unit_ratio) == (&b.at_m, b.tag_height_m, b.unit_ratio)
}

fn seen_from(logged: LoggedSite, site: &Site) -> Option<OtherSite> {
    let own_field =
        |i: usize| (0..hereabout_core::MAX_ANCHORS).find(|slot| site.anchor_of_slot(*slot) == Some(i));
    let place = |(i, a): (usize, &hereabout_core::Anchor)| {
        let by_field = own_field(i).filter(|_| logged.anchors.iter().any(|k| k.field.is_some()));
        let same = |k: &&KeptAnchor| match by_field {
            Some(field) => k.field == Some(field),
            None => k.id == a.id.0,
        };
        logged.anchors.iter().find(same).map(|k| k.at_m).filter(|at_m| at_m.iter().all(|v| v.is_finite()))
    };
    let at_m: Vec<Option<[f64; 3]>> = site.anchors().iter().enumerate().map(place).collect();
    let other_unit = logged.unit.as_deref().and_then(|u| u.parse::<Unit>().ok()).map(Unit::per_metre);
    let unit_ratio = match (site.range_units_per_m(), other_unit) {
        (Some(own), Some(other)) => own / other,
        _ => 1.0,
    };
    let own_height_m = match site.dimension() {
        Dimension::TwoD { tag_height_m } => Some(tag_height_m),
        Dimension::ThreeD => None,
    };
    let near = |a: f64, b: f64| (a - b).abs() <= SAME_PLACE_M;
    let same_place = |(at_m, a): (&Option<[f64; 3]>, &hereabout_core::Anchor)| {
        at_m.is_some_and(|at_m| (0..3).all(|k| near(at_m[k], a.at_m[k])))
    };
    let same_height = match (own_height_m, logged.tag_height_m) {
        (Some(own), Some(other)) => near(own, other),
        (own, other) => own == other,
    };
    // One that differs in its unit alone is no other site: a wrong unit is found by itself.
    let copy = same_height && at_m.iter().zip(site.anchors()).all(same_place);
    let any = at_m.iter().any(Option::is_some);
    (any && !copy).then_some(OtherSite {
        file: logged.file,
        name: logged.name,
        at_m,
        tag_height_m: logged.tag_height_m.filter(|h| h.is_finite()),
        unit_ratio,
    })
}

#[cfg(test)]
mod tests;
