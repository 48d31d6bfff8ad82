//! One tag: its estimator and the instants at which its state changes without an input.

use hereabout_core::{Micros, NoFixReason, Site, TagId, TagState, Timestamp};

use crate::estimate::{Estimate, Obs};
use crate::plain::Plain;

/// A report holds for this long; five frames of a kit that sends ten a second.
const VALID_FOR: Micros = Micros::from_millis(500);

#[derive(Clone, Debug)]
pub(crate) struct Tag {
    pub(crate) id: TagId,
    estimator: Plain,
    /// What was last published.
    state: TagState,
    /// When to speak although nothing came; `None` when there is nothing more to say.
    pub(crate) speak_at: Option<Timestamp>,
}

impl Tag {
    pub(crate) fn new(id: TagId) -> Tag {
        Tag { id, estimator: Plain::default(), state: TagState::Lost, speak_at: None }
    }

    pub(crate) fn update(&mut self, at: Timestamp, obs: &[Obs], complete: bool, site: &Site) -> Estimate {
        let estimate = self.estimator.update(at, obs, complete, site);
        self.published(at, &estimate, site);
        estimate
    }

    /// The report that is due at `at` because no epoch came.
    pub(crate) fn fire(&mut self, at: Timestamp, site: &Site) -> Estimate {
        let mut estimate = self.estimator.predict(at, site);
        estimate.no_fix = Some(NoFixReason::NoRanges);
        self.published(at, &estimate, site);
        estimate
    }

    /// How long a report made at `at` holds. A lost tag has nothing to hold.
    pub(crate) fn valid_until(at: Timestamp, state: TagState) -> Timestamp {
        if state == TagState::Lost { at } else { at.plus(VALID_FOR) }
    }

    /// A tag that is lost has said so and keeps quiet; any other speaks again when its report runs
    /// out, and at the latest when it is lost.
    fn published(&mut self, at: Timestamp, estimate: &Estimate, site: &Site) {
        self.state = estimate.state;
        let runs_out = Tag::valid_until(at, estimate.state);
        let lost_at = self.estimator.lost_at(site).filter(|t| *t > at);
        self.speak_at = match estimate.state {
            TagState::Lost => None,
            _ => Some(lost_at.map_or(runs_out, |t| t.min(runs_out))),
        };
    }
}
