//! Reads a data set with ground truth: anchors, ranges and the truth, for whoever grades something on it.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Ranges of one stamp: (anchor index, raw range).
pub(crate) type Row = (f64, Vec<(usize, f64)>);

/// Where the data sets are looked for: beside the project, or where `HEREABOUT_DATA` says.
pub(crate) fn folder() -> PathBuf {
    if let Some(folder) = std::env::var_os("HEREABOUT_DATA") {
        return folder.into();
    }
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data")
}

/// One set as read.
#[derive(Clone, Debug)]
pub(crate) struct Set {
    /// In the order of its site file, metres.
    pub(crate) anchors: Vec<[f64; 3]>,
    pub(crate) height_m: f64,
    pub(crate) rows: Vec<Row>,
    pub(crate) truth: Vec<(f64, [f64; 3])>,
}

/// The truth at an instant, across gaps of less than half a second only.
pub(crate) fn interpolate(truth: &[(f64, [f64; 3])], t: f64) -> Option<[f64; 3]> {
    let after = truth.partition_point(|r| r.0 < t);
    let b = truth.get(after)?;
    if b.0 == t {
        return Some(b.1);
    }
    let a = truth.get(after.checked_sub(1)?)?;
    let gap = b.0 - a.0;
    let share = (t - a.0) / gap;
    (gap < 0.5).then(|| std::array::from_fn(|i| a.1[i] + share * (b.1[i] - a.1[i])))
}

/// One set from its folder; `None` when it is not there or not whole.
pub(crate) fn read(path: &Path) -> Option<Set> {
    let site = std::fs::read_to_string(path.join("site.toml")).ok()?;
    let number = |line: &str| line.split('=').nth(1).and_then(|v| v.trim().parse::<f64>().ok());
    let (mut ids, mut anchors, mut height_m) = (Vec::new(), Vec::new(), 0.0);
    for line in site.lines().map(str::trim) {
        if line.starts_with("tag_height_m") {
            height_m = number(line)?;
        } else if line.starts_with("id") {
            ids.push(number(line)? as u32);
        } else if line.starts_with("at_m") {
            let list = line.split('[').nth(1)?.trim_end_matches(']');
            let v: Vec<f64> = list.split(',').filter_map(|v| v.trim().parse().ok()).collect();
            anchors.push([v[0], v[1], v[2]]);
        }
    }
    let truth = table(&path.join("truth.csv"))?
        .1
        .into_iter()
        .map(|r| (r[0], [r[1], r[2], r.get(3).copied().unwrap_or(0.0)]))
        .collect();
    let (head, body) = table(&path.join("ranges.csv"))?;
    let rows = if head[1] == "anchor" {
        let index: BTreeMap<u32, usize> = ids.iter().enumerate().map(|(i, id)| (*id, i)).collect();
        let mut rows: Vec<Row> = Vec::new();
        for r in &body {
            let one = (*index.get(&(r[1] as u32))?, r[2]);
            match rows.last_mut() {
                Some(last) if last.0 == r[0] => last.1.push(one),
                _ => rows.push((r[0], vec![one])),
            }
        }
        rows
    } else {
        let some = |r: &Vec<f64>| r[1..].iter().copied().enumerate().filter(|m| m.1.is_finite()).collect();
        body.iter().map(|r| (r[0], some(r))).collect()
    };
    Some(Set { anchors, height_m, rows, truth })
}

/// Header and numbers of a CSV file; an empty field is NaN.
fn table(path: &Path) -> Option<(Vec<String>, Vec<Vec<f64>>)> {
    let text = std::fs::read_to_string(path).ok()?;
    let mut lines = text.lines();
    let head = lines.next()?.split(',').map(str::to_owned).collect();
    let body = lines.map(|l| l.split(',').map(|v| v.trim().parse().unwrap_or(f64::NAN)).collect()).collect();
    Some((head, body))
}
