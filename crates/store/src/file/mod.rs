//! The file of a log: the lock beside it, opening it, and opening it again when it failed.

mod lock;
pub(crate) mod reopen;
pub(crate) mod store;
