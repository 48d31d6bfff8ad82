//! The tracker on data sets with ground truth, one tuning for all: `cargo run --release -p hereabout-solve
//! --example datasets [FOLDER]`. Prints "skipped" for a data set that isn't there.
//!
//! Offsets: `room_moving` from `room_static`'s spots (mean over spots of the median residual); the others from
//! the first third of the set, graded on the rest. `plaza2` is made by `plaza2.py` beside this file; its ranges are
//! scaled there, for they are 7 % long.

mod dataset;

use dataset::{Outcome, evaluate, folder};

fn main() {
    let base = std::env::args().nth(1).map_or_else(folder, Into::into);
    println!("horizontal RMSE / CE95 / largest in metres (aims in brackets)");
    println!(
        "{:<13} {:>23} {:>21} {:>8} {:>8} {:>7} {:>7} {:>8} {:>6} {:>9}",
        "set", "tracker", "aim", "ellipse%", "P(e>R)", "med R", "share%", "flips", "rest.", "delayed"
    );
    for (set, aim) in [
        ("room_moving", ".060 / .100 / .15"),
        ("small_square", ".130 / .250 / .45"),
        ("yard_los", ".39 / .77 / 1.7"),
        ("yard_nlos", ".31 / .64 / 1.2"),
        ("plaza2", ".80 / 1.46 / 3.8"),
    ] {
        match evaluate(&base, set) {
            None => println!("{set:<13} skipped: no such data set under {}", base.display()),
            Some(o) => row(set, aim, &o),
        }
    }
}

fn row(set: &str, aim: &str, o: &Outcome) {
    println!(
        "{set:<13} {:>7.3} /{:>6.3} /{:>6.3} {aim:>21} {:>8.1} {:>8.4} {:>7.2} {:>7.1} {:>8} {:>6} {:>9.3}   sigma {:.3?} se {:.3?}",
        o.rmse_m,
        o.ce95_m,
        o.most_m,
        100.0 * o.held,
        o.over_protection,
        o.median_protection_m,
        100.0 * o.share,
        o.flips,
        o.restarts,
        o.delayed_rmse_m,
        o.sigma_m,
        o.offset_se_m,
    );
}
