//! Every fact of a site, those that anchors share once, and what can't be seen of frames.

use std::collections::BTreeSet;

use hereabout_core::{AnchorId, Micros, MirrorSide};
use hereabout_solve::verify::site_check::{HdopGrid, SiteCheck, SiteFact, Stretch};

use super::*;

fn every_fact() -> Vec<SiteFact> {
    let at_m = [1.0, 2.0, 0.9];
    let link = |id, farthest_m, stretch| SiteFact::LongLink { anchor: AnchorId(id), farthest_m, stretch };
    let mirrors = [MirrorSide::Open, MirrorSide::Excluded];
    let mut all = vec![
        SiteFact::WeakHdop { share: 0.3, limit_hdop: 2.0 },
        SiteFact::NoPosition { share: 0.001, at_m },
        SiteFact::LittleHeightSpread { spread_m: 0.3, need_m: 1.0 },
        SiteFact::AllAbove { least_m: 1.0 },
        SiteFact::AllBelow { least_m: 1.0 },
        link(1, 12.0, Stretch::NeedsSight),
        link(2, 13.5, Stretch::NeedsSight),
        link(3, 20.0, Stretch::NotDependable),
        link(4, 40.0, Stretch::OutOfReach),
        SiteFact::FewInSight { share: 0.2, at_m, have: 3, need: 4 },
        SiteFact::OffsetMissing { anchor: AnchorId(1) },
        SiteFact::OffsetMissing { anchor: AnchorId(2) },
        SiteFact::OffsetOld { anchor: AnchorId(3), age: Micros::from_secs_f64(200.0 * 86_400.0) },
        SiteFact::OffsetOdd { anchor: AnchorId(3), offset_m: 0.61 },
        SiteFact::OffsetRough { anchor: AnchorId(4), se_m: 0.05 },
    ];
    all.extend(mirrors.map(|mirror| SiteFact::NearlyOnLine { across_m: 0.8, along_m: 20.0, mirror }));
    all.extend(mirrors.map(|mirror| SiteFact::NearlyOnPlane { thickness_m: 0.2, mirror }));
    all
}

fn told(facts: Vec<SiteFact>) -> Vec<Said> {
    let grid =
        HdopGrid { corner_m: [0.0; 2], cell_m: 1.0, columns: 0, rows: 0, up_m: 0.9, cells: Vec::new() };
    all(&SiteCheck { grid, area_stated: true, hdop: None, vdop: None, facts })
}

#[test]
fn every_fact_is_told_with_its_code_and_what_to_do() {
    let told = told(every_fact());
    let codes: BTreeSet<&str> = told.iter().map(|f| f.code).collect();
    let codes: Vec<&str> = codes.into_iter().collect();
    assert_eq!(
        codes.join(" "),
        "all_above all_below few_in_sight little_height_spread nearly_on_a_line nearly_on_a_plane needs_sight no_position \
         not_dependable offset_missing offset_odd offset_old offset_rough out_of_reach weak_hdop"
    );
    let on_site: BTreeSet<&str> = told.iter().filter(|f| f.on_site).map(|f| f.code).collect();
    assert_eq!(
        Vec::from_iter(on_site).join(" "),
        "all_above all_below few_in_sight little_height_spread nearly_on_a_line nearly_on_a_plane no_position offset_odd \
         weak_hdop",
        "an anchor is hung or measured"
    );
    assert!(told.iter().all(|f| f.words.len() > 10 && f.advice.len() > 10), "{told:#?}");
}

#[test]
fn what_anchors_share_is_told_once() {
    let told = told(every_fact());
    let words = |code| {
        let mut rows = told.iter().filter(|f| f.code == code);
        (rows.next().unwrap().words.clone(), rows.count())
    };
    assert_eq!(words("needs_sight"), ("anchors 1, 2: up to 13.5 m from part of the area".to_owned(), 0));
    assert_eq!(words("offset_missing"), ("anchors 1, 2: not calibrated".to_owned(), 0));
    assert_eq!(words("offset_old"), ("anchor 3: calibrated up to 200 days ago".to_owned(), 0));
    assert_eq!(
        words("no_position").0,
        "less than 1 % of the area has no position, for example at 1.0 east, 2.0 north"
    );
}
