//! The recordings, when they are there: none that is healthy gets a word, and no anchor that is put elsewhere gets a wrong one.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use hereabout_core::{Dimension, Fence, Timestamp};
use hereabout_solve::fit::{Cause, FitAnchor, FitAnswer, FitRange, FitSetup, SiteFit};

use super::Dice;

const SETS: [&str; 9] = [
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

struct Set {
    setup: FitSetup,
    epochs: Vec<(f64, Vec<FitRange>)>,
    truth: Vec<(f64, [f64; 3])>,
}

/// Beside the project, or where the variable says.
fn folder() -> PathBuf {
    if let Some(folder) = std::env::var_os("HEREABOUT_DATA") {
        return folder.into();
    }
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data")
}

fn numbers(text: &str) -> Vec<f64> {
    text.split([',', '[', ']', ' ']).filter_map(|s| s.parse().ok()).collect()
}

fn read(base: &Path, name: &str) -> Option<Set> {
    let site = std::fs::read_to_string(base.join(name).join("site.toml")).ok()?;
    let value = |key: &str| {
        let lines = site.lines().filter_map(move |l| l.split_once(" = ").filter(|(k, _)| *k == key));
        lines.map(|(_, v)| v.to_owned()).collect::<Vec<_>>()
    };
    let height_m: f64 = value("tag_height_m").first()?.parse().ok()?;
    let ids = value("id");
    let mut set = Set {
        setup: FitSetup {
            dimension: Dimension::TwoD { tag_height_m: height_m },
            fence: Fence::default(),
            anchors: Default::default(),
            others: Vec::new(),
        },
        epochs: Vec::new(),
        truth: Vec::new(),
    };
    for at in value("at_m") {
        let v = numbers(&at);
        let anchor = FitAnchor { at_m: [v[0], v[1], v[2]], offset_m: 0.0, scale: 1.0, offset_se_m: None };
        set.setup.anchors.push(anchor);
    }
    let text = std::fs::read_to_string(base.join(name).join("ranges.csv")).ok()?;
    let mut lines = text.lines();
    let wide = lines.next()?.contains("anchor_");
    for line in lines {
        let cells: Vec<&str> = line.split(',').collect();
        let t: f64 = cells[0].parse().ok()?;
        let range =
            |anchor: usize, text: &str| text.parse().ok().map(|raw_range_m| FitRange { anchor, raw_range_m });
        let ranges: Vec<FitRange> = if wide {
            cells[1..].iter().enumerate().filter_map(|(i, c)| range(i, c)).collect()
        } else {
            ids.iter().position(|id| *id == cells[1]).and_then(|i| range(i, cells[2])).into_iter().collect()
        };
        set.epochs.push((t, ranges));
    }
    let text = std::fs::read_to_string(base.join(name).join("truth.csv")).ok()?;
    for line in text.lines().skip(1) {
        let v = numbers(line);
        set.truth.push((v[0], [v[1], v[2], height_m]));
    }
    Some(set)
}

impl Set {
    fn true_at(&self, t: f64) -> Option<[f64; 3]> {
        let after = self.truth.partition_point(|(s, _)| *s < t);
        let (a, b) = (self.truth.get(after.checked_sub(1)?)?, self.truth.get(after)?);
        let part = (t - a.0) / (b.0 - a.0);
        (b.0 - a.0 < 0.5).then(|| std::array::from_fn(|c| a.1[c] + part * (b.1[c] - a.1[c])))
    }

    /// Offsets (and with `scale` the slope) by the truth: medians, and a line through medians of halves.
    fn calibrate(&mut self, scale: bool) {
        let mut seen: BTreeMap<usize, Vec<(f64, f64)>> = BTreeMap::new();
        for (t, ranges) in &self.epochs {
            let Some(at) = self.true_at(*t) else { continue };
            for r in ranges {
                let a = self.setup.anchors[r.anchor].at_m;
                let d = (0..3).map(|c| (a[c] - at[c]).powi(2)).sum::<f64>().sqrt();
                seen.entry(r.anchor).or_default().push((d, r.raw_range_m));
            }
        }
        for (i, mut list) in seen {
            let slope = if scale {
                list.sort_by(|a, b| a.0.total_cmp(&b.0));
                let (near, far) = list.split_at(list.len() / 2);
                (middle(far.iter().map(|p| p.1)) - middle(near.iter().map(|p| p.1)))
                    / (middle(far.iter().map(|p| p.0)) - middle(near.iter().map(|p| p.0)))
            } else {
                1.0
            };
            let a = &mut self.setup.anchors[i];
            a.scale = slope;
            a.offset_m = middle(list.iter().map(|(d, y)| y - slope * d));
            a.offset_se_m = Some(0.03);
        }
    }

    /// Every name that was there, doubts without a name, and the last answer.
    fn run(&self, setup: FitSetup) -> (Vec<Cause>, usize, FitAnswer) {
        let mut fit = SiteFit::new(setup);
        let (mut names, mut unnamed): (Vec<Cause>, usize) = (Vec::new(), 0);
        let mut note = |answer: FitAnswer| {
            if let FitAnswer::Doubted(d) = answer {
                match d.cause {
                    Some(c)
                        if names
                            .last()
                            .is_none_or(|n| std::mem::discriminant(n) != std::mem::discriminant(&c)) =>
                    {
                        names.push(c);
                    }
                    Some(_) => {}
                    None => unnamed += 1,
                }
            }
        };
        for (t, ranges) in &self.epochs {
            fit.take(0, Timestamp::from_micros((t * 1e6) as i64), ranges);
            note(fit.answer());
        }
        fit.settle();
        note(fit.answer());
        (names, unnamed, fit.answer())
    }
}

fn middle(values: impl Iterator<Item = f64>) -> f64 {
    let mut list: Vec<f64> = values.collect();
    list.sort_by(f64::total_cmp);
    list[list.len() / 2]
}

#[test]
fn healthy_recordings_get_no_word() {
    for name in SETS {
        let Some(mut set) = read(&folder(), name) else {
            println!("{name}: skipped, no such data set under {}", folder().display());
            continue;
        };
        let raw = set.run(set.setup.clone());
        set.calibrate(name == "mower");
        let calibrated = set.run(set.setup.clone());
        println!("{name}: raw {:?} {} {:?}", raw.0, raw.1, raw.2);
        println!("{name}: calibrated {:?} {} {:?}", calibrated.0, calibrated.1, calibrated.2);
        assert!(calibrated.0.is_empty() && calibrated.1 == 0, "{name}, calibrated: {calibrated:?}");
        // That the mower's ranges are 6 to 7 % long is true.
        let is_true = |c: &Cause| {
            name == "mower" && matches!(c, Cause::Scale { factor } if (0.92..0.96).contains(factor))
        };
        assert!(raw.0.iter().all(is_true), "{name}, raw: {raw:?}");
        assert!(raw.1 == 0 || name == "mower", "{name}, raw: {raw:?}");
    }
}

#[test]
fn an_anchor_that_is_put_half_a_metre_off_gets_no_wrong_name() {
    let (mut right, mut all) = (0, 0);
    for name in SETS {
        let Some(mut set) = read(&folder(), name) else {
            println!("{name}: skipped, no such data set under {}", folder().display());
            continue;
        };
        set.calibrate(name == "mower");
        let dice = &mut Dice::new(7);
        for i in 0..set.setup.anchors.len() {
            let mut setup = set.setup.clone();
            let way = dice.between(0.0, std::f64::consts::TAU);
            setup.anchors[i].at_m[0] += 0.5 * way.cos();
            setup.anchors[i].at_m[1] += 0.5 * way.sin();
            let (names, unnamed, _) = set.run(setup);
            all += 1;
            let is_right = |c: &Cause| matches!(c, Cause::Place { anchor, .. } if *anchor == i);
            right += usize::from(!names.is_empty());
            println!("{name}, anchor {i}: {names:?}, {unnamed}");
            assert!(names.iter().all(is_right), "{name}, anchor {i} is off: {names:?}");
        }
    }
    println!("{right} of {all} named");
}
