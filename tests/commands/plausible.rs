//! Plausible changes only: what no board and no tag can have is refused by `calibrate`, `POST` and `check`, with the
//! likely slip; and the first calibration can be undone like any other. The yard is invented; its tag stands still.

use std::io::Write;
use std::path::PathBuf;

use crate::commands::hearing::{Ends, Terminal};
use crate::support::nursery::{self, PLACES_M};
use crate::support::{Daemon, hereabout, run};
use serde_json::Value;

/// Where the tag stands, metres.
const STAND_M: [f64; 3] = [8.0, 3.5, 0.9];

/// A site in a folder of its own, and a recording of a minute at [`STAND_M`] with boards that read 10 cm long.
struct Yard(tempfile::TempDir);

impl Yard {
    fn new() -> Yard {
        let yard = Yard(tempfile::tempdir().unwrap());
        nursery::site(yard.0.path(), "/dev/null");
        let mut rows = "time_s,anchor,range_m\n".to_owned();
        for k in 0..600 {
            for (id, at_m) in PLACES_M.iter().enumerate() {
                let square: f64 = at_m.iter().zip(STAND_M).map(|(a, b)| (a - b) * (a - b)).sum();
                // A wobble of a few centimetres that repeats; no two boards alike.
                let noise = 0.03 * f64::from((k * (7 + id as i32) + 3 * id as i32) % 11 - 5) / 5.0;
                rows += &format!("{}.{},{id},{:.3}\n", 1000 + k / 10, k % 10, square.sqrt() + 0.1 + noise);
            }
        }
        std::fs::write(yard.path("stand.csv"), rows).unwrap();
        yard
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn text(&self, name: &str) -> String {
        self.path(name).display().to_string()
    }

    fn calibration(&self) -> Option<String> {
        std::fs::read_to_string(self.path("calibration.toml")).ok()
    }

    /// `calibrate` with the recording; standard output, standard error, exit code.
    fn calibrate(&self, more: &[&str]) -> (String, String, i32) {
        let (site, input) = (self.text("site.toml"), self.text("stand.csv"));
        run(&[&["calibrate", &site, "--input", &input], more].concat())
    }

    fn check(&self) -> (String, String, i32) {
        run(&["check", &self.text("site.toml")])
    }

    fn restore(&self) -> (String, String, i32) {
        run(&["calibrate", &self.text("site.toml"), "--restore"])
    }

    fn in_site(&self, key: &str) {
        let text = std::fs::read_to_string(self.path("site.toml")).unwrap();
        std::fs::write(self.path("site.toml"), text.replacen("[site]\n", &format!("[site]\n{key}\n"), 1))
            .unwrap();
    }
}

#[test]
fn a_spot_in_centimetres_is_refused_and_nothing_is_written() {
    let yard = Yard::new();
    for (at, told) in [
        ("8000,3500", "perhaps written in millimetres: 8.00 east, 3.50 north, 0.90 up"),
        ("800,350", "perhaps written in centimetres: 8.00 east, 3.50 north, 0.90 up"),
        ("8000,3500,900", "perhaps written in millimetres: 8.00 east, 3.50 north, 0.90 up"),
        ("-180,3.5", "the nearest anchor (0) is 180 m away"),
        ("8,3.5,90", "90 m up is no height"),
    ] {
        let (_, words, code) = yard.calibrate(&["--at", at]);
        assert_eq!((code, yard.calibration()), (64, None), "{at}: {words}");
        assert!(words.contains(told), "{at}: {words}");
    }
    yard.in_site("area_m = [[0.0, 0.0], [24.0, 0.0], [24.0, 14.0], [0.0, 14.0]]");
    let (_, words, code) = yard.calibrate(&["--at", "3.5,20"]);
    assert_eq!((code, yard.calibration()), (64, None), "{words}");
    assert!(words.contains("outside of [site] area_m") && words.contains("swapped"), "{words}");
    // A table is reported line by line, and `verify` and `report` refuse it as well.
    std::fs::write(yard.path("spots.csv"), "name,from_s,to_s,x_m,y_m\nbench,1000,1060,800,350\n").unwrap();
    let (site, input, spots) = (yard.text("site.toml"), yard.text("stand.csv"), yard.text("spots.csv"));
    for command in [
        vec!["calibrate", &site, "--spots", &spots, "--input", &input],
        vec!["verify", &site, "--spots", &spots, "--input", &input],
        vec!["report", &input, "--site", &site, "--spots", &spots, "--out", "-"],
    ] {
        let (_, words, code) = run(&command);
        assert_eq!(code, 65, "{command:?}: {words}");
        assert!(words.contains("spots.csv:2: bench") && words.contains("centimetres"), "{words}");
    }
}

#[test]
fn a_spot_within_reach_is_refused_by_its_ranges_and_the_slip_is_named() {
    let yard = Yard::new();
    let (good, words, code) = yard.calibrate(&["--at", "8,3.5", "--dry-run"]);
    assert_eq!(code, 0, "{words}{good}");
    for (at, told) in [
        ("3.5,8", "east and north swapped (east comes first): 8.00 east, 3.50 north"),
        ("8,-3.5", "north with the wrong sign: 8.00 east, 3.50 north"),
        ("12,7", "the ranges don't fit this place"),
    ] {
        let (out, words, code) = yard.calibrate(&["--at", at]);
        assert_eq!((code, yard.calibration()), (65, None), "{at}: {words}");
        assert!(words.contains("nothing is written"), "{words}");
        assert!(
            out.contains(told) && out.contains("implausible") && out.contains("beyond what boards have"),
            "{out}"
        );
        assert!(!out.contains("taken"), "{out}");
        let (out, _, _) = yard.calibrate(&["--at", at, "--json"]);
        let found: Value = serde_json::from_str(&out).unwrap();
        assert!(found["written"].is_null(), "{found}");
        assert!(found["anchors"].as_array().unwrap().iter().all(|a| a["taken"] == false), "{found}");
    }
    let (out, words, code) = yard.calibrate(&["--anchor", "0", "--distance", "87.7"]);
    assert_eq!((code, yard.calibration()), (65, None), "{words}");
    // From (8, 3.5, 0.9) to (0, 0, 2.6) it is 8.9 m; 87.7 m is no unit slip of that.
    assert!(out.contains("beyond what boards have") && !out.contains("perhaps"), "{out}");
}

#[test]
fn boards_that_are_really_so_are_allowed_by_the_site_and_by_it_alone() {
    let yard = Yard::new();
    // 0.9 m nearer than the tag really is: an offset of a metre.
    let stand = ["--anchor", "0", "--distance", "7.99"];
    assert_eq!(yard.calibrate(&stand).2, 65);
    yard.in_site("max_offset_m = 1.2");
    let (out, words, code) = yard.calibrate(&stand);
    assert_eq!(code, 0, "{words}{out}");
    assert!(out.contains("taken, odd"), "{out}");
    assert_eq!(yard.check().2, 0);
    std::fs::write(yard.path("site.toml"), {
        let text = std::fs::read_to_string(yard.path("site.toml")).unwrap();
        text.replace("max_offset_m = 1.2\n", "")
    })
    .unwrap();
    let (_, words, code) = yard.check();
    assert_eq!(code, 78, "{words}");
    assert!(words.contains("calibration.toml:6:12: error: anchor[0].offset_m: an offset of 1."), "{words}");
}

#[test]
fn the_first_calibration_is_undone_whatever_became_of_it() {
    let yard = Yard::new();
    assert_eq!(yard.calibrate(&["--at", "8,3.5"]).2, 0);
    assert!(yard.calibration().is_some());
    // Somebody edits it to centimetres: everything refuses the site, and says how to go back.
    let spoilt = yard.calibration().unwrap().replace("offset_m = 0.1", "offset_m = 10.1");
    std::fs::write(yard.path("calibration.toml"), &spoilt).unwrap();
    let site = yard.text("site.toml");
    for command in
        [vec!["check", &site], vec!["run", &site, "--no-log"], vec!["verify", &site, "--at", "8,3.5"]]
    {
        let (_, words, code) = run(&command);
        assert_eq!(code, 78, "{command:?}: {words}");
        assert!(words.contains("beyond what boards have") && words.contains("in centimetres"), "{words}");
        assert!(words.contains(&format!("hereabout calibrate {site} --restore")), "{words}");
    }
    let (_, words, code) = yard.restore();
    assert_eq!((code, yard.calibration()), (0, None), "{words}");
    assert!(words.contains("there is no calibration now"), "{words}");
    let undone = std::fs::read_dir(yard.0.path()).unwrap().map(|e| e.unwrap().path());
    let undone: Vec<PathBuf> =
        undone.filter(|p| p.display().to_string().contains("calibration-undone-")).collect();
    assert_eq!(undone.iter().map(|p| std::fs::read_to_string(p).unwrap()).collect::<Vec<_>>(), [spoilt]);
    assert_eq!(yard.check().2, 0);
    assert_eq!(yard.restore().2, 66);

    // A first file that nothing is kept of, as an older program wrote it.
    std::fs::write(yard.path("calibration.toml"), "[[anchor]]\nid = 0\noffset_m = -9.9\nscale = 1.0\n")
        .unwrap();
    assert_eq!(yard.check().2, 78);
    let (_, words, code) = yard.restore();
    assert_eq!((code, yard.calibration()), (0, None), "{words}");
    // One that is fine stays: nobody knows what was before it.
    std::fs::write(yard.path("calibration.toml"), "[[anchor]]\nid = 0\noffset_m = 0.1\n").unwrap();
    assert_eq!(yard.restore().2, 66);
    assert!(yard.calibration().is_some());
}

#[test]
fn a_calibration_over_http_names_each_anchor_and_changes_nothing() {
    let yard = Yard::new();
    let daemon = Daemon::start(&yard.path("site.toml"), &["--no-log"]);
    let (status, body) = daemon.post(
        "/v1/calibrations",
        r#"{"anchors":[{"id":0,"offset_m":12},{"id":1,"offset_m":0.1},{"id":2,"offset_m":0.1,"scale":2}]}"#,
    );
    assert_eq!((status, yard.calibration()), (422, None), "{body}");
    for told in [
        "Anchor 0: an offset of 12 m",
        "in centimetres: 0.12 m",
        "Anchor 2: a scale of 2",
        "nothing was changed",
    ] {
        assert!(body.contains(told), "{told}: {body}");
    }
    assert!(!body.contains("Anchor 1"), "{body}");
    let (status, body) = daemon.post("/v1/calibrations", r#"{"anchors":[{"id":0,"offset_m":0.12}]}"#);
    assert_eq!(status, 200, "{body}");
    daemon.stop();
    assert!(yard.calibration().unwrap().contains("0.12"));
    let (_, words, code) = yard.restore();
    assert_eq!((code, yard.calibration()), (0, None), "{words}");
}

#[test]
fn a_height_that_contradicts_the_site_is_asked_about_and_never_assumed() {
    let yard = Yard::new();
    let at = ["--at", "8,3.5,1.2"];
    // Nobody is there to be asked.
    for more in [&at[..], &["--at", "8,3.5,1.2", "--json"]] {
        let (_, words, code) = yard.calibrate(more);
        assert_eq!((code, yard.calibration()), (64, None), "{words}");
        assert!(words.contains("1.2 m up, but the site says tag_height_m = 0.9"), "{words}");
        assert!(words.contains("--accept-height"), "{words}");
    }
    // Within a decimetre it is a tape's error.
    assert_eq!(yard.calibrate(&["--at", "8,3.5,0.95", "--dry-run"]).2, 0);
    assert_eq!(yard.calibrate(&["--at", "8,3.5,1.2", "--accept-height", "--dry-run"]).2, 0);
    std::fs::write(yard.path("spots.csv"), "name,from_s,to_s,x_m,y_m,z_m\nbench,1000,1060,8,3.5,1.2\n")
        .unwrap();
    let (site, input, spots) = (yard.text("site.toml"), yard.text("stand.csv"), yard.text("spots.csv"));
    for command in ["calibrate", "verify"] {
        let args = [command, &site, "--spots", &spots, "--input", &input];
        let (_, words, code) = run(&args);
        assert_eq!(code, 65, "{words}");
        assert!(words.contains("spots.csv:2: bench: 1.2 m up"), "{words}");
        assert_eq!(run(&[&args[..], &["--accept-height"]].concat()).2, 0);
    }
    std::fs::remove_file(yard.path("calibration.toml")).unwrap();
    // Somebody is.
    for (answer, code, written) in [("no\n", 64, false), ("\n", 64, false), ("yes\n", 0, true)] {
        let command = hereabout(&["calibrate", &site, "--input", &input, "--at", "8,3.5,1.2"]);
        let mut terminal = Terminal::start(command, 80, Ends::Input);
        terminal.master.write_all(answer.as_bytes()).unwrap();
        let (found, words) = terminal.wait();
        assert_eq!((found, yard.calibration().is_some()), (code, written), "{answer:?}: {words}");
        assert!(words.contains("yes or no"), "{words}");
    }
}
