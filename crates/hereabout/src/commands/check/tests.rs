//! Tests of `check`.

use super::*;

/// A site on this port.
fn site(port: &Path) -> SiteFile {
    let text = format!(
        "[site]\nname = \"yard\"\ndimension = \"2d\"\ntag_height_m = 0.9\n[source]\nport = \"{}\"\n\
             [[anchor]]\nid = 0\nat_m = [0, 0, 2.6]\n[[anchor]]\nid = 1\nat_m = [24, 0, 2.4]\n\
             [[anchor]]\nid = 2\nat_m = [24, 14, 2.8]\n[[anchor]]\nid = 3\nat_m = [0, 14, 2.2]\n",
        port.display()
    );
    SiteFile::from_text(Path::new("site.toml"), &text, None).expect("a good site")
}

#[test]
fn kits_whose_old_or_frozen_frames_cannot_be_seen_are_named() {
    let facts = |layout: &str, unit: &str| {
        let text = site(Path::new("/dev/null")).text
            + &format!("[frame]\nlayout = \"{layout}\"\nunit = \"{unit}\"\nno_range = 0\n");
        let site = SiteFile::from_text(Path::new("site.toml"), &text, None).expect("a good site");
        let json = to_json(&[], Some((&site, &site_check(&site))), &Judged::default(), None);
        let facts = json["facts"].as_array().unwrap();
        for fact in facts {
            assert_eq!(fact["code"], fact["kind"].as_str().unwrap().replace(' ', "_"), "{fact}");
        }
        facts.iter().map(|f| f["kind"].as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    let named = |layout, unit| {
        let facts = facts(layout, unit);
        ["no counter", "frozen unseen"].map(|kind| facts.iter().any(|f| f == kind))
    };
    assert_eq!(named("c3 5a seq:u8 range:u16le*4 sum8", "cm"), [false, false]);
    assert_eq!(named("c3 5a range:u16le*4 sum8", "cm"), [true, false]);
    assert_eq!(named("c3 5a millis:u16le range:u16le*4 sum8", "dm"), [false, true]);
    assert_eq!(named("c3 5a range:f32le*4 sum8", "m"), [true, false]);
}

#[test]
fn every_finding_has_a_code() {
    let codes = |text: &str| {
        let (problems, site) = match SiteFile::from_text(Path::new("site.toml"), text, None) {
            Ok(site) => (site.warnings.clone(), Some(site)),
            Err(problems) => (problems, None),
        };
        let judged = site.as_ref().map_or(Judged::default(), |site| Judged::of(site, false));
        let json = to_json(&problems, None, &judged, None);
        let codes = json["findings"].as_array().unwrap().iter();
        codes.map(|f| f["code"].as_str().unwrap().to_owned()).collect::<Vec<_>>().join(" ")
    };
    let good = site(Path::new("sim://yard.toml")).text;
    assert_eq!(codes(&good), "no_frame bad_source", "that scenario is not there");
    assert_eq!(codes(&good.replace("dimension", "dimensoin")), "unknown_key");
    assert_eq!(codes(&good.replace("name = \"yard\"", "name = 7")), "wrong_type");
    assert_eq!(codes(&good.replace("name = \"yard\"", "")), "missing_key");
    assert_eq!(codes(&good.replace("[site]", "[site")), "not_toml");
    assert_eq!(codes(&good.replace("\"2d\"", "\"4d\"")), "bad_value");
    assert_eq!(codes(&good.replace("id = 1\n", "id = 0\n")), "duplicate_anchor_id");
    assert!(codes(&good.replace("[24, 0, 2.4]", "[2400, 0, 240]")).contains("likely_unit_slip"));
}

#[test]
fn the_latency_timer_of_an_adapter_that_is_there_is_shown_and_told_when_it_matters() {
    let machine = tempfile::tempdir().unwrap();
    let (port, sys) = (machine.path().join("ttyUSB0"), machine.path().join("sys"));
    let site = site(&port);
    let found = site_check(&site);
    let told = |text: &str| (text.contains("keeps bytes back"), text.contains("latency_timer"));
    assert_eq!(latency_ms(&site, &sys), None);
    let adapter = sys.join("bus/usb-serial/devices/ttyUSB0");
    std::fs::create_dir_all(&adapter).unwrap();
    std::fs::write(&port, "").unwrap();
    for (timer, matters) in [(16, false), (17, true)] {
        std::fs::write(adapter.join("latency_timer"), timer.to_string()).unwrap();
        let latency_ms = latency_ms(&site, &sys);
        let text = to_text(&site, &found, &Judged::default(), latency_ms);
        assert!(text.contains(&format!("latency timer of the adapter: {timer} ms")), "{text}");
        assert_eq!(told(&text), (matters, matters), "{text}");
        let json = to_json(&site.warnings, Some((&site, &found)), &Judged::default(), latency_ms);
        assert_eq!(json["latency_timer_ms"], timer);
        let facts = json["facts"].as_array().unwrap();
        assert_eq!(facts.iter().any(|f| f["kind"] == "latency timer"), matters, "{json}");
    }
    assert!(
        !to_text(&site, &found, &Judged::default(), None).contains("latency"),
        "nothing there, nothing said"
    );
}
