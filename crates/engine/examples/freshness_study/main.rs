//! The study behind the figures of freshness: hours of healthy kits, with and without a counter and a clock in their
//! frames. Printed are false doubts, and the points that located, checked and zones known lose by the judging.
//!
//! `cargo run --release -p hereabout-engine --example freshness_study` runs 40 simulated hours of each of six kits, 240
//! in all; `--hours N` runs N of each, `--seed N` other seeds, `--json` prints JSON Lines. Progress goes to standard error.

#[path = "../../tests/fresh_kit/healthy.rs"]
#[expect(dead_code, reason = "recordings are for the test")]
mod healthy;
#[path = "../../tests/zone_kit/kit.rs"]
#[expect(dead_code, reason = "the kit has more than this study needs")]
mod kit;

use std::process::ExitCode;

use healthy::{Healthy, LAYOUTS, healthy};

/// Anchors, share of late ranges.
const KITS: [(usize, f64); 2] = [(8, 0.1), (5, 0.2)];

fn main() -> ExitCode {
    let (mut hours, mut seed, mut json) = (40, 5_000, false);
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let mut number = || words.next().and_then(|text| text.parse::<u64>().ok());
        match (word.as_str(), word == "--json") {
            ("--hours", _) => hours = number().unwrap_or(hours).max(1),
            ("--seed", _) => seed = number().unwrap_or(seed),
            (_, true) => json = true,
            _ => {
                eprintln!("{word}: known are --hours N, --seed N and --json");
                return ExitCode::from(64);
            }
        }
    }
    if !json {
        println!(
            "{:<52} {:>7} {:>5} {:>6} {:>8} {:>6} {:>5}  points lost: located, checked, known",
            "frames", "anchors", "hours", "old", "repeated", "frozen", "held"
        );
    }
    for (l, layout) in LAYOUTS.iter().enumerate() {
        for (anchors, late) in KITS {
            let mut sum = Healthy::default();
            for hour in 0..hours {
                sum.add(&healthy(anchors, l, late, 1.0, seed + hour));
                eprint!("\r{layout}, {anchors} anchors: {} of {hours} h ", hour + 1);
            }
            eprintln!();
            tell(layout, anchors, &sum, json);
        }
    }
    ExitCode::SUCCESS
}

fn tell(layout: &str, anchors: usize, sum: &Healthy, json: bool) {
    let ([old, repeated, frozen, unsettled], held, lost) = (sum.doubted, sum.held, sum.lost_points());
    if json {
        println!(
            "{{\"layout\":\"{layout}\",\"anchors\":{anchors},\"hours\":{},\"old\":{old},\"repeated\":{repeated},\"frozen\":{frozen},\"unsettled\":{unsettled},\"held\":{held},\"points_lost\":{lost:?}}}",
            sum.hours
        );
    } else {
        let lost = lost.map(|p| format!("{p:.3}")).join(" ");
        println!(
            "{layout:<52} {anchors:>7} {:>5} {old:>6} {repeated:>8} {frozen:>6} {held:>5}  {lost}",
            sum.hours
        );
    }
}
