//! Calibration on data sets with ground truth: offsets from occupations of one day against offsets fitted to the
//! truth of the next day's drive. Prints the table; skipped, in words, when the data sets are not there.
//!
//! The data sets are looked for in `../shared/data` beside the workspace, or where `HEREABOUT_DATA` says.
//! Source: LIAS-CUHKSZ, Efficient-Pose-Estimation-via-UWB-measurements (MIT): eight anchors round a room of 7 m
//! by 6 m, 30 known spots (5 places × 6 headings, 10 s each), and a trolley with a reference instrument.
#![expect(clippy::unwrap_used, reason = "a data set that cannot be read is a failed test")]

use std::path::{Path, PathBuf};

use hereabout_core::Timestamp;
use hereabout_solve::calibrate::adjust::{
    AdjustSettings, Adjustment, AnchorLevel, ScaleChoice, StaticOccupation, adjust,
};
use hereabout_solve::calibrate::known_path::{PathOffset, PathRange, fit_path};
use hereabout_solve::calibrate::occupation::{
    OccupationReading, OccupationSettings, RefusedOccupation, TimedRange, measure_occupation,
};

fn data() -> Option<PathBuf> {
    let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data");
    let root = std::env::var_os("HEREABOUT_DATA").map_or(beside, PathBuf::from);
    ["room_static", "room_moving"].iter().all(|set| root.join(set).is_dir()).then_some(root)
}

/// Rows of numbers; an empty field is NaN. Fields that are no numbers are left out of the row.
fn table(path: &Path) -> Vec<Vec<f64>> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    let number = |f: &str| if f.is_empty() { Some(f64::NAN) } else { f.parse().ok() };
    reader.records().map(|r| r.unwrap().iter().filter_map(number).collect()).collect()
}

/// The anchors' places: the `at_m` lines of the site file, in order.
fn anchors(set: &Path) -> Vec<[f64; 3]> {
    let text = std::fs::read_to_string(set.join("site.toml")).unwrap();
    let place = |line: &str| {
        let list = line.strip_prefix("at_m = [")?.split(']').next()?;
        let numbers: Vec<f64> = list.split(',').map(|n| n.trim().parse().unwrap()).collect();
        Some([numbers[0], numbers[1], numbers[2]])
    };
    text.lines().filter_map(place).collect()
}

fn stamp(s: f64) -> Timestamp {
    Timestamp::from_unix_secs_f64(s).unwrap()
}

fn distance(a: &[f64], b: &[f64]) -> f64 {
    (0..3).map(|c| (a[c] - b[c]).powi(2)).sum::<f64>().sqrt()
}

/// One spot: its place and what every board said there.
struct Spot {
    at_m: [f64; 3],
    boards: Vec<Result<OccupationReading, RefusedOccupation>>,
}

/// Ten seconds at ten a second are 100 ranges at most: the occupations here are shorter than the product takes.
fn short_occupations() -> OccupationSettings {
    OccupationSettings { min_ranges: 80, max_se_m: 0.05, ..OccupationSettings::default() }
}

fn spots(set: &Path, settings: &OccupationSettings) -> Vec<Spot> {
    let ranges = table(&set.join("ranges.csv"));
    let boards = ranges[0].len() - 1;
    let spot = |row: Vec<f64>| {
        // The name is no number: from, to, x, y, z are left.
        let &[from, to, x, y, z] = row.as_slice() else { panic!("{row:?}") };
        let board = |i: usize| {
            let inside = ranges.iter().filter(|r| r[0] >= from - 1e-6 && r[0] <= to + 1e-6);
            let list: Vec<TimedRange> =
                inside.map(|r| TimedRange { at: stamp(r[0]), raw_range_m: r[1 + i] }).collect();
            measure_occupation(&list, settings)
        };
        Spot { at_m: [x, y, z], boards: (0..boards).map(board).collect() }
    };
    table(&set.join("spots.csv")).into_iter().map(spot).collect()
}

fn calibrate(anchors: &[[f64; 3]], spots: &[&Spot], scale: ScaleChoice) -> Adjustment {
    let occupation = |s: &&Spot| StaticOccupation {
        at_m: s.at_m,
        levels: (s.boards.iter().enumerate())
            .filter_map(|(anchor, b)| b.as_ref().ok().map(|r| (anchor, r)))
            .map(|(anchor, r)| AnchorLevel { anchor, level_m: r.level_m, se_m: r.se_m })
            .collect(),
    };
    let occupations: Vec<StaticOccupation> = spots.iter().map(occupation).collect();
    adjust(anchors, &occupations, &AdjustSettings { scale, ..AdjustSettings::default() }).unwrap()
}

/// Offsets by the truth of the drive; truth is interpolated across gaps below half a second.
fn offsets_of_drive(set: &Path) -> Vec<PathOffset> {
    let (anchors, truth, ranges) =
        (anchors(set), table(&set.join("truth.csv")), table(&set.join("ranges.csv")));
    let place = |t: f64| {
        let after = truth.partition_point(|r| r[0] <= t);
        let (a, b) = (truth.get(after.checked_sub(1)?)?, truth.get(after)?);
        let part = (t - a[0]) / (b[0] - a[0]);
        (b[0] - a[0] < 0.5).then(|| [1, 2, 3].map(|c| a[c] + part * (b[c] - a[c])))
    };
    let board = |i: usize| {
        let one = |r: &Vec<f64>| {
            let distance_m = distance(&place(r[0])?, &anchors[i]);
            Some(PathRange { at: stamp(r[0]), distance_m, raw_range_m: r[1 + i] })
        };
        let list: Vec<PathRange> = ranges.iter().filter_map(one).collect();
        fit_path(&list, ScaleChoice::Never, 0.4).unwrap()
    };
    (0..anchors.len()).map(board).collect()
}

/// How far offsets are from those of the drive: RMS, worst, RMS of the claimed errors, share within two of them.
#[derive(Clone, Copy, Debug, Default)]
struct Off {
    n: f64,
    square: f64,
    worst: f64,
    claimed: f64,
    held: f64,
}

impl Off {
    fn add(&mut self, found: &Adjustment, drive: &[PathOffset]) {
        for b in &found.boards {
            // What is taken off a range at the drive's mean distance; without a scale this is the offset.
            let t = &drive[b.anchor];
            let error = b.offset_m + (b.scale - t.scale) * t.mean_distance_m - t.offset_m;
            let se = b.se_m.powi(2) + drive[b.anchor].se_m.powi(2);
            self.n += 1.0;
            self.square += error * error;
            self.worst = self.worst.max(error.abs());
            self.claimed += se;
            self.held += f64::from(u8::from(error.abs() <= 2.0 * se.sqrt()));
        }
    }

    fn rms(&self) -> f64 {
        (self.square / self.n).sqrt()
    }

    fn row(&self, name: &str) {
        println!(
            "{name:<28} {:6.3} {:6.3} {:8.3} {:7.0} %",
            self.rms(),
            self.worst,
            (self.claimed / self.n).sqrt(),
            100.0 * self.held / self.n
        );
    }
}

#[test]
fn offsets_of_the_room_carry_over_to_the_next_day() {
    let Some(root) = data() else {
        println!("skipped: the data sets are not there (../shared/data, or HEREABOUT_DATA)");
        return;
    };
    let (room, drive) = (root.join("room_static"), root.join("room_moving"));
    let places = anchors(&room);
    let spots = spots(&room, &short_occupations());
    let truth = offsets_of_drive(&drive);
    for (i, t) in truth.iter().enumerate() {
        println!(
            "anchor {i}: drive {:+.3} ± {:.3} m, σ {:.3}, late {:.2}",
            t.offset_m, t.se_m, t.sigma_m, t.nlos_share
        );
    }
    let refused = spots.iter().flat_map(|s| &s.boards).filter(|b| b.is_err()).count();
    println!("stands refused: {refused} of {}", spots.len() * places.len());

    println!("{:<28} {:>6} {:>6} {:>8} {:>9}", "offsets from", "rms m", "worst", "claimed", "within 2");
    let mut all = Off::default();
    let whole = calibrate(&places, &spots.iter().collect::<Vec<_>>(), ScaleChoice::WhenProven);
    all.add(&whole, &truth);
    all.row("30 spots");
    println!("  {:?}, place {:.3?} m, {:?}", whole.scale, whole.place_sd_m, whole.faults);
    let mut five = Off::default();
    // One heading of each of the five places, turned on from place to place: six choices.
    for k in 0..6 {
        let choice: Vec<&Spot> = (0..5).map(|p| &spots[6 * p + (k + p) % 6]).collect();
        five.add(&calibrate(&places, &choice, ScaleChoice::WhenProven), &truth);
    }
    five.row("5 spots, 6 choices");
    let mut one = Off::default();
    for s in &spots {
        one.add(&calibrate(&places, &[s], ScaleChoice::WhenProven), &truth);
    }
    one.row("1 spot, 30 choices");
    // The distances of a room of 7 m carry no scale worth having, and no spot of these is wrong.
    assert!(whole.boards.iter().all(|b| b.scale == 1.0) && whole.wrong_occupations.is_empty());

    // What the data sets' own notes found: 1-2 cm from 30 spots, 3-4 from five, 5-9 from one.
    assert!((0.005..0.025).contains(&all.rms()), "{all:?}");
    assert!((0.015..0.045).contains(&five.rms()), "{five:?}");
    assert!((0.04..0.09).contains(&one.rms()), "{one:?}");
    for o in [five, one] {
        assert!(o.held / o.n >= 0.8, "claimed errors must be of the right size: {o:?}");
    }
}
