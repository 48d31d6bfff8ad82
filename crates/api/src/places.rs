//! Whether the anchors stand where the site file says: what can be said of all that are not suspected, once for the kit.
//!
//! Each anchor has its own answer (`place` in `/v1/anchors`). A table that repeats the same "can't tell" for each of eight
//! anchors hides what matters; so people get one line with what it takes, and the anchors that it is about when it is not
//! about all.

use hereabout_core::AnchorId;
use hereabout_engine::{CannotTell, PlaceAnswer};
use hereabout_words::numbers::list;
use hereabout_words::place::cannot_tell;

/// What is said once for the kit.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Places {
    /// Those that are looked at and fit have not moved by this much, metres.
    pub(crate) unchanged_m: Option<f64>,
    /// What cannot be told yet.
    pub(crate) not_told: Option<NotTold>,
}

/// What cannot be told yet, and what to do.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct NotTold {
    pub(crate) words: String,
    pub(crate) advice: String,
}

impl Places {
    /// In the site's order.
    pub(crate) fn of(places: impl Iterator<Item = (AnchorId, PlaceAnswer)>) -> Places {
        let mut out = Places::default();
        let mut reasons: Vec<(CannotTell, Vec<AnchorId>)> = Vec::new();
        let mut all = true;
        for (id, place) in places {
            match place {
                PlaceAnswer::Suspect => {}
                PlaceAnswer::Unchanged { limit_m } => {
                    all = false;
                    out.unchanged_m = Some(out.unchanged_m.map_or(limit_m, |m| m.max(limit_m)));
                }
                PlaceAnswer::CannotTell(why) => match reasons.iter_mut().find(|(w, _)| *w == why) {
                    Some((_, ids)) => ids.push(id),
                    None => reasons.push((why, vec![id])),
                },
            }
        }
        reasons.sort_by_key(|(_, ids)| std::cmp::Reverse(ids.len())); // stable
        out.not_told = not_told(&reasons, all && reasons.len() == 1);
        out
    }
}

fn not_told(reasons: &[(CannotTell, Vec<AnchorId>)], all: bool) -> Option<NotTold> {
    let (main, _) = reasons.first()?;
    let why = |(why, ids): &(CannotTell, Vec<AnchorId>)| match all {
        true => cannot_tell(why).words,
        false => format!("{} ({})", cannot_tell(why).words, some(ids)),
    };
    let reasons: Vec<String> = reasons.iter().map(why).collect();
    let words =
        format!("not told yet whether anchors stand where the site file says: {}", reasons.join("; "));
    Some(NotTold { words, advice: cannot_tell(main).advice })
}

/// "anchor 3", "anchors 1, 2 and 3".
fn some(ids: &[AnchorId]) -> String {
    let ids: Vec<String> = ids.iter().map(ToString::to_string).collect();
    format!("{} {}", if ids.len() > 1 { "anchors" } else { "anchor" }, list(&ids))
}
