//! What only the moment of sending knows of a message: how old it is, for how long it holds, and the sender's steady time.
//!
//! A message becomes text once, for all its readers and for the log's replay. What depends on the moment is put at the
//! end of that text when it leaves. A reader who compares `sender_s` with a steady clock of its own sees how long
//! messages wait on their way to it, and counts `valid_for_s` from their arrival, less that: it needs no wall clock.

use std::time::Duration;

use hereabout_core::{Micros, Timestamp};

use super::json;

/// The moment at which a message leaves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sending {
    /// By the clock of the messages' stamps.
    pub now: Timestamp,
    /// By the sender's steady clock, since its start.
    pub since_start: Duration,
}

impl Sending {
    /// Seconds since `at`. A clock that was set back must not make a message younger than it can be.
    pub(crate) fn age_s(self, at: Timestamp) -> f64 {
        self.now.since(at).max(Micros::ZERO).secs_f64()
    }

    /// Seconds for which something still holds that holds until `until`; 0 when it holds no longer.
    pub(crate) fn valid_for_s(self, until: Timestamp) -> f64 {
        until.since(self.now).max(Micros::ZERO).secs_f64()
    }

    /// Seconds of the sender's steady clock since its start, whole microseconds.
    pub(crate) fn sender_s(self) -> f64 {
        Micros::from_micros(i64::try_from(self.since_start.as_micros()).unwrap_or(i64::MAX)).secs_f64()
    }
}

/// What is to be put at the end of a message when it leaves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Tail {
    /// Nothing.
    Nothing,
    /// The sender's steady time.
    Sender,
    /// Until when it holds, and, for positions, which instant it is for.
    Holds { at: Option<Timestamp>, until: Timestamp },
}

impl Tail {
    /// `text`, a JSON object, with what it lacks at its end.
    pub(crate) fn put(self, text: &str, sending: Sending) -> String {
        let open = text.strip_suffix('}').unwrap_or(text);
        let sender = json(&sending.sender_s());
        match self {
            Tail::Nothing => text.to_owned(),
            Tail::Sender => format!("{open},\"sender_s\":{sender}}}"),
            Tail::Holds { at, until } => {
                let age =
                    at.map_or_else(String::new, |at| format!(",\"age_s\":{}", json(&sending.age_s(at))));
                let valid_for = json(&sending.valid_for_s(until));
                format!("{open}{age},\"valid_for_s\":{valid_for},\"sender_s\":{sender}}}")
            }
        }
    }

    /// The same after the clock of the stamps was moved by `by`: how old it is and how long it holds stay what they are.
    pub(crate) fn shift(&mut self, by: Micros) {
        if let Tail::Holds { at, until } = self {
            at.iter_mut().for_each(|at| *at = at.plus(by));
            *until = until.plus(by);
        }
    }
}

/// `text`, a JSON object, with the nonce that was asked with at its end.
pub(crate) fn with_nonce(text: String, nonce: Option<&str>) -> String {
    match nonce {
        Some(nonce) => {
            format!("{},\"nonce\":{}}}", text.strip_suffix('}').unwrap_or(&text), json(&nonce))
        }
        None => text,
    }
}
