//! How tags and anchors look on a plan.

use std::collections::VecDeque;

use hereabout_core::{AnchorState, PositionReport, TagState};

use crate::{
    state::expiry::{AnchorNow, Position},
    state::history::TrailPoint,
};

/// Light or dark.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Theme {
    /// As the viewer prefers.
    #[default]
    Auto,
    Light,
    Dark,
}

/// A tag as it is drawn.
pub(crate) struct TagNow<'a> {
    pub(crate) look: TagLook,
    pub(crate) position: Position<'a>,
    /// Its way, oldest point first.
    pub(crate) trail: &'a VecDeque<TrailPoint>,
}

impl TagNow<'_> {
    /// What counts of it at the moment of the plan.
    pub(crate) fn report(&self) -> &PositionReport {
        &self.position.report
    }
}

/// What can be said of one tag.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum TagLook {
    Located,
    Predicted,
    /// It has a position that may be wrong altogether: the ranges and the site do not fit each other.
    InDoubt,
    TwoPlaces,
    Lost,
    /// Its last report has run out.
    NoData,
}

impl TagLook {
    pub(crate) fn of(position: &Position<'_>, site_in_doubt: bool) -> TagLook {
        match position.report.state() {
            _ if position.ran_out => TagLook::NoData,
            TagState::Located | TagState::Coasting if site_in_doubt => TagLook::InDoubt,
            TagState::Located => TagLook::Located,
            TagState::Coasting => TagLook::Predicted,
            TagState::Ambiguous => TagLook::TwoPlaces,
            TagState::Lost => TagLook::Lost,
        }
    }
}

/// How an anchor is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum AnchorLook {
    Heard,
    /// Something is found about it.
    ToCheck,
    Excluded,
    Silent,
    NeverHeard,
    /// It was heard, but nothing was said of it for a while.
    NoData,
}

impl AnchorLook {
    pub(crate) fn of(now: Option<&AnchorNow>) -> AnchorLook {
        let Some(now) = now else { return AnchorLook::NeverHeard };
        match now.health.state {
            _ if now.no_data => AnchorLook::NoData,
            AnchorState::NeverHeard => AnchorLook::NeverHeard,
            AnchorState::Silent => AnchorLook::Silent,
            AnchorState::Heard if now.health.excluded => AnchorLook::Excluded,
            AnchorState::Heard if now.health.findings.is_empty() => AnchorLook::Heard,
            AnchorState::Heard => AnchorLook::ToCheck,
        }
    }

    pub(crate) fn words(self) -> &'static str {
        match self {
            AnchorLook::Heard => "heard",
            AnchorLook::ToCheck => "to check",
            AnchorLook::Excluded => "not used",
            AnchorLook::Silent => "silent",
            AnchorLook::NeverHeard => "never heard",
            AnchorLook::NoData => "no data",
        }
    }
}
