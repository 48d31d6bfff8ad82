//! The recordings, when they are there: none that is healthy gets a word, and no anchor that is put elsewhere gets a wrong one.

use std::collections::BTreeMap;
use std::path::Path;

use hereabout_core::{Dimension, Fence, Timestamp};
use hereabout_solve::fit::{Cause, FitAnchor, FitAnswer, FitRange, FitSetup, SiteFit};

use super::Dice;

#[path = "../../examples/datasets/read.rs"]
mod read;

use read::{folder, interpolate};

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

/// A set with what its site states.
struct Set {
    setup: FitSetup,
    data: read::Set,
}

fn read(base: &Path, name: &str) -> Option<Set> {
    let data = read::read(&base.join(name))?;
    let anchor = |at_m: &[f64; 3]| FitAnchor { at_m: *at_m, offset_m: 0.0, scale: 1.0, offset_se_m: None };
    let setup = FitSetup {
        dimension: Dimension::TwoD { tag_height_m: data.height_m },
        fence: Fence::default(),
        anchors: data.anchors.iter().map(anchor).collect(),
        others: Vec::new(),
    };
    Some(Set { setup, data })
}

impl Set {
    /// Offsets (and with `scale` the slope) by the truth: medians, and a line through medians of halves.
    fn calibrate(&mut self, scale: bool) {
        let mut seen: BTreeMap<usize, Vec<(f64, f64)>> = BTreeMap::new();
        for (t, ranges) in &self.data.rows {
            let Some([x, y, _]) = interpolate(&self.data.truth, *t) else { continue };
            let at = [x, y, self.data.height_m];
            for (anchor, raw_range_m) in ranges {
                let a = self.data.anchors[*anchor];
                let d = (0..3).map(|c| (a[c] - at[c]).powi(2)).sum::<f64>().sqrt();
                seen.entry(*anchor).or_default().push((d, *raw_range_m));
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
        for (t, ranges) in &self.data.rows {
            let range = |(anchor, raw_range_m): &(usize, f64)| FitRange {
                anchor: *anchor,
                raw_range_m: *raw_range_m,
            };
            let ranges: Vec<FitRange> = ranges.iter().map(range).collect();
            fit.take(0, Timestamp::from_micros((t * 1e6) as i64), &ranges);
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
