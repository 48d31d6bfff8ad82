//! The one home of what people read: each finding, refusal and error is a row of facts, code, rank, words and advice.
//!
//! The other crates keep facts; programs read codes and facts, people read the words made here. No I/O and no clock: an
//! instant comes with the call, and so does the zone it is told in.
#![forbid(unsafe_code)]

pub mod io;
pub mod layout;
pub mod link;
