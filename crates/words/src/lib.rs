//! The one home of what people read: each finding, refusal, warning and note is a row of code, rank, words, advice and
//! facts ([`Said`]), made by one match per family.
//!
//! The other crates keep facts; programs read codes and facts, people read the words made here. No I/O and no clock: an
//! instant comes with the call. A new finding is one arm in its family's file and one line in `samples`, which its tests
//! go through.
//!
//! - [`anchor`], [`place`], [`kit`]: what a running daemon finds; [`site_fit`]: that ranges and site file do not belong
//!   to each other.
//! - [`site_problem`], [`site_fact`]: what is wrong with a site file, and what follows from a good one; [`plausible`]:
//!   numbers that people or programs give, before anything rests on them.
//! - [`calibration`]: what a calibration or a proof found; [`hearing`]: what is odd about a kit that is listened to;
//!   [`learn`]: what was learnt of a capture, and what was not.
//! - [`io`], [`mod@file`]: what the operating system refused, and why a file is not touched; [`log`]: what is wrong with the
//!   log.
//! - [`numbers`] and [`time`]: the pieces of sentences, each way of writing one once.
#![forbid(unsafe_code)]

pub mod calibration;
mod finding;
pub mod numbers;
mod output;
mod said;
#[cfg(any(test, feature = "samples"))]
pub mod samples;
mod site;
mod source;
mod system;
pub mod time;

pub use finding::{anchor, kit, place};
pub use output::{event, position, status, tag, zone};
pub use said::{CAUTION, Fact, Said, Topic};
pub use site::{plausible, site_fact, site_fit, site_problem};
pub use source::{address, hearing, layout, learn, link};
pub use system::{file, io, listen, log};
