//! What a screen can do, and a few lines that are drawn over and over in one place.
//!
//! Only cursor-up and erase-below are used (ECMA-48, CUU and ED), and four attributes (SGR). Nothing is
//! hidden or switched: whatever ends the program leaves a usable terminal.

#[macro_use]
pub mod printing;

use std::env;
use std::io::{self, IsTerminal, Write};

use hereabout_core::escaped;

/// How a line looks where attributes are allowed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Look {
    /// As it is.
    Plain,
    /// Headings.
    Bold,
    /// Beside the point.
    Faint,
    /// Wants attention.
    Warning,
}

impl Look {
    const fn sgr(self) -> &'static str {
        match self {
            Look::Plain => "",
            Look::Bold => "\x1b[1m",
            Look::Faint => "\x1b[2m",
            Look::Warning => "\x1b[33m",
        }
    }
}

/// A line to be shown.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Line {
    /// Its text, without attributes.
    pub(crate) text: String,
    /// How it looks.
    pub(crate) look: Look,
}

impl Line {
    pub(crate) fn new(look: Look, text: impl Into<String>) -> Line {
        Line { text: text.into(), look }
    }
}

/// Whether standard output can redraw lines in place.
pub(crate) fn can_redraw() -> bool {
    io::stdout().is_terminal() && env::var_os("TERM").is_none_or(|term| term != "dumb")
}

/// Whether colour and other attributes are wanted: `NO_COLOR` set to anything but nothing says no.
fn attributes_wanted() -> bool {
    env::var_os("NO_COLOR").is_none_or(|v| v.is_empty())
}

/// Lines of standard output that are drawn over and over.
pub(crate) struct Screen {
    drawn: usize,
    attributes: bool,
}

impl Screen {
    pub(crate) fn new() -> Screen {
        Screen { drawn: 0, attributes: attributes_wanted() }
    }

    /// Columns and rows; 80 by 24 when the terminal doesn't say.
    pub(crate) fn size() -> (usize, usize) {
        let size = rustix::termios::tcgetwinsize(io::stdout());
        match size {
            Ok(size) if size.ws_col > 0 && size.ws_row > 0 => {
                (usize::from(size.ws_col), usize::from(size.ws_row))
            }
            _ => (80, 24),
        }
    }

    /// Puts `lines` where the last ones stood. What does not fit the terminal is left out: a line that
    /// wraps would be one more than was counted.
    pub(crate) fn draw(&mut self, lines: &[Line]) -> io::Result<()> {
        let (columns, rows) = Screen::size();
        let mut out = String::new();
        if self.drawn > 0 {
            out += &format!("\x1b[{}A", self.drawn);
        }
        out += "\r\x1b[J";
        let shown = &lines[..lines.len().min(rows.saturating_sub(1))];
        for line in shown {
            let text: String = escaped(&line.text).chars().take(columns.saturating_sub(1)).collect();
            let plain = !self.attributes || line.look == Look::Plain;
            out += &if plain { format!("{text}\n") } else { format!("{}{text}\x1b[0m\n", line.look.sgr()) };
        }
        self.drawn = shown.len();
        let mut stdout = io::stdout().lock();
        stdout.write_all(out.as_bytes())?;
        stdout.flush()
    }
}

/// Breaks `text` into lines of at most `width` characters at blanks, further ones indented.
pub(crate) fn wrap(text: &str, width: usize, indent: &str) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        let is_full = line.chars().count() + 1 + word.chars().count() > width;
        if is_full && !line.trim().is_empty() {
            lines.push(std::mem::replace(&mut line, indent.to_owned()));
        } else if !line.is_empty() {
            line.push(' ');
        }
        line += word;
    }
    lines.push(line);
    lines
}

#[cfg(test)]
mod tests;
