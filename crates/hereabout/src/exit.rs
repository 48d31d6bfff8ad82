//! Exit codes (sysexits, as BSD's `sysexits.h` numbers them) and the one error type that `main` shows.

use std::{fmt, io};

use hereabout_words::io::error_words;

/// A command line that can't be understood.
pub const USAGE: u8 = 64;
/// Input data that can't be used.
pub const DATA: u8 = 65;
/// An input file that isn't there or can't be read.
pub const NO_INPUT: u8 = 66;
/// Something that is needed is not to be had: an address that is taken.
pub const UNAVAILABLE: u8 = 69;
/// A fault inside the program.
pub const SOFTWARE: u8 = 70;
/// An output file that can't be made.
pub const CANT_CREATE: u8 = 73;
/// Reading or writing failed on the way.
pub const IO: u8 = 74;
/// Not decided with what there is; another try with better data may do.
pub const TRY_AGAIN: u8 = 75;
/// The site file or another configuration is wrong.
pub const CONFIG: u8 = 78;

/// Why a command failed: a code for programs, words for people.
#[derive(Debug)]
pub struct Failure {
    /// Exit code.
    pub code: u8,
    /// What happened, where, what to do.
    pub message: String,
}

impl Failure {
    /// A write to standard output that failed: without a word when the reader has gone, as after `| head`.
    pub fn writing(what: &str, e: &io::Error) -> Failure {
        match e.kind() {
            io::ErrorKind::BrokenPipe => Failure { code: IO, message: String::new() },
            _ => Failure::new(IO, format!("{what}: {}", error_words(e))),
        }
    }

    /// Whether there is nothing to say: whoever asked has gone.
    pub fn is_quiet(&self) -> bool {
        self.message.is_empty()
    }

    /// A failure with this code and these words.
    pub fn new(code: u8, message: impl fmt::Display) -> Failure {
        Failure { code, message: message.to_string() }
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)
    }
}
