//! `check` refuses whatever `run` refuses, by the same judgement, and nothing that people wrote moves a terminal's cursor.

use std::path::Path;

use crate::support::nursery;
use crate::support::{Daemon, run};
use serde_json::Value;

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// The site of the tests with some text replaced.
fn site(folder: &Path, from: &str, to: &str) -> String {
    let path = nursery::site(folder, "/dev/null");
    let before = std::fs::read_to_string(&path).unwrap();
    assert!(before.contains(from), "the test replaces something: {from}");
    std::fs::write(&path, before.replacen(from, to, 1)).unwrap();
    text(&path).to_owned()
}

/// The words with which `run` and `check` refuse a site, and both exit codes.
fn refused(site: &str) -> (String, i32, i32) {
    let (_, run_words, run_code) = run(&["run", site, "--listen", "127.0.0.1:0"]);
    let (out, check_words, check_code) = run(&["check", site]);
    let (json, _, json_code) = run(&["check", site, "--json"]);
    let json: Value = serde_json::from_str(&json).unwrap();
    assert_eq!(json_code, check_code);
    assert_eq!((&json["ok"], &json["runs"]), (&false.into(), &false.into()), "{json}");
    let said = out + &check_words;
    // Each error that keeps `run` from starting stands in what `check` says, word by word.
    for line in run_words.lines().filter(|l| l.contains(": error: ")) {
        assert!(said.contains(line), "{line:?} is not in {said}");
    }
    assert!(!run_words.is_empty() && !said.contains("it can be run"), "{said}");
    (said, run_code, check_code)
}

#[test]
fn check_refuses_what_run_refuses() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    let frame = format!("[frame]\nlayout = \"{}\"\nunit = \"cm\"\nno_range = 0\n", nursery::LAYOUT);
    for (from, to, told, code) in [
        (frame.as_str(), "", "there is no [frame]", 78),
        ("[source]\nport = \"/dev/null\"\n", "", "there is no [source]", 78),
        ("\"/dev/null\"", "\"ttyUSB0\"", "site.toml:7:8: error: source.port", 78),
        ("\"/dev/null\"", "\"http://kit\"", "`http://` is not known", 78),
        ("\"/dev/null\"", "\"sim://none.toml\"", "none.toml", 78),
        ("\"/dev/null\"\n", "\"/dev/null\"\nbaud = 3\n", "3 is not a serial speed", 78),
        ("[log]", "[api]\nsocket = \"test.db\"\n[log]", "give the socket another name", 78),
        ("[log]", "[api]\nsocket = \"test.key\"\n[log]", "give the socket another name", 78),
    ] {
        let site = site(root, from, to);
        let (said, run_code, check_code) = refused(&site);
        assert_eq!((run_code, check_code), (code, 78), "{from} {to}: {said}");
        assert!(said.contains(told), "{told}: {said}");
    }
    // An address that others reach; `run` has no flag that mends it here.
    let site = site(root, "[log]", "[api]\nlisten = \"0.0.0.0:0\"\n[log]");
    let (_, run_words, run_code) = run(&["run", &site, "--no-log"]);
    let (out, _, check_code) = run(&["check", &site]);
    assert_eq!((run_code, check_code), (78, 78), "{run_words}");
    assert!(
        out.contains("api.listen") && out.contains("loopback") && run_words.contains("loopback"),
        "{out}"
    );
    assert!(!root.join("test.db").exists(), "nothing was made by a check");
}

/// The daemon starts without its log, so `check` warns of it.
#[test]
fn a_log_that_can_not_be_kept_is_warned_of() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    std::fs::create_dir(root.join("folder")).unwrap();
    std::fs::write(root.join("walk.csv"), "time_s,anchor,range_m\n").unwrap();
    for (path, told) in [
        ("no/such/test.db", "there is no folder"),
        ("folder", "it is a folder"),
        ("walk.csv", "it is another file"),
    ] {
        let site = site(root, "\"test.db\"", &format!("\"{path}\""));
        let (out, words, code) = run(&["check", &site]);
        assert_eq!(code, 0, "{out}{words}");
        assert!(out.contains("warning: log.path") && out.contains(told), "{out}");
        let daemon = Daemon::start(Path::new(&site), &[]);
        assert_eq!(daemon.get("/v1/site").0, 200);
        drop(daemon);
    }
    assert_eq!(std::fs::read_to_string(root.join("walk.csv")).unwrap(), "time_s,anchor,range_m\n");
}

#[test]
fn a_zone_in_centimetres_is_warned_of() {
    let folder = tempfile::tempdir().unwrap();
    for (shape, odd) in [
        ("polygon_m = [[900.0, 300.0], [1300.0, 300.0], [1300.0, 650.0]]", true),
        ("circle = { at_m = [1200.0, 700.0], radius_m = 150.0 }", true),
        ("near = { anchor = 0, enter_m = 150.0, leave_m = 250.0 }", true),
        ("polygon_m = [[-400.0, -400.0], [400.0, -400.0], [400.0, 400.0], [-400.0, 400.0]]", false),
        ("circle = { at_m = [12.0, 7.0], radius_m = 1.5 }", false),
    ] {
        let zone = format!("[[zone]]\nname = \"roller door\"\n{shape}\n[log]");
        let (out, words, code) = run(&["check", &site(folder.path(), "[log]", &zone)]);
        assert_eq!(code, 0, "{out}{words}");
        assert_eq!(out.contains("no tag can ever be in zone"), odd, "{shape}: {out}");
    }
}

#[test]
fn flags_of_run_stand_for_what_the_site_file_lacks() {
    let folder = tempfile::tempdir().unwrap();
    let site = site(folder.path(), "\"test.db\"", "\"no/such/test.db\"");
    let daemon = Daemon::start(Path::new(&site), &["--no-log"]);
    daemon.stop();
    let (_, words, code) = run(&["run", &site, "--no-log", "--source", "ttyUSB0"]);
    assert_eq!(code, 78, "{words}");
    assert!(words.contains("--source: ") && words.contains("ttyUSB0"), "{words}");
}

#[test]
fn a_site_for_replays_alone_passes_only_when_that_is_asked_for() {
    let folder = tempfile::tempdir().unwrap();
    let frame = format!("[frame]\nlayout = \"{}\"\nunit = \"cm\"\nno_range = 0\n", nursery::LAYOUT);
    let site = site(folder.path(), &frame, "");
    let (out, _, code) = run(&["check", &site]);
    assert_eq!(code, 78, "{out}");
    assert!(out.contains("it can be replayed, not run"), "{out}");
    let (out, _, code) = run(&["check", &site, "--replay-only"]);
    assert_eq!(code, 0, "{out}");
    assert!(out.contains("it can be replayed, not run") && out.contains("warning: frame.layout"), "{out}");
    let (json, _, code) = run(&["check", &site, "--replay-only", "--json"]);
    let json: Value = serde_json::from_str(&json).unwrap();
    assert_eq!((code, &json["ok"], &json["runs"]), (0, &true.into(), &false.into()), "{json}");
}

#[test]
fn datagrams_of_a_whole_network_are_warned_of() {
    let folder = tempfile::tempdir().unwrap();
    let said = |port: &str| {
        let site = site(folder.path(), "/dev/null", port);
        let (out, _, code) = run(&["check", &site]);
        assert_eq!(code, 0, "{out}");
        let words = Daemon::start(Path::new(&site), &["--no-log"]).stop();
        (out, words)
    };
    let (out, words) = said("udp://0.0.0.0:0");
    for told in [out, words] {
        assert!(
            told.contains("warning: source.port") && told.contains("everybody on that network"),
            "{told}"
        );
    }
    let (out, words) = said("udp://127.0.0.1:0");
    assert!(!(out + &words).contains("everybody"), "this machine alone");
}

/// Neither a control character other than a new line or a tab, nor one that turns the direction of writing.
fn is_calm(text: &str) -> bool {
    text.chars()
        .all(|c| c == '\n' || c == '\t' || (!c.is_control() && !('\u{202a}'..='\u{202e}').contains(&c)))
}

#[test]
fn names_that_move_a_cursor_are_refused_and_never_shown_raw() {
    let folder = tempfile::tempdir().unwrap();
    for (from, to) in [
        ("\"test yard\"", r#""yard\u001b[2J""#),
        ("\"test yard\"", r#""yard\ngate""#),
        ("\"test yard\"", r#""\u202eyard""#),
        ("id = 2\n", "id = 2\nname = \"gate\\u001b[2J\"\n"),
        ("/dev/null", r"/dev/tty\u001b[2J"),
        (
            "[log]",
            "[[zone]]\nname = \"door\\u009b2J\"\ncircle = { at_m = [5.0, 5.0], radius_m = 1.0 }\n[log]",
        ),
        // Not even TOML: the line that is shown holds the sign itself.
        ("\"test yard\"", "\"yard\u{1b}[2J\""),
        ("\"test yard\"", "\"yard\" # \u{202e} tnemmoc\u{202c}\nnmae = 1"),
    ] {
        let site = site(folder.path(), from, to);
        for command in ["check", "run", "listen"] {
            let (out, words, code) = run(&[command, &site]);
            assert_eq!(code, 78, "{command} {to:?}: {words}");
            assert!(is_calm(&out) && is_calm(&words), "{command} {to:?}: {words:?}");
            assert!(!words.is_empty());
        }
    }
}

#[test]
fn file_names_and_names_in_tables_are_spelt_out() {
    let folder = tempfile::tempdir().unwrap();
    let nasty = folder.path().join("walk\u{1b}[2J\nx.csv");
    std::fs::write(&nasty, "t,a\n1,2\n").unwrap();
    let site = text(&nursery::site(folder.path(), "/dev/null")).to_owned();
    for command in [
        vec!["replay", text(&nasty), "--site", &site],
        vec!["check", text(&nasty)],
        vec!["verify", &site, "--spots", text(&nasty), "--input", text(&nasty)],
        vec!["report", text(&nasty), "--site", &site, "--out", "-"],
    ] {
        let (out, words, code) = run(&command);
        assert_ne!(code, 0, "{command:?}");
        assert!(is_calm(&out) && is_calm(&words), "{command:?}: {words:?}");
        assert!(words.contains("\\u001b[2J"), "{words}");
    }
    let (_, words, code) = run(&["walk\u{1b}[2J", "--\u{202e}"]);
    assert!(code == 64 && is_calm(&words), "{words:?}");
    // A spot's name is a stranger's text as well; JSON stays JSON.
    let spots = folder.path().join("spots.csv");
    std::fs::write(&spots, "name,from_s,to_s,x_m,y_m\nbe\u{1b}[2Jnch\u{202e},1000,1060,8,3.5\n").unwrap();
    let walk = folder.path().join("walk.csv");
    let rows: String = (0..600).map(|k| format!("{}.{},0,8.9\n", 1000 + k / 10, k % 10)).collect();
    std::fs::write(&walk, format!("time_s,anchor,range_m\n{rows}")).unwrap();
    let args = ["verify", &site, "--spots", text(&spots), "--input", text(&walk)];
    let (out, words, _) = run(&args);
    assert!(is_calm(&out) && is_calm(&words) && out.contains("be\\u001b[2Jn"), "{out:?} {words:?}");
    let (out, _, _) = run(&[&args[..], &["--json"]].concat());
    assert!(is_calm(&out), "{out:?}");
    let json: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(json["checkpoints"][0]["name"], "be\u{1b}[2Jnch\u{202e}");
}

#[test]
fn more_zones_than_one_site_may_have_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let zone = |i: usize| {
        format!("[[zone]]\nname = \"bed {i}\"\ncircle = {{ at_m = [5.0, 5.0], radius_m = 1.0 }}\n")
    };
    let zones = |n: usize| (0..n).map(zone).collect::<String>() + "[log]";
    let (out, words, code) = run(&["check", &site(folder.path(), "[log]", &zones(64))]);
    assert_eq!(code, 0, "{out}{words}");
    let (_, words, code) = run(&["check", &site(folder.path(), "[log]", &zones(65))]);
    assert_eq!(code, 78, "{words}");
    assert!(words.contains("zone[64]: 65 zones are more than the 64"), "{words}");
    let corners: Vec<String> = (0..1_001).map(|i| format!("[{}.0, {}.0]", i, (i * i) % 7)).collect();
    let zone = format!("[[zone]]\nname = \"bed\"\npolygon_m = [{}]\n[log]", corners.join(", "));
    let (_, words, code) = run(&["check", &site(folder.path(), "[log]", &zone)]);
    assert_eq!(code, 78, "{words}");
    assert!(words.contains("1001 corners are more than the 1000"), "{words}");
}
