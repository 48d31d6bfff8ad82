//! The study behind the figures of the anchor watch, seeded: `cargo run --release -p hereabout-engine --example watch_study`.
//!
//! `--trials N` (default 60) of each kind, `--hours H` (default 24) of nothing wrong, `--runs R` (default 1) of these,
//! `--seed S` (default 1: seeds S, S+1, …), `--only WORD` runs only the parts whose names contain it, `--json` prints one JSON
//! object a line. Progress goes to standard error.

mod trials;
mod world;

use std::process::ExitCode;

use hereabout_engine::FindingChange;
use trials::{Moved, Stop, USUAL};

struct Options {
    trials: u64,
    hours: f64,
    runs: u64,
    seed: u64,
    only: String,
    json: bool,
}

fn main() -> ExitCode {
    let Some(o) = options() else {
        eprintln!("watch_study [--trials N] [--hours H] [--runs R] [--seed S] [--only WORD] [--json]");
        return ExitCode::from(64);
    };
    for (n, by_m) in [(8, 0.5), (8, 0.3), (5, 0.5), (5, 0.3)] {
        let name = format!("moved {by_m} m, {n} anchors");
        if name.contains(&o.only) {
            moved(&o, &name, n, by_m);
        }
    }
    for (n, space, many, by_m, warm_m) in [
        (8, false, 1, 0.3, 0.0),
        (8, false, 1, 0.5, 0.0),
        (8, false, 1, 1.0, 0.0),
        (8, false, 1, 3.0, 0.0),
        (5, false, 1, 0.5, 0.0),
        (8, false, 2, 0.5, 0.0),
        (8, false, 2, 2.0, 0.0),
        (8, true, 1, 0.5, 0.0),
        (8, true, 1, 2.0, 0.0),
        (8, false, 1, 1.0, 150.0),
        (8, true, 1, 1.0, 150.0),
    ] {
        let when = if warm_m > 0.0 { "live" } else { "from the start" };
        let room = if space { " in space" } else { "" };
        let name = format!("elsewhere {by_m} m {when}, {many} of {n} anchors{room}");
        elsewhere(&o, &name, warm_m, |seed| trials::faults(n, space, many, by_m, seed));
    }
    let lowered = |n: usize, seed: u64| trials::Faults {
        n,
        space: false,
        of: vec![(seed as usize % n, [0.0, 0.0, -2.4])],
    };
    elsewhere(&o, "height 2.4 m too low from the start, 1 of 8 anchors", 0.0, |seed| lowered(8, seed));
    for n in [8, 5] {
        seconds(&o, &format!("duplicate id, {n} anchors"), |seed| trials::duplicate(n, seed));
        seconds(&o, &format!("silent, {n} anchors"), |seed| trials::silent(n, seed));
        for stop in [Stop::Tag, Stop::AnchorsOneByOne, Stop::AnchorsButOne] {
            let name = format!("stopped: {stop:?}, {n} anchors");
            if name.contains(&o.only) {
                let right = (0..o.trials).filter(|k| trials::stopped(n, stop, o.seed + k)).count();
                tell(&o, &name, &[("trials", o.trials as f64), ("right", right as f64)]);
            }
        }
    }
    if "drifting".contains(&o.only) {
        let (m, se) = trials::drifting(8, 12.0, o.seed).unwrap_or((f64::NAN, f64::NAN));
        tell(&o, "drifting 0.24 m a day, 12 h", &[("told m per day", m), ("standard error", se)]);
    }
    for n in [8, 5] {
        let name = format!("false alarms, {n} anchors");
        if name.contains(&o.only) {
            false_alarms(&o, &name, n);
        }
    }
    ExitCode::SUCCESS
}

fn options() -> Option<Options> {
    let mut o = Options { trials: 60, hours: 24.0, runs: 1, seed: 1, only: String::new(), json: false };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        match word.as_str() {
            "--json" => o.json = true,
            "--trials" => o.trials = words.next()?.parse().ok()?,
            "--hours" => o.hours = words.next()?.parse().ok()?,
            "--runs" => o.runs = words.next()?.parse().ok()?,
            "--seed" => o.seed = words.next()?.parse().ok()?,
            "--only" => o.only = words.next()?,
            _ => return None,
        }
    }
    Some(o)
}

/// One line of figures.
fn tell(o: &Options, name: &str, figures: &[(&str, f64)]) {
    let round = |v: f64| (1e4 * v).round() / 1e4;
    if o.json {
        let list: Vec<String> = figures
            .iter()
            .map(
                |(k, v)| {
                    if v.is_finite() { format!("\"{k}\":{}", round(*v)) } else { format!("\"{k}\":null") }
                },
            )
            .collect();
        println!("{{\"part\":\"{name}\",{}}}", list.join(","));
    } else {
        let list: Vec<String> = figures.iter().map(|(k, v)| format!("{k} {}", round(*v))).collect();
        println!("{name}: {}", list.join(", "));
    }
}

fn moved(o: &Options, name: &str, n: usize, by_m: f64) {
    let mut results: Vec<Moved> = Vec::new();
    for k in 0..o.trials {
        results.push(trials::moved(n, by_m, USUAL, 1_800.0, o.seed + k));
        if k % 10 == 9 {
            eprintln!("{name}: {} of {}", k + 1, o.trials);
        }
    }
    let count = |f: fn(&Moved) -> bool| results.iter().filter(|r| f(r)).count() as f64;
    let sorted = |f: fn(&Moved) -> Option<f64>| {
        let mut list: Vec<f64> = results.iter().filter_map(f).collect();
        list.sort_by(f64::total_cmp);
        list
    };
    let figures = [
        ("trials", o.trials as f64),
        ("alarm", count(|r| r.alarm_m.is_some())),
        ("rightly named", count(|r| r.named_m.is_some() && !r.wrong)),
        ("wrong name", count(|r| r.wrong)),
        ("before the move", count(|r| r.early)),
        ("alarm after m", quantile(&sorted(|r| r.alarm_m), 0.5)),
        ("named after m", quantile(&sorted(|r| r.named_m), 0.5)),
        ("said moved", count(|r| r.size_error_m.is_some())),
        ("size error m", quantile(&sorted(|r| r.size_error_m), 0.5)),
        ("90 % of it", quantile(&sorted(|r| r.size_error_m), 0.9)),
        ("direction error deg", quantile(&sorted(|r| r.direction_error_deg), 0.5)),
        ("90 % of that", quantile(&sorted(|r| r.direction_error_deg), 0.9)),
    ];
    tell(o, name, &figures);
}

fn elsewhere(o: &Options, name: &str, warm_m: f64, faults: impl Fn(u64) -> trials::Faults) {
    if !name.contains(&o.only) {
        return;
    }
    let run = |k: u64| trials::elsewhere(&faults(o.seed + k), USUAL, warm_m, 600.0, o.seed + k);
    let results: Vec<trials::Elsewhere> = (0..o.trials).map(run).collect();
    let sorted = |f: &dyn Fn(&trials::Elsewhere) -> Vec<f64>| {
        let mut list: Vec<f64> = results.iter().flat_map(f).collect();
        list.sort_by(f64::total_cmp);
        list
    };
    let count = |f: fn(&trials::Elsewhere) -> bool| results.iter().filter(|r| f(r)).count() as f64;
    let named = sorted(&|r| r.named_m.iter().flatten().copied().collect());
    let placed = sorted(&|r| r.placed_m.iter().flatten().copied().collect());
    let error = sorted(&|r| r.error_m.into_iter().collect());
    let figures = [
        ("trials", o.trials as f64),
        ("anchors named", named.len() as f64),
        ("told as a place", placed.len() as f64),
        ("told as an offset", count(|r| r.offset)),
        ("wrong name", count(|r| r.wrong)),
        ("others one of several", count(|r| r.one_of)),
        ("withdrawn", count(|r| r.withdrawn)),
        ("named after m", quantile(&named, 0.5)),
        ("place after m", quantile(&placed, 0.5)),
        ("error m", quantile(&error, 0.5)),
        ("90 % of it", quantile(&error, 0.9)),
    ];
    tell(o, name, &figures);
}

fn seconds(o: &Options, name: &str, trial: impl Fn(u64) -> Option<f64>) {
    if !name.contains(&o.only) {
        return;
    }
    let mut list: Vec<f64> = (0..o.trials).filter_map(|k| trial(o.seed + k)).collect();
    list.sort_by(f64::total_cmp);
    let figures = [
        ("trials", o.trials as f64),
        ("told", list.len() as f64),
        ("median s", quantile(&list, 0.5)),
        ("90 % s", quantile(&list, 0.9)),
        ("most s", quantile(&list, 1.0)),
    ];
    tell(o, name, &figures);
}

fn false_alarms(o: &Options, name: &str, n: usize) {
    let mut alarms = 0;
    for run in 0..o.runs {
        let seed = o.seed + 1_000 * (run + 1) + n as u64;
        let found = trials::false_alarms(n, o.hours, seed, |h| eprintln!("{name}: run {run}, {h} h"));
        for alarm in &found {
            eprintln!("{name}: run {run}: {alarm:?}");
        }
        alarms += incidents(&found);
    }
    let hours = o.hours * o.runs as f64;
    let per_day = 24.0 * alarms as f64 / hours;
    tell(o, name, &[("hours", hours), ("alarms", alarms as f64), ("per 24 h", per_day)]);
}

/// Alarms, where all that is said within ten minutes of the last word is one: "one of these" has a word for each.
fn incidents(found: &[FindingChange]) -> usize {
    let apart = |pair: &[FindingChange]| pair[1].at.since(pair[0].at).secs_f64() > 600.0;
    usize::from(!found.is_empty()) + found.windows(2).filter(|pair| apart(pair)).count()
}

/// Hyndman-Fan type 7.
fn quantile(sorted: &[f64], p: f64) -> f64 {
    let Some(last) = sorted.len().checked_sub(1) else { return f64::NAN };
    let at = p * last as f64;
    let low = at.floor() as usize;
    sorted[low] + (at - low as f64) * (sorted[(low + 1).min(last)] - sorted[low])
}
