//! The migrations are compiled in: a change in their folder must rebuild the crate.

fn main() {
    println!("cargo:rerun-if-changed=../../migrations");
}
