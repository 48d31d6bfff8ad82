//! How many anchors agree with where a tag is said to be.
//!
//! An anchor agrees with a position when its range lies within three standard deviations of the computed one. Counted
//! is, for each anchor heard within the last second, the share of its ranges that agreed, older ranges
//! forgotten with a time constant of half a second (their mean age is that of a one-second window); the sum over
//! the anchors is the mean number that agree. An anchor that answers only now and then, or in turn with others,
//! counts as fully as one that answers every frame.
//!
//! This is what tells a position that many anchors hold from one that three late ranges agree on: the probability
//! mass alone can't, because the covariance of a wrong story is as small as that of the right one.

use arrayvec::ArrayVec;
use hereabout_core::{JudgedRange, MAX_ANCHORS, Micros, PositionReport, Site, TagState, Timestamp};

/// Agreeing means within this many standard deviations.
const WITHIN_SIGMAS: f64 = 3.0;
/// Older ranges count less with this time constant, seconds.
const FADE_S: f64 = 0.5;
/// An anchor that was last heard longer ago says nothing.
const RECENT: Micros = Micros::from_millis(1_000);

#[derive(Clone, Copy, Debug, Default)]
struct AgreementSums {
    heard: f64,
    agreed: f64,
    last: Timestamp,
}

/// See the module's prose.
#[derive(Clone, Debug, Default)]
pub(super) struct Agreement {
    at: Timestamp,
    anchors: [AgreementSums; MAX_ANCHORS],
}

impl Agreement {
    /// Takes in the ranges of an epoch; only a located tag's ranges have residuals.
    pub(super) fn update(
        &mut self,
        position: &PositionReport,
        ranges: &ArrayVec<JudgedRange, MAX_ANCHORS>,
        site: &Site,
    ) {
        if position.restarted {
            // What agreed with the old place says nothing about the new one.
            self.anchors = [AgreementSums::default(); MAX_ANCHORS];
        }
        if position.state() != TagState::Located {
            return;
        }
        let fade = (-position.at.since(self.at).secs_f64().max(0.0) / FADE_S).exp();
        self.at = position.at;
        for tally in &mut self.anchors {
            tally.heard *= fade;
            tally.agreed *= fade;
        }
        for range in ranges {
            let Some(residual) = range.standardised_residual else { continue };
            let Some(i) = site.anchor_index(range.anchor) else { continue };
            let tally = &mut self.anchors[i];
            tally.heard += 1.0;
            tally.agreed += if residual.abs() <= WITHIN_SIGMAS { 1.0 } else { 0.0 };
            tally.last = position.at;
        }
    }

    /// How many anchors agree, as of `at`.
    pub(super) fn anchors(&self, at: Timestamp) -> f64 {
        let recent = |t: &&AgreementSums| t.heard > 0.0 && at.since(t.last) <= RECENT;
        self.anchors.iter().filter(recent).map(|t| t.agreed / t.heard).sum()
    }
}
