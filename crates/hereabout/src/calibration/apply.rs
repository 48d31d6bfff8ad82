//! The corrections of `calibration.toml`, judged and put into the site.

use std::path::Path;

use hereabout_core::plausible::Implausible;
use hereabout_core::{AnchorId, Correction, Site};
use hereabout_words::plausible::correction;

use crate::calibration::calibration_file::{CALIBRATION, RawCalibration};
use crate::toml_doc::{Document, Level, Problem, Step, Tree, key};

/// What becomes of a correction that no board has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Strictness {
    /// The site is refused: nothing may rest on it.
    Refuse,
    /// It is warned of: what a session ran with can be replayed.
    Warn,
}

/// Beyond these nothing can be computed with.
const MAX_COMPUTABLE_OFFSET_M: f64 = 10.0;
const SCALES: std::ops::RangeInclusive<f64> = 0.5..=2.0;

/// Applies the corrections of a calibration file to the site of `site_file`.
///
/// # Errors
/// Every correction that can't be used, with its place and how to go back.
pub(crate) fn with_calibration(
    site: Site,
    document: &Document,
    strictness: Strictness,
    site_file: &Path,
    warnings: &mut Vec<Problem>,
) -> Result<Site, Vec<Problem>> {
    let (raw, tree) = document.parse::<RawCalibration>(&CALIBRATION)?;
    let mut corrections: Vec<Correction> = site.anchors().iter().map(|a| a.correction).collect();
    let mut problems = Vec::new();
    for (i, entry) in raw.anchor.iter().enumerate() {
        let correction = Correction {
            offset_m: entry.offset_m,
            scale: entry.scale.unwrap_or(1.0),
            offset_se_m: entry.offset_se_m,
        };
        let mut found: Vec<Problem> = site
            .correction_limits()
            .judge(&correction)
            .map(|found| problem(&tree, i, &found, site_file))
            .collect();
        let usable = correction.offset_m.abs() <= MAX_COMPUTABLE_OFFSET_M
            && SCALES.contains(&correction.scale)
            && correction.offset_se_m.is_none_or(|se| (0.0..=MAX_COMPUTABLE_OFFSET_M).contains(&se));
        if usable && strictness == Strictness::Warn {
            found.iter_mut().for_each(|p| p.level = Level::Warning);
            warnings.append(&mut found);
        }
        problems.append(&mut found);
        match site.anchor_index(AnchorId(entry.id)) {
            Some(k) => corrections[k] = correction,
            None => {
                let what = "the site has no such anchor; the entry is ignored";
                let place = [key("anchor"), Step::Index(i), key("id")];
                warnings.push(tree.problem(&place, what, "").coded("unknown_anchor").as_warning());
            }
        }
    }
    if problems.is_empty() { Ok(site.with_corrections(&corrections)) } else { Err(problems) }
}

fn problem(tree: &Tree<'_>, entry: usize, found: &Implausible, site_file: &Path) -> Problem {
    let (name, allow) = match found {
        Implausible::Offset { .. } => {
            ("offset_m", "\nif the board really reads so: [site] max_offset_m allows more")
        }
        Implausible::OffsetError { .. } => ("offset_se_m", ""),
        Implausible::Scale { .. } => ("scale", ""),
    };
    let help = format!(
        "correct it, or go back to what was before: hereabout calibrate {} --restore{allow}",
        site_file.display()
    );
    let said = correction(found);
    tree.problem(&[key("anchor"), Step::Index(entry), key(name)], &said.words, &help).coded(said.code)
}
