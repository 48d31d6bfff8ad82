//! `calibrate`: offsets from a tag at known places, or of one board at a taped distance.
//!
//! The ranges come from a recording or live ([`crate::survey::session`]), the numbers from
//! [`hereabout_commission`]; here they become a table, words and `calibration.toml`. A board that is
//! refused keeps what it had. Nothing is written before everything is known.

use std::path::{Path, PathBuf};

use hereabout_commission::calibration::{
    BoardResult, BoardVerdict, Calibration, calibrate as adjust_all, calibrate_one,
};
use hereabout_commission::survey::{Spot, SurveySession, slant_m};
use hereabout_core::{AnchorId, Dimension, Epoch, Site, TagId, Timestamp};
use hereabout_ingest::Clock;
use hereabout_solve::calibrate::adjust::ScaleChoice;
use hereabout_words::time::rfc3339_seconds;
use hereabout_words::{Said, calibration as words};
use serde_json::{Value, json};

use crate::calibration::calibration_file::{self, CalibrationFile, Entry, Restored, UsedPlace};
use crate::calibration::fit_test::{FitTest, SiteFault};
use crate::calibration::place_checks::{self, Heights, Named};
use crate::cli::{CalibrateArgs, SurveyArgs};
use crate::commands::rows;
use crate::commands::runtime;
use crate::exit::{self, Failure};
use crate::files::paths::{calibration_beside, is_same_file};
use crate::site_file::SiteFile;
use crate::survey::session::{self, EpochSink, Target};
use crate::survey::spots::Spots;

/// Usual time at one place, seconds.
const PLACE_S: f64 = 60.0;
/// Usual time of one board on its stand, seconds.
const STAND_S: f64 = 30.0;

/// Calibrates, or goes back to the calibration before.
///
/// # Errors
/// Inputs that can't be used, Ctrl-C, nothing that could be calibrated, a file that can't be written.
pub fn calibrate(args: &CalibrateArgs) -> Result<u8, Failure> {
    if args.restore {
        return restore(&args.site);
    }
    let site = SiteFile::load(&args.site)?;
    for warning in &site.warnings {
        eprintln!("{warning}");
    }
    let task = Task::new(args, &site.site)?;
    let (session, misfit) = runtime()?.block_on(task.receive_ranges(&site, args))?;
    let found = task.work_out(&site.site, &session, args.scale);
    let outcome = Outcome {
        task: &task,
        site: &site.site,
        spots: session.spots(),
        found: &found,
        left_out: session.left_out(),
        misfit: misfit.as_ref(),
    };
    let path = calibration_beside(&args.site);
    let taken = !found.taken().is_empty();
    let written = taken && !args.dry_run && !outcome.is_forbidden();
    if written {
        outcome.write(&path)?;
    }
    if args.json {
        println!("{}", outcome.to_json(written.then_some(&path)));
    } else {
        print!("{}", outcome.to_text());
    }
    if found.boards.iter().any(|b| b.verdict == BoardVerdict::Implausible) {
        let what = "nothing is written: no board has such an offset, so a place or an anchor is wrong, and the others \
                    rest on the same places";
        return Err(Failure::new(exit::DATA, what));
    }
    if outcome.is_forbidden() {
        let what = "nothing is written: ranges and site file don't fit each other, and what is wrong with a place, an order, a \
                    unit or a height would hide in the offsets; correct the site file first";
        return Err(Failure::new(exit::DATA, what));
    }
    if !taken {
        let what = "no board could be calibrated; the calibration is as it was";
        return Err(Failure::new(exit::DATA, what));
    }
    if written {
        eprintln!("written to {}; a running daemon takes it over on SIGHUP", path.display());
    } else {
        eprintln!("--dry-run: nothing was written");
    }
    Ok(0)
}

/// Goes back. The present file may be one that every other command refuses, so the site is not loaded first.
fn restore(site: &Path) -> Result<u8, Failure> {
    let path = calibration_beside(site);
    if is_same_file(site, &path) {
        let what = format!("{} is the site file itself, and not its calibration", path.display());
        return Err(Failure::new(exit::CONFIG, format!("{what}\n  give the site file another name")));
    }
    let now = Clock::start().started_at();
    let shown = path.display();
    if calibration_file::previous_files(&path).is_empty() && is_refused(site, &path) {
        // Nobody knows what was before it, but it can't stay.
        let aside = calibration_file::move_aside(&path, now)?;
        eprintln!(
            "{shown} is refused, and none was kept before it: there is no calibration now (it is kept as {})",
            aside.display()
        );
        return Ok(0);
    }
    let said = match calibration_file::restore(&path, now)? {
        Restored::File(was) => format!("is in force again (it was kept as {})", was.display()),
        Restored::None => "is undone: there is no calibration now, as before the first one".to_owned(),
    };
    eprintln!("{shown} {said}");
    if is_refused(site, &path) {
        eprintln!(
            "the one in force now is refused as well, see `hereabout check`: --restore again goes further back"
        );
    }
    Ok(0)
}

/// Whether the calibration file is what keeps the site from loading.
fn is_refused(site: &Path, calibration: &Path) -> bool {
    SiteFile::load(site).is_err_and(|problems| problems.iter().any(|p| p.file == calibration))
}

/// What is to be done.
enum Task {
    /// One board, by index, at a slant distance in metres.
    Board { anchor: usize, distance_m: f64 },
    /// Places given one by one.
    Places(Vec<Target>),
    /// Places of a table.
    Table(Spots),
}

impl Task {
    fn new(args: &CalibrateArgs, site: &Site) -> Result<Task, Failure> {
        if let (Some(id), Some(distance_m)) = (args.anchor, args.distance) {
            return board_task(id, distance_m, args.height_difference.as_deref(), site);
        }
        places_task(&args.survey, site, args.json).map(|places| match places {
            Places::Targets(targets) => Task::Places(targets),
            Places::Table(spots) => Task::Table(spots),
        })
    }

    async fn receive_ranges(
        &self,
        site: &SiteFile,
        args: &CalibrateArgs,
    ) -> Result<(SurveySession, Option<SiteFault>), Failure> {
        let tag = args.survey.tag.map(TagId);
        // A board on its stand need not be where the site has it.
        let placed = !matches!(self, Task::Board { .. });
        let fit = placed.then(|| FitTest::new(&session::tested_site(&args.survey, site)));
        let mut listener =
            Listener { site: &site.site, session: SurveySession::new(&site.site, tag), only: None, fit };
        let (targets, usual_s) = match self {
            Task::Board { anchor, .. } => {
                listener.only = Some(*anchor);
                let name = format!(
                    "on its stand, {:.3} m from anchor {}",
                    self.distance(),
                    args.anchor.unwrap_or(0)
                );
                (vec![Target { name, at_m: None }], STAND_S)
            }
            Task::Places(targets) => (targets.clone(), PLACE_S),
            Task::Table(spots) => (targets_of(spots), PLACE_S),
        };
        receive_ranges(&args.survey, site, self.table(), &targets, usual_s, &mut listener).await?;
        let Listener { session, mut fit, .. } = listener;
        if let Some(spots) = self.table().filter(|_| args.survey.input.is_some()) {
            spots.check_extent(session.extent())?;
        }
        session::check_received(&session, tag)?;
        if let Some(fit) = &mut fit {
            fit.settle();
        }
        Ok((session, fit.and_then(|fit| fit.site_fault())))
    }

    fn table(&self) -> Option<&Spots> {
        if let Task::Table(spots) = self { Some(spots) } else { None }
    }

    fn distance(&self) -> f64 {
        if let Task::Board { distance_m, .. } = self { *distance_m } else { 0.0 }
    }

    fn work_out(&self, site: &Site, session: &SurveySession, scale: bool) -> Calibration {
        match self {
            Task::Board { anchor, distance_m } => calibrate_one(site, session, *anchor, *distance_m),
            _ => adjust_all(site, session, if scale { ScaleChoice::Asked } else { ScaleChoice::WhenProven }),
        }
    }
}

fn board_task(id: u16, distance_m: f64, height: Option<&str>, site: &Site) -> Result<Task, Failure> {
    let Some(anchor) = site.anchor_index(AnchorId(id)) else {
        let ids: Vec<String> = site.anchors().iter().map(|a| a.id.to_string()).collect();
        let what = format!("--anchor {id}: the site has no such anchor; it has {}", ids.join(", "));
        return Err(Failure::new(exit::USAGE, what));
    };
    let up_m = match (height, site.dimension()) {
        (None, _) => 0.0,
        (Some("site"), Dimension::TwoD { tag_height_m }) => site.anchors()[anchor].at_m[2] - tag_height_m,
        (Some("site"), Dimension::ThreeD) => {
            let what = "--height-difference site: a 3D site states no height of the tag; give it in metres";
            return Err(Failure::new(exit::USAGE, what));
        }
        (Some(text), _) => text.parse().ok().filter(|v: &f64| v.abs() <= 60.0).ok_or_else(|| {
            let what = format!("--height-difference {text}: not a height in metres");
            Failure::new(exit::USAGE, format!("{what}\n  expected a number up to 60, or \"site\""))
        })?,
    };
    let distance_m = slant_m(distance_m, up_m);
    // Nearer than a decimetre no board measures, farther than this none is heard.
    if !(0.1..=100.0).contains(&distance_m) {
        let what = format!("--distance: {distance_m} m is not a distance to calibrate at");
        return Err(Failure::new(
            exit::USAGE,
            format!("{what}\n  expected metres from 0.1 to 100; 1 m is usual"),
        ));
    }
    Ok(Task::Board { anchor, distance_m })
}

/// Places, one by one or as a table.
pub(crate) enum Places {
    /// From `--at`.
    Targets(Vec<Target>),
    /// From `--spots`.
    Table(Spots),
}

/// The places of the command line.
pub(crate) fn places_task(args: &SurveyArgs, site: &Site, json: bool) -> Result<Places, Failure> {
    let heights = Heights::of(args.accept_height, json);
    if let Some(path) = &args.spots {
        let spots = Spots::read(path, site.dimension())?;
        place_checks::check(site, &spots.places(), heights, exit::DATA)?;
        return Ok(Places::Table(spots));
    }
    if args.input.is_some() && args.at.len() > 1 {
        let what = "several --at in one recording: nobody knows when the tag stood where";
        return Err(Failure::new(exit::USAGE, format!("{what}\n  give --spots, which says when")));
    }
    let up_m = match site.dimension() {
        Dimension::TwoD { tag_height_m } => Some(tag_height_m),
        Dimension::ThreeD => None,
    };
    let targets: Result<Vec<Target>, Failure> = args.at.iter().map(|t| session::place(t, up_m)).collect();
    let targets = targets?;
    let named = |g: &Target| Some(Named { label: format!("--at {}", g.name), at_m: g.at_m? });
    let places: Vec<Named> = targets.iter().filter_map(named).collect();
    place_checks::check(site, &places, heights, exit::USAGE)?;
    Ok(Places::Targets(targets))
}

/// The places of a table to go to, one after the other; live its times do not count.
pub(crate) fn targets_of(spots: &Spots) -> Vec<Target> {
    spots.list().into_iter().map(|s| Target { name: s.name, at_m: Some(s.at_m) }).collect()
}

/// Hears everything, from a recording or live.
pub(crate) async fn receive_ranges(
    args: &SurveyArgs,
    site: &SiteFile,
    table: Option<&Spots>,
    targets: &[Target],
    usual_s: f64,
    sink: &mut dyn EpochSink,
) -> Result<(), Failure> {
    let Some(input) = &args.input else {
        let seconds = session::occupation_s(args.seconds, usual_s)?;
        return session::live(targets, seconds, site, args.source.as_deref(), sink).await;
    };
    match table {
        Some(spots) => spots.list().into_iter().for_each(|spot| {
            sink.begin(spot);
        }),
        // One place: the whole recording belongs to it.
        None => targets.iter().for_each(|target| {
            let (from, to) = (Timestamp::MIN, Timestamp::from_micros(i64::MAX));
            sink.begin(Spot { name: target.name.clone(), at_m: target.at_m.unwrap_or_default(), from, to });
        }),
    }
    session::from_recording(input, site, args, sink).await
}

struct Listener<'a> {
    site: &'a Site,
    session: SurveySession,
    /// Only this anchor is looked at.
    only: Option<usize>,
    fit: Option<FitTest>,
}

impl EpochSink for Listener<'_> {
    fn begin(&mut self, spot: Spot) -> bool {
        self.session.begin(spot)
    }

    fn take(&mut self, epoch: &Epoch) {
        self.session.take(epoch);
        if let Some(fit) = &mut self.fit {
            fit.take(epoch);
        }
    }

    fn glance(&self) -> String {
        let counts = self.session.counts();
        let one = |(i, a): (usize, &hereabout_core::Anchor)| {
            let n = counts.get(i).copied().unwrap_or(0);
            let now = self.session.glance_m(i).map_or("no range".to_owned(), |m| format!("{m:.2} m"));
            self.only.is_none_or(|only| only == i).then(|| format!("{}: {now} ({n})", a.id))
        };
        self.site.anchors().iter().enumerate().filter_map(one).collect::<Vec<_>>().join("  ")
    }
}

/// A result on its way to people, programs and the file.
struct Outcome<'a> {
    task: &'a Task,
    site: &'a Site,
    spots: &'a [Spot],
    found: &'a Calibration,
    /// Ranges that found no room.
    left_out: usize,
    /// What speaks against the site.
    misfit: Option<&'a SiteFault>,
}

impl Outcome<'_> {
    /// Whether no offset may be written, because what is wrong with the site would hide in it.
    fn is_forbidden(&self) -> bool {
        self.misfit.is_some_and(SiteFault::forbids_offsets)
    }

    /// What becomes of a board.
    fn verdict(&self, b: &BoardResult) -> BoardVerdict {
        if self.is_forbidden() && b.verdict.is_taken() { BoardVerdict::HeldBack } else { b.verdict }
    }

    fn write(&self, path: &Path) -> Result<(), Failure> {
        let mut file = CalibrationFile::read(path)?.unwrap_or_default();
        let now = Clock::start().started_at();
        let date = rfc3339_seconds(now);
        let entry = |(id, correction)| Entry {
            id,
            correction,
            date: Some(date.clone()),
            method: Some(self.method()),
        };
        file.put(self.found.taken().into_iter().map(entry).collect());
        if !matches!(self.task, Task::Board { .. }) {
            let used = self.found.places_used().into_iter().filter_map(|k| self.spots.get(k));
            file.places = used.map(|s| UsedPlace { name: s.name.clone(), at_m: s.at_m }).collect();
        }
        calibration_file::replace(path, &file.to_toml(), now)
    }

    fn method(&self) -> String {
        match self.task {
            Task::Board { distance_m, .. } => format!("stand at {distance_m:.3} m"),
            _ => match self.found.places_used().len() {
                1 => "tag at one known place".to_owned(),
                n => format!("tag at {n} known places"),
            },
        }
    }

    fn to_text(&self) -> String {
        let mut out = String::new();
        if self.spots.len() > 1 {
            out += &format!("{} places, adjusted together\n", self.spots.len());
        }
        let scaled = self.found.boards.iter().any(|b| b.found.is_some_and(|f| f.scale_se.is_some()));
        out += &format!(
            "{:>5}  {:<20} {:>9} {:>7}{} {:>5} {:>7}  {:<12} {:>9}\n",
            "id",
            "name",
            "offset m",
            "± m",
            if scaled { "    scale" } else { "" },
            "late",
            "stands",
            "verdict",
            "change m"
        );
        for b in &self.found.boards {
            out += &self.row(b, scaled);
        }
        out + &self.notes().iter().map(rows::item).collect::<String>()
    }

    fn row(&self, b: &BoardResult, scaled: bool) -> String {
        let dash = || "-".to_owned();
        let name: String = self.name(b).chars().take(20).collect();
        let offset = b.found.map_or_else(dash, |f| format!("{:+.3}", f.offset_m));
        let se = b.found.map_or_else(dash, |f| format!("{:.3}", f.se_m));
        let scale = b.found.map_or_else(dash, |f| format!("{:.4}", f.scale));
        let late = b.nlos_share.map_or_else(dash, |l| format!("{:.0} %", l * 100.0));
        let stands = format!("{}/{}", b.found.map_or(0, |f| f.occupations), self.spots.len());
        let change = b.change_m.map_or_else(dash, |c| format!("{c:+.3}"));
        format!(
            "{:>5}  {name:<20} {offset:>9} {se:>7}{} {late:>5} {stands:>7}  {:<12} {change:>9}\n",
            b.anchor,
            if scaled { format!(" {scale:>8}") } else { String::new() },
            words::verdict(self.verdict(b)).words,
        )
    }

    fn name(&self, b: &BoardResult) -> &str {
        let i = self.site.anchor_index(b.anchor);
        i.and_then(|i| self.site.anchors().get(i)).map_or("", |a| a.name.as_str())
    }

    fn notes(&self) -> Vec<Said> {
        let mut notes: Vec<Said> = self.misfit.map(SiteFault::note).into_iter().collect();
        notes.extend((0..self.spots.len()).flat_map(|k| self.stand_notes(k)));
        match &self.found.adjustment {
            Err(refusal) => notes.push(words::adjust_refusal(refusal, self.spots)),
            Ok(a) => {
                notes
                    .extend(a.wrong_occupations.iter().map(|e| words::wrong_stand(e, self.site, self.spots)));
                notes.extend(a.blocked.iter().map(|path| {
                    let board = a.boards.iter().find(|b| b.anchor == path.anchor);
                    words::blocked(path, board, self.site, self.spots)
                }));
                notes.extend(words::faults(&a.faults, self.site, self.spots));
                notes.extend(words::scale(&a.scale));
            }
        }
        notes.extend(words::implausible(self.found, self.site, self.spots));
        notes.extend(self.board_notes());
        notes.extend(words::left_out(self.left_out));
        let caution = words::places_caution(self.found.places_used().len());
        notes.extend(caution.filter(|_| !self.found.taken().is_empty()));
        notes
    }

    /// What is wrong at one place, seen by itself.
    fn stand_notes(&self, k: usize) -> Vec<Said> {
        let (Some(spot), Some(stand)) = (self.spots.get(k), self.found.occupations.get(k)) else {
            return Vec::new();
        };
        let at = if self.spots.len() > 1 { format!("{}: ", spot.name) } else { String::new() };
        // A board on its stand is at no spot.
        let name = (!self.board_only()).then_some(spot.name.as_str());
        let displacement = words::displacement(&stand.displacement, self.site);
        let mut notes: Vec<Said> =
            displacement.map(|note| note.after(&at).at_spot(name)).into_iter().collect();
        for (board, anchor) in stand.boards.iter().zip(self.site.anchors()) {
            let Err(refused) = board else { continue };
            let refusal = |r| words::refusal(r, &at, anchor.id).at_spot(name);
            notes.extend(refused.reasons.iter().map(refusal));
        }
        notes
    }

    fn board_notes(&self) -> Vec<Said> {
        let odd = self.found.boards.iter().filter(|b| b.verdict == BoardVerdict::Odd);
        let mut notes: Vec<Said> = odd.map(|b| words::odd_offset(b.anchor)).collect();
        for (i, a) in self.site.anchors().iter().enumerate() {
            let stands: Vec<_> =
                self.found.occupations.iter().filter_map(|s| s.boards.get(i)?.as_ref().ok()).collect();
            // A single stand may look so by chance.
            if 2 * stands.iter().filter(|r| r.short_for_noise).count() > stands.len() {
                notes.push(words::slow_noise(a.id));
            }
        }
        notes
    }

    fn board_only(&self) -> bool {
        matches!(self.task, Task::Board { .. })
    }

    fn to_json(&self, written: Option<&PathBuf>) -> Value {
        let board = |b: &BoardResult| {
            let verdict = words::verdict(self.verdict(b));
            json!({
                "id": b.anchor.0, "name": self.name(b), "verdict": verdict.words, "code": verdict.code,
                "taken": self.verdict(b).is_taken(), "offset_m": b.found.map(|f| f.offset_m),
                "offset_se_m": b.found.map(|f| f.se_m), "scale": b.found.map(|f| f.scale),
                "scale_se": b.found.and_then(|f| f.scale_se), "late_share": b.nlos_share,
                "stands_used": b.found.map_or(0, |f| f.occupations), "occupations_heard": b.occupations_heard,
                "change_m": b.change_m,
            })
        };
        let used = self.found.places_used();
        let place =
            |(k, s): (usize, &Spot)| json!({ "name": s.name, "at_m": s.at_m, "used": used.contains(&k) });
        json!({
            "written": written.map(|p| p.display().to_string()),
            "anchors": self.found.boards.iter().map(board).collect::<Vec<_>>(),
            "places": if self.board_only() { Vec::new() } else { self.spots.iter().enumerate().map(place).collect() },
            "place_sd_m": self.found.adjustment.as_ref().ok().and_then(|a| a.place_sd_m),
            "site_fit": self.misfit.map(SiteFault::to_json),
            "notes": self.notes().iter().map(rows::note).collect::<Vec<_>>(),
        })
    }
}
