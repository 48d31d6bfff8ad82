//! What a technician should do about an anchor, from its health row.
//!
//! The limits are common practice, no source. They only choose words; nothing is computed from them.

use hereabout_core::AnchorId;
use hereabout_engine::{AnchorHealth, AnchorState};

/// Heard in fewer of the frames than this: weak.
const WEAK_SHARE: f64 = 0.5;
/// More of its ranges left out than this: something is in the way.
const REJECTED_SHARE: f64 = 0.25;
/// A mean residual above this is no noise, metres.
const MEAN_RESIDUAL_M: f64 = 0.15;

/// What is the matter with an anchor, worst first.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Finding {
    Silent,
    NeverHeard,
    OftenRejected(f64),
    Weak(f64),
    Biased(f64),
    Fine,
}

impl Finding {
    /// The first of the findings that applies; `None` is a row that the engine never gave.
    pub(crate) fn of(health: Option<&AnchorHealth>) -> Finding {
        let Some(h) = health else { return Finding::NeverHeard };
        let rejected = h.rejected_share.filter(|s| *s > REJECTED_SHARE).map(Finding::OftenRejected);
        let weak = h.share.filter(|s| *s < WEAK_SHARE).map(Finding::Weak);
        let biased = h.mean_residual_m.filter(|m| m.abs() > MEAN_RESIDUAL_M).map(Finding::Biased);
        match h.state {
            AnchorState::Silent => Finding::Silent,
            AnchorState::NeverHeard => Finding::NeverHeard,
            AnchorState::Heard => rejected.or(weak).or(biased).unwrap_or(Finding::Fine),
        }
    }

    /// 0 for the worst.
    pub(crate) fn rank(self) -> u8 {
        match self {
            Finding::Silent => 0,
            Finding::NeverHeard => 1,
            Finding::OftenRejected(_) => 2,
            Finding::Weak(_) => 3,
            Finding::Biased(_) => 4,
            Finding::Fine => 5,
        }
    }

    /// One line of at most 75 characters; `None` when there is nothing to do.
    pub(crate) fn advice(self, anchor: AnchorId, link_is_up: bool) -> Option<String> {
        let text = match self {
            Finding::Silent | Finding::NeverHeard if !link_is_up => {
                "nothing is heard at all: see to the link first (/v1/status)".to_owned()
            }
            // 2-3 s: common practice, no source.
            Finding::Silent => {
                "check its power; usually back 2-3 s after power returns (common practice)".to_owned()
            }
            Finding::NeverHeard => {
                format!("check that it has power and that its board is set to id {anchor}")
            }
            Finding::OftenRejected(share) => {
                format!("{:.0} % of its ranges do not fit: clear its view, check its place", share * 100.0)
            }
            Finding::Weak(share) => {
                format!(
                    "a range in only {:.0} % of the frames: turn or raise it, clear its view",
                    share * 100.0
                )
            }
            Finding::Biased(m) => format!(
                "reads {:.2} m {} on average: calibrate it, or check if it was moved",
                m.abs(),
                if m > 0.0 { "long" } else { "short" }
            ),
            Finding::Fine => return None,
        };
        Some(text)
    }
}
