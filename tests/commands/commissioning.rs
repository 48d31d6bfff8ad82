//! Commissioning from outside: calibrate, verify, restore, over recordings of the simulated kit and live
//! through a pseudo-terminal. The truth is the simulator's own; the bars are the project's (2.2 cm RMS from
//! five places of a minute).

use std::io::{BufRead, BufReader, Read, Write};
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;

use crate::support::{Daemon, Line, Live, hereabout, run, wait_for, without_age};
use hereabout_sim::{FrameText, Kit, Nlos, Scenario, SimAnchor, SimFrame, SimTag};
use rustix::process::Signal;
use serde_json::Value;

const LAYOUT: &str = "c3 5a seq:u8 range:u16le*8 sum8";
/// Six boards round the yard.
const PLACES_M: [[f64; 3]; 6] = *hereabout_fixtures::YARD_M.first_chunk().unwrap();
/// What they really read too long.
const OFFSETS_M: [f64; 6] = [0.12, -0.05, 0.08, -0.11, 0.23, 0.0];
/// Where the tag stands, one after the other: five places to calibrate at, five to check at.
const SPOTS_M: [[f64; 2]; 10] = [
    [4.0, 3.0],
    [20.0, 3.5],
    [19.0, 11.0],
    [4.0, 11.0],
    [12.0, 6.0],
    [8.0, 4.0],
    [16.0, 5.5],
    [17.0, 10.0],
    [9.0, 11.0],
    [5.0, 7.0],
];
const STAY_S: f64 = 30.0;
/// 2026-05-04T09:00:00Z, the simulator's usual start, in Unix seconds.
const START_S: f64 = 1_777_885_200.0;

fn scenario(path_m: &[[f64; 2]], seconds: f64) -> Scenario {
    let anchor = |(i, at_m): (usize, &[f64; 3])| SimAnchor {
        id: i as u16,
        at_m: *at_m,
        offset_m: OFFSETS_M[i],
        ..SimAnchor::default()
    };
    Scenario {
        seed: 31,
        duration_s: Some(seconds),
        frame: Some(FrameText { layout: Some(LAYOUT.into()), unit: "cm".into(), ..FrameText::default() }),
        anchors: PLACES_M.iter().enumerate().map(anchor).collect(),
        tags: vec![SimTag {
            path_m: path_m.iter().map(|p| p.to_vec()).collect(),
            height_m: Some(0.9),
            speed_mps: 1.0,
            pause_s: vec![STAY_S; path_m.len()],
            ..SimTag::default()
        }],
        nlos: Nlos { share: 0.1, ..Nlos::default() },
        ..Scenario::default()
    }
}

/// A yard in a folder of its own: site file, a recording of a walk over all spots, and tables of them.
struct Yard {
    folder: tempfile::TempDir,
}

impl Yard {
    fn new() -> Yard {
        let yard = Yard { folder: tempfile::tempdir().unwrap() };
        yard.site("/dev/null", &PLACES_M, "");
        yard
    }

    /// With the walk recorded.
    fn recorded() -> Yard {
        let yard = Yard::new();
        yard.record(&scenario(&SPOTS_M, 420.0), |_, _| 0.0);
        yard.spots("cal.csv", 0..5, [0.0, 0.0]);
        yard.spots("check.csv", 5..10, [0.0, 0.0]);
        yard
    }

    /// Records a scenario; `excess_m` is by how much the path from a place (east, north) to an anchor is too long.
    fn record(&self, scenario: &Scenario, excess_m: impl Fn([f64; 2], usize) -> f64) {
        let mut rows =
            vec!["time_s,anchor_0_m,anchor_1_m,anchor_2_m,anchor_3_m,anchor_4_m,anchor_5_m".to_owned()];
        for frame in Kit::new(scenario).unwrap() {
            let [e, n, _] = frame.epoch.truth_m;
            let cell = |(i, r): (usize, &hereabout_sim::SimRange)| {
                r.raw_m.map_or(String::new(), |m| format!("{:.2}", m + excess_m([e, n], i)))
            };
            let cells: Vec<String> = frame.epoch.ranges.iter().enumerate().map(cell).collect();
            rows.push(format!("{:.4},{}", frame.epoch.at.unix_secs_f64(), cells.join(",")));
        }
        std::fs::write(self.path("walk.csv"), rows.join("\n") + "\n").unwrap();
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn text(&self, name: &str) -> String {
        self.path(name).display().to_string()
    }

    fn site(&self, port: &str, places_m: &[[f64; 3]], more: &str) -> PathBuf {
        let mut text = format!(
            "[site]\nname = \"Larkfield yard\"\ndimension = \"2d\"\ntag_height_m = 0.9\n{more}\n\
             area_m = [[0.0, 0.0], [24.0, 0.0], [24.0, 14.0], [0.0, 14.0]]\n\n[source]\nport = \"{port}\"\n\n\
             [frame]\nlayout = \"{LAYOUT}\"\nunit = \"cm\"\nno_range = 0\n\n[log]\npath = \"yard.db\"\n"
        );
        for (i, [e, n, u]) in places_m.iter().enumerate() {
            text += &format!("\n[[anchor]]\nid = {i}\nname = \"board {i}\"\nat_m = [{e:?}, {n:?}, {u:?}]\n");
        }
        let path = self.path("site.toml");
        std::fs::write(&path, text).unwrap();
        path
    }

    /// A spots table of these places; the first one is written `shift_m` beside where the tag stood.
    fn spots(&self, name: &str, which: std::ops::Range<usize>, shift_m: [f64; 2]) {
        self.spots_of(name, which, shift_m, STAY_S);
    }

    /// The same with another stay at each place.
    fn spots_of(&self, name: &str, which: std::ops::Range<usize>, shift_m: [f64; 2], stay_s: f64) {
        let mut text = "name,from_s,to_s,x_m,y_m,z_m\n".to_owned();
        let mut from_s = START_S;
        for (i, [e, n]) in SPOTS_M.iter().enumerate() {
            if which.contains(&i) {
                let shift = if i == which.start { shift_m } else { [0.0; 2] };
                let (e, n) = (e + shift[0], n + shift[1]);
                text += &format!("spot {i},{:.1},{:.1},{e},{n},\n", from_s + 0.5, from_s + stay_s - 0.5);
            }
            let next = SPOTS_M[(i + 1) % SPOTS_M.len()];
            from_s += stay_s + ((next[0] - e).powi(2) + (next[1] - n).powi(2)).sqrt();
        }
        std::fs::write(self.path(name), text).unwrap();
    }

    /// Runs a command on the site; standard output as JSON, standard error, exit code.
    fn json(&self, command: &str, more: &[&str]) -> (Value, String, i32) {
        let site = self.text("site.toml");
        let args = [&[command, site.as_str()], more, &["--json"]].concat();
        let (out, words, code) = run(&args);
        (serde_json::from_str(&out).unwrap_or(Value::Null), words, code)
    }

    fn calibration(&self) -> Option<String> {
        std::fs::read_to_string(self.path("calibration.toml")).ok()
    }

    fn calibrate(&self, spots: &str, more: &[&str]) -> (Value, String, i32) {
        let (spots, walk) = (self.text(spots), self.text("walk.csv"));
        self.json("calibrate", &[&["--spots", spots.as_str(), "--input", walk.as_str()], more].concat())
    }

    fn verify(&self, spots: &str) -> (Value, String, i32) {
        let (spots, walk) = (self.text(spots), self.text("walk.csv"));
        self.json("verify", &["--spots", &spots, "--input", &walk])
    }
}

/// RMS of the found offsets against the simulator's, metres.
fn rms_off(result: &Value) -> f64 {
    let anchors = result["anchors"].as_array().unwrap();
    let square = |a: &Value| {
        let id = a["id"].as_u64().unwrap() as usize;
        (a["offset_m"].as_f64().unwrap() - OFFSETS_M[id]).powi(2)
    };
    (anchors.iter().map(square).sum::<f64>() / anchors.len() as f64).sqrt()
}

fn notes(result: &Value) -> String {
    result["notes"].to_string()
}

#[test]
fn calibrate_then_verify_passes_and_undoing_it_does_not() {
    let yard = Yard::recorded();
    yard.site("/dev/null", &PLACES_M, "required_ce95_m = 0.08");
    let (before, _, code) = yard.verify("check.csv");
    assert_eq!((before["verdict"].as_str(), code), (Some("failed"), 1), "uncalibrated: {before}");

    let (dry, words, code) = yard.calibrate("cal.csv", &["--dry-run"]);
    assert_eq!((code, dry["written"].clone(), yard.calibration()), (0, Value::Null, None), "{words}");

    let (found, words, code) = yard.calibrate("cal.csv", &[]);
    assert_eq!(code, 0, "{words}");
    assert_eq!(found["anchors"].as_array().unwrap().len(), 6);
    let off = rms_off(&found);
    assert!(off < 0.022 && off > 1e-5, "{off}: {found}");
    for a in found["anchors"].as_array().unwrap() {
        // Half a minute can have somebody in the way for a third of it: such a stand is rightly refused.
        assert!(a["stands_used"].as_u64() >= Some(3) && a["taken"] == true, "{found}");
    }
    let text = yard.calibration().unwrap();
    assert!(text.contains("method = \"tag at 5 known places\"") && text.contains("[[place]]"), "{text}");

    let (proof, words, code) = yard.verify("check.csv");
    assert_eq!(code, 0, "{words} {proof}");
    assert!(proof["verdict"].as_str().unwrap().starts_with("passed"), "{proof}");
    assert_eq!(proof["checkpoints"].as_array().unwrap().len(), 5);
    let ce95 = proof["ce95"]["observed_m"].as_f64().unwrap();
    assert!(ce95 < 0.08 && ce95 > 0.001, "{proof}");
    let (again, _, _) = yard.verify("cal.csv");
    assert!(notes(&again).contains("was used for the calibration"), "{again}");

    // The same at another day: the change is reported, the file before is kept and comes back.
    let (second, _, _) = yard.calibrate("check.csv", &[]);
    assert!(second["anchors"][0]["change_m"].as_f64().unwrap().abs() < 0.05, "{second}");
    assert_ne!(yard.calibration().unwrap(), text);
    let (_, words, code) = run(&["calibrate", &yard.text("site.toml"), "--restore"]);
    assert_eq!((code, yard.calibration()), (0, Some(text)), "{words}");
    let (_, words, code) = run(&["calibrate", &yard.text("site.toml"), "--restore"]);
    assert_eq!((code, yard.calibration()), (0, None), "before the first one there was none: {words}");
    let (_, words, code) = run(&["calibrate", &yard.text("site.toml"), "--restore"]);
    assert_eq!(code, 66, "nothing is left to go back to: {words}");
}

/// An anchor that hangs three metres from where the site file has it would get an offset that hides it.
#[test]
fn no_offset_is_written_while_a_place_of_the_site_file_is_wrong() {
    let yard = Yard::recorded();
    let mut places = PLACES_M;
    (places[4][0], places[4][1]) = (9.5, 12.5);
    yard.site("/dev/null", &places, "max_offset_m = 5.0");
    let (found, words, code) = yard.calibrate("cal.csv", &[]);
    assert_eq!((code, yard.calibration()), (65, None), "{words} {found}");
    assert!(words.contains("ranges and site file don't fit each other"), "{words}");
    assert_eq!(found["notes"][0]["code"], "site_does_not_fit", "{found}");
    assert_eq!(found["site_fit"]["cause"]["place"]["anchor"], 4, "{found}");
    assert!(found["anchors"].as_array().unwrap().iter().all(|a| a["taken"] == false), "{found}");
    let (proof, _, _) = yard.verify("check.csv");
    assert_eq!(proof["site_fit"]["cause"]["kind"], "place", "{proof}");
    assert_eq!(
        (&proof["notes"][0]["code"], &proof["code"]),
        (&"site_does_not_fit".into(), &"not_asked".into()),
        "{proof}"
    );
    assert!(found["anchors"].as_array().unwrap().iter().all(|a| a["code"].is_string()), "{found}");
    assert!(notes(&proof).contains("ranges and site file don't fit"), "{proof}");
}

#[test]
fn the_table_is_for_people_and_a_wrong_coordinate_is_named() {
    let yard = Yard::recorded();
    yard.spots("wrong.csv", 0..6, [0.0, 0.4]);
    let (site, spots, walk) = (yard.text("site.toml"), yard.text("wrong.csv"), yard.text("walk.csv"));
    let (out, words, code) = run(&["calibrate", &site, "--spots", &spots, "--input", &walk, "--dry-run"]);
    assert_eq!(code, 0, "{words}");
    assert!(out.lines().next().unwrap().contains("6 places"), "{out}");
    assert!(out.contains("board 4") && out.contains("5/6"), "{out}");
    assert!(out.contains("did not stand at spot 0 as stated") && out.contains("-0.4"), "{out}");
    assert!(words.contains("nothing was written"), "{words}");
}

/// A calibration at five places of a minute, in which the path from `anchor` to `spot` is `excess_m` too long.
fn blocked_yard(seed: u64, late_share: f64, (spot, anchor): (usize, usize), excess_m: f64) -> Value {
    let yard = Yard::new();
    let mut walk = scenario(&SPOTS_M[..5], 420.0);
    walk.seed = seed;
    walk.nlos.share = late_share;
    walk.tags[0].pause_s = vec![60.0; 5];
    let near = |a: [f64; 2], b: [f64; 2]| (a[0] - b[0]).abs() + (a[1] - b[1]).abs() < 0.01;
    yard.record(&walk, |at, i| if i == anchor && near(at, SPOTS_M[spot]) { excess_m } else { 0.0 });
    yard.spots_of("blocked.csv", 0..5, [0.0, 0.0], 60.0);
    let (found, words, code) = yard.calibrate("blocked.csv", &["--dry-run"]);
    assert_eq!(code, 0, "{words}");
    found
}

#[test]
fn a_pair_without_a_direct_path_is_named_and_costs_the_offsets_nothing() {
    // Excesses as late ranges have them: 0.2 m plus an exponential of mean 0.6 m, here its eighths.
    let (mut named, mut blamed, mut pairs) = (0, 0, 0);
    for seed in 0..8_u64 {
        let (spot, anchor) = ((seed * 7 % 5) as usize, (seed * 11 % 6) as usize);
        let excess_m = 0.2 - 0.6 * (1.0 - (seed as f64 + 0.5) / 8.0).ln();
        let found = blocked_yard(seed, 0.1, (spot, anchor), excess_m);
        assert!(rms_off(&found) <= 0.01, "{found}");
        let notes = found["notes"].as_array().unwrap();
        for note in notes {
            // Every note has all the keys, whatever it is about.
            let keys: Vec<&str> = note.as_object().unwrap().keys().map(String::as_str).collect();
            let all = ["anchor", "code", "excess_m", "excess_se_m", "spot", "text", "todo", "what"];
            assert_eq!(keys.len(), all.len(), "{note}");
            assert!(all.iter().all(|k| keys.contains(k)) && note["code"].is_string(), "{note}");
        }
        pairs += 29;
        for note in notes.iter().filter(|n| !n["spot"].is_null() && !n["anchor"].is_null()) {
            let right = note["spot"] == format!("spot {spot}") && note["anchor"] == anchor;
            blamed += usize::from(!right);
            if right && note["code"] == "no_direct_path" {
                named += 1;
                assert!((note["excess_m"].as_f64().unwrap() - excess_m).abs() < 0.03, "{note} {excess_m}");
                assert!(note["excess_se_m"].as_f64().unwrap() < 0.1, "{note}");
                assert!(note["text"].as_str().unwrap().contains(&format!("no direct path to spot {spot}")));
                assert_eq!(found["anchors"][anchor]["taken"], true, "{found}");
                assert_ne!(found["anchors"][anchor]["stands_used"], 5, "{found}");
            }
        }
    }
    assert!(named >= 8 && blamed * 50 <= pairs, "named {named} of 8, blamed {blamed} of {pairs}");
}

#[test]
fn notes_say_what_kind_they_are_and_what_they_are_about() {
    let yard = Yard::recorded();
    yard.spots("wrong.csv", 0..6, [0.0, 0.4]);
    let (found, _, _) = yard.calibrate("wrong.csv", &["--dry-run"]);
    let with = |found: &Value, code: &str| {
        let all = found["notes"].as_array().unwrap();
        all.iter().find(|n| n["code"] == code).cloned().unwrap_or_else(|| panic!("{code}: {found}"))
    };
    let note = with(&found, "wrong_spot");
    assert_eq!((note["spot"].as_str(), note["anchor"].clone()), (Some("spot 0"), Value::Null), "{note}");
    yard.spots("one.csv", 0..1, [0.0, 0.0]);
    let (found, _, _) = yard.calibrate("one.csv", &["--dry-run"]);
    let note = with(&found, "one_place");
    assert_eq!((note["spot"].clone(), note["anchor"].clone()), (Value::Null, Value::Null), "{note}");
    let short = format!("name,from_s,to_s,x_m,y_m,z_m\nbench,{START_S:.1},{:.1},4,3,\n", START_S + 5.0);
    std::fs::write(yard.path("short.csv"), short).unwrap();
    let (found, _, _) = yard.calibrate("short.csv", &["--dry-run"]);
    let note = with(&found, "too_few_ranges");
    assert_eq!((note["spot"].as_str(), note["anchor"].as_u64()), (Some("bench"), Some(0)), "{note}");
    assert_eq!(note["text"], note["what"]);
    with(&found, "nothing_measured");
}

#[test]
fn verify_names_the_anchor_that_is_wrong() {
    let yard = Yard::recorded();
    assert_eq!(yard.calibrate("cal.csv", &[]).2, 0);
    let mut places = PLACES_M;
    places[2][0] -= 0.5;
    yard.site("/dev/null", &places, "");
    let (proof, words, code) = yard.verify("check.csv");
    assert_eq!(code, 0, "nothing is required: {words}");
    let notes = notes(&proof);
    assert!(notes.contains("anchor 2 (board 2) is not where the site file says"), "{proof}");
    let (out, _, _) = run(&[
        "verify",
        &yard.text("site.toml"),
        "--spots",
        &yard.text("check.csv"),
        "--input",
        &yard.text("walk.csv"),
    ]);
    assert!(out.contains("CE95") && out.contains("95 % ellipses held") && out.contains("spot 7"), "{out}");
}

#[test]
fn bad_spots_files_are_told_with_line_and_column() {
    let yard = Yard::recorded();
    let cases = [
        ("name,from,to,x_m,y_m,z_m\n", ":1:6: \"from\""),
        ("", ":1:1: the file is empty"),
        ("name,from_s,to_s,x_m,y_m,z_m\n", ":2:1: there is no spot"),
        ("name,from_s,to_s,x_m,y_m,z_m\na,0,30,4,3,\nb,20,50,4,3,\n", ":3:3: b begins at 20"),
        ("name,from_s,to_s,x_m,y_m,z_m\na,0,30,4,3,\n", ":2:1: a lies outside the recording"),
    ];
    for (text, told) in cases {
        std::fs::write(yard.path("bad.csv"), text).unwrap();
        for command in ["calibrate", "verify"] {
            let (spots, walk) = (yard.text("bad.csv"), yard.text("walk.csv"));
            let (_, words, code) = yard.json(command, &["--spots", &spots, "--input", &walk]);
            assert_eq!(code, 65, "{command} {text:?}: {words}");
            assert!(words.contains(&format!("bad.csv{told}")), "{words}");
        }
    }
    assert_eq!(yard.calibration(), None);
    let (_, words, code) = yard.calibrate("nothing.csv", &[]);
    assert_eq!(code, 66, "{words}");
}

#[test]
fn wrong_uses_are_told_before_anything_is_heard() {
    let yard = Yard::recorded();
    let walk = yard.text("walk.csv");
    for (args, told) in [
        (&["calibrate"][..], "--at"),
        (&["calibrate", "--anchor", "2"], "--distance"),
        (&["calibrate", "--anchor", "9", "--distance", "1"], "no such anchor"),
        (&["calibrate", "--anchor", "2", "--distance", "0"], "not a distance"),
        (&["calibrate", "--anchor", "2", "--distance", "1", "--height-difference", "up"], "not a height"),
        (&["calibrate", "--at", "3"], "two or three numbers"),
        (&["calibrate", "--at", "3;4"], "not numbers"),
        (&["calibrate", "--at", "3,4", "--seconds", "0"], "not a time to stand"),
        (&["calibrate", "--at", "3,4", "--at", "5,6", "--input", &walk], "--spots"),
        (&["verify"], "--at"),
        (&["verify", "--at", "3,4", "--source", "x", "--input", &walk], "cannot be used with"),
    ] {
        let site = yard.text("site.toml");
        let (_, words, code) = run(&[&[args[0], &site], &args[1..]].concat());
        assert_eq!(code, 64, "{args:?}: {words}");
        assert!(words.contains(told), "{args:?}: {words}");
    }
}

#[test]
fn refused_stands_keep_what_there_was_and_say_why() {
    let yard = Yard::recorded();
    assert_eq!(yard.calibrate("cal.csv", &[]).2, 0);
    let before = yard.calibration();
    let short = format!("name,from_s,to_s,x_m,y_m,z_m\nbench,{START_S:.1},{:.1},4,3,\n", START_S + 5.0);
    std::fs::write(yard.path("short.csv"), short).unwrap();
    let (found, words, code) = yard.calibrate("short.csv", &[]);
    assert_eq!(code, 65, "{words}");
    assert!(notes(&found).contains("are too few, 100 are needed"), "{found}");
    assert_eq!(yard.calibration(), before);
    // A scale is asked for at one place.
    yard.spots("one.csv", 0..1, [0.0, 0.0]);
    let (found, words, code) = yard.calibrate("one.csv", &["--scale"]);
    assert_eq!(code, 65, "{words}");
    assert!(notes(&found).contains("a scale can't be told"), "{found}");
    let (found, _, code) = yard.calibrate("one.csv", &["--dry-run"]);
    assert_eq!(code, 0);
    assert!(notes(&found).contains("one place"), "{found}");
}

/// A site of one board, and what it hears of a tag 3 m along the floor and 1 m lower.
#[test]
fn one_board_is_calibrated_on_a_stand_without_coordinates() {
    let yard = Yard::new();
    let site = yard.site("/dev/null", &PLACES_M[..1], "");
    let mut rows = "time_s,anchor,range_m\n".to_owned();
    for frame in Kit::new(&scenario(&[[3.0, 0.0]], 30.0)).unwrap() {
        if let Ok(m) = frame.epoch.ranges[0].raw_m {
            rows += &format!("{:.3},0,{m:.2}\n", frame.epoch.at_s);
        }
    }
    std::fs::write(yard.path("stand.csv"), rows).unwrap();
    let input = yard.text("stand.csv");
    // 2.6 m minus 0.9 m is in the site file.
    for height in ["1.7", "site"] {
        let args = ["--anchor", "0", "--distance", "3.0", "--height-difference", height, "--input", &input];
        let (found, words, code) = yard.json("calibrate", &args);
        assert_eq!(code, 0, "{words}");
        assert!((found["anchors"][0]["offset_m"].as_f64().unwrap() - OFFSETS_M[0]).abs() < 0.02, "{found}");
    }
    let text = std::fs::read_to_string(site.with_file_name("calibration.toml")).unwrap();
    assert!(text.contains("method = \"stand at 3.448 m\""), "{text}");
    let (out, _, _) = run(&["check", &yard.text("site.toml")]);
    assert!(out.contains("offset +0.1"), "{out}");
}

/// Sends frames of a tag that stands at `spot` until told otherwise.
fn stand(line: &mut Line, spot: [f64; 2], mut go_on: impl FnMut() -> bool) {
    let frames: Vec<SimFrame> = Kit::new(&scenario(&[spot], 60.0)).unwrap().collect();
    for frame in frames.iter().cycle() {
        if !go_on() {
            return;
        }
        line.send(&frame.bytes);
        std::thread::sleep(Duration::from_millis(5));
    }
}

fn live(yard: &Yard, more: &[&str]) -> std::process::Child {
    let site = yard.text("site.toml");
    let args = [&["calibrate", site.as_str()], more].concat();
    let mut command = hereabout(&args);
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap()
}

/// Lines of a child's standard error as they come.
fn lines_of(child: &mut std::process::Child) -> std::sync::mpsc::Receiver<String> {
    let (tx, rx) = std::sync::mpsc::channel();
    let stderr = BufReader::new(child.stderr.take().unwrap());
    std::thread::spawn(move || stderr.lines().map_while(Result::ok).for_each(|l| drop(tx.send(l))));
    rx
}

#[test]
fn live_it_waits_at_each_place_and_measures_there() {
    let yard = Yard::new();
    let port = yard.path("port");
    let mut line = Line::new(&port);
    yard.site(port.to_str().unwrap(), &PLACES_M, "");
    let mut child = live(&yard, &["--at", "4.0,3.0", "--at", "20.0,3.5", "--seconds", "4", "--json"]);
    let told = lines_of(&mut child);
    let mut stdin = child.stdin.take().unwrap();
    let mut said = Vec::new();
    // Until the first place is done, then until the second one is.
    for (spot, until) in [(SPOTS_M[0], "4.0,3.0 done"), (SPOTS_M[1], "20.0,3.5 done")] {
        stand(&mut line, spot, || {
            let new: Vec<String> = told.try_iter().collect();
            if new.iter().any(|l| l.contains("2 of 2: put the tag at 20.0,3.5")) && spot != SPOTS_M[1] {
                said.extend(new);
                return false;
            }
            if spot == SPOTS_M[1] && !said.iter().any(|l| l == "line sent") {
                said.push("line sent".into());
                stdin.write_all(b"\n").unwrap();
            }
            let done = new.iter().any(|l| l.contains(until));
            said.extend(new);
            !(done && spot == SPOTS_M[1])
        });
    }
    let mut out = String::new();
    child.stdout.take().unwrap().read_to_string(&mut out).unwrap();
    assert!(child.wait().unwrap().success(), "{said:?}");
    let found: Value = serde_json::from_str(&out).unwrap();
    assert!(rms_off(&found) < 0.03, "{found}");
    assert!(found["anchors"].as_array().unwrap().iter().all(|a| a["stands_used"] == 2), "{found}");
    assert!(yard.calibration().is_some());
}

/// A kit on a pseudo-terminal whose tag stands at one of [`SPOTS_M`] until it is carried to another.
struct Stands {
    spot: Arc<AtomicUsize>,
    stop: Arc<AtomicBool>,
}

impl Stands {
    fn on(mut line: Line) -> Stands {
        let stands = Stands { spot: Arc::default(), stop: Arc::default() };
        let (spot, stop) = (stands.spot.clone(), stands.stop.clone());
        std::thread::spawn(move || {
            while !stop.load(Ordering::Relaxed) {
                let at = spot.load(Ordering::Relaxed);
                stand(&mut line, SPOTS_M[at], || {
                    spot.load(Ordering::Relaxed) == at && !stop.load(Ordering::Relaxed)
                });
            }
        });
        stands
    }

    fn carry_to(&self, spot: usize) {
        self.spot.store(spot, Ordering::Relaxed);
    }
}

impl Drop for Stands {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
    }
}

#[test]
fn the_tour_calibrate_verify_report_run_on_one_live_kit() {
    let yard = Yard::new();
    let port = yard.path("port");
    let kit = Stands::on(Line::new(&port));
    let site = yard.site(port.to_str().unwrap(), &PLACES_M, "required_ce95_m = 0.30");

    let mut child = live(
        &yard,
        &["--at", "4.0,3.0", "--at", "20.0,3.5", "--at", "19.0,11.0", "--seconds", "4", "--json"],
    );
    let told = lines_of(&mut child);
    let mut stdin = child.stdin.take().unwrap();
    for line in told.iter() {
        for (k, prompt) in ["2 of 3: put the tag at", "3 of 3: put the tag at"].iter().enumerate() {
            if line.contains(prompt) {
                kit.carry_to(k + 1);
                // What is still in the line was measured at the place before.
                std::thread::sleep(Duration::from_millis(500));
                stdin.write_all(b"\n").unwrap();
            }
        }
    }
    let mut out = String::new();
    child.stdout.take().unwrap().read_to_string(&mut out).unwrap();
    assert!(child.wait().unwrap().success(), "{out}");
    let found: Value = serde_json::from_str(&out).unwrap();
    assert!(rms_off(&found) < 0.03, "{found}");

    kit.carry_to(4);
    // The line holds the frames that nobody has read since: of the place before, if this machine is slow.
    let (_, words, code) = run(&["listen", site.to_str().unwrap(), "--seconds", "1", "--json"]);
    assert_eq!(code, 0, "{words}");
    let (proof, words, code) = yard.json("verify", &["--at", "12.0,6.0", "--seconds", "4"]);
    assert_eq!(code, 0, "{words}: {proof}");
    let page = yard.text("report.html");
    let (_, words, code) = run(&["report", "--site", site.to_str().unwrap(), "--out", &page]);
    assert_eq!(code, 0, "{words}");
    let page = std::fs::read_to_string(page).unwrap();
    for line in yard.calibration().unwrap().lines().filter_map(|l| l.strip_prefix("offset_m = ")) {
        assert!(page.contains(&format!("{:+.3}", line.parse::<f64>().unwrap())), "{line}");
    }

    let daemon = Daemon::start(&site, &[]);
    let position = wait_for("a position", || daemon.position_in("located"));
    let at = |i: usize| position["position_m"][i].as_f64().unwrap() - SPOTS_M[4][i];
    assert!((at(0) * at(0) + at(1) * at(1)).sqrt() < 0.30, "{position}");
    daemon.stop();
}

#[test]
fn ctrl_c_and_the_end_of_input_leave_the_old_file_untouched() {
    let yard = Yard::new();
    let port = yard.path("port");
    let mut line = Line::new(&port);
    yard.site(port.to_str().unwrap(), &PLACES_M, "");
    let old = "[[anchor]]\nid = 0\noffset_m = 0.5\n";
    std::fs::write(yard.path("calibration.toml"), old).unwrap();
    for interrupted in [true, false] {
        let mut child = live(
            &yard,
            &["--at", "4,3", "--at", "20,3.5", "--seconds", if interrupted { "600" } else { "1" }],
        );
        let told = lines_of(&mut child);
        drop(child.stdin.take());
        let mut heard = false;
        let mut words = Vec::new();
        stand(&mut line, SPOTS_M[0], || {
            words.extend(told.try_iter());
            let started = words.iter().any(|l: &String| l.contains("measured from now on"));
            if started && interrupted && !heard {
                heard = true;
                let pid = rustix::process::Pid::from_raw(child.id() as i32).unwrap();
                rustix::process::kill_process(pid, Signal::INT).unwrap();
            }
            child.try_wait().unwrap().is_none()
        });
        let status = wait_for("the end", || child.try_wait().unwrap());
        words.extend(told.iter());
        assert_eq!(status.code(), Some(if interrupted { 130 } else { 64 }), "{words:?}");
        assert!(words.iter().any(|l| l.contains("nothing was written")), "{words:?}");
        assert_eq!(yard.calibration().as_deref(), Some(old));
    }
    let strays =
        std::fs::read_dir(yard.folder.path()).unwrap().filter(|e| is_stray(&e.as_ref().unwrap().path()));
    assert_eq!(strays.count(), 0);
}

fn is_stray(path: &Path) -> bool {
    let name = path.file_name().unwrap().to_string_lossy();
    name.starts_with('.') || (name.starts_with("calibration-") && name.ends_with(".toml"))
}

#[test]
fn check_says_what_the_geometry_means_and_draws_it() {
    let yard = Yard::new();
    let (facts, words, code) = yard.json("check", &["--svg", &yard.text("hdop.svg")]);
    assert_eq!(code, 0, "{words}");
    let kinds: Vec<&str> =
        facts["facts"].as_array().unwrap().iter().map(|f| f["kind"].as_str().unwrap()).collect();
    assert!(kinds.contains(&"offset missing") && kinds.contains(&"not dependable"), "{facts}");
    let hdop = &facts["hdop"];
    let [best, median, worst] = ["best", "median", "worst"].map(|k| hdop[k].as_f64().unwrap());
    // HDOP of six boards round a yard: at least 2/√6 (all directions even), and no wonder at the walls.
    assert!(best >= 0.81 && best <= median && median <= worst && worst < 3.0, "{hdop}");
    let svg = std::fs::read_to_string(yard.path("hdop.svg")).unwrap();
    assert!(svg.starts_with("<svg") && svg.contains("board 5") && svg.contains("Larkfield yard: HDOP"));

    // Three boards nearly on a line, no area, one of them calibrated to half a metre, long ago.
    let text = "[[anchor]]\nid = 0\noffset_m = 0.61\noffset_se_m = 0.05\ndate = 2019-05-04\n";
    std::fs::write(yard.path("calibration.toml"), text).unwrap();
    let places = [[0.0, 0.0, 2.0], [10.0, 0.8, 2.0], [20.0, 0.0, 2.0]];
    let site = yard.site("/dev/null", &places, "max_offset_m = 1.0");
    let bare = std::fs::read_to_string(&site).unwrap();
    let bare: Vec<&str> = bare.lines().filter(|l| !l.starts_with("area_m")).collect();
    std::fs::write(&site, bare.join("\n")).unwrap();
    let (out, words, code) = run(&["check", site.to_str().unwrap()]);
    assert_eq!(code, 0, "{words}");
    for told in [
        "nearly on a line",
        "states no area_m",
        "wrong coordinate",
        "days ago",
        "more than 3 cm",
        "anchors 1, 2: not calibrated",
    ] {
        assert!(out.contains(told), "{told}: {out}");
    }
    let (_, words, code) = run(&["check", site.to_str().unwrap(), "--svg", "/proc/no/hdop.svg"]);
    assert_eq!(code, 73, "{words}");
}

#[test]
fn a_running_daemon_takes_a_calibration_over_without_losing_a_frame() {
    let yard = Yard::new();
    let port = yard.path("port");
    let mut line = Line::new(&port);
    let site = yard.site(port.to_str().unwrap(), &PLACES_M, "");
    let daemon = Daemon::start(&site, &[]);
    wait_for("the link", || (daemon.json("/v1/status")["link"]["state"] == "connected").then_some(()));
    let mut live = Live::connect(&daemon, "topics=position");
    let reader = std::thread::spawn(move || {
        std::iter::from_fn(|| live.next().ok()).map(|m| without_age(&m)).collect::<Vec<_>>()
    });
    let frames: Vec<SimFrame> = Kit::new(&scenario(&[SPOTS_M[0], SPOTS_M[1]], 90.0)).unwrap().collect();
    let count = frames.len() as u64;
    let sender = std::thread::spawn(move || {
        for frame in frames {
            line.send(&frame.bytes);
            std::thread::sleep(Duration::from_millis(5));
        }
        line
    });
    let heard = |n: u64| {
        wait_for("frames", || (daemon.json("/v1/status")["decoder"]["frames"].as_u64()? >= n).then_some(()));
    };
    let offset =
        |daemon: &Daemon, i: usize| daemon.json("/v1/site")["anchors"][i]["offset_m"].as_f64().unwrap();
    heard(200);
    let (status, body) =
        daemon.post("/v1/calibrations", r#"{"anchors":[{"id":4,"offset_m":0.23,"offset_se_m":0.02}]}"#);
    assert_eq!(status, 200, "{body}");
    assert!((offset(&daemon, 4) - 0.23).abs() < 1e-9 && offset(&daemon, 0) == 0.0);
    assert!(yard.calibration().unwrap().contains("set over HTTP"));
    let (status, body) = daemon.post("/v1/calibrations", r#"{"anchors":[{"id":6,"offset_m":0.23}]}"#);
    assert_eq!(status, 422, "{body}");

    heard(400);
    let text = "[[anchor]]\nid = 0\noffset_m = 0.12\noffset_se_m = 0.02\n";
    std::fs::write(yard.path("calibration.toml"), text).unwrap();
    daemon.signal(Signal::HUP);
    wait_for("the new offset", || ((offset(&daemon, 0) - 0.12).abs() < 1e-9).then_some(()));

    // A bad file is reported, and changes nothing.
    std::fs::write(yard.path("calibration.toml"), "[[anchor]]\nid = 0\noffset = 0.5\n").unwrap();
    daemon.signal(Signal::HUP);
    let told = wait_for("the notice", || {
        let problems = daemon.json("/v1/status")["problems"].to_string();
        problems.contains("not taken over").then_some(problems)
    });
    assert!(told.contains("anchor[0].offset") && told.contains("did you mean offset_m?"), "{told}");
    assert!((offset(&daemon, 0) - 0.12).abs() < 1e-9);
    heard(600);
    let line = sender.join().unwrap();
    heard(count);
    let words = daemon.stop();
    drop(line);
    assert!(words.contains("read again, and in force") && words.contains("not taken over"), "{words}");

    // Three sessions hold every frame, each replays to what was published, and has its own calibration.
    let mut published = reader.join().unwrap();
    published.retain(|m| !m.contains("\"type\":\"missed\""));
    let mut replayed = Vec::new();
    let mut epochs = 0;
    let db = yard.text("yard.db");
    for session in ["1", "2", "3"] {
        let (out, words, code) = run(&["replay", &db, "--session", session, "--out", "-", "--json"]);
        assert_eq!(code, 0, "{words}");
        let summary = words.lines().find_map(|l| serde_json::from_str::<Value>(l).ok()).unwrap();
        epochs += summary["epochs"].as_u64().unwrap();
        replayed.extend(out.lines().map(str::to_owned));
    }
    assert_eq!(epochs, count);
    assert!(run(&["replay", &db, "--session", "4"]).2 != 0, "there are three sessions");
    // But for the first second, in which nobody knows how old frames are: some 180 of them at this pace.
    assert!(published.len() as u64 * 10 >= count * 7, "{} of {count} were heard live", published.len());
    for message in &published {
        assert!(replayed.contains(message), "published but not replayed: {message}");
    }
}

/// Calibrates, then reports with checkpoints: the page's text.
fn reported(yard: &Yard) -> String {
    yard.site("/dev/null", &PLACES_M, "required_ce95_m = 0.10");
    assert_eq!(yard.calibrate("cal.csv", &[]).2, 0);
    assert_eq!(yard.calibrate("check.csv", &[]).2, 0);
    let (site, spots, walk) = (yard.text("site.toml"), yard.text("check.csv"), yard.text("walk.csv"));
    let page = yard.text("report.html");
    let (out, words, code) = run(&["report", &walk, "--site", &site, "--spots", &spots, "--out", &page]);
    assert_eq!((code, out.as_str()), (0, ""), "{words}");
    std::fs::read_to_string(page).unwrap()
}

#[test]
fn the_report_shows_the_picture_first_and_every_number_below() {
    let yard = Yard::recorded();
    let html = reported(&yard);
    let order = [
        "<svg",
        "<h2>Checkpoints",
        "<h2>Anchors and offsets",
        "<h2>History",
        "<h2>Anchor health",
        "<h2>Settings",
        "<h2>Cautions",
    ];
    let places: Vec<usize> =
        order.iter().map(|o| html.find(o).unwrap_or_else(|| panic!("{o} is missing"))).collect();
    assert!(places.is_sorted(), "{places:?}");
    for told in [
        "drawn ",
        " times as long",
        "CE95",
        "passed: CE95",
        "board 5",
        "spot 7",
        "tag at 5 known places",
        "spot 5 was used for the calibration",
        "Not a safety component",
        "required_ce95_m = 0.10",
        env!("CARGO_PKG_VERSION"),
    ] {
        assert!(html.contains(told), "{told} is missing");
    }
    // The numbers of the calibration file are those of the page.
    for line in yard.calibration().unwrap().lines().filter_map(|l| l.strip_prefix("offset_m = ")) {
        let offset: f64 = line.parse().unwrap();
        assert!(html.contains(&format!("{offset:+.3}")), "{offset}");
    }
    // Alone in the world: no script, no address but the name space of SVG.
    assert!(!html.contains("<script") && !html.contains("src="));
    assert_eq!(
        html.matches("http").count(),
        html.matches("xmlns=\"http://www.w3.org/2000/svg\"").count() + html.matches("http-equiv").count()
    );

    let (out, words, code) = run(&["report", "--site", &yard.text("site.toml"), "--out", "-"]);
    assert_eq!(code, 0, "{words}");
    assert!(out.contains("None were measured") && out.ends_with("</html>\n"));
    assert_eq!(run(&["report", "--out", "-"]).2, 64);
}

/// A page of its own that shows the report in a frame of each width, and tells what it finds in its text.
const PROBE: &str = r#"<!doctype html><body><p id="out">waiting</p><script>
const found = [];
for (const width of [360, 688]) {
  const frame = document.createElement('iframe');
  frame.style = `width:${width}px;height:900px;border:0`;
  frame.src = 'report.html';
  frame.onload = () => {
    const page = frame.contentDocument.documentElement;
    const fetched = frame.contentWindow.performance.getEntriesByType('resource').length;
    const tables = [...frame.contentDocument.querySelectorAll('table')].length;
    found.push(`${width}:${page.scrollWidth}:${fetched}:${tables}`);
    if (found.length === 2) document.getElementById('out').textContent = 'found ' + found.sort().join(' ');
  };
  document.body.append(frame);
}
</script></body>"#;

#[test]
#[ignore = "needs chromium"]
fn the_report_fits_a_telephone_and_a4_and_asks_for_nothing() {
    let yard = Yard::recorded();
    reported(&yard);
    std::fs::write(yard.path("probe.html"), PROBE).unwrap();
    let chromium = |more: &str, page: &str| {
        let profile = format!("--user-data-dir={}", yard.text("profile"));
        let url = format!("file://{}", yard.text(page));
        let fixed = [
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-dev-shm-usage",
            "--allow-file-access-from-files",
            "--enable-logging=stderr",
            "--virtual-time-budget=10000",
        ];
        let out = std::process::Command::new("chromium").args(fixed).arg(profile).arg(more).arg(url).output();
        let out = out.expect("chromium from the distribution's packages");
        (String::from_utf8_lossy(&out.stdout).into_owned(), String::from_utf8_lossy(&out.stderr).into_owned())
    };
    let (dom, log) = chromium("--dump-dom", "probe.html");
    let found = dom.split("<p id=\"out\">found ").nth(1).unwrap_or_else(|| panic!("{dom}\n{log}"));
    let found = found.split('<').next().unwrap();
    // A4 is 210 mm; less two margins of 14 mm and at 96 dots per inch that is 688.
    for (probe, width) in found.split(' ').zip([360.0, 688.0]) {
        let parts: Vec<f64> = probe.split(':').map(|v| v.parse().unwrap()).collect();
        assert_eq!(parts[0], width);
        assert!(parts[1] <= width, "{found}: wider than the page");
        assert_eq!(parts[2], 0.0, "{found}: something was fetched");
        assert!(parts[3] >= 4.0, "{found}: tables are missing");
    }
    assert!(!log.contains("CONSOLE"), "{log}");
    let pdf = yard.text("report.pdf");
    chromium(&format!("--print-to-pdf={pdf}"), "report.html");
    assert!(std::fs::read(pdf).unwrap().starts_with(b"%PDF"));
}

/// Who reads the first lines alone (`| head`) hears nothing of pipes; the exit code is the verdict's.
#[test]
fn a_reader_that_goes_away_ends_calibrate_and_verify_quietly() {
    let yard = Yard::recorded();
    let (site, cal, check) = (yard.text("site.toml"), yard.text("cal.csv"), yard.text("check.csv"));
    let walk = yard.text("walk.csv");
    let cases: [&[&str]; 4] = [
        &["calibrate", &site, "--spots", &cal, "--input", &walk, "--dry-run"],
        &["calibrate", &site, "--spots", &cal, "--input", &walk, "--dry-run", "--json"],
        &["verify", &site, "--spots", &check, "--input", &walk],
        &["verify", &site, "--spots", &check, "--input", &walk, "--json"],
    ];
    for args in cases {
        let whole = hereabout(args).output().unwrap();
        let mut child = hereabout(args).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        drop(child.stdout.take());
        let cut = child.wait_with_output().unwrap();
        assert!(!whole.stdout.is_empty(), "{args:?}");
        assert_eq!(cut.stderr, whole.stderr, "{args:?}: {}", String::from_utf8_lossy(&cut.stderr));
        assert_eq!(cut.status.code(), whole.status.code(), "{args:?}");
    }
}
