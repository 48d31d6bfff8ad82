//! The house rules that a compiler does not keep: which crate may import which, what pure crates must
//! not depend on, and what stands at the top of the tree.

use std::collections::BTreeSet;
use std::path::Path;

use cargo_metadata::{DependencyKind, Metadata, MetadataCommand};

mod circles;

/// Crate, and the crates of ours that it may import.
const MAY_IMPORT: &[(&str, &[&str])] = &[
    ("hereabout-core", &[]),
    ("hereabout-wire", &["hereabout-core"]),
    ("hereabout-solve", &["hereabout-core"]),
    ("hereabout-commission", &["hereabout-core", "hereabout-solve"]),
    ("hereabout-engine", &["hereabout-core", "hereabout-wire", "hereabout-solve", "hereabout-commission"]),
    ("hereabout-words", ESTIMATION),
    ("hereabout-draw", &["hereabout-core"]),
    (FIXTURES, &["hereabout-core"]),
    ("hereabout-sim", ESTIMATION),
    ("hereabout-ingest", ESTIMATION),
    ("hereabout-store", ESTIMATION),
    ("hereabout-api", PURE),
    (
        "hereabout",
        &[
            "hereabout-core",
            "hereabout-wire",
            "hereabout-solve",
            "hereabout-commission",
            "hereabout-engine",
            "hereabout-words",
            "hereabout-draw",
            "hereabout-sim",
            "hereabout-ingest",
            "hereabout-store",
            "hereabout-api",
        ],
    ),
];

/// What tests of several crates stand on.
const FIXTURES: &str = "hereabout-fixtures";

/// What tests, benches and studies of any crate may use besides.
const FOR_TESTS: &[&str] = &[FIXTURES, "hereabout-commission", "hereabout-draw", "hereabout-words"];

/// Pure crates that compute.
const ESTIMATION: &[&str] =
    &["hereabout-core", "hereabout-wire", "hereabout-solve", "hereabout-commission", "hereabout-engine"];

/// Crates without I/O, clock, logging and async: those, and the two that make words and pictures of what they found.
const PURE: &[&str] = &[
    "hereabout-core",
    "hereabout-wire",
    "hereabout-solve",
    "hereabout-commission",
    "hereabout-engine",
    "hereabout-words",
    "hereabout-draw",
];

/// The calendar of the words: it prints instants, and its clock and zones are banned by that crate's `clippy.toml`.
const ALLOWED_ALL_THE_SAME: (&str, &str) = ("hereabout-words", "jiff");

/// What a pure crate must not lean on.
const NOT_PURE: &[&str] =
    &["tokio", "tracing", "log", "futures-util", "sqlx", "axum", "jiff", "rand", "mio", "libc"];

fn metadata() -> Metadata {
    let manifest = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../Cargo.toml");
    MetadataCommand::new()
        .manifest_path(manifest)
        .no_deps()
        .other_options(vec!["--offline".into()])
        .exec()
        .unwrap()
}

#[test]
fn every_crate_imports_only_what_the_table_allows() {
    let metadata = metadata();
    let found: BTreeSet<String> = metadata.packages.iter().map(|p| p.name.to_string()).collect();
    let known: BTreeSet<String> = MAY_IMPORT.iter().map(|(n, _)| (*n).to_owned()).collect();
    assert_eq!(found, known, "the table names every crate of the workspace");
    for package in &metadata.packages {
        let allowed = MAY_IMPORT.iter().find(|(n, _)| package.name.as_str() == *n).unwrap().1;
        for dependency in &package.dependencies {
            let name = dependency.name.as_str();
            let for_tests = dependency.kind == DependencyKind::Development && FOR_TESTS.contains(&name);
            assert!(name != FIXTURES || for_tests, "{}: {FIXTURES} is for tests alone", package.name);
            if name.starts_with("hereabout") && !for_tests {
                assert!(allowed.contains(&name), "{} must not import {name}", package.name);
            }
        }
    }
}

#[test]
fn pure_crates_lean_on_nothing_that_does_io() {
    for package in metadata().packages.iter().filter(|p| PURE.contains(&p.name.as_str())) {
        for dependency in package.dependencies.iter().filter(|d| d.kind == DependencyKind::Normal) {
            let name = dependency.name.as_str();
            assert!(
                !NOT_PURE.contains(&name) || (package.name.as_str(), name) == ALLOWED_ALL_THE_SAME,
                "{} uses {}",
                package.name,
                dependency.name
            );
        }
        let lints = package.manifest_path.parent().unwrap().join("clippy.toml");
        let text = std::fs::read_to_string(lints).unwrap();
        for banned in ["Instant::now", "SystemTime::now", "HashMap", "HashSet", "hypot"] {
            assert!(text.contains(banned), "{}: clippy.toml bans {banned}", package.name);
        }
    }
}

#[test]
fn the_top_level_holds_what_it_is_meant_to() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let meant = ["crates", "migrations", "deploy", "tests", "examples", "target"];
    for entry in std::fs::read_dir(&root).unwrap() {
        let entry = entry.unwrap();
        let name = entry.file_name().into_string().unwrap();
        if entry.file_type().unwrap().is_dir() && !name.starts_with('.') {
            assert!(meant.contains(&name.as_str()), "no folder {name} at the top");
        }
    }
    for file in ["README.md", "DEVELOPERS.md", "LICENSE-MIT", "LICENSE-APACHE", "deny.toml", ".ci/run"] {
        assert!(root.join(file).is_file(), "{file} is missing");
    }
}

/// More files than this beside each other are a heap, not a shelf.
const MAX_FILES_IN_A_FOLDER: usize = 14;

/// Whoever looks for something sees each folder whole.
#[test]
fn no_folder_holds_more_files_than_one_look_takes_in() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let mut folders = vec![root.join("crates"), root.join("tests"), root.join("examples")];
    let mut heaps = Vec::new();
    while let Some(folder) = folders.pop() {
        let mut sources = 0;
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                sources += 1;
            }
        }
        if sources > MAX_FILES_IN_A_FOLDER {
            heaps.push(format!("{}: {sources}", folder.display()));
        }
    }
    assert!(heaps.is_empty(), "folders with more than {MAX_FILES_IN_A_FOLDER} files:\n{}", heaps.join("\n"));
}

/// A map that names rooms which are gone leads nowhere.
#[test]
fn every_path_of_the_developers_map_exists_and_it_stays_short() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let map = std::fs::read_to_string(root.join("DEVELOPERS.md")).unwrap();
    let lines = map.lines().count();
    assert!(lines < 180, "{lines} lines: a map is read whole");
    const ROOTS: [&str; 6] = ["crates", "tests", "examples", "migrations", "deploy", ".ci"];
    let mut files: Vec<String> = ROOTS.map(|folder| format!("/{folder}")).into();
    let mut folders: Vec<_> = ROOTS.map(|folder| root.join(folder)).into();
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            files.push(format!("/{}", path.strip_prefix(&root).unwrap().display()));
            if path.is_dir() {
                folders.push(path);
            }
        }
    }
    const ENDINGS: [&str; 7] = [".rs", ".md", ".json", ".sql", ".py", ".html", "/"];
    let is_path = |word: &&str| {
        let plain = word.chars().all(|c| c.is_ascii_alphanumeric() || "_-./".contains(c));
        plain && ENDINGS.iter().any(|ending| word.ends_with(ending))
    };
    let named = map.split('`').skip(1).step_by(2).filter(is_path);
    let missing: BTreeSet<&str> = named
        .filter(|word| !files.iter().any(|file| file.ends_with(&format!("/{}", word.trim_end_matches('/')))))
        .collect();
    assert!(missing.is_empty(), "DEVELOPERS.md names what is not there: {missing:?}");
}

/// Who reads one module of a circle has to read them all.
#[test]
fn no_modules_beside_each_other_use_each_other_in_a_circle() {
    let crates = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let found = circles::circles(&crates);
    assert!(found.is_empty(), "circles between modules:\n{}", found.join("\n"));
}

/// The reading finds a circle through a re-export, a macro and a brace group, and none where a child uses its parent.
#[test]
fn a_circle_is_found_whichever_way_it_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let src = folder.path().join("one/src");
    std::fs::create_dir_all(src.join("deep")).unwrap();
    let write = |name: &str, text: &str| std::fs::write(src.join(name), text).unwrap();
    write("lib.rs", "mod a; mod b; mod c; mod deep; pub use b::{Other as Renamed, Thing};");
    write("a.rs", "use crate::Renamed; pub struct A(Renamed);");
    write("b.rs", "pub struct Other; pub struct Thing; fn f() { println!(\"{}\", crate::c::text()); }");
    write("c.rs", "use super::{a::{self, A}, deep}; pub fn text() -> u8 { 0 }");
    write("deep.rs", "mod child; pub struct Deep; fn f() { child::g(); }");
    write("deep/child.rs", "use super::Deep; pub fn g() {} #[cfg(test)] mod tests { use crate::c::text; }");
    assert_eq!(circles::circles(folder.path()), ["one: : a <-> b <-> c"]);
}
