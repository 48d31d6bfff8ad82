//! The site file: TOML that people write and the program never edits, and `calibration.toml` beside
//! it, which the program writes.
//!
//! [`SiteFile::load`] either gives a validated [`Site`] with the settings around it, or every problem
//! it found, placed in the file. Warnings come along in both cases.

pub mod kit_file;
mod other_sites;

use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use hereabout_core::plausible::{CorrectionLimits, MAX_OFFSET_M};
use hereabout_core::{
    Anchor, AnchorId, Correction, Dimension, Estimator, Fence, KeyStep, Micros, Severity, Site, SiteDraft,
    SiteFinding, SiteProblem, SiteTag, TagId, TrackSettings, Zone, ZoneRule, ZoneShape, is_plain,
};
use hereabout_wire::{FieldName, FrameSpec, Layout, LayoutError, NoRange, Unit};
use hereabout_words::site_problem;
use serde::Deserialize;

use crate::access::socket_file::SocketChoice;
use crate::calibration::{Strictness, with_calibration};
use crate::files::paths::{calibration_beside, is_same_file};
use crate::toml_doc::{Document, Level, Problem, Schema, Step, Tree, key, number_text, path_text, quoted};

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

/// The `[frame]` table as text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FrameText {
    /// `layout`, `layout_text` or `layout_json`.
    pub key: &'static str,
    /// The layout.
    pub layout: String,
    /// The unit.
    pub unit: String,
    /// Words for "no range", as TOML writes them.
    pub no_range: Vec<String>,
}

impl FrameText {
    /// The table, ready to be written.
    pub fn toml(&self) -> String {
        let mut out =
            format!("[frame]\n{} = {}\nunit = {}\n", self.key, quoted(&self.layout), quoted(&self.unit));
        match &self.no_range[..] {
            [] => {}
            [one] => out += &format!("no_range = {one}\n"),
            many => out += &format!("no_range = [{}]\n", many.join(", ")),
        }
        out
    }
}

/// The `[source]` table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SourceText {
    /// A device path or a URL.
    pub port: String,
    /// Baud of a serial port.
    pub baud: u32,
    /// What becomes of a serial port's DTR and RTS at opening, as [`hereabout_ingest::Source::Serial`] has it.
    pub dtr: Option<bool>,
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

fn draft(
    raw: &RawSite,
    zones: Vec<Zone>,
    tree: &Tree<'_>,
    frame: Option<&FrameSpec>,
    problems: &mut Vec<Problem>,
) -> Option<SiteDraft> {
    let site = &raw.site;
    let dimension = match (site.dimension.as_str(), site.tag_height_m) {
        ("2d", Some(tag_height_m)) => Dimension::TwoD { tag_height_m },
        ("3d", _) => Dimension::ThreeD,
        ("2d", None) => {
            let path = [key("site"), key("tag_height_m")];
            let help = "in 2D the tag's height must be known: tag_height_m = 0.9 (metres, same zero as the anchors' third number)";
            problems.push(tree.problem(&path, "this key is missing", help).coded("missing_key"));
            return None;
        }
        (other, _) => {
            let what = format!("\"{other}\" is not a dimension");
            let help = "expected \"2d\" (with tag_height_m) or \"3d\"";
            problems.push(tree.problem(&[key("site"), key("dimension")], &what, help));
            return None;
        }
    };
    let track = read_track(raw.track.as_ref(), tree, problems)?;
    let sigma = site.range_sigma_m.unwrap_or(DEFAULT_RANGE_SIGMA_M);
    let anchors = raw.anchor.iter().map(|a| a.anchor(sigma)).collect();
    Some(SiteDraft {
        name: site.name.clone(),
        dimension,
        fence: Fence { area_m: site.area_m.clone().unwrap_or_default(), up_span_m: site.up_span_m },
        range_span_m: site.range_span_m.unwrap_or(DEFAULT_RANGE_SPAN_M),
        anchors,
        zones,
        track,
        range_fields: frame.map(|f| f.layout.range_fields()),
        required_ce95_m: site.required_ce95_m,
        tag_height_se_m: site.tag_height_se_m,
        tags: raw.tag.iter().map(RawTag::tag).collect(),
        correction_limits: CorrectionLimits {
            max_offset_m: site.max_offset_m.unwrap_or(MAX_OFFSET_M),
            ..CorrectionLimits::default()
        },
    })
}

fn read_track(raw: Option<&RawTrack>, tree: &Tree<'_>, problems: &mut Vec<Problem>) -> Option<TrackSettings> {
    let mut track = TrackSettings::default();
    let Some(raw) = raw else { return Some(track) };
    if let Some(name) = &raw.estimator {
        match estimator(name) {
            Some(e) => track.estimator = e,
            None => {
                let what = format!("\"{name}\" is not an estimator");
                let help = format!("expected one of: {}", ESTIMATORS.join(", "));
                problems.push(tree.problem(&[key("track"), key("estimator")], &what, &help));
                return None;
            }
        }
    }
    track.delayed = raw.delayed_s.map(Micros::from_secs_f64);
    track.lost_after = raw.lost_after_s.map_or(track.lost_after, Micros::from_secs_f64);
    track.lost_radius95_m = raw.lost_radius95_m.unwrap_or(track.lost_radius95_m);
    // A tag is not forgotten before it is lost, whatever `lost_after_s` says.
    let at_least = Micros::from_micros(track.lost_after.micros().saturating_mul(2));
    let usual = track.tag_forgotten_after.max(at_least);
    track.tag_forgotten_after = raw.tag_forgotten_after_s.map_or(usual, Micros::from_secs_f64);
    track.max_age = raw.max_age_s.map_or(track.max_age, Micros::from_secs_f64);
    track.slow_error_m = raw.slow_error_m;
    track.tag_offset_m = raw.tag_offset_m;
    Some(track)
}

/// Names of the estimators, as the site file and `--estimator` take them.
pub const ESTIMATORS: &[&str] = &["tracker", "snapshot", "plain"];

/// The estimator of that name.
pub fn estimator(name: &str) -> Option<Estimator> {
    match name {
        "tracker" => Some(Estimator::Tracker),
        "snapshot" => Some(Estimator::Snapshot),
        "plain" => Some(Estimator::Plain),
        _ => None,
    }
}

fn check_port(raw: Option<&RawSource>, tree: &Tree<'_>, problems: &mut Vec<Problem>) {
    if let Some(sign) = raw.and_then(|s| s.port.chars().find(|c| !is_plain(*c))) {
        let said = site_problem::found(&SiteProblem::NotPlain { sign });
        problems.push(tree.said(&[key("source"), key("port")], &said));
    }
}

/// Frames without a tag number are those of tag 0: a list without it would track nothing.
fn check_numbered(raw: &RawSite, frame: Option<&FrameSpec>, tree: &Tree<'_>, problems: &mut Vec<Problem>) {
    let bare = frame.is_some_and(|f| !f.layout.has(FieldName::Tag));
    if bare && !raw.tag.is_empty() && !raw.tag.iter().any(|t| t.id == 0) {
        let what = "frames of this layout carry no tag number: they are tag 0, which is not listed";
        let help = "add the tag field to [frame] layout, or give the one tag id = 0";
        problems
            .push(tree.problem(&[key("tag"), Step::Index(0), key("id")], what, help).coded("no_tag_number"));
    }
}

fn read_listen(raw: Option<&RawApi>, tree: &Tree<'_>, problems: &mut Vec<Problem>) -> Option<SocketAddr> {
    let text = raw.and_then(|a| a.listen.as_deref()).unwrap_or(DEFAULT_LISTEN);
    if let Ok(addr) = text.parse() {
        return Some(addr);
    }
    let what = format!("\"{text}\" is not an address with a port");
    let help = "expected an IP address and a port, like \"127.0.0.1:6208\" or \"[::1]:6208\"";
    problems.push(tree.problem(&[key("api"), key("listen")], &what, help));
    None
}

fn read_zone(i: usize, raw: &RawZone, tree: &Tree<'_>, problems: &mut Vec<Problem>) -> Option<Zone> {
    let shape = match (&raw.polygon_m, &raw.circle, &raw.near) {
        (Some(corners), None, None) => {
            ZoneShape::Polygon { outline_m: corners.clone(), holes_m: raw.holes_m.clone() }
        }
        (None, Some(circle), None) => ZoneShape::Circle { at_m: circle.at_m, radius_m: circle.radius_m },
        (None, None, Some(near)) => {
            ZoneShape::Near { anchor: AnchorId(near.anchor), enter_m: near.enter_m, leave_m: near.leave_m }
        }
        (polygon, circle, near) => {
            let given = [polygon.is_some(), circle.is_some(), near.is_some()].iter().filter(|g| **g).count();
            let what = format!("has {given} of polygon_m, circle and near");
            let help = "give one: polygon_m = [[e, n], …] in metres, circle = { at_m = [e, n], radius_m = 2.0 }, \
                        or near = { anchor = 0, enter_m = 1.5, leave_m = 2.5 }";
            problems.push(tree.problem(&[key("zone"), Step::Index(i)], &what, help).coded("zone_shape"));
            return None;
        }
    };
    if matches!(shape, ZoneShape::Near { .. }) {
        problems.extend(raw.keys_of_no_effect_near().map(|k| {
            let what = "has no effect near an anchor";
            let help = "such a zone goes by ranges alone: leave_m is its hysteresis; leave this key out";
            tree.problem(&[key("zone"), Step::Index(i), key(k)], what, help).coded("no_effect").as_warning()
        }));
    }
    let dwells = [("enter_after_s", raw.enter_after_s), ("leave_after_s", raw.leave_after_s)];
    for (name, _) in dwells.iter().filter(|(_, s)| s.is_some_and(f64::is_nan)) {
        let path = [key("zone"), Step::Index(i), key(name)];
        problems.push(tree.said(&path, &site_problem::found(&SiteProblem::NotFinite)));
    }
    Some(Zone { name: raw.name.clone(), shape, rule: zone_rule(raw) })
}

fn zone_rule(raw: &RawZone) -> ZoneRule {
    let usual = ZoneRule::default();
    ZoneRule {
        margin_m: raw.margin_m.unwrap_or(usual.margin_m),
        enter_after: raw.enter_after_s.map_or(usual.enter_after, Micros::from_secs_f64),
        leave_after: raw.leave_after_s.map_or(usual.leave_after, Micros::from_secs_f64),
        max_protection_radius_m: raw.max_protection_radius_m.unwrap_or(usual.max_protection_radius_m),
        allow_unchecked: raw.allow_unchecked.unwrap_or(usual.allow_unchecked),
        tags: raw.tags.iter().map(|id| TagId(*id)).collect(),
    }
}

fn read_frame(raw: &RawFrame, tree: &Tree<'_>, problems: &mut Vec<Problem>) -> Option<FrameSpec> {
    type Parse = fn(&str) -> Result<Layout, LayoutError>;
    let kinds: [(&str, &Option<String>, Parse); 3] = [
        ("layout", &raw.layout, Layout::parse_binary),
        ("layout_text", &raw.layout_text, Layout::parse_text),
        ("layout_json", &raw.layout_json, Layout::parse_json),
    ];
    let given: Vec<_> =
        kinds.iter().filter_map(|(k, v, parse)| v.as_ref().map(|v| (*k, v, *parse))).collect();
    let [(name, text, parse)] = given[..] else {
        let what = if given.is_empty() { "has no layout" } else { "has more than one layout" };
        let help =
            "give one of layout (binary fields), layout_text (delimited lines) or layout_json (JSON lines)";
        problems.push(tree.problem(&[key("frame")], what, help).coded("one_layout"));
        return None;
    };
    let path = [key("frame"), key(name)];
    let layout = parse(text).map_err(|e| {
        let mut problem =
            tree.problem(&path, &hereabout_words::layout::error_words(&e), "").coded("bad_layout");
        // The value's place is its opening quote; the token stands behind it.
        problem.column +=
            if problem.column > 0 { 1 + text[..e.span.start.min(text.len())].chars().count() } else { 0 };
        problems.push(problem);
    });
    let unit = raw.unit.parse::<Unit>().map_err(|e| {
        problems.push(tree.problem(&[key("frame"), key("unit")], &e.to_string(), ""));
    });
    let no_range = read_no_range(raw, tree, problems);
    Some(FrameSpec { layout: layout.ok()?, unit: unit.ok()?, no_range: no_range? })
}

fn read_no_range(raw: &RawFrame, tree: &Tree<'_>, problems: &mut Vec<Problem>) -> Option<NoRange> {
    let mut numbers = Vec::new();
    let listed: &[RawNoRange] = match &raw.no_range {
        None => &[],
        Some(OneOrMany::One(one)) => std::slice::from_ref(one),
        Some(OneOrMany::Many(many)) => many,
    };
    for one in listed {
        match one {
            RawNoRange::Number(v) => numbers.push(*v),
            RawNoRange::Text(t) if t.eq_ignore_ascii_case("nan") => numbers.push(f64::NAN),
            RawNoRange::Text(t) => {
                let what = format!("\"{t}\" is not a value that means no range");
                let help = "expected a number in the module's own unit, \"nan\", or a list of these";
                problems.push(tree.problem(&[key("frame"), key("no_range")], &what, help));
                return None;
            }
        }
    }
    Some(NoRange::new(numbers))
}

/// A finding of the site's validation, at its place in the file and in words.
fn place(tree: &Tree<'_>, finding: &SiteFinding) -> Problem {
    let path: Vec<Step> = finding
        .path
        .iter()
        .map(|s| match s {
            KeyStep::Key(k) => key(k),
            KeyStep::Index(i) => Step::Index(*i),
        })
        .collect();
    let mut problem = tree.said(&path, &site_problem::found(&finding.problem));
    problem.level = match finding.severity {
        Severity::Error => Level::Error,
        Severity::Warning => Level::Warning,
    };
    problem
}

#[derive(Deserialize)]
struct RawSite {
    site: RawSiteTable,
    track: Option<RawTrack>,
    source: Option<RawSource>,
    frame: Option<RawFrame>,
    #[serde(default)]
    anchor: Vec<RawAnchor>,
    #[serde(default)]
    zone: Vec<RawZone>,
    #[serde(default)]
    tag: Vec<RawTag>,
    log: Option<RawLog>,
    api: Option<RawApi>,
}

#[derive(Deserialize)]
struct RawKit {
    source: Option<RawSource>,
    frame: Option<RawFrame>,
}

#[derive(Deserialize)]
struct RawSiteTable {
    name: String,
    dimension: String,
    tag_height_m: Option<f64>,
    area_m: Option<Vec<[f64; 2]>>,
    up_span_m: Option<[f64; 2]>,
    range_sigma_m: Option<f64>,
    range_span_m: Option<[f64; 2]>,
    required_ce95_m: Option<f64>,
    tag_height_se_m: Option<f64>,
    max_offset_m: Option<f64>,
}

#[derive(Deserialize)]
struct RawTrack {
    estimator: Option<String>,
    delayed_s: Option<f64>,
    lost_after_s: Option<f64>,
    lost_radius95_m: Option<f64>,
    slow_error_m: Option<f64>,
    tag_offset_m: Option<f64>,
    max_age_s: Option<f64>,
    tag_forgotten_after_s: Option<f64>,
}

#[derive(Deserialize)]
struct RawSource {
    port: String,
    baud: Option<u32>,
    dtr: Option<bool>,
}

impl RawSource {
    fn read(self) -> SourceText {
        SourceText { port: self.port, baud: self.baud.unwrap_or(115_200), dtr: self.dtr }
    }
}

#[derive(Deserialize)]
struct RawFrame {
    layout: Option<String>,
    layout_text: Option<String>,
    layout_json: Option<String>,
    unit: String,
    no_range: Option<OneOrMany>,
}

impl RawFrame {
    /// The table as it would be written again; `None` without exactly one layout.
    fn table(&self) -> Option<FrameText> {
        let named = [
            ("layout", &self.layout),
            ("layout_text", &self.layout_text),
            ("layout_json", &self.layout_json),
        ];
        let (key, layout) = named.into_iter().find_map(|(key, l)| Some((key, l.clone()?)))?;
        let word = |w: &RawNoRange| match w {
            RawNoRange::Number(v) => number_text(*v),
            RawNoRange::Text(t) => quoted(t),
        };
        let no_range = match &self.no_range {
            None => Vec::new(),
            Some(OneOrMany::One(one)) => vec![word(one)],
            Some(OneOrMany::Many(many)) => many.iter().map(word).collect(),
        };
        Some(FrameText { key, layout, unit: self.unit.clone(), no_range })
    }

    /// The layout as one line, for the log.
    fn text(&self) -> String {
        let named = [
            ("layout", &self.layout),
            ("layout_text", &self.layout_text),
            ("layout_json", &self.layout_json),
        ];
        let lines = named.iter().filter_map(|(k, v)| v.as_ref().map(|v| format!("{k} = {v:?}")));
        lines.chain([format!("unit = {:?}", self.unit)]).collect::<Vec<_>>().join("; ")
    }
}

#[derive(Deserialize)]
#[serde(untagged, expecting = "expected a number, \"nan\", or a list of these")]
enum OneOrMany {
    One(RawNoRange),
    Many(Vec<RawNoRange>),
}

#[derive(Deserialize)]
#[serde(untagged)]
enum RawNoRange {
    Number(f64),
    Text(String),
}

#[derive(Deserialize)]
struct RawAnchor {
    id: u16,
    name: Option<String>,
    at_m: [f64; 3],
    range_sigma_m: Option<f64>,
    slot: Option<usize>,
}

impl RawAnchor {
    fn anchor(&self, range_sigma_m: f64) -> Anchor {
        Anchor {
            id: AnchorId(self.id),
            name: self.name.clone().unwrap_or_else(|| format!("anchor {}", self.id)),
            at_m: self.at_m,
            range_sigma_m: self.range_sigma_m.unwrap_or(range_sigma_m),
            slot: self.slot,
            correction: Correction::NONE,
        }
    }
}

#[derive(Deserialize)]
struct RawTag {
    id: u32,
    name: Option<String>,
}

impl RawTag {
    fn tag(&self) -> SiteTag {
        let name = self.name.clone().unwrap_or_else(|| format!("tag {}", self.id));
        SiteTag { id: TagId(self.id), name }
    }
}

#[derive(Deserialize)]
struct RawZone {
    name: String,
    polygon_m: Option<Vec<[f64; 2]>>,
    #[serde(default)]
    holes_m: Vec<Vec<[f64; 2]>>,
    circle: Option<RawCircle>,
    near: Option<RawNear>,
    margin_m: Option<f64>,
    enter_after_s: Option<f64>,
    leave_after_s: Option<f64>,
    max_protection_radius_m: Option<f64>,
    allow_unchecked: Option<bool>,
    #[serde(default)]
    tags: Vec<u32>,
}

impl RawZone {
    /// The keys given that only a zone that goes by the position has a use for.
    fn keys_of_no_effect_near(&self) -> impl Iterator<Item = &'static str> {
        let given = [
            ("holes_m", !self.holes_m.is_empty()),
            ("margin_m", self.margin_m.is_some()),
            ("enter_after_s", self.enter_after_s.is_some()),
            ("leave_after_s", self.leave_after_s.is_some()),
            ("max_protection_radius_m", self.max_protection_radius_m.is_some()),
            ("allow_unchecked", self.allow_unchecked.is_some()),
        ];
        given.into_iter().filter_map(|(key, is_given)| is_given.then_some(key))
    }
}

#[derive(Deserialize)]
struct RawCircle {
    at_m: [f64; 2],
    radius_m: f64,
}

#[derive(Deserialize)]
struct RawNear {
    anchor: u16,
    enter_m: f64,
    leave_m: f64,
}

#[derive(Deserialize)]
struct RawLog {
    path: PathBuf,
}

#[derive(Deserialize)]
struct RawApi {
    listen: Option<String>,
    socket: Option<SocketChoice>,
}

const NUMBER_M: &str = "a number of metres";
const CORNERS: &str = "corners [[east, north], …] in metres";

const SITE: Schema = Schema {
    keys: &[
        ("site", "a table [site]", Some(&SITE_TABLE)),
        ("track", "a table [track]", Some(&TRACK)),
        ("source", "a table [source]", Some(&SOURCE)),
        ("frame", "a table [frame]", Some(&FRAME)),
        ("anchor", "tables [[anchor]], one a board", Some(&ANCHOR)),
        ("zone", "tables [[zone]]", Some(&ZONE)),
        ("tag", "tables [[tag]], one a tag that is to be tracked", Some(&TAG)),
        ("log", "a table [log]", Some(&LOG)),
        ("api", "a table [api]", Some(&API)),
    ],
};
const KIT: Schema = Schema {
    keys: &[("source", "a table [source]", Some(&SOURCE)), ("frame", "a table [frame]", Some(&FRAME))],
};
const SITE_TABLE: Schema = Schema {
    keys: &[
        ("name", "text", None),
        ("dimension", "\"2d\" (with tag_height_m) or \"3d\"", None),
        ("tag_height_m", NUMBER_M, None),
        ("area_m", CORNERS, None),
        ("up_span_m", "[lowest, highest] place of the tag in metres", None),
        ("range_sigma_m", "the standard deviation of one range in metres", None),
        ("range_span_m", "[shortest, longest] believable range in metres", None),
        ("required_ce95_m", NUMBER_M, None),
        ("tag_height_se_m", "the standard error of tag_height_m in metres", None),
        ("max_offset_m", "the largest offset that a board may have, in metres", None),
    ],
};
const TRACK: Schema = Schema {
    keys: &[
        ("estimator", "the name of an estimator in quotes", None),
        ("delayed_s", "a number of seconds, like 1.0", None),
        ("lost_after_s", "a number of seconds", None),
        ("lost_radius95_m", NUMBER_M, None),
        ("slow_error_m", NUMBER_M, None),
        ("tag_offset_m", NUMBER_M, None),
        ("max_age_s", "a number of seconds, like 0.3", None),
        ("tag_forgotten_after_s", "a number of seconds, like 600", None),
    ],
};
const SOURCE: Schema = Schema {
    keys: &[
        ("port", "a device path, or tcp://…, udp://…, file://…, sim://… in quotes", None),
        ("baud", "a whole number like 115200", None),
        ("dtr", "true (assert DTR and RTS after opening) or false (let both go)", None),
    ],
};
const FRAME: Schema = Schema {
    keys: &[
        ("layout", "a binary layout in quotes, like \"c3 5a seq:u8 range:u16le*8 sum8\"", None),
        ("layout_text", "a text layout in quotes, like \"'R,' tag ',' range*4\"", None),
        ("layout_json", "JSON pointers in quotes, like \"seq=/n range=/d/0\"", None),
        ("unit", "\"m\", \"cm\" or \"mm\"", None),
        ("no_range", "a number in the module's own unit, \"nan\", or a list of these", None),
    ],
};
const ANCHOR: Schema = Schema {
    keys: &[
        ("id", "the id the board is set to, a whole number from 0 to 65535", None),
        ("name", "text", None),
        ("at_m", "[east, north, up] in metres, three numbers", None),
        ("range_sigma_m", "the standard deviation of one range in metres", None),
        ("slot", "the number of its range field in the frame, from 0", None),
    ],
};
const ZONE: Schema = Schema {
    keys: &[
        ("name", "text", None),
        ("polygon_m", CORNERS, None),
        ("holes_m", "a list of outlines, each a list of corners [[east, north], …] in metres", None),
        ("circle", "{ at_m = [east, north], radius_m = 2.0 }", Some(&CIRCLE)),
        ("near", "{ anchor = 0, enter_m = 1.5, leave_m = 2.5 }", Some(&NEAR)),
        ("margin_m", NUMBER_M, None),
        ("enter_after_s", "a number of seconds, like 0.4", None),
        ("leave_after_s", "a number of seconds, like 0.4", None),
        ("max_protection_radius_m", NUMBER_M, None),
        ("allow_unchecked", "true or false", None),
        ("tags", "a list of tag ids, like [0, 3]", None),
    ],
};
const TAG: Schema = Schema {
    keys: &[("id", "the number that the tag sends, a whole one from 0", None), ("name", "text", None)],
};
const CIRCLE: Schema =
    Schema { keys: &[("at_m", "[east, north] in metres", None), ("radius_m", NUMBER_M, None)] };
const NEAR: Schema = Schema {
    keys: &[
        ("anchor", "the id of an anchor", None),
        ("enter_m", NUMBER_M, None),
        ("leave_m", NUMBER_M, None),
    ],
};
const LOG: Schema = Schema { keys: &[("path", "a file name in quotes", None)] };
const API: Schema = Schema {
    keys: &[
        ("listen", "\"127.0.0.1:6208\"", None),
        ("socket", "a file name in quotes, or false for none", None),
    ],
};
#[cfg(test)]
mod tests;
