//! `check`: what a site file says, and what follows from it.

use hereabout_core::{Dimension, ZoneShape};
use serde_json::{Value, json};

use crate::cli::CheckArgs;
use crate::exit::{self, Failure};
use crate::site_file::SiteFile;
use crate::toml_doc::{Level, Problem};

/// Checks a site file. Exit code 0 when it can be run, 78 when not.
///
/// # Errors
/// Only when the file can't be read at all; what is wrong inside of it is the command's own output.
pub fn check(args: &CheckArgs) -> Result<u8, Failure> {
    match SiteFile::load(&args.site) {
        Ok(site) => {
            if args.json {
                println!("{}", to_json(&site.warnings, Some(&site)));
            } else {
                print!("{}", to_text(&site));
            }
            Ok(0)
        }
        Err(problems) if args.json => {
            println!("{}", to_json(&problems, None));
            Ok(exit::CONFIG)
        }
        Err(problems) => Err(problems.into()),
    }
}

fn to_text(site: &SiteFile) -> String {
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
            ZoneShape::Polygon(corners) => format!("{} corners", corners.len()),
            ZoneShape::Near { anchor, enter_m, leave_m } => {
                format!("near anchor {anchor}: in at {enter_m} m, out beyond {leave_m} m")
            }
        };
        out += &format!("  zone {}: {shape}\n", zone.name);
    }
    let source = site.source.as_ref().map_or("none: for range tables and logs only", |s| s.port.as_str());
    out += &format!("source {source}\n");
    out +=
        &format!("frame  {}\n", site.frame_text.as_deref().unwrap_or("none: for range tables and logs only"));
    for warning in &site.warnings {
        out += &format!("{warning}\n");
    }
    out += if site.warnings.is_empty() {
        "nothing to complain about\n"
    } else {
        "it can be run, with these limits\n"
    };
    out
}

fn to_json(problems: &[Problem], site: Option<&SiteFile>) -> Value {
    let list: Vec<Value> = problems
        .iter()
        .map(|p| {
            json!({
                "level": if p.level == Level::Error { "error" } else { "warning" },
                "file": p.file.display().to_string(),
                "line": (p.line > 0).then_some(p.line), "column": (p.column > 0).then_some(p.column),
                "key": (!p.key.is_empty()).then_some(&p.key), "what": p.what, "help": p.help,
            })
        })
        .collect();
    json!({
        "ok": site.is_some(), "name": site.map(|s| s.site.name()), "anchors": site.map(|s| s.site.anchors().len()),
        "findings": list,
    })
}
