//! A file as text, its parsed tree, and where in it a problem stands.

use std::ops::Range;
use std::path::{Path, PathBuf};

use hereabout_words::Said;
use hereabout_words::io::error_words;
use serde::de::DeserializeOwned;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::files::input_file;
use crate::toml_doc::parser_words::{missing_key, not_toml, wrong_type};
use crate::toml_doc::path::{Step, path_text};
use crate::toml_doc::problem::{Level, Problem};
use crate::toml_doc::schema::{Schema, expectation, nearest};

/// A file read as text, with its name.
#[derive(Clone, Debug)]
pub struct Document {
    /// The file as it was named.
    pub file: PathBuf,
    /// Its text.
    pub text: String,
}

/// A problem of a file, not of a line in it.
fn whole(file: &Path, what: String, help: String) -> Problem {
    Problem {
        file: file.to_owned(),
        line: 0,
        column: 0,
        key: String::new(),
        level: Level::Error,
        code: "unreadable",
        what,
        help,
        source_line: String::new(),
    }
}

impl Document {
    /// Reads a file.
    ///
    /// # Errors
    /// A file that cannot be read or is not UTF-8, in words.
    pub fn read(file: &Path) -> Result<Document, Vec<Problem>> {
        Document::from_bytes(file, input_file::read(file))
    }

    /// Reads a file that the program writes itself; `None` when there is none. It is no symbolic link.
    ///
    /// # Errors
    /// As [`Document::read`], and a link.
    pub fn read_own(file: &Path) -> Result<Option<Document>, Vec<Problem>> {
        match input_file::read_unlinked(file) {
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(None),
            read => Document::from_bytes(file, read).map(Some),
        }
    }

    /// A problem of the whole file.
    pub fn whole(&self, what: String, help: String) -> Problem {
        whole(&self.file, what, help)
    }

    fn from_bytes(file: &Path, read: std::io::Result<Vec<u8>>) -> Result<Document, Vec<Problem>> {
        let whole = |what: String, help: String| vec![whole(file, what, help)];
        let bytes =
            read.map_err(|e| whole(format!("can't be read: {}", error_words(&e)), read_advice(&e)))?;
        match String::from_utf8(bytes) {
            Ok(text) => Ok(Document { file: file.to_owned(), text }),
            Err(e) => {
                let good = e.utf8_error().valid_up_to();
                let line = e.as_bytes()[..good].iter().filter(|b| **b == b'\n').count() + 1;
                let mut problems = whole(
                    format!(
                        "not UTF-8 text: byte {} (in line {line}) is 0x{:02x}",
                        good + 1,
                        e.as_bytes()[good]
                    ),
                    "save the file as UTF-8; a capture or a log is not a site file".to_owned(),
                );
                problems[0].line = line;
                problems[0].column = 1;
                problems[0].code = "not_utf8";
                Err(problems)
            }
        }
    }

    /// Parses the text into `T`, after checking every key against the schema.
    ///
    /// # Errors
    /// All unknown keys at once, or the first syntax error, wrong type or missing key.
    pub fn parse<T: DeserializeOwned>(&self, schema: &'static Schema) -> Result<(T, Tree<'_>), Vec<Problem>> {
        let table = DeTable::parse(&self.text)
            .map_err(|e| self.problem(e.span(), "", "not valid TOML", not_toml(e.message())))
            .map_err(|problem| vec![problem.coded("not_toml")])?;
        let tree = Tree { document: self, root: DeValue::Table(table.get_ref().clone()) };
        let mut unknown = Vec::new();
        self.unknown_keys(table.get_ref(), schema, "", &mut unknown);
        if !unknown.is_empty() {
            return Err(unknown);
        }
        let input = toml::de::Deserializer::from(table);
        match serde_path_to_error::deserialize::<_, T>(input) {
            Ok(value) => Ok((value, tree)),
            Err(e) => {
                let path: Vec<Step> = e.path().iter().filter_map(step).collect();
                Err(vec![self.type_problem(&tree, &path, e.inner(), schema)])
            }
        }
    }

    fn type_problem(
        &self,
        tree: &Tree<'_>,
        path: &[Step],
        error: &toml::de::Error,
        schema: &'static Schema,
    ) -> Problem {
        let span = error.span().or_else(|| tree.span(path));
        if let Some(key) = missing_key(error.message()) {
            let mut full = path.to_vec();
            full.push(Step::Key(key.to_owned()));
            let help = format!("expected {key} = {}", expectation(schema, &full).unwrap_or("a value"));
            return self.problem(span, &path_text(&full), "this key is missing", &help).coded("missing_key");
        }
        let help = expectation(schema, path).map_or_else(String::new, |e| format!("expected {e}"));
        self.problem(span, &path_text(path), &wrong_type(error.message()), &help).coded("wrong_type")
    }

    fn unknown_keys(&self, table: &DeTable<'_>, schema: &'static Schema, at: &str, out: &mut Vec<Problem>) {
        for (key, value) in table {
            let name = key.get_ref().as_ref();
            let path = if at.is_empty() { name.to_owned() } else { format!("{at}.{name}") };
            let Some((_, _, below)) = schema.keys.iter().find(|(k, _, _)| *k == name) else {
                let known: Vec<&str> = schema.keys.iter().map(|(k, _, _)| *k).collect();
                let help = nearest(name, &known).map_or_else(
                    || format!("known keys here: {}", known.join(", ")),
                    |n| format!("did you mean {n}? known keys here: {}", known.join(", ")),
                );
                out.push(self.problem(Some(key.span()), &path, "unknown key", &help).coded("unknown_key"));
                continue;
            };
            let Some(below) = below else { continue };
            match value.get_ref() {
                DeValue::Table(t) => self.unknown_keys(t, below, &path, out),
                DeValue::Array(items) => {
                    for (i, item) in items.iter().enumerate() {
                        if let DeValue::Table(t) = item.get_ref() {
                            self.unknown_keys(t, below, &format!("{path}[{i}]"), out);
                        }
                    }
                }
                _ => {}
            }
        }
    }

    /// A problem at a place of the text.
    pub fn problem(&self, span: Option<Range<usize>>, key: &str, what: &str, help: &str) -> Problem {
        let (line, column, source_line) = span.map_or((0, 0, String::new()), |s| self.place(s.start));
        Problem {
            file: self.file.clone(),
            line,
            column,
            key: key.to_owned(),
            level: Level::Error,
            code: "bad_value",
            what: what.to_owned(),
            help: help.to_owned(),
            source_line,
        }
    }

    fn place(&self, offset: usize) -> (usize, usize, String) {
        let mut offset = offset.min(self.text.len());
        while !self.text.is_char_boundary(offset) {
            offset -= 1;
        }
        let before = &self.text[..offset];
        let start = before.rfind('\n').map_or(0, |i| i + 1);
        let line = before.bytes().filter(|b| *b == b'\n').count() + 1;
        let column = self.text[start..offset].chars().count() + 1;
        let end = self.text[start..].find('\n').map_or(self.text.len(), |i| start + i);
        // A line of rubbish without an end must not fill the screen.
        (line, column, self.text[start..end].trim_end().chars().take(160).collect())
    }
}

/// The parsed tree, for finding where a value stands.
pub struct Tree<'a> {
    document: &'a Document,
    root: DeValue<'a>,
}

impl Tree<'_> {
    /// The place of the value at `path`; of the nearest table above it when it is not there.
    pub fn span(&self, path: &[Step]) -> Option<Range<usize>> {
        let mut span = None;
        let mut value = &self.root;
        for step in path {
            let next = match (step, value) {
                (Step::Key(key), DeValue::Table(table)) => {
                    table.iter().find(|(k, _)| k.get_ref() == key).map(|(_, v)| v)
                }
                (Step::Index(i), DeValue::Array(items)) => items.get(*i),
                _ => None,
            };
            let Some(next): Option<&Spanned<DeValue<'_>>> = next else { break };
            span = Some(next.span());
            value = next.get_ref();
        }
        span
    }

    /// A problem about the value at `path`.
    pub fn problem(&self, path: &[Step], what: &str, help: &str) -> Problem {
        self.document.problem(self.span(path), &path_text(path), what, help)
    }

    /// What is said about the value at `path`.
    pub fn said(&self, path: &[Step], said: &Said) -> Problem {
        self.problem(path, &said.words, &said.advice).coded(said.code)
    }
}

fn step(segment: &serde_path_to_error::Segment) -> Option<Step> {
    match segment {
        serde_path_to_error::Segment::Map { key } => Some(Step::Key(key.clone())),
        serde_path_to_error::Segment::Seq { index } => Some(Step::Index(*index)),
        _ => None,
    }
}

fn read_advice(e: &std::io::Error) -> String {
    match e.kind() {
        std::io::ErrorKind::NotFound => "check the path; `ls` its folder".to_owned(),
        std::io::ErrorKind::PermissionDenied => {
            "make it readable for the user that runs hereabout".to_owned()
        }
        _ => String::new(),
    }
}
