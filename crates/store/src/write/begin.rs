//! Beginning a session in a log that is open.

use std::path::{Path, PathBuf};

use crate::error::from_sqlx;
use crate::file::reopen::note_of;
use crate::file::store::Store;
use crate::write::numbers::EventNumbers;
use crate::write::record::Record;
use crate::write::session::{Keeping, SessionStart, WriterOptions, insert_alone, reserve_numbers};
use crate::write::writer::SessionWriter;
use hereabout_core::LogFault;

impl Store {
    /// Writes the session's row and starts the task that writes the rest. Needs a tokio runtime.
    pub async fn begin_session(self, start: SessionStart) -> Result<SessionWriter, LogFault> {
        self.begin_session_with(start, WriterOptions::default()).await
    }

    /// [`Store::begin_session`] with other limits.
    pub async fn begin_session_with(
        self,
        start: SessionStart,
        options: WriterOptions,
    ) -> Result<SessionWriter, LogFault> {
        self.begin(start, options, None).await
    }

    /// [`Store::begin_session`] for a daemon: numbers for its first events are reserved, and from here on the writer
    /// keeps the log whatever becomes of the file ([`SessionWriter::keep`]). `path` is where it belongs, `instead_of` the
    /// damage for which it is not there ([`crate::Found`]).
    pub async fn begin_kept_session(
        self,
        path: PathBuf,
        start: SessionStart,
        instead_of: Option<LogFault>,
        numbers: EventNumbers,
    ) -> Result<SessionWriter, LogFault> {
        let note = note_of(instead_of, self.left.clone(), &self.file.path);
        let writer = self.begin(start, WriterOptions::default(), Some(Keeping { path, numbers })).await?;
        writer.set_note(note);
        Ok(writer)
    }

    async fn begin(
        mut self,
        start: SessionStart,
        options: WriterOptions,
        keeping: Option<Keeping>,
    ) -> Result<SessionWriter, LogFault> {
        let inherited = self.inherited.take();
        let failed = |path: &Path, e: &sqlx::Error| from_sqlx(path, e);
        if let Some(until) = keeping.as_ref().and_then(|k| k.numbers.to_reserve()) {
            reserve_numbers(&mut self.db, until).await.map_err(|e| failed(&self.file.path, &e))?;
            keeping.iter().for_each(|k| k.numbers.reserved(until));
        }
        let id = insert_alone(&mut self.db, &start, inherited.as_ref())
            .await
            .map_err(|e| failed(&self.file.path, &e))?;
        let writer = SessionWriter::start(self, (id, start), options, keeping);
        for epoch in inherited.iter().flat_map(|i| &i.epochs) {
            writer.push(Record::inherited(epoch));
        }
        Ok(writer)
    }
}
