//! Places of the tag that people typed, before anything is measured at them: within reach, within the area, at a height
//! that the site allows. What can't be is refused with the likely slip; a height that contradicts the site's is asked
//! about on a terminal, and needs `--accept-height` elsewhere.

use std::io::{self, BufRead, IsTerminal, Read};

use hereabout_core::Site;
use hereabout_core::plausible::{
    HEIGHT_TOLERANCE_M, PlaceDoubt, contradicted_height_m, is_likely_place, judge_place, place_slip,
};
use hereabout_words::plausible;

use crate::exit::Failure;

/// A place with what people know it by: `spots.csv:3: bench`, `--at 3,4,1`.
pub(crate) struct Named {
    pub(crate) label: String,
    pub(crate) at_m: [f64; 3],
}

/// What to do about heights that contradict the site's tag height.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Heights {
    /// They were accepted on the command line.
    Accepted,
    /// A person is there to be asked.
    Ask,
    /// Nobody is.
    Refuse,
}

impl Heights {
    /// By the flag, and by who is there.
    pub(crate) fn of(accepted: bool, json: bool) -> Heights {
        match accepted {
            true => Heights::Accepted,
            false if !json && io::stdin().is_terminal() => Heights::Ask,
            false => Heights::Refuse,
        }
    }
}

/// Refuses places where no tag can stand, and heights that are not confirmed. `code` is the exit code of a refusal.
pub(crate) fn check(site: &Site, places: &[Named], heights: Heights, code: u8) -> Result<(), Failure> {
    let doubts: Vec<String> =
        places.iter().filter_map(|p| Some(words(p, &judge_place(site, p.at_m)?, site))).collect();
    if !doubts.is_empty() {
        return Err(Failure::new(code, listed(&doubts)));
    }
    let contradicts = |p: &Named| {
        let stated_m = contradicted_height_m(site, p.at_m[2])?;
        Some(format!("{}: {}", p.label, plausible::other_height(p.at_m[2], stated_m).words))
    };
    let contradictions: Vec<String> = places.iter().filter_map(contradicts).collect();
    if contradictions.is_empty() || heights == Heights::Accepted {
        return Ok(());
    }
    let listed = listed(&contradictions);
    if heights == Heights::Ask {
        eprintln!("{listed}");
        return confirmed().then_some(()).ok_or_else(|| {
            let todo = "leave the height out, or correct tag_height_m in the site file";
            Failure::new(code, format!("not measured; nothing was written\n  {todo}"))
        });
    }
    let todo = format!(
        "--accept-height takes heights that differ by more than {HEIGHT_TOLERANCE_M} m; else leave the height out, or \
         correct tag_height_m in the site file"
    );
    Err(Failure::new(code, format!("{listed}\n  {todo}")))
}

fn listed(lines: &[String]) -> String {
    const SHOWN: usize = 20;
    let mut shown: Vec<String> = lines.iter().take(SHOWN).cloned().collect();
    if lines.len() > SHOWN {
        shown.push(format!("and {} more", lines.len() - SHOWN));
    }
    shown.join("\n")
}

fn confirmed() -> bool {
    eprint!("Did the tag really stand at another height than the site says? yes or no\n> ");
    let mut line = String::new();
    let read = io::stdin().lock().take(100).read_line(&mut line);
    read.is_ok() && matches!(line.trim().to_ascii_lowercase().as_str(), "y" | "yes")
}

fn words(place: &Named, doubt: &PlaceDoubt, site: &Site) -> String {
    let meant = place_slip(place.at_m, |p| is_likely_place(site, p));
    let said = plausible::place(doubt, meant);
    let todo = if said.advice.is_empty() { String::new() } else { format!("\n  {}", said.advice) };
    format!("{}: {}{todo}", place.label, said.words)
}
