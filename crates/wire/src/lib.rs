//! Frame layout language and stream decoder: bytes in, frames out, no I/O.
