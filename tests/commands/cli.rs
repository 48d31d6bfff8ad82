//! The commands that end by themselves: check, simulate, listen, replay, and the help.

use std::path::Path;

use crate::support::nursery;
use crate::support::{root, run};
use serde_json::Value;

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

#[test]
fn every_command_has_help_with_examples() {
    let commands =
        ["run", "check", "calibrate", "verify", "listen", "learn", "start", "replay", "report", "simulate"];
    for command in commands {
        let (out, _, code) = run(&[command, "--help"]);
        assert_eq!(code, 0);
        assert!(out.contains("Examples:") && out.contains(&format!("hereabout {command}")), "{out}");
    }
    let (out, _, code) = run(&["--help"]);
    assert_eq!(code, 0);
    assert!(out.contains("Not a safety component") && out.contains("Exit codes"), "{out}");
    let (_, words, code) = run(&["walk"]);
    assert_eq!(code, 64, "{words}");
}

#[test]
fn the_demo_site_passes_check() {
    let site = root().join("examples/larkfield/site.toml");
    let (out, _, code) = run(&["check", text(&site)]);
    assert_eq!(code, 0, "{out}");
    assert!(out.contains("Larkfield nursery") && out.contains("roller door"), "{out}");
    let (out, _, code) = run(&["check", text(&site), "--json"]);
    assert_eq!(code, 0);
    let facts: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(facts["ok"], true);
    let (out, _, code) = run(&["check", "no/such/site.toml", "--json"]);
    assert_eq!(code, 78);
    assert_eq!(serde_json::from_str::<Value>(&out).unwrap()["ok"], false);
    assert_eq!(run(&["check", "no/such/site.toml"]).2, 66);
}

/// Who reads the first lines alone (`| head`) hears nothing of pipes. The exit code of a replay or a report says that it is
/// not whole; a check has its own.
#[test]
fn a_reader_that_goes_away_ends_a_command_quietly() {
    let folder = tempfile::tempdir().unwrap();
    let capture = demo_capture(folder.path(), "30");
    let site = root().join("examples/larkfield/site.toml");
    let (site, capture) = (text(&site), text(&capture));
    let port = format!("file://{capture}?pace=max");
    let cases: [(i32, &[&str]); 10] = [
        (0, &["--help"]),
        (0, &["run", "--help"]),
        (0, &["check", site, "--json"]),
        (0, &["learn", capture]),
        (0, &["replay", capture, "--site", site, "--frame-period", "100ms", "--json"]),
        (0, &["check", site]),
        (0, &["listen", site, "--port", &port, "--json"]),
        (0, &["learn", capture, "--json"]),
        (74, &["replay", capture, "--site", site, "--frame-period", "100ms", "--out", "-"]),
        (74, &["report", "--site", site, "--out", "-"]),
    ];
    for (code, args) in cases {
        let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_hereabout"));
        command.args(args).stdout(std::process::Stdio::piped()).stderr(std::process::Stdio::piped());
        let mut child = command.spawn().unwrap();
        drop(child.stdout.take());
        let out = child.wait_with_output().unwrap();
        let words = String::from_utf8_lossy(&out.stderr);
        assert!(!words.contains("os error") && !words.contains("panicked"), "{args:?}: {words}");
        assert_eq!(out.status.code(), Some(code), "{args:?}: {words}");
    }
}

/// Simulates the demo for a while into `folder`; the capture's path.
fn demo_capture(folder: &Path, seconds: &str) -> std::path::PathBuf {
    let out = folder.join("demo.bin");
    let scenario = root().join("examples/larkfield/scenario.toml");
    let (_, words, code) = run(&["simulate", text(&scenario), "--out", text(&out), "--seconds", seconds]);
    assert_eq!(code, 0, "{words}");
    out
}

#[test]
fn a_simulated_capture_replays_to_where_the_cart_was() {
    let folder = tempfile::tempdir().unwrap();
    let capture = demo_capture(folder.path(), "60");
    let site = root().join("examples/larkfield/site.toml");
    let truth = folder.path().join("demo.truth.csv");
    let fixes = folder.path().join("fixes.jsonl");
    let args = ["replay", text(&capture), "--site", text(&site), "--truth", text(&truth), "--json"];
    let (out, words, code) = run(&[&args[..], &["--out", text(&fixes)]].concat());
    assert_eq!(code, 0, "{words}");
    let summary: Value = serde_json::from_str(&out).unwrap();
    let accuracy = &summary["accuracy"];
    // 600 frames, of which the scenario damages a few in a thousand.
    assert!((590..=600).contains(&summary["epochs"].as_u64().unwrap()), "{summary}");
    assert!(accuracy["share_with_fix"].as_f64().unwrap() > 0.95, "{summary}");
    let ce50 = accuracy["ce50_m"].as_f64().unwrap();
    assert!(ce50 > 0.005 && ce50 < 0.15, "{summary}");
    let rows = std::fs::read_to_string(&fixes).unwrap();
    // Of the first second one report says that how old its frames are is not known.
    assert!(rows.lines().count() >= 580);
    for row in rows.lines() {
        assert!(!row.contains("age_s"), "in replay the age is left out: {row}");
        assert_eq!(serde_json::from_str::<Value>(row).unwrap()["type"], "position");
    }
    let (table, _, _) = run(&args[..args.len() - 1]);
    assert!(table.contains("CE95") && table.contains("share with fix"), "{table}");
}

#[test]
fn a_replay_draws_its_picture() {
    let folder = tempfile::tempdir().unwrap();
    let capture = demo_capture(folder.path(), "60");
    let site = root().join("examples/larkfield/site.toml");
    let truth = folder.path().join("demo.truth.csv");
    let picture = folder.path().join("run.svg");
    let args = ["replay", text(&capture), "--site", text(&site), "--svg", text(&picture)];
    let (_, words, code) = run(&args);
    assert_eq!(code, 0, "{words}");
    let without = std::fs::read_to_string(&picture).unwrap();
    assert!(!without.contains("class=\"truth\""));

    let (_, words, code) = run(&[&args[..], &["--truth", text(&truth)]].concat());
    assert_eq!(code, 0, "{words}");
    let svg = std::fs::read_to_string(&picture).unwrap();
    assert!(svg.starts_with("<svg xmlns=\"http://www.w3.org/2000/svg\"") && svg.ends_with("</svg>\n"));
    assert!(svg.contains("<title>Larkfield nursery</title>"), "{svg}");
    for class in ["area", "truth", "track", "ellipse", "anchor"] {
        assert!(svg.contains(&format!("class=\"{class}\"")), "no {class}");
    }
    // Eight anchors and the one of the legend; every tag that is opened is closed.
    assert_eq!(svg.matches("class=\"anchor\"").count(), 9);
    assert_eq!(svg.matches("<g ").count() + svg.matches("<g>").count(), svg.matches("</g>").count());
    // The cart goes its rounds for a minute at 10 frames a second: a track of some hundred places.
    let track = svg.lines().filter(|l| l.contains("class=\"track\"")).map(|l| l.matches('L').count());
    assert!(track.sum::<usize>() > 400, "{svg}");

    let nowhere = folder.path().join("no/such/run.svg");
    let (_, words, code) = run(&[&args[..5], &[text(&nowhere)]].concat());
    assert_eq!(code, 73, "{words}");
    assert!(words.contains("run.svg: can't be written"), "{words}");
}

#[test]
fn a_capture_without_times_needs_a_frame_period() {
    let folder = tempfile::tempdir().unwrap();
    let capture = demo_capture(folder.path(), "10");
    std::fs::remove_file(folder.path().join("demo.times.csv")).unwrap();
    let site = root().join("examples/larkfield/site.toml");
    let args = ["replay", text(&capture), "--site", text(&site), "--out", "-"];
    let (_, words, code) = run(&args);
    assert_eq!(code, 64);
    assert!(words.contains("--frame-period 100ms"), "{words}");
    let (out, words, code) = run(&[&args[..], &["--frame-period", "100ms"]].concat());
    assert_eq!(code, 0, "{words}");
    let rows: Vec<Value> = out.lines().map(|row| serde_json::from_str(row).unwrap()).collect();
    assert_eq!(rows[0]["time"], "1970-01-01T00:00:00.000000Z");
    assert_eq!(rows[0]["no_fix"]["code"], "age_unknown");
    assert_eq!(rows[1]["time"], "1970-01-01T00:00:01.000000Z", "after a second it is known");
    assert_eq!(rows[2]["time"], "1970-01-01T00:00:01.100000Z");
}

#[test]
fn wide_and_long_tables_replay_to_the_same_positions() {
    let folder = tempfile::tempdir().unwrap();
    let mut wide = "time_s,anchor_0_m,anchor_1_m,anchor_2_m,anchor_3_m,anchor_4_m,anchor_5_m\n".to_owned();
    let mut long = "time_s,anchor,range_m\n".to_owned();
    for frame in nursery::frames(5.0) {
        let at_s = frame.epoch.at;
        wide += &at_s.to_string();
        for range in &frame.epoch.ranges {
            let word = range.raw_m.ok().map_or(String::new(), |r| format!("{r:.3}"));
            wide += &format!(",{word}");
            long += &format!("{at_s},{},{word}\n", range.anchor);
        }
        wide += "\n";
    }
    // A site without [source] and [frame] is enough for tables.
    let site = nursery::site(folder.path(), "/dev/null");
    let site_text = std::fs::read_to_string(&site).unwrap();
    let (head, rest) = site_text.split_once("[source]").unwrap();
    let (_, anchors) = rest.split_once("[log]").unwrap();
    std::fs::write(&site, format!("{head}[log]{anchors}")).unwrap();
    let replayed = |name: &str, table: &str| {
        let path = folder.path().join(name);
        std::fs::write(&path, table).unwrap();
        let (out, words, code) = run(&["replay", text(&path), "--site", text(&site), "--out", "-"]);
        assert_eq!(code, 0, "{words}");
        (out, words)
    };
    let (from_wide, _) = replayed("wide.csv", &wide);
    let (from_long, _) = replayed("long.csv", &long);
    assert_eq!(from_wide.lines().count(), 50);
    assert_eq!(from_wide, from_long);

    let third_row = wide.lines().nth(2).unwrap();
    let (_, words) = replayed("rubbish.csv", &wide.replacen(third_row, "yesterday,1,2,3", 1));
    assert!(words.contains("rubbish.csv:3: \"yesterday\" is not a time"), "{words}");
    assert!(words.contains("49 epochs") && words.contains("1 rows could not be read"), "{words}");

    let path = folder.path().join("header.csv");
    std::fs::write(&path, "t,a,b\n1,2,3\n").unwrap();
    let (_, words, code) = run(&["replay", text(&path), "--site", text(&site)]);
    assert_eq!(code, 65);
    assert!(words.contains("header.csv:1:") && words.contains("time_s,anchor,range_m"), "{words}");
}

#[test]
fn a_log_of_a_replay_replays_to_the_same_positions() {
    let folder = tempfile::tempdir().unwrap();
    let capture = demo_capture(folder.path(), "60");
    let site = root().join("examples/larkfield/site.toml");
    let log = folder.path().join("again.db");
    let args = ["replay", text(&capture), "--site", text(&site), "--out", "-", "--log", text(&log)];
    let (once, words, code) = run(&args);
    assert_eq!(code, 0, "{words}");
    let (again, words, code) = run(&["replay", text(&log), "--out", "-"]);
    assert_eq!(code, 0, "{words}");
    assert_eq!(once, again);
}

#[test]
fn listen_shows_frames_for_people_and_for_programs() {
    let folder = tempfile::tempdir().unwrap();
    let capture = demo_capture(folder.path(), "10");
    let site = root().join("examples/larkfield/site.toml");
    let source = format!("file://{}?pace=max", capture.display());
    let args = ["listen", text(&site), "--source", &source];
    let (out, words, code) = run(&args);
    assert_eq!(code, 0, "{words}");
    assert_eq!(
        out.lines().filter(|l| !l.contains("per second")).count(),
        101,
        "a header and 100 frames: {out}"
    );
    let widths: Vec<usize> = out.lines().map(str::len).collect();
    assert!(widths.iter().all(|w| *w == widths[0]), "aligned: {out}");
    assert!(words.contains("100 good frames"), "{words}");

    let (out, _, _) = run(&[&args[..], &["--json", "--frames", "5"]].concat());
    assert_eq!(out.lines().count(), 5);
    let row: Value = serde_json::from_str(out.lines().next().unwrap()).unwrap();
    assert_eq!(row["type"], "frame");
    assert!(row["range_m"]["1"].as_f64().unwrap() > 0.1, "{row}");

    let mut bytes = std::fs::read(&capture).unwrap();
    bytes[10] ^= 0xFF;
    std::fs::write(&capture, bytes).unwrap();
    let (out, _, _) = run(&[&args[..], &["--raw"]].concat());
    assert!(
        out.lines().any(|l| l.starts_with("bad ")) && out.lines().any(|l| l.starts_with("good ")),
        "{out}"
    );
}
