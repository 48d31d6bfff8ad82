//! What is said of sites that are stated wrongly, and how often positions are checked and wrong meanwhile.
//!
//! `cargo run --release -p hereabout-engine --example site_study -- [--sites 300] [--seconds 240] [--fault NAME] [--hours 0] [--threads 1]`
//!
//! Every fault is tried on so many random sites, in turn 2D and 3D, 4 to 8 anchors. With `--hours` so many hours of healthy sites
//! follow, and every word about places, offsets or the site is a false one.

#[path = "../../tests/fit_kit/mod.rs"]
mod fit_kit;

use std::collections::BTreeMap;
use std::process::ExitCode;

use fit_kit::trial::{Told, trial};
use fit_kit::world::{Fault, USUAL};

const FAULTS: [(&str, Fault); 17] = [
    ("none", Fault::None),
    ("mm for cm", Fault::Unit(10.0)),
    ("m for cm", Fault::Unit(0.01)),
    ("cm for mm", Fault::Unit(0.1)),
    ("feet", Fault::Unit(0.3048)),
    ("scale 1.08", Fault::Scale(1.08)),
    ("swap neighbours", Fault::SwapNeighbours),
    ("swap opposite", Fault::SwapOpposite),
    ("reversed", Fault::Reversed),
    ("shuffled", Fault::Shuffled),
    ("place .3-1", Fault::Place(0.3, 1.0)),
    ("place 1-3", Fault::Place(1.0, 3.0)),
    ("place 3-30", Fault::Place(3.0, 30.0)),
    ("two places 1-10", Fault::TwoPlaces(1.0, 10.0)),
    ("anchor height", Fault::AnchorHeight(2.4)),
    ("tag height 2.4", Fault::TagHeight(2.4)),
    ("tag height .4", Fault::TagHeight(0.4)),
];

/// Sums over the sites of one fault.
#[derive(Default)]
struct Row {
    runs: u32,
    right: u32,
    half: u32,
    wrong: u32,
    alarm: u32,
    none: u32,
    when: Vec<(f64, f64)>,
    frames: u64,
    checked: u64,
    beyond: u64,
    far: u64,
    words: Vec<String>,
}

impl Row {
    fn add(&mut self, told: &Told, label: &str) {
        self.runs += 1;
        self.frames += told.frames;
        self.checked += told.checked;
        self.beyond += told.beyond;
        self.far += told.far;
        if told.frames > 0 && told.beyond as f64 > 0.01 * told.frames as f64 {
            self.words.push(format!(
                "{label}: {} of {} checked and wrong, worst {:.1} m",
                told.beyond, told.frames, told.worst_m
            ));
        }
        if let (None, None, false, Some(words)) = (&told.wrong, told.right, told.half, &told.alarm_words) {
            self.words.push(format!("{label}: alarm {words}"));
        }
        match (&told.wrong, told.right) {
            (Some(words), _) => {
                self.wrong += 1;
                self.words.push(format!("{label}: {words}"));
            }
            (None, Some(when)) => {
                self.right += 1;
                self.when.push(when);
            }
            (None, None) if told.half => self.half += 1,
            (None, None) if told.alarm.is_some() => self.alarm += 1,
            (None, None) => self.none += 1,
        }
    }

    fn print(&mut self, name: &str) {
        let percent = |k: u32| 100.0 * f64::from(k) / f64::from(self.runs.max(1));
        let middle = |mut v: Vec<f64>| {
            v.sort_by(f64::total_cmp);
            v.get(v.len() / 2).copied().unwrap_or(f64::NAN)
        };
        let [s, m] = [
            middle(self.when.iter().map(|w| w.0).collect()),
            middle(self.when.iter().map(|w| w.1).collect()),
        ];
        let share = |k: u64| 100.0 * k as f64 / self.frames.max(1) as f64;
        println!(
            "{name:18} {:5.1} {:5.1} {:5.1} {:5.1} {:5.1} | {s:5.0} {m:5.0} | {:6.2} {:7.4} {:7.4}",
            percent(self.right),
            percent(self.half),
            percent(self.wrong),
            percent(self.alarm),
            percent(self.none),
            share(self.checked),
            share(self.beyond),
            share(self.far),
        );
    }
}

fn main() -> ExitCode {
    let args: Vec<String> = std::env::args().collect();
    let value = |name: &str| args.iter().position(|a| a == name).and_then(|i| args.get(i + 1));
    let number = |name: &str, usual: f64| value(name).and_then(|v| v.parse().ok()).unwrap_or(usual);
    let (sites, seconds, from) =
        (number("--sites", 300.0) as u64, number("--seconds", 240.0), number("--from", 0.0) as u64);
    println!(
        "fault              right  half wrong alarm  none |     s     m | checked  beyond far, % of frames"
    );
    let faults = if sites > 0 { &FAULTS[..] } else { &[] };
    for (name, fault) in faults.iter().filter(|(n, _)| value("--fault").is_none_or(|v| v == n)) {
        for three_d in [false, true] {
            if three_d && matches!(fault, Fault::TagHeight(_))
                || value("--dim").is_some_and(|d| (d == "3") != three_d)
            {
                continue;
            }
            let mut row = Row::default();
            for k in from..from + sites.div_ceil(2) {
                let n = 4 + (k % 5) as usize;
                let label = format!("    {name} {n} anchors seed {k}");
                row.add(&trial(n, three_d, *fault, USUAL, seconds, 7_000 + k), &label);
                eprint!("\r{name} {k}   ");
            }
            eprint!("\r");
            row.print(&format!("{name} {}", if three_d { "3D" } else { "2D" }));
            if value("--words").is_some() {
                row.words.iter().for_each(|w| println!("{w}"));
            }
        }
    }
    let hours = number("--hours", 0.0);
    let mut false_words = 0;
    let runs = hours.ceil() as u64;
    let mut words: BTreeMap<&str, u32> = BTreeMap::new();
    for k in from..from + runs {
        let three_d = value("--dim").map_or(k % 3 == 2, |d| d == "3");
        let told = trial(4 + (k % 5) as usize, three_d, Fault::None, USUAL, 3_600.0, 90_000 + k);
        for (word, times) in &told.words {
            *words.entry(*word).or_insert(0) += times;
        }
        if told.alarm.is_some() {
            false_words += 1;
            println!("healthy hour {k}: {:?} {:?}", told.alarm_words, told.wrong);
        }
    }
    if runs > 0 {
        println!("{runs} healthy hours: {false_words} with a word; words: {words:?}");
    }
    ExitCode::SUCCESS
}
