//! JSON lines: every number by its pointer, and the family of pointers that is the ranges.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use serde_json::Value;

use super::fields::{self, Field, Group};
use super::lines::{Context, Form, LineFields};
use super::outcome::{LayoutKey, Outcome, Question};
use super::review;

/// Numbers a line that are looked at.
const MAX_FIELDS: usize = 200;
/// Share of the lines that must be JSON.
const ALIKE: f64 = 0.5;
/// Share of the lines that a number must be in.
const COMMON: f64 = 0.02;

/// A number so many times a large one is two that lost their comma.
const JOINED: f64 = 50.0;

/// The steps of a pointer; an element's index is written in digits.
type Path = Vec<String>;

pub(super) fn learn(context: &Context<'_>) -> Option<Outcome> {
    let parsed: Vec<Option<Value>> = context.all.iter().map(|l| serde_json::from_slice(l).ok()).collect();
    let fit = |part: Range<usize>| parsed[part].iter().flatten().count();
    let (before, studied) = (fit(0..context.studied.start), fit(context.studied.clone()));
    if (studied as f64) < ALIKE * context.studied.len() as f64 {
        return None;
    }
    let documents: Vec<Value> = parsed.into_iter().flatten().collect();
    let mut columns: BTreeMap<Path, Field> = BTreeMap::new();
    for (line, document) in documents.iter().enumerate() {
        let mut path = Path::new();
        collect(document, &mut path, &mut |path, number| {
            if columns.len() < MAX_FIELDS || columns.contains_key(path) {
                let column = columns.entry(path.clone()).or_insert_with(|| vec![None; documents.len()]);
                column[line] = number;
            }
        });
    }
    let total = documents.len();
    let is_common = |path: &Path| {
        let lines = documents.iter().filter(|d| d.pointer(&pointer(path)).is_some()).count();
        lines as f64 >= COMMON * total as f64 && !path.iter().any(|s| s.contains(|c: char| c.is_whitespace()))
    };
    columns.retain(|path, _| is_common(path));
    let mut columns: Vec<(Path, Field)> = columns.into_iter().collect();
    // Of names with a number at the end, shorter ones first: a2 before a10.
    let order = |path: &Path| path.iter().map(|s| (s.len(), s.clone())).collect::<Vec<_>>();
    columns.sort_by_key(|(path, _)| order(path));
    let (paths, fields): (Vec<Path>, Vec<Field>) = columns.into_iter().unzip();
    let table = LineFields::new(fields, before..before + studied);
    let rate = context.rate();
    let groups: Vec<Group> = families(&paths)
        .iter()
        .filter_map(|members| fields::group(&table.studied, &table.kinds, members, rate, context.options))
        .collect();
    let form = Json { context, table: &table, paths: &paths, documents: &documents };
    Some(context.outcome(&table, groups, &form))
}

/// JSON lines with the pointers of their numbers.
struct Json<'a> {
    context: &'a Context<'a>,
    table: &'a LineFields,
    paths: &'a [Path],
    documents: &'a [Value],
}

impl Form for Json<'_> {
    fn key(&self) -> LayoutKey {
        LayoutKey::Json
    }

    fn write(&self, group: &Group, tag: Option<usize>) -> Option<String> {
        Some(write(self.context, self.table, self.paths, group, tag))
    }

    fn name(&self, field: usize) -> String {
        pointer(&self.paths[field])
    }

    fn doubts(&self, group: &Group) -> Vec<Question> {
        let mut doubts = Vec::new();
        let mut arrays: BTreeSet<Path> = BTreeSet::new();
        for path in group.members.iter().map(|&m| &self.paths[m]) {
            arrays.extend(
                (0..path.len()).filter(|&i| path[i].parse::<usize>().is_ok()).map(|i| path[..i].to_vec()),
            );
        }
        doubts.extend(arrays.iter().filter_map(|path| self.left_out(path)));
        doubts.extend(self.words());
        doubts
    }

    /// All members of the object with the ranges are left out, and nothing else is in the line: no anchor was
    /// heard.
    fn is_without(&self, line: &[u8], group: &Group) -> bool {
        let Ok(document) = serde_json::from_slice::<Value>(line) else { return false };
        let (mut numbers, mut words) = (0, 0);
        collect(&document, &mut Path::new(), &mut |_, _| numbers += 1);
        collect_words(&document, &mut Path::new(), &mut |_, _| words += 1);
        let is_empty = |path: &Path| {
            let parent = pointer(&path[..path.len().saturating_sub(1)].to_vec());
            document.pointer(&parent).and_then(Value::as_object).is_some_and(serde_json::Map::is_empty)
        };
        numbers + words == 0 && group.members.iter().all(|&m| is_empty(&self.paths[m]))
    }

    fn usual(&self) -> Option<&[Vec<u8>]> {
        None
    }
}

impl Json<'_> {
    /// An array whose length varies has no fixed places.
    fn left_out(&self, path: &Path) -> Option<Question> {
        let place = pointer(path);
        let arrays: Vec<&Vec<Value>> =
            self.documents.iter().filter_map(|d| d.pointer(&place)?.as_array()).collect();
        let most = arrays.iter().map(|a| a.len()).max()?;
        let full = || arrays.iter().filter(|a| a.len() == most).flat_map(|a| a.iter());
        let mut numbers: Vec<f64> = full().filter_map(Value::as_f64).collect();
        numbers.sort_by(f64::total_cmp);
        let large = numbers.get(numbers.len() * 9 / 10).copied().unwrap_or(f64::INFINITY);
        let is_whole = !full().any(Value::is_f64);
        // A comma that was lost makes one number of two, far off all others or with a fraction.
        let is_joined =
            |n: &Value| n.as_f64().is_some_and(|n| n > JOINED * large) || (is_whole && n.is_f64());
        let lengths: Vec<usize> =
            arrays.iter().filter(|a| a.len() == most || !a.iter().any(is_joined)).map(|a| a.len()).collect();
        let fewest = *lengths.iter().min()?;
        let short = lengths.iter().filter(|l| **l < most).count();
        let lines = lengths.len();
        (short > 0).then_some(Question::LeftOut { place, seen: (fewest, most), short, lines })
    }

    /// Texts and truths that vary and are no time: nothing shows what they are.
    fn words(&self) -> Vec<Question> {
        let mut texts: BTreeMap<Path, Vec<String>> = BTreeMap::new();
        for document in self.documents {
            collect_words(document, &mut Path::new(), &mut |path, text| {
                if texts.len() < MAX_FIELDS || texts.contains_key(path) {
                    texts.entry(path.clone()).or_default().push(text);
                }
            });
        }
        let total = self.documents.len() as f64;
        let common = texts.into_iter().filter(|(_, texts)| texts.len() as f64 >= COMMON * total);
        let asks = |(path, mut texts): (Path, Vec<String>)| {
            // A time rises with each line, written at one length.
            let rises = texts.windows(2).filter(|w| w[0].len() == w[1].len() && w[0] <= w[1]).count();
            let steps = texts.windows(2).filter(|w| w[0] != w[1]).count();
            let is_time = rises * 50 >= 49 * (texts.len() - 1) && steps * 2 >= texts.len();
            if is_time || review::is_still_by(&texts) {
                return None;
            }
            texts.sort();
            texts.dedup();
            Some(Question::NoRole { place: pointer(&path), values: Vec::new(), distinct: texts.len() })
        };
        common.filter_map(asks).collect()
    }
}

/// Calls `take` for every text and truth.
fn collect_words(value: &Value, path: &mut Path, take: &mut impl FnMut(&Path, String)) {
    match value {
        Value::String(text) => take(path, text.clone()),
        Value::Bool(truth) => take(path, truth.to_string()),
        Value::Array(elements) => {
            for (index, element) in elements.iter().enumerate() {
                path.push(index.to_string());
                collect_words(element, path, take);
                path.pop();
            }
        }
        Value::Object(members) => {
            for (name, member) in members {
                path.push(name.clone());
                collect_words(member, path, take);
                path.pop();
            }
        }
        Value::Number(_) | Value::Null => {}
    }
}

/// Calls `take` for every number and null.
fn collect(value: &Value, path: &mut Path, take: &mut impl FnMut(&Path, Option<f64>)) {
    match value {
        Value::Number(number) => take(path, number.as_f64()),
        Value::Null => take(path, None),
        Value::Array(elements) => {
            for (index, element) in elements.iter().enumerate() {
                path.push(index.to_string());
                collect(element, path, take);
                path.pop();
            }
        }
        Value::Object(members) => {
            for (name, member) in members {
                path.push(name.clone());
                collect(member, path, take);
                path.pop();
            }
        }
        Value::Bool(_) | Value::String(_) => {}
    }
}

/// Families of pointers that differ in one step only, by the columns' numbers; every column alone is one.
fn families(paths: &[Path]) -> Vec<Vec<usize>> {
    let mut families: BTreeSet<Vec<usize>> = (0..paths.len()).map(|i| vec![i]).collect();
    for (path, step) in paths.iter().flat_map(|p| (0..p.len()).map(move |s| (p, s))) {
        let like = |other: &Path| {
            other.len() == path.len() && (0..path.len()).all(|s| s == step || other[s] == path[s])
        };
        let stem = |name: &str| name.trim_end_matches(|c: char| c.is_ascii_digit()).to_owned();
        let members = |alike: &dyn Fn(&Path) -> bool| -> Vec<usize> {
            (0..paths.len()).filter(|&i| like(&paths[i]) && alike(&paths[i])).collect()
        };
        families.insert(members(&|_| true));
        families.insert(members(&|other| stem(&other[step]) == stem(&path[step])));
    }
    families.into_iter().collect()
}

fn pointer(path: &Path) -> String {
    path.iter().map(|step| format!("/{}", step.replace('~', "~0").replace('/', "~1"))).collect()
}

fn write(
    context: &Context<'_>,
    table: &LineFields,
    paths: &[Path],
    group: &Group,
    tag: Option<usize>,
) -> String {
    let (seq, millis) = context.counters(&table.all_kinds);
    let mut tokens: Vec<String> = Vec::new();
    tokens.extend(tag.map(|f| format!("tag={}", pointer(&paths[f]))));
    tokens.extend(seq.map(|f| format!("seq={}", pointer(&paths[f]))));
    tokens.extend(millis.map(|f| format!("millis={}", pointer(&paths[f]))));
    tokens.extend(group.members.iter().map(|&f| format!("range={}", pointer(&paths[f]))));
    tokens.join(" ")
}
