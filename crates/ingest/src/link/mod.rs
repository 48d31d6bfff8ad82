//! The links to a kit, one module a kind: how each is opened, why it is not there, whether anything waits to be read.

pub(crate) mod file;
pub(crate) mod gauge;
pub(crate) mod holder;
pub(crate) mod latency;
pub(crate) mod line;
pub(crate) mod net;
pub(crate) mod open_files;
pub(crate) mod serial;
