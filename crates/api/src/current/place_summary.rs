//! Whether the anchors stand where the site file says: what can be said of all that are not suspected, once for the kit.
//!
//! Each anchor has its own answer (`place` in `/v1/anchors`). A table that repeats the same "can't tell" for each of eight
//! anchors hides what matters; so people get one line with what it takes, and the anchors that it is about when it is not
//! about all.

use hereabout_core::AnchorId;
use hereabout_engine::{CannotTell, PlaceAnswer};
use hereabout_words::{Said, place};

/// What is said once for the kit.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct PlaceSummary {
    /// Those that are looked at and fit have not moved by this much, metres.
    pub(crate) unchanged_m: Option<f64>,
    /// What cannot be decided yet.
    pub(crate) undecided: Option<Said>,
}

impl PlaceSummary {
    /// In the site's order.
    pub(crate) fn of(places: impl Iterator<Item = (AnchorId, PlaceAnswer)>) -> PlaceSummary {
        let mut out = PlaceSummary::default();
        let mut reasons: Vec<(CannotTell, Vec<AnchorId>)> = Vec::new();
        let mut all = true;
        for (id, answer) in places {
            match answer {
                PlaceAnswer::Contradicted => {}
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
        out.undecided = place::undecided(&reasons, all && reasons.len() == 1);
        out
    }
}
