//! `report`: one self-contained HTML page about a site: the picture first, the numbers below.
//!
//! It is made from the site file alone, or with a log or another recording, which is run through the engine;
//! with a spots file the checkpoints are graded as `verify` does. The page needs no network, no script and no
//! other file, prints on A4, and fits a telephone.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use hereabout_api::cautions;
use hereabout_commission::survey::Spot;
use hereabout_commission::tally::Tally;
use hereabout_core::{Dimension, Estimator, TagId, Timestamp};
use hereabout_draw::distribution::distribution_svg;
use hereabout_draw::xml::escaped;
use hereabout_ingest::Clock;
use hereabout_solve::verify::site_check::SiteCheck;
use hereabout_store::LogReader;
use hereabout_words::site_fact;
use hereabout_words::time::rfc3339_seconds;

use crate::calibration::calibration_file::{self, CalibrationFile, Entry};
use crate::calibration::place_checks::{self, Heights};
use crate::cli::{ReportArgs, SurveyArgs};
use crate::commands::check::site_check;
use crate::commands::runtime;
use crate::commands::verify::{Listener, ProofReport, calibrated_at, proof_report};
use crate::exit::{self, Failure};
use crate::files::outputs::{FilesInUse, Output, cannot_write, is_stdout};
use crate::files::paths::calibration_beside;
use crate::picture::site_picture::{ErrorArrow, SitePicture};
use crate::recording::{Kind, Recording, log_failure};
use crate::site_file::SiteFile;
use crate::survey::session::{self, EpochSink};
use crate::survey::spots::Spots;
use crate::toml_doc::Document;

/// Calibrations that the history shows.
const MAX_PAST_FILES: usize = 20;

/// Writes the report.
///
/// # Errors
/// Inputs that can't be used, a file that can't be written.
pub fn report(args: &ReportArgs) -> Result<u8, Failure> {
    let inputs = [&args.input, &args.site, &args.spots].into_iter().filter_map(|p| p.as_deref());
    let mut in_use = FilesInUse::inputs(inputs);
    in_use.refuse(&args.out)?;
    let page = runtime()?.block_on(Page::gather(args))?;
    if let (Some(_), Some(log)) = (&args.site, &page.site.log) {
        in_use.add_input(log);
    }
    let mut output = Output::begin(&args.out, &mut in_use)?;
    let html = page.to_html();
    output.write_all(html.as_bytes()).map_err(|e| cannot_write(&args.out, &e))?;
    output.finish()?;
    if !is_stdout(&args.out) {
        eprintln!("written to {}", args.out.display());
    }
    Ok(0)
}

/// A calibration that was, with where it comes from.
struct Past {
    from: String,
    file: CalibrationFile,
}

/// Everything on the page.
struct Page {
    site: SiteFile,
    input: Option<PathBuf>,
    check: SiteCheck,
    past: Vec<Past>,
    tally: Option<Tally>,
    proof: Option<(ProofReport, Vec<f64>)>,
    made_at: Timestamp,
}

impl Page {
    async fn gather(args: &ReportArgs) -> Result<Page, Failure> {
        let mut past = Vec::new();
        let site = match (&args.site, &args.input) {
            (Some(path), _) => SiteFile::load(path)?,
            (None, Some(input)) if Kind::of(input)? == Kind::Log => {
                let (session, _) = Recording::log(input, args.session).await?;
                let name = input.with_extension("site.toml");
                SiteFile::from_text(&name, &session.site_text, session.calibration_text.as_deref())?
            }
            _ => {
                let what = "which site? give --site FILE (only a log carries its own)";
                return Err(Failure::new(exit::USAGE, what));
            }
        };
        if let Some(input) = &args.input
            && Kind::of(input)? == Kind::Log
        {
            past.extend(logged_calibrations(input).await?);
        }
        if args.site.is_some() {
            past.extend(kept_calibrations(&site.path));
        }
        let spots = args.spots.as_deref().map(|p| Spots::read(p, site.site.dimension())).transpose()?;
        if let Some(spots) = &spots {
            let heights = Heights::of(args.accept_height, false);
            place_checks::check(&site.site, &spots.places(), heights, exit::DATA)?;
        }
        let heard = match &args.input {
            Some(input) => Some(receive_ranges(input, args, &site, spots.as_ref()).await?),
            None => None,
        };
        let (tally, proof) = match heard {
            Some((tally, proof)) => (Some(tally), proof),
            None => (None, None),
        };
        let check = site_check(&site);
        let made_at = Clock::start().started_at();
        Ok(Page { site, input: args.input.clone(), check, past, tally, proof, made_at })
    }
}

/// The calibrations that the sessions of a log ran with, newest first, each once.
async fn logged_calibrations(log: &Path) -> Result<Vec<Past>, Failure> {
    let sessions = LogReader::open(log).await.map_err(log_failure)?.sessions().await.map_err(log_failure)?;
    let mut past: Vec<Past> = Vec::new();
    for session in sessions.into_iter().rev() {
        let Some(text) = session.calibration_text else { continue };
        let document = Document { file: log.to_owned(), text };
        // A session of an older program may hold what this one can't read; the report goes on without it.
        let Ok(file) = CalibrationFile::parse(&document) else { continue };
        if past.last().is_none_or(|p| p.file != file) && past.len() < MAX_PAST_FILES {
            past.push(Past {
                from: format!("session {}, {}", session.id, rfc3339_seconds(session.started_at)),
                file,
            });
        }
    }
    Ok(past)
}

/// The calibration beside a site file and those kept before it, newest first.
fn kept_calibrations(site: &Path) -> Vec<Past> {
    let path = calibration_beside(site);
    let files =
        std::iter::once(path.clone()).chain(calibration_file::previous_files(&path)).take(MAX_PAST_FILES);
    let read = |p: PathBuf| {
        let from = p.file_name().map_or(String::new(), |n| n.to_string_lossy().into_owned());
        // What says that there was none before the first one has no entry.
        let file = CalibrationFile::read(&p).ok().flatten().filter(|f| !f.entries.is_empty())?;
        Some(Past { from, file })
    };
    files.filter_map(read).collect()
}

/// Runs the recording through the engine.
async fn receive_ranges(
    input: &Path,
    args: &ReportArgs,
    site: &SiteFile,
    spots: Option<&Spots>,
) -> Result<(Tally, Option<(ProofReport, Vec<f64>)>), Failure> {
    let tag = args.tag.map(TagId);
    let mut listener = Listener::new(&site.site, tag);
    for spot in spots.map(Spots::list).unwrap_or_default() {
        listener.begin(spot);
    }
    let how = SurveyArgs { session: args.session, frame_period: args.frame_period, ..SurveyArgs::default() };
    session::from_recording(input, site, &how, &mut listener).await?;
    let Listener { tally, proof, .. } = listener;
    let Some(spots) = spots else { return Ok((tally, None)) };
    spots.check_extent(proof.heard().extent())?;
    session::check_received(proof.heard(), tag)?;
    let errors_m = proof.errors_m();
    let places = if args.site.is_some() { calibrated_at(site)? } else { Vec::new() };
    Ok((tally, Some((proof_report(site, &proof, places), errors_m))))
}

/// A table of cells that are HTML already; the first column is a heading.
fn table(heads: &[&str], rows: &[Vec<String>]) -> String {
    let mut out = "<div class=\"wide\"><table><thead><tr>".to_owned();
    for head in heads {
        let _ = write!(out, "<th scope=\"col\">{}</th>", escaped(head));
    }
    out.push_str("</tr></thead><tbody>\n");
    for row in rows {
        out.push_str("<tr>");
        for (i, cell) in row.iter().enumerate() {
            out.push_str(&if i == 0 {
                format!("<th scope=\"row\">{cell}</th>")
            } else {
                format!("<td>{cell}</td>")
            });
        }
        out.push_str("</tr>\n");
    }
    out + "</tbody></table></div>\n"
}

fn number(v: Option<f64>, digits: usize) -> String {
    v.map_or("–".to_owned(), |v| format!("{v:.digits$}"))
}

fn signed(v: Option<f64>) -> String {
    v.map_or("–".to_owned(), |v| format!("{v:+.3}"))
}

fn percent(v: Option<f64>) -> String {
    v.map_or("–".to_owned(), |v| format!("{:.0} %", v * 100.0))
}

fn list(notes: impl Iterator<Item = (String, String)>) -> String {
    let each = notes.map(|(what, todo)| {
        let todo =
            if todo.is_empty() { String::new() } else { format!("<br><small>{}</small>", escaped(&todo)) };
        format!("<li>{}{todo}</li>\n", escaped(&what))
    });
    let each: String = each.collect();
    if each.is_empty() { String::new() } else { format!("<ul>\n{each}</ul>\n") }
}

const STYLE: &str = "
body{font:16px/1.45 system-ui,sans-serif;color:#222;background:#fff;max-width:46rem;margin:0 auto;padding:1rem}
h1{font-size:1.5rem;margin:0 0 .2rem}h2{font-size:1.15rem;margin:1.6rem 0 .4rem;border-bottom:1px solid #ccc}
svg{width:100%;height:auto;display:block}.wide{overflow-x:auto}
table{border-collapse:collapse;font-size:.85rem;font-variant-numeric:tabular-nums;width:100%}
th,td{padding:.2rem .4rem;text-align:right;border-bottom:1px solid #e3e3e3}td{white-space:nowrap}
th:first-child{text-align:left}thead th{border-bottom:1px solid #888;vertical-align:bottom}
pre{white-space:pre-wrap;overflow-wrap:anywhere;font-size:.78rem;background:#f6f6f4;padding:.6rem}
.verdict{font-weight:bold;padding:.4rem .6rem;border-left:4px solid #2b5c8a;background:#f1f5f9}
small{color:#555}li{margin:.15rem 0}
@page{size:A4;margin:14mm}
@media print{body{font-size:10pt;max-width:none;padding:0}.wide{overflow:visible}table{font-size:.8em}h2{break-after:avoid}svg,tr,li{break-inside:avoid}}
";

impl Page {
    fn to_html(&self) -> String {
        let site = &self.site.site;
        let name = escaped(site.name());
        let input = self
            .input
            .as_ref()
            .map_or(String::new(), |p| format!(", from {}", escaped(&p.display().to_string())));
        let mut body = format!(
            "<h1>{name}</h1>\n<p><small>hereabout {}, made {}{input}</small></p>\n",
            env!("CARGO_PKG_VERSION"),
            rfc3339_seconds(self.made_at)
        );
        body += &self.picture();
        body += &self.checkpoints();
        body += &self.anchors();
        body += &self.history();
        body += &self.health();
        body += &self.geometry();
        body += &self.settings();
        body += "<h2>Cautions</h2>\n";
        body += &list(cautions().iter().map(|c| ((*c).to_owned(), String::new())));
        format!(
            "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
             <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:\">\n\
             <meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\n<link rel=\"icon\" href=\"data:,\">\n\
             <title>{name}: report</title>\n<style>{STYLE}</style>\n</head>\n<body>\n{body}</body>\n</html>\n"
        )
    }

    fn picture(&self) -> String {
        let site = &self.site.site;
        let picture = SitePicture::new(site, "The site, and how far its geometry carries")
            .with_hdop(&self.check.grid, self.check.hdop);
        let Some((proven, _)) = &self.proof else { return picture.to_svg() };
        let arrow = |(s, p): (&Spot, &hereabout_solve::verify::PointResult)| ErrorArrow {
            name: s.name.clone(),
            at_m: [s.at_m[0], s.at_m[1]],
            error_m: p.accuracy.map(|a| [a.bias_m[0], a.bias_m[1]]),
        };
        picture.with_arrows(proven.spots.iter().zip(&proven.result.points).map(arrow).collect()).to_svg()
    }

    fn checkpoints(&self) -> String {
        let Some((proven, errors_m)) = &self.proof else {
            return "<h2>Checkpoints</h2>\n<p>None were measured: give a recording and --spots.</p>\n"
                .to_owned();
        };
        let row =
            |((s, p), (_, located)): ((&Spot, &hereabout_solve::verify::PointResult), &(usize, usize))| {
                let a = p.accuracy;
                vec![
                    escaped(&s.name),
                    format!("{:.2}", s.at_m[0]),
                    format!("{:.2}", s.at_m[1]),
                    signed(a.map(|a| a.bias_m[0])),
                    signed(a.map(|a| a.bias_m[1])),
                    number(a.map(|a| a.horizontal.rms_m), 3),
                    number(a.map(|a| a.horizontal.p95_m), 3),
                    percent(p.held_share),
                    located.to_string(),
                ]
            };
        let rows = proven.spots.iter().zip(&proven.result.points).zip(&proven.counts).map(row);
        let heads = [
            "checkpoint",
            "east m",
            "north m",
            "mean east",
            "mean north",
            "RMS m",
            "95 % m",
            "ellipse held",
            "positions",
        ];
        let mut out = format!(
            "<h2>Checkpoints</h2>\n<p class=\"verdict\">{}</p>\n{}",
            escaped(&proven.verdict().words),
            table(&heads, &rows.collect::<Vec<_>>())
        );
        let r = &proven.result;
        if let (Some(all), Some(ce50), Some(ce95)) = (r.overall, r.ce50, r.ce95) {
            let _ = writeln!(
                out,
                "<p>RMSE {:.3} m, CE50 {:.3} m ({:.3} to {:.3}), CE95 {:.3} m ({:.3} to {:.3}; what so few places leave open, 95 %), \
                 largest {:.3} m.</p>",
                all.horizontal.rms_m,
                ce50.observed_m,
                ce50.low_m,
                ce50.high_m,
                ce95.observed_m,
                ce95.low_m,
                ce95.high_m,
                all.horizontal.max_m
            );
            let marks = [("CE50", ce50.observed_m), ("CE95", ce95.observed_m)];
            out += &distribution_svg("Errors at all checkpoints", errors_m, &marks);
        }
        out + &list(proven.notes(&self.site.site).into_iter().map(|n| (n.words, n.advice)))
    }

    fn anchors(&self) -> String {
        let in_force = self.site.calibration_text.as_ref().and_then(|text| {
            let document = Document { file: self.site.path.clone(), text: text.clone() };
            CalibrationFile::parse(&document).ok()
        });
        let row = |a: &hereabout_core::Anchor| {
            let c = a.correction;
            let entry = in_force.as_ref().and_then(|f| f.entry(a.id));
            let text = |t: Option<&String>| escaped(t.map_or("–", String::as_str));
            vec![
                format!("{} {}", a.id, escaped(&a.name)),
                format!("{:.2}", a.at_m[0]),
                format!("{:.2}", a.at_m[1]),
                format!("{:.2}", a.at_m[2]),
                format!("{:+.3}", c.offset_m),
                number(c.offset_se_m, 3),
                format!("{:.4}", c.scale),
                // The day is enough here.
                escaped(entry.and_then(Entry::day).unwrap_or("–")),
                text(entry.and_then(|e| e.method.as_ref())),
            ]
        };
        let rows: Vec<Vec<String>> = self.site.site.anchors().iter().map(row).collect();
        let heads = ["anchor", "east m", "north m", "up m", "offset m", "± m", "scale", "found", "how"];
        format!("<h2>Anchors and offsets</h2>\n{}", table(&heads, &rows))
    }

    fn history(&self) -> String {
        if self.past.len() < 2 {
            return "<h2>History of the offsets</h2>\n<p>There is no earlier calibration.</p>\n".to_owned();
        }
        let anchors = self.site.site.anchors();
        let names: Vec<String> = anchors.iter().map(|a| format!("anchor {}", a.id)).collect();
        let heads: Vec<&str> =
            std::iter::once("calibration").chain(names.iter().map(String::as_str)).collect();
        let row = |p: &Past| {
            let offsets = anchors.iter().map(|a| signed(p.file.entry(a.id).map(|e| e.correction.offset_m)));
            std::iter::once(escaped(&p.from)).chain(offsets).collect()
        };
        let rows: Vec<Vec<String>> = self.past.iter().map(row).collect();
        format!("<h2>History of the offsets</h2>\n<p>Metres, newest first.</p>\n{}", table(&heads, &rows))
    }

    fn health(&self) -> String {
        let Some(tally) = &self.tally else { return String::new() };
        let name = |id| self.site.site.anchors().iter().find(|a| a.id == id).map_or("", |a| a.name.as_str());
        let row = |a: &hereabout_commission::tally::AnchorTally| {
            vec![
                format!("{} {}", a.anchor, escaped(name(a.anchor))),
                a.frames.to_string(),
                percent(a.share()),
                percent(a.rejected_share()),
                signed(a.mean_residual_m()),
            ]
        };
        let rows: Vec<Vec<String>> = tally.anchors.iter().map(row).collect();
        let heads = ["anchor", "frames", "had a range", "left out", "mean residual m"];
        let when = tally.extent.map_or(String::new(), |(a, b)| {
            format!(" from {} to {}", rfc3339_seconds(a), rfc3339_seconds(b))
        });
        format!(
            "<h2>Anchor health</h2>\n<p>{} position reports{when}, {} of them located.</p>\n{}",
            tally.reports,
            tally.located,
            table(&heads, &rows)
        )
    }

    fn geometry(&self) -> String {
        let facts = list(site_fact::all(&self.check).into_iter().map(|f| (f.words, f.advice)));
        let none = "<p>Nothing to complain about.</p>\n".to_owned();
        format!("<h2>Geometry, reach, calibration</h2>\n{}", if facts.is_empty() { none } else { facts })
    }

    fn settings(&self) -> String {
        let site = &self.site.site;
        let dimension = match site.dimension() {
            Dimension::TwoD { tag_height_m } => format!("2D, tag at {tag_height_m} m"),
            Dimension::ThreeD => "3D".to_owned(),
        };
        let estimator = match site.track().estimator {
            Estimator::Tracker => "tracker",
            Estimator::Snapshot => "snapshot",
            Estimator::Plain => "plain",
        };
        format!(
            "<h2>Settings</h2>\n<p>{dimension}; estimator {estimator}. The site file as it was:</p>\n<pre>{}</pre>\n",
            escaped(&self.site.text)
        )
    }
}
