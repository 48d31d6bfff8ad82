//! Every cause in words and in facts, at 2D and 3D sites, in known and unknown units, and with what no site has.

use std::fmt::Write as _;

use hereabout_core::{AnchorId, MAX_ANCHORS, Micros};
use hereabout_engine::{KitFinding, Output};
use insta::assert_snapshot;

use super::*;
use crate::table::folded;
use crate::tests::fixtures::{busy_hub, info, now, table};
use crate::v1::SiteDoubtBody;

/// Causes of every kind, `x` for what is measured. They speak of the first four anchors.
pub(crate) fn every_cause(x: f64) -> Vec<Cause> {
    let mut place_of: [u8; MAX_ANCHORS] = std::array::from_fn(|i| i as u8);
    place_of[..4].copy_from_slice(&[1, 2, 3, 0]);
    let at_m = [12.0 * x, 4.0 * x, 2.6];
    vec![
        Cause::Unit { factor: 10.0 },
        Cause::Unit { factor: 304.8 },
        Cause::Unit { factor: 25.4 },
        Cause::Unit { factor: 7.0 * x },
        Cause::Scale { factor: 1.0 + 0.15 * x },
        Cause::Swapped { anchors: [0, 2] },
        Cause::Reversed,
        Cause::Order { place_of },
        Cause::Place { anchor: 1, at_m },
        Cause::TwoPlaces { anchors: [1, 3], at_m: [at_m, [x, x, x]] },
        Cause::AnchorHeight { anchor: 2, up_m: 8.0 * x },
        Cause::TagHeight { up_m: 5.0 * x },
        Cause::MirroredHeights,
        Cause::OtherSite { other: 0 },
    ]
}

/// The same as doubts, and those without a cause.
pub(crate) fn every_doubt(x: f64) -> Vec<SiteDoubt> {
    let doubt = |cause: Option<Cause>| SiteDoubt {
        explained_share: 0.31 * x / 0.42,
        too_short_share: 0.05 * x,
        cause,
        explained_then_share: if cause.is_some() { 0.97 } else { 0.0 },
        alike: 0,
        within_m: 0.36,
        all: !matches!(cause, Some(Cause::Place { .. } | Cause::TwoPlaces { .. })),
    };
    let short = SiteDoubt { too_short_share: 0.4 * x, ..doubt(None) };
    every_cause(x).into_iter().map(Some).chain([None]).map(doubt).chain([short]).collect()
}

fn other() -> OtherSite {
    info().site.others.first().cloned().unwrap()
}

#[test]
fn every_cause_says_what_would_fit_and_the_line_to_change() {
    let site = info().site;
    let mut all = String::new();
    for doubt in every_doubt(0.42) {
        let said = site_does_not_fit(&doubt, (&site).into());
        let facts = serde_json::to_string(&SiteDoubtBody::new(&doubt, (&site).into())).unwrap();
        let _ = writeln!(
            all,
            "{}\n  {}{}\n  {facts}",
            said.words,
            said.advice,
            if said.on_site { "" } else { " *" }
        );
    }
    assert_snapshot!("causes", all);
}

#[test]
fn units_are_named_from_what_the_site_file_says() {
    let site = info().site;
    let advice = |units_per_m: Option<f64>, factor: f64| {
        let names = SiteNames { range_units_per_m: units_per_m, ..SiteNames::from(&site) };
        let doubt = SiteDoubt { cause: Some(Cause::Unit { factor }), ..every_doubt(0.42)[0] };
        let said = site_does_not_fit(&doubt, names);
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
    let site = info().site;
    let doubt =
        SiteDoubt { cause: Some(Cause::Place { anchor: 1, at_m: [21.0, 4.0, 2.0] }), ..every_doubt(0.42)[0] };
    let said = site_does_not_fit(&doubt, (&site).into());
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
        assert!(!site_does_not_fit(&doubt, (&site).into()).advice.contains("calibrate"), "{doubt:?}");
    }
}

/// A cause that speaks of what this site has not is none, in words as in facts.
#[test]
fn what_the_site_does_not_have_is_not_named() {
    let site = info().site;
    let mut place_of = [0; MAX_ANCHORS];
    place_of[0] = 200;
    for cause in [
        Cause::Swapped { anchors: [0, 9] },
        Cause::Order { place_of },
        Cause::Place { anchor: 16, at_m: [0.0; 3] },
        Cause::TwoPlaces { anchors: [usize::MAX, 0], at_m: [[0.0; 3]; 2] },
        Cause::AnchorHeight { anchor: 5, up_m: 1.0 },
        Cause::OtherSite { other: 1 },
    ] {
        let doubt = SiteDoubt { cause: Some(cause), ..every_doubt(0.42)[0] };
        let said = site_does_not_fit(&doubt, (&site).into());
        assert!(said.words.ends_with("the cause is not found yet"), "{}", said.words);
        let facts = SiteDoubtBody::new(&doubt, (&site).into());
        assert_eq!((facts.cause, facts.explained_then), (None, None));
    }
}

/// Two lines of the table each, but for the order of a site with the most anchors.
#[test]
fn words_and_advice_take_two_lines_at_most() {
    let mut site = info().site;
    for (i, anchor) in site.anchors.iter_mut().enumerate() {
        anchor.id = AnchorId(65_531 + i as u16);
    }
    let lines = |text: &str| folded(text, 75).len();
    for x in [0.001, 0.42, 0.999] {
        for doubt in every_doubt(x) {
            let said = site_does_not_fit(&doubt, (&site).into());
            assert!(lines(&said.words) <= 2 && lines(&said.advice) <= 2, "{}\n{}", said.words, said.advice);
        }
    }
    let place_of: [u8; MAX_ANCHORS] = std::array::from_fn(|i| ((i + 1) % MAX_ANCHORS) as u8);
    site.anchors = (0..16).map(|i| Anchor { id: AnchorId(65_000 + i), ..site.anchors[0].clone() }).collect();
    let doubt = SiteDoubt { cause: Some(Cause::Order { place_of }), ..every_doubt(0.42)[0] };
    let said = site_does_not_fit(&doubt, (&site).into());
    assert!(lines(&said.advice) <= 6 && said.advice.ends_with("65015 that of 65000"), "{}", said.advice);
}

#[test]
fn an_order_that_others_equal_is_told_as_one_of_several() {
    let site = info().site;
    let place_of: [u8; MAX_ANCHORS] = std::array::from_fn(|i| if i < 2 { 1 - i as u8 } else { i as u8 });
    for cause in [Cause::Swapped { anchors: [0, 2] }, Cause::Reversed, Cause::Order { place_of }] {
        let doubt = |alike: u8| SiteDoubt { cause: Some(cause), alike, ..every_doubt(0.42)[0] };
        let said = |alike: u8| site_does_not_fit(&doubt(alike), (&site).into());
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
        assert!(folded(&said(200).words, 75).len() <= 2 && folded(&said(200).advice, 75).len() <= 2);
    }
}

#[test]
fn tag_and_anchor_heights_are_told_as_one_thing() {
    let site = info().site;
    let said = |up_m: f64, names: SiteNames<'_>| {
        site_does_not_fit(
            &SiteDoubt { cause: Some(Cause::TagHeight { up_m }), ..every_doubt(0.42)[0] },
            names,
        )
    };
    let high = said(2.4, (&site).into());
    assert!(high.words.contains("With tag_height_m = 2.40 97 % fit"), "{}", high.words);
    assert!(high.advice.ends_with("all anchors 1.50 m lower look the same to ranges"), "{}", high.advice);
    assert!(said(0.4, (&site).into()).advice.contains("0.50 m higher"));
    let free = said(2.4, SiteNames { dimension: Dimension::ThreeD, ..SiteNames::from(&site) });
    assert!(!free.words.contains("tag_height_m") && free.advice.contains("third number"), "{free:?}");
    assert!(
        site_does_not_fit(
            &SiteDoubt { cause: Some(Cause::OtherSite { other: 0 }), ..every_doubt(0.42)[0] },
            (&site).into()
        )
        .words
        .contains(&other().file)
    );
}

/// While the site as a whole is in doubt the daemon is not ready, says why once, and its gauge says so.
#[test]
fn readiness_status_and_gauge_follow_the_doubt() {
    for (doubt, ready) in every_doubt(0.42).into_iter().map(|d| (d, !d.all)) {
        let hub = busy_hub();
        let mut table = table();
        table.kit.push(KitFinding::SiteDoesNotFit { doubt });
        hub.publish(&Output::Anchors(table.into()));
        let moment = hub.moment(&now);
        let grace = Micros::from_millis(5_000);
        let reason = crate::current::readiness::not_ready(&moment.current(), "sim://yard.toml", grace);
        assert_eq!(reason.is_none(), ready, "{doubt:?}");
        let said = site_does_not_fit(&doubt, (&*moment.site).into());
        if let Some(reason) = reason {
            assert!(reason.contains(&said.words) && reason.contains(&said.advice), "{reason}");
        }
        let gauge = crate::metrics::metrics_text(hub.info().clone(), moment, 1);
        assert!(
            gauge.contains("hereabout_site_fits 0.0") || gauge.contains("hereabout_site_fits 0\n"),
            "{gauge}"
        );
    }
    let hub = busy_hub();
    let gauge = crate::metrics::metrics_text(hub.info().clone(), hub.moment(&now), 1);
    assert!(gauge.contains("hereabout_site_fits 1"), "{gauge}");
}
