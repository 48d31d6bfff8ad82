//! The study behind the figures of zones: seeded hours of a kit in a yard with nine zones, counted against the truth.
//!
//! `cargo run --release -p hereabout-engine --example zone_study` runs 24 simulated hours for each kit (8 and 5
//! anchors, late stretches in 10 and 20 % of the time), ten times as many near one anchor, and prints a table. `--hours N`
//! takes N instead of 24, `--seed N` other seeds, `--json` prints JSON Lines. Progress goes to standard error.

#[path = "../../tests/zone_kit/kit.rs"]
mod kit;
#[path = "../../tests/zone_kit/runs.rs"]
mod runs;

use std::process::ExitCode;

use runs::{NearTally, Tally, charge, drive, quantile, rest_on_borders};

/// Kits: anchors, share of late ranges.
const KITS: [(usize, f64); 4] = [(8, 0.1), (8, 0.2), (5, 0.1), (5, 0.2)];

struct Options {
    hours: u64,
    seed: u64,
    json: bool,
    only: String,
}

fn options() -> Result<Options, String> {
    let mut o = Options { hours: 24, seed: 1_000, json: false, only: String::new() };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let mut number = || {
            let text = words.next().unwrap_or_default();
            text.parse::<u64>().map_err(|_| format!("{word}: expected a whole number, not \"{text}\""))
        };
        match word.as_str() {
            "--hours" => o.hours = number()?.max(1),
            "--seed" => o.seed = number()?,
            "--json" => o.json = true,
            other if !other.starts_with('-') => o.only = other.to_owned(),
            other => {
                return Err(format!(
                    "{other}: known are --hours N, --seed N, --json, and drive, rest or near"
                ));
            }
        }
    }
    Ok(o)
}

fn main() -> ExitCode {
    let o = match options() {
        Ok(o) => o,
        Err(e) => {
            eprintln!("{e}");
            return ExitCode::from(64);
        }
    };
    if "drive".contains(&o.only) {
        drives(&o);
    }
    if "rest".contains(&o.only) {
        rests(&o);
    }
    if "near".contains(&o.only) {
        near(&o);
    }
    ExitCode::SUCCESS
}

fn drives(o: &Options) {
    if !o.json {
        println!(
            "A cart among nine zones: wrong is farther off than the protection radius; delays in seconds at 1 m/s"
        );
        println!(
            "{:>7} {:>5} {:>6} {:>8} {:>6} {:>6} {:>6} | {:>6} {:>5} {:>5} {:>5} | {:>6} {:>5} {:>5} {:>5} | {:>8}",
            "anchors",
            "late",
            "hours",
            "entries",
            "wrong",
            "early",
            "wrong",
            "enter",
            "50 %",
            "95 %",
            "99 %",
            "leave",
            "50 %",
            "95 %",
            "99 %",
            "unknown"
        );
    }
    for (anchors, late) in KITS {
        let mut sum = Tally::default();
        for hour in 0..o.hours {
            sum.add(drive(anchors, late, 1.0, o.seed + hour));
            eprint!("\r{anchors} anchors, {late} late: {} of {} h ", hour + 1, o.hours);
        }
        eprintln!();
        let [e, l] = [&sum.enter_s, &sum.leave_s].map(|d| [0.5, 0.95, 0.99].map(|p| quantile(d, p)));
        let unknown = sum.unknown as f64 / sum.reports as f64;
        if o.json {
            println!(
                "{{\"run\":\"drive\",\"anchors\":{anchors},\"late\":{late},\"hours\":{},\"true_entries\":{},\"wrong_enters\":{},\"early_enters\":{},\"wrong_leaves\":{},\"enter_n\":{},\"enter_s\":{e:?},\"leave_n\":{},\"leave_s\":{l:?},\"unknown_share\":{unknown:.5},\"changes\":{}}}",
                sum.hours,
                sum.true_entries,
                sum.wrong_enters,
                sum.early_enters,
                sum.wrong_leaves,
                sum.enter_s.len(),
                sum.leave_s.len(),
                sum.changes
            );
        } else {
            println!(
                "{anchors:>7} {late:>5} {:>6} {:>8} {:>6} {:>6} {:>6} | {:>6} {:>5.2} {:>5.2} {:>5.2} | {:>6} {:>5.2} {:>5.2} {:>5.2} | {:>7.3}%",
                sum.hours,
                sum.true_entries,
                sum.wrong_enters,
                sum.early_enters,
                sum.wrong_leaves,
                sum.enter_s.len(),
                e[0],
                e[1],
                e[2],
                sum.leave_s.len(),
                l[0],
                l[1],
                l[2],
                100.0 * unknown
            );
        }
    }
}

fn rests(o: &Options) {
    if !o.json {
        println!(
            "A tag that stands on a border: changes of state an hour (of them from inside to outside or back)"
        );
    }
    for (anchors, late) in KITS {
        let (mut hours, mut changes, mut flips) = (0.0, 0, 0);
        let mut run = 0;
        while hours < o.hours as f64 {
            let (h, c, f) = rest_on_borders(anchors, late, 20.0, o.seed + 500_000 + run);
            (hours, changes, flips, run) = (hours + h, changes + c, flips + f, run + 1);
            eprint!("\r{anchors} anchors, {late} late: {hours:.0} of {} h ", o.hours);
        }
        eprintln!();
        let (all, over) = (changes as f64 / hours, flips as f64 / hours);
        if o.json {
            println!(
                "{{\"run\":\"rest\",\"anchors\":{anchors},\"late\":{late},\"hours\":{hours},\"changes_per_hour\":{all:.3},\"flips_per_hour\":{over:.3}}}"
            );
        } else {
            println!("{anchors:>7} {late:>5} {hours:>6.0} h {all:>8.2} ({over:.2})");
        }
    }
}

fn near(o: &Options) {
    if !o.json {
        println!(
            "A zone near the only anchor, one reading in a hundred anywhere; delays in seconds at 1 m/s"
        );
        println!(
            "{:>5} {:>6} {:>7} {:>7} {:>12} | {:>6} {:>5} {:>5} | {:>6} {:>5} {:>5} | {:>8}",
            "late",
            "hours",
            "enters",
            "leaves",
            "an hour in",
            "enter",
            "50 %",
            "95 %",
            "leave",
            "50 %",
            "95 %",
            "unknown"
        );
    }
    for late in [0.1, 0.2] {
        let mut sum = NearTally::default();
        for run in 0..o.hours {
            sum.add(charge(late, 10.0, o.seed + 900_000 + run));
            eprint!("\r{late} late: {} of {} h ", 10 * (run + 1), 10 * o.hours);
        }
        eprintln!();
        let [e, l] = [&sum.enter_s, &sum.leave_s].map(|d| [0.5, 0.95].map(|p| quantile(d, p)));
        let rate = sum.wrong_leaves as f64 / sum.inside_hours;
        let unknown = sum.unknown_hours / sum.hours;
        if o.json {
            println!(
                "{{\"run\":\"near\",\"late\":{late},\"hours\":{},\"false_enters\":{},\"wrong_leaves\":{},\"wrong_leaves_per_hour_inside\":{rate:.4},\"enter_n\":{},\"enter_s\":{e:?},\"leave_n\":{},\"leave_s\":{l:?},\"unknown_share\":{unknown:.5}}}",
                sum.hours,
                sum.false_enters,
                sum.wrong_leaves,
                sum.enter_s.len(),
                sum.leave_s.len()
            );
        } else {
            println!(
                "{late:>5} {:>6} {:>7} {:>7} {rate:>12.3} | {:>6} {:>5.2} {:>5.2} | {:>6} {:>5.2} {:>5.2} | {:>7.3}%",
                sum.hours,
                sum.false_enters,
                sum.wrong_leaves,
                sum.enter_s.len(),
                e[0],
                e[1],
                sum.leave_s.len(),
                l[0],
                l[1],
                100.0 * unknown
            );
        }
    }
}
