//! Healthy kits are never called frozen, old or repeated, and lose next to nothing by being judged. Over minutes here;
//! `examples/freshness_study` runs hours.
#![expect(clippy::expect_used, reason = "a test")]

#[path = "fresh_kit/healthy.rs"]
mod healthy;
#[path = "zone_kit/kit.rs"]
#[expect(dead_code, reason = "the kit has more than this test needs")]
mod kit;

use std::path::{Path, PathBuf};

use healthy::{FALSE, Healthy, LAYOUTS, Rows, healthy, recorded};

#[test]
fn minutes_of_healthy_kits_lose_less_than_half_a_point() {
    for (layout, fields) in LAYOUTS.iter().enumerate() {
        for (anchors, late) in [(8, 0.1), (5, 0.2)] {
            let mut sum = Healthy::default();
            for seed in [31, 32] {
                sum.add(&healthy(anchors, layout, late, 0.4, seed));
            }
            let what = format!("{fields} × {anchors}: {sum:?}");
            let falsely: u64 = FALSE.iter().map(|d| sum.doubted[*d as usize]).sum();
            assert_eq!((falsely, sum.held), (0, 0), "{what}");
            let lost = sum.lost_points();
            assert!(lost.iter().all(|points| *points <= 0.5), "{lost:?} points: {what}");
            // A kit that is hardly ever located loses nothing either.
            assert!(sum.bare.percent()[0] > 95.0, "{what}");
        }
    }
}

/// The recordings' folder, when it is there.
fn folder(name: &str) -> Option<PathBuf> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data").join(name);
    path.is_dir().then_some(path).or_else(|| {
        println!("{name}: skipped, the recording is not here");
        None
    })
}

/// Rows of a wide or a long table: one field an anchor.
fn rows(folder: &Path) -> Rows {
    let text = std::fs::read_to_string(folder.join("ranges.csv")).expect("ranges");
    let mut lines = text.lines();
    let head: Vec<&str> = lines.next().expect("a header").split(',').collect();
    let cells = lines.map(|l| l.split(',').map(|c| c.trim().parse::<f64>().ok()).collect::<Vec<_>>());
    let cells: Vec<Vec<Option<f64>>> = cells.filter(|c: &Vec<_>| c.len() > 1).collect();
    if head.get(1) != Some(&"anchor") {
        let anchors = head.iter().filter(|h| h.starts_with("anchor_")).count();
        return cells.iter().filter_map(|c| Some((c[0]?, c[1..=anchors].to_vec()))).collect();
    }
    let mut ids: Vec<u64> = cells.iter().filter_map(|c| c[1].map(|id| id as u64)).collect();
    ids.sort_unstable();
    ids.dedup();
    let one = |c: &Vec<Option<f64>>| {
        let mut ranges = vec![None; ids.len()];
        ranges[ids.iter().position(|id| Some(*id as f64) == c[1])?] = c[2];
        Some((c[0]?, ranges))
    };
    cells.iter().filter_map(one).collect()
}

#[test]
fn recordings_of_real_kits_are_never_frozen_old_or_repeated() {
    let sets = [
        "room_static",
        "room_moving",
        "room_moving_2",
        "small_square",
        "yard_los",
        "yard_los_2",
        "yard_los_3",
        "yard_nlos",
        "mower",
    ];
    for name in sets {
        let Some(folder) = folder(name) else { continue };
        let rows = rows(&folder);
        let (doubted, held) = recorded(&rows);
        println!("{name}: {} frames, doubted {doubted:?}, held {held}", rows.len());
        let falsely: u64 = FALSE.iter().map(|d| doubted[*d as usize]).sum();
        assert_eq!((falsely, held), (0, 0), "{name}: {doubted:?} of {}", rows.len());
    }
}
