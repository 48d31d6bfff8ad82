//! Range tables and truth tables as CSV.
//!
//! A range table is *wide* (`time_s,anchor_<id>_m…[,tag]`, empty = no range, one epoch a row) or *long*
//! (`time_s,anchor,range_m[,tag]`, one range a row; rows with one stamp and tag form one epoch).
//! `time_s` is Unix seconds, UTC. A wrong header is an error; a rubbish row is reported with its line,
//! counted, and the rest goes on.

use std::collections::VecDeque;
use std::io::Read;
use std::path::Path;

use arrayvec::ArrayVec;
use hereabout_core::{AnchorId, Epoch, MAX_ANCHORS, RangeReading, TagId, Timestamp};
use hereabout_ingest::open_plain;
use hereabout_words::io::error_words;

use crate::exit::{self, Failure};

/// What a table is and does not fit.
#[derive(Debug, thiserror::Error)]
pub enum TableError {
    /// The file can't be opened or read.
    #[error("{file}: can't be read: {}", error_words(source))]
    Read {
        /// The file.
        file: String,
        /// What the system said.
        source: std::io::Error,
    },
    /// The first line isn't one of the known headers.
    #[error("{file}:1: {what}\n  expected {expected}")]
    Header {
        /// The file.
        file: String,
        /// What is wrong with it.
        what: String,
        /// The headers that are known.
        expected: &'static str,
    },
    /// The CSV itself can't be read on.
    #[error("{file}{}", csv_words(source))]
    Csv {
        /// The file.
        file: String,
        /// Where and why.
        source: csv::Error,
    },
}

/// Where and why a table can't be read on, in our own words.
fn csv_words(error: &csv::Error) -> String {
    let line = error.position().map_or_else(String::new, |at| format!(":{}", at.line()));
    let why = match error.kind() {
        csv::ErrorKind::Io(e) => format!("can't be read on: {}", error_words(e)),
        csv::ErrorKind::Utf8 { .. } => "not UTF-8 text; a capture or a log is not a table".to_owned(),
        _ => "not a table of comma-separated values".to_owned(),
    };
    format!("{line}: {why}")
}

impl From<TableError> for Failure {
    fn from(e: TableError) -> Failure {
        let code = match e {
            TableError::Read { .. } => exit::NO_INPUT,
            _ => exit::DATA,
        };
        Failure::new(code, e)
    }
}

/// A row that was left out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BadRow {
    /// Line of the file, from 1.
    pub line: u64,
    /// What is wrong with it.
    pub what: String,
}

const RANGE_HEADERS: &str = "time_s,anchor_<id>_m,…[,tag] (wide: one epoch a row) or time_s,anchor,range_m[,tag] (long: one range a row)";
const TRUTH_HEADERS: &str = "time_s,x_m,y_m[,z_m][,tag]";

enum Shape {
    Wide { anchors: Vec<(usize, AnchorId)>, tag: Option<usize> },
    Long { tag: Option<usize> },
}

/// Reads a range table epoch by epoch.
pub struct RangeTable {
    file: String,
    reader: csv::Reader<Box<dyn Read + Send>>,
    shape: Shape,
    record: csv::StringRecord,
    /// Epoch of a long table that may still get more rows.
    open: Option<Epoch>,
    bad: VecDeque<BadRow>,
    bad_rows: u64,
    ended: bool,
}

/// Rows that are kept for telling; the rest is only counted.
const MAX_BAD_ROWS: usize = 20;

impl RangeTable {
    /// Opens a table and reads its header.
    ///
    /// # Errors
    /// A file that can't be read, or a header that is neither wide nor long.
    pub fn open(path: &Path) -> Result<RangeTable, TableError> {
        let name = path.display().to_string();
        let file = open_plain(path).map_err(|source| TableError::Read { file: name.clone(), source })?;
        RangeTable::new(name, Box::new(std::io::BufReader::with_capacity(1 << 16, file)))
    }

    /// The same from any reader; `name` is for messages.
    ///
    /// # Errors
    /// As [`RangeTable::open`].
    pub fn new(name: String, input: Box<dyn Read + Send>) -> Result<RangeTable, TableError> {
        let mut reader = csv::ReaderBuilder::new().flexible(true).trim(csv::Trim::All).from_reader(input);
        let header =
            reader.headers().map_err(|source| TableError::Csv { file: name.clone(), source })?.clone();
        let bad = |what| TableError::Header { file: name.clone(), what, expected: RANGE_HEADERS };
        let shape = shape(&header).map_err(bad)?;
        Ok(RangeTable {
            file: name,
            reader,
            shape,
            record: csv::StringRecord::new(),
            open: None,
            bad: VecDeque::new(),
            bad_rows: 0,
            ended: false,
        })
    }

    /// The next epoch; `None` at the end.
    ///
    /// # Errors
    /// Only when the file can't be read on.
    pub fn next_epoch(&mut self) -> Result<Option<Epoch>, TableError> {
        while !self.ended {
            let more = self.reader.read_record(&mut self.record);
            match more {
                Ok(true) => {}
                Ok(false) => {
                    self.ended = true;
                    break;
                }
                // A row that isn't UTF-8 is a rubbish row; anything else ends the reading.
                Err(e) if matches!(e.kind(), csv::ErrorKind::Utf8 { .. }) => {
                    let line = e.position().map_or(0, csv::Position::line);
                    self.reject(line, "not UTF-8 text".to_owned());
                    continue;
                }
                Err(source) => return Err(TableError::Csv { file: self.file.clone(), source }),
            }
            let line = self.record.position().map_or(0, csv::Position::line);
            match self.row() {
                Ok(Some(epoch)) => return Ok(Some(epoch)),
                Ok(None) => {}
                Err(what) => self.reject(line, what),
            }
        }
        Ok(self.open.take())
    }

    /// Rows left out so far, of which the first few are in [`RangeTable::take_bad_row`].
    pub fn bad_rows(&self) -> u64 {
        self.bad_rows
    }

    /// The next left-out row that was not yet reported.
    pub fn take_bad_row(&mut self) -> Option<BadRow> {
        self.bad.pop_front()
    }

    fn reject(&mut self, line: u64, what: String) {
        if self.bad_rows < MAX_BAD_ROWS as u64 {
            self.bad.push_back(BadRow { line, what });
        }
        self.bad_rows += 1;
    }

    /// Takes in the record; gives an epoch when one is complete.
    fn row(&mut self) -> Result<Option<Epoch>, String> {
        let at = stamp(self.record.get(0).unwrap_or(""))?;
        match &self.shape {
            Shape::Wide { anchors, tag } => {
                let mut readings = ArrayVec::new();
                for (column, anchor) in anchors {
                    let raw_range_m = range(self.record.get(*column).unwrap_or(""))?;
                    readings.push(RangeReading { anchor: *anchor, raw_range_m });
                }
                let tag = tag_of(&self.record, *tag)?;
                Ok(Some(Epoch::new(at, tag, None, readings)))
            }
            Shape::Long { tag } => {
                let anchor = self.record.get(1).unwrap_or("");
                let anchor = AnchorId(
                    anchor.parse().map_err(|_| format!("\"{anchor}\" is not an anchor id (0 to 65535)"))?,
                );
                let raw_range_m = range(self.record.get(2).unwrap_or(""))?;
                let tag = tag_of(&self.record, *tag)?;
                Ok(self.add(at, tag, RangeReading { anchor, raw_range_m }))
            }
        }
    }

    fn add(&mut self, at: Timestamp, tag: TagId, reading: RangeReading) -> Option<Epoch> {
        if let Some(open) = &mut self.open {
            let known = open.readings.iter().any(|r| r.anchor == reading.anchor);
            if open.at == at && open.tag == tag && !known && !open.readings.is_full() {
                open.readings.push(reading);
                return None;
            }
        }
        let readings = [reading].into_iter().collect();
        self.open.replace(Epoch::new(at, tag, None, readings))
    }
}

fn shape(header: &csv::StringRecord) -> Result<Shape, String> {
    if header.get(0) != Some("time_s") {
        return Err(format!("the first column is \"{}\", not \"time_s\"", header.get(0).unwrap_or("")));
    }
    let tag = header.iter().position(|h| h == "tag");
    if header.get(1) == Some("anchor") && header.get(2) == Some("range_m") {
        return match header.iter().enumerate().skip(3).find(|(_, h)| *h != "tag") {
            Some((_, other)) => Err(format!("column \"{other}\" is not known in a long table")),
            None => Ok(Shape::Long { tag }),
        };
    }
    let mut anchors = Vec::new();
    for (i, name) in header.iter().enumerate().skip(1) {
        if name == "tag" {
            continue;
        }
        let id = name.strip_prefix("anchor_").and_then(|n| n.strip_suffix("_m")).and_then(|n| n.parse().ok());
        let Some(id) = id.map(AnchorId) else { return Err(format!("column \"{name}\" is not known")) };
        if anchors.iter().any(|(_, a)| *a == id) {
            return Err(format!("column \"{name}\" is there twice"));
        }
        anchors.push((i, id));
    }
    match anchors.len() {
        0 => Err("there is no range column".to_owned()),
        n if n > MAX_ANCHORS => Err(format!("{n} range columns are more than {MAX_ANCHORS}")),
        _ => Ok(Shape::Wide { anchors, tag }),
    }
}

fn stamp(text: &str) -> Result<Timestamp, String> {
    let seconds: Option<f64> = text.parse().ok();
    seconds
        .and_then(Timestamp::from_unix_secs_f64)
        .ok_or_else(|| format!("\"{text}\" is not a time in seconds"))
}

fn range(text: &str) -> Result<Option<f64>, String> {
    if text.is_empty() {
        return Ok(None);
    }
    match text.parse::<f64>() {
        Ok(v) if v.is_finite() => Ok(Some(v)),
        Ok(v) if v.is_nan() => Ok(None),
        _ => Err(format!("\"{text}\" is not a range in metres")),
    }
}

fn tag_of(record: &csv::StringRecord, column: Option<usize>) -> Result<TagId, String> {
    match column.and_then(|c| record.get(c)).unwrap_or("") {
        "" => Ok(TagId(0)),
        text => text.parse().map(TagId).map_err(|_| format!("\"{text}\" is not a tag id")),
    }
}

/// One row of a truth table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TruthRow {
    /// Stamp of the row, UTC.
    pub at: Timestamp,
    /// Number of the tag; 0 when the table has no tag column.
    pub tag: TagId,
    /// East, north, up in metres; up is `None` in a flat table.
    pub at_m: ([f64; 2], Option<f64>),
}

/// Reads a whole truth table.
///
/// # Errors
/// A file that can't be read or has another header. Rubbish rows come back beside the good ones.
pub fn read_truth(path: &Path) -> Result<(Vec<TruthRow>, Vec<BadRow>), TableError> {
    let name = path.display().to_string();
    let file = open_plain(path).map_err(|source| TableError::Read { file: name.clone(), source })?;
    let mut reader = csv::ReaderBuilder::new().flexible(true).trim(csv::Trim::All).from_reader(file);
    let header = reader.headers().map_err(|source| TableError::Csv { file: name.clone(), source })?.clone();
    let columns: Vec<&str> = header.iter().collect();
    if columns.len() < 3 || columns[..3] != ["time_s", "x_m", "y_m"] {
        let what = format!("the header is \"{}\"", columns.join(","));
        return Err(TableError::Header { file: name, what, expected: TRUTH_HEADERS });
    }
    let z = columns.iter().position(|c| *c == "z_m");
    let tag = columns.iter().position(|c| *c == "tag");
    let mut rows = Vec::new();
    let mut bad = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|source| TableError::Csv { file: name.clone(), source })?;
        match truth_row(&record, z, tag) {
            Ok(row) => rows.push(row),
            Err(what) => bad.push(BadRow { line: record.position().map_or(0, csv::Position::line), what }),
        }
    }
    rows.sort_by_key(|r| (r.tag, r.at));
    Ok((rows, bad))
}

fn truth_row(record: &csv::StringRecord, z: Option<usize>, tag: Option<usize>) -> Result<TruthRow, String> {
    let number = |i: usize| {
        let text = record.get(i).unwrap_or("");
        text.parse::<f64>()
            .ok()
            .filter(|v| v.is_finite())
            .ok_or_else(|| format!("\"{text}\" is not a number of metres"))
    };
    let up = match z.and_then(|z| record.get(z)) {
        None | Some("") => None,
        Some(_) => Some(number(z.unwrap_or(0))?),
    };
    let at = stamp(record.get(0).unwrap_or(""))?;
    Ok(TruthRow { at, tag: tag_of(record, tag)?, at_m: ([number(1)?, number(2)?], up) })
}

#[cfg(test)]
mod tests;
