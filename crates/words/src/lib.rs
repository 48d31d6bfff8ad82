//! The one home of what people read: each finding, refusal, warning and note is a row of code, rank, words, advice and
//! facts ([`Said`]), made by one match per family.
//!
//! The other crates keep facts; programs read codes and facts, people read the words made here. No I/O and no clock: an
//! instant comes with the call. A new finding is one arm in its family's file and one line in `samples`, which its tests
//! go through.
//!
//! - [`anchor`], [`place`], [`kit`]: what a running daemon finds; [`site_fit`]: that ranges and site file do not belong
//!   to each other.
//! - [`plausible`]: numbers that people or programs give, before anything rests on them.
//! - [`numbers`] and [`time`]: the pieces of sentences, each way of writing one once.
#![forbid(unsafe_code)]

pub mod anchor;
pub mod kit;
pub mod numbers;
pub mod place;
pub mod plausible;
mod said;
#[cfg(any(test, feature = "samples"))]
pub mod samples;
pub mod site_fit;
pub mod time;

pub use said::{CAUTION, Fact, Said, Topic};
