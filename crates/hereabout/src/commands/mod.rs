//! One module a command, and what they share.

pub mod anchors;
pub mod calibrate;
pub mod check;
pub mod learn;
pub mod listen;
pub mod replay;
pub mod report;
mod rows;
pub mod run;
pub mod simulate;
pub mod start;
pub mod verify;

use hereabout_words::io::error_words;

use crate::cli::Command;
use crate::exit::{self, Failure};

/// Runs a command to its end; gives the exit code.
///
/// # Errors
/// Why it could not be done, with its exit code.
pub fn dispatch(command: Command) -> Result<u8, Failure> {
    match command {
        Command::Run(args) => run::run(args),
        Command::Anchors(args) => anchors::anchors(&args),
        Command::Check(args) => check::check(&args),
        Command::Calibrate(args) => calibrate::calibrate(&args),
        Command::Verify(args) => verify::verify(&args),
        Command::Listen(args) => listen::listen(&args),
        Command::Replay(args) => replay::replay(&args),
        Command::Report(args) => report::report(&args),
        Command::Simulate(args) => simulate::simulate(&args),
        Command::Learn(args) => learn::learn(&args),
        Command::Start(args) => start::start(&args),
    }
}

/// The runtime of the commands that wait for something.
fn runtime() -> Result<tokio::runtime::Runtime, Failure> {
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(|e| Failure::new(exit::SOFTWARE, format!("can't start its threads: {}", error_words(&e))))
}
