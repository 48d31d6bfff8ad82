//! The anchor watch on data sets with ground truth, when they are there (`../shared/data`); else "skipped".
//!
//! Offsets: median residual against the truth over the whole set, as a careful calibration would have them. Then
//! nothing may be called moved; and with one anchor's place shifted by 0.5 m in the site it must be suspected or named, wherever
//! the set has travel and anchors enough to tell.
#![expect(clippy::unwrap_used, reason = "tests")]

use std::path::{Path, PathBuf};

use hereabout_core::{
    Anchor, AnchorId, Correction, Dimension, Epoch, RangeReading, Site, SiteDraft, TagId, Timestamp,
    TrackSettings,
};
use hereabout_engine::{AnchorFinding, AnchorTable, Engine, Input, Output, PlaceAnswer};

struct Set {
    ids: Vec<u16>,
    places_m: Vec<[f64; 3]>,
    height_m: f64,
    /// Stamp, (anchor index, raw range).
    rows: Vec<(f64, Vec<(usize, f64)>)>,
    truth: Vec<(f64, [f64; 2])>,
}

fn folder(set: &str) -> Option<PathBuf> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data").join(set);
    if !path.is_dir() {
        println!("{set}: skipped, the data set is not here");
        return None;
    }
    Some(path)
}

fn table(path: &Path) -> (Vec<String>, Vec<Vec<f64>>) {
    let text = std::fs::read_to_string(path).unwrap();
    let mut lines = text.lines();
    let head = lines.next().unwrap().split(',').map(str::to_owned).collect();
    let number = |v: &str| v.trim().parse().unwrap_or(f64::NAN);
    (head, lines.map(|l| l.split(',').map(number).collect()).collect())
}

fn read(path: &Path) -> Set {
    let (mut ids, mut places_m, mut height_m) = (Vec::new(), Vec::new(), 0.0);
    for line in std::fs::read_to_string(path.join("site.toml")).unwrap().lines().map(str::trim) {
        let value = line.split('=').nth(1).unwrap_or("").trim();
        if line.starts_with("tag_height_m") {
            height_m = value.parse().unwrap();
        } else if line.starts_with("id") {
            ids.push(value.parse().unwrap());
        } else if line.starts_with("at_m") {
            let v: Vec<f64> =
                value.trim_matches(['[', ']']).split(',').map(|v| v.trim().parse().unwrap()).collect();
            places_m.push([v[0], v[1], v[2]]);
        }
    }
    let truth = table(&path.join("truth.csv")).1.into_iter().map(|r| (r[0], [r[1], r[2]])).collect();
    let (head, body) = table(&path.join("ranges.csv"));
    let mut rows: Vec<(f64, Vec<(usize, f64)>)> = Vec::new();
    for r in body {
        if head[1] != "anchor" {
            let some = r[1..].iter().copied().enumerate().filter(|m| m.1.is_finite());
            rows.push((r[0], some.collect()));
            continue;
        }
        let one = (ids.iter().position(|id| f64::from(*id) == r[1]).unwrap(), r[2]);
        match rows.last_mut() {
            Some(last) if last.0 == r[0] => last.1.push(one),
            _ => rows.push((r[0], vec![one])),
        }
    }
    Set { ids, places_m, height_m, rows, truth }
}

impl Set {
    /// The truth at an instant, across gaps of less than half a second only.
    fn truth_at(&self, t: f64) -> Option<[f64; 2]> {
        let after = self.truth.partition_point(|r| r.0 < t);
        let (a, b) = (self.truth.get(after.checked_sub(1)?)?, self.truth.get(after)?);
        let share = (t - a.0) / (b.0 - a.0);
        (b.0 - a.0 < 0.5).then(|| [0, 1].map(|i| a.1[i] + share * (b.1[i] - a.1[i])))
    }

    fn offset_m(&self, anchor: usize) -> f64 {
        let at = self.places_m[anchor];
        let residual = |(t, ranges): &(f64, Vec<(usize, f64)>)| {
            let raw = ranges.iter().find(|r| r.0 == anchor)?.1;
            let [x, y] = self.truth_at(*t)?;
            let square = (x - at[0]).powi(2) + (y - at[1]).powi(2) + (self.height_m - at[2]).powi(2);
            Some(raw - square.sqrt())
        };
        let mut list: Vec<f64> = self.rows.iter().filter_map(residual).collect();
        list.sort_by(f64::total_cmp);
        list[list.len() / 2]
    }

    fn site(&self, shifted: Option<(usize, [f64; 2])>) -> Site {
        let anchor = |i: usize| {
            let mut at_m = self.places_m[i];
            if let Some((_, shift)) = shifted.filter(|s| s.0 == i) {
                at_m[0] += shift[0];
                at_m[1] += shift[1];
            }
            let correction = Correction { offset_m: self.offset_m(i), scale: 1.0, offset_se_m: Some(0.02) };
            Anchor {
                id: AnchorId(self.ids[i]),
                name: String::new(),
                at_m,
                range_sigma_m: 0.1,
                slot: None,
                correction,
            }
        };
        let draft = SiteDraft {
            name: "data set".into(),
            dimension: Dimension::TwoD { tag_height_m: self.height_m },
            anchors: (0..self.ids.len()).map(anchor).collect(),
            track: TrackSettings { lost_radius95_m: 5.0, ..TrackSettings::default() },
            range_fields: None,
            ..hereabout_fixtures::draft(&[])
        };
        draft.validate().unwrap().0
    }

    /// Every finding that began about an anchor's place, and the last table.
    fn run(&self, shifted: Option<(usize, [f64; 2])>) -> (Vec<(u16, AnchorFinding)>, AnchorTable, Vec<bool>) {
        let mut engine = Engine::new(self.site(shifted), None);
        let mut begun = Vec::new();
        let mut suspected = vec![false; self.ids.len()];
        for (t, ranges) in &self.rows {
            let reading =
                |&(i, r): &(usize, f64)| RangeReading { anchor: AnchorId(self.ids[i]), raw_range_m: Some(r) };
            let at = Timestamp::from_micros((t * 1e6).round() as i64);
            let readings = ranges.iter().map(reading).collect();
            engine.handle(Input::Epoch(&Epoch::new(at, TagId(0), None, readings)));
            while let Some(output) = engine.poll_output() {
                match output {
                    Output::FindingChanged(c) if !c.over => begun.push((c.anchor.0, c.finding)),
                    Output::Anchors(table) => {
                        for (s, row) in suspected.iter_mut().zip(&table.rows) {
                            *s |= row.place == PlaceAnswer::Contradicted;
                        }
                    }
                    _ => {}
                }
            }
        }
        (begun, engine.anchor_table().unwrap(), suspected)
    }
}

fn about_place(f: &AnchorFinding) -> bool {
    matches!(
        f,
        AnchorFinding::Moved { .. }
            | AnchorFinding::OffsetChanged { .. }
            | AnchorFinding::ReadsLong { .. }
            | AnchorFinding::OneOf { .. }
    )
}

#[test]
fn calibrated_anchors_are_not_called_moved() {
    for name in ["room_moving", "small_square", "yard_los", "yard_nlos"] {
        let Some(path) = folder(name) else { continue };
        let (begun, table, _) = read(&path).run(None);
        println!("{name}: {begun:?}");
        table.rows.iter().for_each(|r| println!("  {} {:?}", r.anchor.0, r.place));
        assert!(!begun.iter().any(|(_, f)| matches!(f, AnchorFinding::Moved { .. })), "{name}: {begun:?}");
    }
}

#[test]
fn half_a_metre_in_the_site_file_is_suspected_or_named() {
    for name in ["room_moving", "yard_los", "yard_nlos"] {
        let Some(path) = folder(name) else { continue };
        let set = read(&path);
        for i in 0..set.ids.len() {
            for shift in [[0.5, 0.0], [0.0, -0.5]] {
                let (begun, table, suspected) = set.run(Some((i, shift)));
                let place: Vec<_> = begun.iter().filter(|(_, f)| about_place(f)).collect();
                println!("{name}: anchor {} by {shift:?}: {suspected:?} {place:?}", set.ids[i]);
                assert!(suspected[i], "{name}: anchor {} by {shift:?}: {:?}", set.ids[i], table.rows[i]);
            }
        }
    }
}
