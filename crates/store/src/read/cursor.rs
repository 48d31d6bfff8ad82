//! One page of rows after the other, whatever their kind.

use std::path::PathBuf;
use std::time::Instant;

use hereabout_core::{LogDamage, LogFault};
use sqlx::sqlite::SqliteRow;
use sqlx::{FromRow, SqliteConnection};

use crate::error::from_sqlx;
use crate::read::page::{Page, reading};

/// A kind of rows that can be read page by page.
pub trait Kind: Send {
    /// What is made of a row.
    type Item;
    /// The next page; empty at the end of what is written.
    fn next_page(&self, pages: &mut Pages) -> impl Future<Output = Result<Vec<Self::Item>, LogFault>> + Send;
}

/// Reads one kind of rows of a session, in order. See [`crate::LogReader`].
#[derive(Debug)]
pub struct Cursor<K> {
    pages: Pages,
    kind: K,
}

impl<K: Kind> Cursor<K> {
    pub(crate) fn new(pages: Pages, kind: K) -> Cursor<K> {
        Cursor { pages, kind }
    }

    /// The next items, 4096 at most; empty at the end of what is written.
    ///
    /// # Errors
    /// A damaged log, or one that can't be read.
    pub async fn next_batch(&mut self) -> Result<Vec<K::Item>, LogFault> {
        let _reading = reading().await;
        self.kind.next_page(&mut self.pages).await
    }
}

/// How far a cursor has come, on a connection of its own.
#[derive(Debug)]
pub struct Pages {
    pub(crate) db: SqliteConnection,
    pub(crate) path: PathBuf,
    pub(crate) session: i64,
    /// Key of the last row that was given out.
    pub(crate) after: i64,
    pub(crate) page: Page,
}

impl Pages {
    pub(crate) fn new(db: SqliteConnection, path: PathBuf, session: i64) -> Pages {
        Pages { db, path, session, after: 0, page: Page::first() }
    }

    pub(crate) fn failed(&self, error: &sqlx::Error) -> LogFault {
        from_sqlx(&self.path, error)
    }

    pub(crate) fn damaged(&self, damage: LogDamage) -> LogFault {
        LogFault::Damaged { path: self.path.clone(), damage }
    }

    /// One page of `sql`, which asks for a session, for keys after one, and for so many rows.
    pub(crate) async fn next_rows<T>(&mut self, sql: &'static str) -> Result<Vec<T>, LogFault>
    where
        T: for<'r> FromRow<'r, SqliteRow>,
    {
        self.rows(sql, self.after, self.page.rows()).await
    }

    /// The rows of `sql`, which asks for a session and for two more numbers: from one to the other, or after one and how
    /// many.
    pub(crate) async fn rows<T>(&mut self, sql: &'static str, from: i64, to: i64) -> Result<Vec<T>, LogFault>
    where
        T: for<'r> FromRow<'r, SqliteRow>,
    {
        let began = Instant::now();
        let query = sqlx::query(sql).bind(self.session).bind(from).bind(to);
        let rows = query.fetch_all(&mut self.db).await.map_err(|e| self.failed(&e))?;
        self.page.learn(began.elapsed());
        rows.iter().map(|row| T::from_row(row).map_err(|e| self.failed(&e))).collect()
    }
}
