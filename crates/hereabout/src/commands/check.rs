//! `check`: what a site file says, and what follows from it: geometry, reach, mirror places, offsets.

use std::path::Path;

use hereabout_core::{Dimension, Micros, Site, Zone, ZoneShape};
use hereabout_engine::epoch_from_frame;
use hereabout_ingest::{Clock, latency_matters, latency_timer_ms};
use hereabout_solve::fit::FitAnswer;
use hereabout_solve::verify::site_check::{DopSpread, SiteCheck, SiteCheckSettings, check_site};
use hereabout_words::link::{LATENCY_ADVICE, latency_words};
use hereabout_words::{Said, site_fact};
use serde_json::{Value, json};

use crate::calibration::calibration_file::CalibrationFile;
use crate::calibration::fit_test::{FitTest, answer_json, answer_said};
use crate::cli::CheckArgs;
use crate::commands::rows;
use crate::commands::runtime;
use crate::daemon::runnable::{Instead, log_warning, obstacles, zone_warnings};
use crate::exit::{self, Failure};
use crate::files::outputs::{FilesInUse, Output};
use crate::files::paths::calibration_beside;
use crate::picture::site_picture::SitePicture;
use crate::recording::{Recording, Step};
use crate::site_file::SiteFile;
use crate::toml_doc::{Level, Problem};

/// Checks a site file. Exit code 0 when `run` would start with it (or when a replay is all that is asked for), 78 when not.
///
/// # Errors
/// Only when the file can't be read at all; what is wrong inside of it is the command's own output.
pub fn check(args: &CheckArgs) -> Result<u8, Failure> {
    match SiteFile::load(&args.site) {
        Ok(site) => {
            let found = site_check(&site);
            let latency_ms = latency_ms(&site, Path::new("/sys"));
            if let Some(path) = &args.svg {
                draw(path, args, &site, &found)?;
            }
            let judged = Judged::of(&site, args.replay_only || args.input.is_some());
            let fit = args.input.as_deref().map(|input| runtime()?.block_on(test_fit(input, args, &site)));
            let fit = fit.transpose()?;
            if args.json {
                let mut json = to_json(&site.warnings, Some((&site, &found)), &judged, latency_ms);
                json["fit"] = fit.as_ref().map_or(Value::Null, |(answer, site)| answer_json(answer, site));
                println!("{json}");
            } else {
                print!("{}", to_text(&site, &found, &judged, latency_ms));
                if let (Some((answer, site)), Some(input)) = (&fit, &args.input) {
                    print!("{}", fit_text(input, &answer_said(answer, site)));
                }
            }
            let fit = fit.map_or(0, |(answer, _)| fit_code(&answer));
            Ok(if judged.passes() { fit } else { exit::CONFIG })
        }
        Err(problems) if args.json => {
            println!("{}", to_json(&problems, None, &Judged::default(), None));
            Ok(exit::CONFIG)
        }
        Err(problems) => Err(problems.into()),
    }
}

/// Whether the ranges of a recording fit the site; with the site as it was tested.
async fn test_fit(input: &Path, args: &CheckArgs, site: &SiteFile) -> Result<(FitAnswer, Site), Failure> {
    let mut recording = Recording::open(input, site, args.session, args.frame_period).await?;
    let tested = recording.site(site);
    let mut test = FitTest::new(&tested);
    let name = input.display().to_string();
    while let Some(step) = recording.next().await? {
        match (&step, &site.frame) {
            (Step::Frame(frame), Some(spec)) => test.take(&epoch_from_frame(frame, spec, &tested)),
            (Step::Epoch(epoch), _) => test.take(epoch),
            (Step::Frame(_), None) | (Step::End(_) | Step::HandOn(_), _) => {}
        }
        recording.report_bad_rows(&name);
    }
    recording.report_bad_rows(&name);
    if test.epochs() == 0 {
        return Err(Failure::new(
            exit::DATA,
            format!("{name}: no epoch could be read, so nothing was tested"),
        ));
    }
    test.settle();
    Ok((test.answer(), tested))
}

fn fit_code(answer: &FitAnswer) -> u8 {
    match answer {
        FitAnswer::Fits { .. } => 0,
        FitAnswer::TooEarly { .. } => exit::TRY_AGAIN,
        FitAnswer::Doubted(_) => exit::CONFIG,
    }
}

fn fit_text(input: &Path, said: &Said) -> String {
    let todo = if said.advice.is_empty() { String::new() } else { format!("    {}\n", said.advice) };
    format!("{}: {}\n{todo}", input.display(), said.words)
}

/// What stands between the site and a running daemon, and whether anybody asked for one.
#[derive(Default)]
struct Judged {
    obstacles: Vec<Problem>,
    replay_only: bool,
}

impl Judged {
    fn of(site: &SiteFile, replay_only: bool) -> Judged {
        let obstacles = obstacles(site, Instead::default()).into_iter().map(|o| o.problem);
        Judged {
            obstacles: obstacles.chain(log_warning(site)).chain(zone_warnings(site)).collect(),
            replay_only,
        }
    }

    /// Whether `run` would start.
    fn runs(&self) -> bool {
        self.obstacles.iter().all(|o| o.level == Level::Warning)
    }

    fn passes(&self) -> bool {
        self.replay_only || self.runs()
    }

    /// What is to be shown: for replays only that and why it can't be run.
    fn shown(&self) -> impl Iterator<Item = Problem> + '_ {
        self.obstacles.iter().filter(|o| !self.replay_only || o.level == Level::Error).cloned().map(
            |mut o| {
                if self.replay_only {
                    o.level = Level::Warning;
                }
                o
            },
        )
    }
}

/// The check with today's date for the age of the calibration.
pub(crate) fn site_check(site: &SiteFile) -> SiteCheck {
    check_site(&site.site, &ages(site), &SiteCheckSettings::default())
}

/// How old each anchor's calibration is, in anchor order.
fn ages(site: &SiteFile) -> Vec<Option<Micros>> {
    // The site was loaded with this file, so it is readable; without one there are no ages.
    let file = CalibrationFile::read(&calibration_beside(&site.path)).ok().flatten().unwrap_or_default();
    let now = Clock::start().started_at();
    let age = |id| Some(now.since(file.entry(id)?.found_at()?));
    site.site.anchors().iter().map(|a| age(a.id)).collect()
}

fn draw(path: &Path, args: &CheckArgs, site: &SiteFile, found: &SiteCheck) -> Result<(), Failure> {
    let title = format!("{}: HDOP", site.site.name());
    let svg = SitePicture::new(&site.site, &title).with_hdop(&found.grid, found.hdop).to_svg();
    let inputs = [args.site.as_path()].into_iter().chain(site.log.as_deref());
    Output::write_whole(path, &svg, &mut FilesInUse::inputs(inputs))?;
    eprintln!("drawn into {}", path.display());
    Ok(())
}

fn geometry_text(found: &SiteCheck) -> String {
    let spread = |name: &str, d: Option<DopSpread>| {
        d.map_or_else(String::new, |d| {
            let [e, n, _] = d.worst_at_m;
            format!(
                "{name}   best {:.2}, median {:.2}, worst {:.2} at {e:.1} east, {n:.1} north\n",
                d.min_hdop, d.median_hdop, d.worst_hdop
            )
        })
    };
    let area = if found.area_stated {
        ""
    } else {
        "       (over the rectangle round the anchors: the site states no area_m)\n"
    };
    let text = spread("HDOP", found.hdop) + &spread("VDOP", found.vdop);
    if text.is_empty() { text } else { text + area }
}

fn to_text(site: &SiteFile, found: &SiteCheck, judged: &Judged, latency_ms: Option<u32>) -> String {
    let s = &site.site;
    let dimension = match s.dimension() {
        Dimension::TwoD { tag_height_m } => format!("2D, tag at {tag_height_m} m"),
        Dimension::ThreeD => "3D".to_owned(),
    };
    let mut out = format!("{}: {dimension}, {} anchors\n", s.name(), s.anchors().len());
    for (i, a) in s.anchors().iter().enumerate() {
        let slot = (0..hereabout_core::MAX_ANCHORS).find(|slot| s.anchor_of_slot(*slot) == Some(i));
        let field = slot.map_or(String::new(), |slot| format!("  field {slot}"));
        let offset = match a.correction.offset_se_m {
            Some(se) => format!("offset {:+.3} ± {se:.3} m", a.correction.offset_m),
            None if a.correction.offset_m != 0.0 => format!("offset {:+.3} m", a.correction.offset_m),
            None => "not calibrated".to_owned(),
        };
        let [e, n, u] = a.at_m;
        out += &format!("  {:>5}  {:<24} {e:>8.2} {n:>8.2} {u:>6.2}  {offset}{field}\n", a.id, a.name);
    }
    for zone in s.zones() {
        let shape = match &zone.shape {
            ZoneShape::Polygon { outline_m, holes_m } if holes_m.is_empty() => {
                format!("{} corners", outline_m.len())
            }
            ZoneShape::Polygon { outline_m, holes_m } => {
                format!("{} corners, {} cut out", outline_m.len(), holes_m.len())
            }
            ZoneShape::Circle { at_m: [e, n], radius_m } => format!("circle of {radius_m} m at {e}, {n}"),
            ZoneShape::Near { anchor, enter_m, leave_m } => {
                format!("near anchor {anchor}: in at {enter_m} m, out beyond {leave_m} m")
            }
        };
        out += &format!("  zone {}: {shape}\n    {}\n", zone.name, rule_text(zone));
    }
    let source = site.source.as_ref().map_or("none", |s| s.port.as_str());
    let timer = latency_ms.map_or(String::new(), |ms| format!("  (latency timer of the adapter: {ms} ms)"));
    out += &format!("source {source}{timer}\n");
    out += &format!("frame  {}\n", site.frame_text.as_deref().unwrap_or("none"));
    out += &geometry_text(found);
    for problem in site.warnings.iter().cloned().chain(judged.shown()) {
        out += &format!("{problem}\n");
    }
    let facts = facts(Some((site, found)), latency_ms);
    facts.iter().for_each(|fact| out += &rows::item(fact));
    out += match (judged.runs(), site.warnings.is_empty() && facts.is_empty() && judged.obstacles.is_empty())
    {
        (false, _) => "it can be replayed, not run: see above for what is missing\n",
        (true, true) => "nothing to complain about\n",
        (true, false) => "it can be run, with these limits\n",
    };
    out
}

/// What follows from the site and from the adapter of its port.
fn facts(checked: Option<(&SiteFile, &SiteCheck)>, latency_ms: Option<u32>) -> Vec<Said> {
    let mut facts = checked.map_or(Vec::new(), |(_, found)| site_fact::all(found));
    if let Some((site, _)) = checked {
        facts.extend(site_fact::same_shape(&site.site));
        facts.extend(site_fact::freshness(&site.site, site.frame.as_ref()));
    }
    // At which pace the frames come is not known here.
    let slow = latency_ms.filter(|ms| latency_matters(*ms, None));
    facts.extend(slow.map(|ms| site_fact::latency(latency_words(ms), LATENCY_ADVICE)));
    facts
}

/// The latency timer of the source's USB serial adapter, when that is plugged in. Nothing is opened for it.
fn latency_ms(site: &SiteFile, sys: &Path) -> Option<u32> {
    let port = site.source.as_ref()?.port.trim();
    port.starts_with('/').then(|| latency_timer_ms(sys, Path::new(port))).flatten()
}

/// When a tag counts as inside or outside.
fn rule_text(zone: &Zone) -> String {
    let rule = &zone.rule;
    let tags = match &rule.tags[..] {
        [] => "every tag".to_owned(),
        tags => format!("tags {}", tags.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ")),
    };
    if matches!(zone.shape, ZoneShape::Near { .. }) {
        return format!("{tags}; by ranges alone, armed a minute after the tag was first heard");
    }
    format!(
        "{tags}; in after {} s, out after {} s and beyond {} m; unknown with a protection radius over {} m{}",
        rule.enter_after.secs_f64(),
        rule.leave_after.secs_f64(),
        rule.margin_m,
        rule.max_protection_radius_m,
        if rule.allow_unchecked { "; unchecked positions decide too" } else { " or unchecked" },
    )
}

fn to_json(
    problems: &[Problem],
    checked: Option<(&SiteFile, &SiteCheck)>,
    judged: &Judged,
    latency_ms: Option<u32>,
) -> Value {
    let site = checked.map(|(site, _)| site);
    let found = checked.map(|(_, found)| found);
    let spread = |d: Option<DopSpread>| {
        d.map(|d| json!({ "best": d.min_hdop, "median": d.median_hdop, "worst": d.worst_hdop, "worst_at_m": d.worst_at_m }))
    };
    // The kind is the code with blanks, as it was written before there were codes.
    let fact = |f: Said| json!({ "kind": f.code.replace('_', " "), "code": f.code, "what": f.words, "todo": f.advice });
    let facts: Vec<Value> = facts(checked, latency_ms).into_iter().map(fact).collect();
    let list: Vec<Value> = problems
        .iter()
        .cloned()
        .chain(judged.shown())
        .map(|p| {
            json!({
                "level": if p.level == Level::Error { "error" } else { "warning" }, "code": p.code,
                "file": p.file.display().to_string(),
                "line": (p.line > 0).then_some(p.line), "column": (p.column > 0).then_some(p.column),
                "key": (!p.key.is_empty()).then_some(&p.key), "what": p.what, "help": p.help,
            })
        })
        .collect();
    json!({
        "ok": site.is_some() && judged.passes(), "runs": site.is_some() && judged.runs(), "name": site.map(|s| s.site.name()), "anchors": site.map(|s| s.site.anchors().len()),
        "findings": list, "hdop": spread(found.and_then(|f| f.hdop)), "vdop": spread(found.and_then(|f| f.vdop)),
        "area_stated": found.map(|f| f.area_stated), "facts": facts,
        "latency_timer_ms": latency_ms,
    })
}

#[cfg(test)]
mod tests;
