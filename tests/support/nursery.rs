//! The nursery of the tests: a small site and the simulated kit that belongs to it.

use std::path::{Path, PathBuf};

use hereabout_sim::{FrameText, Kit, Nlos, Scenario, SimAnchor, SimFrame, SimTag};

/// Places of the anchors: shed corners, gate post, glasshouse.
pub(crate) const PLACES_M: [[f64; 3]; 6] = *hereabout_fixtures::YARD_M.first_chunk().unwrap();
/// The frame of the tests.
pub(crate) const LAYOUT: &str = "c3 5a seq:u8 range:u16le*8 sum8";

/// A cart that drives round the yard; six anchors, some late ranges.
pub(crate) fn scenario(seconds: f64) -> Scenario {
    let anchor =
        |(i, at_m): (usize, &[f64; 3])| SimAnchor { id: i as u16, at_m: *at_m, ..SimAnchor::default() };
    Scenario {
        seed: 11,
        duration_s: Some(seconds),
        frame: Some(FrameText { layout: Some(LAYOUT.into()), unit: "cm".into(), ..FrameText::default() }),
        anchors: PLACES_M.iter().enumerate().map(anchor).collect(),
        tags: vec![SimTag {
            path_m: vec![vec![4.0, 3.0], vec![20.0, 4.0], vec![19.0, 11.0], vec![5.0, 10.0]],
            height_m: Some(0.9),
            speed_mps: 0.8,
            ..SimTag::default()
        }],
        nlos: Nlos { share: 0.05, ..Nlos::default() },
        ..Scenario::default()
    }
}

/// All frames of the kit.
pub(crate) fn frames(seconds: f64) -> Vec<SimFrame> {
    Kit::new(&scenario(seconds)).expect("a valid scenario").collect()
}

/// A site file in `folder` that listens to `port`.
pub(crate) fn site(folder: &Path, port: &str) -> PathBuf {
    let mut text = format!(
        "[site]\nname = \"test yard\"\ndimension = \"2d\"\ntag_height_m = 0.9\n\n[source]\nport = \"{port}\"\n\n\
         [frame]\nlayout = \"{LAYOUT}\"\nunit = \"cm\"\nno_range = 0\n\n[log]\npath = \"test.db\"\n"
    );
    for (i, [e, n, u]) in PLACES_M.iter().enumerate() {
        text += &format!("\n[[anchor]]\nid = {i}\nat_m = [{e:?}, {n:?}, {u:?}]\n");
    }
    let path = folder.join("site.toml");
    std::fs::write(&path, text).unwrap();
    path
}
