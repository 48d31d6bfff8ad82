//! Every cause in words, at 2D and 3D sites, in known and unknown units, and with what no site has.

use hereabout_core::{AnchorId, MAX_ANCHORS};

use super::*;
use crate::samples::{Yard, causes_of_another_site, every_doubt};

/// Lines of at most 75 columns that a text takes when it is cut at blanks.
fn lines(text: &str) -> usize {
    let (mut lines, mut used) = (1, 0);
    for word in text.split_whitespace().map(str::len) {
        match used {
            0 => used = word,
            _ if used + 1 + word <= 75 => used += 1 + word,
            _ => (lines, used) = (lines + 1, word),
        }
    }
    lines
}

#[test]
fn units_are_named_from_what_the_site_file_says() {
    let yard = Yard::new();
    let advice = |units_per_m: Option<f64>, factor: f64| {
        let names = SiteNames { range_units_per_m: units_per_m, ..yard.names() };
        let doubt = SiteDoubt { cause: Some(Cause::Unit { factor }), ..every_doubt(0.42)[0] };
        let said = found(&doubt, names);
        (said.words.split(" With ").nth(1).unwrap().split(" 97 %").next().unwrap().to_owned(), said.advice)
    };
    // Taken for the first, sent in the second.
    for (taken, factor, sent) in [
        (1000.0, 10.0, "cm"),
        (100.0, 0.1, "mm"),
        (1.0, 0.01, "cm"),
        (10.0, 10.0, "m"),
        (1.0, 0.1, "dm"),
        (100.0, 99.0, "m"),
    ] {
        let (with, what) = advice(Some(taken), factor);
        assert_eq!(with, format!("unit = \"{sent}\""));
        assert_eq!(what, format!("set unit = \"{sent}\" under [frame] in the site file"));
    }
    assert_eq!(advice(Some(1.0), 0.3048).0, "ranges in feet");
    assert_eq!(advice(Some(100.0), 2.54).0, "ranges in inches");
    assert!(advice(Some(1.0), 0.3048).1.contains("m, dm, cm or mm"));
    assert_eq!(advice(Some(1.0), 0.7).0, "every range times 0.7", "half of a unit is none");
    // A table has no unit that could be set: its numbers are what is wrong.
    let (with, what) = advice(None, 0.01);
    assert_eq!(
        (with.as_str(), what.as_str()),
        ("ranges in cm", "these are ranges in cm: put them into metres first (times 0.01)")
    );
}

#[test]
fn a_place_is_told_with_its_way_and_as_a_line_of_the_site_file() {
    let yard = Yard::new();
    let doubt =
        SiteDoubt { cause: Some(Cause::Place { anchor: 1, at_m: [21.0, 4.0, 2.0] }), ..every_doubt(0.42)[0] };
    let said = found(&doubt, yard.names());
    assert!(
        said.words.contains(
            "With anchor 1 standing 5.00 m to the north-west and 0.40 m lower 97 % fit within 0.36 m"
        ),
        "{}",
        said.words
    );
    assert_eq!(said.advice, "look at it first; if it hangs there: at_m = [21.00, 4.00, 2.00]");
    assert!(said.on_site);
    for doubt in every_doubt(0.42) {
        assert!(!found(&doubt, yard.names()).advice.contains("calibrate"), "{doubt:?}");
    }
}

/// A cause that speaks of what this site has not is none, in words as in facts.
#[test]
fn what_the_site_does_not_have_is_not_named() {
    let yard = Yard::new();
    for cause in causes_of_another_site() {
        let doubt = SiteDoubt { cause: Some(cause), ..every_doubt(0.42)[0] };
        let said = found(&doubt, yard.names());
        assert!(said.words.ends_with("the cause is not found yet"), "{}", said.words);
        assert!(said.facts.is_empty());
    }
}

/// Two lines of the table each, but for the order of a site with the most anchors.
#[test]
fn words_and_advice_take_two_lines_at_most() {
    let mut yard = Yard::new();
    for (i, anchor) in yard.anchors.iter_mut().enumerate() {
        anchor.id = AnchorId(65_531 + i as u16);
    }
    for x in [0.001, 0.42, 0.999] {
        for doubt in every_doubt(x) {
            let said = found(&doubt, yard.names());
            assert!(lines(&said.words) <= 2 && lines(&said.advice) <= 2, "{}\n{}", said.words, said.advice);
        }
    }
    let place_of: [u8; MAX_ANCHORS] = std::array::from_fn(|i| ((i + 1) % MAX_ANCHORS) as u8);
    yard.anchors = (0..16).map(|i| Anchor { id: AnchorId(65_000 + i), ..yard.anchors[0].clone() }).collect();
    let doubt = SiteDoubt { cause: Some(Cause::Order { place_of }), ..every_doubt(0.42)[0] };
    let said = found(&doubt, yard.names());
    assert!(lines(&said.advice) <= 6 && said.advice.ends_with("65015 that of 65000"), "{}", said.advice);
}

#[test]
fn an_order_that_others_equal_is_told_as_one_of_several() {
    let yard = Yard::new();
    let place_of: [u8; MAX_ANCHORS] = std::array::from_fn(|i| if i < 2 { 1 - i as u8 } else { i as u8 });
    for cause in [Cause::Swapped { anchors: [0, 2] }, Cause::Reversed, Cause::Order { place_of }] {
        let doubt = |alike: u8| SiteDoubt { cause: Some(cause), alike, ..every_doubt(0.42)[0] };
        let said = |alike: u8| found(&doubt(alike), yard.names());
        assert!(!said(0).words.contains("; so do"), "{}", said(0).words);
        assert!(said(1).words.ends_with("97 % fit within 0.36 m; so does 1 other"), "{}", said(1).words);
        assert!(said(3).words.ends_with("0.36 m; so do 3 others"), "{}", said(3).words);
        // Which one it is only eyes can tell: nobody changes the file from the chair.
        assert!(
            said(3).advice.starts_with("ranges can't tell which order it is: see which board hangs where"),
            "{}",
            said(3).advice
        );
        assert!(said(3).on_site);
        assert!(lines(&said(200).words) <= 2 && lines(&said(200).advice) <= 2);
    }
}

#[test]
fn tag_and_anchor_heights_are_told_as_one_thing() {
    let yard = Yard::new();
    let said = |up_m: f64, names: SiteNames<'_>| {
        found(&SiteDoubt { cause: Some(Cause::TagHeight { up_m }), ..every_doubt(0.42)[0] }, names)
    };
    let high = said(2.4, yard.names());
    assert!(high.words.contains("With tag_height_m = 2.40 97 % fit"), "{}", high.words);
    assert!(high.advice.ends_with("all anchors 1.50 m lower look the same to ranges"), "{}", high.advice);
    assert!(said(0.4, yard.names()).advice.contains("0.50 m higher"));
    let free = said(2.4, SiteNames { dimension: Dimension::ThreeD, ..yard.names() });
    assert!(!free.words.contains("tag_height_m") && free.advice.contains("third number"), "{free:?}");
    assert!(
        found(
            &SiteDoubt { cause: Some(Cause::OtherSite { other: 0 }), ..every_doubt(0.42)[0] },
            yard.names()
        )
        .words
        .contains(&yard.others[0].file)
    );
}
