//! Data sets with ground truth, when they are there: `shared/data` beside the repository, or the
//! folder that HEREABOUT_DATA names. They are not part of the project; without them these tests say
//! "skipped" and pass.
//!
//! The plain estimator is not tuned to them. What is held here is only what must not get lost: that
//! every set replays without a bad row, with positions for nearly all epochs.

use std::path::PathBuf;

use crate::support::{root, run};
use serde_json::Value;

fn data(set: &str) -> Option<PathBuf> {
    let named = std::env::var_os("HEREABOUT_DATA").map(PathBuf::from);
    let folder = named.unwrap_or_else(|| root().join("../shared/data")).join(set);
    if folder.is_dir() {
        return Some(folder);
    }
    eprintln!("{set}: skipped, the data set is not here");
    None
}

/// Replays a set with the plain estimator and prints its accuracy table; the accuracy as JSON.
fn replayed(set: &str) -> Option<Value> {
    let folder = data(set)?;
    let path = |name: &str| folder.join(name).to_str().unwrap().to_owned();
    let (ranges, site, truth) = (path("ranges.csv"), path("site.toml"), path("truth.csv"));
    let args = ["replay", &ranges, "--site", &site, "--truth", &truth, "--estimator", "plain"];
    let (table, words, code) = run(&args);
    assert_eq!(code, 0, "{words}");
    eprintln!("{set}\n{table}{words}");
    let (summary, _, _) = run(&[&args[..], &["--json"]].concat());
    let summary: Value = serde_json::from_str(&summary).unwrap();
    assert_eq!(summary["bad_rows"], 0, "{summary}");
    Some(summary["accuracy"].clone())
}

#[test]
fn a_room_with_eight_anchors() {
    let Some(accuracy) = replayed("room_moving") else { return };
    assert!(accuracy["share_with_fix"].as_f64().unwrap() > 0.8, "{accuracy}");
    assert!(accuracy["ce50_m"].as_f64().unwrap() < 0.4, "{accuracy}");
}

#[test]
fn a_small_square_with_one_range_at_a_time() {
    let Some(accuracy) = replayed("small_square") else { return };
    assert!(accuracy["ce50_m"].as_f64().unwrap() < 1.0, "{accuracy}");
}

#[test]
fn a_yard_with_hostile_geometry() {
    let Some(accuracy) = replayed("yard_los") else { return };
    assert!(accuracy["epochs"].as_u64().unwrap() > 1_000, "{accuracy}");
}
