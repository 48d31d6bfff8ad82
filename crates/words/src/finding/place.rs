//! Whether an anchor stands where the site file says, as far as its ranges tell.

use hereabout_core::AnchorId;
use hereabout_engine::{CannotTell, PlaceAnswer};

use crate::numbers::{list, metres};
use crate::said::{Said, Topic};

/// The answer; its code is that of the reason where nobody can say.
pub fn answer(answer: &PlaceAnswer) -> Said {
    match answer {
        PlaceAnswer::Unchanged { limit_m } => {
            Said::new(Topic::Place, "unchanged", format!("not moved: {}", would_have_shown(*limit_m)), "")
        }
        PlaceAnswer::Contradicted => {
            Said::new(Topic::Place, "suspect", "moved or changed, it seems: see its findings", "")
        }
        PlaceAnswer::CannotTell(why) => {
            let why = cannot_tell(why);
            Said { words: format!("can't tell whether it moved: {}", why.words), ..why }
        }
    }
}

/// How much of a move is ruled out.
pub fn would_have_shown(limit_m: f64) -> String {
    format!("a move of {} m or more would have shown", metres(limit_m))
}

/// Why nobody can say whether an anchor has moved, as the end of a sentence, and what makes it possible.
pub fn cannot_tell(why: &CannotTell) -> Said {
    let told = |code, words: &str, advice| Said::new(Topic::Place, code, words, advice);
    let drive = "drive the tag around the area for some minutes";
    match *why {
        CannotTell::NoPosition => {
            told("no_position", "no position rests on three others", "get three other anchors to answer")
        }
        CannotTell::TooLittleTravel { travelled_m, needed_m } => told(
            "too_little_travel",
            &format!("the tag went {travelled_m:.0} of {needed_m:.0} m so far"),
            drive,
        ),
        CannotTell::TagStandsStill => told("tag_stands_still", "the tag stands still", drive),
        CannotTell::TravelTooNarrow => told(
            "travel_too_narrow",
            "the tag sees it from one side only",
            "drive the tag past it on several sides",
        ),
        CannotTell::TooFewAnchors { have, need } => told(
            "too_few_anchors",
            &format!("{have} anchors heard, {need} needed"),
            "get more anchors to answer, or check places by tape",
        ),
        CannotTell::AllAlike => told(
            "all_alike",
            "all anchors are off alike: tag or frame",
            "calibrate with the tag at known places: hereabout calibrate SITE --at E,N",
        ),
        CannotTell::SiteDoubted => told(
            "site_doubted",
            "ranges and site file don't fit",
            "see what is said of the kit as a whole first",
        ),
    }
}

/// What nobody can say yet, once for the kit: by reason, with the anchors that each is about when `all` of them are not
/// left open for the one reason. The advice is that of the first reason.
pub fn undecided(reasons: &[(CannotTell, Vec<AnchorId>)], all: bool) -> Option<Said> {
    let (main, _) = reasons.first()?;
    let why = |(why, ids): &(CannotTell, Vec<AnchorId>)| match all {
        true => cannot_tell(why).words,
        false => format!("{} ({})", cannot_tell(why).words, some(ids)),
    };
    let list: Vec<String> = reasons.iter().map(why).collect();
    let words = format!("not told yet whether anchors stand where the site file says: {}", list.join("; "));
    Some(Said { words, ..cannot_tell(main) })
}

/// "anchor 3", "anchors 1, 2 and 3".
fn some(ids: &[AnchorId]) -> String {
    let ids: Vec<String> = ids.iter().map(ToString::to_string).collect();
    format!("{} {}", if ids.len() > 1 { "anchors" } else { "anchor" }, list(&ids))
}
