//! Codes of the log, both ways: a number for each verdict, state and reason, nine cells for a place.
//!
//! The numbers are those of the tables `verdict`, `tag_state` and `no_fix` (see the migrations); they are never used anew.

use hereabout_core::{Doubt, NoFixReason, Place, RejectReason, TagState, Verdict};

/// East, north, up, and the upper triangle of the covariance, row by row; all NaN without a place.
pub(crate) type PlaceCells = [f64; 9];

/// `no_fix`, `no_fix_have`, `no_fix_need`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct NoFixCells {
    pub(crate) code: u8,
    pub(crate) have: Option<u32>,
    pub(crate) need: Option<u32>,
}

pub(crate) fn place_cells(place: &Place) -> PlaceCells {
    let ([e, n, u], c) = (place.position_m, &place.covariance_m2);
    [e, n, u, c[0][0], c[0][1], c[0][2], c[1][1], c[1][2], c[2][2]]
}

/// The place of nine cells.
pub(crate) fn place_from(cells: PlaceCells) -> Place {
    let [e, n, u, ee, en, eu, nn, nu, uu] = cells;
    Place { position_m: [e, n, u], covariance_m2: [[ee, en, eu], [en, nn, nu], [eu, nu, uu]] }
}

pub(crate) fn verdict_code(verdict: Verdict) -> u8 {
    match verdict {
        Verdict::Used => 0,
        Verdict::NoReading => 1,
        Verdict::AnchorSilent => 2,
        Verdict::OutOfSpan => 3,
        Verdict::Rejected(RejectReason::TooLong) => 4,
        Verdict::Rejected(RejectReason::TooShort) => 5,
        Verdict::Rejected(RejectReason::NotCredible) => 6,
        Verdict::AnchorExcluded => 7,
        Verdict::NoFix => 8,
        Verdict::Doubted(doubt) => doubt_code(doubt),
        Verdict::Held => 13,
    }
}

/// The code of a doubt is the same in `frame.doubt` and in `range.verdict`.
pub(crate) fn doubt_code(doubt: Doubt) -> u8 {
    match doubt {
        Doubt::Old => 9,
        Doubt::Repeated => 10,
        Doubt::Frozen => 11,
        Doubt::Unsettled => 12,
        Doubt::UnknownTag => 14,
    }
}

pub(crate) fn doubt_from(code: i64) -> Option<Doubt> {
    Doubt::ALL.into_iter().find(|doubt| i64::from(doubt_code(*doubt)) == code)
}

pub(crate) fn verdict_from(code: i64) -> Option<Verdict> {
    Verdict::ALL.into_iter().find(|verdict| i64::from(verdict_code(*verdict)) == code)
}

pub(crate) fn state_code(state: TagState) -> u8 {
    match state {
        TagState::Located => 0,
        TagState::Coasting => 1,
        TagState::Ambiguous => 2,
        TagState::Lost => 3,
    }
}

pub(crate) fn state_from(code: i64) -> Option<TagState> {
    Some(match code {
        0 => TagState::Located,
        1 => TagState::Coasting,
        2 => TagState::Ambiguous,
        3 => TagState::Lost,
        _ => return None,
    })
}

pub(crate) fn no_fix_cells(reason: NoFixReason) -> NoFixCells {
    let bare = |code| NoFixCells { code, have: None, need: None };
    match reason {
        NoFixReason::NoRanges => bare(0),
        NoFixReason::TooFewRanges { have, need } => {
            NoFixCells { code: 1, have: Some(small(have)), need: Some(small(need)) }
        }
        NoFixReason::WeakGeometry => bare(2),
        NoFixReason::TwoPlaces => bare(3),
        NoFixReason::Inconsistent => bare(4),
        NoFixReason::NotConverged => bare(5),
        NoFixReason::NotCurrent(doubt) => bare(doubt_code(doubt)),
    }
}

/// Counts of ranges are 16 at most; the clamp only keeps the conversion total.
fn small(count: usize) -> u32 {
    u32::try_from(count).unwrap_or(u32::MAX)
}

pub(crate) fn no_fix_from(code: i64, have: Option<i64>, need: Option<i64>) -> Option<NoFixReason> {
    Some(match code {
        0 => NoFixReason::NoRanges,
        1 => NoFixReason::TooFewRanges {
            have: usize::try_from(have?).ok()?,
            need: usize::try_from(need?).ok()?,
        },
        2 => NoFixReason::WeakGeometry,
        3 => NoFixReason::TwoPlaces,
        4 => NoFixReason::Inconsistent,
        5 => NoFixReason::NotConverged,
        9..=12 | 14 => NoFixReason::NotCurrent(doubt_from(code)?),
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    /// The codes that the migrations give a name to, read from their text.
    fn codes_of_the_schema() -> BTreeSet<u8> {
        let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../migrations");
        let mut codes = BTreeSet::new();
        for file in std::fs::read_dir(folder).unwrap() {
            let text = std::fs::read_to_string(file.unwrap().path()).unwrap();
            for insert in text.split("INSERT INTO verdict (").skip(1) {
                let rows = insert.split(';').next().unwrap();
                let rows =
                    rows.split("VALUES").nth(1).unwrap().lines().filter_map(|l| l.trim().strip_prefix('('));
                codes.extend(rows.map(|row| row.split(',').next().unwrap().trim().parse::<u8>().unwrap()));
            }
        }
        codes
    }

    #[test]
    fn every_verdict_has_one_code_and_the_log_has_a_name_for_each() {
        let codes: BTreeSet<u8> = Verdict::ALL.iter().map(|v| verdict_code(*v)).collect();
        assert_eq!(codes.len(), Verdict::ALL.len(), "no code means two verdicts");
        assert_eq!(codes, codes_of_the_schema(), "the table `verdict` names each, and no other");
        assert!(Verdict::ALL.iter().all(|v| verdict_from(i64::from(verdict_code(*v))) == Some(*v)));
    }
}
