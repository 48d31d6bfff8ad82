//! Writing a log: the queue of records, the task that inserts them, sessions and the numbers of events.

mod begin;
mod insert;
pub(crate) mod numbers;
pub(crate) mod queue;
pub(crate) mod record;
pub(crate) mod session;
pub(crate) mod writer;
