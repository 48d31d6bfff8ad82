//! The study behind the figures: seeded kits, the estimators beside their rivals, one table each.
//!
//! `cargo run --release -p hereabout-engine --example study` prints all tables; one or two words run only the
//! tables, and of the tracker's the kits, whose names contain them (`… --example study tracker still`).
//! `--svg FILE` draws instead: truth, track and 95 % ellipses of a minute of one kit, the first whose name contains
//! the word (`… --example study stretches --svg run.svg`).

#[path = "../../../solve/tests/study_kit/kit.rs"]
mod kit;
#[path = "../../../solve/tests/study_kit/rivals.rs"]
mod rivals;
mod snapshots;
mod tracks;

use std::process::ExitCode;

fn main() -> ExitCode {
    let mut words: Vec<String> = std::env::args().skip(1).collect();
    if let Some(i) = words.iter().position(|w| w == "--svg") {
        let Some(path) = words.get(i + 1).cloned() else {
            eprintln!("--svg: which file?");
            return ExitCode::from(64);
        };
        words.drain(i..i + 2);
        return draw(&path, words.first().map_or("", String::as_str));
    }
    let only = words.first().map_or("", String::as_str);
    let kit = words.get(1).map_or("", String::as_str);
    if "snapshot".contains(only) {
        snapshots::table();
    }
    if "tracker".contains(only) {
        tracks::table(kit);
    }
    if "jumps".contains(only) {
        tracks::jumps();
    }
    ExitCode::SUCCESS
}

fn draw(path: &str, only: &str) -> ExitCode {
    let Some((kit, p, _)) = tracks::kits().into_iter().find(|k| k.0.name.contains(only)) else {
        eprintln!("no kit's name contains \"{only}\"");
        return ExitCode::from(64);
    };
    if let Err(e) = std::fs::write(path, tracks::picture(&kit, p).to_svg()) {
        eprintln!("{path}: can't be written: {e}");
        return ExitCode::from(73);
    }
    println!("a minute of \"{}\", share of late ranges {p}, in {path}", kit.name);
    ExitCode::SUCCESS
}
