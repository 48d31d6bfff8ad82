//! Study of "does the whole fit": random sites with one fault each. See `--help`.
#![expect(clippy::print_stdout, clippy::print_stderr, reason = "a study's table and progress")]
#![expect(clippy::disallowed_methods, reason = "the cost of an epoch is measured")]

#[path = "../../tests/fit_world/world.rs"]
#[expect(dead_code, reason = "shared with the small test")]
mod world;

use std::time::Instant;

use world::{FAULTS, TrialCounts, Walk, World, middle, run};

const HELP: &str =
    "fit_study [--sites N] [--first SEED] [--seconds S] [--fault NAME] [--only 2d|3d] [--stand] [--verbose]";

struct Args {
    sites: u64,
    first: u64,
    seconds: f64,
    fault: Option<String>,
    only: Option<String>,
    stand: bool,
    verbose: bool,
}

fn args() -> Option<Args> {
    let mut a =
        Args { sites: 40, first: 1, seconds: 240.0, fault: None, only: None, stand: false, verbose: false };
    let mut list = std::env::args().skip(1);
    while let Some(key) = list.next() {
        match key.as_str() {
            "--sites" => a.sites = list.next()?.parse().ok()?,
            "--first" => a.first = list.next()?.parse().ok()?,
            "--seconds" => a.seconds = list.next()?.parse().ok()?,
            "--fault" => a.fault = Some(list.next()?),
            "--only" => a.only = Some(list.next()?),
            "--stand" => a.stand = true,
            "--verbose" => a.verbose = true,
            _ => return None,
        }
    }
    Some(a)
}

fn main() {
    let Some(a) = args() else {
        eprintln!("{HELP}");
        return;
    };
    println!(
        "| fault | right / wrong / alarm only / none | median s, m to the name | s to the alarm | wrong names | worst, mean µs an epoch |"
    );
    println!("|---|---|---|---|---|---|");
    for three_d in [false, true] {
        let name = if three_d { "3d" } else { "2d" };
        if a.only.as_ref().is_some_and(|o| o != name) {
            continue;
        }
        for (fault_name, fault) in FAULTS {
            if a.fault.as_ref().is_some_and(|f| !fault_name.starts_with(f.as_str())) {
                continue;
            }
            if three_d && fault_name == "tag-height" {
                continue;
            }
            let mut counts = TrialCounts::default();
            for seed in a.first..a.first + a.sites {
                let world = World::new(seed, three_d, fault);
                let mut walk = Walk::new(&world, seed);
                walk.stands = a.stand;
                let start = Instant::now();
                let o = run(&world, &mut walk, a.seconds, || start.elapsed().as_secs_f64());
                if a.verbose {
                    eprintln!(
                        "{name} {fault_name} {seed}: n {} truth {:?} right {:?} wrong {:?} alarm {:?} words {}",
                        world.true_m.len(),
                        world.truth,
                        o.right,
                        o.wrong,
                        o.alarm,
                        o.words
                    );
                }
                counts.add(&o);
            }
            println!(
                "| {name} {fault_name} | {} / {} / {} / {} | {:.0}, {:.0} | {:.0} | {:?} | {:.0}, {:.1} |",
                counts.right,
                counts.wrong,
                counts.alarm,
                counts.none,
                middle(&counts.seconds),
                middle(&counts.metres),
                middle(&counts.alarm_s),
                counts.wrong_names,
                counts.worst_s * 1e6,
                counts.total_s * 1e6 / counts.epochs.max(1) as f64
            );
        }
    }
}
