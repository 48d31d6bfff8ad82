//! The schema of a log, and the mark by which one is known.

use std::path::Path;

use hereabout_core::LogFault;
use sqlx::SqliteConnection;
use sqlx::migrate::Migrator;

use crate::error::from_sqlx;

/// The schema, step by step.
pub(crate) static MIGRATIONS: Migrator = sqlx::migrate!("../../migrations");
/// `PRAGMA application_id` of a log: "here" in ASCII.
pub(crate) const APPLICATION_ID: i32 = 0x6865_7265;

/// The newest step of the schema that this program knows.
pub(crate) fn newest_schema() -> i64 {
    MIGRATIONS.iter().map(|m| m.version).max().unwrap_or(0)
}

/// A file with tables in it must carry the mark of a log.
pub(crate) async fn refuse_other_databases(path: &Path, db: &mut SqliteConnection) -> Result<(), LogFault> {
    let (tables, mark): (i64, i32) = sqlx::query_as(
        "SELECT (SELECT count(*) FROM sqlite_schema), application_id FROM pragma_application_id",
    )
    .fetch_one(db)
    .await
    .map_err(|e| from_sqlx(path, &e))?;
    if tables > 0 && mark != APPLICATION_ID {
        return Err(LogFault::OtherDatabase { path: path.to_path_buf() });
    }
    Ok(())
}
