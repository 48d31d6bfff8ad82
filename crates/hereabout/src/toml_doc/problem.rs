//! One thing that is wrong or weak in a file, and how it is shown.

use std::fmt;
use std::path::PathBuf;

use hereabout_core::escaped_lines;

use crate::exit::{self, Failure};

/// Whether the program goes on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Level {
    /// It does not.
    Error,
    /// It does, with a limit.
    Warning,
}

/// One thing that is wrong or weak, placed in the file.
#[derive(Clone, Debug, PartialEq)]
pub struct Problem {
    /// The file as it was named.
    pub file: PathBuf,
    /// From 1; 0 when it is about the file as a whole.
    pub line: usize,
    /// From 1, in characters; 0 when it is about the file as a whole.
    pub column: usize,
    /// The key, like `anchor[2].at_m`; empty when it is about the file as a whole.
    pub key: String,
    /// Error or warning.
    pub level: Level,
    /// What kind of problem this is, for programs.
    pub code: &'static str,
    /// What is wrong.
    pub what: String,
    /// What was expected or what to do; may be empty.
    pub help: String,
    /// The line of the file, for showing; may be empty.
    pub source_line: String,
}

impl Problem {
    /// The same under another code than `bad_value`.
    #[must_use]
    pub fn coded(self, code: &'static str) -> Problem {
        Problem { code, ..self }
    }

    /// The same with which the program goes on.
    #[must_use]
    pub fn as_warning(self) -> Problem {
        Problem { level: Level::Warning, ..self }
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let level = if self.level == Level::Error { "error" } else { "warning" };
        write!(f, "{}", self.file.display())?;
        if self.line > 0 {
            write!(f, ":{}:{}", self.line, self.column)?;
        }
        write!(f, ": {level}: ")?;
        if !self.key.is_empty() {
            write!(f, "{}: ", self.key)?;
        }
        write!(f, "{}", self.what)?;
        if !self.source_line.is_empty() {
            // The caret stands under its sign as the line is shown.
            let before: String = self.source_line.chars().take(self.column.saturating_sub(1)).collect();
            let pad: String = escaped_lines(&before).chars().map(blank_like).collect();
            write!(f, "\n  | {}\n  | {pad}^", self.source_line)?;
        }
        for line in self.help.lines() {
            write!(f, "\n  {line}")?;
        }
        Ok(())
    }
}

impl From<Vec<Problem>> for Failure {
    fn from(problems: Vec<Problem>) -> Failure {
        let unreadable =
            problems.iter().all(|p| p.line == 0 && p.key.is_empty() && p.what.starts_with("can't be read"));
        let code = if unreadable { exit::NO_INPUT } else { exit::CONFIG };
        let lines: Vec<String> = problems.iter().map(ToString::to_string).collect();
        Failure::new(code, lines.join("\n"))
    }
}

/// A tab stays a tab, so that the caret stands under its character.
fn blank_like(c: char) -> char {
    if c == '\t' { '\t' } else { ' ' }
}
