//! The study behind the figures of zones: seeded hours of a kit in a yard with nine zones, counted against the truth.
//!
//! `cargo run --release -p hereabout-engine --example zone_study` runs 24 simulated hours for each kit (8 and 5
//! anchors, late stretches in 10 and 20 % of the time), then ten times as many near one anchor, at 1, 2, 10 and 40 ranges
//! a second and for a tag that walks (1 m/s) or drives (5 m/s), and prints tables. `--hours N` takes N instead of 24, `--seed N`
//! other seeds, `--rate HZ` and `--speed MPS` run near the anchor with that one only, `--json` prints JSON Lines; `drive`,
//! `rest` or `near` runs that part alone. Progress goes to standard error.
//!
//! *Wrong* is the time in which a standing answer (a report until the next one or its `valid_until`) was off the truth by
//! more than the 95 % radius of the tag's last position (below each row once more by its protection radius, in all), near the anchor by more than half a metre: seconds an
//! hour over all zones, those of them after the first second of a stretch, and the longest stretch in seconds, apart
//! for inside, for inside while the truth was farther out than the zone's margin on top (*beyond*), and for outside. Enters and leaves that were wrong at the moment of the change are counted beside it.

#[path = "../../tests/zone_kit/kit.rs"]
mod kit;
#[path = "../../tests/zone_kit/runs.rs"]
mod runs;

use std::process::ExitCode;

use runs::{Charge, DriveTotals, NearTotals, Wrong, charge, drive, quantile, rest_on_borders};

/// Kits: anchors, share of late ranges.
const KITS: [(usize, f64); 4] = [(8, 0.1), (8, 0.2), (5, 0.1), (5, 0.2)];

/// Near the anchor: ranges a second, metres per second.
const RATES_HZ: [f64; 4] = [10.0, 1.0, 2.0, 40.0];
const SPEEDS_MPS: [f64; 2] = [1.0, 5.0];

struct Options {
    hours: u64,
    seed: u64,
    rate_hz: Option<f64>,
    speed_mps: Option<f64>,
    json: bool,
    only: String,
}

fn options() -> Result<Options, String> {
    let mut o =
        Options { hours: 24, seed: 1_000, rate_hz: None, speed_mps: None, json: false, only: String::new() };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let mut number = || {
            let text = words.next().unwrap_or_default();
            let number = text.parse::<f64>().ok().filter(|n| *n >= 0.0 && n.is_finite());
            number.ok_or_else(|| format!("{word}: expected a number, not \"{text}\""))
        };
        match word.as_str() {
            "--hours" => o.hours = number()?.max(1.0) as u64,
            "--seed" => o.seed = number()? as u64,
            "--rate" => o.rate_hz = Some(number()?.clamp(0.1, 1_000.0)),
            "--speed" => o.speed_mps = Some(number()?),
            "--json" => o.json = true,
            other if !other.starts_with('-') => o.only = other.to_owned(),
            other => {
                return Err(format!(
                    "{other}: known are --hours N, --seed N, --rate HZ, --speed MPS, --json, and drive, rest or near"
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

/// Wrong time as members of a JSON object.
fn wrong_json(wrong: &Wrong, hours: f64) -> String {
    let one = |name, time: runs::WrongTime| {
        format!(
            "\"wrong_{name}_s\":{:.2},\"wrong_{name}_s_per_hour\":{:.4},\"wrong_{name}_after_1s_s\":{:.2},\"wrong_{name}_longest_s\":{:.2}",
            time.total_s,
            time.total_s / hours,
            time.after_1_s,
            time.longest_s
        )
    };
    let [inside, beyond, outside] =
        [("inside", wrong.inside), ("beyond_margin", wrong.beyond), ("outside", wrong.outside)]
            .map(|(name, time)| one(name, time));
    format!("{inside},{beyond},{outside}")
}

/// The same as columns: seconds an hour, of them after the first of a stretch, and the longest stretch.
fn wrong_columns(wrong: &Wrong, hours: f64) -> String {
    let one = |time: runs::WrongTime| {
        format!("{:>6.2} {:>6.2} {:>6.2}", time.total_s / hours, time.after_1_s / hours, time.longest_s)
    };
    format!("{} | {} | {}", one(wrong.inside), one(wrong.beyond), one(wrong.outside))
}

const WRONG_HEAD: &str = "inside   >1 s   most | beyond  >1 s   most | outside  >1 s   most";

fn drives(o: &Options) {
    if !o.json {
        println!("A cart among nine zones; delays in seconds at 1 m/s");
        println!(
            "anchors  late  hours  entries  wrong  early  wrong | {WRONG_HEAD} |  enter  50 %  95 %  99 % |  leave  50 %  95 %  99 % |  unknown"
        );
    }
    for (anchors, late) in KITS {
        let mut sum = DriveTotals::default();
        for hour in 0..o.hours {
            sum.add(drive(anchors, late, 1.0, o.seed + hour));
            eprint!("\r{anchors} anchors, {late} late: {} of {} h ", hour + 1, o.hours);
        }
        eprintln!();
        tell_drive(o, anchors, late, &sum);
    }
}

fn tell_drive(o: &Options, anchors: usize, late: f64, sum: &DriveTotals) {
    let [e, l] = [&sum.enter_s, &sum.leave_s].map(|d| [0.5, 0.95, 0.99].map(|p| quantile(d, p)));
    let unknown = sum.unknown as f64 / sum.reports as f64;
    if o.json {
        println!(
            "{{\"run\":\"drive\",\"anchors\":{anchors},\"late\":{late},\"hours\":{},\"true_entries\":{},\"wrong_enters\":{},\"early_enters\":{},\"wrong_leaves\":{},{},\"enter_n\":{},\"enter_s\":{},\"leave_n\":{},\"leave_s\":{},\"unknown_share\":{unknown:.5},\"changes\":{}}}",
            sum.hours,
            sum.true_entries,
            sum.wrong_enters,
            sum.early_enters,
            sum.wrong_leaves,
            wrong_json(&sum.wrong, sum.hours),
            sum.enter_s.len(),
            list_json(&e),
            sum.leave_s.len(),
            list_json(&l),
            sum.changes
        );
        return;
    }
    println!(
        "{anchors:>7} {late:>5} {:>6} {:>8} {:>6} {:>6} {:>6} | {} | {:>6} {:>5.2} {:>5.2} {:>5.2} | {:>6} {:>5.2} {:>5.2} {:>5.2} | {:>7.3}%",
        sum.hours,
        sum.true_entries,
        sum.wrong_enters,
        sum.early_enters,
        sum.wrong_leaves,
        wrong_columns(&sum.wrong, sum.hours),
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
    let far = [sum.far.inside, sum.far.outside].map(|w| w.total_s);
    println!("        beyond the protection radius: {:.2} s inside, {:.2} s outside in all", far[0], far[1]);
}

/// Numbers for JSON, which has no infinity.
fn list_json(values: &[f64]) -> String {
    let one = |v: &f64| if v.is_finite() { format!("{v:.3}") } else { "null".to_owned() };
    format!("[{}]", values.iter().map(one).collect::<Vec<_>>().join(","))
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
        println!("A zone near the only anchor, one reading in a hundred anywhere; delays in seconds");
        println!(
            "   Hz  m/s  late  hours  enters  leaves  an hour in | {WRONG_HEAD} |  enter  50 %  95 % |  leave  50 %  95 % |  unknown"
        );
    }
    let all = |one: Option<f64>, list: &[f64]| one.map_or(list.to_vec(), |one| vec![one]);
    for rate_hz in all(o.rate_hz, &RATES_HZ) {
        for speed_mps in all(o.speed_mps, &SPEEDS_MPS) {
            for late in [0.1, 0.2] {
                let mut sum = NearTotals::default();
                for run in 0..o.hours {
                    let seed = o.seed + 900_000 + run;
                    sum.add(charge(Charge { late, rate_hz, speed_mps, hours: 10.0, seed }));
                    eprint!(
                        "\r{rate_hz} Hz, {speed_mps} m/s, {late} late: {} of {} h ",
                        10 * (run + 1),
                        10 * o.hours
                    );
                }
                eprintln!();
                tell_near(o, rate_hz, speed_mps, late, &sum);
            }
        }
    }
}

fn tell_near(o: &Options, rate_hz: f64, speed_mps: f64, late: f64, sum: &NearTotals) {
    let [e, l] = [&sum.enter_s, &sum.leave_s].map(|d| [0.5, 0.95].map(|p| quantile(d, p)));
    let rate = sum.wrong_leaves as f64 / sum.inside_hours;
    let unknown = sum.unknown_hours / sum.hours;
    if o.json {
        println!(
            "{{\"run\":\"near\",\"rate_hz\":{rate_hz},\"speed_mps\":{speed_mps},\"late\":{late},\"hours\":{},\"false_enters\":{},\"wrong_leaves\":{},\"wrong_leaves_per_hour_inside\":{rate:.4},{},\"enter_n\":{},\"enter_s\":{},\"leave_n\":{},\"leave_s\":{},\"unknown_share\":{unknown:.5}}}",
            sum.hours,
            sum.false_enters,
            sum.wrong_leaves,
            wrong_json(&sum.wrong, sum.hours),
            sum.enter_s.len(),
            list_json(&e),
            sum.leave_s.len(),
            list_json(&l)
        );
        return;
    }
    println!(
        "{rate_hz:>5} {speed_mps:>4} {late:>5} {:>6} {:>7} {:>7} {rate:>11.3} | {} | {:>6} {:>5.2} {:>5.2} | {:>6} {:>5.2} {:>5.2} | {:>7.3}%",
        sum.hours,
        sum.false_enters,
        sum.wrong_leaves,
        wrong_columns(&sum.wrong, sum.hours),
        sum.enter_s.len(),
        e[0],
        e[1],
        sum.leave_s.len(),
        l[0],
        l[1],
        100.0 * unknown
    );
}
