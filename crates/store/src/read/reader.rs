//! A log that is open for reading: what it holds, and the cursors that read it.

use std::path::{Path, PathBuf};
use std::time::Duration;

use hereabout_core::{AnchorId, FileFault, LogFault, Micros, TagId, Timestamp, odd_kind};
use hereabout_engine::{InheritedAnchor, InheritedTag, StartState};
use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{ConnectOptions, SqliteConnection};

use crate::error::from_sqlx;
use crate::files::beside;
use crate::read::cursor::{Cursor, Kind, Pages};
use crate::read::epochs::{EpochCursor, Epochs};
use crate::read::events::{EventCursor, Events};
use crate::read::fixes::{FixCursor, Fixes};
use crate::read::frames::{FrameCursor, Frames};
use crate::read::session::{SessionInfo, SessionPick, session_from};
use crate::schema::{newest_schema, refuse_other_databases};

/// A log that is open for reading. It changes nothing.
#[derive(Clone, Debug)]
pub struct LogReader {
    path: PathBuf,
    options: SqliteConnectOptions,
}

impl LogReader {
    /// Opens the log and makes sure that it is one, of a schema that this program reads.
    pub async fn open(path: impl AsRef<Path>) -> Result<LogReader, LogFault> {
        let path = path.as_ref().to_path_buf();
        match std::fs::metadata(&path).ok().map(|meta| odd_kind(&meta)) {
            Some(None) => {}
            Some(Some(kind)) => {
                let fault = FileFault::NotPlain { path: path.clone(), kind };
                return Err(LogFault::Untrusted { path, fault });
            }
            None => return Err(LogFault::NoSuchFile { path }),
        }
        let options = SqliteConnectOptions::new()
            .filename(&path)
            .read_only(true)
            .busy_timeout(Duration::from_secs(5))
            .row_buffer_size(1024)
            .disable_statement_logging();
        let mut reader = LogReader { path, options };
        match reader.check().await {
            // In a folder that may not be written SQLite cannot set up what it shares with a writer. Without a
            // write-ahead log beside the file there is no writer, and the file may be read as it stands.
            Err(LogFault::Forbidden { .. }) if !reader.has_write_ahead_log() => {
                reader.options = reader.options.immutable(true);
                reader.check().await?;
            }
            other => other?,
        }
        Ok(reader)
    }

    fn has_write_ahead_log(&self) -> bool {
        beside(&self.path, "-wal").exists()
    }

    async fn check(&self) -> Result<(), LogFault> {
        let mut db = self.connect().await?;
        refuse_other_databases(&self.path, &mut db).await?;
        let tables: i64 =
            sqlx::query_scalar("SELECT count(*) FROM sqlite_schema WHERE name = '_sqlx_migrations'")
                .fetch_one(&mut db)
                .await
                .map_err(|e| from_sqlx(&self.path, &e))?;
        if tables == 0 {
            return Err(LogFault::Empty { path: self.path.clone() });
        }
        let found: i64 = sqlx::query_scalar("SELECT coalesce(max(version), 0) FROM _sqlx_migrations")
            .fetch_one(&mut db)
            .await
            .map_err(|e| from_sqlx(&self.path, &e))?;
        let (path, known) = (self.path.clone(), newest_schema());
        match found.cmp(&known) {
            std::cmp::Ordering::Equal => Ok(()),
            std::cmp::Ordering::Greater => Err(LogFault::NewerSchema { path, found, known }),
            std::cmp::Ordering::Less => Err(LogFault::OlderSchema { path, found, known }),
        }
    }

    async fn connect(&self) -> Result<SqliteConnection, LogFault> {
        self.options.connect().await.map_err(|e| from_sqlx(&self.path, &e))
    }

    /// All sessions, oldest first.
    pub async fn sessions(&self) -> Result<Vec<SessionInfo>, LogFault> {
        let mut db = self.connect().await?;
        let rows = sqlx::query(
            "SELECT id, started_at_us, ended_at_us, last_at_us, site_text, calibration_text, frame_layout, source, \
             program_version, frames, fixes, events, dropped_frames, dropped_fixes, dropped_events, \
             other_sites FROM session ORDER BY id",
        )
        .fetch_all(&mut db)
        .await
        .map_err(|e| from_sqlx(&self.path, &e))?;
        rows.iter().map(|row| session_from(row).map_err(|e| from_sqlx(&self.path, &e))).collect()
    }

    /// One session, or [`LogFault::NoSuchSession`] with the ids that there are, or [`LogFault::Empty`].
    pub async fn session(&self, pick: SessionPick) -> Result<SessionInfo, LogFault> {
        let mut all = self.sessions().await?;
        let Some(newest) = all.pop() else {
            return Err(LogFault::Empty { path: self.path.clone() });
        };
        let SessionPick::Id(id) = pick else {
            return Ok(newest);
        };
        let last = newest.id;
        all.push(newest);
        let (count, first) = (all.len() as u64, all.first().map_or(last, |s| s.id));
        let found = all.into_iter().find(|s| s.id == id);
        found.ok_or_else(|| LogFault::NoSuchSession { path: self.path.clone(), id, count, first, last })
    }

    /// What the engine was fed in `session`, in order. For replays.
    pub async fn epochs(&self, session: i64) -> Result<EpochCursor, LogFault> {
        self.cursor(session, Epochs { inherited: false }).await
    }

    /// What `session` began with; `None` for one that inherited nothing.
    pub async fn start_state(&self, session: i64) -> Result<Option<StartState>, LogFault> {
        let mut db = self.connect().await?;
        let failed = |e: sqlx::Error| from_sqlx(&self.path, &e);
        let numbers = sqlx::query_as::<_, (i64, i64, i64, i64)>(
            "SELECT at_us, position_seq, delayed_seq, zone_seq FROM inherited_numbers WHERE session = ?",
        )
        .bind(session)
        .fetch_optional(&mut db)
        .await
        .map_err(failed)?;
        let Some((at, seq, delayed_seq, zone_seq)) = numbers else { return Ok(None) };
        let anchors = sqlx::query_as::<_, (u16, bool, i64, i64, Option<f64>)>(
            "SELECT anchor, silent, since_us, last_heard_us, last_range_m FROM inherited_anchor \
             WHERE session = ? ORDER BY anchor",
        )
        .bind(session)
        .fetch_all(&mut db)
        .await
        .map_err(failed)?;
        let anchor = |(id, silent, since, last_heard, last_range_m)| InheritedAnchor {
            anchor: AnchorId(id),
            silent,
            since: Timestamp::from_micros(since),
            last_heard: Timestamp::from_micros(last_heard),
            last_range_m,
        };
        let tags = sqlx::query_as::<_, (u32, i64)>(
            "SELECT tag, last_heard_us FROM inherited_tag WHERE session = ? ORDER BY slot",
        )
        .bind(session)
        .fetch_all(&mut db)
        .await
        .map_err(failed)?;
        let tag = |(id, last_heard)| InheritedTag {
            tag: TagId(id),
            last_heard: Timestamp::from_micros(last_heard),
        };
        let mut cursor = self.cursor(session, Epochs { inherited: true }).await?;
        let mut epochs = Vec::new();
        loop {
            let batch = cursor.next_batch().await?;
            if batch.is_empty() {
                break;
            }
            epochs.extend(batch);
        }
        Ok(Some(StartState {
            at: Timestamp::from_micros(at),
            seq: seq.unsigned_abs(),
            delayed_seq: delayed_seq.unsigned_abs(),
            zone_seq: zone_seq.unsigned_abs(),
            tags: tags.into_iter().map(tag).collect(),
            anchors: anchors.into_iter().map(anchor).collect(),
            epochs,
        }))
    }

    /// How the time scale of `session` maps to UTC: from when on, and UTC minus the session's time; in order.
    pub async fn clock(&self, session: i64) -> Result<Vec<(Timestamp, Micros)>, LogFault> {
        let mut db = self.connect().await?;
        let rows = sqlx::query_as::<_, (i64, i64)>(
            "SELECT at_us, utc_minus_session_us FROM clock WHERE session = ? ORDER BY at_us",
        )
        .bind(session)
        .fetch_all(&mut db)
        .await
        .map_err(|e| from_sqlx(&self.path, &e))?;
        let row = |(at, minus)| (Timestamp::from_micros(at), Micros::from_micros(minus));
        Ok(rows.into_iter().map(row).collect())
    }

    /// Every range of `session` with its verdict, frame by frame.
    pub async fn frames(&self, session: i64) -> Result<FrameCursor, LogFault> {
        self.cursor(session, Frames).await
    }

    /// The position reports of `session`, in order.
    pub async fn fixes(&self, session: i64) -> Result<FixCursor, LogFault> {
        self.cursor(session, Fixes).await
    }

    /// The events of `session`, in order.
    pub async fn events(&self, session: i64) -> Result<EventCursor, LogFault> {
        self.cursor(session, Events).await
    }

    async fn cursor<K: Kind>(&self, session: i64, kind: K) -> Result<Cursor<K>, LogFault> {
        let db = self.connect().await?;
        Ok(Cursor::new(Pages::new(db, self.path.clone(), session), kind))
    }
}
