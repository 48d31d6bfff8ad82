//! Rows into tables, many with one statement.
//!
//! A statement costs about 100 µs whatever it inserts, so single rows reach ten thousand a second and a thousand
//! rows at once reach most of a million. Rows are cut greedily into the sizes of [`SIZES`]; a live second of ten
//! frames takes a handful of statements, a replay nearly only large ones. The texts are made once, from constants
//! alone, and SQLite keeps them prepared.

use std::sync::Arc;

use hereabout_core::{Micros, Timestamp};
use sqlx::sqlite::SqliteArguments;
use sqlx::{Arguments, AssertSqlSafe, SqliteConnection};

use crate::codes::PlaceCells;
use crate::write::record::{EventRow, FixRow, FrameRow, RangeRow, Record, Row};

/// Rows a statement, largest first.
const SIZES: [usize; 4] = [1024, 64, 8, 1];
/// The most values that SQLite binds in one statement (`SQLITE_MAX_VARIABLE_NUMBER`,
/// <https://www.sqlite.org/limits.html>).
const MAX_VALUES: usize = 32_766;

/// The insert statements of one table.
struct InsertStatements {
    columns: usize,
    /// Rows and text, largest first.
    statements: Vec<(usize, Arc<str>)>,
}

impl InsertStatements {
    fn new(into: &str, columns: usize) -> InsertStatements {
        let row = format!("({})", vec!["?"; columns].join(","));
        let statements = SIZES
            .iter()
            .filter(|&&n| n * columns <= MAX_VALUES)
            .map(|&n| (n, format!("INSERT INTO {into} VALUES {}", vec![row.as_str(); n].join(",")).into()))
            .collect();
        InsertStatements { columns, statements }
    }

    async fn insert<T>(
        &self,
        db: &mut SqliteConnection,
        mut rows: &[T],
        bind: impl Fn(&mut Binder, &T),
    ) -> Result<(), sqlx::Error> {
        for (size, sql) in &self.statements {
            while let Some((now, later)) = rows.split_at_checked(*size) {
                let mut values = Binder::with_room_for(size * self.columns);
                now.iter().for_each(|row| bind(&mut values, row));
                debug_assert_eq!(values.0.len(), size * self.columns);
                sqlx::query_with(AssertSqlSafe(Arc::clone(sql)), values.0).execute(&mut *db).await?;
                rows = later;
            }
        }
        Ok(())
    }
}

/// Arguments of one statement, in column order.
struct Binder(SqliteArguments);

impl Binder {
    fn with_room_for(values: usize) -> Binder {
        let mut args = SqliteArguments::default();
        args.reserve(values, 0);
        Binder(args)
    }

    fn add<'q, T: sqlx::Encode<'q, sqlx::Sqlite> + sqlx::Type<sqlx::Sqlite>>(&mut self, value: T) {
        // Encoding a number or a text cannot fail; if it did, the count of values would be short and the
        // missing ones NULL, which the schema refuses where it matters.
        let added = self.0.add(value);
        debug_assert!(added.is_ok());
    }

    /// NaN becomes NULL here and not in SQLite, so that it does not hang on a detail of its binding.
    fn real(&mut self, value: f64) {
        self.add((!value.is_nan()).then_some(value));
    }

    fn reals(&mut self, values: &[f64]) {
        values.iter().for_each(|&v| self.real(v));
    }

    /// Beyond the integers of SQLite (which no counter reaches) the largest one.
    fn count(&mut self, value: u64) {
        self.add(i64::try_from(value).unwrap_or(i64::MAX));
    }
}

/// Where the numbering of a session stands; given out inside a transaction, kept when it is committed.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct SessionProgress {
    pub(crate) frames: u64,
    pub(crate) fixes: u64,
    pub(crate) events: u64,
    /// Stamp, in microseconds, of the newest record.
    pub(crate) last_at_us: Option<i64>,
    /// The same of the newest frame or fix: on the session's own time scale, where events are in UTC.
    pub(crate) last_data_us: Option<i64>,
    /// UTC minus that scale.
    pub(crate) utc_minus_session: Option<Micros>,
    /// The last frame's stamp and tag: a position report with the same ones belongs to it.
    pub(crate) last_frame: Option<(i64, u32)>,
}

/// Rows of each table, gathered from a run of records.
#[derive(Default)]
struct Gathered<'a> {
    frames: Vec<(u64, &'a FrameRow)>,
    ranges: Vec<(u64, u16, &'a RangeRow)>,
    fixes: Vec<(Option<u64>, &'a FixRow)>,
    candidates: Vec<(u64, u8, &'a PlaceCells)>,
    events: Vec<&'a EventRow>,
    clocks: Vec<(Timestamp, Micros)>,
}

impl<'a> Gathered<'a> {
    /// Gives out the numbers and sorts the rows by table.
    fn new(records: &'a [Record], progress: &mut SessionProgress) -> Gathered<'a> {
        let mut g = Gathered::default();
        for record in records {
            let at = record.at().micros();
            progress.last_at_us = progress.last_at_us.max(Some(at));
            match &record.0 {
                Row::Frame(row) => {
                    progress.frames += 1;
                    progress.last_data_us = progress.last_data_us.max(Some(at));
                    progress.last_frame = (!row.inherited).then_some((at, row.tag));
                    g.frames.push((progress.frames, row));
                    g.ranges.extend((0..).zip(&row.ranges).map(|(i, r)| (progress.frames, i, r)));
                }
                Row::Fix(row) => {
                    progress.fixes += 1;
                    progress.last_data_us = progress.last_data_us.max(Some(at));
                    let of_frame = progress.last_frame == Some((at, row.tag));
                    g.fixes.push((of_frame.then_some(progress.frames), row));
                    g.candidates.extend((0..).zip(&row.candidates).map(|(i, c)| (row.seq, i, c)));
                }
                Row::Event(row) => {
                    progress.events += 1;
                    g.events.push(row);
                }
                Row::Clock(at, utc_minus_session) => {
                    progress.utc_minus_session = Some(*utc_minus_session);
                    g.clocks.push((*at, *utc_minus_session));
                }
                // The writer turns to the next session before it comes here with what follows.
                Row::Session(_) => debug_assert!(false, "a session is no row of one"),
            }
        }
        g
    }
}

/// The inserts of all tables.
pub(crate) struct Inserter {
    frame: InsertStatements,
    range: InsertStatements,
    fix: InsertStatements,
    candidate: InsertStatements,
    event: InsertStatements,
    clock: InsertStatements,
}

impl Inserter {
    pub(crate) fn new() -> Inserter {
        Inserter {
            frame: InsertStatements::new(
                "frame (session, number, at_us, tag, frame_seq, measured_at_us, doubt, inherited)",
                8,
            ),
            range: InsertStatements::new(
                "range (session, frame, position, anchor, raw_range_m, range_m, verdict, residual_m, \
                 standardised_residual, p_good)",
                10,
            ),
            fix: InsertStatements::new(
                "fix (session, seq, at_us, valid_until_us, tag, state, frame, east_m, north_m, up_m, cov_ee_m2, \
                 cov_en_m2, cov_eu_m2, cov_nn_m2, cov_nu_m2, cov_uu_m2, radius95_m, protection_radius_m, \
                 velocity_east_mps, velocity_north_mps, velocity_up_mps, hdop, vdop, pdop, checked, no_fix, \
                 no_fix_have, no_fix_need, restarted, received_at_us)",
                30,
            ),
            candidate: InsertStatements::new(
                "candidate (session, seq, rank, east_m, north_m, up_m, cov_ee_m2, cov_en_m2, cov_eu_m2, cov_nn_m2, \
                 cov_nu_m2, cov_uu_m2)",
                12,
            ),
            event: InsertStatements::new("event (seq, session, at_us, kind, detail)", 5),
            clock: InsertStatements::new("clock (session, at_us, utc_minus_session_us)", 3),
        }
    }

    /// Writes `records` of one session inside the open transaction. `progress` moves on; it is the caller's to keep or discard.
    pub(crate) async fn insert(
        &self,
        db: &mut SqliteConnection,
        session: i64,
        records: &[Record],
        progress: &mut SessionProgress,
    ) -> Result<(), sqlx::Error> {
        let rows = Gathered::new(records, progress);
        self.frame
            .insert(db, &rows.frames, |b, (number, f)| {
                b.add(session);
                b.count(*number);
                b.add(f.at.micros());
                b.add(f.tag);
                b.add(f.frame_seq);
                b.add(f.measured_at.micros());
                b.add(f.doubt);
                b.add(f.inherited);
            })
            .await?;
        self.range
            .insert(db, &rows.ranges, |b, (frame, position, r)| {
                b.add(session);
                b.count(*frame);
                b.add(*position);
                bind_range(b, r);
            })
            .await?;
        self.fix.insert(db, &rows.fixes, |b, (frame, f)| bind_fix(b, session, *frame, f)).await?;
        self.candidate
            .insert(db, &rows.candidates, |b, (seq, rank, cells)| {
                b.add(session);
                b.count(*seq);
                b.add(*rank);
                b.reals(&cells[..]);
            })
            .await?;
        self.event
            .insert(db, &rows.events, |b, e| {
                b.count(e.seq);
                b.add(session);
                b.add(e.at.micros());
                b.add(e.kind.clone());
                b.add(e.detail.clone());
            })
            .await?;
        self.clock
            .insert(db, &rows.clocks, |b, (at, utc_minus_session)| {
                b.add(session);
                b.add(at.micros());
                b.add(utc_minus_session.micros());
            })
            .await
    }
}

fn bind_range(b: &mut Binder, r: &RangeRow) {
    b.add(r.anchor);
    b.real(r.raw_range_m);
    b.real(r.range_m);
    b.add(r.verdict);
    b.real(r.residual_m);
    b.real(r.standardised_residual);
    b.real(r.p_good);
}

fn bind_fix(b: &mut Binder, session: i64, frame: Option<u64>, f: &FixRow) {
    b.add(session);
    b.count(f.seq);
    b.add(f.at.micros());
    b.add(f.valid_until.micros());
    b.add(f.tag);
    b.add(f.state);
    b.add(frame.and_then(|n| i64::try_from(n).ok()));
    b.reals(&f.place);
    b.real(f.radius95_m);
    b.real(f.protection_radius_m);
    b.reals(&f.velocity_mps);
    b.reals(&f.dop);
    b.add(f.checked);
    b.add(f.no_fix.map(|n| n.code));
    b.add(f.no_fix.and_then(|n| n.have));
    b.add(f.no_fix.and_then(|n| n.need));
    b.add(f.restarted);
    b.add(f.received_at.micros());
}
