//! What is said on a terminal: the one edge where text becomes safe for it.
//!
//! `println!`, `print!`, `eprintln!` and `eprint!` of this crate are those of the standard library, but for signs that
//! move a cursor or turn the direction of writing: whatever name, file or stranger they came from, they are spelt out
//! ([`hereabout_core::escaped_lines`]). New lines and tabs stay. They have the usual names so that nobody has to
//! remember others. Attributes and redrawing are the business of `terminal`, which escapes its lines itself.

use std::fmt::Arguments;
use std::io::{ErrorKind, Write as _};

use hereabout_core::escaped_lines;
use hereabout_words::io::error_words;

/// Says it on standard error, with a new line.
pub fn complain(text: Arguments<'_>) {
    std::eprintln!("{}", escaped_lines(&text.to_string()));
}

/// The same without a new line.
pub(crate) fn ask(text: Arguments<'_>) {
    std::eprint!("{}", escaped_lines(&text.to_string()));
}

/// Puts it on standard output, with a new line.
pub(crate) fn tell(text: Arguments<'_>) {
    written(&format!("{}\n", escaped_lines(&text.to_string())));
}

/// The same without a new line.
pub(crate) fn put(text: Arguments<'_>) {
    written(&escaped_lines(&text.to_string()));
}

/// Onto standard output. A reader that has gone (`| head`) wants no more, and is no reason to complain.
fn written(text: &str) {
    match std::io::stdout().lock().write_all(text.as_bytes()) {
        Err(e) if e.kind() != ErrorKind::BrokenPipe => {
            complain(format_args!("standard output: {}", error_words(&e)));
            std::process::exit(i32::from(crate::exit::IO));
        }
        _ => {}
    }
}

macro_rules! eprintln {
    () => { $crate::terminal::printing::complain(format_args!("")) };
    ($($text:tt)*) => { $crate::terminal::printing::complain(format_args!($($text)*)) };
}
macro_rules! eprint {
    ($($text:tt)*) => { $crate::terminal::printing::ask(format_args!($($text)*)) };
}
macro_rules! println {
    () => { $crate::terminal::printing::tell(format_args!("")) };
    ($($text:tt)*) => { $crate::terminal::printing::tell(format_args!($($text)*)) };
}
macro_rules! print {
    ($($text:tt)*) => { $crate::terminal::printing::put(format_args!($($text)*)) };
}
