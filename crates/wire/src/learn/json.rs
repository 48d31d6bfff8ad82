//! JSON lines: every number by its pointer, and the family of pointers that is the ranges.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::Value;

use super::lines::{Context, Table};
use super::outcome::{LayoutKey, Outcome};
use super::table::{self, Field, Group};

/// Numbers a line that are looked at.
const MOST_FIELDS: usize = 200;
/// Share of the lines that must be JSON.
const ALIKE: f64 = 0.5;
/// Share of the lines that a number must be in.
const COMMON: f64 = 0.02;

/// The steps of a pointer; an element's index is written in digits.
type Path = Vec<String>;

pub(super) fn learn(context: &Context<'_>) -> Option<Outcome> {
    let documents: Vec<Value> = context.lines.iter().filter_map(|l| serde_json::from_slice(l).ok()).collect();
    if (documents.len() as f64) < ALIKE * context.lines.len() as f64 {
        return None;
    }
    let mut columns: BTreeMap<Path, Field> = BTreeMap::new();
    for (line, document) in documents.iter().enumerate() {
        let mut path = Path::new();
        collect(document, &mut path, &mut |path, number| {
            if columns.len() < MOST_FIELDS || columns.contains_key(path) {
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
    let kinds = fields.iter().map(table::kind).collect();
    let table = Table { fields, kinds, labels: Vec::new(), alike: total };
    let rate = context.rate();
    let groups: Vec<Group> = families(&paths)
        .iter()
        .filter_map(|members| table::group(&table.fields, &table.kinds, members, rate, context.options))
        .collect();
    Some(
        context.outcome(LayoutKey::Json, &table, groups, |group| Some(write(context, &table, &paths, group))),
    )
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

fn write(context: &Context<'_>, table: &Table, paths: &[Path], group: &Group) -> String {
    let (seq, millis) = context.counters(&table.kinds);
    let mut tokens: Vec<String> = Vec::new();
    tokens.extend(seq.map(|f| format!("seq={}", pointer(&paths[f]))));
    tokens.extend(millis.map(|f| format!("millis={}", pointer(&paths[f]))));
    tokens.extend(group.members.iter().map(|&f| format!("range={}", pointer(&paths[f]))));
    tokens.join(" ")
}
