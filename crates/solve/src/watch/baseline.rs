//! What each anchor usually reads at each spot: multipath repeats by place.
//!
//! A table of cells of [`CELL_M`] × [`CELL_M`], each with a slow mean per anchor of the residual against the common
//! solution. What it gives is shrunk (a cell that was seen twice says little) and clipped to [`CLIP_M`]; one datum
//! moves it by little, so that a fault shows long before it is taken for usual. Only data that have left the
//! window of the tests come in, and none while something is suspected.
//!
//! The table has [`CELLS`] places, found by hashing with a few probes; where all are taken the oldest goes.
//!
//! **Drift.** Once an hour of data time the mean over all settled cells is noted per anchor. A straight line through the last
//! [`HOURS`] notes is the drift; its standard error comes from the scatter about the line. A drift of 1 cm/h
//! moves the baseline along and never shows as a jump; here it does.

use arrayvec::ArrayVec;
use hereabout_core::{MAX_ANCHORS, Micros, Timestamp};

const CELL_M: f64 = 1.0;
const CELLS: usize = 1_024;
const PROBES: usize = 4;
/// Visits that a cell needs to be believed by half.
const SHRINK: f32 = 2.0;
/// Visits after which an old value counts 1/e.
const MEMORY: f32 = 12.0;
/// Farthest that one visit counts from the present mean, and that a cell can tell. Metres.
const STEP_M: f32 = 0.10;
const CLIP_M: f32 = 0.30;
/// Visits that make a cell settled, and settled cells that make a note of the hour.
const SETTLED: f32 = 3.0;
const MIN_CELLS: u32 = 20;
const HOUR: Micros = Micros::from_millis(3_600_000);
const HOURS: usize = 24;
/// Notes that a line needs.
const MIN_HOURS: usize = 6;

#[derive(Clone, Copy, Debug, Default)]
struct Cell {
    at: [i32; 2],
    used: u32,
    mean_m: [f32; MAX_ANCHORS],
    visits: [f32; MAX_ANCHORS],
}

/// Slow change of an anchor's residuals.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drift {
    /// Slope of the offset over the hours that are kept, metres per day; positive when ranges grow.
    pub m_per_day: f64,
    /// Standard error of the slope, metres per day.
    pub se_m_per_day: f64,
}

/// What is usual at each cell of a metre, and how each offset wanders by the hour.
#[derive(Clone, Debug)]
pub(super) struct Baseline {
    cells: Vec<Cell>,
    clock: u32,
    hour: Option<Timestamp>,
    notes_hour_m: [ArrayVec<(f64, f64), HOURS>; MAX_ANCHORS],
}

impl Baseline {
    pub(super) fn new() -> Baseline {
        Baseline {
            cells: vec![Cell::default(); CELLS],
            clock: 0,
            hour: None,
            notes_hour_m: std::array::from_fn(|_| ArrayVec::new()),
        }
    }

    /// The cell of a place.
    pub(super) fn cell_of(at_m: [f64; 3]) -> [i32; 2] {
        // `as` saturates, NaN becomes 0.
        [(at_m[0] / CELL_M).floor() as i32, (at_m[1] / CELL_M).floor() as i32]
    }

    fn slots(at: [i32; 2]) -> impl Iterator<Item = usize> {
        let mixed = (at[0] as u32).wrapping_mul(0x9e37_79b1) ^ (at[1] as u32).wrapping_mul(0x85eb_ca6b);
        let first = (mixed ^ (mixed >> 15)) as usize;
        (0..PROBES).map(move |k| (first + k) % CELLS)
    }

    fn find(&self, at: [i32; 2]) -> Option<usize> {
        Baseline::slots(at).find(|s| self.cells[*s].used > 0 && self.cells[*s].at == at)
    }

    /// What an anchor usually reads there, metres; 0 where nothing is known.
    pub(super) fn usual_m(&self, slot: Option<usize>, anchor: usize) -> f64 {
        let Some(cell) = slot.map(|s| &self.cells[s]) else { return 0.0 };
        let visits = cell.visits[anchor];
        f64::from((cell.mean_m[anchor] * visits / (visits + SHRINK)).clamp(-CLIP_M, CLIP_M))
    }

    /// Where the cell is kept, if it is known.
    pub(super) fn slot(&self, at: [i32; 2]) -> Option<usize> {
        self.find(at)
    }

    /// Takes in what the anchors read at a cell; `None` for those that were NLOS or absent.
    pub(super) fn learn(&mut self, at: [i32; 2], read_m: impl Iterator<Item = (usize, f32)>) {
        self.clock = self.clock.saturating_add(1);
        let slot = self.find(at).unwrap_or_else(|| {
            let oldest = Baseline::slots(at).min_by_key(|s| self.cells[*s].used).unwrap_or(0);
            self.cells[oldest] = Cell { at, ..Cell::default() };
            oldest
        });
        let cell = &mut self.cells[slot];
        cell.used = self.clock;
        for (anchor, m) in read_m {
            let (mean, visits) = (&mut cell.mean_m[anchor], &mut cell.visits[anchor]);
            *visits = (*visits + 1.0).min(MEMORY);
            *mean += (m - *mean).clamp(-STEP_M, STEP_M) / *visits;
        }
    }

    /// Notes the hour when one has passed.
    pub(super) fn note_hour(&mut self, at: Timestamp, anchors: usize) {
        let since = *self.hour.get_or_insert(at);
        if at.since(since) < HOUR {
            return;
        }
        self.hour = Some(at);
        for anchor in 0..anchors {
            let (mut sum, mut n) = (0.0, 0u32);
            for cell in self.cells.iter().filter(|c| c.used > 0 && c.visits[anchor] >= SETTLED) {
                sum += f64::from(cell.mean_m[anchor]);
                n += 1;
            }
            if n < MIN_CELLS {
                continue;
            }
            let notes = &mut self.notes_hour_m[anchor];
            if notes.is_full() {
                notes.remove(0);
            }
            notes.push((at.unix_secs_f64() / 86_400.0, sum / f64::from(n)));
        }
    }

    /// Forgets the notes of an anchor: what comes after is not the same board in the same place.
    pub(super) fn forget_drift(&mut self, anchor: usize) {
        self.notes_hour_m[anchor].clear();
    }

    /// The line through the last day of notes.
    pub(super) fn drift(&self, anchor: usize) -> Option<Drift> {
        let notes = &self.notes_hour_m[anchor];
        let n = notes.len() as f64;
        if notes.len() < MIN_HOURS {
            return None;
        }
        let mean_t = notes.iter().map(|p| p.0).sum::<f64>() / n;
        let mean_m = notes.iter().map(|p| p.1).sum::<f64>() / n;
        let stt: f64 = notes.iter().map(|p| (p.0 - mean_t) * (p.0 - mean_t)).sum();
        if stt <= 0.0 {
            return None;
        }
        let slope = notes.iter().map(|p| (p.0 - mean_t) * (p.1 - mean_m)).sum::<f64>() / stt;
        let left = |p: &(f64, f64)| p.1 - mean_m - slope * (p.0 - mean_t);
        let scatter = notes.iter().map(|p| left(p) * left(p)).sum::<f64>() / (n - 2.0);
        Some(Drift { m_per_day: slope, se_m_per_day: (scatter / stt).sqrt() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cell_is_learned_slowly_and_clipped() {
        let mut b = Baseline::new();
        let cell = Baseline::cell_of([3.2, -1.5, 0.9]);
        assert_eq!(cell, [3, -2]);
        assert_eq!(b.usual_m(b.slot(cell), 0), 0.0);
        for _ in 0..40 {
            b.learn(cell, [(0, 0.04f32), (1, 2.0)].into_iter());
        }
        assert!((b.usual_m(b.slot(cell), 0) - 0.04 * 12.0 / 14.0).abs() < 1e-3);
        assert!((b.usual_m(b.slot(cell), 1) - 0.30).abs() < 1e-6, "clipped");
        assert_eq!(b.usual_m(b.slot([4, -2]), 0), 0.0);
    }

    #[test]
    fn a_full_table_forgets_the_oldest_and_mixes_nothing() {
        let mut b = Baseline::new();
        for k in 0..5_000 {
            let cell = [k % 100, k / 100];
            b.learn(cell, [(0, (k % 7) as f32 * 0.01)].into_iter());
            let want = f64::from((k % 7) as f32) * 0.01 / 3.0;
            assert!((b.usual_m(b.slot(cell), 0) - want).abs() < 1e-6);
        }
        assert!(b.slot([0, 0]).is_none());
    }

    #[test]
    fn a_drift_of_a_centimetre_an_hour_is_reported_with_its_error() {
        let mut b = Baseline::new();
        for minute in 0..12 * 60 {
            let at = Timestamp::from_micros(i64::from(minute) * 60_000_000);
            for k in 0..30 {
                let hours = f64::from(minute) / 60.0;
                let m = 0.01 * hours + 0.02 * f64::from((minute * 7 + k * 13) % 11 - 5) / 5.0;
                b.learn([k, 0], [(0, m as f32), (1, (m - 0.01 * hours) as f32)].into_iter());
            }
            b.note_hour(at, 2);
        }
        let drift = b.drift(0).expect("a drift");
        assert!((drift.m_per_day - 0.24).abs() < 0.03 && drift.se_m_per_day < 0.02, "{drift:?}");
        let none = b.drift(1).expect("enough notes");
        assert!(none.m_per_day.abs() < 0.03, "{none:?}");
        assert!(b.drift(2).is_none());
    }
}
