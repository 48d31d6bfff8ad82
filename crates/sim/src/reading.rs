//! Scenario files: text to a [`Scenario`], and errors with file, line, column and key.

use std::path::{Path, PathBuf};

use hereabout_wire::LayoutError;
use thiserror::Error;
use toml::de::{DeTable, DeValue};

use crate::{Kit, Problem, Scenario, ScenarioProblem};

/// Why there is no scenario.
#[derive(Debug, Error)]
pub enum ScenarioError {
    /// The file can't be read.
    #[error("{} can't be read: {source}; check the path in [source] or on the command line", path.display())]
    Unreadable {
        /// As it was named.
        path: PathBuf,
        /// The system's words (not UTF-8 is among them).
        source: std::io::Error,
    },
    /// Its text is wrong.
    #[error("{file}, line {line}, column {column}: {key}{}{problem}", if key.is_empty() { "" } else { ": " })]
    Text {
        /// As it was named.
        file: String,
        /// From 1.
        line: usize,
        /// From 1, in characters.
        column: usize,
        /// Path of the key, such as `anchor[2].at_m`; empty when the text is no TOML at all.
        key: String,
        /// What was found and expected.
        problem: String,
    },
    /// The layout of its frames is refused.
    #[error("{file}, line {line}, column {column}: {key}: {}", Problem::Layout(error.clone()))]
    Layout {
        /// As it was named.
        file: String,
        /// From 1.
        line: usize,
        /// From 1, in characters.
        column: usize,
        /// `frame.layout`, `frame.layout_text` or `frame.layout_json`.
        key: String,
        /// What is wrong with it.
        error: Box<LayoutError>,
    },
}

impl Scenario {
    /// Reads and checks a scenario file.
    ///
    /// # Errors
    /// The first problem, with its place.
    pub fn read(path: &Path) -> Result<Scenario, ScenarioError> {
        let text = std::fs::read_to_string(path)
            .map_err(|source| ScenarioError::Unreadable { path: path.into(), source })?;
        Scenario::parse(&text, &path.display().to_string())
    }

    /// Reads and checks a scenario's text; `file` is only for messages.
    ///
    /// # Errors
    /// The first problem, with its place.
    pub fn parse(text: &str, file: &str) -> Result<Scenario, ScenarioError> {
        let wrong = |offset: usize, key: String, problem: String| {
            let (line, column) = place(text, offset);
            ScenarioError::Text { file: file.into(), line, column, key, problem }
        };
        let not_toml =
            |e: toml::de::Error| wrong(e.span().map_or(0, |s| s.start), String::new(), e.message().into());
        let reader = toml::Deserializer::parse(text).map_err(not_toml)?;
        let scenario: Scenario = serde_path_to_error::deserialize(reader).map_err(|e| {
            let key = e.path().to_string();
            let key = if key == "." { String::new() } else { key };
            let inner = e.into_inner();
            let offset = inner.span().map_or_else(|| offset_of(text, &key), |s| s.start);
            wrong(offset, key, inner.message().into())
        })?;
        let checked = match scenario.frame {
            Some(_) => Kit::new(&scenario).map(|_| ()),
            None => scenario.check(),
        };
        checked.map_err(|ScenarioProblem { key, problem }| match problem {
            Problem::Layout(error) => {
                let (line, column) = place(text, offset_of(text, &key));
                ScenarioError::Layout { file: file.into(), line, column, key, error }
            }
            problem => wrong(offset_of(text, &key), key, problem.to_string()),
        })?;
        Ok(scenario)
    }
}

/// Line and column of a byte offset, both from 1.
fn place(text: &str, offset: usize) -> (usize, usize) {
    let before = text.get(..offset).unwrap_or(text);
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().unwrap_or("").chars().count() + 1;
    (line, column)
}

/// Where the value of `key` (such as `fault[1].anchor`) stands; of the deepest part that is there.
fn offset_of(text: &str, key: &str) -> usize {
    let Ok(table) = DeTable::parse(text) else { return 0 };
    let mut offset = table.span().start;
    let mut here = DeValue::Table(table.into_inner());
    for step in key.split(['.', '[', ']']).filter(|s| !s.is_empty()) {
        let next = match here {
            DeValue::Table(table) => table.into_iter().find(|(k, _)| k.get_ref() == step).map(|(_, v)| v),
            DeValue::Array(list) => step.parse().ok().and_then(|i: usize| list.into_iter().nth(i)),
            _ => None,
        };
        let Some(next) = next else { break };
        offset = next.span().start;
        here = next.into_inner();
    }
    offset
}
