//! Cells of rows that more than one reader has.

use sqlx::Row;
use sqlx::sqlite::SqliteRow;

/// A count; the schema lets none be negative.
pub(crate) fn count(row: &SqliteRow, column: usize) -> Result<u64, sqlx::Error> {
    Ok(row.try_get::<i64, _>(column)?.unsigned_abs())
}

/// `N` columns from `first` on, or `None` when one is NULL (the schema has all or none NULL).
pub(crate) fn reals<const N: usize>(row: &SqliteRow, first: usize) -> Result<Option<[f64; N]>, sqlx::Error> {
    let mut cells = [0.0; N];
    for (cell, column) in cells.iter_mut().zip(first..) {
        match row.try_get::<Option<f64>, usize>(column)? {
            Some(value) => *cell = value,
            None => return Ok(None),
        }
    }
    Ok(Some(cells))
}
