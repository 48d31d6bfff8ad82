//! Spots files: where the tag stood, and when, as CSV (`name,from_s,to_s,x_m,y_m,z_m`).
//!
//! `from_s` and `to_s` are in the recording's own `time_s`; `z_m` may be left out, or left empty, in 2D. Whatever
//! is wrong is reported with line and column, because such files are typed by hand in the yard. The order of
//! the rows is free; times may not overlap.

use std::fmt;
use std::path::{Path, PathBuf};

use hereabout_commission::survey::{MAX_SPOTS, Spot};
use hereabout_core::{Dimension, Timestamp};
use hereabout_words::io::error_words;

use crate::calibration::place_checks::Named;
use crate::exit::{self, Failure};

const HEADER: [&str; 6] = ["name", "from_s", "to_s", "x_m", "y_m", "z_m"];
/// No site has coordinates beyond this, metres.
const MAX_COORDINATE_M: f64 = 10_000.0;

/// One thing that is wrong with a spots file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SpotsProblem {
    /// The file as it was named.
    pub file: PathBuf,
    /// From 1.
    pub line: usize,
    /// From 1, in characters.
    pub column: usize,
    /// What is wrong and what was expected.
    pub what: String,
}

impl fmt::Display for SpotsProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}:{}: {}", self.file.display(), self.line, self.column, self.what)
    }
}

/// The spots of a file, in its order, with the place of each in the file.
#[derive(Clone, Debug, PartialEq)]
pub struct Spots {
    file: PathBuf,
    /// Spot and line.
    rows: Vec<(Spot, usize)>,
}

impl Spots {
    /// Reads a spots file.
    ///
    /// # Errors
    /// A file that can't be read, or everything that is wrong in it.
    pub fn read(path: &Path, dimension: Dimension) -> Result<Spots, Failure> {
        let bytes = crate::files::input_file::read(path).map_err(|e| {
            Failure::new(exit::NO_INPUT, format!("{}: can't be read: {}", path.display(), error_words(&e)))
        })?;
        let text = String::from_utf8(bytes)
            .map_err(|_| Failure::new(exit::DATA, format!("{}: is not UTF-8 text", path.display())))?;
        Spots::parse(path, &text, dimension).map_err(|problems| failure(&problems))
    }

    /// The same from a text that is at hand; `path` is for messages.
    ///
    /// # Errors
    /// Everything that is wrong, in file order.
    pub fn parse(path: &Path, text: &str, dimension: Dimension) -> Result<Spots, Vec<SpotsProblem>> {
        let problem = |line, column, what: String| SpotsProblem { file: path.to_owned(), line, column, what };
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let mut lines = text.lines().enumerate().filter(|(_, l)| !l.trim().is_empty());
        let Some((_, header)) = lines.next() else {
            let what = format!("the file is empty; expected the header {}", HEADER.join(","));
            return Err(vec![problem(1, 1, what)]);
        };
        check_header(header).map_err(|(column, what)| vec![problem(1, column, what)])?;
        let (mut rows, mut problems) = (Vec::new(), Vec::new());
        for (i, line) in lines {
            match row(line, dimension) {
                Ok(_) if rows.len() >= MAX_SPOTS => {
                    problems.push(problem(i + 1, 1, format!("more than {MAX_SPOTS} spots; cut the file")));
                    break;
                }
                Ok(spot) => rows.push((spot, i + 1)),
                Err((column, what)) => problems.push(problem(i + 1, column, what)),
            }
        }
        problems.extend(
            overlaps(&rows)
                .into_iter()
                .map(|(line, what)| problem(line, 1 + column_of_from(text, line), what)),
        );
        if rows.is_empty() && problems.is_empty() {
            problems.push(problem(2, 1, "there is no spot below the header: one row a place".into()));
        }
        if problems.is_empty() { Ok(Spots { file: path.to_owned(), rows }) } else { Err(problems) }
    }

    /// The spots in file order.
    pub fn list(&self) -> Vec<Spot> {
        self.rows.iter().map(|(spot, _)| spot.clone()).collect()
    }

    /// The places with where they stand in the file.
    pub(crate) fn places(&self) -> Vec<Named> {
        let named = |(spot, line): &(Spot, usize)| Named {
            label: format!("{}:{line}: {}", self.file.display(), spot.name),
            at_m: spot.at_m,
        };
        self.rows.iter().map(named).collect()
    }

    /// Refuses spots that lie outside of what was recorded.
    ///
    /// # Errors
    /// Every such spot with its line.
    pub fn check_extent(&self, extent: Option<(Timestamp, Timestamp)>) -> Result<(), Failure> {
        let Some((first, last)) = extent else { return Ok(()) };
        let outside = |(spot, line): &(Spot, usize)| {
            (spot.to < first || spot.from > last).then(|| SpotsProblem {
                file: self.file.clone(),
                line: *line,
                column: 1,
                what: format!(
                    "{} lies outside the recording, which goes from {first} to {last} (its own time_s)",
                    spot.name
                ),
            })
        };
        let problems: Vec<SpotsProblem> = self.rows.iter().filter_map(outside).collect();
        if problems.is_empty() { Ok(()) } else { Err(failure(&problems)) }
    }
}

fn failure(problems: &[SpotsProblem]) -> Failure {
    const SHOWN: usize = 20;
    let mut lines: Vec<String> = problems.iter().take(SHOWN).map(ToString::to_string).collect();
    if problems.len() > SHOWN {
        lines.push(format!("and {} more", problems.len() - SHOWN));
    }
    Failure::new(exit::DATA, lines.join("\n"))
}

/// Fields of a line with the column where each starts, from 1. Quotes keep commas together.
fn fields(line: &str) -> Vec<(usize, String)> {
    let mut out = vec![(1, String::new())];
    let mut quoted = false;
    for (i, c) in line.chars().enumerate() {
        match c {
            '"' => quoted = !quoted,
            ',' if !quoted => out.push((i + 2, String::new())),
            _ => {
                if let Some((_, text)) = out.last_mut() {
                    text.push(c);
                }
            }
        }
    }
    for (column, text) in &mut out {
        *column += text.chars().take_while(|c| c.is_whitespace()).count();
        *text = text.trim().to_owned();
    }
    out
}

fn check_header(line: &str) -> Result<(), (usize, String)> {
    let found = fields(line);
    let expected = HEADER.join(",");
    for (i, (column, text)) in found.iter().enumerate() {
        match HEADER.get(i) {
            Some(name) if text == name => {}
            Some(name) => {
                return Err((*column, format!("\"{text}\" where \"{name}\" belongs; expected {expected}")));
            }
            None => return Err((*column, format!("\"{text}\" is one column too many; expected {expected}"))),
        }
    }
    // Up may be left out.
    match found.len() {
        5 | 6 => Ok(()),
        n => Err((
            line.chars().count() + 1,
            format!("column \"{}\" is missing; expected {expected}", HEADER[n]),
        )),
    }
}

fn row(line: &str, dimension: Dimension) -> Result<Spot, (usize, String)> {
    let cells = fields(line);
    let end = line.chars().count() + 1;
    let cell = |i: usize| cells.get(i).map_or((end, ""), |(c, t)| (*c, t.as_str()));
    if let Some((column, text)) = cells.get(HEADER.len()) {
        return Err((*column, format!("\"{text}\" is one field too many (a comma in a number?)")));
    }
    let number = |i: usize, what: &str| {
        let (column, text) = cell(i);
        let value = text.parse::<f64>().ok().filter(|v| v.is_finite());
        value.ok_or_else(|| (column, format!("{} \"{text}\" is not {what}", HEADER[i])))
    };
    let time = |i: usize| {
        let what = "a time in seconds";
        let s = number(i, what)?;
        Timestamp::from_unix_secs_f64(s)
            .ok_or_else(|| (cell(i).0, format!("{} {s} is not {what}", HEADER[i])))
    };
    let place = |i: usize| {
        let v = number(i, "a number of metres")?;
        if v.abs() <= MAX_COORDINATE_M {
            Ok(v)
        } else {
            Err((cell(i).0, format!("{} {v} m is farther than any site reaches", HEADER[i])))
        }
    };
    let (from, to) = (time(1)?, time(2)?);
    if to <= from {
        return Err((cell(2).0, format!("to_s {} is not after from_s {}", cell(2).1, cell(1).1)));
    }
    let up = match (cell(5).1, dimension) {
        ("", Dimension::TwoD { tag_height_m }) => tag_height_m,
        _ => place(5)?,
    };
    let name = match cell(0).1 {
        "" => format!("{},{}", cell(3).1, cell(4).1),
        name => name.chars().take(60).collect(),
    };
    Ok(Spot { name, at_m: [place(3)?, place(4)?, up], from, to })
}

/// Lines whose time begins before an earlier one has ended, with words.
fn overlaps(rows: &[(Spot, usize)]) -> Vec<(usize, String)> {
    let mut order: Vec<&(Spot, usize)> = rows.iter().collect();
    order.sort_by_key(|(s, line)| (s.from, *line));
    let mut found = Vec::new();
    let mut longest: Option<&(Spot, usize)> = None;
    for next in order {
        if let Some((a, a_line)) = longest.filter(|(a, _)| next.0.from < a.to) {
            let (b, b_line) = next;
            let what = format!(
                "{} begins at {} while {} (line {a_line}) lasts until {}: the tag can't be at two places",
                b.name, b.from, a.name, a.to
            );
            found.push((*b_line, what));
        }
        longest = longest.filter(|l| l.0.to >= next.0.to).or(Some(next));
    }
    found
}

/// Characters before `from_s` in a line.
fn column_of_from(text: &str, line: usize) -> usize {
    let cells = text.lines().nth(line - 1).map(fields).unwrap_or_default();
    cells.get(1).map_or(0, |(column, _)| column - 1)
}

#[cfg(test)]
mod tests;
