//! Position reports, as they were published.

use arrayvec::ArrayVec;
use hereabout_core::{
    Location, LogDamage, LogFault, PositionReport, RejectedRange, TagId, TagPlace, TagState, Timestamp,
    Verdict,
};
use sqlx::sqlite::SqliteRow;
use sqlx::{FromRow, Row};

use crate::codes::{PlaceCells, no_fix_from, place_from, state_from};
use crate::read::cells::{count, reals};
use crate::read::cursor::{Cursor, Kind, Pages};
use crate::read::ranges::{Ranges, judged_ranges};

/// A position report, as it was published.
#[derive(Clone, Debug, PartialEq)]
pub struct StoredFix {
    /// The report. `used` and `rejected` are in the order of the frame's ranges.
    pub report: PositionReport,
    /// Number of its frame in the session; `None` when a timer made it, or its frame was dropped.
    pub frame: Option<i64>,
}

/// Reads position reports. See [`crate::LogReader::fixes`].
pub type FixCursor = Cursor<Fixes>;

/// The position reports of a session.
#[derive(Clone, Copy, Debug)]
pub struct Fixes;

impl Kind for Fixes {
    type Item = StoredFix;

    async fn next_page(&self, pages: &mut Pages) -> Result<Vec<StoredFix>, LogFault> {
        let rows: Vec<FixCells> = pages
            .next_rows(
                "SELECT seq, at_us, valid_until_us, tag, state, frame, east_m, north_m, up_m, cov_ee_m2, cov_en_m2, \
                 cov_eu_m2, cov_nn_m2, cov_nu_m2, cov_uu_m2, radius95_m, protection_radius_m, velocity_east_mps, \
                 velocity_north_mps, velocity_up_mps, hdop, vdop, pdop, checked, no_fix, no_fix_have, no_fix_need, restarted, \
                 coalesce(received_at_us, at_us) \
                 FROM fix WHERE session = ? AND seq > ? ORDER BY seq LIMIT ?",
            )
            .await?;
        let last = rows.last().map(|row| row.seq);
        let fixes: Option<Vec<StoredFix>> = rows.into_iter().map(|row| row.fix).collect();
        let mut fixes = fixes.ok_or_else(|| pages.damaged(LogDamage::PositionCode))?;
        add_ranges(pages, &mut fixes).await?;
        add_candidates(pages, &mut fixes).await?;
        pages.after = last.unwrap_or(pages.after);
        Ok(fixes)
    }
}

/// Fills in who was used and who was rejected.
///
/// Where fixes were dropped, or never made, the frames of a batch can lie far apart: they are looked up in windows.
async fn add_ranges(pages: &mut Pages, fixes: &mut [StoredFix]) -> Result<(), LogFault> {
    let mut rest = fixes;
    while let Some(from) = rest.iter().find_map(|f| f.frame) {
        let to = from.saturating_add(pages.page.rows());
        let end = rest.iter().position(|f| f.frame.is_some_and(|n| !(from..=to).contains(&n)));
        let (window, later) = rest.split_at_mut(end.unwrap_or(rest.len()));
        let judged = judged_ranges(pages, from, to).await?;
        for fix in window {
            if let Some(ranges) = fix.frame.and_then(|number| judged.get(&number)) {
                add_used_and_rejected(&mut fix.report, ranges);
            }
        }
        rest = later;
    }
    Ok(())
}

fn add_used_and_rejected(report: &mut PositionReport, ranges: &Ranges) {
    for r in ranges {
        match (r.verdict, r.residual_m) {
            (Verdict::Used, _) => report.used.push(r.anchor),
            (Verdict::Rejected(why), Some(residual_m)) => {
                report.rejected.push(RejectedRange { anchor: r.anchor, residual_m, why, p_good: r.p_good });
            }
            _ => {}
        }
    }
}

/// Fills in both places of ambiguous reports.
async fn add_candidates(pages: &mut Pages, fixes: &mut [StoredFix]) -> Result<(), LogFault> {
    let (Some(first), Some(last)) = (fixes.first(), fixes.last()) else {
        return Ok(());
    };
    let key = |fix: &StoredFix| i64::try_from(fix.report.seq).unwrap_or(i64::MAX);
    let (first, last) = (key(first), key(last));
    let rows: Vec<CandidateCells> = pages
        .rows(
            "SELECT seq, east_m, north_m, up_m, cov_ee_m2, cov_en_m2, cov_eu_m2, cov_nn_m2, cov_nu_m2, cov_uu_m2 \
             FROM candidate WHERE session = ? AND seq BETWEEN ? AND ? ORDER BY seq, rank",
            first,
            last,
        )
        .await?;
    for CandidateCells(seq, cells) in rows {
        if let Ok(i) = fixes.binary_search_by_key(&seq, |f| f.report.seq) {
            let Location::Ambiguous(candidates) = &mut fixes[i].report.location else {
                return Err(pages.damaged(LogDamage::CandidatesOfOne { report: seq }));
            };
            let added = candidates.try_push(place_from(cells));
            added.map_err(|_| pages.damaged(LogDamage::TooManyCandidates { report: seq }))?;
        }
    }
    Ok(())
}

/// A row of `candidate`: number of its report, and the place.
struct CandidateCells(u64, PlaceCells);

impl FromRow<'_, SqliteRow> for CandidateCells {
    fn from_row(row: &SqliteRow) -> Result<CandidateCells, sqlx::Error> {
        let mut cells = [0.0; 9];
        for (cell, column) in cells.iter_mut().zip(1..) {
            *cell = row.try_get::<f64, usize>(column)?;
        }
        Ok(CandidateCells(count(row, 0)?, cells))
    }
}

/// A row of `fix`.
struct FixCells {
    seq: i64,
    /// Without `used`, `rejected` and `candidates`; `None` when a code means nothing.
    fix: Option<StoredFix>,
}

impl FromRow<'_, SqliteRow> for FixCells {
    fn from_row(row: &SqliteRow) -> Result<FixCells, sqlx::Error> {
        Ok(FixCells { seq: row.try_get(0)?, fix: fix_from(row)? })
    }
}

/// A report without `used`, `rejected` and `candidates`; `None` when a code means nothing.
fn fix_from(row: &SqliteRow) -> Result<Option<StoredFix>, sqlx::Error> {
    let no_fix: Option<i64> = row.try_get(24)?;
    let no_fix =
        no_fix.map(|code| Ok::<_, sqlx::Error>(no_fix_from(code, row.try_get(25)?, row.try_get(26)?)));
    let (state, no_fix) = match (state_from(row.try_get(4)?), no_fix.transpose()?) {
        (None, _) | (_, Some(None)) => return Ok(None),
        (Some(state), no_fix) => (state, no_fix.flatten()),
    };
    let Some(location) = location_from(state, row)? else { return Ok(None) };
    let report = PositionReport {
        seq: count(row, 0)?,
        at: Timestamp::from_micros(row.try_get(1)?),
        received_at: Timestamp::from_micros(row.try_get(28)?),
        valid_until: Timestamp::from_micros(row.try_get(2)?),
        tag: TagId(row.try_get(3)?),
        location,
        restarted: row.try_get(27)?,
        used: ArrayVec::new(),
        rejected: ArrayVec::new(),
        no_fix,
    };
    Ok(Some(StoredFix { report, frame: row.try_get(5)? }))
}

/// What a row of `fix` says of the place, without candidates; `None` for a place that is missing.
fn location_from(state: TagState, row: &SqliteRow) -> Result<Option<Location>, sqlx::Error> {
    let wrap = match state {
        TagState::Located => Location::Located,
        TagState::Coasting => Location::Coasting,
        TagState::Ambiguous => return Ok(Some(Location::Ambiguous(ArrayVec::new()))),
        TagState::Lost => return Ok(Some(Location::Lost)),
    };
    let (Some(cells), Some(radius95_m)) = (reals::<9>(row, 6)?, row.try_get::<Option<f64>, usize>(15)?)
    else {
        return Ok(None);
    };
    Ok(Some(wrap(TagPlace {
        place: place_from(cells),
        radius95_m,
        protection_radius_m: row.try_get(16)?,
        checked: row.try_get(23)?,
        velocity_mps: reals::<3>(row, 17)?,
        hdop: row.try_get(20)?,
        vdop: row.try_get(21)?,
        pdop: row.try_get(22)?,
    })))
}
