//! File work of the daemon that must hold up nothing: a disk or a network mount may not answer for minutes.
//!
//! The work is done on a thread of its own, which nobody joins: a runtime waits at its end for its own blocking threads,
//! and SIGTERM would wait with it. Who hangs is waited for only so long, and there is never a second such thread.

use std::fmt;
use std::time::Duration;

use tokio::sync::oneshot;
use tokio_util::sync::CancellationToken;

/// How long file work is waited for.
pub(crate) const FILE_TIME_LIMIT: Duration = Duration::from_secs(5);

/// Does one piece of file work after the other.
#[derive(Debug)]
pub(crate) struct FileWorker {
    limit: Duration,
    stop: CancellationToken,
    /// Dropped by the thread when it is done.
    at_work: Option<oneshot::Receiver<()>>,
}

/// Why there is no result.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Stuck {
    /// Not within the limit; the work may still be done some time.
    Now(Duration),
    /// An earlier piece is not done yet, so this one was not begun.
    Before,
    /// The daemon ends and does not wait any more; the work may still be done.
    Ending,
    /// The thread could not be started, or broke.
    Broken,
}

impl fmt::Display for Stuck {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Stuck::Now(limit) => write!(
                f,
                "the file system has not answered for {} s. Look after the disk or the mount, then try again",
                limit.as_secs_f64()
            ),
            Stuck::Before => f.write_str(
                "the file system has not answered since the last try, and it is tried only once at a time. \
                 Look after the disk or the mount, then try again",
            ),
            Stuck::Ending => f.write_str("the daemon is stopping"),
            Stuck::Broken => f.write_str("the work on the file broke off. Try again"),
        }
    }
}

impl FileWorker {
    /// A worker that waits so long for each piece of work.
    pub(crate) fn new(limit: Duration) -> FileWorker {
        FileWorker { limit, stop: CancellationToken::new(), at_work: None }
    }

    /// Nothing is waited for once `stop` is cancelled.
    pub(crate) fn wait_until(&mut self, stop: CancellationToken) {
        self.stop = stop;
    }

    /// Does `work` and gives its result. When this future is dropped, the work goes on, and counts as not done yet.
    ///
    /// # Errors
    /// Why there is no result.
    pub(crate) async fn run<T: Send + 'static>(
        &mut self,
        work: impl FnOnce() -> T + Send + 'static,
    ) -> Result<T, Stuck> {
        if let Some(at_work) = &mut self.at_work
            && at_work.try_recv() == Err(oneshot::error::TryRecvError::Empty)
        {
            return Err(Stuck::Before);
        }
        let (busy, at_work) = oneshot::channel::<()>();
        let (done, result) = oneshot::channel();
        let thread = std::thread::Builder::new().name("files".to_owned()).spawn(move || {
            let found = work();
            drop(busy);
            // Who asked may have stopped waiting.
            let _ = done.send(found);
        });
        self.at_work = Some(at_work);
        if thread.is_err() {
            return Err(Stuck::Broken);
        }
        tokio::select! {
            found = result => found.map_err(|_| Stuck::Broken),
            () = tokio::time::sleep(self.limit) => Err(Stuck::Now(self.limit)),
            () = self.stop.cancelled() => Err(Stuck::Ending),
        }
    }
}

#[cfg(test)]
mod tests;
