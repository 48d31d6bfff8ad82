//! Who is connected: so many connections at a time, and who leaves when another one comes.
//!
//! Every connection costs an open file, and files are what the kit's link and the log live on too. So there are as many
//! seats as the daemon can spare. When all are taken, the connection that has been idle for longest gives up its seat:
//! idle is who has no request under way, be it before the first one, in the midst of sending one, or after an answer. Nobody is sent
//! away from a request; when all are busy, the newcomer hears so.

use std::{
    collections::BTreeMap,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::Duration,
};

use tokio::{
    sync::{OwnedSemaphorePermit, Semaphore},
    time::timeout,
};
use tokio_util::sync::CancellationToken;

/// Longest time for an idle connection to be gone once it was told to go.
const LEAVING_TIME: Duration = Duration::from_millis(500);

/// The seats. Clones share them.
#[derive(Clone, Debug)]
pub(crate) struct Seats(Arc<Room>);

#[derive(Debug)]
struct Room {
    free: Arc<Semaphore>,
    idle: Mutex<Idle>,
}

/// The idle ones by when they became so, and how to tell them to leave.
#[derive(Debug, Default)]
struct Idle {
    became: u64,
    waiting: BTreeMap<u64, CancellationToken>,
}

impl Idle {
    fn add(&mut self, leave: CancellationToken) -> u64 {
        self.became += 1;
        self.waiting.insert(self.became, leave);
        self.became
    }
}

impl Room {
    fn idle(&self) -> MutexGuard<'_, Idle> {
        self.idle.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Seats {
    pub(crate) fn new(count: usize) -> Seats {
        Seats(Arc::new(Room { free: Arc::new(Semaphore::new(count)), idle: Mutex::default() }))
    }

    /// A seat, if need be that of whoever has been idle for longest; `None` when all are busy.
    pub(crate) async fn take(&self) -> Option<Seat> {
        if let Ok(free) = self.0.free.clone().try_acquire_owned() {
            return Some(self.seat(free));
        }
        if !self.send_one_away() {
            return None;
        }
        let free = timeout(LEAVING_TIME, self.0.free.clone().acquire_owned()).await.ok()?.ok()?;
        Some(self.seat(free))
    }

    /// Tells whoever has been idle for longest to leave; whether there was one.
    pub(crate) fn send_one_away(&self) -> bool {
        let oldest = self.0.idle().waiting.pop_first();
        oldest.map(|(_, leave)| leave.cancel()).is_some()
    }

    fn seat(&self, free: OwnedSemaphorePermit) -> Seat {
        let leave = CancellationToken::new();
        let since = self.0.idle().add(leave.clone());
        let state = Mutex::new(Use { requests: 0, idle_since: Some(since) });
        Seat(Arc::new(Occupied { room: self.0.clone(), leave, state, _free: free }))
    }
}

/// The seat of one connection, given back with its last clone.
#[derive(Clone, Debug)]
pub(crate) struct Seat(Arc<Occupied>);

#[derive(Debug)]
struct Occupied {
    room: Arc<Room>,
    leave: CancellationToken,
    state: Mutex<Use>,
    _free: OwnedSemaphorePermit,
}

#[derive(Debug)]
struct Use {
    requests: usize,
    idle_since: Option<u64>,
}

impl Occupied {
    fn state(&self) -> MutexGuard<'_, Use> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Drop for Occupied {
    fn drop(&mut self) {
        if let Some(since) = self.state().idle_since {
            self.room.idle().waiting.remove(&since);
        }
    }
}

impl Seat {
    /// Comes to an end when the connection is to make room for another one.
    pub(crate) async fn sent_away(&self) {
        self.0.leave.cancelled().await;
    }

    /// As long as this is held, the connection is busy.
    pub(crate) fn busy(&self) -> Busy {
        let mut state = self.0.state();
        state.requests += 1;
        if let Some(since) = state.idle_since.take() {
            self.0.room.idle().waiting.remove(&since);
        }
        drop(state);
        Busy(self.clone())
    }
}

/// A request under way.
#[derive(Debug)]
pub(crate) struct Busy(Seat);

impl Drop for Busy {
    fn drop(&mut self) {
        let occupied = &self.0.0;
        let mut state = occupied.state();
        state.requests -= 1;
        if state.requests == 0 {
            state.idle_since = Some(occupied.room.idle().add(occupied.leave.clone()));
        }
    }
}

#[cfg(test)]
mod tests;
