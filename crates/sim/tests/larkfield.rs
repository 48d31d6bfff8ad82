//! The demo: its scenario is what its site file and its calibration say, and shows what it should.
#![expect(clippy::unwrap_used, reason = "a test that can't set itself up has failed")]

use std::path::PathBuf;

use hereabout_sim::{Absence, Kit, Scenario};

fn file(name: &str) -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../examples/larkfield")).join(name)
}

fn table(name: &str) -> toml::Table {
    std::fs::read_to_string(file(name)).unwrap().parse().unwrap()
}

/// A number of a table, whether it is written with a point or without.
fn number(value: &toml::Value) -> f64 {
    value.as_float().or(value.as_integer().map(|i| i as f64)).unwrap()
}

#[test]
fn the_site_file_knows_the_same_anchors_and_frame() {
    let scenario = Scenario::read(&file("scenario.toml")).unwrap();
    let (site, calibration) = (table("site.toml"), table("calibration.toml"));
    assert_eq!(site["source"]["port"].as_str(), Some("sim://scenario.toml"));
    let frame = scenario.frame.as_ref().unwrap();
    assert_eq!(site["frame"]["layout"].as_str(), frame.layout.as_deref());
    assert_eq!(site["frame"]["unit"].as_str(), Some(frame.unit.as_str()));
    assert_eq!(vec![number(&site["frame"]["no_range"])], frame.no_range);

    let sites = site["anchor"].as_array().unwrap();
    let calibrated = calibration["anchor"].as_array().unwrap();
    assert_eq!((sites.len(), calibrated.len()), (scenario.anchors.len(), scenario.anchors.len()));
    for ((anchor, site), found) in scenario.anchors.iter().zip(sites).zip(calibrated) {
        assert_eq!(site["id"].as_integer(), Some(i64::from(anchor.id)));
        assert_eq!(found["id"].as_integer(), Some(i64::from(anchor.id)));
        let at_m: Vec<f64> = site["at_m"].as_array().unwrap().iter().map(number).collect();
        assert_eq!(at_m, anchor.at_m);
        // As good as its standard error says: within two of them.
        let error_m = number(&found["offset_m"]) - anchor.offset_m;
        assert!(error_m.abs() <= 2.0 * number(&found["offset_se_m"]), "anchor {}: {error_m}", anchor.id);
        assert_eq!(number(&found["scale"]), anchor.scale);
    }
    let sum: f64 = scenario.anchors.iter().map(|a| a.offset_m).sum();
    assert!(sum.abs() < 1e-9, "offsets are to have no mean: {sum}");
}

#[test]
fn the_cart_stays_in_the_yard_and_visits_both_zones() {
    let scenario = Scenario::read(&file("scenario.toml")).unwrap();
    let frames: Vec<_> = Kit::new(&scenario).unwrap().take(3000).collect();
    let inside =
        |low: [f64; 2], high: [f64; 2], p: [f64; 3]| (0..2).all(|i| (low[i]..=high[i]).contains(&p[i]));
    assert!(frames.iter().all(|f| inside([0.0, 0.0], [24.0, 14.0], f.epoch.truth_m)));
    assert!(frames.iter().any(|f| inside([9.5, 0.0], [12.5, 3.0], f.epoch.truth_m)), "roller door");
    let at_charger = |p: [f64; 3]| (p[0] * p[0] + p[1] * p[1]).sqrt() < 1.4;
    assert!(frames.iter().any(|f| at_charger(f.epoch.truth_m)), "charger");
    assert!(frames.iter().any(|f| !f.damage.is_empty()), "no damaged frame");
    let off = frames.iter().filter(|f| f.epoch.ranges[6].raw_m == Err(Absence::Off)).count();
    assert!((174..=176).contains(&off), "15 s and 2.5 s of starting are {off} frames");
}
