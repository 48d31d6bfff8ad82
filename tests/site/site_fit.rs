//! Do ranges and site file belong to each other: `check --input`, `listen`, the running daemon, and what the log keeps of
//! other sites. The simulated kit knows the truth; here its site file is wrong in one thing at a time.

use std::path::{Path, PathBuf};

use crate::support::nursery::{self, PLACES_M};
use crate::support::{Daemon, run, wait_for};
use hereabout_sim::{Kit, Scenario};
use hereabout_store::{LogReader, SessionPick};
use serde_json::{Value, json};

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// A site of these places in `folder/name`, with ranges in this unit.
fn site(folder: &Path, name: &str, unit: &str, places_m: &[[f64; 3]], port: &str) -> PathBuf {
    let path = nursery::site(folder, port);
    let head = std::fs::read_to_string(&path).unwrap();
    let head =
        head.split("\n[[anchor]]").next().unwrap().replace("unit = \"cm\"", &format!("unit = \"{unit}\""));
    let anchor = |(i, [e, n, u]): (usize, &[f64; 3])| {
        format!("\n[[anchor]]\nid = {i}\nat_m = [{e:?}, {n:?}, {u:?}]\n")
    };
    let anchors: String = places_m.iter().enumerate().map(anchor).collect();
    std::fs::remove_file(&path).unwrap();
    let path = folder.join(name);
    std::fs::write(&path, head + &anchors).unwrap();
    path
}

/// A yard that looks like itself in no other order: in the nursery's own, exchanging two corners is next to mirroring the
/// other four anchors, and nobody can say which.
const ODD_M: [[f64; 3]; 6] = [
    [0.0, 0.0, 2.6],
    [24.0, 2.0, 2.4],
    [20.0, 15.0, 2.8],
    [2.0, 11.0, 2.2],
    [9.0, 16.0, 3.0],
    [15.0, -3.0, 1.8],
];

/// The cart's ranges as a capture of so many seconds.
fn capture(folder: &Path, seconds: f64) -> PathBuf {
    capture_of(folder, &nursery::scenario(seconds))
}

fn capture_of(folder: &Path, scenario: &Scenario) -> PathBuf {
    let bin = folder.join("cart.bin");
    let (mut bytes, mut times) = (Vec::new(), "byte_offset,time_s\n".to_owned());
    for frame in Kit::new(scenario).unwrap() {
        times += &format!("{},{}\n", bytes.len(), frame.epoch.at);
        bytes.extend_from_slice(&frame.bytes);
    }
    std::fs::write(&bin, bytes).unwrap();
    std::fs::write(bin.with_extension("times.csv"), times).unwrap();
    bin
}

/// The same as a range table in metres times `factor`.
fn table(folder: &Path, seconds: f64, factor: f64) -> PathBuf {
    let path = folder.join("cart.csv");
    let mut rows = "time_s,anchor_0_m,anchor_1_m,anchor_2_m,anchor_3_m,anchor_4_m,anchor_5_m\n".to_owned();
    for frame in nursery::frames(seconds) {
        let cells = frame
            .epoch
            .ranges
            .iter()
            .map(|r| r.raw_m.map_or(String::new(), |m| format!("{:.3}", m * factor)));
        rows += &format!("{:.3},{}\n", frame.epoch.at.unix_secs_f64(), cells.collect::<Vec<_>>().join(","));
    }
    std::fs::write(&path, rows).unwrap();
    path
}

/// What `check --input --json` says of the fit, and its exit code.
fn fit(site: &Path, input: &Path) -> (Value, i32) {
    let (out, words, code) = run(&["check", text(site), "--input", text(input), "--json"]);
    let json: Value = serde_json::from_str(&out).unwrap_or_else(|e| panic!("{e}: {out}{words}"));
    (json["fit"].clone(), code)
}

/// The cause that is found when the odd yard's site file states these places.
fn cause(places_m: &[[f64; 3]]) -> Value {
    let folder = tempfile::tempdir().unwrap();
    let mut odd = nursery::scenario(180.0);
    odd.anchors.iter_mut().zip(ODD_M).for_each(|(anchor, at_m)| anchor.at_m = at_m);
    let bin = capture_of(folder.path(), &odd);
    let (fit, code) = fit(&site(folder.path(), "site.toml", "cm", places_m, "/dev/null"), &bin);
    assert_eq!((code, &fit["answer"]), (78, &json!("does_not_fit")), "{fit}");
    fit["cause"].clone()
}

#[test]
fn a_site_that_fits_fits_by_capture_and_by_table() {
    let folder = tempfile::tempdir().unwrap();
    let site = site(folder.path(), "site.toml", "cm", &PLACES_M, "/dev/null");
    for input in [capture(folder.path(), 120.0), table(folder.path(), 120.0, 1.0)] {
        let (fit, code) = fit(&site, &input);
        assert_eq!((code, &fit["answer"]), (0, &json!("fits")), "{fit}");
        assert!(fit["explained"].as_f64().unwrap() > 0.8, "{fit}");
        let (out, words, code) = run(&["check", text(&site), "--input", text(&input)]);
        assert!(code == 0 && out.contains("ranges and site file fit"), "{out}{words}");
    }
}

#[test]
fn too_little_to_tell_is_no_answer_and_nothing_to_read_is_an_error() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    let site = site(root, "site.toml", "cm", &PLACES_M, "/dev/null");
    let (fit, code) = fit(&site, &capture(root, 1.0));
    assert_eq!((code, &fit["answer"]), (75, &json!("too_early")), "{fit}");
    assert!(fit["seconds_heard"].as_u64() < fit["seconds_needed"].as_u64(), "{fit}");
    let (out, _, code) = run(&["check", text(&site), "--input", text(&root.join("cart.bin"))]);
    assert!(code == 75 && out.contains("drive the tag around"), "{out}");

    let (_, words, code) = run(&["check", text(&site), "--input", text(&root.join("none.csv"))]);
    assert_eq!(code, 66, "{words}");
    std::fs::write(root.join("empty.csv"), "time_s,anchor_0_m\n").unwrap();
    let (_, words, code) = run(&["check", text(&site), "--input", text(&root.join("empty.csv"))]);
    assert!(code == 65 && words.contains("nothing was tested"), "{words}");
    let (_, words, code) = run(&["check", text(&site), "--session", "1"]);
    assert_eq!(code, 64, "which session of what? {words}");
    // Without --input nothing is said of a fit.
    let (out, _, _) = run(&["check", text(&site), "--json"]);
    assert_eq!(serde_json::from_str::<Value>(&out).unwrap()["fit"], Value::Null);
}

#[test]
fn a_site_for_tables_alone_needs_no_source_to_be_tested() {
    let folder = tempfile::tempdir().unwrap();
    let path = site(folder.path(), "site.toml", "cm", &PLACES_M, "/dev/null");
    let words = std::fs::read_to_string(&path).unwrap().replace("[source]\nport = \"/dev/null\"\n", "");
    std::fs::write(&path, words).unwrap();
    let (fit, code) = fit(&path, &table(folder.path(), 1.0, 1.0));
    assert_eq!((code, &fit["answer"]), (75, &json!("too_early")), "{fit}");
    let (_, _, code) = run(&["check", text(&path)]);
    assert_eq!(code, 78, "run would not start with it");
}

#[test]
fn a_wrong_unit_is_named_with_the_line_to_change() {
    let folder = tempfile::tempdir().unwrap();
    let bin = capture(folder.path(), 120.0);
    let site = site(folder.path(), "site.toml", "mm", &PLACES_M, "/dev/null");
    let (fit, code) = fit(&site, &bin);
    assert_eq!(
        (code, &fit["cause"]["kind"], &fit["cause"]["unit"]),
        (78, &json!("unit"), &json!("cm")),
        "{fit}"
    );
    assert_eq!(fit["all"], true);
    let (out, _, code) = run(&["check", text(&site), "--input", text(&bin)]);
    assert!(code == 78 && out.contains("set unit = \"cm\" under [frame] in the site file"), "{out}");
    // The same live, four times as fast as it was: seconds of the stream are what counts.
    let port = format!("file://{}?pace=4", bin.display());
    let (out, words, _) = run(&["listen", text(&site), "--port", &port, "--json"]);
    let rows = out.lines().map(|l| serde_json::from_str::<Value>(l).unwrap());
    let told: Vec<Value> = rows.filter(|r| r["kind"] == "site_does_not_fit").collect();
    assert!(told.iter().all(|r| r["code"] == r["kind"] && r["site_fit"]["code"] == r["kind"]), "{told:?}");
    let last = told.last().unwrap_or_else(|| panic!("nothing was said of it: {words}"));
    assert!(told.len() <= 3 && last["site_fit"]["cause"]["unit"] == "cm", "{told:?}");
}

#[test]
fn a_table_in_another_unit_is_told_as_that() {
    let folder = tempfile::tempdir().unwrap();
    let site = site(folder.path(), "site.toml", "cm", &PLACES_M, "/dev/null");
    let (fit, code) = fit(&site, &table(folder.path(), 120.0, 100.0));
    assert_eq!((code, &fit["cause"]["kind"]), (78, &json!("unit")), "{fit}");
    assert!(fit["advice"].as_str().unwrap().contains("put them into metres first (times 0.01)"), "{fit}");
}

#[test]
fn exchanged_reversed_and_misplaced_anchors_are_named_by_id() {
    let mut swapped = ODD_M;
    swapped.swap(1, 2);
    let found = cause(&swapped);
    assert_eq!((&found["kind"], &found["anchors"]), (&json!("swapped"), &json!([1, 2])), "{found}");
    let mut reversed = ODD_M;
    reversed.reverse();
    assert_eq!(cause(&reversed), json!({"kind": "reversed"}));
    let mut moved = ODD_M;
    (moved[4][0], moved[4][1]) = (5.0, 13.0);
    let found = cause(&moved);
    assert_eq!((&found["kind"], &found["place"]["anchor"]), (&json!("place"), &json!(4)), "{found}");
    let at = |k: usize| found["place"]["at_m"][k].as_f64().unwrap();
    assert!((at(0) - ODD_M[4][0]).abs() < 0.5 && (at(1) - ODD_M[4][1]).abs() < 0.5, "{found}");
}

#[test]
fn another_site_of_the_folder_that_fits_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    let bin = capture(root, 180.0);
    let other = PLACES_M.map(|[e, n, u]| [0.6 * e + 1.5 * (n / 14.0), 1.7 * n + 0.2 * e, u]);
    site(root, "north.toml", "cm", &PLACES_M, "/dev/null");
    let site = site(root, "site.toml", "cm", &other, "/dev/null");
    let (fit, code) = fit(&site, &bin);
    assert_eq!(
        (code, &fit["cause"]["kind"], &fit["cause"]["file"]),
        (78, &json!("other_site"), &json!("north.toml")),
        "{fit}"
    );
}

#[test]
fn check_lists_the_orders_that_ranges_can_not_tell_apart() {
    let folder = tempfile::tempdir().unwrap();
    let rectangle = [[0.0, 0.0, 2.5], [24.0, 0.0, 2.5], [24.0, 14.0, 2.5], [0.0, 14.0, 2.5]];
    let path = site(folder.path(), "site.toml", "cm", &rectangle, "/dev/null");
    let fact = || {
        let (out, _, code) = run(&["check", text(&path), "--json"]);
        assert_eq!(code, 0, "{out}");
        let json: Value = serde_json::from_str(&out).unwrap();
        let facts = json["facts"].as_array().unwrap().clone();
        facts.into_iter().find(|f| f["kind"] == "same shape")
    };
    let told = fact().unwrap();
    assert!(told["what"].as_str().unwrap().contains("0-1-2-3 from 1-0-3-2, 2-3-0-1, 3-2-1-0"), "{told}");
    assert!(told["todo"].as_str().unwrap().contains("--at E,N"), "{told}");
    // One corner of it decides.
    let words = std::fs::read_to_string(&path).unwrap();
    let area = "tag_height_m = 0.9\narea_m = [[0.0, 0.0], [12.0, 0.0], [12.0, 7.0], [0.0, 7.0]]";
    std::fs::write(&path, words.replace("tag_height_m = 0.9", area)).unwrap();
    assert_eq!(fact(), None);
}

/// What was known of other sites stands in the session, so that a replay finds what was found.
#[tokio::test]
async fn the_log_keeps_what_was_known_of_other_sites() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    let bin = capture(root, 3.0);
    site(root, "north.toml", "mm", &PLACES_M.map(|[e, n, u]| [e + 1.0, n, u]), "/dev/null");
    let site = site(root, "site.toml", "cm", &PLACES_M, &format!("file://{}?pace=max", bin.display()));
    let daemon = Daemon::start(&site, &[]);
    wait_for("the frames", || {
        (daemon.json("/v1/status")["decoder"]["frames"].as_u64() >= Some(20)).then_some(())
    });
    daemon.stop();
    let log = LogReader::open(&root.join("test.db")).await.unwrap();
    let session = log.session(SessionPick::Latest).await.unwrap();
    let kept: Value = serde_json::from_str(&session.other_sites.unwrap()).unwrap();
    assert_eq!(
        (&kept[0]["file"], &kept[0]["unit"], &kept[0]["tag_height_m"]),
        (&json!("north.toml"), &json!("mm"), &json!(0.9))
    );
    assert_eq!(kept[0]["anchors"][1], json!({"id": 1, "field": 1, "at_m": [25.0, 0.0, 2.4]}));
    // A replay needs the file no more.
    std::fs::remove_file(root.join("north.toml")).unwrap();
    let (_, words, code) =
        run(&["replay", text(&root.join("test.db")), "--log", text(&root.join("again.db"))]);
    assert_eq!(code, 0, "{words}");
    let again =
        LogReader::open(&root.join("again.db")).await.unwrap().session(SessionPick::Latest).await.unwrap();
    assert_eq!(serde_json::from_str::<Value>(&again.other_sites.unwrap()).unwrap(), kept);
}

/// At the kit's own pace, so that nothing is old: half a minute to a minute.
#[test]
fn a_daemon_whose_site_does_not_fit_is_not_ready_and_says_why() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    let bin = capture(root, 200.0);
    let site = site(root, "site.toml", "mm", &PLACES_M, &format!("file://{}?pace=1", bin.display()));
    let daemon = Daemon::start(&site, &[]);
    let detail = wait_for("the cause", || {
        let (status, _, body) = daemon.get("/readyz");
        (status == 503 && body.contains("unit = \\\"cm\\\"")).then_some(body)
    });
    assert!(detail.contains("No position can be trusted"), "{detail}");
    let kit = daemon.json("/v1/anchors")["kit"].clone();
    let found = kit.as_array().unwrap().iter().find(|k| k["kind"] == "site_does_not_fit").unwrap();
    assert_eq!((&found["cause"]["kind"], &found["cause"]["unit"]), (&json!("unit"), &json!("cm")), "{found}");
    let status = daemon.json("/v1/status");
    let problems = status["problems"].as_array().unwrap().iter();
    assert_eq!(
        problems.filter(|p| p.as_str().unwrap().contains("don't fit")).count(),
        1,
        "told once: {status}"
    );
    assert!(daemon.get("/metrics").2.contains("hereabout_site_fits 0"));
    daemon.stop();
}
