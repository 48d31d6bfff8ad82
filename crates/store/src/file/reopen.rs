//! Where a daemon's log is kept when its file fails: opened again where it belongs, made anew when it was deleted, and
//! begun beside it when it is damaged.
//!
//! What opens a file may hang for as long as a dead mount does, and can't be moved between threads while it waits. So
//! it runs on a thread of its own, one at a time, and is asked for in steps of [`PATIENCE`].

use std::fs;
use std::io;
use std::os::unix::fs::DirBuilderExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use hereabout_core::{LogDamage, LogFault, LogNote};
use tokio::sync::oneshot;

use crate::file::store::Store;
use crate::files::folder_of;

/// For how long an answer of the disk is waited for.
pub(crate) const PATIENCE: Duration = Duration::from_secs(5);
/// Rights of a folder that is made anew: nobody else reads where people are.
const FOLDER_MODE: u32 = 0o750;
/// A damaged log has at most so many others beside it.
const MAX_BESIDE: u32 = 20;

/// A log that is open for writing, and what a person should know of the way there.
#[derive(Debug)]
pub struct Found {
    /// Open, with the writer's lock held.
    pub store: Store,
    /// The damage for which it is not the file that was asked for.
    pub instead_of: Option<LogFault>,
}

impl Store {
    /// Opens the log, or when it is damaged one beside it: `larkfield.2.db` for `larkfield.db`, then `larkfield.3.db`.
    /// The damaged file stays as it is.
    ///
    /// # Errors
    /// Those of [`Store::open`], but for damage.
    pub async fn open_or_beside(path: impl AsRef<Path>) -> Result<Found, LogFault> {
        Store::open_undamaged(path.as_ref(), &[]).await
    }

    /// The same, without those that turned out damaged when they were written.
    async fn open_undamaged(path: &Path, damaged: &[PathBuf]) -> Result<Found, LogFault> {
        let mut damage = None;
        for n in 1..=MAX_BESIDE {
            let file = beside(path, n);
            if damaged.contains(&file) {
                damage.get_or_insert(LogFault::Damaged { path: file, damage: LogDamage::NotWritable });
                continue;
            }
            match Store::open(file).await {
                Ok(store) => return Ok(Found { store, instead_of: damage }),
                Err(e @ (LogFault::Damaged { .. } | LogFault::NotADatabase { .. })) => {
                    damage.get_or_insert(e);
                }
                Err(e) => return Err(e),
            }
        }
        Err(damage.unwrap_or(LogFault::NoSuchFile { path: path.to_owned() }))
    }

    /// The same for a daemon's start: a disk that does not answer is an error after five seconds.
    ///
    /// # Errors
    /// Those of [`Store::open_or_beside`], and [`LogFault::NoAnswer`].
    pub async fn open_with_patience(path: impl AsRef<Path>) -> Result<Found, LogFault> {
        Reopener::new(path.as_ref().to_owned(), false).open().await
    }
}

/// What a person should know of a log that goes on in the file at `path`.
pub(crate) fn note_of(instead_of: Option<LogFault>, left: Option<PathBuf>, path: &Path) -> Option<LogNote> {
    let beside = |damage| LogNote::GoesOnIn { damage, path: path.to_owned() };
    instead_of.map(beside).or_else(|| Some(LogNote::RowsLeft { path: left? }))
}

/// The `n`th file for a log; the first one is its own.
fn beside(path: &Path, n: u32) -> PathBuf {
    if n <= 1 {
        return path.to_owned();
    }
    let ending = path.extension().map_or_else(String::new, |e| format!(".{}", e.to_string_lossy()));
    let stem = path.file_stem().unwrap_or_default().to_string_lossy();
    path.with_file_name(format!("{stem}.{n}{ending}"))
}

/// Work on a disk that may not answer, on a thread of its own, once at a time: a dead mount holds up nobody but that.
#[derive(Debug)]
pub(crate) struct DiskTask<T> {
    coming: Option<oneshot::Receiver<T>>,
}

impl<T> Default for DiskTask<T> {
    fn default() -> DiskTask<T> {
        DiskTask { coming: None }
    }
}

impl<T: Send + 'static> DiskTask<T> {
    /// What `work` gives, or what the one gives that still hangs. `path` is the log's, for the words.
    pub(crate) async fn run(
        &mut self,
        path: &Path,
        work: impl FnOnce() -> T + Send + 'static,
    ) -> Result<T, LogFault> {
        let coming = match &mut self.coming {
            Some(coming) => coming,
            none => none.insert(
                on_a_thread(work).map_err(|e| LogFault::Io { path: path.to_owned(), fault: (&e).into() })?,
            ),
        };
        let answer = tokio::time::timeout(PATIENCE, coming).await;
        let answer =
            answer.map_err(|_| LogFault::NoAnswer { path: path.to_owned(), waited_s: PATIENCE.as_secs() })?;
        self.coming = None;
        answer.map_err(|_| LogFault::WriterStopped { path: path.to_owned() })
    }
}

fn on_a_thread<T: Send + 'static>(
    work: impl FnOnce() -> T + Send + 'static,
) -> io::Result<oneshot::Receiver<T>> {
    let (done, coming) = oneshot::channel();
    let work = move || {
        // Nobody may be waiting any more: then what came of it is let go.
        let _ = done.send(work());
    };
    std::thread::Builder::new().name("the log's disk".into()).spawn(work).map(|_| coming)
}

/// Opens the log of a daemon, as often as it takes.
#[derive(Debug)]
pub(crate) struct Reopener {
    path: PathBuf,
    /// It was open before, so a folder that is missing was removed and not mistyped.
    pub(crate) was_open: bool,
    /// Files that can be opened, and not be written.
    damaged: Vec<PathBuf>,
    opening: DiskTask<Result<Found, LogFault>>,
}

impl Reopener {
    pub(crate) fn new(path: PathBuf, was_open: bool) -> Reopener {
        Reopener { path, was_open, damaged: Vec::new(), opening: DiskTask::default() }
    }

    pub(crate) fn path(&self) -> &Path {
        &self.path
    }

    /// This file is damaged, although it can be opened.
    pub(crate) fn pass_over(&mut self, file: &Path) {
        // The file as it is asked for, whatever way leads there.
        let same = |n: &u32| beside(&self.path, *n).file_name() == file.file_name();
        let found = (1..=MAX_BESIDE).find(same).map(|n| beside(&self.path, n));
        self.damaged.extend(found.filter(|f| !self.damaged.contains(f)));
    }

    /// One try, or a further look at one that hangs.
    pub(crate) async fn open(&mut self) -> Result<Found, LogFault> {
        let (path, was_open, damaged) = (self.path.clone(), self.was_open, self.damaged.clone());
        // What opens a file can't be moved between threads while it waits.
        let runtime = tokio::runtime::Handle::current();
        let work = move || {
            if was_open && let Some(folder) = missing_folder(&path) {
                // What stands in the way is reported by the opening.
                let _ = fs::DirBuilder::new().mode(FOLDER_MODE).create(folder);
            }
            runtime.block_on(Store::open_undamaged(&path, &damaged))
        };
        self.opening.run(&self.path, work).await?
    }
}

fn missing_folder(path: &Path) -> Option<PathBuf> {
    let folder = folder_of(path);
    (!folder.exists()).then_some(folder)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_beside_have_a_number_before_their_ending() {
        let named = |path: &str, n| beside(Path::new(path), n).display().to_string();
        assert_eq!(named("/logs/larkfield.db", 1), "/logs/larkfield.db");
        assert_eq!(named("/logs/larkfield.db", 2), "/logs/larkfield.2.db");
        assert_eq!(named("larkfield", 3), "larkfield.3");
    }

    #[tokio::test]
    async fn a_damaged_log_is_left_and_the_next_one_is_taken() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("larkfield.db");
        let rubbish = vec![0x5a; 8_192];
        fs::write(&path, &rubbish).unwrap();
        for round in 0..2 {
            let found = Store::open_or_beside(&path).await.unwrap();
            assert!(found.store.path().ends_with("larkfield.2.db"), "round {round}");
            assert!(matches!(found.instead_of, Some(LogFault::NotADatabase { .. })), "round {round}");
            found.store.close().await;
        }
        assert_eq!(fs::read(&path).unwrap(), rubbish, "it stays as it is");
    }

    #[tokio::test]
    async fn a_folder_that_never_was_is_not_made_and_one_that_was_is() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("logs/larkfield.db");
        let error = Reopener::new(path.clone(), false).open().await.unwrap_err();
        assert!(matches!(error, LogFault::NoFolder { .. }), "{error:?}");
        Reopener::new(path.clone(), true).open().await.unwrap().store.close().await;
        assert!(path.is_file());
    }
}
