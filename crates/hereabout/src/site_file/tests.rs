use std::fs;

use hereabout_core::{Correction, Micros, TagId, ZoneRule};

use super::*;

const GOOD: &str = r#"[site]
name = "yard"
dimension = "2d"
tag_height_m = 0.9

[source]
port = "sim://scenario.toml"

[frame]
layout = "c3 5a range:u16le*4 sum8"
unit = "cm"
no_range = 0

[[anchor]]
id = 0
at_m = [0.0, 0.0, 2.6]

[[anchor]]
id = 1
at_m = [24.0, 0.0, 2.4]

[[anchor]]
id = 2
at_m = [24.0, 14.0, 2.8]

[[anchor]]
id = 3
at_m = [0.0, 14.0, 2.2]

[[zone]]
name = "roller door"
polygon_m = [[9.0, 0.0], [13.0, 0.0], [13.0, 3.5]]
"#;

/// Loads `GOOD` with some text replaced.
fn load(from: &str, to: &str) -> Result<SiteFile, Vec<Problem>> {
    assert!(GOOD.contains(from), "the test replaces something");
    load_bytes(GOOD.replacen(from, to, 1).as_bytes())
}

fn load_bytes(bytes: &[u8]) -> Result<SiteFile, Vec<Problem>> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("site.toml");
    fs::write(&path, bytes).unwrap();
    SiteFile::load(&path)
}

/// Line, column, key and the words of the first problem.
fn first(from: &str, to: &str) -> (usize, usize, String, String) {
    let problems = load(from, to).expect_err("must be refused");
    let p = problems.into_iter().find(|p| p.level == Level::Error).expect("an error");
    (p.line, p.column, p.key, format!("{} / {}", p.what, p.help))
}

#[test]
fn the_good_file_loads_without_a_word() {
    let site = load("yard", "yard").unwrap();
    assert_eq!(site.warnings, []);
    assert_eq!(site.site.anchors().len(), 4);
    assert_eq!(site.listen.to_string(), "127.0.0.1:6208");
    assert_eq!(
        site.source,
        Some(SourceText { port: "sim://scenario.toml".into(), baud: 115_200, dtr: None })
    );
}

#[test]
fn an_unknown_key_is_told_with_the_nearest_known_one() {
    let (line, column, key, words) = first("tag_height_m", "tag_hight_m");
    assert_eq!((line, column, key.as_str()), (4, 1, "site.tag_hight_m"));
    assert!(words.contains("did you mean tag_height_m?"), "{words}");
    let (line, _, key, words) = first("[source]", "[sauce]");
    assert_eq!((line, key.as_str()), (6, "sauce"));
    assert!(words.contains("did you mean source?"), "{words}");
    let (line, _, key, words) = first("id = 2", "id = 2\nplace = 3");
    assert_eq!((line, key.as_str()), (24, "anchor[2].place"));
    assert!(words.contains("known keys here: id, name, at_m"), "{words}");
}

#[test]
fn a_wrong_type_is_told_with_what_was_expected() {
    let (line, column, key, words) = first("tag_height_m = 0.9", "tag_height_m = \"0.9\"");
    assert_eq!((line, column, key.as_str()), (4, 16, "site.tag_height_m"));
    assert!(words.contains("expected a number of metres"), "{words}");
    assert!(words.contains("\"0.9\" is a text"), "{words}");
    let (line, _, key, words) = first("[24.0, 14.0, 2.8]", "[24.0, 14.0]");
    assert_eq!((line, key.as_str()), (24, "anchor[2].at_m"));
    assert!(words.contains("[east, north, up] in metres, three numbers"), "{words}");
    assert!(words.contains("this list has the wrong length (2)"), "{words}");
}

/// The reader of the file has words of its own for types; people don't read them.
#[test]
fn no_type_of_the_program_is_named() {
    let cases = [
        ("tag_height_m = 0.9", "tag_height_m = [1]", "this is a list"),
        ("tag_height_m = 0.9", "tag_height_m = {}", "this is a table"),
        ("tag_height_m = 0.9", "tag_height_m = true", "true is no such value"),
        ("tag_height_m = 0.9", "tag_height_m = 2026-05-04", "is"),
        ("id = 2", "id = 2.5", "2.5 is a number"),
        ("id = 2", "id = -1", "-1 is out of bounds"),
        ("id = 2", "id = 70000", "70000 is out of bounds"),
        ("dimension = \"2d\"", "dimension = 2", "2 is a whole number"),
    ];
    for (from, to, what) in cases {
        let (_, _, _, words) = first(from, to);
        assert!(words.contains(what), "{to}: {words}");
        for word in
            ["f64", "u16", "u32", "i64", "invalid", "map", "sequence", "struct", "floating", "integer"]
        {
            assert!(!words.contains(word), "{to}: {words}");
        }
    }
}

#[test]
fn modem_lines_are_read_and_nothing_but_true_and_false_is_taken() {
    let port = "port = \"sim://scenario.toml\"";
    let read = |dtr: &str| load(port, &format!("port = \"/dev/ttyUSB0\"\n{dtr}"));
    for (text, expected) in [("dtr = true", Some(true)), ("dtr = false", Some(false)), ("", None)] {
        let site = read(text).expect("a good file");
        assert_eq!((site.source.map(|s| s.dtr), site.warnings), (Some(expected), vec![]), "{text}");
    }
    for text in ["dtr = \"true\"", "dtr = 1", "dtr = []"] {
        let (line, column, key, words) = first(port, &format!("{port}\n{text}"));
        assert_eq!((line, column, key.as_str()), (8, 7, "source.dtr"), "{text}");
        assert!(words.contains("expected true (assert DTR and RTS after opening) or false"), "{words}");
    }
    let (line, _, key, words) = first(port, &format!("{port}\ndrt = true"));
    assert_eq!((line, key.as_str()), (8, "source.drt"));
    assert!(words.contains("did you mean dtr?"), "{words}");
}

#[test]
fn a_missing_key_is_told_where_it_should_be() {
    let (line, _, key, words) = first("at_m = [24.0, 0.0, 2.4]\n", "");
    assert_eq!((line, key.as_str()), (18, "anchor[1].at_m"), "{words}");
    assert!(words.contains("this key is missing") && words.contains("[east, north, up]"), "{words}");
    let (_, _, key, words) = first("tag_height_m = 0.9\n", "");
    assert_eq!(key, "site.tag_height_m");
    assert!(words.contains("in 2D the tag's height must be known"), "{words}");
}

#[test]
fn what_only_the_program_can_judge_is_placed_as_well() {
    let (line, _, key, words) = first("id = 2", "id = 0");
    assert_eq!((line, key.as_str()), (23, "anchor[2].id"));
    assert!(words.contains("anchor[0] has id 0 already"), "{words}");

    let (line, column, key, words) = first("[24.0, 14.0, 2.8]", "[2400.0, 1400.0, 280.0]");
    assert_eq!((line, column, key.as_str()), (24, 8, "anchor[2].at_m"));
    assert!(words.contains("probably written in centimetres: 280 cm = 2.8 m"), "{words}");

    let (_, _, key, words) = first("[24.0, 14.0, 2.8]", "[0.0, 0.01, 2.6]");
    assert_eq!(key, "anchor[2].at_m");
    assert!(words.contains("stands at the place of anchor 0 (10 mm apart)"), "{words}");

    let (line, _, key, words) = first("[[9.0, 0.0], [13.0, 0.0], [13.0, 3.5]]", "[[9.0, 0.0], [13.0, 0.0]]");
    assert_eq!((line, key.as_str()), (32, "zone[0].polygon_m"));
    assert!(words.contains("2 corners are no area"), "{words}");
}

#[test]
fn anchors_on_a_line_are_refused_unless_the_area_decides() {
    let line = GOOD.replace("14.0, 2", "0.0, 2").replace("[24.0, 0.0, 2.8]", "[12.0, 0.0, 2.8]");
    let line = line.replace("[0.0, 0.0, 2.2]", "[6.0, 0.0, 2.2]");
    let problems = load_bytes(line.as_bytes()).expect_err("mirror open");
    assert!(problems[0].to_string().contains("all anchors stand on one line"), "{}", problems[0]);
    let fenced = line.replace("[source]", "area_m = [[0.0, 0.0], [24.0, 0.0], [24.0, 9.0]]\n[source]");
    let site = load_bytes(fenced.as_bytes()).expect("the area decides");
    assert!(site.warnings[0].to_string().contains("the area decides"), "{}", site.warnings[0]);
}

#[test]
fn too_few_anchors_and_spare_fields_are_warnings() {
    let cut = GOOD.find("[[anchor]]\nid = 2").unwrap();
    let site = load_bytes(&GOOD.as_bytes()[..cut]).expect("ranges and health are served");
    let words: Vec<String> = site.warnings.iter().map(ToString::to_string).collect();
    assert!(words.iter().any(|w| w.contains("a position needs 3 anchors")), "{words:?}");
    assert!(words.iter().any(|w| w.contains("4 range fields and the site 2 anchors")), "{words:?}");
}

#[test]
fn a_bad_layout_token_is_pointed_at() {
    let (line, column, key, words) = first("range:u16le*4", "range:u17le*4");
    assert_eq!((line, key.as_str()), (10, "frame.layout"), "{words}");
    // `layout = "c3 5a range…`: the token begins 6 characters behind the opening quote in column 10.
    assert!((17..=23).contains(&column), "column {column}: {words}");
    assert!(words.contains("u17le"), "{words}");
    let (_, _, key, words) = first("unit = \"cm\"", "unit = \"inch\"");
    assert_eq!(key, "frame.unit");
    assert!(words.contains("write m, dm, cm or mm"), "{words}");
}

#[test]
fn files_that_are_no_text_are_told() {
    let problems = SiteFile::load(Path::new("no/such/site.toml")).expect_err("absent");
    assert!(problems[0].to_string().contains("no/such/site.toml: error: can't be read"), "{}", problems[0]);
    let problems = load_bytes(b"[site]\nname = \"\xff\xfe\"\n").expect_err("not UTF-8");
    assert_eq!(problems[0].line, 2);
    assert!(problems[0].to_string().contains("not UTF-8 text"), "{}", problems[0]);
    let problems = load_bytes(b"[site\nname = 3\n").expect_err("syntax");
    assert_eq!((problems[0].line, problems[0].what.as_str()), (1, "not valid TOML"));
}

#[test]
fn the_calibration_beside_it_is_applied() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("site.toml");
    fs::write(&path, GOOD).unwrap();
    let calibration = "[[anchor]]\nid = 1\noffset_m = -0.2\nscale = 1.01\noffset_se_m = 0.01\n[[anchor]]\nid = 9\noffset_m = 0\n";
    fs::write(folder.path().join("calibration.toml"), calibration).unwrap();
    let site = SiteFile::load(&path).unwrap();
    let expected = Correction { offset_m: -0.2, scale: 1.01, offset_se_m: Some(0.01) };
    assert_eq!(site.site.anchors()[1].correction, expected);
    assert_eq!(site.site.anchors()[0].correction, Correction::NONE);
    assert!(site.warnings[0].to_string().contains("no such anchor"), "{}", site.warnings[0]);
    fs::write(folder.path().join("calibration.toml"), "[[anchor]]\nid = 1\noffset_m = 30\n").unwrap();
    let problems = SiteFile::load(&path).expect_err("not an offset");
    assert_eq!((problems[0].line, problems[0].key.as_str()), (3, "anchor[0].offset_m"));
}

#[test]
fn what_of_an_error_stays_is_read_and_has_limits() {
    let track = |text: &str| load("[source]", &format!("[track]\n{text}\n[source]"));
    let site = track("slow_error_m = 0.01\ntag_offset_m = 0.0").expect("a good file").site;
    assert_eq!((site.track().slow_error_m, site.track().tag_offset_m), (Some(0.01), Some(0.0)));
    assert_eq!(track("estimator = \"tracker\"").expect("a good file").site.track().slow_error_m, None);
    for key in ["slow_error_m", "tag_offset_m"] {
        for value in ["-0.1", "4.0"] {
            let problems = track(&format!("{key} = {value}")).expect_err("must be refused");
            assert_eq!((problems[0].key.as_str(), problems[0].line), (format!("track.{key}").as_str(), 7));
        }
    }
}

/// `GOOD` with the zone's shape replaced.
fn zone(lines: &str) -> Result<SiteFile, Vec<Problem>> {
    load("polygon_m = [[9.0, 0.0], [13.0, 0.0], [13.0, 3.5]]", lines)
}

#[test]
fn rules_of_zones_are_read_and_have_limits() {
    let site = zone(
        "circle = { at_m = [4.0, 5.0], radius_m = 2.0 }\nmargin_m = 0.5\nenter_after_s = 1\nleave_after_s = 0.2\n\
         max_protection_radius_m = 0.8\nallow_unchecked = true\ntags = [0, 3, 3]",
    )
    .expect("a good file");
    assert_eq!(site.warnings, []);
    let rule = ZoneRule {
        margin_m: 0.5,
        enter_after: Micros::from_millis(1_000),
        leave_after: Micros::from_millis(200),
        max_protection_radius_m: 0.8,
        allow_unchecked: true,
        tags: vec![TagId(0), TagId(3), TagId(3)],
    };
    assert_eq!(site.site.zones()[0].rule, rule);
    let bad = [
        ("margin_m = -1", "margin_m"),
        ("margin_m = nan", "margin_m"),
        ("enter_after_s = nan", "enter_after_s"),
        ("leave_after_s = nan", "leave_after_s"),
        ("leave_after_s = -0.1", "leave_after_s"),
        ("enter_after_s = inf", "enter_after_s"),
        ("max_protection_radius_m = 0", "max_protection_radius_m"),
    ];
    for (line, key) in bad {
        let text = format!("polygon_m = [[9.0, 0.0], [13.0, 0.0], [13.0, 3.5]]\n{line}");
        let problems = zone(&text).expect_err(line);
        assert_eq!((problems[0].line, problems[0].key.as_str()), (33, format!("zone[0].{key}").as_str()));
    }
    let problems = zone("circle = { at_m = [nan, 5.0], radius_m = 2.0 }").expect_err("no number");
    assert_eq!(problems[0].key, "zone[0].circle.at_m");
}

#[test]
fn outlines_and_holes_are_told_apart_in_words() {
    let outline = "polygon_m = [[2.0, 0.0], [13.0, 0.0], [13.0, 9.0], [2.0, 9.0]]";
    let holes = |text: &str| zone(&format!("{outline}\nholes_m = [{text}]"));
    let inside = "[[4.0, 4.0], [6.0, 4.0], [6.0, 6.0]]";
    assert_eq!(holes(inside).expect("a good file").warnings, []);
    let problems = holes("[[4.0, 4.0], [16.0, 4.0], [6.0, 6.0]]").expect_err("sticks out");
    assert_eq!(problems[0].key, "zone[0].holes_m[0]");
    assert!(problems[0].to_string().contains("doesn't lie wholly inside"), "{}", problems[0]);
    let problems = holes(&format!("{inside}, [[5.0, 4.5], [9.0, 4.5], [9.0, 7.0]]")).expect_err("they cross");
    assert_eq!(problems[0].key, "zone[0].holes_m[1]");
    assert!(problems[0].to_string().contains("touches holes_m[0]"), "{}", problems[0]);
}

#[test]
fn keys_that_do_nothing_near_an_anchor_are_told() {
    let near = "near = { anchor = 1, enter_m = 1.5, leave_m = 2.5 }";
    assert_eq!(zone(near).expect("a good file").warnings, []);
    let site = zone(&format!("{near}\nmargin_m = 0.5\nallow_unchecked = false")).expect("it can be run");
    let told: Vec<(usize, &str)> = site.warnings.iter().map(|w| (w.line, w.key.as_str())).collect();
    assert_eq!(told, [(33, "zone[0].margin_m"), (34, "zone[0].allow_unchecked")]);
}

#[test]
fn a_zone_that_is_always_unknown_is_told() {
    let cut = GOOD.find("[[anchor]]\nid = 3").unwrap();
    let zone = GOOD.find("[[zone]]").unwrap();
    let three = GOOD[..cut].replace("range:u16le*4", "range:u16le*3") + &GOOD[zone..];
    let site = load_bytes(three.as_bytes()).expect("it can be run");
    let words: Vec<String> = site.warnings.iter().map(ToString::to_string).collect();
    assert!(words[0].contains("always be unknown: 3 anchors can't check a position, 4 can"), "{words:?}");
}

#[test]
fn tags_are_listed_with_names_and_a_bad_list_is_pointed_at() {
    let with_tags = |list: &str| load("[[zone]]", &format!("{list}\n[[zone]]"));
    let listed = "[[tag]]\nid = 0\nname = \"potting cart\"\n[[tag]]\nid = 3\n";
    let site = with_tags(listed).unwrap().site;
    let names: Vec<&str> = site.tags().iter().map(|t| t.name.as_str()).collect();
    assert_eq!(names, ["potting cart", "tag 3"]);
    let what = |problems: Vec<Problem>| (problems[0].line, problems[0].what.clone());
    let (line, words) = what(with_tags("[[tag]]\nid = 3\n").unwrap_err());
    assert!(words.contains("no tag number"), "{words}");
    assert!(line > 0);
    let (line, words) = what(with_tags("[[tag]]\nid = 0\n[[tag]]\nid = 0\n").unwrap_err());
    assert!(words.contains("tag[0] has id 0 already"), "{words}");
    assert!(line > 0);
    let zone = format!(
        "{listed}[[zone]]\nname = \"charger\"\ntags = [0, 7]\ncircle = {{ at_m = [3.0, 3.0], radius_m = 1.0 }}\n"
    );
    let (line, words) = what(with_tags(&zone).unwrap_err());
    assert!(words.contains("tag 7 is not one of the [[tag]] tables"), "{words}");
    assert!(line > 0);
    let track = |text: &str| load("[source]", &format!("[track]\n{text}\n[source]"));
    let short = track("tag_forgotten_after_s = 2.0").unwrap_err();
    assert!(short.iter().all(|p| p.key == "track.tag_forgotten_after_s"), "{short:?}");
    assert!(short.iter().any(|p| p.what.contains("forgotten before it is lost")), "{short:?}");
    let late = track("lost_after_s = 600.0").unwrap().site;
    assert_eq!(late.track().tag_forgotten_after.secs_f64(), 1200.0, "the usual time follows lost_after_s");
}
