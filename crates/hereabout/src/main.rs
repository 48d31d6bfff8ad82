//! Entry point: parse, dispatch, exit code.

use std::process::ExitCode;

use clap::Parser;
use hereabout::cli::Cli;
use hereabout::{commands, exit};
use tracing_subscriber::EnvFilter;

fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(e) => {
            tell(&e);
            return ExitCode::from(if e.use_stderr() { exit::USAGE } else { 0 });
        }
    };
    start_logging(cli.log_json);
    match commands::dispatch(cli.command) {
        Ok(code) => ExitCode::from(code),
        Err(failure) if failure.is_quiet() => ExitCode::from(failure.code),
        Err(failure) => {
            hereabout::terminal::printing::complain(format_args!("{failure}"));
            ExitCode::from(failure.code)
        }
    }
}

/// Says what is wrong with the command line, or the help. What was typed may hold signs that move a cursor: they are spelt
/// out.
fn tell(e: &clap::Error) {
    match hereabout::cli::usage::usage_words(e) {
        Some(words) => hereabout::terminal::printing::complain(format_args!("{words}")),
        // Nobody is left to read it when the reader is gone. Help holds nothing that was typed.
        None => drop(e.print()),
    }
}

/// Logs go to stderr; stdout is for data. `HEREABOUT_LOG` filters them, `warn` unless set.
fn start_logging(json: bool) {
    let filter = EnvFilter::try_from_env("HEREABOUT_LOG").unwrap_or_else(|_| EnvFilter::new("warn"));
    let logs = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
    if json {
        logs.json().init();
    } else {
        logs.with_target(false)
            .with_ansi(anstream::AutoStream::choice(&std::io::stderr()) != anstream::ColorChoice::Never)
            .init();
    }
}
