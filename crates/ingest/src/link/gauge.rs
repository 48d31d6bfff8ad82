//! Whether anything waits to be read.
//!
//! A byte that is read now may have waited in the kernel for any time: this process may have been
//! stopped, starved, or held up by a full channel. So the clock is read, then the kernel is asked
//! whether the input is empty. If it is, no byte that comes later was there at that reading of the clock. A
//! stop in between only makes the reading older, which is the safe side.
//!
//! What the kernel can't show: bytes of a TCP connection that came, but wait for a lost one before them,
//! and whatever is still in an adapter or in the air.

use std::os::fd::{AsFd, OwnedFd};

use rustix::event::{PollFd, PollFlags, Timespec, poll};

/// A second handle of an input, for asking only.
pub(crate) struct Gauge(Option<OwnedFd>);

impl Gauge {
    /// A gauge of the input behind `fd`. Where no further handle can be had, nothing is ever seen empty.
    pub(crate) fn of(fd: impl AsFd) -> Gauge {
        Gauge(rustix::io::fcntl_dupfd_cloexec(fd, 0).ok())
    }

    /// A gauge that asks through this handle.
    pub(crate) fn through(fd: OwnedFd) -> Gauge {
        Gauge(Some(fd))
    }

    /// Whether nothing waits now, by poll(2) without waiting. An end or an error is not empty.
    pub(crate) fn is_empty(&self) -> bool {
        let now = Timespec { tv_sec: 0, tv_nsec: 0 };
        self.0.as_ref().is_some_and(|fd| poll(&mut [PollFd::new(fd, PollFlags::IN)], Some(&now)) == Ok(0))
    }
}
