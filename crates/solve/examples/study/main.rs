//! The study behind the figures: seeded kits, the estimators beside their rivals, one table each.
//!
//! `cargo run --release -p hereabout-solve --example study` (add a word to run only the tables whose name contains it).

mod kit;
mod rivals;
mod snapshots;
mod tracks;

fn main() {
    let only = std::env::args().nth(1).unwrap_or_default();
    let tables: [(&str, fn()); 3] =
        [("snapshot", snapshots::table), ("tracker", tracks::table), ("jumps", tracks::jumps)];
    for (name, table) in tables {
        if name.contains(&only) {
            table();
        }
    }
}
