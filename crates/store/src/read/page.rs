//! How much of a log is read in one statement, which is one read transaction: less where the disk is slow.
//!
//! And when: whoever wants to stop the process asks for a moment [`between_pages`].

use std::time::Duration;

use tokio::sync::{RwLock, RwLockReadGuard, RwLockWriteGuard};

/// Held for reading while a page is read.
static READING: RwLock<()> = RwLock::const_new(());

/// While this is held, no cursor of this process reads a page: it holds no read transaction.
pub async fn between_pages() -> RwLockWriteGuard<'static, ()> {
    READING.write().await
}

/// While this is held, nobody is [`between_pages`].
pub(crate) async fn reading() -> RwLockReadGuard<'static, ()> {
    READING.read().await
}

/// The most frames or fixes of one page.
const MAX_PAGE: i64 = 4096;
/// The first page, and the shortest.
const FIRST_PAGE: i64 = 256;
const MIN_PAGE: i64 = 16;
/// Pages get shorter when a statement took longer than this, and longer when it took less than a quarter of it. Far below
/// the second that no statement may last.
const LONG_STATEMENT: Duration = Duration::from_millis(200);

/// How many frames or fixes a cursor asks for at once.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Page(i64);

impl Page {
    /// Before anything is known of the disk.
    pub(crate) fn first() -> Page {
        Page(FIRST_PAGE)
    }

    /// Rows to ask for.
    pub(crate) fn rows(self) -> i64 {
        self.0
    }

    /// After a statement that took this long.
    pub(crate) fn learn(&mut self, took: Duration) {
        if took > LONG_STATEMENT {
            self.0 = (self.0 / 4).max(MIN_PAGE);
        } else if took < LONG_STATEMENT / 4 {
            self.0 = (self.0 * 2).min(MAX_PAGE);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pages_follow_the_disk_and_stay_within_their_bounds() {
        let mut page = Page::first();
        for _ in 0..20 {
            page.learn(Duration::from_millis(1));
        }
        assert_eq!(page.rows(), MAX_PAGE);
        // Between the limits nothing changes.
        page.learn(LONG_STATEMENT / 2);
        assert_eq!(page.rows(), MAX_PAGE);
        page.learn(Duration::from_millis(900));
        assert_eq!(page.rows(), MAX_PAGE / 4);
        for _ in 0..20 {
            page.learn(Duration::from_millis(900));
        }
        assert_eq!(page.rows(), MIN_PAGE);
    }
}
